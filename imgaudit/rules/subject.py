"""What the checks look at: the build as it was read, and what follows from it, as plain facts."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import field, replace
from typing import TYPE_CHECKING

from imgaudit import bounds
from imgaudit.boot.found import Boots
from imgaudit.contents.build import Build, Store, read
from imgaudit.data import dataclass
from imgaudit.model import Layout

if TYPE_CHECKING:
    from imgaudit.boot.firmware import Firmware
    from imgaudit.boot.signatures import Signed
    from imgaudit.contents.block_maps import MappedImage
    from imgaudit.maps.collect import Copies
    from imgaudit.proof.before import Before
    from imgaudit.proof.cuts import Walked
    from imgaudit.proof.endure import Loss
    from imgaudit.proof.ledger import Line
    from imgaudit.proof.records import Proof
    from imgaudit.release.manifest import Manifest
    from imgaudit.rescue.flashing import Script
    from imgaudit.rescue.mainroot import MainRoot
    from imgaudit.rescue.secrets import Kept
    from imgaudit.rescue.stage import Rescue
    from imgaudit.rescue.started import Started
    from imgaudit.rescue.verified import Verified


@dataclass(frozen=True, slots=True)
class Judged:
    """What the checks of a run have said, and its day: what the policy is held against.

    `findings` have each finding's name, region and identity. `unjudged` are the names of the rules
    that could not be applied to something.
    """

    findings: tuple[tuple[str, str | None, tuple[str, ...]], ...]
    unjudged: frozenset[str]
    today: str


@dataclass(frozen=True, kw_only=True)
class Subject(Build):
    """All facts of one audit. Without a layout, the artifacts stand alone (`inspect`).

    `boots` is what U-Boot does with the build, `copies` are the copies of the map that the build
    carries, `manifest` is what it is held against. `rescues` are what the ramdisks can do, by stage
    or, without a layout, by file; `started` is each Linux that is started, by the same names;
    `roots` are the root file systems that these mount, by region.
    `secrets` are the keys and passwords that its file systems keep.
    `verified` are the root hashes of dm-verity that their kernels are told.
    `firmware` are the boot programs that were found, `signed` what FITs' signatures are worth to
    them. `proofs` tell whether the stages start, `ledger` how far all that the layout names was
    looked at; `losses` say what still starts when something is lost, `updates` what does when the
    power goes in an update. `block_maps` are what lies beside images, held against these.
    """

    copies: Copies | None = None
    boots: Boots = field(default_factory=Boots)
    rescues: Mapping[str, Rescue] = field(default_factory=dict)
    started: Mapping[str, Started] = field(default_factory=dict)
    proofs: tuple[Proof, ...] = ()
    ledger: tuple[Line, ...] = ()
    losses: tuple[Loss, ...] = ()
    updates: tuple[Walked, ...] = ()
    roots: Mapping[str, MainRoot] = field(default_factory=dict)
    secrets: tuple[Kept, ...] = ()
    verified: tuple[Verified, ...] = ()
    manifest: Manifest | None = None
    judged: Judged | None = None
    firmware: tuple[Firmware, ...] = ()
    signed: tuple[Signed, ...] = ()
    block_maps: tuple[MappedImage, ...] = ()


def gather(
    layout: Layout, store: Store | None, olds: Mapping[str, Store | Manifest] | None = None
) -> Subject:
    """Read all that a layout names, and work out what follows.

    `olds` are releases that boards have before an update, by the names that updates call them. What
    was left out because there is too much of it is in the ledger.
    """
    with bounds.listening() as heard:
        subject = _gather(layout, store, olds)
    if not heard:
        return subject
    from imgaudit.proof.ledger import limits

    return replace(subject, ledger=(*subject.ledger, *limits(heard)))


def _gather(
    layout: Layout, store: Store | None, olds: Mapping[str, Store | Manifest] | None
) -> Subject:
    build = read(layout, store)
    said_again = layout.elsewhere is not None and layout.elsewhere.mtdparts is not None
    if store is None and not said_again:
        # On paper there is nothing to follow, so what follows it need not be loaded.
        return Subject(layout=layout, given=False, placements=build.placements)
    from imgaudit.boot.firmware import firmware_of
    from imgaudit.boot.signatures import signed_of
    from imgaudit.boot.stage import boots_of
    from imgaudit.contents.block_maps import block_maps
    from imgaudit.maps.collect import collect
    from imgaudit.proof.cuts import walk_updates
    from imgaudit.proof.endure import endure
    from imgaudit.proof.ledger import ledger
    from imgaudit.proof.linux import with_linux, with_signatures
    from imgaudit.proof.power import PowerOn
    from imgaudit.proof.procedures import procedures
    from imgaudit.proof.prove import prove
    from imgaudit.rescue.secrets import secrets_of

    copies = collect(build)
    boots = boots_of(build, copies)
    rescues = _rescues(build, boots)
    firmware = firmware_of(build)
    started = _started(build, boots, rescues)
    roots = _roots(build, started, copies, store)
    verified = _verified(build, started, copies, store)
    signed = signed_of(build, firmware)
    proofs: tuple[Proof, ...] = ()
    if build.given:
        proofs = with_linux(prove(build, copies, boots, rescues), started, roots, layout)
        proofs = with_signatures(proofs, signed, boots)
    power = PowerOn(build, layout, copies, rescues, firmware)
    befores = {name: _before(build, old) for name, old in (olds or {}).items()}
    shown = procedures(build, layout, copies, boots, _scripts(rescues, roots))
    return Subject(
        layout=build.layout,
        given=build.given,
        placements=build.placements,
        images=build.images,
        others=build.others,
        unreadable=build.unreadable,
        copies=copies,
        boots=boots,
        rescues=rescues,
        started=started,
        roots=roots,
        secrets=secrets_of(build, store) if store is not None else (),
        verified=verified,
        proofs=proofs,
        ledger=ledger(build, copies, proofs, firmware) if build.given else (),
        losses=endure(power, boots) if build.given else (),
        updates=walk_updates(power, boots, (*layout.updates, *shown), befores)
        if build.given
        else (),
        firmware=firmware,
        signed=signed,
        block_maps=block_maps(build, store) if store is not None else (),
    )


def _before(build: Build, old: Store | Manifest) -> Before:
    """Read a release that a board has before an update, and compare it with this one."""
    from imgaudit.boot.stage import boots_of
    from imgaudit.maps.collect import collect
    from imgaudit.proof.before import before, sealed_before
    from imgaudit.release.manifest import Manifest

    if isinstance(old, Manifest):
        return sealed_before(build, old)
    if build.layout is None:
        raise ValueError("a release without a layout has no regions")
    then = read(build.layout, old)
    return before(build, then, _rescues(then, boots_of(then, collect(then))))


def gather_rescue(
    path: str,
    *,
    groups: Iterable[str] | None = None,
    arch: str | None = None,
    kernel: str | None = None,
    configuration: str | None = None,
) -> Subject:
    """Read one file that brings a rescue ramdisk, and the kernel that starts it if it is another.

    See rescue_alone() for the arguments.

    Raises:
        ArtifactError: a file cannot be read.
        ValueError: a group or an architecture is not known.

    """
    from imgaudit.contents.reader import Loader
    from imgaudit.rescue.stage import rescue_alone

    with Loader() as loader:
        artifact = loader.file(path)
        starter = loader.file(kernel) if kernel is not None else None
    rescue = rescue_alone(
        artifact, groups=groups, arch=arch, kernel=starter, configuration=configuration
    )
    build, rescues = Build(layout=None, others={path: artifact}), {path: rescue}
    return Subject(
        layout=None,
        others=build.others,
        rescues=rescues,
        started=_started(build, Boots(), rescues),
    )


def _rescues(build: Build, boots: Boots) -> dict[str, Rescue]:
    """Survey the ramdisk of every stage that has one, as the stage's entry starts it."""
    if build.layout is None or not build.given:
        return {}
    from imgaudit.rescue.stage import rescue_of

    found = {}
    for stage in build.layout.stages.values():
        if stage.ramdisk is not None:
            entry = boots.followed.get(stage.entry or "")
            starts = entry.walk.boots if entry is not None else ()
            chosen = {boot.config for boot in starts}
            found[stage.name] = rescue_of(
                build,
                stage,
                configuration=chosen.pop() if len(chosen) == 1 else None,
                arguments=tuple(boot.arguments for boot in starts if boot.arguments is not None),
            )
    return found


def _scripts(
    rescues: Mapping[str, Rescue], roots: Mapping[str, MainRoot]
) -> dict[str, tuple[Script, ...]]:
    """Give the scripts that write to the chips, by the stage that has them in its root."""
    from imgaudit.rescue.flashing import flashing

    found: dict[str, dict[str, Script]] = {}
    for name, rescue in rescues.items():
        if rescue.root is not None and rescue.stage is not None:
            found[name] = {script.path: script for script in flashing(rescue.root)}
    for root in roots.values():
        if root.started.stage is not None:
            kept = found.setdefault(root.started.stage.name, {})
            for script in root.flashing:
                kept.setdefault(script.path, script)
    return {stage: tuple(scripts.values()) for stage, scripts in found.items()}


def _started(build: Build, boots: Boots, rescues: Mapping[str, Rescue]) -> dict[str, Started]:
    """Give each Linux that the build starts."""
    if build.layout is not None and not build.given:
        return {}
    from imgaudit.rescue.started import started_of

    return started_of(build, boots, rescues)


def _verified(
    build: Build, started: Mapping[str, Started], copies: Copies, store: Store | None
) -> tuple[Verified, ...]:
    """Check the root hashes that kernels are told, where there are any."""
    told = (text for item in started.values() for text in item.arguments)
    if store is None or not any("verity" in text or "roothash=" in text for text in told):
        return ()
    from imgaudit.rescue.verified import verified

    return verified(build, started, copies, store)


def _roots(
    build: Build, started: Mapping[str, Started], copies: Copies, store: Store | None
) -> dict[str, MainRoot]:
    """Survey the root file systems that stages mount."""
    if store is None or all(item.rescue is not None for item in started.values()):
        return {}
    from imgaudit.rescue.mainroot import main_roots

    return main_roots(build, started, copies, store)

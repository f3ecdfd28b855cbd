"""Roots behind dm-verity: their blocks, held against the root hash that the kernel is told.

Source: Linux Documentation/admin-guide/device-mapper/verity.rst; for `roothash=` the
systemd-veritysetup-generator(8).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from uuid import UUID

from imgaudit.contents.build import Build, Store, stored
from imgaudit.data import dataclass
from imgaudit.errors import ImgauditError
from imgaudit.formats.verity import Verity, verify
from imgaudit.maps import command_line
from imgaudit.maps.collect import Copies
from imgaudit.maps.command_line import CommandLine, parse_root
from imgaudit.maps.mapped import mapped
from imgaudit.maps.root import target_of
from imgaudit.model import Region
from imgaudit.rescue.started import Started

_MOST = 4 << 30
_HALF = 32  # digits of a root hash that make up a partition's identifier
_NO_REGION = "which region it is on is not known"


@dataclass(frozen=True, slots=True, kw_only=True)
class Verified:
    """One root hash of a stage's command line; with a `why`, nothing was held against it.

    `wrong` is the offset of the first block that gives another hash, None where all agree; it lies
    in `hashes` where `of_tree`, else in `region`.
    """

    stage: str
    digest: str
    region: Region | None = None
    hashes: Region | None = None
    artifact: str = ""
    wrong: int | None = None
    of_tree: bool = False
    why: str = ""


@dataclass(frozen=True, slots=True)
class _Said:
    digest: bytes
    data: str
    hashes: str
    start: int | None
    tree: Verity | None


def verified(
    build: Build, started: Mapping[str, Started], copies: Copies, store: Store
) -> tuple[Verified, ...]:
    """Check each root hash that a stage's kernel is told, once."""
    looking = _Looking(build, copies, store)
    found: dict[tuple[str, str, str], Verified] = {}
    for name, item in started.items():
        for text in item.arguments:
            for said in _told(command_line.parse(text)):
                key = (said.digest.hex(), said.data, said.hashes)
                if key not in found:
                    found[key] = looking.check(name, said)
    return tuple(found.values())


def _told(line: CommandLine) -> Iterator[_Said]:
    for device in mapped(line.value("dm-mod.create") or ""):
        item = device.target
        if item is not None:
            yield _Said(item.digest, item.data, item.hashes, item.start, item.tree)
    text = line.value("roothash") or ""
    try:
        digest = bytes.fromhex(text)
    except ValueError:
        return
    if len(text) >= 2 * _HALF:
        data, hashes = UUID(hex=text[:_HALF]), UUID(hex=text[-_HALF:])
        yield _Said(digest, f"PARTUUID={data}", f"PARTUUID={hashes}", None, None)


@dataclass(frozen=True, slots=True)
class _Looking:
    build: Build
    copies: Copies
    store: Store

    def check(self, stage: str, said: _Said) -> Verified:
        region, hashes = self.region(said.data), self.region(said.hashes)
        bare = Verified(stage=stage, digest=said.digest.hex(), region=region, hashes=hashes)
        if region is None or hashes is None:
            device = said.data if region is None else said.hashes
            return _open(bare, f"{device}: {_NO_REGION}")
        placement, beside = self.build.placement(region.name), self.build.placement(hashes.name)
        facts = said.tree
        if facts is None and said.start is None:
            payload = beside.payload
            facts = payload.facts if payload and isinstance(payload.facts, Verity) else None
        if facts is None or facts.data_size > _MOST:
            return _open(bare, "the shape of its tree of hashes is not one that is followed")
        try:
            with stored(self.store, placement) as data, stored(self.store, beside) as tree:
                wrong = verify(facts, tree, data, said.digest, said.start)
        except ImgauditError as problem:
            return _open(bare, str(problem))
        in_tree = wrong is not None and wrong < 0
        return Verified(
            stage=stage,
            digest=bare.digest,
            region=region,
            hashes=hashes,
            artifact=((beside if in_tree else placement).path or ""),
            wrong=-wrong - 1 if wrong is not None and in_tree else wrong,
            of_tree=in_tree,
        )

    def region(self, device: str) -> Region | None:
        layout = self.build.layout
        target = None
        if layout is not None:
            target = target_of(self.build, layout, self.copies, parse_root(device))
        return target.region if target is not None else None


def _open(bare: Verified, why: str) -> Verified:
    return Verified(
        stage=bare.stage, digest=bare.digest, region=bare.region, hashes=bare.hashes, why=why
    )

"""Whether the artifacts are there at all, whole, and what they claim to be."""

from __future__ import annotations

from collections.abc import Iterator

from imgaudit.contents.build import Placement, reader_of
from imgaudit.contents.place import Node
from imgaudit.contents.tree import Artifact
from imgaudit.formats.facts import Facts, Match
from imgaudit.model import Chip, Layout, Located, Region
from imgaudit.rules.cited import PRACTICE, Basis, Source, in_git_lfs
from imgaudit.rules.engine import (
    Case,
    Finding,
    Kind,
    NotChecked,
    Outcome,
    Rule,
    Severity,
    check,
    nothing,
)
from imgaudit.rules.examples import nor
from imgaudit.rules.kinds import PLACEMENTS, READ, whole
from imgaudit.rules.subject import Subject
from imgaudit.units import KIB, MIB

_REGION = "name: recovery, at: 0, size: 128 KiB, file: recovery.bin"


ARTIFACTS: Kind[tuple[Region | None, Artifact]] = Kind(
    lambda subject: subject.artifacts(),
    lambda found: found[0].name if found[0] is not None else found[1].path,
)
"""Every file, with the first region that it goes to, if any."""
_NODES: Kind[Node[Facts]] = Kind(
    lambda subject: (node for node in subject.nodes if not node.repeats),
    lambda node: node.region.name if node.region is not None else node.content.name,
)


def _given(subject: Subject) -> bool | None:
    """Tell that there are artifacts at all."""
    return subject.given or None


def _of(
    case: Case, region: Region | None, artifact: Artifact, key: str = "file", length: int = -1
) -> Finding:
    """Make a finding about all of an artifact."""
    size = artifact.size if length < 0 else length
    start = _start(region)
    return case.at(region=region, artifact=artifact.path, key=key, offset=start, length=size)


def _start(region: Region | None) -> int:
    """Give where an artifact starts: on its chip or, without a region, in itself."""
    return region.at + region.file_at if region else 0


def _missing_values(*, why: str) -> None: ...


MISSING = Rule(
    name="artifact-missing",
    stops=True,
    follows=("volume-missing",),
    severity=Severity.ERROR,
    values=_missing_values,
    message="{why}",
    effect="The release is incomplete: {region} would be shipped without its content.",
    fix="Build it, or correct file: in the layout.",
    computed="the path is absent, or the glob matches no file or several",
    sources=(PRACTICE,),
    bad=nor(_REGION),
    good=nor(_REGION, files={"recovery.bin": lambda: b"tide" * KIB}),
)


@check(MISSING, over=PLACEMENTS, given=_given)
def artifact_missing(placement: Placement, _: object) -> Outcome:
    if placement.region.expect is None and placement.missing and not placement.refused:
        yield MISSING(why=placement.missing).at(
            region=placement.region, key="file", offset=_start(placement.region), length=0
        )


def _refused_values(*, why: str) -> None: ...


REFUSED = Rule(
    name="artifact-not-usable",
    stops=True,
    severity=Severity.ERROR,
    values=_refused_values,
    message="{why}",
    effect="Nothing is known of what would go into {region}.",
    fix="Put a readable, regular file into the artifacts folder itself.",
    computed=(
        "the path is absolute, climbs with .., is a link out of the folder, is no regular file, or"
        " cannot be read"
    ),
    sources=(PRACTICE,),
    bad=nor("name: recovery, at: 0, size: 128 KiB, file: ../recovery.bin"),
    good=nor(_REGION, files={"recovery.bin": lambda: b"tide" * KIB}),
)


@check(REFUSED, over=PLACEMENTS)
def artifact_refused(placement: Placement) -> Outcome:
    if placement.refused:
        yield REFUSED(why=placement.missing).at(
            region=placement.region, key="file", offset=_start(placement.region), length=0
        )


def _file_values(file: str | None, *, why: str, named: str) -> None: ...


FILE = Rule(
    name="named-file-missing",
    severity=Severity.ERROR,
    values=_file_values,
    message="{named} names {file}: {why}",
    effect="What it would be compared with is not checked, and may be wrong on the board.",
    fix="Build it, or take {named} out of the layout.",
    computed="a chip's image or register dump, a stage's kernel configuration, or a file under"
    " written-elsewhere cannot be had",
    sources=(PRACTICE,),
    bad=nor(chip="size: 1 MiB, erase-block: 64 KiB, image: nor.img"),
    good=nor(
        chip="size: 1 MiB, erase-block: 64 KiB, image: nor.img",
        files={"nor.img": lambda: b"\xff" * MIB},
    ),
)


def _named_files(layout: Layout) -> Iterator[tuple[Located, str, str | None, Chip | None]]:
    """Give every file that no region holds: who names it, under which key, and its name."""
    for chip in layout.chips.values():
        yield chip, "image", chip.image, chip
    for chip in layout.described():
        yield chip, "sfdp", chip.sfdp, chip
        yield chip, "ext-csd", chip.ext_csd, chip
    for stage in layout.stages.values():
        yield stage, "kernel-config", stage.kernel_config, None
    if layout.elsewhere is not None:
        elsewhere = layout.elsewhere
        yield elsewhere, "device-tree", elsewhere.device_tree, None
        yield elsewhere, "environment", elsewhere.environment, None
        yield elsewhere, "uboot-config", elsewhere.uboot_config, None
        yield elsewhere, "flash-tool-config", elsewhere.flash_tool_config, None
        yield elsewhere, "disk-description", elsewhere.disk_description, None


@check(FILE)
def named_file_missing(subject: Subject) -> Outcome:
    if subject.layout is None or not subject.given:
        return
    for owner, key, name, chip in _named_files(subject.layout):
        why = subject.unreadable.get(name) if name is not None else None
        if why:
            yield FILE(file=name, why=why, named=key).at(
                artifact=name, chip=chip.name if chip else None, where=owner.at_key(key)
            )


EMPTY = Rule(
    name="artifact-empty",
    stops=True,
    severity=Severity.ERROR,
    values=nothing,
    message="{artifact} has no bytes",
    effect="Whatever should be there is missing: nothing is written.",
    fix="Look for the build step that failed and left an empty file.",
    computed="the file's size is 0",
    sources=(PRACTICE,),
    bad=nor(_REGION, files={"recovery.bin": lambda: b""}),
    good=nor(_REGION, files={"recovery.bin": lambda: b"tide"}),
)


@check(EMPTY, over=ARTIFACTS)
def artifact_empty(found: tuple[Region | None, Artifact]) -> Outcome:
    region, artifact = found
    if artifact.size == 0:
        yield _of(EMPTY(), region, artifact)


def _blank_values(*, size: int, value: int) -> None: ...


BLANK = Rule(
    name="artifact-blank",
    stops=True,
    severity=Severity.ERROR,
    values=_blank_values,
    message="{artifact} is {size:bytes} of {value:#04x} and nothing else",
    effect="The region would look erased: nothing boots from it.",
    fix="Find the build step that wrote padding instead of data; or say holds: blank.",
    computed="every byte is 0x00 or every byte is 0xFF",
    sources=(PRACTICE,),
    bad=nor(_REGION, files={"recovery.bin": lambda: b"\xff" * (64 * KIB)}),
    good=nor(_REGION, files={"recovery.bin": lambda: b"\xff" * KIB + b"tide"}),
)


@check(BLANK, over=ARTIFACTS)
def artifact_blank(found: tuple[Region | None, Artifact]) -> Outcome:
    region, artifact = found
    meant = region is not None and region.holds == "blank"
    if artifact.blank is not None and not meant:
        yield _of(BLANK(size=artifact.size, value=artifact.blank), region, artifact)


NOT_BLANK = Rule(
    name="artifact-not-blank",
    severity=Severity.ERROR,
    values=nothing,
    message="{artifact} should be blank ({region} holds blank) but is not",
    effect="Whatever expects an erased region finds data there.",
    fix="Correct holds: in the layout, or leave the file out.",
    computed="holds is blank and the file has other bytes than one of 0x00 or 0xFF",
    sources=(PRACTICE,),
    bad=nor(_REGION + ", holds: blank", files={"recovery.bin": lambda: b"tide"}),
    good=nor(_REGION + ", holds: blank", files={"recovery.bin": lambda: b"\xff" * KIB}),
)


@check(NOT_BLANK, over=READ)
def artifact_not_blank(placement: Placement) -> Outcome:
    region, artifact = placement.region, placement.artifact
    if artifact and region.holds == "blank" and artifact.blank is None and artifact.size:
        yield _of(NOT_BLANK(), region, artifact, key="holds")


def _other_format_values(*, wanted: str, found: str) -> None: ...


OTHER_FORMAT = Rule(
    name="artifact-not-what-it-claims",
    follows=("artifact-is-a-placeholder", "artifact-blank"),
    severity=Severity.ERROR,
    values=_other_format_values,
    message="{artifact} should be {wanted} but is {found}",
    effect="Whoever reads {region} expects {wanted} and refuses or misreads what is there.",
    fix="Ship the right file, or correct holds: in the layout.",
    computed="the content, without the compression that its writer undoes, is recognised as"
    " another format than holds",
    sources=(PRACTICE,),
    bad=nor(
        _REGION + ", holds: squashfs",
        files={"recovery.bin": lambda: b"\x1f\x8b\x08" + bytes(7) + b"\x03" + bytes(9)},
    ),
    good=nor(_REGION, files={"recovery.bin": lambda: b"tide" * KIB}),
)


@check(OTHER_FORMAT, over=READ)
def artifact_other_format(placement: Placement) -> Outcome:
    region, artifact, payload = placement.region, placement.artifact, placement.payload
    wanted = reader_of(region.holds)
    if artifact is None or payload is None or not artifact.size or artifact.blank is not None:
        return
    if wanted is None or payload.format == wanted:
        return
    found = payload.title or "no format that is known"
    if payload.format is None and payload.why:
        found += f" ({payload.why})"
    case = OTHER_FORMAT(wanted=region.holds, found=found)
    yield _of(case, region, artifact, key="holds", length=payload.size)


def _damaged_values(*, content: str, why: str) -> None: ...


DAMAGED = Rule(
    name="artifact-damaged",
    follows=("fit-hash-mismatch", "ramdisk-cut"),
    severity=Severity.ERROR,
    values=_damaged_values,
    message="{content} is damaged at {at:place}: {why}",
    effect="Whoever loads it stops there, or goes on with half of it.",
    fix="Build it again and compare; a file that ends early was cut while it was copied.",
    computed="the format's own structure, or a compressed stream, cannot be followed to its end",
    sources=(Source(Basis.STANDARD, "the specification of each format, which its reader names"),),
    bad=nor(
        _REGION + ", holds: gzip",
        files={"recovery.bin": lambda: b"\x1f\x8b\x08" + bytes(6) + b"\x03tide"},
    ),
    good=nor(_REGION, files={"recovery.bin": lambda: b"tide" * KIB}),
)


@check(DAMAGED, over=_NODES, given=whole)
def artifact_damaged(node: Node[Facts], subject: Subject) -> Outcome:
    content, at, facts = node.content, node.start, node.content.facts
    expected = content.expects is not None and content.format == content.expects
    if content.damaged_at is None:
        if content.why and content.format is not None:
            yield NotChecked(DAMAGED.name, content.name, content.why)
        # What was tried on an environment's sum is environment-checksum's to tell.
        if subject.layout is not None and facts is not None and facts.format != "uboot-env":
            for doubt in facts.doubts:
                yield NotChecked(DAMAGED.name, content.name, doubt.removesuffix("."))
    elif content.match >= Match.GOOD or (expected and content.match is not Match.NO):
        yield DAMAGED(content=content.name, why=content.why).at(
            region=node.region,
            artifact=node.artifact.path,
            where=node.where,
            offset=None if at is None else at + content.damaged_at,
            length=max(0, content.size - content.damaged_at),
            at=content.damaged_at,
        )


def _placeholder_values(*, what: str) -> None: ...


PLACEHOLDER = Rule(
    name="artifact-is-a-placeholder",
    stops=True,
    severity=Severity.ERROR,
    values=_placeholder_values,
    message="{artifact} is {what}, not the artifact itself",
    effect="The board would be given a text of a few bytes instead of an image.",
    fix="Fetch the real file and look at why the download was not checked.",
    computed="the file starts as a Git LFS pointer, an HTML page or an XML error answer",
    sources=(
        in_git_lfs("docs/spec.md", "version", "The first key is _always_ `version`."),
        PRACTICE,
    ),
    bad=nor(
        _REGION,
        files={"recovery.bin": lambda: b"version https://git-lfs.github.com/spec/v1\noid sha256:0"},
    ),
    good=nor(_REGION, files={"recovery.bin": lambda: b"tide" * KIB}),
)
_PLACEHOLDERS = (
    (b"version https://git-lfs", "a Git LFS pointer"),
    (b"<!doctype html", "an HTML page"),
    (b"<html", "an HTML page"),
    (b"<?xml", "an XML answer"),
)


@check(PLACEHOLDER, over=ARTIFACTS)
def artifact_placeholder(found: tuple[Region | None, Artifact]) -> Outcome:
    region, artifact = found
    head = artifact.head.lstrip().lower()
    for start, what in _PLACEHOLDERS:
        if head.startswith(start):
            yield _of(PLACEHOLDER(what=what), region, artifact)


def _same_values(other: str, other_artifact: str) -> None: ...


SAME = Rule(
    name="artifacts-identical",
    severity=Severity.WARNING,
    values=_same_values,
    message="{artifact} for {region} has the same bytes as {other_artifact} for {other}",
    effect="One of the two regions holds the wrong content, unless both are meant to be equal.",
    fix="Check which build step copied one over the other; name one file twice if it is meant.",
    computed="two different files for regions that hold different things, and are not those of two"
    " slots of one stage, have one SHA-256",
    sources=(PRACTICE,),
    bad=nor(
        _REGION,
        "name: firmware, at: 128 KiB, size: 128 KiB, file: firmware.bin",
        files={"recovery.bin": lambda: b"tide" * KIB, "firmware.bin": lambda: b"tide" * KIB},
    ),
    good=nor(
        _REGION,
        "name: firmware, at: 128 KiB, size: 128 KiB, file: firmware.bin",
        files={"recovery.bin": lambda: b"tide" * KIB, "firmware.bin": lambda: b"gauge" * KIB},
    ),
)


def _digest(placement: Placement) -> str:
    """Give the digest of what must not be the same in two regions; "" of what may be."""
    artifact = placement.artifact
    if artifact is None or not artifact.size or artifact.blank is not None:
        return ""
    return artifact.sha256 or artifact.data_sha256 or ""


def _by_digest(subject: Subject) -> tuple[dict[str, Placement], dict[str, tuple[str, str]]]:
    """Give the first placement of each digest, and the stage and slot that alone take a region."""
    read = (item for item in reversed(subject.placements) if item.payload is not None)
    stages = subject.layout.stages.values() if subject.layout is not None else ()
    slots = {
        region: (stage.name, slot.name)
        for stage in stages
        for slot in stage.slots
        for region in slot.regions
    }
    return {digest: item for item in read if (digest := _digest(item))}, slots


@check(SAME, over=READ, given=_by_digest)
def artifacts_identical(
    placement: Placement, given: tuple[dict[str, Placement], dict[str, tuple[str, str]]]
) -> Outcome:
    region, artifact = placement.region, placement.artifact
    by_digest, slots = given
    first = by_digest.get(_digest(placement))
    if artifact is None or first is None or artifact.path == first.path:
        return
    one, other = slots.get(first.region.name), slots.get(region.name)
    pair = one is not None and other is not None and one[0] == other[0] and one[1] != other[1]
    if not pair and not _may_be_equal(first.region, region):
        case = SAME(other=first.region.name, other_artifact=first.path or "")
        yield _of(case, region, artifact)


def _may_be_equal(one: Region, other: Region) -> bool:
    """Two slots of a pair, or two copies of an environment, may well start out equal."""
    if one.holds == other.holds == "uboot-env":
        return True
    return one.type is not None and one.type == other.type

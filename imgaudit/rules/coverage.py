"""What was not looked at: bytes that stand unread, and words of the policy that meet nothing."""

from __future__ import annotations

from imgaudit.contents.build import Placement
from imgaudit.formats.fdt import FdtFacts
from imgaudit.formats.fip import Fip
from imgaudit.formats.fit import FitFacts
from imgaudit.model import Layout
from imgaudit.proof.ledger import Seen
from imgaudit.rules.cited import PRACTICE
from imgaudit.rules.engine import Outcome, Rule, Severity, check
from imgaudit.rules.examples import nor
from imgaudit.rules.kinds import READ, the_layout
from imgaudit.rules.samples import board_tree, fit, packed
from imgaudit.rules.subject import Subject
from imgaudit.units import Span

_RECOVERY = "name: recovery, at: 0, size: 64 KiB, holds: fit, file: recovery.itb"
_TREE = "name: tree, at: 0, size: 64 KiB, holds: fdt, file: board.dtb"
# What a boot loader reads as it lies there; a file system's image is copied by a writer that is
# often told to unpack it.
_READ_RAW = frozenset(
    {"fit", "fip", "fdt", "uboot-env", "uimage", "arm64-image", "riscv-image", "zimage", "elf"}
)


def _packed_values(*, packing: str, holds: str) -> None: ...


PACKED = Rule(
    name="packed-where-read-raw",
    stops=True,
    severity=Severity.ERROR,
    message="{artifact} is {packing}, and {region} is read as it lies there: as {holds}",
    effect="U-Boot or the boot ROM finds compressed bytes where it looks for its own, and stops.",
    fix=(
        "Name the unpacked file; or say `writer-unpacks: {packing}` if what writes the region"
        " unpacks it on the way."
    ),
    computed=(
        "the artifact is compressed, the region is on raw flash or holds what a boot loader reads"
        " itself, and its writer-unpacks does not name the compression"
    ),
    sources=(PRACTICE,),
    values=_packed_values,
    bad=nor(_RECOVERY, files={"recovery.itb": lambda: packed(fit())}),
    good=nor(f"{_RECOVERY}, writer-unpacks: gzip", files={"recovery.itb": lambda: packed(fit())}),
)


@check(PACKED, over=READ, given=the_layout)
def packed_where_read_raw(placement: Placement, layout: Layout) -> Outcome:
    region, artifact = placement.region, placement.artifact
    raw = region.holds in _READ_RAW or layout.chips[region.chip].kind.mtd
    content = artifact.content if artifact is not None and raw else None
    while content is not None and content is not placement.payload:
        if content.inner is not None and content.format not in {None, *region.writer_unpacks}:
            yield PACKED(packing=content.format or "", holds=region.holds).at(
                region=region, artifact=placement.path, key="file"
            )
            return
        content = content.inner


def _behind_values(*, extra: int, what: str) -> None: ...


BEHIND = Rule(
    name="data-behind-the-end",
    severity=Severity.WARNING,
    message="{extra:bytes} stand behind the end of {what}, and are no padding",
    effect="Nobody reads or checks them; they go to every board all the same.",
    fix="Find out what put them there: a file joined to another, or a header that says too little.",
    computed=(
        "the file is longer than its FIT, FIP or device tree says, and what follows does not repeat"
        " 0x00 or 0xFF"
    ),
    sources=(PRACTICE,),
    values=_behind_values,
    bad=nor(_TREE, files={"board.dtb": lambda: board_tree() + b"left over"}),
    good=nor(_TREE, files={"board.dtb": lambda: board_tree() + bytes(16)}),
)


@check(BEHIND)
def data_behind_the_end(subject: Subject) -> Outcome:
    lines = [line for line in subject.ledger if line.kind == "region"]
    unseen = {line.name: line.size.get(Seen.UNSEEN, 0) for line in reversed(lines)}
    for placement in subject.placements:
        payload = placement.payload
        facts = payload.facts if payload is not None else None
        if payload is None or not isinstance(facts, FitFacts | Fip | FdtFacts):
            continue
        extra = unseen.get(placement.region.name, 0)
        if extra and facts.length is not None:
            region = placement.region
            yield BEHIND(extra=extra, what=payload.name).at(
                region=region,
                artifact=placement.path,
                key="file",
                offset=Span.sized(region.at + region.file_at + facts.length, extra).start,
                length=extra,
            )


def _accept_values(kind: str, name: str) -> None: ...


ACCEPTS_NOTHING = Rule(
    name="accept-matches-nothing",
    severity=Severity.WARNING,
    message="the policy accepts {kind} {name}, and nothing is open there",
    effect="The line hides what may open there later.",
    fix="Take the line out.",
    computed=(
        "an `accept:` names a region, stage or copy that was judged, an update that leaves a way to"
        " start at every moment, or what is not there"
    ),
    sources=(PRACTICE,),
    values=_accept_values,
    bad=nor(
        _TREE,
        rest=(
            "stages: {main: {regions: [tree], entry: bootcmd}}\n"
            "policy: {accept: [{region: tree, reason: it has no sum, owner: the boot team}]}\n"
        ),
        files={"board.dtb": board_tree},
    ),
    good=nor(
        _TREE,
        rest=(
            "stages: {main: {regions: [tree], entry: bootcmd}}\n"
            "policy: {accept: [{stage: main, reason: no environment yet, owner: the boot team}]}\n"
        ),
        files={"board.dtb": board_tree},
    ),
)


@check(ACCEPTS_NOTHING)
def accept_matches_nothing(subject: Subject) -> Outcome:
    layout = subject.layout
    if layout is None or not subject.given:
        return
    is_open = {(line.kind, line.name) for line in subject.ledger if line.open}
    is_open |= {
        ("update", walked.update.name)
        for walked in subject.updates
        if any(cut.fails for cut in walked.cuts)
    }
    for accept in layout.policy.accepts:
        if accept.kind != "loss" and (accept.kind, accept.name) not in is_open:
            yield ACCEPTS_NOTHING(kind=accept.kind, name=accept.name).at(
                where=accept.where, artifact=layout.file
            )

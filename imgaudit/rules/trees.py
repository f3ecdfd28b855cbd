"""The device trees that kernels are started with, held against each other."""

from __future__ import annotations

from collections.abc import Iterator

from imgaudit.boot.found import Followed, Start
from imgaudit.data import dataclass
from imgaudit.formats.fdt import FdtFacts
from imgaudit.maps import device_tree
from imgaudit.maps.entry import Medium
from imgaudit.model import Region
from imgaudit.rules import samples as sample
from imgaudit.rules._boot import scripted
from imgaudit.rules.cited import BOARD_NAMES, in_linux
from imgaudit.rules.engine import Example, Outcome, Rule, Severity, check
from imgaudit.rules.subject import Subject
from imgaudit.writers.fdt import Tree

_AT = "sf probe && sf read 0x88000000 0x20000 0x40000 && bootm 0x88000000"
_PARTITIONS: Tree = {
    "compatible": "fixed-partitions",
    "#address-cells": 1,
    "#size-cells": 1,
    "partition@10000": {"label": "env", "reg": (0x10000, 0x10000)},
    "partition@20000": {"label": "recovery", "reg": (0x20000, 0x40000)},
}


def flash(*, partitions: bool = True, status: str = "okay") -> Tree:
    """Give the node of a NOR behind its controller."""
    chip: Tree = {"compatible": "jedec,spi-nor", "reg": 0}
    if partitions:
        chip["partitions"] = _PARTITIONS
    return {"#address-cells": 1, "#size-cells": 0, "status": status, "flash@0": chip}


def booted(tree: bytes, other: bytes, arguments: str = "") -> Example:
    """Give a board whose recovery is started with one tree and whose other script has another."""
    parts: Tree = {
        "kernel": sample.kernel(),
        "fdt": sample.image({"type": "flat_dt"}, payload=tree),
        "other": sample.image({"type": "flat_dt"}, payload=other),
    }
    choices: Tree = {
        "conf": {"kernel": "kernel", "fdt": "fdt"},
        "second": {"kernel": "kernel", "fdt": "other"},
    }
    return scripted(
        f"setenv bootargs console=ttyS0 {arguments}; {_AT}#conf",
        bootcmd=f"run recovery; {_AT}#second",
        itb=lambda: sample.fit(parts, configurations=choices),
    )


@dataclass(frozen=True, slots=True)
class _Booted:
    """A tree, and one start of a kernel with it."""

    followed: Followed
    start: Start
    name: str
    facts: FdtFacts
    region: Region | None
    path: str | None


def _booted(subject: Subject) -> Iterator[_Booted]:
    """Give each tree that a kernel is started with, once for each entry."""
    seen = set()
    for followed in subject.boots.followed.values():
        for start in followed.starts:
            for piece in start.pieces:
                facts = piece.content.unwrapped().facts if piece.content is not None else None
                if piece.role != "fdt" or not isinstance(facts, FdtFacts) or facts.overlay:
                    continue
                key = (followed.entry, id(facts))
                if key not in seen:
                    seen.add(key)
                    found = start.buffers.get("fdt") or start.buffers.get("kernel")
                    source = subject.boots.source(found) if found is not None else None
                    yield _Booted(
                        followed,
                        start,
                        piece.content.name if piece.content is not None else piece.name,
                        facts,
                        source.region if source is not None else None,
                        _artifact(subject, source.region) if source is not None else None,
                    )


def _artifact(subject: Subject, region: Region) -> str | None:
    return subject.placement(region.name).path


def _boards_values(
    entry: str, other: str, *, own: str, board: str, content: str | None = None
) -> None: ...


BOARDS = Rule(
    name="device-trees-of-different-boards",
    stops=True,
    severity=Severity.ERROR,
    values=_boards_values,
    message='{content}, for {entry}, is the tree of "{own}"; for {other} it is that of "{board}"',
    effect="One of the two trees sets up pins, clocks and flash of another board: at best it"
    " does not boot.",
    fix="Ship this board's tree in both places; compatible: in the layout says which board it is.",
    computed="the first compatible of the root node differs between the trees that kernels are"
    " started with, and the layout has no compatible:; U-Boot's own tree tells which is wrong, else"
    " it is the later one; a warning where they share a later compatible",
    sources=(BOARD_NAMES,),
    bad=booted(
        sample.board_tree(), sample.board_tree({"compatible": ["example,buoy", "example,other"]})
    ),
    good=booted(sample.board_tree(), sample.board_tree()),
)


@check(BOARDS)
def tree_boards(subject: Subject) -> Outcome:
    if subject.layout is None or subject.layout.compatible is not None:
        return
    trees = [tree for tree in _booted(subject) if tree.facts.compatible]
    if not trees:
        return
    # Which of them is the wrong one, U-Boot's own tree tells, where it has one.
    loaders = {name for it in subject.firmware for tree in it.trees for name in tree.compatible[:1]}
    right = (tree for tree in trees if tree.facts.compatible[0] in loaders)
    first = next(right, trees[0])
    told = set()
    for tree in trees:
        own, board = tree.facts.compatible, first.facts.compatible
        if own[0] == board[0] or own[0] in told:
            continue
        told.add(own[0])
        yield BOARDS(
            entry=tree.followed.entry,
            other=first.followed.entry,
            own=own[0],
            board=board[0],
        ).at(
            region=tree.region,
            artifact=tree.path,
            key="file" if tree.region is not None else None,
            where=None if tree.region is not None else subject.layout.where,
            severity=Severity.WARNING if set(own) & set(board) else None,
            content=tree.name,
        )


def _bare_values(entry: str, *, other: str, content: str | None = None) -> None: ...


BARE = Rule(
    name="device-tree-without-partitions",
    severity=Severity.ERROR,
    values=_bare_values,
    message="{content}, for {entry}, has no partitions below its flash; {other} has them",
    effect="Linux makes one MTD of the whole chip: /dev/mtd1 and every name are missing, and what"
    " writes to /dev/mtd0 writes over the firmware.",
    fix="Ship the present tree there too, or give that kernel mtdparts=.",
    computed="a tree that a kernel is started with has an enabled flash node without partitions,"
    " another one has them, and this kernel's command line has no mtdparts=",
    sources=(
        in_linux("drivers/mtd/mtdpart.c", "parse_mtd_partitions"),
        in_linux(
            "Documentation/devicetree/bindings/mtd/partitions/fixed-partitions.yaml",
            says='The partition table should be a node named "partitions".',
        ),
    ),
    bad=booted(
        sample.board_tree({"spi": flash(partitions=False)}), sample.board_tree({"spi": flash()})
    ),
    good=booted(sample.board_tree({"spi": flash()}), sample.board_tree({"spi": flash()})),
)


@check(BARE)
def tree_partitions(subject: Subject) -> Outcome:
    if subject.layout is None:
        return
    trees = [(tree, *_flash(tree.facts)) for tree in _booted(subject)]
    other = next((tree.name for tree, enabled, parts in trees if enabled and parts), None)
    told = set()
    for tree, enabled, parts in trees:
        given = "mtdparts=" in (tree.start.boot.arguments or "")
        if other is None or not enabled or parts or given:
            continue
        if id(tree.facts) not in told:
            told.add(id(tree.facts))
            yield BARE(entry=tree.followed.entry, other=other).at(
                region=tree.region,
                artifact=tree.path,
                key="file" if tree.region is not None else None,
                where=None if tree.region is not None else subject.layout.where,
                content=tree.name,
            )


def _flash(facts: FdtFacts) -> tuple[bool, bool]:
    """Tell whether a tree has a flash chip that is enabled, and whether that has partitions."""
    nodes = [
        node
        for node in device_tree.flash_nodes(facts.tree)
        if node.disabled_by is None and node.medium is not Medium.MMC
    ]
    return bool(nodes), any(
        table.entries for node in nodes for table in device_tree.copies_of(node)
    )

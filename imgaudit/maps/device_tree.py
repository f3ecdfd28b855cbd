"""The partitions that a device tree gives to its flash chips.

Source: Linux drivers/mtd/parsers/ofpart_core.c and drivers/mtd/mtdpart.c; the dt-schema bindings
mtd/partitions/fixed-partitions.yaml and partition.yaml. Linux is followed where it takes a tree
otherwise than the Devicetree Specification, since Linux is who reads it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import field

from imgaudit.data import dataclass
from imgaudit.formats.flat_tree import Node, Tree, number_of
from imgaudit.maps.entry import Kind, MapCopy, MapEntry, Medium, Written
from imgaudit.patterns import regex
from imgaudit.units import counted

_TABLE = "fixed-partitions"
# Linux reads these by the same code, then lets a vendor's hook rename what it finds.
_TABLES = {_TABLE, "brcm,bcm4908-partitions", "linksys,ns-partitions"}
_MEDIA = (
    (Medium.NAND, regex(r"nand", re.ASCII)),
    (
        Medium.SPI_NOR,
        regex(
            r"(?:^|,)(?:jedec,spi-nor|spi-flash|m25p|w25[qx]|mx25|mx66|n25q|mt25|s25[fs]l"
            r"|sst2[56]|at2[56]d|gd25|is25|en25|xm25)",
            re.ASCII,
        ),
    ),
    (Medium.PARALLEL_NOR, regex(r"(?:^|,)(?:cfi-flash|jedec-flash|hyperflash)", re.ASCII)),
    (Medium.MMC, regex(r"^mmc-card$", re.ASCII)),
    (Medium.UNKNOWN, regex(r"(?:^|,)(?:dataflash|at45|mtd-r[ao]m)", re.ASCII)),
)
_HEX = regex(r"[0-9a-fA-F]{1,16}", re.ASCII)


@dataclass(frozen=True, slots=True)
class _Cells:
    """How many cells an address and a size take, as Linux finds it: from the nearest ancestor."""

    address: int = 1  # Linux' default on most architectures; the specification says 2
    size: int = 1

    def inside(self, node: Node) -> _Cells:
        return _Cells(
            *node.u32s("#address-cells")[:1] or (self.address,),
            *node.u32s("#size-cells")[:1] or (self.size,),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class FlashNode:
    """A flash chip, a NAND controller (whose chip may have no node), or what has partitions.

    `disabled_by` is the path of the node that disables it: itself or one above.
    """

    node: Node
    medium: Medium
    disabled_by: str | None
    cells: _Cells  # what it inherits

    @property
    def names(self) -> tuple[str, ...]:
        """What Linux may call the MTD, where the tree says it."""
        return (*self.node.texts("linux,mtd-name")[:1], *self.node.texts("label")[:1])


def flash_nodes(tree: Tree) -> tuple[FlashNode, ...]:
    """Give every flash chip, in stored order, disabled and unpartitioned ones too."""
    if flash_nodes not in tree.once:
        tree.once[flash_nodes] = tuple(_walk(tree.root))
    found: tuple[FlashNode, ...] = tree.once[flash_nodes]
    return found


def copies(tree: Tree) -> tuple[MapCopy, ...]:
    """Give one copy of the map per partition table, in stored order."""
    return tuple(copy for flash in flash_nodes(tree) for copy in _copies(flash))


def copies_of(flash: FlashNode) -> tuple[MapCopy, ...]:
    """Give one copy of the map per partition table of one flash."""
    return tuple(_copies(flash))


def _walk(root: Node) -> Iterator[FlashNode]:
    waiting: list[tuple[Node, _Cells, str | None, Medium | None]] = [(root, _Cells(), None, None)]
    while waiting:
        node, cells, disabled_by, above = waiting.pop()
        if disabled_by is None and not node.enabled():
            disabled_by = node.path
        inside = cells.inside(node)
        medium = _medium(node)
        below = [child for child in node.children if not _is_table(child)]
        tables = len(below) < len(node.children)
        partitioned = tables or any(_named_partition(child) for child in below)
        if medium is not None or partitioned:
            yield FlashNode(
                node=node,
                # A chip below a NAND controller often has no compatible of its own.
                medium=medium or above or Medium.UNKNOWN,
                disabled_by=disabled_by,
                cells=cells,
            )
        waiting.extend(
            (child, inside, disabled_by, medium)
            for child in reversed(below)
            if not (partitioned and _named_partition(child))
        )


def _medium(node: Node) -> Medium | None:
    if node.path == "/":
        return None  # a board may be called by its flash
    for compatible in node.texts("compatible"):
        for medium, known in _MEDIA:
            if known.search(compatible):
                return medium
    return None


def _basename(node: Node) -> str:
    return node.name.partition("@")[0]


def _is_table(node: Node) -> bool:
    return node.name == "partitions" or not _TABLES.isdisjoint(node.texts("compatible"))


def _named_partition(node: Node) -> bool:
    return (
        _basename(node) == "partition"
        and "reg" in node.properties
        and "compatible" not in node.properties
    )


@dataclass(slots=True)
class _Table:
    """The entries of one table while they are collected; `refused` tells that Linux drops it."""

    entries: list[MapEntry] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    refused: bool = False

    def refuse(self, note: str) -> None:
        self.notes.append(f"{note}: Linux then ignores the whole table")
        self.refused = True


def _copies(flash: FlashNode) -> Iterator[MapCopy]:
    node = flash.node
    inside = flash.cells.inside(node)
    tables = [child for child in node.children if _is_table(child)]
    for child in tables:
        table = _Table()
        compatible = child.texts("compatible")
        if not compatible:
            table.refuse(f"{child.path} has no compatible")
        elif _TABLES.isdisjoint(compatible):
            table.notes.append(f"{child.path} is for another parser: {', '.join(compatible)}")
        _collect(table, child, inside.inside(child), 0, None)
        yield _copy(flash, node.path if child.name == "partitions" else child.path, table)
    if not any(child.name == "partitions" for child in tables):
        table = _Table()
        _collect_direct(table, node, inside)
        if table.entries:
            yield _copy(flash, node.path, table)


def _copy(flash: FlashNode, device: str, table: _Table) -> MapCopy:
    if flash.disabled_by is not None:
        table.notes.append(f"{flash.disabled_by} is disabled")
    return MapCopy(
        kind=Kind.DEVICE_TREE,
        device=device,
        medium=flash.medium,
        names=flash.names,
        entries=tuple(table.entries),
        notes=tuple(table.notes),
        in_use=flash.disabled_by is None and not table.refused,
    )


def _collect(table: _Table, node: Node, cells: _Cells, base: int, parent: str | None) -> None:
    """Add the partitions below a table; those inside a partition count from its start."""
    if node.children:
        _note_missing_cells(table, node, cells)
    for child in node.children:
        entry = _entry(table, child, cells, base, parent)
        compatible = child.texts("compatible")
        if not _TABLES.isdisjoint(compatible):
            # The parser bounds a tree's depth, so this recursion ends.
            _collect(table, child, cells.inside(child), entry.offset or base, entry.label)
        elif compatible:
            table.notes.append(f"{child.path} is for another parser: {', '.join(compatible)}")


def _collect_direct(table: _Table, node: Node, cells: _Cells) -> None:
    """Add the partitions that older trees put right under the chip."""
    if cells.size == 0:
        cells = _Cells(cells.address, 1)  # as Linux does for trees that boot loaders amend
    for child in node.children:
        if "reg" not in child.properties or "compatible" in child.properties:
            continue
        fits = len(child.u32s("reg")) == cells.address + cells.size
        # Chips below a controller have a reg too, of the controller's one cell.
        if fits or _basename(child) == "partition":
            if not table.entries:
                _note_missing_cells(table, node, cells)
            _entry(table, child, cells, 0, None)


def _note_missing_cells(table: _Table, node: Node, cells: _Cells) -> None:
    for name, taken in (("#address-cells", cells.address), ("#size-cells", cells.size)):
        if name not in node.properties:
            table.notes.append(f"{node.path} has no {name}: Linux takes {taken} from above")
        elif node.u32s(name) == (0,):
            table.notes.append(f"{node.path} has {name} 0: Linux takes {taken}")


def _entry(table: _Table, node: Node, cells: _Cells, base: int, parent: str | None) -> MapEntry:
    values = node.u32s("reg")
    offset = size = None
    if "reg" not in node.properties:
        table.refuse(f"{node.path} has no reg")
    elif len(values) != cells.address + cells.size:
        table.refuse(
            f"{node.path} has a reg of {counted(len(values), 'cell')},"
            f" not {cells.address} + {cells.size}"
        )
    else:
        offset = base + number_of(values[: cells.address])
        size = number_of(values[cells.address :])
    name, _, unit = node.name.partition("@")
    entry = MapEntry(
        label=next(iter(node.texts("label")), name),
        offset=offset,
        size=size or None,
        to_end=size == 0,
        read_only="read-only" in node.properties,
        parent=parent,
        unit_address=int(unit, 16) if _HEX.fullmatch(unit) else None,
        at=Written(text=node.path, offset=node.offsets.get("reg", node.offset)),
    )
    table.entries.append(entry)
    return entry

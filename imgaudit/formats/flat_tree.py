"""Flattened device tree: the tree behind a DTB and a FIT.

Source: Devicetree Specification 0.4, chapter 5 "Flattened Devicetree (DTB) Format".
"""

from __future__ import annotations

import struct
from collections.abc import Collection, Iterator, Mapping
from dataclasses import field
from typing import Any

from imgaudit.data import dataclass
from imgaudit.errors import FormatError, ImgauditError
from imgaudit.formats.view import View
from imgaudit.units import Span

MAGIC = 0xD00DFEED
STARTS = MAGIC.to_bytes(4, "big")
"""How every device tree starts."""
HEADER_FIELDS = (
    "magic",
    "totalsize",
    "off_dt_struct",
    "off_dt_strings",
    "off_mem_rsvmap",
    "version",
    "last_comp_version",
    "boot_cpuid_phys",
    "size_dt_strings",
    "size_dt_struct",
)
HEADER_OFFSETS = {name: 4 * at for at, name in enumerate(HEADER_FIELDS)}

_BEGIN_NODE, _END_NODE, _PROP, _NOP, _END = 1, 2, 3, 4, 9
_OLDEST, _CURRENT = 16, 17
_MAX_DEPTH = 64  # the Linux kernel unflattens no deeper
_MAX_NODES = 1 << 16  # the largest boards' trees have a few thousand
_MAX_PROPERTIES = 1 << 18
_MAX_RESERVATIONS = 1 << 10
_MAX_NAME = 256  # the specification allows 31 and a unit address
_MAX_STRINGS = 4 << 20
_MAX_VALUE = 64 << 10  # larger values are payloads: the files inside a FIT
_PAYLOAD_HEAD = 64
_MAX_KEPT = 64 << 20
_PIECE = 64 << 10
_MAX_CELLS = 4  # 128 bits: no address or size in use is wider


@dataclass(frozen=True, slots=True)
class Header:
    """The header's fields; `size_dt_struct` is None in version 16, which has no such field."""

    totalsize: int
    off_dt_struct: int
    off_dt_strings: int
    off_mem_rsvmap: int
    version: int
    last_comp_version: int
    boot_cpuid_phys: int
    size_dt_strings: int
    size_dt_struct: int | None


@dataclass(frozen=True, slots=True)
class Reservation:
    """One entry of the memory reservation block; `offset` is where it is stored."""

    address: int
    size: int
    offset: int


@dataclass(frozen=True, slots=True)
class Property:
    """A property: `size` bytes at `offset` from the start of the content.

    `value` holds them all, or only the first 64 where there are more than 64 KiB.
    """

    name: str
    value: bytes
    offset: int
    size: int

    def u32s(self) -> tuple[int, ...]:
        """Give the value as 32-bit cells; what is left of a last, broken cell is ignored."""
        count = len(self.value) // 4
        return struct.unpack_from(f">{count}I", self.value)

    def number(self) -> int | None:
        """Give the cells as one number, most significant first; None for none or over four."""
        count = len(self.value) // 4
        return int.from_bytes(self.value[: 4 * count], "big") if 0 < count <= _MAX_CELLS else None

    def texts(self) -> tuple[str, ...]:
        """Give the value as a list of strings."""
        if not self.value:
            return ()
        return tuple(_text(piece) for piece in self.value.removesuffix(b"\0").split(b"\0"))


@dataclass(frozen=True, slots=True)
class Node:
    """A node; `offset` is that of its FDT_BEGIN_NODE token. Of two equal names the first counts."""

    name: str
    path: str
    offset: int
    properties: Mapping[str, Property]
    children: tuple[Node, ...]

    @property
    def offsets(self) -> dict[str, int]:
        """Where each property's value is stored, by the property's name."""
        return {name: found.offset for name, found in self.properties.items()}

    def child(self, name: str) -> Node | None:
        """Find a child by its full name, unit address included."""
        return next((node for node in self.children if node.name == name), None)

    def u32s(self, name: str) -> tuple[int, ...]:
        """Give a property's cells; nothing where there is no such property."""
        found = self.properties.get(name)
        return found.u32s() if found else ()

    def number(self, name: str) -> int | None:
        """Give a property's cells as one number; None for none or over four."""
        found = self.properties.get(name)
        return found.number() if found else None

    def texts(self, name: str) -> tuple[str, ...]:
        """Give a property's strings; nothing where there is no such property."""
        found = self.properties.get(name)
        return found.texts() if found else ()

    def text(self, name: str) -> str | None:
        """Give a property's first string; None without any."""
        return next(iter(self.texts(name)), None)

    def regs(self, parent: Node) -> tuple[tuple[int, int], ...]:
        """Give `reg` as (address, size) pairs, by the parent's cell counts (2 and 1 by default)."""
        address = (parent.u32s("#address-cells") or (2,))[0]
        each = address + (parent.u32s("#size-cells") or (1,))[0]
        cells = self.u32s("reg")
        if not 0 < each <= min(len(cells), 2 * _MAX_CELLS):
            return ()
        return tuple(
            (number_of(cells[at : at + address]), number_of(cells[at + address : at + each]))
            for at in range(0, len(cells) - each + 1, each)
        )

    def enabled(self) -> bool:
        """Tell whether `status` is absent or says okay (Devicetree Specification 2.3.4)."""
        return self.text("status") in {None, "okay", "ok"}

    def walk(self) -> Iterator[Node]:
        """Yield this node and all below it, in stored order."""
        waiting = [self]
        while waiting:
            node = waiting.pop()
            yield node
            waiting.extend(reversed(node.children))


@dataclass(frozen=True, slots=True)
class Tree:
    """A parsed tree; `used` is the end of its last block, `totalsize - used` the padding.

    `once` is what others work out of it once and ask for often, by a name of their own.
    """

    header: Header
    reservations: tuple[Reservation, ...]
    root: Node
    used: int
    once: dict[object, Any] = field(default_factory=dict, repr=False, compare=False)

    def get(self, path: str) -> Node | None:
        """Find a node by its full path, such as `/images/kernel`."""
        node: Node | None = self.root
        for name in filter(None, path.split("/")):
            node = node.child(name) if node else None
        return node


def has_magic(view: View) -> bool:
    """Tell whether the content starts like a flattened device tree."""
    return view.upto(0, 4) == MAGIC.to_bytes(4, "big")


def plausible(view: View) -> bool:
    """Tell whether a header says what only one of a tree can: version 17, its blocks inside."""
    try:
        header = _header(view)
    except ImgauditError:
        return False
    inside = header.off_dt_struct < header.totalsize and header.off_dt_strings <= header.totalsize
    return header.last_comp_version == 16 and header.version == 17 and inside


def has_images(view: View) -> bool | None:
    """Tell whether the tree is a FIT, by its `/images`; None where it cannot be read."""
    try:
        return parse(view).get("/images") is not None
    except ImgauditError:
        return None


def parse(view: View) -> Tree:
    """Read the tree that starts at offset 0.

    Raises:
        FormatError: not a tree of version 16 or later, damaged, cut, or beyond any sane size.

    """
    known = getattr(view, "memo", None)
    if isinstance(known, Tree):
        return known
    header = _header(view)
    try:
        view.memo = tree = _parse(view, header)
    except FormatError as problem:
        missing = header.totalsize - view.size
        if missing <= 0:
            raise
        raise FormatError(
            view.size, f"the file is cut: {missing:,} of {header.totalsize:,} bytes are missing"
        ) from problem
    return tree


def _parse(view: View, header: Header) -> Tree:
    end = header.totalsize
    strings = _block(view, "off_dt_strings", header.off_dt_strings, header.size_dt_strings, end)
    if strings.size > _MAX_STRINGS:
        raise FormatError(HEADER_OFFSETS["size_dt_strings"], "the strings block is implausibly big")
    if header.size_dt_struct is not None:
        _block(view, "off_dt_struct", header.off_dt_struct, header.size_dt_struct, end)
        end = header.off_dt_struct + header.size_dt_struct
    reservations, map_end = _reservations(view, header)
    names = strings.bytes(0, strings.size)
    root, struct_end = _structure(view, header.off_dt_struct, min(end, view.size), names)
    if header.size_dt_struct is not None:
        struct_end = end
    strings_end = header.off_dt_strings + header.size_dt_strings
    return Tree(header, reservations, root, max(map_end, struct_end, strings_end))


def _header(view: View) -> Header:
    magic, total, tree, strings, reserve, version, compatible, cpu, strings_size = view.unpack(
        ">9I", 0
    )
    if magic != MAGIC:
        raise FormatError(0, "not a device tree: the magic d00dfeed is missing")
    if version < _OLDEST or compatible > _CURRENT:
        raise FormatError(
            HEADER_OFFSETS["version"],
            f"device tree version {version} (compatible with {compatible}) is not 16 or 17",
        )
    tree_size = view.u32be(HEADER_OFFSETS["size_dt_struct"]) if version >= _CURRENT else None
    return Header(total, tree, strings, reserve, version, compatible, cpu, strings_size, tree_size)


def _block(view: View, field_name: str, offset: int, size: int, totalsize: int) -> View:
    if offset + size > totalsize:
        raise FormatError(
            HEADER_OFFSETS[field_name],
            f"{field_name} names a block that ends at {offset + size:#x}, past totalsize",
        )
    return view.sub(offset, size)


def _reservations(view: View, header: Header) -> tuple[tuple[Reservation, ...], int]:
    found: list[Reservation] = []
    at = header.off_mem_rsvmap
    while len(found) <= _MAX_RESERVATIONS:
        address, size = view.unpack(">QQ", at)
        if address == size == 0:
            return tuple(found), at + 16
        found.append(Reservation(address, size, at))
        at += 16
    raise FormatError(at, f"the memory reservation block has over {_MAX_RESERVATIONS:,} entries")


@dataclass(slots=True)
class _Open:
    """A node whose FDT_END_NODE has not come yet."""

    name: str
    path: str
    offset: int
    properties: dict[str, Property] = field(default_factory=dict)
    children: list[Node] = field(default_factory=list)

    def close(self) -> Node:
        return Node(self.name, self.path, self.offset, self.properties, tuple(self.children))


_PROPERTY = struct.Struct(">II")


class _Pieces:
    """Read forward through a block by pieces: a payload that is stepped over stays unread."""

    __slots__ = ("_at", "_end", "_piece", "_view")

    def __init__(self, view: View, end: int) -> None:
        self._view = view
        self._end = end
        self._at = 0
        self._piece = b""

    def read(self, offset: int, length: int) -> bytes:
        if offset + length > self._end:
            raise FormatError(offset, "the structure block ends before its FDT_END token")
        start = offset - self._at
        if start < 0 or start + length > len(self._piece):
            self._piece = self._view.bytes(offset, max(length, min(_PIECE, self._end - offset)))
            self._at, start = offset, 0
        return self._piece[start : start + length]

    def name(self, offset: int) -> bytes:
        head = self.read(offset, max(1, min(_MAX_NAME, self._end - offset)))
        end = head.find(b"\0")
        if end < 0:
            raise FormatError(offset, f"a node name is not ended within {_MAX_NAME} bytes")
        return head[:end]


def _structure(view: View, start: int, end: int, strings: bytes) -> tuple[Node, int]:
    """Read the structure block; give the root and where the block's last token ends."""
    pieces = _Pieces(view, end)
    open_nodes: list[_Open] = []
    root: Node | None = None
    nodes = properties = kept = 0
    at = start
    named: dict[int, str] = {}  # a tree has some hundred names for its thousands of properties
    while True:
        here, token = at, int.from_bytes(pieces.read(at, 4), "big")
        at += 4
        if token == _PROP and open_nodes:
            size, name_at = _PROPERTY.unpack(pieces.read(at, 8))
            at += 8
            if at + size > end:
                raise FormatError(here, f"a property of {size:,} bytes passes the block's end")
            value = pieces.read(at, size if size <= _MAX_VALUE else _PAYLOAD_HEAD)
            name = named.get(name_at)
            if name is None:
                name = named[name_at] = _property_name(strings, name_at, here)
            open_nodes[-1].properties.setdefault(name, Property(name, value, at, size))
            properties += 1
            kept += len(value)
            at = start + (at + size - start + 3) // 4 * 4
        elif token == _BEGIN_NODE and (open_nodes or root is None):
            raw = pieces.name(at)
            node_name = _text(raw)
            path = f"{open_nodes[-1].path.rstrip('/')}/{node_name}" if open_nodes else "/"
            open_nodes.append(_Open(node_name, path, here))
            nodes += 1
            kept += len(path)
            at = start + (at + len(raw) - start + 4) // 4 * 4
        elif token == _END_NODE and open_nodes:
            node = open_nodes.pop().close()
            if open_nodes:
                open_nodes[-1].children.append(node)
            else:
                root = node
        elif token == _END and root is not None and not open_nodes:
            return root, at
        elif token != _NOP:
            raise FormatError(here, f"token {token:#x} cannot stand here in a structure block")
        if len(open_nodes) > _MAX_DEPTH:
            raise FormatError(here, f"nodes are nested deeper than {_MAX_DEPTH}")
        if nodes > _MAX_NODES or properties > _MAX_PROPERTIES or kept > _MAX_KEPT:
            raise FormatError(here, "the tree is implausibly big")


def signed_spans(
    view: View, tree: Tree, nodes: Collection[str], without: Collection[str]
) -> tuple[Span, ...]:
    """Give the bytes of the structure block that a signature over some nodes covers, in order.

    Of each node that is named by its path: its start, its properties but for those in `without`,
    and the bare starts and ends of its children; and the last token. The spans are from the start
    of the content.

    Source: U-Boot boot/fdt_region.c, fdt_find_regions().

    Raises:
        FormatError: the structure block is damaged.

    """
    header = tree.header
    end = (
        view.size if header.size_dt_struct is None else header.off_dt_struct + header.size_dt_struct
    )
    names = view.bytes(header.off_dt_strings, header.size_dt_strings)
    pieces = _Pieces(view, end)
    spans: list[Span] = []
    wants: list[int] = []
    path: list[str] = []
    want, start = 0, -1
    for token, at, after in _tokens(pieces, header.off_dt_struct):
        include, stop = want >= 2, at
        if token == _BEGIN_NODE:
            path.append(_text(pieces.name(at + 4)))
            wants.append(want)
            named = ("/".join(path) or "/") in nodes
            want = 2 if named else max(want - 1, 0)
            include = want > 0
        elif token == _END_NODE:
            include, stop = want > 0, after
            path.pop()
            want = wants.pop()
        elif token == _PROP:
            name_at = int.from_bytes(pieces.read(at + 8, 4), "big")
            include = include and _property_name(names, name_at, at) not in without
        elif token == _END:
            include = True
        if include and start < 0:
            start = spans.pop().start if spans and spans[-1].end == at else at
        elif not include and start >= 0:
            spans.append(Span(start, stop))
            start = -1
        if token == _END:
            spans.append(Span(start, after))
    return tuple(spans)


def _tokens(pieces: _Pieces, start: int) -> Iterator[tuple[int, int, int]]:
    """Give each token of a structure block that was read before: it, its place and its end."""
    at, token = start, _NOP
    while token != _END:
        here, token = at, int.from_bytes(pieces.read(at, 4), "big")
        at += 4
        if token == _PROP:
            at += 8 + int.from_bytes(pieces.read(at, 4), "big")
        elif token == _BEGIN_NODE:
            at += len(pieces.name(at)) + 1
        at = start + (at - start + 3) // 4 * 4
        yield token, here, at


def _property_name(strings: bytes, offset: int, token_at: int) -> str:
    end = strings.find(b"\0", offset, offset + _MAX_NAME)
    if end < 0:
        raise FormatError(token_at, "a property's name is not in the strings block")
    return _text(strings[offset:end])


def _text(data: bytes) -> str:
    return data.decode("utf-8", "backslashreplace")


def number_of(cells: tuple[int, ...]) -> int:
    """Put the cells of one number together."""
    number = 0
    for cell in cells:
        number = number << 32 | cell
    return number

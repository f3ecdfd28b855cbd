"""Bytes of an ELF file that nothing needs at run time: debugging data and symbol tables.

Source: System V gABI chapter 4; strip(1) and its `--strip-debug`, which is all that a kernel module
survives, since its symbol table is used when it is loaded.
"""

from __future__ import annotations

import struct

from imgaudit.arches import ELF
from imgaudit.errors import FormatError
from imgaudit.formats.view import View
from imgaudit.units import Span

SECTIONS = 4096  # a program has some 40, a kernel module several hundred
NAMES = 1 << 20
_REL, _NOBITS, _SYMTAB, _STRTAB, _ALLOC = 1, 8, 2, 3, 2


def spare(view: View) -> tuple[Span, ...]:
    """Give the spans of the file that stripping removes, in order and apart.

    None where the bytes are no ELF file or its table of sections cannot be read.
    """
    try:
        return _apart(_spans(view), view.size)
    except FormatError:
        return ()


def _spans(view: View) -> list[Span]:
    head = view.upto(0, 64)
    if len(head) < 52 or head[:4] != ELF or head[4] not in {1, 2} or head[5] not in {1, 2}:
        return []
    order, wide = ("<", ">")[head[5] - 1], head[4] == 2
    if wide and len(head) < 64:
        return []
    (kind,) = struct.unpack_from(order + "H", head, 16)
    (table,) = struct.unpack_from(order + ("Q" if wide else "I"), head, 40 if wide else 32)
    size, count, names = struct.unpack_from(order + "HHH", head, 58 if wide else 46)
    layout = order + ("IIQQQQI" if wide else "IIIIIII")
    if size < struct.calcsize(layout) or not names < count <= SECTIONS:
        return []
    headers = view.bytes(table, size * count)
    sections = [struct.unpack_from(layout, headers, at * size) for at in range(count)]
    all_names = view.upto(sections[names][4], min(sections[names][5], NAMES))
    linked = {section[6] for section in sections if section[1] == _SYMTAB}
    found = []
    for index, (name, type_, flags, _, offset, length, _) in enumerate(sections):
        if flags & _ALLOC or type_ == _NOBITS or not length:
            continue
        debug = all_names[name : name + 8].startswith((b".debug_", b".zdebug_"))
        symbols = type_ == _SYMTAB or (type_ == _STRTAB and index in linked and index != names)
        if debug or (symbols and kind != _REL):
            found.append(Span.sized(offset, length))
    return found


def _apart(spans: list[Span], end: int) -> tuple[Span, ...]:
    """Cut spans to the file and to where the one before ends."""
    ends = [0]
    found = []
    for span in sorted(spans):
        start, stop = max(span.start, ends[-1]), min(span.end, end)
        if start < stop:
            found.append(Span(start, stop))
            ends.append(stop)
    return tuple(found)

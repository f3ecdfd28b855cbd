"""A small writer of ELF files for tests: what a loader reads of them, and no code."""

from __future__ import annotations

import struct
from collections.abc import Mapping

AARCH64, ARM, RISCV, X86_64, X86 = 183, 40, 243, 62, 3
_TAGS = {"needed": 1, "soname": 14, "rpath": 15, "runpath": 29}


def elf(
    machine: int = AARCH64,
    *,
    bits: int = 64,
    big: bool = False,
    kind: int = 3,
    flags: int = 0,
    interpreter: str | None = None,
    needed: tuple[str, ...] = (),
    soname: str | None = None,
    rpath: str | None = None,
    runpath: str | None = None,
    wants: Mapping[str, tuple[str, ...]] | None = None,
    defines: tuple[str, ...] = (),
    tail: bytes = b"",
) -> bytes:
    """Lay out header, program headers, strings, version tables, dynamic section, `tail`.

    One loaded segment maps the whole file at address 0, so that addresses are offsets.
    """
    order, word = ("><"[not big]), "Q" if bits == 64 else "I"
    strings = bytearray(b"\0")

    def text(value: str) -> int:
        at = len(strings)
        strings.extend(value.encode() + b"\0")
        return at

    tags = [(_TAGS["needed"], text(name)) for name in needed]
    for tag, value in (("soname", soname), ("rpath", rpath), ("runpath", runpath)):
        if value is not None:
            tags.append((_TAGS[tag], text(value)))
    need = b""
    libraries = list((wants or {}).items())
    for index, (library, versions) in enumerate(libraries):
        size = 16 + 16 * len(versions)
        last = index == len(libraries) - 1
        head = (1, len(versions), text(library), 16, 0 if last else size)
        need += struct.pack(order + "HHIII", *head)
        for number, version in enumerate(versions):
            more = 0 if number == len(versions) - 1 else 16
            need += struct.pack(order + "IHHII", 0, 0, 2, text(version), more)
    define = b""
    for number, version in enumerate(defines):
        more = 0 if number == len(defines) - 1 else 28
        define += struct.pack(order + "HHHHIII", 1, 0, 2 + number, 1, 0, 20, more)
        define += struct.pack(order + "II", text(version), 0)
    interp = b"" if interpreter is None else interpreter.encode() + b"\0"
    header, entry = (64, 56) if bits == 64 else (52, 32)
    dynamic = bool(needed or soname or rpath or runpath or need or define)
    count = 1 + bool(interp) + dynamic
    at = header + count * entry
    interp_at = at
    strings_at = interp_at + len(interp)
    need_at = -(-(strings_at + len(strings)) // 8) * 8
    define_at = need_at + len(need)
    dynamic_at = -(-(define_at + len(define)) // 8) * 8
    tags.append((5, strings_at))
    if need:
        tags += [(0x6FFFFFFE, need_at), (0x6FFFFFFF, len(libraries))]
    if define:
        tags += [(0x6FFFFFFC, define_at), (0x6FFFFFFD, len(defines))]
    tags.append((0, 0))
    table = b"".join(struct.pack(order + word * 2, *tag) for tag in tags) if dynamic else b""
    end = dynamic_at + len(table) + len(tail)

    def segment(type_: int, offset: int, size: int) -> bytes:
        if bits == 64:
            return struct.pack(order + "IIQQQQQQ", type_, 5, offset, offset, offset, size, size, 8)
        return struct.pack(order + "IIIIIIII", type_, offset, offset, offset, size, size, 5, 8)

    data = b"\x7fELF" + bytes([bits // 32, 1 + big, 1]) + bytes(9)
    data += struct.pack(
        order + "HHI" + word * 3 + "IHHHHHH",
        *(kind, machine, 1, 0, header, 0, flags, header, entry, count, 0, 0, 0),
    )
    data += segment(1, 0, end)
    if interp:
        data += segment(3, interp_at, len(interp))
    if dynamic:
        data += segment(2, dynamic_at, len(table))
    data = (data + interp + bytes(strings)).ljust(need_at, b"\0") + need + define
    return data.ljust(dynamic_at, b"\0") + table + tail


def module(
    info: Mapping[str, str | tuple[str, ...]],
    *,
    bits: int = 64,
    big: bool = False,
    symtab: bool = False,
) -> bytes:
    """Lay out a relocatable object with a `.modinfo` section, and a symbol table if asked."""
    order = ">" if big else "<"
    pairs = [
        f"{key}={value}"
        for key, values in info.items()
        for value in (values if isinstance(values, tuple) else (values,))
    ]
    modinfo = "\0".join(pairs).encode() + b"\0"
    names = b"\0.modinfo\0.shstrtab\0"
    header, entry = (64, 64) if bits == 64 else (52, 40)
    layout = order + ("IIQQQQIIQQ" if bits == 64 else "IIIIIIIIII")
    table_at = -(-(header + len(modinfo) + len(names)) // 8) * 8
    sections = [
        (0,) * 10,
        (1, 1, 0, 0, header, len(modinfo), 0, 0, 1, 0),
        (10, 3, 0, 0, header + len(modinfo), len(names), 0, 0, 1, 0),
        *[(0, 2, 0, 0, header, 0, 0, 0, 1, 0)] * symtab,
    ]
    data = b"\x7fELF" + bytes([bits // 32, 1 + big, 1]) + bytes(9)
    word = "Q" if bits == 64 else "I"
    fields = (1, AARCH64, 1, 0, 0, table_at, 0, header, 0, 0, entry, len(sections), 2)
    data += struct.pack(order + "HHI" + word * 3 + "IHHHHHH", *fields)
    data = (data + modinfo + names).ljust(table_at, b"\0")
    return data + b"".join(struct.pack(layout, *section) for section in sections)

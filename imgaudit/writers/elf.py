"""Write tiny ELF files for arm64 that do nothing but end well (System V ABI; ELF for AArch64)."""

from __future__ import annotations

import struct
from collections.abc import Mapping, Sequence

LOADER = "/lib/ld-linux-aarch64.so.1"

AARCH64, X86_64 = 183, 62
_EXECUTABLE, _SHARED = 2, 3
_LOAD, _DYNAMIC, _INTERP, _STACK = 1, 2, 3, 0x6474E551
_READ, _READ_EXECUTE, _READ_WRITE, _ALL = 4, 5, 6, 7
_NEEDED, _HASH, _STRTAB, _SYMTAB, _STRSZ, _SYMENT, _SONAME = 1, 4, 5, 6, 10, 11, 14
_RUNPATH = 29
_VERDEF, _VERDEFNUM, _VERNEED, _VERNEEDNUM = range(0x6FFFFFFC, 0x70000000)

_HEADER_SIZE, _SEGMENT_SIZE = 64, 56
_BASE = 0x400000
# mov x0, #0; mov x8, #93; svc #0: exit(0) by the system-call table of Linux for arm64.
_NONE: Mapping[str, str] = {}
_EXIT = struct.pack("<3I", 0xD2800000, 0xD2800BA8, 0xD4000001)


def program(payload: bytes = b"", machine: int = AARCH64) -> bytes:
    """Write a static program that exits with 0; `payload` is carried along as constant data."""
    return _elf(_EXECUTABLE, _BASE, payload, machine=machine)


def dynamic_program(
    needed: Sequence[str],
    payload: bytes = b"",
    *,
    wants: Mapping[str, str] = _NONE,
    runpath: str = "",
) -> bytes:
    """Write a program that asks for the loader and for libraries; `wants` names their versions."""
    return _elf(
        *(_EXECUTABLE, _BASE, payload),
        interpreter=LOADER,
        needed=needed,
        wants=wants,
        runpath=runpath,
    )


def library(soname: str, needed: Sequence[str] = (), *, version: str = "") -> bytes:
    """Write a shared library without symbols; started like the loader, it exits with 0."""
    return _elf(_SHARED, 0, b"", needed=needed, soname=soname, version=version)


def module(**info: str) -> bytes:
    """Write a kernel module that holds no more than its `.modinfo`."""
    text = b"".join(f"{key}={value}\0".encode() for key, value in info.items())
    names = b"\0.modinfo\0.shstrtab\0"
    at = 64 + len(text) + len(names)
    head = b"\x7fELF\2\1\1" + bytes(9)
    head += struct.pack("<HHIQQQIHHHHHH", 1, AARCH64, 1, 0, 0, at, 0, 64, 0, 0, 64, 3, 2)
    sections = bytes(64) + struct.pack("<IIQQQQIIQQ", 1, 1, 0, 0, 64, len(text), 0, 0, 1, 0)
    sections += struct.pack("<IIQQQQIIQQ", 10, 3, 0, 0, 64 + len(text), len(names), 0, 0, 1, 0)
    return head + text + names + sections


def _elf(
    kind: int,
    base: int,
    payload: bytes,
    *,
    interpreter: str = "",
    needed: Sequence[str] = (),
    soname: str = "",
    wants: Mapping[str, str] = _NONE,
    version: str = "",
    machine: int = AARCH64,
    runpath: str = "",
) -> bytes:
    linked = bool(needed or soname or runpath)
    count = 2 + 2 * linked - (linked and not interpreter)
    at = _HEADER_SIZE + _SEGMENT_SIZE * count
    entry = base + at
    body = bytearray(_aligned(_EXIT))
    segments = [(_STACK, _READ_WRITE, 0, 0)]
    if interpreter:
        name = interpreter.encode() + b"\0"
        segments.append((_INTERP, _READ, at + len(body), len(name)))
        body += _aligned(name)
    if linked:
        table, offset = _dynamic(
            base + at + len(body),
            [*((_NEEDED, name) for name in needed), (_SONAME, soname), (_RUNPATH, runpath)],
            wants,
            version,
        )
        segments.append((_DYNAMIC, _READ, at + len(body) + offset, len(table) - offset))
        body += table
    body += payload
    # Older kernels clear the rest of a loader's last page, so it must be writable.
    flags = _ALL if kind == _SHARED else _READ_EXECUTE
    segments.append((_LOAD, flags, 0, at + len(body)))
    # The ABI wants the interpreter before any segment that is loaded.
    segments.sort(key=lambda segment: segment[0] != _INTERP)
    ident = b"\x7fELF\x02\x01\x01" + bytes(9)
    fields = (kind, machine, 1, entry, _HEADER_SIZE, 0, 0, _HEADER_SIZE, _SEGMENT_SIZE, count)
    header = ident + struct.pack("<HHIQQQIHHHHHH", *fields, 64, 0, 0)
    return header + b"".join(_segment(base, *segment) for segment in segments) + bytes(body)


def _segment(base: int, kind: int, flags: int, offset: int, size: int) -> bytes:
    address = 0 if kind == _STACK else base + offset
    align = {_LOAD: 0x10000, _STACK: 16}.get(kind, 8)
    return struct.pack("<IIQQQQQQ", kind, flags, offset, address, address, size, size, align)


def _dynamic(
    address: int, texts: Sequence[tuple[int, str]], wants: Mapping[str, str], version: str
) -> tuple[bytes, int]:
    """Give names, one null symbol and its hash table, and where the dynamic table starts in it."""
    names = bytearray(b"\0")
    tags: list[tuple[int, int]] = []
    for tag, text in texts:
        if text:
            tags.append((tag, len(names)))
            names += text.encode() + b"\0"
    wanted = []
    for library_name, wanted_version in wants.items():
        at = len(names)
        names += library_name.encode() + b"\0" + wanted_version.encode() + b"\0"
        wanted.append((at, at + len(library_name) + 1))
    defined = len(names)
    names += version.encode() + b"\0" if version else b""
    size = len(names)
    content = bytearray(_aligned(bytes(names)))
    symbols = address + len(content)
    content += bytes(24)
    hashes = address + len(content)
    content += _aligned(struct.pack("<4I", 1, 1, 0, 0))
    tags += [(_HASH, hashes), (_STRTAB, address), (_SYMTAB, symbols), (_STRSZ, size), (_SYMENT, 24)]
    if wanted:
        tags += [(_VERNEED, address + len(content)), (_VERNEEDNUM, len(wanted))]
        for left, (of, what) in zip(reversed(range(len(wanted))), wanted, strict=True):
            content += struct.pack("<HHIII", 1, 1, of, 16, 32 * bool(left))
            content += struct.pack("<IHHII", 0, 0, 2, what, 0)
    if version:
        tags += [(_VERDEF, address + len(content)), (_VERDEFNUM, 1)]
        content += struct.pack("<HHHHIIIIII", 1, 0, 2, 1, 0, 20, 0, defined, 0, 0)
    start = len(content)
    for pair in [*tags, (0, 0)]:
        content += struct.pack("<QQ", *pair)
    return bytes(content), start


def _aligned(data: bytes) -> bytes:
    return data + bytes(-len(data) % 8)

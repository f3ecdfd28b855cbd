"""ELF: executables, shared objects, kernel modules.

Source: System V gABI chapters 4 and 5; GNU symbol versioning (LSB Core, "Symbol Versioning");
ELF for the Arm Architecture (AAELF32); RISC-V ELF psABI.
"""

from __future__ import annotations

import functools
import io
import struct
from collections.abc import Iterator, Mapping
from typing import Any, ClassVar

from imgaudit.arches import ELF, MACHINES
from imgaudit.data import dataclass
from imgaudit.errors import FormatError
from imgaudit.formats.facts import Facts, Match, Reader
from imgaudit.formats.view import View
from imgaudit.units import KIB, MIB, round_up

_ARM_FLOAT = {0x200: "soft", 0x400: "hard"}
_RISCV_FLOAT = {0: "soft", 2: "single", 4: "double", 6: "quad"}
_SEGMENTS = 256  # linkers write about a dozen
_SECTIONS = 1 << 16
_DYNAMIC = 4096  # entries; a large program has a few hundred
_VERSIONS = 8192  # libstdc++ defines a few hundred
_NOTES = 64
_STRING = 4 * KIB  # PATH_MAX
_SHT_SYMTAB, _SHT_NOTE = 2, 7
_NT_GNU_BUILD_ID = 3
_VER_FLG_BASE = 1


@dataclass(frozen=True, kw_only=True)
class Segment:
    """A loadable segment. `offset` is its program header's, `file_offset` that of its bytes."""

    offset: int
    file_offset: int
    vaddr: int
    paddr: int
    filesz: int
    memsz: int
    flags: str
    align: int


@dataclass(frozen=True, kw_only=True)
class Elf(Facts):
    """What a loader and a linker need to know of one file.

    `bits` is 32 or 64, `byte_order` `little` or `big`. `machine` is the trade's word (`AArch64`,
    `ARM`, `RISC-V`, `x86-64`), else the gABI's name or `unknown 300`. `type` is `ET_EXEC`,
    `ET_DYN`, `ET_REL`, `ET_CORE` or a number. `eabi` is the ARM EABI's version; `float_abi` is
    `hard` or `soft` on ARM, `soft`, `single`, `double` or `quad` on RISC-V, None where not said.
    `versions_needed` maps a library to the symbol versions wanted from it. `build_id` is hex.
    """

    format: ClassVar[str] = "elf"

    bits: int
    byte_order: str
    machine: str
    machine_number: int
    type: str
    entry: int
    flags: int
    eabi: int | None
    float_abi: str | None
    interpreter: str | None
    dynamic: bool
    needed: tuple[str, ...]
    rpath: str | None
    runpath: str | None
    soname: str | None
    versions_needed: Mapping[str, tuple[str, ...]]
    versions_defined: tuple[str, ...]
    has_symtab: bool
    has_debug: bool
    segments: tuple[Segment, ...]
    build_id: str | None

    def summary(self) -> str:
        """Say the machine, the width and how it is linked."""
        linked = "dynamic" if self.needed or self.interpreter else "static"
        kind = {"ET_REL": "relocatable", "ET_CORE": "core"}.get(self.type, linked)
        return f"{self.bits}-bit {self.machine}, {kind}"


@functools.lru_cache(maxsize=16)
def _structs(little: bool, bits: int, kind: str, machine: str) -> Any:
    """Give pyelftools' record layouts; built once for all files of one machine."""
    from elftools.elf.structs import ELFStructs

    structs = ELFStructs(little_endian=little, elfclass=bits)
    structs.create_basic_structs()
    structs.create_advanced_structs(kind, machine)
    return structs


def _records(record: Any, data: bytes) -> Iterator[Any]:
    stream = io.BytesIO(data)
    for _ in range(len(data) // record.sizeof()):
        yield record.parse_stream(stream)


def match(view: View) -> Match:
    """Look for the identification and a header of the size that its class has."""
    head = view.upto(0, 64)
    if len(head) < 52 or head[:4] != ELF:
        return Match.NO
    order = {1: "little", 2: "big"}.get(head[5])
    size, at = {1: (52, 40), 2: (64, 52)}.get(head[4], (0, 0))
    if order is None or not size or head[6] != 1:
        return Match.WEAK
    value = int.from_bytes(head[at : at + 2], "little" if order == "little" else "big")
    return Match.SURE if value == size else Match.WEAK


def read(view: View) -> Elf:
    """Read the headers, the dynamic section and the notes; never the symbols."""
    try:
        return _Walk(view).facts()
    except FormatError:
        raise
    except Exception as problem:
        # pyelftools lets errors of several kinds out on damaged files.
        raise FormatError(0, f"the ELF file cannot be read: {problem}") from problem


class _Walk:
    """One pass over a file's tables; every loop is bounded by a constant."""

    def __init__(self, view: View) -> None:
        self._view = view
        ident = view.bytes(0, 16)
        if ident[:4] != ELF:
            raise FormatError(0, "no ELF magic")
        if ident[4] not in (1, 2):
            raise FormatError(4, f"class {ident[4]} is neither 32 nor 64 bits")
        if ident[5] not in (1, 2):
            raise FormatError(5, f"data encoding {ident[5]} is neither little nor big endian")
        self.bits = 32 * ident[4]
        self.little = ident[5] == 1
        self._order = "<" if self.little else ">"
        plain = _structs(self.little, self.bits, "ET_EXEC", "EM_NONE")
        header = plain.Elf_Ehdr.parse(view.bytes(0, plain.Elf_Ehdr.sizeof()))
        self._machine_number = self._unpack("H", 18)[0]
        self.header = header
        self._type = self._word(header.e_type)
        self._machine = self._word(header.e_machine)
        self._structs = _structs(self.little, self.bits, self._type, self._machine)
        self._doubts: list[str] = []
        self._end = header.e_ehsize
        self._load: list[Segment] = []

    @staticmethod
    def _word(value: Any) -> str:
        return value if isinstance(value, str) else f"unknown {value}"

    def _unpack(self, layout: str, at: int) -> tuple[int, ...]:
        return self._view.unpack(self._order + layout, at)

    def facts(self) -> Elf:
        header = self.header
        interpreter = build_id = dynamic = None
        for at, entry in self._program_headers():
            self._end = max(self._end, entry.p_offset + entry.p_filesz)
            if entry.p_type == "PT_LOAD":
                self._load.append(self._segment(at, entry))
            elif entry.p_type == "PT_INTERP":
                raw = self._view.bytes(entry.p_offset, min(entry.p_filesz, _STRING))
                interpreter = raw.partition(b"\0")[0].decode("utf-8", "backslashreplace")
            elif entry.p_type == "PT_DYNAMIC":
                dynamic = entry
            elif entry.p_type == "PT_NOTE" and build_id is None:
                build_id = self._build_id(entry.p_offset, entry.p_filesz, entry.p_align)
        symtab, debug, note = self._sections()
        if build_id is None and not header.e_phnum:
            build_id = note
        tags = self._tags(dynamic.p_offset, dynamic.p_filesz) if dynamic else {}
        text = functools.partial(self._text, tags)
        single = {
            name: text(tags[tag][0]) if tag in tags else None
            for name, tag in (
                ("rpath", "DT_RPATH"),
                ("runpath", "DT_RUNPATH"),
                ("soname", "DT_SONAME"),
            )
        }
        eabi, float_abi = self._abi(header.e_flags)
        wide = self.bits == 64
        return Elf(
            bits=self.bits,
            byte_order="little" if self.little else "big",
            machine=MACHINES.get(self._machine_number, self._machine.removeprefix("EM_")),
            machine_number=self._machine_number,
            type=self._type,
            entry=header.e_entry,
            flags=header.e_flags,
            eabi=eabi,
            float_abi=float_abi,
            interpreter=interpreter,
            dynamic=dynamic is not None,
            needed=tuple(text(value) for value in tags.get("DT_NEEDED", ())),
            rpath=single["rpath"],
            runpath=single["runpath"],
            soname=single["soname"],
            versions_needed=self._versions_needed(tags),
            versions_defined=self._versions_defined(tags),
            has_symtab=symtab,
            has_debug=debug,
            segments=tuple(self._load),
            build_id=build_id,
            length=self._end,
            offsets={
                "bits": 4,
                "byte_order": 5,
                "type": 16,
                "machine": 18,
                "entry": 24,
                "flags": 48 if wide else 36,
            },
            doubts=tuple(self._doubts),
        )

    def _abi(self, flags: int) -> tuple[int | None, str | None]:
        if self._machine == "EM_ARM":
            return flags >> 24, _ARM_FLOAT.get(flags & 0x600)
        if self._machine == "EM_RISCV":
            return None, _RISCV_FLOAT[flags & 6]
        return None, None

    def _program_headers(self) -> Iterator[tuple[int, Any]]:
        header, record = self.header, self._structs.Elf_Phdr
        if not header.e_phnum:
            return
        size = record.sizeof()
        if header.e_phentsize != size:
            raise FormatError(
                54 if self.bits == 64 else 42,
                f"program headers of {header.e_phentsize} bytes, not {size}",
            )
        if header.e_phnum > _SEGMENTS:
            raise FormatError(
                56 if self.bits == 64 else 44, f"{header.e_phnum:,} program headers are too many"
            )
        data = self._view.bytes(header.e_phoff, header.e_phnum * size)
        self._end = max(self._end, header.e_phoff + len(data))
        for index, entry in enumerate(_records(record, data)):
            yield header.e_phoff + index * size, entry

    @staticmethod
    def _segment(at: int, entry: Any) -> Segment:
        flags = "".join(
            letter if entry.p_flags & bit else "-" for letter, bit in (("r", 4), ("w", 2), ("x", 1))
        )
        return Segment(
            offset=at,
            file_offset=entry.p_offset,
            vaddr=entry.p_vaddr,
            paddr=entry.p_paddr,
            filesz=entry.p_filesz,
            memsz=entry.p_memsz,
            flags=flags,
            align=entry.p_align,
        )

    def _sections(self) -> tuple[bool, bool, str | None]:
        """Tell whether there are symbols and debugging data, and the build id of a module."""
        header, size = self.header, 64 if self.bits == 64 else 40
        if not header.e_shoff:
            return False, False, None
        layout = struct.Struct(self._order + ("IIQQQQIIQQ" if self.bits == 64 else "IIIIIIIIII"))
        try:
            first = layout.unpack(self._view.bytes(header.e_shoff, size))
            # Counts beyond 16 bits stand in the first section (gABI, extended numbering).
            count = header.e_shnum or first[5]
            names = first[6] if header.e_shstrndx == 0xFFFF else header.e_shstrndx
            table = self._view.bytes(header.e_shoff, min(count, _SECTIONS) * size)
        except FormatError:
            table = b""
        if not table or header.e_shentsize != size or count > _SECTIONS:
            self._doubts.append("The section headers cannot be read.")
            return False, False, None
        sections = list(layout.iter_unpack(table))
        self._end = max(self._end, header.e_shoff + len(table))
        text = b""
        if names < count:
            text = self._view.upto(sections[names][4], min(sections[names][5], MIB))
        symtab = debug = False
        note = None
        for name, kind, _, _, offset, length, _, _, align, _ in sections:
            symtab |= kind == _SHT_SYMTAB
            debug |= text.startswith((b".debug_", b".zdebug_"), name)
            if kind == _SHT_NOTE and text.startswith(b".note.gnu.build-id\0", name):
                note = note or (offset, length, align)
        return symtab, debug, self._build_id(*note) if note else None

    def _build_id(self, at: int, size: int, align: int) -> str | None:
        align = 8 if align == 8 else 4
        end = min(at + size, self._view.size)
        for _ in range(_NOTES):
            if at + 12 > end:
                return None
            name_size, size, kind = self._unpack("III", at)
            start = round_up(at + 12 + name_size, align)
            if kind == _NT_GNU_BUILD_ID and self._view.upto(at + 12, 4) == b"GNU\0":
                return self._view.bytes(start, min(size, 64)).hex()
            at = round_up(start + size, align)
        return None

    def _tags(self, at: int, size: int) -> dict[str, list[int]]:
        record = self._structs.Elf_Dyn
        if size > _DYNAMIC * record.sizeof():
            raise FormatError(at, f"a dynamic section of {size:,} bytes is too large")
        tags: dict[str, list[int]] = {}
        for entry in _records(record, self._view.bytes(at, size)):
            if entry.d_tag == "DT_NULL":
                break
            tags.setdefault(self._word(entry.d_tag), []).append(entry.d_val)
        return tags

    def _at(self, address: int) -> int:
        """Turn a virtual address into an offset, as the loader maps the file."""
        for segment in self._load:
            if segment.vaddr <= address < segment.vaddr + segment.filesz:
                return address - segment.vaddr + segment.file_offset
        raise FormatError(0, f"address {address:#x} is in no loaded segment")

    def _text(self, tags: dict[str, list[int]], index: int) -> str:
        table = tags.get("DT_STRTAB")
        if table is None:
            raise FormatError(0, "the dynamic section names no string table")
        raw = self._view.cstring(self._at(table[0]) + index, _STRING)
        return raw.decode("utf-8", "backslashreplace")

    def _chain(
        self, tags: dict[str, list[int]], table: str, number: str, layout: str
    ) -> Iterator[tuple[int, tuple[int, ...]]]:
        """Yield the offset and fields of linked records; the last field leads to the next."""
        if table not in tags:
            return
        at = self._at(tags[table][0])
        count = tags.get(number, [0])[0]
        if count > _VERSIONS:
            raise FormatError(at, f"{count:,} symbol version records are too many")
        for _ in range(count):
            fields = self._unpack(layout, at)
            yield at, fields
            if not fields[-1]:
                return
            at += fields[-1]

    def _names_needed(
        self, tags: dict[str, list[int]], at: int, count: int, left: int
    ) -> Iterator[str]:
        if count > left:
            raise FormatError(at, f"more than {_VERSIONS:,} symbol versions are too many")
        for _ in range(count):
            *_, name, following = self._unpack("IHHII", at)
            yield self._text(tags, name)
            if not following:
                return
            at += following

    def _versions_needed(self, tags: dict[str, list[int]]) -> dict[str, tuple[str, ...]]:
        needed: dict[str, tuple[str, ...]] = {}
        left = _VERSIONS
        for at, (_, count, name, first, _) in self._chain(
            tags, "DT_VERNEED", "DT_VERNEEDNUM", "HHIII"
        ):
            versions = list(self._names_needed(tags, at + first, count, left))
            left -= len(versions)
            library = self._text(tags, name)
            needed[library] = needed.get(library, ()) + tuple(versions)
        return needed

    def _versions_defined(self, tags: dict[str, list[int]]) -> tuple[str, ...]:
        """List the versions; the one that only repeats the library's name is left out."""
        return tuple(
            self._text(tags, self._unpack("I", at + fields[5])[0])
            for at, fields in self._chain(tags, "DT_VERDEF", "DT_VERDEFNUM", "HHHHIII")
            if not fields[1] & _VER_FLG_BASE
        )


READER = Reader(
    name="elf",
    title="ELF file",
    source="System V gABI",
    match=match,
    read=read,
)

"""Serial Flash Discoverable Parameters: what a SPI-NOR chip says about its own geometry.

Source: JEDEC JESD216; field decoding as in Linux drivers/mtd/spi-nor/sfdp.c.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from typing import ClassVar

from imgaudit.data import dataclass
from imgaudit.errors import FormatError
from imgaudit.formats.facts import Facts, Match, Reader
from imgaudit.formats.view import View
from imgaudit.units import human

MAGIC = b"SFDP"
HEADER_SIZE = 8
PARAMETER_HEADER_SIZE = 8
BASIC_TABLE = 0xFF00
SECTOR_MAP_TABLE = 0xFF81
FOUR_BYTE_TABLE = 0xFF84
THREE_BYTE_LIMIT = 1 << 24

_NAMES = {
    BASIC_TABLE: "basic flash parameters",
    SECTOR_MAP_TABLE: "sector map",
    FOUR_BYTE_TABLE: "4-byte address instructions",
    0xFF03: "replay protected memory",
    0xFF05: "xSPI profile 1.0",
    0xFF87: "status, control and configuration registers",
}
_BASIC_LENGTH = 9  # dwords; later revisions only append
_FOUR_BYTE_LENGTH = 2  # dwords
_MAX_DENSITY_POWER = 63  # Linux refuses more: such a chip does not exist
_ADDRESS_BYTES = ((3,), (3, 4), (4,), ())
_ERASED = 0xFFFFFFFF
_REGISTER_WAYS = 0b1100  # the extended address register, and the bank register


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """One parameter header and where its table is; the table itself may lie past the dump's end."""

    id: int
    name: str
    major: int
    minor: int
    dwords: int
    pointer: int
    offset: int
    announced: bool  # whether NPH counts it; a driver never looks at the others
    complete: bool  # whether all its bytes are in the dump

    @property
    def size(self) -> int:
        """Bytes of the table."""
        return self.dwords * 4


@dataclass(frozen=True, slots=True, kw_only=True)
class EraseType:
    """One of the four erase types, in the order of the basic table (`number` 1 to 4)."""

    number: int
    size: int
    opcode: int
    opcode_4byte: int | None  # from the 4-byte table, where that has one
    offset: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Region:
    """Bytes `[start, end)` in which `erase_sizes` (ascending) can be used."""

    start: int
    end: int
    erase_types: tuple[int, ...]  # their numbers, 1 to 4
    erase_sizes: tuple[int, ...]
    offset: int

    @property
    def size(self) -> int:
        """Bytes of the region."""
        return self.end - self.start


@dataclass(frozen=True, slots=True, kw_only=True)
class SectorMap:
    """One configuration of the chip's sectors; registers choose it when there are several."""

    id: int
    regions: tuple[Region, ...]
    offset: int

    @property
    def size(self) -> int:
        """Bytes that the regions cover together."""
        return self.regions[-1].end if self.regions else 0


@dataclass(frozen=True, kw_only=True)
class SfdpFacts(Facts):
    """The geometry of a SPI-NOR chip in its own words.

    `density` is the size in bytes. `address_bytes` lists the lengths of address that the chip takes
    (empty where the value is reserved). `page_size` is None in revision 1.0, which has no such
    field. `four_byte_table` is None without that table and False where it names no instruction.
    `address_register` tells that the upper address byte can be put into a register of the chip.
    `sector_maps` is empty for a chip with uniform sectors.
    """

    format: ClassVar[str] = "sfdp"

    major: int
    minor: int
    nph: int
    tables: tuple[Table, ...]
    basic: Table
    density: int
    address_bytes: tuple[int, ...]
    erase_types: tuple[EraseType, ...]
    page_size: int | None
    sector_maps: tuple[SectorMap, ...]
    four_byte_table: bool | None
    address_register: bool

    @property
    def erase_sizes(self) -> tuple[int, ...]:
        """The sizes that the chip can erase, ascending, each once."""
        return tuple(sorted({erase.size for erase in self.erase_types}))

    @property
    def unreachable(self) -> int:
        """Bytes above what the address lengths can reach; 0 on a chip that agrees with itself."""
        if not self.address_bytes or max(self.address_bytes) > 3:
            return 0
        return max(0, self.density - THREE_BYTE_LIMIT)

    def summary(self) -> str:
        """Say size and erase sizes."""
        erase = ", ".join(human(size) for size in self.erase_sizes) or "nothing"
        return f"{human(self.density)}, erases {erase}"


def match(view: View) -> Match:
    """Recognise by the signature and the mandatory first parameter header."""
    head = view.upto(0, HEADER_SIZE + PARAMETER_HEADER_SIZE)
    if head[:4] != MAGIC:
        return Match.NO
    if len(head) == HEADER_SIZE + PARAMETER_HEADER_SIZE and head[8] == 0 and head[15] == 0xFF:
        return Match.SURE
    return Match.WEAK


def read(view: View) -> SfdpFacts:
    """Read the header, the parameter headers and the three tables that tell geometry.

    Raises:
        FormatError: no signature, a major revision other than 1, no basic table, or a cut one.

    """
    if view.bytes(0, 4) != MAGIC:
        raise FormatError(0, "does not start with SFDP")
    minor, major, nph = view.bytes(4, 3)
    if major != 1:
        raise FormatError(5, f"major revision {major} is not known, only 1 is")
    tables = _tables(view, nph)
    if tables[0].id != BASIC_TABLE:
        raise FormatError(HEADER_SIZE, f"the first table is {tables[0].id:#06x}, not the basic one")
    announced = [table for table in tables if table.announced]
    # A later header may bring a newer basic table; Linux takes the newest, then the longest.
    basic = max(
        (table for table in announced if table.id == BASIC_TABLE and table.major == 1),
        key=lambda table: (table.minor, table.dwords),
        default=tables[0],
    )
    if basic.dwords < _BASIC_LENGTH:
        raise FormatError(basic.offset + 3, f"the basic table has {basic.dwords} dwords, needs 9")
    words = _dwords(view, basic)
    four_byte, opcodes = _four_byte(view, announced)
    erase_types = _erase_types(words, basic.pointer, opcodes)
    return SfdpFacts(
        major=major,
        minor=minor,
        nph=nph,
        tables=tables,
        basic=basic,
        density=_density(words[1], basic.pointer + 4),
        address_bytes=_ADDRESS_BYTES[words[0] >> 17 & 3],
        erase_types=erase_types,
        page_size=1 << (words[10] >> 4 & 0xF) if len(words) > 10 else None,
        sector_maps=_sector_maps(view, announced, erase_types),
        four_byte_table=four_byte,
        address_register=len(words) > 15 and bool(words[15] >> 24 & _REGISTER_WAYS),
        length=max(table.pointer + table.size for table in announced),
        offsets={
            "minor": 4,
            "major": 5,
            "nph": 6,
            "address_bytes": basic.pointer,
            "density": basic.pointer + 4,
            "erase_types": basic.pointer + 28,
            "page_size": basic.pointer + 40,
        },
    )


def _tables(view: View, nph: int) -> tuple[Table, ...]:
    """Read NPH + 1 headers, then those that follow them in the same form."""
    tables: list[Table] = []
    lowest = view.size
    while len(tables) <= 0xFF:
        offset = HEADER_SIZE + len(tables) * PARAMETER_HEADER_SIZE
        announced = len(tables) <= nph
        if not announced and offset + PARAMETER_HEADER_SIZE > lowest:
            break
        low, minor, major, dwords, *pointer, high = view.bytes(offset, PARAMETER_HEADER_SIZE)
        start = int.from_bytes(bytes(pointer), "little")
        # Beyond NPH only what is plainly a standard header counts: erased bytes are not one.
        if not announced and (high != 0xFF or low == 0xFF or major != 1 or start < offset):
            break
        lowest = min(lowest, start) if start >= HEADER_SIZE else lowest
        tables.append(
            Table(
                id=high << 8 | low,
                name=_NAMES.get(high << 8 | low, "vendor's own" if high < 0x80 else "other"),
                major=major,
                minor=minor,
                dwords=dwords,
                pointer=start,
                offset=offset,
                announced=announced,
                complete=start + dwords * 4 <= view.size,
            )
        )
    return tuple(tables)


def _dwords(view: View, table: Table) -> tuple[int, ...]:
    return struct.unpack(f"<{table.dwords}I", view.bytes(table.pointer, table.size))


def _density(word: int, offset: int) -> int:
    if not word >> 31:
        return (word + 1) // 8
    power = word & 0x7FFFFFFF
    if power > _MAX_DENSITY_POWER:
        raise FormatError(offset, f"a density of 2^{power} bits is impossible")
    return (1 << power) // 8


def _erase_types(
    words: Sequence[int], pointer: int, opcodes: tuple[int | None, ...]
) -> tuple[EraseType, ...]:
    halves = [(words[7 + i // 2] >> 16 * (i % 2)) & 0xFFFF for i in range(4)]
    return tuple(
        EraseType(
            number=i + 1,
            size=1 << (half & 0xFF),
            opcode=half >> 8,
            opcode_4byte=opcodes[i],
            offset=pointer + 28 + 2 * i,
        )
        for i, half in enumerate(halves)
        if half & 0xFF
    )


def _four_byte(
    view: View, tables: Sequence[Table]
) -> tuple[bool | None, tuple[int | None, int | None, int | None, int | None]]:
    none = (None, None, None, None)
    for table in tables:
        if table.id != FOUR_BYTE_TABLE or table.dwords < _FOUR_BYTE_LENGTH or not table.complete:
            continue
        support, codes = view.unpack("<II", table.pointer)
        # Bits 0 to 15 name the instructions; the rest is reserved and reads as ones.
        if not support & 0xFFFF or support == _ERASED:
            return False, none
        one, two, three, four = (
            codes >> 8 * i & 0xFF if support >> (9 + i) & 1 else None for i in range(4)
        )
        return True, (one, two, three, four)
    return None, none


def _sector_maps(
    view: View, tables: Sequence[Table], erase_types: Sequence[EraseType]
) -> tuple[SectorMap, ...]:
    """Read the map descriptors; detection commands only choose between them on the chip."""
    sizes = {erase.number: erase.size for erase in erase_types}
    for table in tables:
        if table.id == SECTOR_MAP_TABLE and table.complete:
            return tuple(_maps(_dwords(view, table), table.pointer, sizes))
    return ()


def _maps(words: Sequence[int], pointer: int, sizes: dict[int, int]) -> list[SectorMap]:
    maps: list[SectorMap] = []
    at = 0
    while at < len(words) and not words[at] & 2:
        at += 2
    while at < len(words):
        head, first = words[at], at + 1
        count = (head >> 16 & 0xFF) + 1
        regions: list[Region] = []
        start = 0
        for index in range(first, min(first + count, len(words))):
            end = start + ((words[index] >> 8) + 1) * 256
            types = tuple(i + 1 for i in range(4) if words[index] >> i & 1)
            regions.append(
                Region(
                    start=start,
                    end=end,
                    erase_types=types,
                    erase_sizes=tuple(sorted({sizes[i] for i in types if i in sizes})),
                    offset=pointer + index * 4,
                )
            )
            start = end
        maps.append(SectorMap(id=head >> 8 & 0xFF, regions=tuple(regions), offset=pointer + at * 4))
        if head & 1:
            break
        at = first + count
    return maps


READER = Reader(
    name="sfdp",
    title="SPI-NOR parameters (SFDP)",
    source="JEDEC JESD216; Linux drivers/mtd/spi-nor/sfdp.c",
    match=match,
    read=read,
)

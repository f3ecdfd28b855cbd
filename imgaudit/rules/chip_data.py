"""What the chips say of themselves (SFDP, EXT_CSD), held against what the layout says of them."""

from __future__ import annotations

import fnmatch
import struct
from collections.abc import Iterator
from functools import partial
from typing import Generic, TypeVar

from imgaudit.contents.tree import Artifact
from imgaudit.data import dataclass
from imgaudit.formats.ext_csd import ExtCsdFacts
from imgaudit.formats.facts import Facts
from imgaudit.formats.fdt import FdtFacts
from imgaudit.formats.sfdp import THREE_BYTE_LIMIT, SfdpFacts
from imgaudit.model import SECTOR, Chip, Region
from imgaudit.rules.cited import PRACTICE, in_linux, in_u_boot, standard
from imgaudit.rules.engine import (
    Case,
    Example,
    Finding,
    Kind,
    Missing,
    Outcome,
    Rule,
    Severity,
    check,
)
from imgaudit.rules.examples import emmc, nor
from imgaudit.rules.subject import Subject
from imgaudit.units import KIB, MIB, Span, both, human

F = TypeVar("F", bound=Facts)


def sfdp_dump(
    density: int = MIB,
    *,
    address: int = 1,
    page: int = 8,
    ways: int = 0,
    maps: tuple[tuple[int, int], ...] = (),
) -> bytes:
    """Write an SFDP dump with erase types of 4, 32 and 64 KiB.

    `address`, `page` and `ways` (into 4-byte addressing) are stored as they are; `maps` gives
    sectors of one configuration: a size, and the erase types as bits.
    """
    words = [0] * 16
    words[0], words[1] = 0xFFF120E5 & ~(3 << 17) | address << 17, density * 8 - 1
    words[7], words[8] = 0x520F200C, 0x0000D810
    words[10], words[15] = page << 4, ways << 24
    table = [0x00FF0003 | (len(maps) - 1) << 16, *((size // 256 - 1) << 8 | k for size, k in maps)]
    headers = [(0x00, 0xFF, len(words), 0x30), (0x81, 0xFF, len(table), 0x70)][: 1 + bool(maps)]
    head = struct.pack("<4sBBBB", b"SFDP", 6, 1, len(headers) - 1, 0xFF)
    for low, high, count, at in headers:
        head += bytes((low, 6 if low == 0 else 0, 1, count)) + at.to_bytes(3, "little")
        head += bytes((high,))
    body = struct.pack("<16I", *words) + (struct.pack(f"<{len(table)}I", *table) if maps else b"")
    return head.ljust(0x30, b"\xff") + body


def _nor(data: bytes, chip: str = "size: 1 MiB, erase-block: 64 KiB") -> Example:
    return nor(
        "name: recovery, at: 0, size: 256 KiB",
        chip=f"{chip}, sfdp: nor.sfdp",
        files={"nor.sfdp": lambda: data},
    )


def _ext_csd(**registers: int) -> bytes:
    """Write EXT_CSD registers of a 32 MiB chip with boot areas of 2 MiB."""
    data = bytearray(512)
    data[162], data[175], data[179], data[192] = 1, 1, 8, 8
    data[212:216] = (65536).to_bytes(4, "little")
    data[221], data[224], data[226] = 1, 8, 16
    for register, value in registers.items():
        data[int(register.removeprefix("at_"))] = value
    return bytes(data)


def _emmc(data: bytes, *regions: str, chip: str = "sectors: 65536, boot-area: 2 MiB") -> Example:
    return emmc(
        *(regions or ("name: data, at: 4 MiB, size: 4 MiB",)),
        chip=f"{chip}, ext-csd: emmc.extcsd",
        files={"emmc.extcsd": lambda: data},
    )


@dataclass(frozen=True, slots=True, eq=False)
class Dump(Generic[F]):
    """What was read out of a chip's own tables or registers."""

    subject: Subject
    chip: Chip
    artifact: Artifact
    facts: F

    def finding(
        self,
        case: Case,
        key: str,
        field: str,
        *,
        region: Region | None = None,
        severity: Severity | None = None,
    ) -> Finding:
        """Make a finding about a field, and the key of the layout that says otherwise."""
        return case.at(
            region=region,
            artifact=self.artifact.path,
            chip=self.chip.name,
            where=region.where if region else self.chip.at_key(key),
            offset=self.facts.offsets.get(field),
            severity=severity,
        )


def dumps(subject: Subject, kind: type[F]) -> Iterator[Dump[F]]:
    """Give what was read out of the chips; what could not be read is left out."""
    return (one for one in _read_out(subject, kind) if isinstance(one, Dump))


def _read_out(subject: Subject, kind: type[F]) -> Iterator[Dump[F] | Missing]:
    for chip in subject.layout.chips.values() if subject.layout is not None else ():
        name = chip.sfdp if kind is SfdpFacts else chip.ext_csd
        if name is None:
            continue
        there = (item for path, item in subject.others.items() if fnmatch.fnmatch(path, name))
        artifact = next(there, None)
        facts = artifact.content.facts if artifact is not None else None
        if artifact is not None and isinstance(facts, kind):
            yield Dump(subject, chip, artifact, facts)
        elif artifact is not None:
            why = artifact.content.why or f"it is {artifact.content.title}"
            yield Missing(name, why)
        elif subject.given:
            yield Missing(name, subject.unreadable.get(name, "it was not read"))


def _kinds(kind: type[F]) -> tuple[Kind[Dump[F]], Kind[Dump[F]]]:
    """Give the kind of what was read, and the same with what could not be."""

    def label(dump: Dump[F]) -> str:
        return dump.artifact.path

    return Kind(partial(dumps, kind=kind), label), Kind(partial(_read_out, kind=kind), label)


SFDPS, SFDPS_OR_WHY = _kinds(SfdpFacts)
EXT_CSDS, EXT_CSDS_OR_WHY = _kinds(ExtCsdFacts)


def _approved(chip: Chip) -> str:
    return " or ".join(human(size) for size in sorted(set(chip.sizes)))


_GOOD_NOR = _nor(sfdp_dump())


def _nor_size_values(*, there: int, here: str) -> None: ...


NOR_SIZE = Rule(
    name="chip-size-contradicts-sfdp",
    severity=Severity.ERROR,
    values=_nor_size_values,
    message="{artifact}: the chip says {there:bytes}, the layout gives {chip} {here}",
    effect="A driver that goes by SFDP refuses what lies above, or wraps round to the start.",
    fix="Correct the chip's size; a part that lies about itself is best not approved.",
    computed="the density of the basic table, times the dies that a device tree's parallel-memories"
    " puts side by side, is none of the approved sizes",
    sources=(
        standard(
            "JEDEC JESD216",
            "basic flash parameters, 2nd dword",
            copy=in_linux(
                "drivers/mtd/spi-nor/sfdp.c",
                "spi_nor_parse_bfpt",
                says="Flash Memory Density (in bits).",
            ),
        ),
        in_linux("drivers/mtd/spi-nor/sfdp.c", "spi_nor_parse_bfpt"),
        PRACTICE,
    ),
    bad=_nor(sfdp_dump(512 * KIB)),
    good=_GOOD_NOR,
)


def dies(subject: Subject) -> int:
    """Give how many dies in parallel the device trees put behind one flash; 1 unless they say.

    Of several flashes it is not known which one they mean.

    Source: Linux Documentation/devicetree/bindings/spi/spi-peripheral-props.yaml. What one command
    erases, and the chip's size and page, are then those of one die times that number.
    """
    counts = {
        len(node.u32s("parallel-memories")) // 2
        for found in subject.of(FdtFacts)
        for node in found.facts.tree.root.walk()
        if "parallel-memories" in node.properties and node.enabled()
    }
    chips = subject.layout.chips.values() if subject.layout is not None else ()
    one = len(counts) == 1 and sum(chip.kind.word == "spi-nor" for chip in chips) == 1
    return max(counts.pop(), 1) if one else 1


@check(NOR_SIZE, over=SFDPS_OR_WHY, given=dies)
def nor_size(dump: Dump[SfdpFacts], many: int) -> Outcome:
    chip, facts = dump.chip, dump.facts
    there = facts.density * many
    if there not in chip.sizes:
        yield dump.finding(NOR_SIZE(there=there, here=_approved(chip)), "size", "density")


def _erase_values(*, there: str, here: int) -> None: ...


ERASE = Rule(
    name="erase-size-not-in-sfdp",
    severity=Severity.ERROR,
    values=_erase_values,
    message="{artifact}: the chip erases {there}, the layout gives {chip} blocks of {here:bytes}",
    effect="No driver erases such a block by itself. Where the chip's own are larger, an erase is"
    " refused or takes the neighbours along; where they are smaller, a file system that was made"
    " for this size does not fit the one that the kernel gives.",
    fix="Use one of the chip's own sizes.",
    computed="an erase block of the layout is the size of none of the chip's erase types, times the"
    " dies that a device tree's parallel-memories puts side by side; a warning where it is a"
    " multiple of one",
    sources=(
        standard(
            "JEDEC JESD216",
            "basic flash parameters, 8th and 9th dword",
            copy=in_linux(
                "drivers/mtd/spi-nor/sfdp.c",
                "sfdp_bfpt_erases",
                says="erasesize == 0 means this Erase Type is not supported.",
            ),
        ),
        PRACTICE,
    ),
    bad=_nor(sfdp_dump(), "size: 1 MiB, erase-block: 2 KiB"),
    good=_GOOD_NOR,
)


@check(ERASE, over=SFDPS, given=dies)
def erase_size(dump: Dump[SfdpFacts], many: int) -> Outcome:
    chip, facts = dump.chip, dump.facts
    sizes = [size * many for size in facts.erase_sizes]
    for size in sorted({run.size for run in chip.erase_map} - set(sizes)):
        several = any(size % own == 0 for own in sizes)
        yield dump.finding(
            ERASE(
                there=", ".join(human(size) for size in sizes) or "nothing",
                here=size,
            ),
            _erase_key(chip),
            "erase_types",
            severity=Severity.WARNING if several else None,
        )


def _erase_key(chip: Chip) -> str:
    return "erase-map" if "erase-map" in chip.keys else "erase-block"


_SECTORS = ((64 * KIB, 0b0011), (960 * KIB, 0b0101))


def _ignored_values(*, start: int, here: int, there: str) -> None: ...


IGNORED = Rule(
    name="sector-map-ignored",
    follows=("erase-size-not-in-sfdp",),
    severity=Severity.ERROR,
    values=_ignored_values,
    message=(
        "{artifact}: the chip cannot erase {here:bytes} at {start:place}, where the layout has"
        " such a block; it takes {there} there"
    ),
    effect=(
        "The erase command for that size does something else there: parts are not erased, or more"
        " is."
    ),
    fix="Give the chip an erase-map with the sizes that hold in each part, or a size that holds"
    " everywhere.",
    computed="in no configuration of the sector map are the layout's erase blocks possible where"
    " they are",
    sources=(
        standard(
            "JEDEC JESD216",
            "sector map parameter table",
            copy=in_linux("drivers/mtd/spi-nor/sfdp.c", "spi_nor_parse_smpt"),
        ),
        in_linux("drivers/mtd/spi-nor/sfdp.c", "spi_nor_parse_smpt"),
        PRACTICE,
    ),
    bad=_nor(sfdp_dump(maps=_SECTORS)),
    good=_nor(
        sfdp_dump(maps=_SECTORS),
        "size: 1 MiB, erase-map: [{count: 16, size: 4 KiB}, {count: 15, size: 64 KiB}]",
    ),
)


@check(IGNORED, over=SFDPS)
def sector_map(dump: Dump[SfdpFacts]) -> Outcome:
    chip, facts = dump.chip, dump.facts
    misfits = [_misfit(chip, facts, number) for number in range(len(facts.sector_maps))]
    first = next(iter(misfits), None)
    if first is not None and None not in misfits:
        start, here, there = first
        yield dump.finding(
            IGNORED(
                start=start, here=here, there=", ".join(human(size) for size in there) or "none"
            ),
            _erase_key(chip),
            "erase_types",
        )


def _misfit(chip: Chip, facts: SfdpFacts, number: int) -> tuple[int, int, tuple[int, ...]] | None:
    """Give the first place where the layout's erase blocks do not fit a sector map."""
    start = 0
    for run in chip.erase_map:
        here = Span.sized(start, run.count * run.size)
        for region in facts.sector_maps[number].regions:
            common = here.common(Span(region.start, region.end))
            if common.size and run.size in facts.erase_sizes and run.size not in region.erase_sizes:
                return common.start, run.size, region.erase_sizes
        start = here.end
    return None


def _page_values(*, there: int, here: int) -> None: ...


PAGE = Rule(
    name="page-size-differs",
    severity=Severity.NOTE,
    values=_page_values,
    message="{artifact}: the chip's page has {there:bytes}, the layout gives {chip} {here:bytes}",
    effect="A programmer that goes by a page that is too large has the bytes wrap round within the"
    " chip's own page: only the last of them are kept.",
    fix="Set page: to {there}.",
    computed="the page size of the basic table is not page:",
    sources=(
        standard(
            "JEDEC JESD216A",
            "basic flash parameters, 11th dword",
            copy=in_linux("drivers/mtd/spi-nor/sfdp.h", "BFPT_DWORD11_PAGE_SIZE_MASK"),
        ),
        in_linux("drivers/mtd/spi-nor/sfdp.c", "spi_nor_parse_bfpt"),
        PRACTICE,
    ),
    bad=_nor(sfdp_dump(page=9)),
    good=_GOOD_NOR,
)


@check(PAGE, over=SFDPS, given=dies)
def page_size(dump: Dump[SfdpFacts], many: int) -> Outcome:
    chip, facts = dump.chip, dump.facts
    there = None if facts.page_size is None else facts.page_size * many
    if there not in {None, chip.page}:
        yield dump.finding(PAGE(there=there, here=chip.page), "page", "page_size")


def _address_values(*, there: str, here: str) -> None: ...


ADDRESS = Rule(
    name="address-bytes-contradict-sfdp",
    stops=True,
    severity=Severity.ERROR,
    values=_address_values,
    message="{artifact}: the chip takes addresses of {there} bytes, the layout says {here}",
    effect="A chip that wants three bytes takes the first three of four for the address; one that"
    " wants four takes the first byte of data for the fourth. Every read comes from another place.",
    fix="Set address-bytes to what the chip takes, or approve another part.",
    computed="address-bytes is none of the lengths in the basic table, or four-byte-mode: opcodes"
    " goes with a 4-byte instruction table that is there but names none",
    sources=(
        standard(
            "JEDEC JESD216",
            "basic flash parameters, 1st dword; 4-byte address instruction table",
            copy=in_linux("drivers/mtd/spi-nor/sfdp.h", "BFPT_DWORD1_ADDRESS_BYTES_3_OR_4"),
        ),
        in_linux("drivers/mtd/spi-nor/sfdp.c", "spi_nor_parse_4bait"),
        PRACTICE,
    ),
    bad=_nor(sfdp_dump(address=0), "size: 1 MiB, erase-block: 64 KiB, address-bytes: 4"),
    good=_nor(sfdp_dump(), "size: 1 MiB, erase-block: 64 KiB, address-bytes: 4"),
)


@check(ADDRESS, over=SFDPS)
def address_bytes(dump: Dump[SfdpFacts]) -> Outcome:
    chip, facts = dump.chip, dump.facts
    there = facts.address_bytes
    if chip.address_bytes is not None and there and chip.address_bytes not in there:
        here = str(chip.address_bytes)
    elif chip.four_byte_mode == "opcodes" and facts.four_byte_table is False:
        here = "4, with opcodes of their own, of which its table has none"
    else:
        return
    yield dump.finding(
        ADDRESS(there=" or ".join(map(str, there)), here=here),
        "address-bytes" if chip.address_bytes is not None else "four-byte-mode",
        "address_bytes",
    )


def _register_values(*, size: int) -> None: ...


REGISTER = Rule(
    name="address-register-may-stay-set",
    follows=("warm-reset-loses-flash",),
    severity=Severity.WARNING,
    values=_register_values,
    message="{artifact}: {chip} has {size:bytes} and a register for the upper address byte, and the"
    " layout says neither four-byte-mode: opcodes nor reset-pin: wired",
    effect="Where a driver leaves the register set, a boot ROM that sends three address bytes reads"
    " the upper 16 MiB after a warm reset: the board starts from a power-on only.",
    fix="Use the 4-byte opcodes, or reset the flash with the SoC, and say so in the layout; some"
    " parts set the register by themselves when they leave the 4-byte mode.",
    computed="more than 16 MiB, and in the 16th dword of the basic table the bit for the extended"
    " address register or the bank register, of the ways into 4-byte addressing",
    sources=(
        standard("JEDEC JESD216A", "basic flash parameters, 16th dword, bits 31:24"),
        in_u_boot(
            "drivers/mtd/spi/spi-nor-core.c",
            "set_4byte",
            "the Extended Address Register to be set to 1, so all",
        ),
    ),
    bad=_nor(sfdp_dump(32 * MIB, ways=0b100), "size: 32 MiB, erase-block: 64 KiB"),
    good=_nor(
        sfdp_dump(32 * MIB, ways=0b100),
        "size: 32 MiB, erase-block: 64 KiB, four-byte-mode: opcodes",
    ),
)


@check(REGISTER, over=SFDPS)
def address_register(dump: Dump[SfdpFacts]) -> Outcome:
    chip, facts = dump.chip, dump.facts
    safe = chip.four_byte_mode == "opcodes" or chip.reset_pin == "wired"
    if max(chip.sizes) > THREE_BYTE_LIMIT and facts.address_register and not safe:
        case = REGISTER(size=max(chip.sizes))
        yield dump.finding(case, "sfdp", "address_bytes")


def _itself_values(what: str) -> None: ...


ITSELF = Rule(
    name="sfdp-contradicts-itself",
    severity=Severity.WARNING,
    values=_itself_values,
    message="{artifact}: {what}",
    effect="Linux needs a fix-up for such a part, and other drivers use only part of it.",
    fix="Go by the data sheet, and check that kernel and U-Boot know the part by its JEDEC id.",
    computed="more bytes than 3-byte addresses reach and no 4-byte addresses; no erase type; or a"
    " sector map that covers another size than the density",
    sources=(
        standard(
            "JEDEC JESD216",
            copy=in_linux("drivers/mtd/spi-nor/sfdp.h", "BFPT_DWORD1_ADDRESS_BYTES_3_ONLY"),
        ),
        in_linux(
            "drivers/mtd/spi-nor/issi.c",
            "is25lp256_post_bfpt_fixups",
            "Overwrite the number of address bytes advertised by the BFPT.",
        ),
    ),
    bad=_nor(sfdp_dump(32 * MIB, address=0), "size: 32 MiB, erase-block: 64 KiB"),
    good=_nor(sfdp_dump(32 * MIB), "size: 32 MiB, erase-block: 64 KiB"),
)


@check(ITSELF, over=SFDPS)
def sfdp_itself(dump: Dump[SfdpFacts]) -> Outcome:
    facts = dump.facts
    for field, what in _contradictions(facts):
        yield dump.finding(ITSELF(what=what), "sfdp", field)


def _contradictions(facts: SfdpFacts) -> Iterator[tuple[str, str]]:
    density = both(facts.density)
    if facts.unreachable:
        what = f"the chip has {density}, but takes 3 address bytes only, which reach 16 MiB"
        yield "address_bytes", what
    if not facts.erase_types:
        yield "erase_types", "the chip has no erase type"
    for sectors in facts.sector_maps:
        if sectors.size != facts.density:
            what = f"sector map {sectors.id} covers {both(sectors.size)}, the density is {density}"
            yield "density", what


_GOOD_EMMC = _emmc(_ext_csd())


def _emmc_size_values(*, sectors: int, there: int, here: str) -> None: ...


EMMC_SIZE = Rule(
    name="emmc-size-contradicts-ext-csd",
    severity=Severity.ERROR,
    values=_emmc_size_values,
    message=(
        "{artifact}: the chip has {sectors:,} sectors, {there:bytes}; the layout gives {chip}"
        " {here}"
    ),
    effect="The last partition or the backup GPT does not fit, or the end of the chip is unused.",
    fix="Write sectors: {sectors}, or list it beside the other approved parts.",
    computed="SEC_COUNT x 512 is none of the approved sizes",
    sources=(
        standard(
            "JEDEC JESD84-B51",
            "EXT_CSD 215..212",
            copy=in_linux("include/linux/mmc/mmc.h", "EXT_CSD_SEC_CNT"),
        ),
        in_u_boot("include/mmc.h", "EXT_CSD_SEC_CNT"),
        PRACTICE,
    ),
    bad=_emmc(_ext_csd(at_214=0, at_213=0xF0)),
    good=_GOOD_EMMC,
)


@check(EMMC_SIZE, over=EXT_CSDS_OR_WHY)
def emmc_size(dump: Dump[ExtCsdFacts]) -> Outcome:
    chip, facts = dump.chip, dump.facts
    if facts.size not in chip.sizes:
        yield dump.finding(
            EMMC_SIZE(
                sectors=facts.sectors,
                there=facts.size,
                here=" or ".join(f"{size // SECTOR:,} sectors" for size in sorted(chip.sizes)),
            ),
            "sectors" if "sectors" in chip.keys else "size",
            "SEC_COUNT",
        )


def _boot_area_values(*, there: int, here: int) -> None: ...


BOOT_AREA = Rule(
    name="boot-area-contradicts-ext-csd",
    severity=Severity.ERROR,
    values=_boot_area_values,
    message="{artifact}: boot0 and boot1 have {there:bytes}, the layout gives {chip} {here:bytes}",
    effect="Where the chip has less, what the layout puts behind its end cannot be written: a"
    " loader that fills the area is cut. Where it has more, the rest is unused.",
    fix="Set boot-area: to the chip's, or to that of the smallest approved part.",
    computed="BOOT_SIZE_MULT x 128 KiB is not boot-area:; a note where the chip has more",
    sources=(
        standard(
            "JEDEC JESD84-B51",
            "EXT_CSD 226",
            copy=in_linux("include/linux/mmc/mmc.h", "EXT_CSD_BOOT_MULT"),
        ),
        in_u_boot("include/mmc.h", "EXT_CSD_BOOT_MULT"),
        PRACTICE,
    ),
    bad=_emmc(_ext_csd(at_226=8)),
    good=_GOOD_EMMC,
)


@check(BOOT_AREA, over=EXT_CSDS)
def boot_area(dump: Dump[ExtCsdFacts]) -> Outcome:
    chip, facts = dump.chip, dump.facts
    there, here = facts.boot_area, chip.boot_area
    if there is not None and here is not None and there != here:
        yield dump.finding(
            BOOT_AREA(there=there, here=here),
            "boot-area",
            "BOOT_SIZE_MULT",
            severity=Severity.NOTE if there > here else None,
        )


def _group_values(what: str, *, setting: str, there: int, here: int) -> None: ...


GROUP = Rule(
    name="emmc-group-contradicts-ext-csd",
    severity=Severity.WARNING,
    values=_group_values,
    message=(
        "{artifact}: the chip's {what} has {there:bytes}, the layout gives {chip} {here:bytes}"
    ),
    effect="Partitions are aligned to blocks that the chip does not have: an erase or a"
    " write-protect may take a neighbour along.",
    fix="Set {setting}: to the chip's, and align the partitions to it.",
    computed="HC_ERASE_GRP_SIZE x 512 KiB is not erase-group:, or that x HC_WP_GRP_SIZE is not"
    " write-protect-group:",
    sources=(
        standard(
            "JEDEC JESD84-B51",
            "EXT_CSD 224 and 221",
            copy=in_linux("include/linux/mmc/mmc.h", "EXT_CSD_HC_ERASE_GRP_SIZE"),
        ),
        in_u_boot("include/mmc.h", "EXT_CSD_HC_ERASE_GRP_SIZE"),
        in_u_boot("include/mmc.h", "EXT_CSD_HC_WP_GRP_SIZE"),
        PRACTICE,
    ),
    bad=_emmc(_ext_csd(), chip="sectors: 65536, erase-group: 512 KiB"),
    good=_emmc(_ext_csd(), chip="sectors: 65536, erase-group: 4 MiB, write-protect-group: 4 MiB"),
)


@check(GROUP, over=EXT_CSDS)
def groups(dump: Dump[ExtCsdFacts]) -> Outcome:
    chip, facts = dump.chip, dump.facts
    for key, what, field, there, here in (
        (
            "erase-group",
            "erase group",
            "HC_ERASE_GRP_SIZE",
            facts.erase_group,
            chip.erase_group,
        ),
        (
            "write-protect-group",
            "write-protect group",
            "HC_WP_GRP_SIZE",
            facts.write_protect_group,
            chip.write_protect_group,
        ),
    ):
        if there and here is not None and there != here:
            yield dump.finding(GROUP(what=what, setting=key, there=there, here=here), key, field)


def _config_values(area: str, *, value: int, there: str) -> None: ...


CONFIG = Rule(
    name="partition-config-not-set",
    stops=True,
    severity=Severity.ERROR,
    values=_config_values,
    message="{artifact}: {region} is in {area}, but PARTITION_CONFIG ({value:#04x}) boots {there}",
    effect="The boot ROM reads another area and finds no first stage there.",
    fix="Set it once in production: mmc bootpart enable (Linux) or mmc partconf (U-Boot).",
    computed="BOOT_PARTITION_ENABLE, bits 5 to 3, names none of the boot areas that the layout has"
    " a first region in",
    writes=True,
    sources=(
        standard(
            "JEDEC JESD84-B51",
            "EXT_CSD 179",
            copy=in_linux("include/linux/mmc/mmc.h", "EXT_CSD_PART_CONFIG"),
        ),
        in_u_boot("include/mmc.h", "EXT_CSD_PART_CONF"),
        in_u_boot("cmd/mmc.c", "do_mmc_partconf"),
        PRACTICE,
    ),
    bad=_emmc(_ext_csd(at_179=0), "name: loader, chip: emmc/boot0, at: 0, size: 1 MiB"),
    good=_emmc(_ext_csd(), "name: loader, chip: emmc/boot0, at: 0, size: 1 MiB"),
)


@check(CONFIG, over=EXT_CSDS)
def partition_config(dump: Dump[ExtCsdFacts]) -> Outcome:
    chip, facts = dump.chip, dump.facts
    config, layout = facts.partition_config, dump.subject.layout
    if config is None or layout is None:
        return
    there = [
        region
        for number in (0, 1)
        for region in layout.regions_on(f"{chip.name}/boot{number}")[:1]
        if region.at == 0
    ]
    if there and not any(region.area.endswith(config.boots_from) for region in there):
        area = {"none": "from nothing", "user": "from the user area"}.get(
            config.boots_from, f"from {config.boots_from}"
        )
        yield dump.finding(
            CONFIG(area=there[0].area, value=config.value, there=area),
            "ext-csd",
            "PARTITION_CONFIG",
            region=there[0],
        )


def _reset_values(*, value: int, forever: str) -> None: ...


RESET = Rule(
    name="emmc-reset-disabled",
    severity=Severity.NOTE,
    values=_reset_values,
    message="{artifact}: RST_n_FUNCTION is {value}: {chip} ignores its reset pin{forever}",
    effect="An eMMC that hangs stays so through a warm reset, and a boot ROM that needs it finds"
    " nothing to start until the power is cut.",
    fix=(
        "Where the pin is wired, enable it in production. It is written once: what is "
        "set stays for ever."
    ),
    computed="bits 1 and 0 of RST_n_FUNCTION are not 1; a warning where they are 2",
    writes=True,
    sources=(
        standard(
            "JEDEC JESD84-B51",
            "EXT_CSD 162",
            copy=in_linux("include/linux/mmc/mmc.h", "EXT_CSD_RST_N_FUNCTION"),
        ),
        in_u_boot(
            "cmd/mmc.c",
            "do_mmc_rst_func",
            "writing a value of 0x1 or 0x2 sets the value permanently.",
        ),
        PRACTICE,
    ),
    bad=_emmc(_ext_csd(at_162=0)),
    good=_GOOD_EMMC,
)


@check(RESET, over=EXT_CSDS)
def reset_disabled(dump: Dump[ExtCsdFacts]) -> Outcome:
    facts = dump.facts
    value = facts.reset_function
    if value not in {None, 1}:
        yield dump.finding(
            RESET(value=value, forever=" for ever" if value == 2 else ""),
            "ext-csd",
            "RST_n_FUNCTION",
            severity=Severity.WARNING if value == 2 else None,
        )

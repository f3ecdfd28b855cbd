"""UBI: whether it attaches, whether its volumes are all there, and what they hold suits them."""

from __future__ import annotations

import struct
from collections.abc import Iterator

from imgaudit.contents.place import Node
from imgaudit.formats.crc32c import crc32_raw
from imgaudit.formats.ubi import Ubi, Volume
from imgaudit.formats.ubifs import Ubifs
from imgaudit.maps import command_line
from imgaudit.rules._containers import damage, damage_values
from imgaudit.rules._flash import on_flash
from imgaudit.rules.cited import in_linux, manual
from imgaudit.rules.engine import Kind, Missing, NotChecked, Outcome, Rule, Severity, check
from imgaudit.rules.examples import nand, nor
from imgaudit.rules.kinds import There, contents_of, regions_of, unread, whole
from imgaudit.rules.subject import Subject
from imgaudit.units import KIB

# Linux fs/ubifs/ubifs-media.h, UBIFS_MIN_LEB_SZ.
_UBIFS_MIN_LEB = 15 * KIB
# On NOR, whose smallest write is a byte, UBI's two headers of 64 bytes stand at the block's start.
_UBI_HEADERS = 128
# Linux drivers/mtd/ubi: the volume table's two copies, one block for wear-levelling and one for
# the atomic change of a block.
_UBI_OVERHEAD = 4
UBIS = contents_of(Ubi)


def ubi(
    peb: int,
    reserved: int,
    *,
    at: tuple[int, int] = (64, 128),
    copies: tuple[int, ...] = (0, 1),
    data: bytes = b"",
    name: bytes = b"rootfs",
) -> bytes:
    """Write a UBI with one volume of `reserved` blocks, whose first ones have `data`."""

    def sealed(data: bytes) -> bytes:
        return data + struct.pack(">I", crc32_raw(data))

    def block(volume: int, lnum: int, inside: bytes) -> bytes:
        compat = 5 * (volume != 0)
        header = struct.pack(
            ">4sBBBBII4xIIII4xQ12x", b"UBI!", 1, 1, 0, compat, volume, lnum, 0, 0, 0, 0, 0
        )
        head = (counter.ljust(at[0], b"\xff") + sealed(header)).ljust(at[1], b"\xff")
        return (head + inside).ljust(peb, b"\xff")

    counter = sealed(struct.pack(">4sB3xQIII32x", b"UBI#", 1, 0, *at, 7))
    record = struct.pack(">IIIBBH128sB23x", reserved, 1, 0, 1, 0, len(name), name, 0)
    table = sealed(record) + sealed(bytes(168)) * 127
    leb = peb - at[1]
    lebs = [data[start : start + leb] for start in range(0, len(data), leb)]
    return b"".join(
        (
            *(block(0x7FFFEFFF, lnum, table) for lnum in copies),
            *(block(0, lnum, inside) for lnum, inside in enumerate(lebs)),
        )
    )


def _ubifs(leb: int, unit: int = 8) -> bytes:
    """Write the superblock node of a UBIFS of 4 blocks."""
    node = bytearray(4096)
    struct.pack_into("<I4xQIB", node, 0, 0x06101831, 1, 4096, 6)
    struct.pack_into("<IIII", node, 32, unit, leb, 4, 16)
    struct.pack_into("<I", node, 4, crc32_raw(bytes(node[8:])))
    return bytes(node).ljust(4 * leb, b"\xff")


_VOLUMES = "name: data, at: 0, size: 0x80000, holds: ubi, file: data.ubi"


def _ubi_geometry_values(*, made: int, erase: int) -> None: ...


UBI_GEOMETRY = Rule(
    name="ubi-block-size-mismatch",
    stops=True,
    severity=Severity.ERROR,
    values=_ubi_geometry_values,
    message=(
        "{content} was made for erase blocks of {made:bytes}; those of {region} are {erase:bytes}"
    ),
    effect="UBI finds data where it looks for headers and does not attach ('too many corrupted"
    " PEBs, refusing'), or it passes over every other block and volumes have holes.",
    fix="Make it with ubinize --peb-size {erase:place}.",
    computed="the spacing of the erase-counter headers is not the chip's erase block",
    sources=(
        in_linux("drivers/mtd/ubi/attach.c", "late_analysis", "too many corrupted PEBs, refusing"),
        manual(
            "ubinize(8)",
            "Size of the physical eraseblock of the flash this UBI image is created for",
        ),
    ),
    bad=nor(_VOLUMES, files={"data.ubi": lambda: ubi(128 * KIB, 2)}),
    good=nor(_VOLUMES, files={"data.ubi": lambda: ubi(64 * KIB, 2)}),
)


@check(UBI_GEOMETRY, over=UBIS)
def ubi_geometry(found: Node[Ubi]) -> Outcome:
    there, made = on_flash(found), found.facts.peb_size
    if there is not None and made is not None and made != there[1]:
        yield UBI_GEOMETRY(made=made, erase=there[1]).inside(found, length=made)


def _ubi_volumes_values(
    *, wanted: int, overhead: int, have: int, over: int, needed: int
) -> None: ...


UBI_VOLUMES = Rule(
    name="ubi-volume-overflow",
    stops=True,
    severity=Severity.ERROR,
    values=_ubi_volumes_values,
    message=(
        "{content}: its volumes need {wanted} erase blocks and UBI {overhead}; {region} has {have}"
    ),
    effect="Linux does not attach it: 'not enough PEBs'.",
    fix="Take {over} from the volumes, or grow {region} to {needed:bytes}.",
    computed="reserved_pebs of all volumes + 4 is more than size / PEB; the 4 are the two copies of"
    " the volume table, one for wear-levelling and one for atomic changes",
    sources=(
        in_linux(
            "drivers/mtd/ubi/vtbl.c", "init_volumes", "not enough PEBs, required %d, available %d"
        ),
        in_linux("drivers/mtd/ubi/wl.c", "WL_RESERVED_PEBS"),
        in_linux("drivers/mtd/ubi/eba.c", "EBA_RESERVED_PEBS"),
    ),
    bad=nor(_VOLUMES, files={"data.ubi": lambda: ubi(64 * KIB, 5)}),
    good=nor(_VOLUMES, files={"data.ubi": lambda: ubi(64 * KIB, 4)}),
)


@check(UBI_VOLUMES, over=UBIS)
def ubi_volumes(found: Node[Ubi]) -> Outcome:
    peb, region = found.facts.peb_size, found.region
    if region is None or peb is None or found.nested:
        return
    wanted = _wanted(found.facts) - _UBI_OVERHEAD
    have = region.size // peb
    over = wanted + _UBI_OVERHEAD - have
    if over > 0:
        yield UBI_VOLUMES(
            wanted=wanted,
            overhead=_UBI_OVERHEAD,
            have=have,
            over=over,
            needed=(have + over) * peb,
        ).inside(found)


def _ubifs_leb_values(*, what: str, leb: int, least: int) -> None: ...


UBIFS_LEB = Rule(
    name="ubifs-leb-too-small",
    stops=True,
    severity=Severity.ERROR,
    values=_ubifs_leb_values,
    message="{what}: logical erase blocks of {leb:bytes}; UBIFS needs at least {least:bytes}",
    effect='Linux refuses the mount: "too small LEBs".',
    fix="Use erase blocks of 16 KiB or more, or JFFS2.",
    computed="leb_size of the superblock, or the region's erase block less the 128 bytes of UBI's"
    " headers, is below 15 KiB",
    sources=(
        in_linux("fs/ubifs/ubifs-media.h", "UBIFS_MIN_LEB_SZ"),
        in_linux("fs/ubifs/super.c", "init_constants_early", "too small LEBs"),
    ),
    bad=nor(
        "name: data, at: 0, size: 64 KiB, holds: ubifs, file: data.ubifs",
        chip="size: 1 MiB, erase-block: 4 KiB",
        files={"data.ubifs": lambda: _ubifs(4 * KIB - 128)},
    ),
    good=nor(
        "name: data, at: 0, size: 512 KiB, holds: ubifs, file: data.ubifs",
        files={"data.ubifs": lambda: _ubifs(64 * KIB - 128)},
    ),
)


def _with_ubifs(subject: Subject) -> Iterator[Node[Ubifs] | There | Missing]:
    """Give each UBIFS, and the regions that should hold one, but for those of a small one."""
    yield from unread(subject, Ubifs.format)
    small = set()
    for found in subject.of(Ubifs):
        if found.facts.leb_size < _UBIFS_MIN_LEB:
            small.add(found.region.name if found.region else None)
        yield found
    for there in regions_of(subject):
        region = there.region
        if there.chip.kind.mtd and region.holds == "ubifs" and region.name not in small:
            yield there


def _called(one: Node[Ubifs] | There) -> str:
    return one.content.name if isinstance(one, Node) else one.region.name


UBIFS_OR_PLACES: Kind[Node[Ubifs] | There] = Kind(_with_ubifs, _called)


@check(UBIFS_LEB, over=UBIFS_OR_PLACES)
def ubifs_leb(one: Node[Ubifs] | There) -> Outcome:
    if isinstance(one, Node):
        leb = one.facts.leb_size
        if leb < _UBIFS_MIN_LEB:
            case = UBIFS_LEB(what=_called(one), leb=leb, least=_UBIFS_MIN_LEB)
            yield case.inside(one, at=one.facts.offsets["leb_size"], length=4)
        return
    region = one.region
    leb = one.chip.erase_unit(region.at) - _UBI_HEADERS
    if leb < _UBIFS_MIN_LEB:
        yield UBIFS_LEB(what=region.name, leb=leb, least=_UBIFS_MIN_LEB).at(
            region=region, key="holds", offset=region.at, length=region.size
        )


UBI_DAMAGED = Rule(
    name="ubi-damaged",
    severity=Severity.ERROR,
    values=damage_values,
    message="{content}: the UBI is not whole: {what}{more}",
    effect="UBI does not attach, or a volume is cut, mixed up or lost.",
    fix="Make it again with ubinize, and copy it whole.",
    computed=(
        "the two headers of every erase block, both copies of the volume table and the blocks of"
        " every volume are read; one of them contradicts another or is missing"
    ),
    sources=(
        in_linux("drivers/mtd/ubi/attach.c", "ubi_attach"),
        in_linux("drivers/mtd/ubi/io.c", "ubi_io_read_vid_hdr"),
        in_linux("drivers/mtd/ubi/vtbl.c", "ubi_read_volume_table"),
    ),
    bad=nor(_VOLUMES, files={"data.ubi": lambda: ubi(64 * KIB, 2, copies=(0,)) * 2}),
    good=nor(_VOLUMES, files={"data.ubi": lambda: ubi(64 * KIB, 2)}),
)


@check(UBI_DAMAGED, over=UBIS)
def ubi_damaged(found: Node[Ubi]) -> Outcome:
    # A wrong sum has a finding of its own, and explains the rest.
    if all(checksum.matches for checksum in found.facts.checksums):
        yield from damage(found, UBI_DAMAGED)
    elif found.facts.unwalked:
        yield NotChecked(UBI_DAMAGED.name, found.content.name, found.facts.unwalked)


def _ubi_page_values(*, headers: int, data: int, page: int) -> None: ...


UBI_PAGE = Rule(
    name="ubi-page-size-mismatch",
    stops=True,
    severity=Severity.ERROR,
    values=_ubi_page_values,
    message=(
        "{content} has its volume headers at {headers:place} and its data at {data:place} of each"
        " block; {chip} has pages of {page:bytes}"
    ),
    effect="UBI looks for the headers elsewhere, or the chip cannot write there: no attach.",
    fix="Make it with ubinize --min-io-size {page}.",
    computed=(
        "the chip is a NAND and the data do not start on a page, the volume headers lie behind the"
        " first page, or, on an SPI-NAND, which has no sub-pages, they do not start on the second"
    ),
    sources=(in_linux("drivers/mtd/ubi/build.c", "io_init"),),
    bad=nand(_VOLUMES, files={"data.ubi": lambda: ubi(64 * KIB, 2)}),
    good=nand(_VOLUMES, files={"data.ubi": lambda: ubi(64 * KIB, 2, at=(2048, 4096))}),
)


@check(UBI_PAGE, over=UBIS, given=whole)
def ubi_pages(found: Node[Ubi], subject: Subject) -> Outcome:
    there, facts = on_flash(found), found.facts
    if there is None or found.chip is None or not found.chip.kind.bad_blocks:
        return
    page = found.chip.page
    serial = found.chip.kind.word == "spi-nand"
    # Unless ubi.mtd= says where, the kernel takes the second page, or a part of the first one.
    late = facts.vid_hdr_offset > page and not _placed(subject)
    if facts.data_offset % page or late or (serial and facts.vid_hdr_offset != page):
        yield UBI_PAGE(headers=facts.vid_hdr_offset, data=facts.data_offset, page=page).inside(
            found, at=16
        )


def _placed(subject: Subject) -> bool:
    """Tell whether a command line says where the headers are: `ubi.mtd=NAME,OFFSET`."""
    lines = [command_line.parse(text) for one in subject.started.values() for text in one.arguments]
    attached = [(it.value or "").split(",") for line in lines for it in line.all("ubi.mtd")]
    return any(len(words) > 1 and words[1] not in {"", "0"} for words in attached)


def _ubi_spares_values(*, wanted: int, have: int, bad: int, short: int, needed: int) -> None: ...


UBI_SPARES = Rule(
    name="ubi-has-no-spare-blocks",
    severity=Severity.WARNING,
    values=_ubi_spares_values,
    message=(
        "{content}: its volumes and UBI need {wanted} of the {have} erase blocks of {region}, where"
        " {bad} may be bad"
    ),
    effect="On a chip where that many are bad, Linux does not attach it: 'not enough PEBs'.",
    fix=(
        "Take {short} from the volumes (an autoresize volume takes what is left), or grow {region}"
        " to {needed:bytes}."
    ),
    computed="reserved_pebs of all volumes + 4 fit the region, but not with bad-blocks of it bad;"
    " without bad-blocks, 20 of 1024",
    sources=(
        in_linux(
            "drivers/mtd/ubi/vtbl.c", "init_volumes", "not enough PEBs, required %d, available %d"
        ),
        in_linux("drivers/mtd/ubi/Kconfig", "MTD_UBI_BEB_LIMIT"),
    ),
    bad=nand(_VOLUMES, files={"data.ubi": lambda: ubi(64 * KIB, 4, at=(2048, 4096))}),
    good=nand(_VOLUMES, files={"data.ubi": lambda: ubi(64 * KIB, 3, at=(2048, 4096))}),
)


@check(UBI_SPARES, over=UBIS)
def ubi_spares(found: Node[Ubi]) -> Outcome:
    peb, region, chip = found.facts.peb_size, found.region, found.chip
    if region is None or chip is None or peb is None or found.nested or not chip.kind.bad_blocks:
        return
    bad = max(1, -(-chip.may_be_bad.of(region.size) // peb))
    wanted, have = _wanted(found.facts), region.size // peb
    short = wanted + bad - have
    if wanted <= have < wanted + bad:
        yield UBI_SPARES(
            wanted=wanted, have=have, bad=bad, short=short, needed=(have + short) * peb
        ).inside(found)


def _wanted(facts: Ubi) -> int:
    """Count the erase blocks without which it does not attach."""
    return sum(volume.reserved_pebs for volume in facts.volumes) + _UBI_OVERHEAD


def _ubifs_volume_values(*, leb: int, there: int, unit: int, there_unit: int) -> None: ...


UBIFS_VOLUME = Rule(
    name="ubifs-made-for-another-flash",
    stops=True,
    severity=Severity.ERROR,
    values=_ubifs_volume_values,
    message=(
        "{content} was made for logical erase blocks of {leb:bytes} and pages of {unit:bytes}; its"
        " volume has {there:bytes} and {there_unit:bytes}"
    ),
    effect="Linux does not mount it: 'LEB size mismatch' or 'min. I/O unit mismatch'.",
    fix="Make it with mkfs.ubifs --leb-size {there} --min-io-size {there_unit}.",
    computed=(
        "leb_size of the superblock is not what the volume's blocks hold, or min_io_size is not"
        " the page of the NAND that it goes to"
    ),
    sources=(
        in_linux("fs/ubifs/sb.c", "validate_sb", "LEB size mismatch: %d in superblock, %d real"),
        in_linux(
            "fs/ubifs/sb.c", "validate_sb", "min. I/O unit mismatch: %d in superblock, %d real"
        ),
    ),
    bad=nor(_VOLUMES, files={"data.ubi": lambda: ubi(64 * KIB, 4, data=_ubifs(16 * KIB))}),
    good=nor(_VOLUMES, files={"data.ubi": lambda: ubi(64 * KIB, 4, data=_ubifs(64 * KIB - 128))}),
)


def _volume(found: Node[Ubifs], subject: Subject) -> Volume | None:
    """Find the volume that a file system is in, or that its region is."""
    holder, region = found.holder, found.region
    if holder is not None and isinstance(holder.facts, Ubi):
        return holder.facts.volume(found.content.name[len(holder.content.name) + 1 :])
    ubis = (node for node in subject.of(Ubi) if region is not None and node.region is not None)
    volumes = (
        node.facts.volume(label)
        for node in ubis
        if region is not None and node.region is not None and node.region.name == region.holder
        for label in region.labels
    )
    return next((volume for volume in volumes if volume is not None), None)


@check(UBIFS_VOLUME, over=contents_of(Ubifs), given=whole)
def ubifs_volume(found: Node[Ubifs], subject: Subject) -> Outcome:
    facts, chip, volume = found.facts, found.chip, _volume(found, subject)
    if volume is None:
        return
    nand = chip is not None and chip.kind.bad_blocks
    unit = chip.page if chip is not None and nand else facts.min_io_size
    if (facts.leb_size, facts.min_io_size) != (volume.leb_size, unit):
        yield UBIFS_VOLUME(
            leb=facts.leb_size, unit=facts.min_io_size, there=volume.leb_size, there_unit=unit
        ).inside(found, at=facts.offsets["leb_size"], length=4)

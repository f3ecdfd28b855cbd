"""What a disk image is as a whole: its sectors, its size, and how often it is packed."""

from __future__ import annotations

import gzip
import uuid
from collections.abc import Callable

from imgaudit.contents.build import reader_of
from imgaudit.contents.comparison import ChipImage
from imgaudit.contents.place import Node
from imgaudit.contents.tree import Content
from imgaudit.formats.ext_csd import ExtCsdFacts
from imgaudit.formats.gpt import Gpt
from imgaudit.model import SECTOR
from imgaudit.rules import samples as sample
from imgaudit.rules._containers import COMPRESSORS
from imgaudit.rules.chip_data import dumps
from imgaudit.rules.cited import PRACTICE, in_linux, in_u_boot, in_uefi
from imgaudit.rules.engine import Example, Outcome, Rule, Severity, check
from imgaudit.rules.examples import emmc, nor
from imgaudit.rules.kinds import IMAGES, contents_of
from imgaudit.rules.subject import Subject
from imgaudit.units import KIB
from imgaudit.writers.gpt import gpt

_SECTORS = 512


def disk(*, sector: int = SECTOR, sectors: int = _SECTORS, entries: int = 128) -> bytes:
    """Write a disk with an empty table."""
    table = gpt(sectors, uuid.UUID(int=3), (), sector=sector, entries=entries)
    data = bytearray(table.size)
    for at, piece in table.pieces:
        data[at : at + len(piece)] = piece
    return bytes(data)


def _example(image: Callable[[], bytes]) -> Example:
    return emmc(chip=f"sectors: {_SECTORS}, image: emmc.img", files={"emmc.img": image})


def _sector_values(*, there: int, wanted: int, content: str | None = None) -> None: ...


SECTORS = Rule(
    name="gpt-for-another-sector-size",
    stops=True,
    severity=Severity.ERROR,
    values=_sector_values,
    message="{content}: the GPT was made for sectors of {there:bytes}; {chip} has {wanted:bytes}",
    effect="U-Boot and Linux look for the header at byte {wanted}, find none, and see no"
    " partition.",
    fix="Make the image again with a sector size of {wanted} (sgdisk and sfdisk take that of the"
    " file or loop device).",
    computed="the header's signature does not stand at byte 512 or, where DATA_SECTOR_SIZE in the"
    " chip's EXT_CSD says so, 4096",
    sources=(
        in_uefi(
            "5.3.2",
            "PRIMARY_PART_HEADER_LBA",
            "must be located in LBA 1 (i.e., the second logical block).",
        ),
        in_u_boot("disk/part_efi.c", "GPT_PRIMARY_PARTITION_TABLE_LBA"),
        in_linux("drivers/mmc/core/queue.c", "blk_queue_logical_block_size"),
        in_linux("drivers/mmc/core/mmc.c", "mmc_decode_ext_csd", "EXT_CSD_DATA_SECTOR_SIZE"),
    ),
    bad=_example(lambda: disk(sector=4096, sectors=64)),
    good=_example(disk),
)


def _of_chips(subject: Subject) -> dict[str, int]:
    """Give the sector sizes of the chips that tell another one than 512 (JESD84-B51, byte 61)."""
    told = dumps(subject, ExtCsdFacts)
    return {it.chip.name: 4096 for it in told if it.facts.registers.get("DATA_SECTOR_SIZE") == 1}


@check(SECTORS, over=contents_of(Gpt), given=_of_chips)
def sector_size(found: Node[Gpt], sizes: dict[str, int]) -> Outcome:
    chip, there = found.chip, found.facts.block_size
    if chip is None or not chip.kind.sectors or found.start != 0:
        return
    wanted = sizes.get(chip.name, SECTOR)
    if there != wanted:
        yield SECTORS(there=there, wanted=wanted).inside(found, at=there, length=92)


def _size_values(*, size: int, room: int, over: int) -> None: ...


LARGER = Rule(
    name="chip-image-larger-than-chip",
    follows=("region-past-chip-end",),
    severity=Severity.ERROR,
    values=_size_values,
    message="{artifact} is {size:bytes}; {chip} has {room:bytes}: {over:bytes} too many",
    effect="The writer stops at the chip's end: the backup table, and whatever lies last, is lost.",
    fix="Make the image for {room:bytes}, the smallest part that may be on the board.",
    computed="the image, unpacked, is larger than the chip's smallest approved part",
    sources=(PRACTICE,),
    bad=_example(lambda: disk(sectors=_SECTORS + 1)),
    good=_example(disk),
)


@check(LARGER, over=IMAGES.only(lambda image: not image.dump))
def image_larger(image: ChipImage) -> Outcome:
    size = image.artifact.content.unwrapped().size if image.artifact is not None else 0
    if image.artifact is not None and size > image.chip.size:
        yield LARGER(size=size, room=image.chip.size, over=size - image.chip.size).at(
            artifact=image.artifact.path,
            chip=image.chip.name,
            where=image.chip.at_key("image"),
            offset=image.chip.size,
            length=size - image.chip.size,
        )


def _twice_values(*, outer: str, inner: str) -> None: ...


TWICE = Rule(
    name="artifact-packed-twice",
    stops=True,
    severity=Severity.ERROR,
    values=_twice_values,
    message="{artifact} is {outer}, and what that holds is {inner} once more",
    effect="The writer unpacks once: the chip gets a {inner} stream in place of the image.",
    fix="Compress it once; a build step and a release step both do.",
    computed="below the compression of the file there is another one, and the region does not hold"
    " that",
    sources=(PRACTICE,),
    bad=nor(
        "name: recovery, at: 0, size: 128 KiB, holds: fit, file: recovery.itb.gz",
        files={"recovery.itb.gz": lambda: gzip.compress(sample.packed(sample.fit()), mtime=0)},
    ),
    good=nor(
        "name: recovery, at: 0, size: 128 KiB, holds: raw, file: recovery.bin",
        files={"recovery.bin": lambda: b"tide" * KIB},
    ),
)


@check(TWICE)
def packed_twice(subject: Subject) -> Outcome:
    for region, artifact, _ in subject.placed():
        layers = _layers(artifact.content, reader_of(region.holds))
        if len(layers) > 1:
            yield TWICE(outer=layers[0], inner=layers[1]).at(
                region=region, artifact=artifact.path, key="file"
            )
    for image in subject.images:
        layers = _layers(image.artifact.content, None) if image.artifact else []
        if len(layers) > 1 and image.artifact is not None:
            yield TWICE(outer=layers[0], inner=layers[1]).at(
                artifact=image.artifact.path,
                chip=image.chip.name,
                where=image.chip.at_key("image"),
            )


def _layers(content: Content, wanted: str | None) -> list[str]:
    """Name the compressions around what a region holds, from the outside in."""
    found = []
    inner: Content | None = content
    while inner is not None and inner.format in COMPRESSORS and inner.format != wanted:
        found.append(inner.format or "")
        inner = inner.inner
    return found

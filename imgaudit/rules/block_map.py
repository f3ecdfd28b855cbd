"""Block maps beside disk images: whether they are whole, and whether they are of that image."""

from __future__ import annotations

import hashlib

from imgaudit.contents.block_maps import MappedImage
from imgaudit.rules.cited import PRACTICE
from imgaudit.rules.engine import Kind, NotChecked, Outcome, Rule, Severity, check
from imgaudit.rules.examples import emmc

MAPS: Kind[MappedImage] = Kind(lambda subject: iter(subject.block_maps), lambda item: item.path)
_BLOCK = 4096
_DISK = "name: rootfs, partition: 1, at: 1 MiB, size: 64 KiB, file: rootfs.img"
_DATA = b"tide" * (_BLOCK // 4)
_IMAGE = _DATA + bytes(2 * _BLOCK) + _DATA


def _map(image: bytes, *ranges: tuple[int, int], mapped: int | None = None) -> bytes:
    """Write the block map of an image with these blocks, the last one included."""
    lines = []
    for first, last in ranges:
        digest = hashlib.sha256(image[first * _BLOCK : (last + 1) * _BLOCK]).hexdigest()
        lines.append(f'<Range chksum="{digest}"> {first}-{last} </Range>')
    count = sum(last + 1 - first for first, last in ranges) if mapped is None else mapped
    text = (
        f'<?xml version="1.0" ?>\n<bmap version="2.0">\n<ImageSize> {len(image)} </ImageSize>\n'
        f"<BlockSize> {_BLOCK} </BlockSize>\n<BlocksCount> {len(image) // _BLOCK} </BlocksCount>\n"
        f"<MappedBlocksCount> {count} </MappedBlocksCount>\n<ChecksumType> sha256 </ChecksumType>\n"
        f"<BmapFileChecksum> {'0' * 64} </BmapFileChecksum>\n<BlockMap>\n"
        + "\n".join(lines)
        + "\n</BlockMap>\n</bmap>\n"
    )
    own = hashlib.sha256(text.encode()).hexdigest()
    return text.replace("0" * 64, own).encode()


def _damaged_values(map: str, *, what: str) -> None: ...


DAMAGED = Rule(
    name="block-map-damaged",
    severity=Severity.ERROR,
    values=_damaged_values,
    message="{map}: {what}",
    effect="A writer that goes by the map refuses it, or leaves parts of the image out.",
    fix="Make the map again from the final image.",
    computed=(
        "the map's checksum of itself, its ranges and its counts of blocks are read; one of them"
        " contradicts another"
    ),
    sources=(PRACTICE,),
    bad=emmc(
        _DISK,
        files={
            "rootfs.img": lambda: _IMAGE,
            "rootfs.img.bmap": lambda: _map(_IMAGE, (0, 0), (3, 3), mapped=1),
        },
    ),
    good=emmc(
        _DISK,
        files={
            "rootfs.img": lambda: _IMAGE,
            "rootfs.img.bmap": lambda: _map(_IMAGE, (0, 0), (3, 3)),
        },
    ),
)


@check(DAMAGED, over=MAPS)
def block_map_damaged(item: MappedImage) -> Outcome:
    facts = item.facts
    if facts is None:
        yield DAMAGED(map=item.path, what=item.why).at(
            region=item.region, where=item.where, artifact=item.path
        )
        return
    for flaw in facts.flaws:
        yield DAMAGED(map=item.path, what=flaw.what).at(
            region=item.region,
            where=item.where,
            artifact=item.path,
            offset=flaw.offset,
            length=1,
        )
    for own in facts.checksums:
        if own.matches is False:
            yield DAMAGED(map=item.path, what="its checksum of itself does not match").at(
                region=item.region,
                where=item.where,
                artifact=item.path,
                offset=own.offset,
                length=len(own.stored),
            )


def _differs_values(map: str, *, image: str, what: str) -> None: ...


DIFFERS = Rule(
    name="block-map-of-another-image",
    severity=Severity.ERROR,
    values=_differs_values,
    message="{map} is not the map of {image} as it is: {what}",
    effect=(
        "A writer that checks it refuses the image; one that does not leaves out what the map does"
        " not list, and the chip keeps what it held there."
    ),
    fix="Make the map again from the final image, after the last change to it.",
    computed=(
        "the image, unpacked, is read once: its size, the checksum of each range, and whether what"
        " lies in no range is all zeros"
    ),
    sources=(PRACTICE,),
    bad=emmc(
        _DISK,
        files={
            "rootfs.img": lambda: _IMAGE[:_BLOCK] + _DATA + _IMAGE[2 * _BLOCK :],
            "rootfs.img.bmap": lambda: _map(_IMAGE, (0, 0), (3, 3)),
        },
    ),
    good=emmc(
        _DISK,
        files={
            "rootfs.img": lambda: _IMAGE,
            "rootfs.img.bmap": lambda: _map(_IMAGE, (0, 0), (3, 3)),
        },
    ),
)


@check(DIFFERS, over=MAPS, after=(block_map_damaged,))
def block_map_differs(item: MappedImage) -> Outcome:
    facts = item.facts
    if facts is None:
        return
    if item.why:
        yield NotChecked(DIFFERS.name, item.path, item.why)
        return
    at, length = 0, item.size
    if item.size != facts.image_size:
        what = f"it is for {facts.image_size:,} bytes, the image has {item.size:,}"
    elif item.differing:
        first = item.differing[0]
        more = f", and {item.differing_count - 1:,} more" if item.differing_count > 1 else ""
        at = first.first * facts.block_size
        length = (first.last + 1 - first.first) * facts.block_size
        what = f"blocks {first.first:,} to {first.last:,} have another checksum{more}"
    elif item.left_out is not None:
        at, length = item.left_out, 1
        what = f"the data at {item.left_out:#x} are in none of its ranges"
    else:
        return
    yield DIFFERS(map=item.path, image=item.image.path, what=what).at(
        region=item.region,
        where=item.where,
        artifact=item.image.path,
        offset=at,
        length=length,
    )

from __future__ import annotations

import gzip
import hashlib
import struct
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.errors import FormatError
from imgaudit.formats import identify
from imgaudit.formats.block_map import READER, BlockMap, Range
from imgaudit.formats.view import View
from imgaudit.rules import block_map as rule
from imgaudit.rules.block_map import _map
from imgaudit.rules.built import subject_of
from imgaudit.rules.examples import emmc
from imgaudit.tasks import audit
from tests.rules._storage import of

BLOCK = 4096
DATA = b"tide" * (BLOCK // 4)
IMAGE = DATA + bytes(2 * BLOCK) + DATA + DATA[:100]
DISK = "name: rootfs, partition: 1, at: 1 MiB, size: 64 KiB, file: {}"

# Version 1.3 has SHA-1 sums in attributes of another name, and a comment before all fields.
OLD = b"""<?xml version="1.0" ?>
<!-- This file lists <BlocksCount> 9 </BlocksCount> -->
<bmap version="1.3">
    <ImageSize> 12288 </ImageSize>
    <BlockSize> 4096 </BlockSize>
    <BlocksCount> 3 </BlocksCount>
    <MappedBlocksCount> 2 </MappedBlocksCount>
    <BmapFileSHA1> %s </BmapFileSHA1>
    <BlockMap>
        <Range sha1="%s"> 0 </Range>
        <Range> 2 </Range>
    </BlockMap>
</bmap>
"""


def read(data: bytes) -> BlockMap:
    facts = READER.read(View.of(data))
    assert isinstance(facts, BlockMap)
    return facts


def old() -> bytes:
    ranges = hashlib.sha1(DATA, usedforsecurity=False).hexdigest().encode()
    blank = OLD % (b"0" * 40, ranges)
    return OLD % (hashlib.sha1(blank, usedforsecurity=False).hexdigest().encode(), ranges)


def test_a_map_is_read() -> None:
    data = _map(IMAGE[: 4 * BLOCK], (0, 0), (3, 3))
    facts = read(data)
    assert (facts.version, facts.image_size, facts.block_size) == ("2.0", 4 * BLOCK, BLOCK)
    assert (facts.blocks, facts.mapped_blocks, facts.algorithm) == (4, 2, "sha256")
    digest = hashlib.sha256(DATA).hexdigest()
    assert facts.ranges == (Range(0, 0, digest), Range(3, 3, digest))
    assert [checksum.matches for checksum in facts.checksums] == [True]
    assert facts.flaws == ()
    assert facts.summary() == "8 KiB mapped of 16 KiB, 2 ranges"
    assert identify(View.of(data))[0][1] is READER
    assert data[facts.offsets["ImageSize"] :].startswith(b"16384 ")


def test_a_map_of_an_older_version() -> None:
    facts = read(old())
    assert (facts.version, facts.blocks, facts.algorithm) == ("1.3", 3, "sha1")
    assert [item.checksum != "" for item in facts.ranges] == [True, False]
    assert [checksum.matches for checksum in facts.checksums] == [True]
    assert [span.start for span, _ in facts.spans()] == [0, 2 * BLOCK]


@pytest.mark.parametrize(
    ("old_text", "new", "what"),
    [
        (b"<BlocksCount> 3 ", b"<BlocksCount> 4 ", "4 blocks do not make an image of 12,288"),
        (b"> 2 </Range>", b"> 3 </Range>", "blocks 3 to 3 of 3 out of order"),
        (b"> 0 </Range>", b"> 2 </Range>", "blocks 2 to 2 of 3 out of order"),
        (b"> 2 </Range>", b"> 2-1 </Range>", "blocks 2 to 1 of 3 out of order"),
        (b"> 2 </Range>", b"> 1-2 </Range>", "it counts 2 mapped blocks and lists 3"),
    ],
)
def test_what_contradicts_itself_is_told(old_text: bytes, new: bytes, what: str) -> None:
    assert what in read(old().replace(old_text, new)).flaws[0].what


@pytest.mark.parametrize(
    ("change", "why"),
    [
        (lambda data: data[: data.index(b"</bmap")], "it is cut"),
        (lambda data: data.replace(b"<ImageSize> 12288 ", b"<ImageSize> x "), "no ImageSize"),
        (lambda data: data.replace(b"4096", b"0"), "blocks of 0 bytes"),
        (lambda data: data.replace(b"<bmap", b"<cmap"), "no <bmap version>"),
    ],
)
def test_what_is_no_map_is_refused(change: Callable[[bytes], bytes], why: str) -> None:
    with pytest.raises(FormatError, match=why):
        read(change(old()))


def test_a_map_has_an_end(monkeypatch: pytest.MonkeyPatch) -> None:
    data = old()
    for name, value, why in (
        ("MAX_SIZE", len(data), ""),
        ("MAX_SIZE", len(data) - 1, f"a block map of {len(data):,} bytes"),
        ("MAX_RANGES", 2, ""),
        ("MAX_RANGES", 1, "more than 1 ranges"),
    ):
        with monkeypatch.context() as patched:
            patched.setattr(f"imgaudit.formats.block_map.{name}", value)
            if not why:
                assert len(read(data).ranges) == 2
                continue
            with pytest.raises(FormatError, match=why) as problem:
                read(data)
            assert problem.value.offset == (0 if name == "MAX_SIZE" else data.rindex(b"<Range"))


def test_a_sum_of_another_length_is_not_judged() -> None:
    """What no known digest has as many digits as is no digest of the map."""
    data = old()
    start = data.index(b"<BmapFileSHA1> ") + 15
    assert read(data[:start] + data[start + 2 :]).checksums == ()
    (wrong,) = read(data[:start] + b"00" + data[start + 2 :]).checksums
    assert (wrong.matches, wrong.offset) == (False, start)


@given(st.binary(max_size=200), st.integers(0, len(old())))
def test_any_bytes(more: bytes, at: int) -> None:
    for data in (more, old()[:at] + more + old()[at + len(more) :]):
        READER.match(View.of(data))
        try:
            facts = read(data)
        except FormatError:
            continue
        assert all(span.size >= 0 for span, _ in facts.spans())


def told(
    image: bytes, block_map: bytes, names: tuple[str, str] = ("r.img", "r.img.bmap")
) -> list[object]:
    example = emmc(
        DISK.format(names[0]), files={names[0]: lambda: image, names[1]: lambda: block_map}
    )
    outcome = audit.run(subject_of(example), only=of("block_map"))
    return [finding.values["what"] for finding in outcome.findings]


SPARSE = struct.pack("<IHHHHIIII", 0xED26FF3A, 1, 0, 28, 12, BLOCK, 4, 3, 0) + b"".join(
    (
        struct.pack("<HHII", 0xCAC1, 0, 1, 12 + BLOCK) + DATA,
        struct.pack("<HHII", 0xCAC3, 0, 2, 12),
        struct.pack("<HHII", 0xCAC1, 0, 1, 12 + BLOCK) + DATA,
    )
)


def test_an_image_is_held_against_the_map_beside_it() -> None:
    whole = IMAGE[: 4 * BLOCK]
    right = _map(whole, (0, 0), (3, 3))
    assert told(whole, right) == []
    for names in (("r.img.gz", "r.img.bmap"), ("r.img.gz", "r.img.gz.bmap"), ("r.wic", "r.bmap")):
        packed = gzip.compress(whole, mtime=0) if names[0].endswith("gz") else whole
        assert told(packed, right, names) == []
    assert told(SPARSE, right) == []
    assert told(whole[:-BLOCK], right) == ["it is for 16,384 bytes, the image has 12,288"]
    changed = whole[:100] + b"x" + whole[101:]
    assert told(changed, right) == ["blocks 0 to 0 have another checksum"]
    assert told(changed[:-1] + b"x", right) == ["blocks 0 to 0 have another checksum, and 1 more"]
    added = whole[: BLOCK + 7] + b"x" + whole[BLOCK + 8 :]
    assert told(added, right) == ["the data at 0x1007 are in none of its ranges"]
    assert told(whole, right.replace(b"2.0", b"2.1")) == ["its checksum of itself does not match"]
    assert told(whole, right[:-9]) == ["the block map has no end </bmap>: it is cut (at 0x215)"]


def test_the_last_block_may_be_a_part_of_one() -> None:
    data = _map(IMAGE, (0, 0), (3, 4)).replace(b"<BlocksCount> 4 ", b"<BlocksCount> 5 ")
    facts = read(data)
    assert facts.flaws == ()
    assert [span.end for span, _ in facts.spans()] == [BLOCK, len(IMAGE)]
    assert rule.DIFFERS.name == "block-map-of-another-image"

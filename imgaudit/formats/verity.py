"""dm-verity: the superblock before a tree of hashes, and the tree held against its root hash.

Source: cryptsetup's wiki page DMVerity (superblock of version 1); Linux
Documentation/admin-guide/device-mapper/verity.rst for the tree.
"""

from __future__ import annotations

import hashlib
import uuid
from typing import ClassVar

from imgaudit.data import dataclass
from imgaudit.errors import FormatError
from imgaudit.formats.facts import Facts, Match, Reader, head_only
from imgaudit.formats.view import View
from imgaudit.units import human

MAGIC = b"verity\0\0"
_MIN_BLOCK, _MAX_BLOCK = 512, 512 << 10


@dataclass(frozen=True, kw_only=True)
class Verity(Facts):
    """A superblock; `length` reaches to the end of the tree."""

    format: ClassVar[str] = "verity"

    hash_type: int
    uuid: str
    algorithm: str
    data_block: int
    hash_block: int
    data_blocks: int
    salt: bytes
    levels: tuple[int, ...]

    @property
    def data_size(self) -> int:
        """Bytes of data that the tree protects."""
        return self.data_block * self.data_blocks

    def summary(self) -> str:
        """Give the algorithm and how much it protects."""
        return f"{self.algorithm} over {human(self.data_size)}"


def _match(view: View) -> Match:
    return Match.SURE if view.upto(0, 12) == MAGIC + b"\1\0\0\0" else Match.NO


def _power_of_two(value: int) -> bool:
    return value & (value - 1) == 0 and _MIN_BLOCK <= value <= _MAX_BLOCK


def _digest_size(algorithm: str) -> int | None:
    try:
        return hashlib.new(algorithm, usedforsecurity=False).digest_size or None
    except ValueError:
        return None


def _read(view: View) -> Verity:
    if view.bytes(0, 8) != MAGIC:
        raise FormatError(0, "no verity superblock")
    version, kind = view.unpack("<II", 8)
    if version != 1 or kind > 1:
        raise FormatError(8, f"version {version} with hashes of type {kind}")
    algorithm = view.bytes(32, 32).split(b"\0")[0].decode("ascii", "backslashreplace")
    data_block, hash_block, blocks, salted = view.unpack("<IIQH", 64)
    if not (_power_of_two(data_block) and _power_of_two(hash_block)) or salted > 256:
        raise FormatError(
            64, f"blocks of {data_block:,} and {hash_block:,}, salt of {salted:,} bytes"
        )
    size = _digest_size(algorithm)
    levels = _levels(blocks, hash_block, size) if size else ()
    return Verity(
        length=hash_block * (1 + sum(levels)) if size else None,
        offsets={"algorithm": 32, "data_blocks": 72, "salt": 88},
        hash_type=kind,
        uuid=str(uuid.UUID(bytes=view.bytes(16, 16))),
        algorithm=algorithm,
        data_block=data_block,
        hash_block=hash_block,
        data_blocks=blocks,
        salt=view.bytes(88, salted),
        levels=levels,
    )


def _levels(blocks: int, hash_block: int, size: int) -> tuple[int, ...]:
    """Give the blocks of each level of the tree, the root's first; none over a single block."""
    width = 1 << (size - 1).bit_length()
    each = hash_block // width
    levels: list[int] = []
    while blocks > 1:
        blocks = -(-blocks // each)
        levels.insert(0, blocks)
    return tuple(levels)


def verity(
    kind: int, algorithm: str, sizes: tuple[int, int], blocks: int, salt: bytes
) -> Verity | None:
    """Describe a tree without a superblock; None for one that cannot be followed.

    `sizes` are those of a block of data and of hashes.
    """
    size = _digest_size(algorithm)
    data_block, hash_block = sizes
    if not (_power_of_two(data_block) and _power_of_two(hash_block) and size) or kind > 1:
        return None
    levels = _levels(blocks, hash_block, size)
    return Verity(
        length=hash_block * sum(levels),
        offsets={},
        hash_type=kind,
        uuid="",
        algorithm=algorithm,
        data_block=data_block,
        hash_block=hash_block,
        data_blocks=blocks,
        salt=salt,
        levels=levels,
    )


def verify(
    facts: Verity, tree: View, data: View, root: bytes, start: int | None = None
) -> int | None:
    """Hold a tree and the data against the root hash.

    Args:
        facts: the superblock, or what stands for one.
        tree: what holds the hashes.
        data: what they protect.
        root: the root hash.
        start: the offset of the hashes in `tree`; unless given, the block after a superblock.

    Returns:
        None where all agrees; else the offset of the first wrong block, in the data where the
        tree itself is good, else in the tree, as a negative number less one.

    Raises:
        FormatError: either ends early.

    """
    width = 1 << (len(root) - 1).bit_length()
    wanted = [root]
    at = facts.hash_block if start is None else start
    for count in facts.levels:
        following: list[bytes] = []
        for number in range(count):
            block = tree.bytes(at, facts.hash_block)
            if _hash(facts, block) != wanted[number]:
                return -at - 1
            each = range(0, len(block) // width * width, width)
            following += [block[place : place + len(root)] for place in each]
            at += facts.hash_block
        wanted = following
    for number in range(facts.data_blocks):
        place = number * facts.data_block
        if _hash(facts, data.bytes(place, facts.data_block)) != wanted[number]:
            return place
    return None


def _hash(facts: Verity, block: bytes) -> bytes:
    salted = facts.salt + block if facts.hash_type else block + facts.salt
    return hashlib.new(facts.algorithm, salted, usedforsecurity=False).digest()


READER = Reader(
    name="verity",
    title="dm-verity hash tree",
    source="cryptsetup wiki, DMVerity",
    match=_match,
    read=_read,
    windows=head_only,
)

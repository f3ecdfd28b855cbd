"""A directory's index in ext3 and ext4: each block once, and in it the names of its hashes only.

Source: Linux Documentation/filesystems/ext4/directory.rst, "Hash Tree Directories"; what counts as
damage: e2fsck of e2fsprogs.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import field
from typing import NamedTuple

from imgaudit.data import dataclass
from imgaudit.formats.ext_hash import hashes

_LAST = 0xFFFFFFFF


class Branch(NamedTuple):
    """An entry of a node: from which hash on, in which block of the directory."""

    hash: int
    block: int


@dataclass(slots=True)
class Index:
    """What is gathered of one directory: nodes and names by the number of their block."""

    seed: tuple[int, ...]
    unsigned: bool
    version: int = 0
    levels: int = 0
    nodes: dict[int, list[Branch]] = field(default_factory=dict)
    names: list[tuple[int, bytes]] = field(default_factory=list)

    def wrong(self, blocks: int) -> Iterator[tuple[int, str]]:
        """Give each block that does not suit the index, of `blocks` in all, and why."""
        ranges: dict[int, tuple[int, int]] = {}
        todo = [(0, 0, 0, _LAST)]
        seen = {0}
        while todo:
            block, level, low, high = todo.pop()
            branches = self.nodes.get(block)
            if branches is None:
                yield block, "is no node of the index, which has one there"
                continue
            ends = [branch.hash for branch in branches[1:]] + [high]
            for number, (branch, end) in enumerate(zip(branches, ends, strict=True)):
                start = branch.hash if number else low
                if branch.block in seen:
                    yield branch.block, "is in the index twice"
                    continue
                seen.add(branch.block)
                if level < self.levels:
                    todo.append((branch.block, level + 1, start, end))
                else:
                    ranges[branch.block] = start & ~1, end
        yield from ((block, "is not in the index") for block in range(blocks) if block not in seen)
        yield from self._misplaced(ranges)

    def _misplaced(self, ranges: dict[int, tuple[int, int]]) -> Iterator[tuple[int, str]]:
        names = [name for _, name in self.names]
        values = hashes(names, self.version, self.seed, signed=not self.unsigned)
        told = set()
        for (block, _), value in zip(self.names, values, strict=True):
            low, high = ranges.get(block, (0, _LAST))
            # Names of one hash may go on in the next block.
            if not low <= value <= high and block not in told:
                told.add(block)
                yield block, "has a name that the index has elsewhere"

"""Random updates of a small board: the merged walk against every state of every erase block.

The other side knows nothing of the walk over updates. It writes old and new bytes block by block,
tears each block in three ways, saves the environment byte by byte as U-Boot does (env/sf.c), and
asks of each build that comes of it what starts. Where that comes from a region that is neither old
nor new, nothing does: what notices a tear refuses it, and here nothing ends a crash.
"""

from __future__ import annotations

import functools
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from hypothesis import given, settings
from hypothesis import strategies as st

from imgaudit.contents.build import MemoryStore
from imgaudit.contents.reader import Loader
from imgaudit.layout.load import parse
from imgaudit.rules.samples import arm64_kernel, board_tree, fit, image, kernel
from imgaudit.rules.subject import Subject, gather
from imgaudit.units import KIB
from imgaudit.writers.cpio import cpio
from imgaudit.writers.elf import program
from imgaudit.writers.env import environment
from imgaudit.writers.fdt import Tree
from imgaudit.writers.tree import file

_BLOCK = 4 * KIB
_ENV = 2 * KIB
_BLOCKS = 4  # of each system
_LAYOUT = """\
layout: 1
board: dunlin
arch: arm64
chips:
  nor: {kind: spi-nor, size: 64 KiB, erase-block: 4 KiB}
regions:
  - {name: env, chip: nor, at: 0, size: 4 KiB, holds: uboot-env, writer: runtime, file: env,
     env: {size: 2 KiB%s}}
%s  - {name: one, chip: nor, at: 16 KiB, size: 16 KiB, holds: fit, writer: release, file: one}
  - {name: two, chip: nor, at: 32 KiB, size: 16 KiB, holds: fit, writer: release, file: two}
stages:
  one: {regions: [env%s, one], entry: one, ramdisk: one}
  two: {regions: [env%s, two], entry: two, ramdisk: two}
updates:
  field: {by: one, steps: [%s]}
"""
_COPY = """\
  - {name: copy, chip: nor, at: 4 KiB, size: 4 KiB, holds: uboot-env, writer: runtime, file: copy,
     env: {size: 2 KiB, copy: env}}
"""
_READ = "sf probe && sf read 0x88000000 {:#x} 0x4000 && bootm 0x88000000"
_SCRIPTS = {"one": _READ.format(16 * KIB), "two": _READ.format(32 * KIB)}
_BOOTCMDS = (
    "run one || run two",
    "run two || run one",
    "run one",
    "if test ${pick} = b; then run two; else run one; fi",
    "if test ${pick} = b; then run two || run one; else run one || run two; fi",
)


@functools.cache
def _system(fill: int, *, summed: bool) -> bytes:
    """Write a FIT that starts, of four erase blocks; `fill` tells two releases apart."""
    bare: Tree = {} if summed else {"hash-1": ()}
    tree: Tree = {"type": "flat_dt", **bare}
    root = {"init": file(program(), 0o755), "release": file(bytes([fill]).hex())}
    code = arm64_kernel(KIB)[:-1] + bytes([fill])
    data = fit(
        {
            "kernel": kernel(bare, payload=code + bytes([fill]) * (12 * KIB)),
            "fdt": image(tree, payload=board_tree()),
            "ramdisk": image(bare, payload=cpio(root, fill)),
        },
        configurations={"conf": {"kernel": "kernel", "fdt": "fdt", "ramdisk": "ramdisk"}},
    )
    assert (_BLOCKS - 1) * _BLOCK < len(data) < _BLOCKS * _BLOCK
    return data


@dataclass(frozen=True)
class Board:
    """A board of two systems, and an update of it."""

    bootcmd: str
    pair: bool
    summed: tuple[bool, bool]
    steps: tuple[str, ...]

    @property
    def layout(self) -> str:
        copy = ", copy: copy" if self.pair else ""
        also = ", copy" if self.pair else ""
        regions = _COPY if self.pair else ""
        return _LAYOUT % (copy, regions, also, also, ", ".join(self.steps))

    def system(self, name: str, *, new: bool) -> bytes:
        return _system(0x22 if new else 0x11, summed=self.summed[name == "two"])

    def variables(self, changes: Mapping[str, str]) -> dict[str, str]:
        return {"bootcmd": self.bootcmd, "pick": "a", **_SCRIPTS, **changes}

    def stored(self, changes: Mapping[str, str], flag: int) -> bytes:
        return environment(self.variables(changes), _ENV, flag if self.pair else None)


def read(board: Board, files: Mapping[str, bytes]) -> Subject:
    made = {name: functools.partial(bytes, data) for name, data in files.items()}
    with Loader() as loader:
        return gather(parse(board.layout.encode(), "dunlin.yaml"), MemoryStore(made, loader))


@dataclass
class Brute:
    """The board's bytes, changed as the update changes them."""

    board: Board
    files: dict[str, bytes] = field(default_factory=dict)
    changes: dict[str, str] = field(default_factory=dict)
    current: int = 0
    known: dict[tuple[bytes, ...], tuple[str, ...] | None] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for name in ("one", "two"):
            self.files[name] = self.board.system(name, new=False)
        self.files["env"] = self.board.stored({}, 1)
        if self.board.pair:
            self.files["copy"] = self.board.stored({}, 0)

    def starts(self) -> tuple[str, ...] | None:
        """Say what starts from the bytes as they are now."""
        key = tuple(data for _, data in sorted(self.files.items()))
        if key not in self.known:
            subject = read(self.board, self.files)
            first = subject.losses[0] if subject.losses else None
            names = None if first is None else first.starts
            if names is not None:
                names = tuple(name for name in names if self.whole(name))
            self.known[key] = names
        return self.known[key]

    def whole(self, name: str) -> bool:
        size = len(self.files[name])
        sound = (self.board.system(name, new=new) for new in (False, True))
        return any(self.files[name] == data[:size] for data in sound)

    def during(self, step: str) -> Iterator[tuple[str, ...] | None]:
        """Carry a step out; say what would start at each moment of it."""
        verb, _, what = step.strip("{}").partition(": ")
        if verb == "set":
            name, _, value = what.strip("{}").partition(": ")
            yield from self.save({**self.changes, name: value})
            return
        new = self.board.system(what, new=True)
        if verb == "erase":
            new = b"\xff" * len(new)
        data = bytearray(self.files[what])
        for start in range(0, len(new), _BLOCK):
            old, goal = bytes(data[start : start + _BLOCK]), new[start : start + _BLOCK]
            for torn in _tears(old, goal):
                data[start : start + _BLOCK] = torn
                self.files[what] = bytes(data)
                yield self.starts()
            data[start : start + _BLOCK] = goal
        self.files[what] = new

    def save(self, changes: dict[str, str]) -> Iterator[tuple[str, ...] | None]:
        """Save the environment as env_sf_save does."""
        names = ("env", "copy") if self.board.pair else ("env",)
        target = names[1 - self.current] if self.board.pair else "env"
        new = self.board.stored(changes, 1)
        for torn in (b"\xff" * _ENV, new[: _ENV // 100] + b"\xff" * (_ENV - _ENV // 100)):
            self.files[target] = torn
            yield self.starts()
        self.files[target] = new
        if self.board.pair:
            yield self.starts()  # both are active
            self.files[names[self.current]] = self.board.stored(self.changes, 0)
            self.current = 1 - self.current
        self.changes = changes
        yield self.starts()


def _tears(old: bytes, new: bytes) -> Iterator[bytes]:
    """Give a block as a cut can leave it: erased, half written, or read one way and another."""
    half = len(new) // 2
    yield b"\xff" * len(new)
    yield new[:half] + b"\xff" * (len(new) - half)
    middle = len(old) // 2
    yield (
        old[:middle] + bytes(byte ^ 0x40 for byte in old[middle : middle + 16]) + old[middle + 16 :]
    )


_STEPS = st.sampled_from(
    (
        "{write: one}",
        "{write: two}",
        "{set: {pick: b}}",
        "{set: {pick: a}}",
        "{set: {bootcmd: run two}}",
        "{set: {bootcmd: run one || run two}}",
        "{erase: two}",
    )
)
BOARDS = st.builds(
    Board,
    bootcmd=st.sampled_from(_BOOTCMDS),
    pair=st.booleans(),
    summed=st.tuples(st.booleans(), st.booleans()),
    steps=st.lists(_STEPS, min_size=1, max_size=3).map(tuple),
)


@given(BOARDS)
@settings(max_examples=settings().max_examples // 5)
def test_the_merged_walk_says_what_every_state_says(board: Board) -> None:
    brute = Brute(board)
    (walked,) = read(board, {**brute.files, "one": board.system("one", new=True)}).updates
    for number, step in enumerate(board.steps, 1):
        seen = set(brute.during(step))
        cuts = [cut for cut in walked.cuts if cut.number == number]
        names = {name for cut in cuts for name in cut.starts or ()}
        assert names == {name for one in seen for name in one or ()}, (step, seen, cuts)
        assert any(cut.fails for cut in cuts) is (() in seen), (step, seen, cuts)
        assert any(cut.starts is None for cut in cuts) is (None in seen), (step, seen, cuts)

"""From a build to its boots: U-Boot's environment, what its scripts do, and the RAM at each start.

Source: U-Boot env/common.c (`env_load`, `env_import`: a stored environment replaces the one that is
compiled in, unless CONFIG_ENV_APPEND keeps what it does not name).
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace

from imgaudit import bounds
from imgaudit.boot.board import Board, Source
from imgaudit.boot.found import Boots, Followed, Origin, Start, Variable
from imgaudit.boot.images import Given, Piece, UnknownError, images, pieces
from imgaudit.boot.rammap import Command, Ram, plan, relocated
from imgaudit.boot.records import Boot, Operation, Walk, World
from imgaudit.boot.walk import entries, walk
from imgaudit.contents.build import Build
from imgaudit.data import dataclass
from imgaudit.formats.environment import imported
from imgaudit.formats.fdt import FdtFacts
from imgaudit.formats.uboot_env import UbootEnv
from imgaudit.maps.collect import Copies, Copy, Environment
from imgaudit.maps.uboot_config import Kconfig
from imgaudit.model import Layout, Stage
from imgaudit.patterns import regex
from imgaudit.units import Span

__all__ = ["Boots", "Followed", "Origin", "Piece", "Source", "Start", "Variable", "boots_of"]

MAX_WAYS = 8
"""Combinations of buffers that are tried for one boot command."""
MAX_PROCEDURES = 16
"""Scripts followed that only an operator runs."""
_WRITES = regex(
    r"\b(?:(?:sf|nand|mtd|mmc|usb|scsi|sata|nvme|virtio)\s+(?:erase|swrite|update|write)"
    r"|ubi\s+(?:create|remove|rename|write)|(?:gpt|mbr)\s+write|gzwrite|(?:fat|ext4)write)\b"
)


def boots_of(build: Build, copies: Copies) -> Boots:
    """Follow every entry of a build."""
    layout = build.layout
    if layout is None:
        return Boots()
    if not build.given:
        return Boots(why="no artifacts were given")
    taken = next((copy for copy in copies.environments if copy.says.taken), None)
    if taken is None:
        return Boots(why="no environment was found: neither a valid stored one nor one compiled in")
    config = copies.uboot_config.says.config if copies.uboot_config is not None else None
    variables = variables_of(build, copies, taken)
    board = Board(build, layout, {name: item.value for name, item in variables.items()})
    world = world_of(board, copies)
    trees = tuple(copy.says for copy in copies.device_trees)
    following = _Following(layout, board, variables, world, trees, config)
    followed = following.all()
    return Boots(
        why="",
        variables=variables,
        place=taken.place,
        environment=taken.says,
        stored=taken.says.stored,
        followed=following.placed(followed),
        board=board,
        options=copies.options,
    )


def world_of(board: Board, copies: Copies) -> World:
    """Describe what is known around the scripts of a build."""
    config = copies.uboot_config.says.config if copies.uboot_config is not None else None
    world = board.world(
        modern_shell=config is not None and config.enabled("HUSH_MODERN_PARSER"),
        default=_compiled(copies) or None,
    )
    return replace(world, options=copies.options)


def variables_of(build: Build, copies: Copies, taken: Copy[Environment]) -> dict[str, Variable]:
    """Give the variables that U-Boot starts with if it takes this copy of its environment."""
    config = copies.uboot_config.says.config if copies.uboot_config is not None else None
    variables: dict[str, Variable] = {}
    if taken.says.stored:
        image = any(node.artifact.path == taken.place.artifact for node in build.of(UbootEnv))
        # The source text of an environment is compiled in together with U-Boot's own variables.
        if not image or (config is not None and config.enabled("ENV_APPEND")):
            compiled = _compiled(copies)
            variables = {name: Variable(text, Origin.DEFAULT) for name, text in compiled.items()}
    origin = Origin.STORED if taken.says.stored else Origin.DEFAULT
    for name, text in _imported(taken.says).items():
        variables[name] = Variable(text, origin)
    stages = build.layout.stages.values() if build.layout is not None else ()
    own = {name: text for stage in stages for name, text in stage.variables.items()}
    return variables | {name: Variable(text, Origin.LAYOUT) for name, text in own.items()}


def position(environment: Environment, name: str, at: int) -> int | None:
    """Give the byte in which a place of a variable's value stands, as Environment.offsets does.

    None for what no artifact has, such as a value that a script made.
    """
    start, stored = environment.offsets.get(name), environment.variables.get(name, "")
    if start is None:
        return None
    index = 0
    for _ in range(at):
        # U-Boot drops a backslash and keeps what it precedes
        index += 2 if stored[index : index + 1] == "\\" else 1
    return start + len(stored[:index].encode()) if index <= len(stored) else None


def _compiled(copies: Copies) -> dict[str, str]:
    default = next((copy for copy in copies.environments if not copy.says.stored), None)
    return {} if default is None else _imported(default.says)


def _imported(environment: Environment) -> dict[str, str]:
    """Give the variables as U-Boot keeps them; an empty value is none."""
    return {name: imported(value) for name, value in environment.variables.items() if value}


def _reserved(layout: Layout, trees: Iterable[FdtFacts]) -> list[tuple[str, Span]]:
    """Give the reserved memory of the layout and of device trees, each range once."""
    found = {area.span: area.name for area in layout.reserved}
    for tree in trees:
        for name, span in _in_tree(tree):
            found.setdefault(span, name)
    return [(name, span) for span, name in sorted(found.items()) if span.size]


def _given(start: Start) -> FdtFacts | None:
    """Give the device tree that a start takes, as far as it is known."""
    for piece in start.pieces:
        facts = piece.content.unwrapped().facts if piece.content is not None else None
        if piece.role == "fdt" and isinstance(facts, FdtFacts):
            return facts
    return None


def _in_tree(tree: FdtFacts) -> Iterator[tuple[str, Span]]:
    for area in tree.reserved:
        if area.base is not None and area.enabled:
            yield area.path.rpartition("/")[2].partition("@")[0], Span.sized(area.base, area.size)
    for entry in tree.reservations:
        yield "memory reservation", Span.sized(entry.address, entry.size)


@dataclass(frozen=True, slots=True)
class _Following:
    layout: Layout
    board: Board
    variables: Mapping[str, Variable]
    world: World
    trees: tuple[FdtFacts, ...]
    config: Kconfig | None

    def all(self) -> dict[str, Followed]:
        """Follow what stages and U-Boot itself run, then the scripts that write to flash."""
        values = {name: item.value for name, item in self.variables.items()}
        stages = {stage.entry: stage for stage in self.layout.stages.values() if stage.entry}
        homes = {
            self.layout.region(stage.ramdisk).chip
            for stage in self.layout.stages.values()
            if stage.ramdisk is not None
        }
        found = {}
        for name in dict.fromkeys((*stages, *entries(values))):
            found[name] = self.follow(name, values, stages.get(name), homes)
        run = {op.variable for each in found.values() for op in each.walk.operations}
        for name, value in values.items():
            if name not in run and _WRITES.search(value):
                if len(found) >= MAX_PROCEDURES:
                    why = f"of scripts that write {MAX_PROCEDURES} are followed, and not this one"
                    bounds.left_out(f"script {name}", why)
                    break
                by_hand = self.follow(name, values, None, set())
                found[name] = replace(by_hand, by_hand=True)
                run |= {op.variable for op in by_hand.walk.operations}
        return found

    def follow(
        self, entry: str, values: Mapping[str, str], stage: Stage | None, homes: set[str]
    ) -> Followed:
        world = replace(self.world, variables=dict(stage.variables) if stage is not None else {})
        done = walk(values, entry, world)
        alone = {}
        for chip in homes:
            others = self.board.others(chip)
            if others:
                alone[chip] = walk(values, entry, replace(world, dead=others))
        starts = tuple(start for boot in done.boots for start in self.starts(boot, done))
        return Followed(entry=entry, stage=stage, walk=done, alone=alone, starts=starts)

    def starts(self, boot: Boot, done: Walk) -> Iterator[Start]:
        """Give each way to a boot: a part may be there by one of several operations."""
        fillers = {part: found for part, found in boot.loaded.items() if found}
        ways: Iterable[tuple[int, ...]] = itertools.product(*fillers.values())
        if boot.command.partition(" ")[0] not in set(Command):
            # Nobody knows where it puts things, whatever filled it.
            ways = itertools.islice(ways, 1)
        for way in bounds.within(ways, MAX_WAYS, boot.command, "ways to what it starts"):
            chosen = {
                part: done.operations[index] for part, index in zip(fillers, way, strict=True)
            }
            yield self.start(boot, chosen)

    def start(self, boot: Boot, chosen: Mapping[str, Operation]) -> Start:
        order = sorted({op.index: op for op in chosen.values()}.items())
        given = Given(
            boot=boot,
            operations=[operation for _, operation in order],
            loaded={part: (op, self.board.source(op)) for part, op in chosen.items()},
        )
        parts: tuple[Piece, ...] = ()
        gaps: list[str] = []
        try:
            parts = pieces(given, gaps)
            numbers = images(given, parts)
        except UnknownError as problem:
            return Start(boot=boot, buffers=chosen, pieces=parts, why=str(problem))
        if not self.layout.banks:
            return Start(boot=boot, buffers=chosen, pieces=parts, why="the layout has no ram:")
        why = "; ".join(gaps)
        return Start(boot=boot, buffers=chosen, pieces=parts, images=numbers, why=why)

    def placed(self, followed: Mapping[str, Followed]) -> dict[str, Followed]:
        """Say where in RAM each start puts things.

        U-Boot reserves what its own tree and the one that it starts with reserve, and so does the
        kernel: what another start's tree says is no law here.
        Source: U-Boot boot/image-fdt.c, boot_fdt_add_mem_rsv_regions; lib/lmb.c.
        """
        given = [_given(start) for each in followed.values() for start in each.starts]
        started = [tree for tree in given if tree is not None]
        others = [tree for tree in self.trees if tree not in started]

        def at(start: Start) -> Start:
            if start.images is None:
                return start
            own = _given(start)
            trees = self.trees if own is None else (own, *others)
            return replace(start, map=plan(start.images, self.ram(_reserved(self.layout, trees))))

        return {
            name: replace(each, starts=tuple(map(at, each.starts)))
            for name, each in followed.items()
        }

    def ram(self, reserved: list[tuple[str, Span]]) -> Ram:
        """Describe the RAM; U-Boot moves itself below what is reserved at the top of a bank."""
        banks = [bank.span for bank in self.layout.banks]
        top = banks[0].end
        for _, span in sorted(reserved, key=lambda item: item[1], reverse=True):
            if banks[0].start < span.start < top <= span.end:
                top = span.start
        heap = self.config.number("SYS_MALLOC_LEN") if self.config is not None else None
        usable = Span(banks[0].start, top)
        loader = relocated(usable) if heap is None else relocated(usable, heap=heap)
        return Ram(
            banks=banks,
            reserved=reserved,
            loader=loader,
            bits=self.board.bits,
        )

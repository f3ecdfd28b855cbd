"""Where everything lies in RAM while a kernel is started, and what would be overwritten.

The inputs are plain numbers; the rules are those of U-Boot's boot commands:
Linux Documentation/arch/arm64/booting.rst and Documentation/arch/arm/booting.rst, U-Boot
doc/usage/cmd/booti.rst, bootz.rst and doc/usage/environment.rst (fdt_high, initrd_high,
bootm_size), boot/bootm.c, boot/image-board.c, boot/image-fdt.c, cmd/booti.c.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from dataclasses import replace
from enum import StrEnum

from imgaudit.boot.ranges import FIXED, Overlap, Range, RangeKind
from imgaudit.data import dataclass
from imgaudit.units import KIB, MIB, Span, joined, round_down, round_up

__all__ = [
    "Command",
    "Images",
    "Kernel",
    "Loaded",
    "Overlap",
    "Ram",
    "RamMap",
    "Range",
    "RangeKind",
    "booti_place",
    "bootm_too_large",
    "initrd_window",
    "outside",
    "overlaps",
    "plan",
    "relocated",
]

FDT_PADDING = 0x3000
"""CONFIG_SYS_FDT_PAD: room that U-Boot adds behind a device tree (boot/image-fdt.c)."""
PAGE = 0x1000
"""Alignment of what U-Boot relocates (lmb_alloc_base in boot/image-board.c)."""
ARM64_ALIGN = 2 * MIB
"""Alignment of an arm64 kernel's base (booting.rst, "Call the kernel image")."""
ARM64_OLD_SIZE = 16 * MIB
"""Taken where the header has no image_size (arch/arm/lib/image.c)."""
ARM64_OLD_OFFSET = 0x80000
"""Taken as text_offset where the header has no image_size (booting.rst)."""
ARM_TEXT_OFFSET = 0x8000
"""Where an arm kernel unpacks itself, from a 128 MiB boundary (arm/boot/compressed/head.S)."""
ARM_BOUNDARY = 128 * MIB
ARM_GROWTH = 4
"""Guess for an arm kernel whose unpacked size is not known: common practice, no source."""
COMP_FACTOR = 10
"""booti unpacks at most ten times kernel_comp_size (cmd/booti.c)."""
BOOT_LOADER = 16 * MIB
"""Guess for U-Boot with its stack and tables, without its heap: common practice, no source."""


class Command(StrEnum):
    """The boot commands whose rules are known."""

    BOOTI = "booti"
    BOOTZ = "bootz"
    BOOTM = "bootm"


@dataclass(frozen=True, slots=True, kw_only=True)
class Kernel:
    """A kernel in RAM before it is started; sizes in bytes.

    `at` and `file_size` are the kernel's own bytes (inside a container: where they are in it).
    `image_size`, `text_offset` and `anywhere` (flags bit 3) come from an arm64 header, of the
    unpacked kernel. `unpacked_size` is the size after unpacking, for a compressed kernel and for a
    zImage. `load` is the address that a uImage or FIT names. `zimage`: it unpacks itself.
    """

    at: int
    file_size: int
    compressed: bool = False
    unpacked_size: int | None = None
    image_size: int | None = None
    text_offset: int = 0
    anywhere: bool = True
    load: int | None = None
    zimage: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Loaded:
    """A file or a raw read in RAM; `name` and `step` are for reports."""

    name: str
    span: Span
    step: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Images:
    """What a boot command is given.

    `loads` are all buffers, in order. `fdt` and `ramdisk` are the bytes that the command uses;
    `fdt_load` and `ramdisk_load` are addresses that a FIT names for them. The rest are variables.
    """

    command: Command
    kernel: Kernel
    loads: Sequence[Loaded] = ()
    fdt: Span | None = None
    fdt_load: int | None = None
    ramdisk: Span | None = None
    ramdisk_load: int | None = None
    kernel_comp_addr_r: int | None = None
    kernel_comp_size: int | None = None
    fdt_high: int | None = None
    initrd_high: int | None = None
    bootm_low: int | None = None
    bootm_size: int | None = None
    bootm_mapsize: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Ram:
    """The board's RAM: `banks` in order, `reserved` by name, and U-Boot's own memory at its top."""

    banks: Sequence[Span]
    reserved: Sequence[tuple[str, Span]] = ()
    loader: Span | None = None
    bits: int = 64


@dataclass(frozen=True, slots=True, kw_only=True)
class RamMap:
    """The ranges in order of time, the steps that they count, and what found no place."""

    ranges: tuple[Range, ...]
    steps: tuple[str, ...]
    unplaced: tuple[str, ...] = ()

    @property
    def start(self) -> int:
        """The number of the step at which the kernel starts."""
        return len(self.steps) - 1

    def at(self, step: int) -> tuple[Range, ...]:
        """Give what is needed at one step, in order of address."""
        there = (each for each in self.ranges if each.since <= step < each.until)
        return tuple(sorted(there, key=lambda each: (each.span.start, each.span.end)))


def relocated(bank: Span, *, heap: int = 32 * MIB, rest: int = BOOT_LOADER) -> Span:
    """Guess U-Boot's own memory at the top of RAM (common/board_f.c; exact numbers: `bdinfo`)."""
    return Span(max(bank.start, bank.end - heap - rest), bank.end)


def overlaps(ranges: Iterable[Range]) -> list[Overlap]:
    """Find ranges that are needed at the same time and share bytes, in order of address.

    Touching is not overlapping; two that are fixed (reserved memory, U-Boot) are not compared.
    """
    found = []
    fixed: list[Range] = []
    moving: list[Range] = []
    for each in sorted(ranges, key=lambda one: (one.span.start, one.span.end)):
        moving = [other for other in moving if other.span.end > each.span.start]
        if each.kind in FIXED:
            # Two of them are nobody's mistake, and a tree may reserve thousands.
            near = moving
            fixed.append(each)
        else:
            fixed = [other for other in fixed if other.span.end > each.span.start]
            near = [*fixed, *moving]
            moving.append(each)
        for other in near:
            if other is not each and max(each.since, other.since) < min(each.until, other.until):
                common = each.span.common(other.span)
                if common.size:
                    first, second = sorted((other, each), key=lambda one: one.since)
                    found.append(Overlap(first, second, common))
    return found


def outside(ranges: Iterable[Range], banks: Sequence[Span]) -> list[Range]:
    """Find ranges that are not wholly in RAM; banks that touch count as one."""
    whole = joined(banks)
    return [each for each in ranges if not any(bank.contains(each.span) for bank in whole)]


def comp_size_short(given: int, packed: int, unpacked: int | None) -> str:
    """Say what booti cannot unpack with a `kernel_comp_size`; empty where it is enough.

    It reads that many bytes and writes ten times as many (U-Boot cmd/booti.c, booti_start).
    """
    if given < packed:
        return f"kernel_comp_size is {given:,} bytes, and the packed kernel has {packed:,}"
    if unpacked is not None and unpacked > given * COMP_FACTOR:
        room = given * COMP_FACTOR
        return (
            f"with kernel_comp_size booti unpacks {room:,} bytes, and the kernel has {unpacked:,}"
        )
    return ""


def booti_place(kernel: Kernel, ram_base: int, at: int | None = None) -> Span:
    """Say where booti runs a kernel: a 2 MiB boundary plus text_offset (arch/arm/lib/image.c).

    `at` is where the unpacked kernel lies, if not at its own address.
    """
    at = kernel.at if at is None else at
    size, offset = kernel.image_size, kernel.text_offset
    if not size:
        size, offset = ARM64_OLD_SIZE, ARM64_OLD_OFFSET
    base = max(0, at - offset) if kernel.anywhere and kernel.image_size else ram_base
    return Span.sized(round_up(base, ARM64_ALIGN) + offset, size)


def plan(images: Images, ram: Ram) -> RamMap:
    """Work out every range from the first load to the kernel's start."""
    return _Plan(images, ram).build()


class _Plan:
    def __init__(self, images: Images, ram: Ram) -> None:
        self.images = images
        self.ram = ram
        self.steps: list[str] = []
        self.ranges: list[Range] = []
        self.unplaced: list[str] = []
        self.taken: list[Span] = []
        self.ones = (1 << ram.bits) - 1

    def build(self) -> RamMap:
        images, command = self.images, self.images.command
        for loaded in images.loads:
            self.steps.append(loaded.step or f"load {loaded.name}")
        kernel = images.kernel
        named = images.fdt_load is not None or images.ramdisk_load is not None
        prepare = self.step(f"{command} takes the images apart", happens=named)
        unpack = self.step(f"{command} unpacks the kernel", happens=kernel.compressed)
        back = self.step(
            f"{command} copies the unpacked kernel back",
            happens=kernel.compressed and command is Command.BOOTI,
        )
        move = self.step(f"{command} places the kernel")
        copy_ramdisk = self.step(
            f"{command} places the ramdisk", happens=images.ramdisk is not None
        )
        copy_fdt = self.step(f"{command} places the device tree", happens=images.fdt is not None)
        start = self.step("the kernel starts")
        end = start + 1

        kernel_until = self.kernel(unpack, back, move, start, end)
        fdt_from, ramdisk_from = self.named(prepare, copy_fdt, copy_ramdisk)
        self.relocate(copy_ramdisk, copy_fdt, end, ramdisk_from, fdt_from)
        self.loads(kernel_until, copy_ramdisk, copy_fdt, start)
        for name, span in self.ram.reserved:
            self.add(name, span, RangeKind.RESERVED, "reserved", since=0, until=end)
        if self.ram.loader is not None:
            # U-Boot runs until it jumps; the kernel may then use its memory
            own = self.ram.loader
            self.add("U-Boot", own, RangeKind.LOADER, "U-Boot relocates", since=0, until=start)
        ranges = sorted(self.ranges, key=lambda each: (each.since, each.span))
        return RamMap(ranges=tuple(ranges), steps=tuple(self.steps), unplaced=tuple(self.unplaced))

    def step(self, what: str, *, happens: bool = True) -> int:
        """Add a step and give its number; one that does not happen has the number of the next."""
        if happens:
            self.steps.append(what)
        return len(self.steps) - happens

    def add(
        self,
        name: str,
        span: Span,
        kind: RangeKind,
        step: str,
        *,
        since: int,
        until: int,
        exact: bool = True,
    ) -> None:
        if span.size:
            self.ranges.append(
                Range(
                    name=name,
                    span=span,
                    kind=kind,
                    step=step,
                    since=since,
                    until=until,
                    exact=exact,
                )
            )

    def kernel(self, unpack: int, back: int, move: int, start: int, end: int) -> int:
        """Add the kernel's ranges; gives the step from which its loaded bytes are not needed."""
        kernel, command = self.images.kernel, self.images.command
        if command is Command.BOOTZ:
            self.zimage(kernel, start, end)
            return start
        at, until = kernel.at, move
        if kernel.compressed:
            # the compressed bytes are still needed while they are unpacked
            at, until = self.unpacked(kernel, unpack, back, move), unpack + 1
        elif command is Command.BOOTM and kernel.load not in {None, kernel.at}:
            # bootm refuses to move a kernel onto the image that it comes from (boot/bootm.c)
            at, until = kernel.load or 0, move + 1
        if command is Command.BOOTI:
            base = self.ram.banks[0].start if self.ram.banks else 0
            place, exact = booti_place(kernel, base, at), bool(kernel.image_size)
        else:
            size = kernel.unpacked_size if kernel.compressed else kernel.file_size
            exact = size is not None
            size = kernel.file_size * ARM_GROWTH if size is None else size
            place = Span.sized(at, max(size, kernel.image_size or 0))
        self.taken.append(place)
        if command is Command.BOOTM and not kernel.compressed and at == kernel.at:
            # It is started where it lies: only what it clears behind itself is new.
            place = Span(min(at + kernel.file_size, place.end), place.end)
        name = "kernel with its BSS" if kernel.image_size else "kernel"
        step, gone = self.steps[move], end
        if kernel.zimage:
            self.zimage(replace(kernel, at=at), start, end)
            gone = start
        self.add(name, place, RangeKind.KERNEL, step, since=move, until=gone, exact=exact)
        return until

    def unpacked(self, kernel: Kernel, unpack: int, back: int, move: int) -> int:
        """Add where a compressed kernel is unpacked to; gives where it lies afterwards."""
        size = kernel.unpacked_size
        if self.images.command is Command.BOOTI:
            to, limit = self.images.kernel_comp_addr_r, self.images.kernel_comp_size
            if not to or not limit:
                self.unplaced.append("kernel_comp_addr_r or kernel_comp_size is not set")
                return kernel.at
            short = comp_size_short(limit, kernel.file_size, size)
            if short:
                self.unplaced.append(short)
            buffer = Span.sized(to, limit * COMP_FACTOR if size is None else size)
            self.unpacks("unpacking buffer", buffer, unpack, unpack, back)
            if size is not None:
                # cmd/booti.c copies it back over the compressed file
                self.unpacks("unpacked kernel", Span.sized(kernel.at, size), back, back, move)
            return kernel.at
        to = kernel.at if kernel.load is None else kernel.load
        target = Span.sized(to, kernel.file_size * ARM_GROWTH if size is None else size)
        self.unpacks("unpacked kernel", target, unpack, unpack, move)
        return to

    def unpacks(self, name: str, span: Span, step: int, since: int, until: int) -> None:
        exact = self.images.kernel.unpacked_size is not None
        kind, what = RangeKind.UNPACKED, self.steps[step]
        self.add(name, span, kind, what, since=since, until=until, exact=exact)

    def zimage(self, kernel: Kernel, start: int, end: int) -> None:
        """Add what an arm zImage writes when it unpacks itself."""
        size = kernel.image_size or kernel.unpacked_size
        place = Span.sized(
            round_down(kernel.at, ARM_BOUNDARY) + ARM_TEXT_OFFSET,
            size or kernel.file_size * ARM_GROWTH,
        )
        if self.images.command is Command.BOOTZ:
            self.taken.append(Span.sized(kernel.at, kernel.file_size))
        # the zImage moves itself out of the way, so its own bytes may lie there
        self.add(
            "unpacked kernel",
            place,
            RangeKind.KERNEL,
            "the kernel unpacks itself",
            since=start,
            until=end,
            exact=size is not None,
        )

    def named(
        self, prepare: int, copy_fdt: int, copy_ramdisk: int
    ) -> tuple[Span | None, Span | None]:
        """Add where a FIT's load addresses put the device tree and the ramdisk."""
        fdt, ramdisk = self.images.fdt, self.images.ramdisk
        if fdt is not None and self.images.fdt_load is not None:
            fdt = Span.sized(self.images.fdt_load, fdt.size)
            self.add(
                "device tree at its load address",
                fdt,
                RangeKind.FDT,
                self.steps[prepare],
                since=prepare,
                until=copy_fdt,
            )
        if ramdisk is not None and self.images.ramdisk_load is not None:
            ramdisk = Span.sized(self.images.ramdisk_load, ramdisk.size)
            self.add(
                "ramdisk at its load address",
                ramdisk,
                RangeKind.RAMDISK,
                self.steps[prepare],
                since=prepare,
                until=copy_ramdisk,
            )
        return fdt, ramdisk

    def relocate(
        self,
        copy_ramdisk: int,
        copy_fdt: int,
        end: int,
        ramdisk: Span | None,
        fdt: Span | None,
    ) -> None:
        """Add where U-Boot moves the ramdisk and the device tree: high, below what is taken."""
        self.taken += [span for _, span in self.ram.reserved]
        if self.ram.loader is not None:
            self.taken.append(self.ram.loader)
        images, start = self.images, end - 1
        if ramdisk is not None:
            if images.initrd_high == self.ones:
                self.placed("ramdisk", ramdisk, RangeKind.RAMDISK, copy_ramdisk, start)
            else:
                place = self.high(ramdisk.size, images.initrd_high)
                self.placed("ramdisk", place, RangeKind.RAMDISK, copy_ramdisk, copy_ramdisk)
        if fdt is not None:
            name, size = "device tree, padded", fdt.size + FDT_PADDING
            if images.fdt_high == self.ones:
                place = Span.sized(fdt.start, size)
                self.placed(name, place, RangeKind.FDT, copy_fdt, start)
            else:
                place = self.high(size, images.fdt_high)
                self.placed(name, place, RangeKind.FDT, copy_fdt, copy_fdt)

    def placed(self, name: str, place: Span | None, kind: RangeKind, step: int, since: int) -> None:
        """Add where something ends up; used in place, its buffer covers it until the start."""
        if place is None:
            self.unplaced.append(f"no room for the {name}")
            return
        self.taken.append(place)
        self.add(name, place, kind, self.steps[step], since=since, until=len(self.steps))

    def high(self, size: int, limit: int | None) -> Span | None:
        """Allocate as U-Boot does: the highest page-aligned place below the limit that is free."""
        images, banks = self.images, self.ram.banks
        if not banks:
            return None
        low = banks[0].start if images.bootm_low is None else images.bootm_low
        # without bootm_size only the first bank is used (env_get_bootm_size)
        window = banks[0].end - low if images.bootm_size is None else images.bootm_size
        top = low + window
        if limit:
            top = min(top, limit)
        elif limit is None:
            top = min(top, low + (images.bootm_mapsize or window))
        for bank in sorted(banks, reverse=True):
            place = self.below(min(top, bank.end), max(low, bank.start), size)
            if place is not None:
                return place
        return None

    def below(self, top: int, bottom: int, size: int) -> Span | None:
        taken = joined(self.taken)
        at = round_down(top - size, PAGE)
        while at >= bottom:
            below = bisect_left(taken, at + size, key=lambda span: span.start)
            if not below or taken[below - 1].end <= at:
                return Span.sized(at, size)
            at = round_down(taken[below - 1].start - size, PAGE)
        return None

    def loads(self, kernel_until: int, copy_ramdisk: int, copy_fdt: int, start: int) -> None:
        """Add the buffers, each needed until its last part has been taken out of it."""
        needed = [(self.images.kernel.at, kernel_until)]
        if self.images.ramdisk is not None:
            in_place = self.images.initrd_high == self.ones
            needed.append((self.images.ramdisk.start, start if in_place else copy_ramdisk))
        if self.images.fdt is not None:
            in_place = self.images.fdt_high == self.ones
            needed.append((self.images.fdt.start, start if in_place else copy_fdt))
        for number, loaded in enumerate(self.images.loads):
            # what nothing is booted from serves the script alone: one step more
            until = max(
                (step for at, step in needed if loaded.span.holds(at)),
                default=number + 2,
            )
            step = self.steps[number]
            self.add(loaded.name, loaded.span, RangeKind.LOAD, step, since=number, until=until)


def bootm_too_large(unpacked_size: int, bootm_len: int) -> int:
    """Say by how many bytes an unpacked kernel exceeds CONFIG_SYS_BOOTM_LEN; 0 where it fits."""
    return max(0, unpacked_size - bootm_len)


def initrd_window(kernel: Span, ramdisk: Span) -> bool:
    """Tell whether both lie in one 1 GiB-aligned window of 32 GiB (arm64 booting.rst)."""
    gib = KIB * MIB
    low = round_down(min(kernel.start, ramdisk.start), gib)
    return max(kernel.end, ramdisk.end) <= low + 32 * gib

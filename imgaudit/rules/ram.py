"""Where a start puts things in RAM, and what would be overwritten.

The rules are those of `imgaudit.boot.rammap`, which names their sources.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Protocol

from imgaudit.boot.rammap import Command, RamMap, bootm_too_large, initrd_window, outside, overlaps
from imgaudit.boot.ranges import FIXED, Overlap, Range, RangeKind
from imgaudit.boot.stage import Boots, Followed, Start
from imgaudit.model import Region
from imgaudit.rules._boot import RECOVERY, finding, scripted
from imgaudit.rules.cited import PRACTICE, in_linux, in_u_boot, memory, standard
from imgaudit.rules.engine import Case, Cause, Example, Finding, Outcome, Rule, Severity, check
from imgaudit.rules.samples import arm64_kernel, board_tree, fit, image, kernel, packed, zimage
from imgaudit.rules.subject import Subject
from imgaudit.units import MIB
from imgaudit.writers.fdt import Tree

_AT = "0x88000000"


def _packed_fit(load: int) -> bytes:
    """Write a FIT with a kernel that unpacks from a few hundred bytes to 4 MiB."""
    payload = packed(arm64_kernel(4 * MIB, image_size=4 * MIB))
    changes: Tree = {"compression": "gzip", "load": load, "entry": load}
    return fit({"kernel": kernel(changes, payload=payload)})


def _fit_with_tree() -> bytes:
    tree = image({"type": "flat_dt"}, payload=board_tree())
    return fit(
        {"kernel": kernel(), "fdt": tree},
        configurations={"conf": {"kernel": "kernel", "fdt": "fdt"}},
    )


def _starts(boots: Boots) -> Iterator[tuple[Followed, Start, RamMap]]:
    """Give every RAM map once, however many ways lead to it."""
    seen = set()
    for followed in boots.followed.values():
        for start in followed.starts:
            if (
                start.map is not None
                and (key := (start.boot.command, start.map.ranges)) not in seen
            ):
                seen.add(key)
                yield followed, start, start.map


def _region(boots: Boots, start: Start, *ranges: Range) -> Region | None:
    """Give the region that one of the ranges was read from, else the kernel's."""
    wanted = [each.step for each in ranges]
    buffers = sorted(start.buffers.items(), key=lambda item: (item[0] != "kernel", item[0]))
    buffers.sort(key=lambda item: item[1].command not in wanted)
    sources = (boots.source(operation) for _, operation in buffers)
    return next((source.region for source in sources if source is not None), None)


def _hit_values(
    first: str,
    second: str,
    *,
    command: str,
    script: str,
    first_at: int,
    first_end: int,
    second_at: int,
    second_end: int,
    step: str,
    size: int,
    common: int,
) -> None: ...


class _Hit(Protocol):
    """A rule about two ranges of RAM that share bytes."""

    severity: Severity

    def __call__(
        self,
        first: str,
        second: str,
        *,
        command: str,
        script: str,
        first_at: int,
        first_end: int,
        second_at: int,
        second_end: int,
        step: str,
        size: int,
        common: int,
    ) -> Case: ...


def _collisions(subject: Subject, rule: _Hit) -> Iterator[Finding]:
    """Report the overlaps that a rule is about, each pair of ranges once."""
    boots = subject.boots
    seen = set()
    for followed, start, ram in _starts(boots):
        for hit in map(_fixed_first, overlaps(ram.ranges)):
            key = (hit.first.name, hit.second.name, hit.common)
            if _rule_of(hit) is not rule or key in seen:
                continue
            seen.add(key)
            exact = hit.first.exact and hit.second.exact and not _only_room(boots, start, hit)
            guess = rule.severity is Severity.ERROR and not exact
            operation = followed.operation(start.boot)
            script = operation.variable
            # Another way to the same start is the same two addresses.
            same = {"script": script, "command": start.boot.command}
            said = finding(
                rule(
                    command=start.boot.command,
                    script=script,
                    first=hit.first.name,
                    first_at=hit.first.span.start,
                    first_end=hit.first.span.end,
                    second=hit.second.name,
                    second_at=hit.second.span.start,
                    second_end=hit.second.span.end,
                    step=hit.second.step,
                    size=hit.size,
                    common=hit.common.start,
                ),
                boots,
                operation,
                region=_region(boots, start, hit.second, hit.first),
                severity=Severity.WARNING if guess else None,
            )
            ways = Cause(frozenset({said.rule.name}), anywhere=True, values=same)
            yield replace(said, causes=(*said.causes, ways))


def _fixed_first(hit: Overlap) -> Overlap:
    if hit.second.kind in FIXED:
        return Overlap(hit.second, hit.first, hit.common)
    return hit


def _rule_of(hit: Overlap) -> Rule | None:
    kinds = {hit.first.kind, hit.second.kind}
    if kinds <= FIXED:
        return None
    if RangeKind.RESERVED in kinds:
        return RESERVED
    if RangeKind.LOADER in kinds:
        return LOADER
    return UNPACKED if RangeKind.UNPACKED in kinds else OVERLAP


def _only_room(boots: Boots, start: Start, hit: Overlap) -> bool:
    """Tell whether only the rest of a buffer is hit, into which the artifact has yet to grow."""
    if hit.first.kind is not RangeKind.LOAD or hit.second.kind is RangeKind.LOAD:
        return False
    for operation in start.buffers.values():
        source = boots.source(operation)
        if operation.command == hit.first.step and source is not None and source.size is not None:
            return hit.common.start >= hit.first.span.start + source.size
    return False


_WHERE = (
    "{second}, {second_at:place} to {second_end:place}, takes {size:bytes} of {first},"
    " {first_at:place} to {first_end:place}"
)

OVERLAP = Rule(
    name="loads-overlap",
    severity=Severity.ERROR,
    values=_hit_values,
    message=f"for `{{command}}` in {{script}}: {_WHERE}, in the step `{{step}}`",
    effect=(
        "{first} is overwritten while it is still needed: a bad checksum, a device tree that is"
        " not found, or a crash."
    ),
    fix="Move one of them by at least {size:bytes}; {common:place} is the first byte in dispute.",
    computed=(
        "two ranges that are needed at the same time share bytes; a kernel counts with its BSS"
        " (image_size), a device tree with 0x3000 bytes of padding; touching is no overlap; a"
        " warning where a size is a guess or only the unused rest of a buffer is hit"
    ),
    sources=(
        in_linux("Documentation/arm64/booting.rst", "image_size"),
        in_u_boot("boot/image-board.c", "boot_ramdisk_high"),
    ),
    bad=scripted(RECOVERY.replace(_AT, "0x801f0000")),
    good=scripted(),
)

RESERVED = Rule(
    name="load-over-reserved-memory",
    severity=Severity.ERROR,
    values=_hit_values,
    message=f"for `{{command}}` in {{script}}: {_WHERE}, which is reserved",
    effect=(
        'U-Boot refuses ("would overwrite reserved memory"), or the secure world ends the boot'
        " with an abort."
    ),
    fix="Move {second} out of {first_at:place} to {first_end:place}.",
    computed=(
        "a range shares bytes with reserved memory of the layout or of the board's device tree"
    ),
    sources=(
        in_u_boot(
            "fs/fs.c", "fs_read_lmb_check", "** Reading file would overwrite reserved memory **"
        ),
        standard("Devicetree Specification 0.4", "3.5"),
    ),
    bad=scripted(
        ram="ram: {banks: [{at: 0x80000000, size: 256 MiB}], reserved:"
        " [{name: monitor, at: 0x88000000, size: 1 MiB}]}\n"
    ),
    good=scripted(
        ram="ram: {banks: [{at: 0x80000000, size: 256 MiB}], reserved:"
        " [{name: monitor, at: 0x8ff00000, size: 1 MiB}]}\n"
    ),
)

LOADER = Rule(
    name="load-over-u-boot",
    follows=("load-over-reserved-memory",),
    severity=Severity.WARNING,
    values=_hit_values,
    message=f"for `{{command}}` in {{script}}: {_WHERE}, which is where U-Boot itself should be",
    effect=(
        "A raw read overwrites U-Boot itself and hangs in the middle; one from a file system is"
        ' refused ("would overwrite reserved memory").'
    ),
    fix="Load below {first_at:place}; the exact limit is what bdinfo says.",
    computed=(
        "a range shares bytes with U-Boot at the top of the first bank: 16 MiB for code, stack and"
        " tables and the heap, 32 MiB unless the configuration says; a guess, so a warning"
    ),
    sources=(
        in_u_boot("common/board_f.c", "reserve_uboot"),
        in_u_boot("lib/lmb.c", "arch_lmb_reserve_generic"),
        in_u_boot(
            "fs/fs.c", "fs_read_lmb_check", "** Reading file would overwrite reserved memory **"
        ),
        PRACTICE,
    ),
    bad=scripted(RECOVERY.replace(_AT, "0x8f000000")),
    good=scripted(),
)

UNPACKED = Rule(
    name="kernel-decompression-overlap",
    severity=Severity.ERROR,
    values=_hit_values,
    message=f"for `{{command}}` in {{script}}: {_WHERE}, in the step `{{step}}`",
    effect="It is unpacked over bytes that are still read: an error of the decompressor, and a"
    " reset or a crash.",
    fix="Move one of them by at least {size:bytes}; the unpacked size counts, not the file's.",
    computed=(
        "where a compressed kernel is unpacked to, the buffer of booti included, shares bytes with"
        " what is still needed then"
    ),
    sources=(
        in_u_boot("boot/bootm.c", "bootm_load_os"),
        in_u_boot(
            "cmd/booti.c", "booti_start", "kernel_comp_addr_r or kernel_comp_size is not provided!"
        ),
    ),
    bad=scripted(itb=lambda: _packed_fit(0x87E00000)),
    good=scripted(itb=lambda: _packed_fit(0x80200000)),
)


@check(OVERLAP)
def loads_overlap(subject: Subject) -> Outcome:
    yield from _collisions(subject, OVERLAP)


@check(RESERVED)
def over_reserved(subject: Subject) -> Outcome:
    yield from _collisions(subject, RESERVED)


@check(LOADER)
def over_loader(subject: Subject) -> Outcome:
    yield from _collisions(subject, LOADER)


@check(UNPACKED)
def decompression(subject: Subject) -> Outcome:
    yield from _collisions(subject, UNPACKED)


def _outside_values(
    script: str, what: str, *, command: str, at: int, end: int, size: int
) -> None: ...


OUTSIDE = Rule(
    name="load-outside-ram",
    severity=Severity.ERROR,
    values=_outside_values,
    message=(
        "for `{command}` in {script}: {what}, {at:place} to {end:place}, is not all in the RAM of"
        " the layout"
    ),
    effect="U-Boot refuses the load, or the access aborts or reads nothing back: the start fails on"
    " this board.",
    fix="Take an address inside the banks, with {size:bytes} of room behind it.",
    computed="a range is not inside the banks of ram:, those that touch counted as one",
    sources=(
        in_u_boot("lib/lmb.c"),
        PRACTICE,
    ),
    bad=scripted(RECOVERY.replace(_AT, "0x40000000")),
    good=scripted(),
)


@check(OUTSIDE)
def outside_ram(subject: Subject) -> Outcome:
    layout = subject.layout
    seen = set()
    for followed, start, ram in _starts(subject.boots):
        ranges = [each for each in ram.ranges if each.kind not in FIXED]
        for each in outside(ranges, [bank.span for bank in layout.banks] if layout else []):
            if (each.name, each.span) in seen:
                continue
            seen.add((each.name, each.span))
            yield finding(
                OUTSIDE(
                    command=start.boot.command,
                    script=followed.operation(start.boot).variable,
                    what=each.name,
                    at=each.span.start,
                    end=each.span.end,
                    size=each.span.size,
                ),
                subject.boots,
                followed.operation(start.boot),
                region=_region(subject.boots, start, each),
            )


def _no_place_values(script: str, why: str, *, command: str) -> None: ...


NO_PLACE = Rule(
    name="start-finds-no-place",
    severity=Severity.ERROR,
    values=_no_place_values,
    message="`{command}` in {script}: {why}",
    effect="U-Boot gives up in the middle of the start. Without room for the ramdisk, or for"
    ' unpacking, it goes back to the script; without room for the device tree it says "FDT creation'
    ' failed!" and resets or hangs.',
    fix="Free room below the limit, raise bootm_size or the limit, or set what is missing.",
    computed="U-Boot's search from the top of the boot memory down finds no free room",
    sources=(
        in_u_boot("boot/image-board.c", "boot_ramdisk_high"),
        in_u_boot("boot/image-fdt.c", "boot_relocate_fdt"),
        in_u_boot("arch/arm/lib/bootm.c", "boot_prep_linux", "FDT creation failed!"),
        in_u_boot("cmd/booti.c", "booti_start"),
        in_u_boot("doc/usage/environment.rst", "bootm_size"),
    ),
    bad=scripted(more={"bootm_size": "0x1000"}, itb=_fit_with_tree),
    good=scripted(itb=_fit_with_tree),
)


@check(NO_PLACE)
def no_place(subject: Subject) -> Outcome:
    seen = set()
    for followed, start, ram in _starts(subject.boots):
        for why in ram.unplaced:
            if (start.boot.command, why) in seen:
                continue
            seen.add((start.boot.command, why))
            operation = followed.operation(start.boot)
            case = NO_PLACE(command=start.boot.command, script=operation.variable, why=why)
            region = _region(subject.boots, start)
            yield finding(case, subject.boots, operation, region=region)


def _window_values(script: str, *, command: str, kernel: int, ramdisk: int) -> None: ...


WINDOW = Rule(
    name="ramdisk-window",
    severity=Severity.WARNING,
    values=_window_values,
    message=(
        "for `{command}` in {script}: the kernel at {kernel:place} and the ramdisk at"
        " {ramdisk:place} are too far apart"
    ),
    effect=(
        "The boot protocol promises the kernel that they lie in one window. A ramdisk that it"
        " cannot"
        ' map it leaves out: "initrd not fully accessible via the linear mapping".'
    ),
    fix="Load both into one window of 32 GiB, or limit initrd_high.",
    computed="no 1 GiB-aligned window of 32 GiB holds kernel and ramdisk",
    sources=(
        in_linux("Documentation/arm64/booting.rst", says="32 GB"),
        in_linux(
            "arch/arm64/mm/init.c",
            "arm64_memblock_init",
            "initrd not fully accessible via the linear mapping -- please check your bootloader",
        ),
    ),
    bad=scripted(
        "setenv initrd_high ffffffffffffffff && sf probe && sf read 0x1080000000 0x60000 0x10000 &&"
        f" {RECOVERY.replace('bootm 0x88000000', 'bootm 0x88000000 0x1080000000')}",
        ram="ram: {banks: [{at: 0x80000000, size: 256 MiB}, {at: 0x1080000000, size: 256 MiB}]}\n",
        regions=("name: ramdisk, at: 384 KiB, size: 64 KiB, holds: raw, file: ramdisk.bin",),
        files={"ramdisk.bin": lambda: b"tide" * 1024},
    ),
    good=scripted(),
)


@check(WINDOW)
def window(subject: Subject) -> Outcome:
    if subject.layout is None or subject.layout.arch != "arm64":
        return
    for followed, start, ram in _starts(subject.boots):
        at_start = {each.kind: each.span for each in ram.at(ram.start)}
        kernel_at, ramdisk = at_start.get(RangeKind.KERNEL), at_start.get(RangeKind.RAMDISK)
        if kernel_at is None or ramdisk is None or initrd_window(kernel_at, ramdisk):
            continue
        yield finding(
            WINDOW(
                command=start.boot.command,
                script=followed.operation(start.boot).variable,
                kernel=kernel_at.start,
                ramdisk=ramdisk.start,
            ),
            subject.boots,
            followed.operation(start.boot),
            region=_region(subject.boots, start),
        )


def _high_values(what: str, script: str, *, command: str, end: int, limit: int) -> None: ...


def _low(fdt_high: str) -> Example:
    """Give a 32-bit board with 1 GiB, whose device tree is placed by a variable."""
    example = scripted(
        f"setenv fdt_high {fdt_high} && sf probe && sf read 0x82000000 0x60000 0x1000"
        " && sf read 0xbf000000 0x70000 0x1000 && bootz 0x82000000 - 0xbf000000",
        ram="ram: {banks: [{at: 0x80000000, size: 1 GiB}]}\n",
        regions=(
            "name: kernel, at: 384 KiB, size: 64 KiB, holds: zimage, file: zImage",
            "name: tree, at: 448 KiB, size: 64 KiB, holds: fdt, file: board.dtb",
        ),
        files={"zImage": zimage, "board.dtb": board_tree},
    )
    return replace(example, layout=example.layout.replace("arch: arm64", "arch: arm"))


HIGH = Rule(
    name="above-low-memory",
    severity=Severity.WARNING,
    values=_high_values,
    message="for `{command}` in {script}: the {what} ends at {end:place}, and a 32-bit kernel maps"
    " but the RAM up to {limit:place} before it looks there",
    effect="The kernel cannot reach it: without its device tree it says nothing; it drops such a"
    " ramdisk and looks for a root, or crashes as it unpacks it.",
    fix="Set bootm_size to what lies below {limit:place}, or fdt_high and initrd_high to it.",
    computed="on arm, a device tree or a ramdisk ends more than 760 MiB above the start of RAM when"
    " the kernel starts: older kernels map so much, Linux 6.1 maps 768 MiB; vmalloc= and the"
    " split of the address space move that limit",
    sources=(
        in_u_boot("doc/usage/environment.rst", "fdt_high"),
        in_linux("arch/arm/mm/mmu.c", "vmalloc_size"),
        in_linux("init/initramfs.c", "reserve_initrd_mem"),
        memory("Linux 3", "arch/arm/include/asm/pgtable.h", "VMALLOC_END"),
    ),
    bad=_low("ffffffff"),
    good=_low("a0000000"),
)
_LOW_MEMORY = 760 * MIB


@check(HIGH)
def above_low_memory(subject: Subject) -> Outcome:
    layout = subject.layout
    if layout is None or layout.arch != "arm" or not layout.banks:
        return
    limit = min(bank.span.start for bank in layout.banks) + _LOW_MEMORY
    for followed, start, ram in _starts(subject.boots):
        for each in ram.at(ram.start):
            if each.kind in {RangeKind.FDT, RangeKind.RAMDISK} and each.span.end > limit:
                operation = followed.operation(start.boot)
                case = HIGH(
                    what=str(each.kind),
                    script=operation.variable,
                    command=start.boot.command,
                    end=each.span.end,
                    limit=limit,
                )
                region = _region(subject.boots, start)
                yield finding(case, subject.boots, operation, region=region)


def _no_relocation_values(name: str, script: str, *, value: str, command: str) -> None: ...


NO_RELOCATION = Rule(
    name="relocation-switched-off",
    severity=Severity.WARNING,
    values=_no_relocation_values,
    message="{name} is {value} for `{command}` in {script}: U-Boot leaves it where it was loaded",
    effect=(
        "A misaligned device tree, or one in the way of the kernel's BSS, then makes the kernel"
        " stand still without a word."
    ),
    fix="Leave {name} unset, and limit the room with bootm_size if that is needed.",
    computed="fdt_high or initrd_high has all bits of an address set",
    sources=(
        in_u_boot(
            "doc/usage/environment.rst",
            "fdt_high",
            "This usage is strongly discouraged however as it also stops U-Boot "
            "from ensuring the device tree starting address is properly aligned "
            "and a misaligned tree will cause OS failures.",
        ),
    ),
    bad=scripted(more={"fdt_high": "0xffffffffffffffff"}),
    good=scripted(more={"bootm_size": "0x10000000"}),
)


@check(NO_RELOCATION)
def no_relocation(subject: Subject) -> Outcome:
    boots = subject.boots
    ones = f"{(1 << (boots.board.bits if boots.board is not None else 64)) - 1:#x}"
    seen = set()
    for followed in boots.followed.values():
        for boot in followed.walk.boots:
            for name in ("fdt_high", "initrd_high"):
                value = boot.settings.get(name, "")
                plain = f"0x{value.lower().removeprefix('0x')}"
                if plain != ones or name in seen:
                    continue
                seen.add(name)
                yield finding(
                    NO_RELOCATION(
                        name=name,
                        value=value,
                        command=boot.command,
                        script=followed.operation(boot).variable,
                    ),
                    boots,
                    followed.operation(boot),
                )


def _bootm_length_values(
    script: str, *, command: str, size: int | None, limit: int, over: int
) -> None: ...


BOOTM_LENGTH = Rule(
    name="kernel-exceeds-bootm-length",
    severity=Severity.ERROR,
    values=_bootm_length_values,
    message=(
        "for `{command}` in {script}: the kernel unpacks to {size:bytes}, SYS_BOOTM_LEN is"
        " {limit:bytes}: {over:bytes} too many"
    ),
    effect='U-Boot stops unpacking, says "Must RESET board to recover" and resets, time and again.',
    fix="Build U-Boot with a larger CONFIG_SYS_BOOTM_LEN.",
    computed="unpacked size > CONFIG_SYS_BOOTM_LEN of the .config under written-elsewhere",
    sources=(
        in_u_boot("boot/bootm.c", "handle_decomp_error", "Must RESET board to recover"),
        in_u_boot("boot/image.c", "image_decomp"),
        in_u_boot("cmd/Kconfig", "SYS_BOOTM_LEN"),
    ),
    bad=scripted(
        itb=lambda: _packed_fit(0x80200000),
        rest="written-elsewhere: {uboot-config: u-boot.config}\n",
        files={"u-boot.config": lambda: b"CONFIG_SYS_BOOTM_LEN=0x200000\n"},
    ),
    good=scripted(
        itb=lambda: _packed_fit(0x80200000),
        rest="written-elsewhere: {uboot-config: u-boot.config}\n",
        files={"u-boot.config": lambda: b"CONFIG_SYS_BOOTM_LEN=0x4000000\n"},
    ),
)


@check(BOOTM_LENGTH)
def bootm_length(subject: Subject) -> Outcome:
    boots = subject.boots
    copy = subject.copies.uboot_config if subject.copies is not None else None
    limit = copy.says.config.number("SYS_BOOTM_LEN") if copy is not None else None
    seen = set()
    for followed, start, _ in _starts(boots):
        images = start.images
        if limit is None or images is None or images.command is not Command.BOOTM:
            continue
        size = images.kernel.unpacked_size if images.kernel.compressed else None
        over = bootm_too_large(size or 0, limit)
        if over and (start.boot.command, size) not in seen:
            seen.add((start.boot.command, size))
            yield finding(
                BOOTM_LENGTH(
                    command=start.boot.command,
                    script=followed.operation(start.boot).variable,
                    size=size,
                    limit=limit,
                    over=over,
                ),
                boots,
                followed.operation(start.boot),
                region=_region(boots, start),
            )

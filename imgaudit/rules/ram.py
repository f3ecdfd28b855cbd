"""Where a start puts things in RAM, and what would be overwritten.

The rules are those of `imgaudit.boot.rammap`, which names their sources.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from imgaudit.boot.rammap import Command, RamMap, bootm_too_large, initrd_window, outside, overlaps
from imgaudit.boot.ranges import FIXED, Overlap, Range, RangeKind
from imgaudit.boot.records import Operation
from imgaudit.boot.stage import Followed, Start
from imgaudit.data import dataclass
from imgaudit.rules._boot import RECOVERY, finding, scripted
from imgaudit.rules.cited import PRACTICE, in_linux, in_u_boot, memory, standard
from imgaudit.rules.engine import (
    Case,
    Cause,
    Example,
    Finding,
    Kind,
    Missing,
    Outcome,
    Rule,
    Severity,
    check,
)
from imgaudit.rules.kinds import board_arch
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


@dataclass(frozen=True, slots=True, eq=False)
class _Planned:
    """A start and its RAM map; of what several have alike, the first one has it.

    `hits` are the ranges that share bytes, `outside` those that are not all in RAM, `unplaced` says
    what finds no place, `unpacked` is the size of a compressed kernel for bootm.
    """

    subject: Subject
    followed: Followed
    start: Start
    ram: RamMap
    hits: tuple[Overlap, ...]
    outside: tuple[Range, ...]
    unplaced: tuple[str, ...]
    unpacked: int | None

    @property
    def command(self) -> str:
        """The command that starts."""
        return self.start.boot.command

    @property
    def operation(self) -> Operation:
        """The command, as it is met."""
        return self.followed.operation(self.start.boot)

    @property
    def script(self) -> str:
        """The variable in which it stands."""
        return self.operation.variable

    def finding(self, case: Case, *ranges: Range, severity: Severity | None = None) -> Finding:
        """Make a finding about the region that a range was read from, else about the kernel's."""
        boots, wanted = self.subject.boots, [each.step for each in ranges]
        buffers = sorted(self.start.buffers.items(), key=lambda it: (it[0] != "kernel", it[0]))
        buffers.sort(key=lambda item: item[1].command not in wanted)
        sources = (boots.source(operation) for _, operation in buffers)
        region = next((source.region for source in sources if source is not None), None)
        return finding(case, boots, self.operation, region=region, severity=severity)


def _starts(subject: Subject) -> Iterator[_Planned]:
    """Give every RAM map once, however many ways lead to it."""
    banks = [bank.span for bank in subject.layout.banks] if subject.layout is not None else []
    seen: set[tuple[object, ...]] = set()

    def new(*key: object) -> bool:
        known = key in seen
        seen.add(key)
        return not known

    for followed in subject.boots.followed.values():
        for start in followed.starts:
            ram, command = start.map, start.boot.command
            if ram is None or not new(command, ram.ranges):
                continue
            ranges = [each for each in ram.ranges if each.kind not in FIXED]
            hits = map(_fixed_first, overlaps(ram.ranges))
            size = _unpacked(start)
            yield _Planned(
                subject,
                followed,
                start,
                ram,
                tuple(hit for hit in hits if new(hit.first.name, hit.second.name, hit.common)),
                tuple(each for each in outside(ranges, banks) if new(each.name, each.span)),
                tuple(why for why in ram.unplaced if new(command, why)),
                size if new(command, size) else None,
            )


def _unpacked(start: Start) -> int | None:
    images = start.images
    if images is None or images.command is not Command.BOOTM or not images.kernel.compressed:
        return None
    return images.kernel.unpacked_size


def _starts_or_why(subject: Subject) -> Iterator[_Planned | Missing]:
    """Give the RAM maps, and why there is none of a start, or a part is not in it."""
    for followed in subject.boots.followed.values():
        for start in followed.starts:
            if start.why:
                script = followed.operation(start.boot).variable
                missing = "no RAM map" if start.map is None else "a part is not in the RAM map"
                yield Missing(
                    f"script {script}", f"{missing} for `{start.boot.command}`: {start.why}"
                )
    yield from _starts(subject)


def _label(planned: _Planned) -> str:
    return f"`{planned.command}` in {planned.script}"


STARTS = Kind(_starts, _label)
STARTS_OR_WHY = Kind(_starts_or_why, _label)


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


def _collisions(planned: _Planned, rule: Rule) -> Iterator[Finding]:
    """Report the overlaps that a rule is about."""
    command, script = planned.command, planned.script
    for hit in planned.hits:
        if _rule_of(hit) is not rule:
            continue
        exact = hit.first.exact and hit.second.exact and not _only_room(planned, hit)
        guess = rule.severity is Severity.ERROR and not exact
        said = planned.finding(
            rule(
                command=command,
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
            hit.second,
            hit.first,
            severity=Severity.WARNING if guess else None,
        )
        # Another way to the same start is the same two addresses.
        at = {"first_at": hit.first.span.start, "second_at": hit.second.span.start}
        same = {"script": script, "command": command} | {key: str(it) for key, it in at.items()}
        ways = Cause(frozenset({said.rule.name}), anywhere=True, values=same)
        yield replace(said, causes=(*said.causes, ways))


def _fixed_first(hit: Overlap) -> Overlap:
    if hit.second.kind in FIXED:
        return Overlap(hit.second, hit.first, hit.common)
    return hit


def _rule_of(hit: Overlap) -> Rule:
    kinds = {hit.first.kind, hit.second.kind}
    if RangeKind.RESERVED in kinds:
        return RESERVED
    if RangeKind.LOADER in kinds:
        return LOADER
    return UNPACKED if RangeKind.UNPACKED in kinds else OVERLAP


def _only_room(planned: _Planned, hit: Overlap) -> bool:
    """Tell whether only the rest of a buffer is hit, into which the artifact has yet to grow."""
    if hit.first.kind is not RangeKind.LOAD or hit.second.kind is RangeKind.LOAD:
        return False
    for operation in planned.start.buffers.values():
        source = planned.subject.boots.source(operation)
        if operation.command == hit.first.step and source is not None and source.size is not None:
            return hit.common.start >= hit.first.span.start + source.size
    return False


_WHERE = (
    "{second}, {second_at:place} to {second_end:place}, takes {size:bytes} of {first},"
    " {first_at:place} to {first_end:place}"
)

OVERLAP = Rule(
    name="loads-overlap",
    stops=True,
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
    stops=True,
    severity=Severity.ERROR,
    values=_hit_values,
    message=f"for `{{command}}` in {{script}}: {_WHERE}, which is reserved",
    effect=(
        'A load from a file system is refused ("would overwrite reserved memory"). A raw read goes'
        " there: it aborts where the secure world guards the place, and else destroys what is kept"
        " in it."
    ),
    fix="Move {second} out of {first_at:place} to {first_end:place}.",
    computed=(
        "a range shares bytes with reserved memory of the layout or of the board's device tree"
    ),
    sources=(
        in_u_boot(
            "fs/fs.c", "fs_read_lmb_check", "** Reading file would overwrite reserved memory **"
        ),
        standard(
            "Devicetree Specification 0.4",
            "3.5",
            copy=in_linux(
                "Documentation/devicetree/bindings/reserved-memory/reserved-memory.yaml",
                "reserved-memory",
                "The operating system shall exclude reserved memory from normal usage",
            ),
        ),
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
    stops=True,
    severity=Severity.ERROR,
    values=_hit_values,
    message=f"for `{{command}}` in {{script}}: {_WHERE}, in the step `{{step}}`",
    effect="The kernel is unpacked over bytes that are still read: an error of the decompressor,"
    " and a reset or a crash.",
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


@check(OVERLAP, over=STARTS_OR_WHY)
def loads_overlap(planned: _Planned) -> Outcome:
    yield from _collisions(planned, OVERLAP)


@check(RESERVED, over=STARTS)
def over_reserved(planned: _Planned) -> Outcome:
    yield from _collisions(planned, RESERVED)


@check(LOADER, over=STARTS)
def over_loader(planned: _Planned) -> Outcome:
    yield from _collisions(planned, LOADER)


@check(UNPACKED, over=STARTS)
def decompression(planned: _Planned) -> Outcome:
    yield from _collisions(planned, UNPACKED)


def _outside_values(
    script: str, what: str, *, command: str, at: int, end: int, size: int
) -> None: ...


OUTSIDE = Rule(
    name="load-outside-ram",
    stops=True,
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
        in_u_boot("lib/lmb.c", "lmb_get_free_size"),
        PRACTICE,
    ),
    bad=scripted(RECOVERY.replace(_AT, "0x40000000")),
    good=scripted(),
)


@check(OUTSIDE, over=STARTS)
def outside_ram(planned: _Planned) -> Outcome:
    for each in planned.outside:
        case = OUTSIDE(
            command=planned.command,
            script=planned.script,
            what=each.name,
            at=each.span.start,
            end=each.span.end,
            size=each.span.size,
        )
        yield planned.finding(case, each)


def _no_place_values(script: str, why: str, *, command: str) -> None: ...


NO_PLACE = Rule(
    name="start-finds-no-place",
    stops=True,
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


@check(NO_PLACE, over=STARTS)
def no_place(planned: _Planned) -> Outcome:
    for why in planned.unplaced:
        case = NO_PLACE(command=planned.command, script=planned.script, why=why)
        yield planned.finding(case)


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


@check(WINDOW, over=STARTS, given=board_arch)
def window(planned: _Planned, arch: str) -> Outcome:
    at_start = {each.kind: each.span for each in planned.ram.at(planned.ram.start)}
    kernel_at, ramdisk = at_start.get(RangeKind.KERNEL), at_start.get(RangeKind.RAMDISK)
    if arch != "arm64" or kernel_at is None or ramdisk is None:
        return
    if not initrd_window(kernel_at, ramdisk):
        case = WINDOW(
            command=planned.command,
            script=planned.script,
            kernel=kernel_at.start,
            ramdisk=ramdisk.start,
        )
        yield planned.finding(case)


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
    " only the RAM up to {limit:place} before it looks there",
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


def _low_memory(subject: Subject) -> int | None:
    """Give where a 32-bit kernel's first mapping of RAM ends; None on other boards."""
    layout = subject.layout
    if layout is None or layout.arch != "arm" or not layout.banks:
        return None
    return min(bank.span.start for bank in layout.banks) + _LOW_MEMORY


@check(HIGH, over=STARTS, given=_low_memory)
def above_low_memory(planned: _Planned, limit: int) -> Outcome:
    for each in planned.ram.at(planned.ram.start):
        if each.kind in {RangeKind.FDT, RangeKind.RAMDISK} and each.span.end > limit:
            case = HIGH(
                what=str(each.kind),
                script=planned.script,
                command=planned.command,
                end=each.span.end,
                limit=limit,
            )
            yield planned.finding(case)


def _no_relocation_values(name: str, script: str, *, value: str, command: str) -> None: ...


NO_RELOCATION = Rule(
    name="relocation-switched-off",
    severity=Severity.WARNING,
    values=_no_relocation_values,
    message="{name} is {value} for `{command}` in {script}: U-Boot leaves it where it was loaded",
    effect=(
        "A device tree that is not aligned, or a tree or ramdisk in the way of the kernel's BSS,"
        " then makes the kernel stand still without a word."
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
    stops=True,
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


def _longest(subject: Subject) -> int | None:
    """Give the most that bootm unpacks a kernel to, as U-Boot was built."""
    copy = subject.copies.uboot_config if subject.copies is not None else None
    return copy.says.config.number("SYS_BOOTM_LEN") if copy is not None else None


@check(BOOTM_LENGTH, over=STARTS, given=_longest)
def bootm_length(planned: _Planned, limit: int) -> Outcome:
    over = bootm_too_large(planned.unpacked or 0, limit)
    if over:
        case = BOOTM_LENGTH(
            command=planned.command,
            script=planned.script,
            size=planned.unpacked,
            limit=limit,
            over=over,
        )
        yield planned.finding(case)

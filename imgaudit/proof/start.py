"""Whether a boot command starts what it is given: kernel, device tree, ramdisk or root, and init.

Source: U-Boot boot/bootm.c, boot/image-fit.c, boot/image-fdt.c, cmd/booti.c, cmd/bootz.c for what
comes back with an error; Linux init/main.c (`kernel_init`) for the names of init,
block/partitions/efi.c (`find_valid_gpt`) for the backup GPT.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from functools import cached_property
from typing import NoReturn

from imgaudit.arches import ARCHES, of_kernel
from imgaudit.boot.board import Board, Source
from imgaudit.boot.images import SPOKEN, Given, Piece, UnknownError, pieces
from imgaudit.boot.rammap import comp_size_short
from imgaudit.boot.records import Boot, Kind, Operation
from imgaudit.boot.values import number
from imgaudit.contents.starts import configuration_of, kernel_in, start_of
from imgaudit.contents.tree import NO_FORMAT, PASSED_OVER, Content
from imgaudit.data import dataclass
from imgaudit.formats.arm64_image import Arm64ImageFacts
from imgaudit.formats.cpio import CpioFacts
from imgaudit.formats.efi import Efi
from imgaudit.formats.ext import Ext
from imgaudit.formats.facts import Facts
from imgaudit.formats.fdt import FdtFacts
from imgaudit.formats.files import FileSystem
from imgaudit.formats.fit import FitFacts
from imgaudit.formats.fit import Image as FitImage
from imgaudit.formats.riscv_image import RiscvImageFacts
from imgaudit.formats.uimage import UimageFacts
from imgaudit.formats.zimage import ZimageFacts
from imgaudit.maps import command_line
from imgaudit.maps.collect import Copies
from imgaudit.maps.command_line import Root
from imgaudit.maps.root import target_of
from imgaudit.model import MOUNTED, Layout, Region
from imgaudit.proof.init import init_of
from imgaudit.proof.records import Fault, Link
from imgaudit.rescue.mainroot import Devices
from imgaudit.rescue.stage import Early, Rescue, Same, early_of
from imgaudit.rescue.start import SHELLS, Switch
from imgaudit.units import Span, both, joined

_OWN_TREE = "${fdtcontroladdr}"
_STARTED = frozenset({"kernel", "kernel_noload", "multi"})  # boot/bootm.c, boot_get_kernel
_TYPES = {
    "kernel": frozenset({"kernel", "kernel_noload"}),
    "ramdisk": frozenset({"ramdisk", "firmware", "tee"}),
    "fdt": frozenset({"flat_dt", "firmware", "tee"}),
}
"""The types of a FIT's images that bootm takes for each part (boot/image-fit.c, fit_image_load)."""
_SYSTEMS_STARTED = frozenset({"u-boot", "tee", "openrtos", "efi", "vxworks", "elf"})
_TREELESS = frozenset({"x86", "x86-64", "mips", "powerpc"})
_BARE = frozenset({"mips", "powerpc", "x86", "x86-64", "riscv32"})
_WANTS: dict[str, tuple[tuple[type[Facts], ...], str]] = {
    "bootm": ((FitFacts, UimageFacts), "a FIT or a uImage"),
    "booti": ((Arm64ImageFacts, RiscvImageFacts), "an Image of arm64 or RISC-V"),
    "bootz": ((ZimageFacts,), "a zImage of arm"),
    "bootefi": ((Efi, Arm64ImageFacts, RiscvImageFacts, ZimageFacts), "an EFI program"),
}


@dataclass(frozen=True, kw_only=True)
class Started:
    """What comes of a boot command.

    `starts` is None where that cannot be known; `why` says the reason for anything but True.
    `returns` tells that U-Boot then goes on with its script; otherwise the board hangs, panics or
    resets. `blame` is the operation that brought what does not fit, `fault` what is wrong with it
    and `at_fault` the region where that lies. `outside` names a device that the layout does not
    have and from which it starts. `torn` names a region that is started although it is torn;
    `waits` tells a kernel that waits for its root without an end, `restarts` one that restarts by
    itself, `resets` one that was built to restart after a panic. `release` is the kernel's, as far
    as it says it.
    """

    starts: bool | None
    why: str = ""
    returns: bool = True
    blame: Operation | None = None
    fault: Fault | None = None
    at_fault: str | None = None
    outside: str = ""
    torn: str = ""
    waits: bool = False
    restarts: bool = False
    resets: bool = False
    regions: tuple[str, ...] = ()
    ramdisk: str | None = None
    release: str = ""
    chain: tuple[Link, ...] = ()


class _NoError(Exception):
    """Something does not fit; `at` is the region of the `fault`, the rest as in Started."""

    def __init__(
        self,
        why: str,
        fault: Fault | None = None,
        *,
        at: str | None = None,
        returns: bool = True,
        blame: Operation | None = None,
        torn: str = "",
        waits: bool = False,
        restarts: bool = False,
    ) -> None:
        super().__init__(why)
        self.restarts = restarts
        self.fault = fault
        self.at = at
        self.waits = waits
        self.returns = returns
        self.blame = blame
        self.torn = torn


class _OpenError(Exception):
    """Something is not known; `outside` as in Started."""

    def __init__(self, why: str, *, outside: str = "") -> None:
        super().__init__(why)
        self.outside = outside


@dataclass(frozen=True, kw_only=True)
class Starter:
    """Judges the boot commands of one build; `ramdisks` are surveyed ones, by region."""

    board: Board
    layout: Layout
    copies: Copies
    ramdisks: Mapping[str, Rescue]

    @cached_property
    def devices(self) -> Devices:
        """Where the names of devices lead."""
        return Devices(self.board.build, self.copies)

    def early(self, content: Content, rdinit: str | None, init: str | None) -> Early:
        """Survey a ramdisk."""
        return early_of(Same(content), self.layout.arch, rdinit, init)

    def judge(self, boot: Boot, operations: Sequence[Operation]) -> Started:
        """Tell what a boot command does, after the operations of one path."""
        judging = _Judging(self, boot, operations)
        try:
            return judging.run()
        except _NoError as problem:
            return Started(
                starts=False,
                why=str(problem),
                returns=problem.returns,
                blame=problem.blame,
                torn=problem.torn,
                waits=problem.waits,
                restarts=problem.restarts,
                resets=judging.resets,
                fault=problem.fault,
                at_fault=problem.at or judging.region("kernel"),
            )
        except _OpenError as problem:
            return Started(starts=None, why=str(problem), outside=problem.outside)


class _Judging:
    def __init__(self, starter: Starter, boot: Boot, operations: Sequence[Operation]) -> None:
        self.starter = starter
        self.board, self.layout = starter.board, starter.layout
        self.copies, self.ramdisks = starter.copies, starter.ramdisks
        self.boot = boot
        self.operations = operations
        self.arguments = operations[boot.operation].arguments
        self.name = self.arguments[0] if self.arguments else ""
        self.loaded: dict[str, tuple[Operation, Source | None]] = {}
        self.resets = False

    def run(self) -> Started:
        if self.boot.kernel is not None:
            self.loaded["kernel"] = self.filled("kernel", self.boot.kernel)
        elif self.arguments[:2] == ("bootefi", "bootmgr"):
            what = "the EFI boot entries"
            if self.board.has_efi() is False:
                raise _NoError("no medium has an EFI program or boot entries")
            raise _OpenError(f"{what} are not known", outside=what)
        if self.name not in _WANTS:
            raise _OpenError(f"what {self.name} starts is not known")
        if self.boot.kernel is None:
            raise _OpenError("the address that it starts from is not known")
        top = self.content("kernel")
        self.suits(top)
        for role, at in (("ramdisk", self.boot.ramdisk), ("fdt", self.boot.fdt)):
            if at is not None:
                self.loaded[role] = self.filled(role, at)
        self.taken_ramdisk()
        parts = self.parts()
        self.resets = resets(self.config_of(parts["kernel"]))
        for role in self.loaded:
            self.untorn(role)
        self.kernel(parts["kernel"])
        links = [self.link("kernel", parts["kernel"])]
        links += self.tree(parts.get("fdt"))
        ramdisk = parts.get("ramdisk")
        if ramdisk is not None:
            links.append(self.link("ramdisk", ramdisk))
            links += self.ramdisk(ramdisk, links[-1].region, parts)
        elif self.bundled(parts["kernel"]):
            links += self.first(parts["kernel"], self.region("kernel"), parts)
        else:
            links += self.root(parts)
        regions = dict.fromkeys(link.region for link in links if link.region is not None)
        return Started(
            starts=True,
            regions=tuple(regions),
            ramdisk=self.ramdisk_from(parts),
            release=_release(parts["kernel"].content) or "",
            chain=tuple(links),
        )

    # What was loaded ------------------------------------------------------------------------------

    def filled(self, role: str, at: int) -> tuple[Operation, Source | None]:
        """Find what put a part where the command looks for it, on this very path."""
        fillers = self.boot.loaded.get(role, ())
        if not fillers:
            raise _NoError(f"nothing on this path puts a {SPOKEN[role]} at {at:#x}")
        if len(fillers) > 1 or role in self.boot.stale:
            raise _OpenError(f"what is at {at:#x} is not known")
        operation = self.operations[fillers[0]]
        if operation.kind is Kind.FILL:
            raise _NoError(f"it fills what is at {at:#x}", blame=operation)
        if operation.kind is Kind.UNPACK:
            return self.unpacked(role, operation)
        if operation.kind not in {Kind.READ, Kind.LOAD}:
            raise _OpenError(f"what `{operation.command}` puts at {at:#x} is not followed")
        if operation.device is None:
            raise _OpenError(f"which device `{operation.command}` reads is not known")
        if operation.device.partition(".")[0] not in self.board.devices:
            raise _OpenError(
                f"what {operation.device} holds is not known", outside=operation.device
            )
        source = self.board.source(operation)
        if source is None and operation.kind is Kind.READ and operation.span is not None:
            where = f"{operation.device} {operation.span.start:#x}"
            raise _NoError(f"it reads {where}, where no region is", blame=operation)
        if source is not None:
            self.whole(role, operation, source)
        self.kept(role, operation)
        return operation, source

    def unpacked(self, role: str, operation: Operation) -> tuple[Operation, Source | None]:
        """Find what `unzip` and its kin made of what was loaded before (cmd/unzip.c)."""
        told = f"what `{operation.command}` unpacks is not known"
        word = operation.arguments[1]
        at = None if "${" in word else number(word)
        before = (one for one in reversed(self.operations[: operation.index]) if one.ram_at == at)
        packed = None if at is None else next(before, None)
        source = None if packed is None else self.board.source(packed)
        if packed is None or source is None or source.content is None:
            raise _OpenError(told)
        self.whole(role, packed, source)
        inner = source.content.inner
        if inner is None:
            what = source.content.called
            raise _NoError(f"it unpacks {source.name}, which is {what}", blame=operation)
        return operation, replace(source, content=inner, start=None, size=inner.size)

    def whole(self, role: str, operation: Operation, source: Source) -> None:
        """See that a part is read from its start to its end."""
        span = operation.span
        if span is not None and source.start is not None and span.start != source.start:
            raise _NoError(
                f"it reads from {span.start:#x}, but {source.name} starts at {source.start:#x}",
                Fault.READ,
                at=source.region.name,
                blame=operation,
            )
        read = operation.ram.size if operation.ram is not None else None
        if read is not None and source.size is not None and read < source.size:
            raise _NoError(
                f"it reads {both(read)} of {source.name}, which has {both(source.size)}",
                Fault.READ,
                at=source.region.name,
                blame=operation,
            )
        if source.size == 0 or read == 0:
            why = f"the {SPOKEN[role]} {source.name} is empty"
            raise _NoError(why, Fault.CONTENT, at=source.region.name)

    def kept(self, role: str, operation: Operation) -> None:
        """See that it lies over nothing that is reserved, and that nothing came over it later."""
        if operation.ram is None:
            return
        banks = joined(bank.span for bank in self.layout.banks)
        used = self.used(operation)
        if banks and used is not None and not any(bank.contains(used) for bank in banks):
            why = f"it loads to {used.start:#x}, and no RAM is there for all of it"
            raise _NoError(why, Fault.OUTSIDE, at=self.region(role), blame=operation)
        for area in self.layout.reserved:
            if operation.ram.overlaps(area.span):
                why = f"it reaches into {area.name} at {area.span.start:#x}, which is reserved"
                source = self.board.source(operation)
                where = source.region.name if source is not None else None
                raise _NoError(why, Fault.RESERVED, at=where, blame=operation)
        for later in self.operations[operation.index + 1 : self.boot.operation]:
            mine = self.used(operation)
            other = None if later.ram is None else self.used(later)
            if (
                later.kind in {Kind.READ, Kind.LOAD}
                and mine is not None
                and other is not None
                and mine.overlaps(other)
            ):
                why = f"it overwrites the {SPOKEN[role]} at {mine.start:#x}"
                raise _NoError(why, Fault.OVERWRITTEN, blame=later)

    def used(self, operation: Operation) -> Span | None:
        """Give the RAM that holds what is used of a load: padding behind it does not count."""
        if operation.ram is None:
            return None
        source = self.board.source(operation)
        size = operation.ram.size
        if source is not None and source.size is not None:
            size = min(size, source.size)
        return Span.sized(operation.ram.start, size)

    def region(self, role: str) -> str | None:
        found = self.loaded.get(role)
        source = None if found is None else found[1]
        return None if source is None else source.region.name

    def content(self, role: str) -> Content:
        """Give what a part is, as far as it was read."""
        operation, source = self.loaded[role]
        content = None if source is None else source.content
        if content is None:
            what = source.name if source is not None else operation.command
            raise _OpenError(f"what {what} holds is not known")
        if content.why.startswith(PASSED_OVER):
            raise _OpenError(f"{content.name} was not read: {content.why}")
        return content

    # The parts ------------------------------------------------------------------------------------

    def suits(self, content: Content) -> None:
        """See that the command takes such an image."""
        wanted, spoken = _WANTS[self.name]
        inner = content
        if content.facts is None and content.format is not None:
            raise _NoError(f"{content.name} is damaged: {content.why}", Fault.CONTENT)
        if self.name == "booti" and content.unpacked is not None:
            if not all(self.boot.settings.get(name) for name in _UNPACKING):
                raise _NoError(
                    f"{content.name} is compressed, and {' or '.join(_UNPACKING)} is not set"
                )
            inner = content.unwrapped()
            given = self.boot.settings["kernel_comp_size"]
            short = comp_size_short(number(given), content.size, inner.size)
            if short and "${" not in given:
                raise _NoError(short)
        if self.name == "bootefi" and inner.facts is None and inner.why != NO_FORMAT:
            raise _OpenError(f"what {content.name} starts is not known")
        if not isinstance(inner.facts, wanted):
            what = inner.called
            why = f"{self.name} takes {spoken}; {content.name} is none: {what}"
            raise _NoError(why, Fault.CONTENT)
        if isinstance(inner.facts, UimageFacts) and inner.facts.type not in _STARTED:
            raise _NoError(f"{content.name} is a uImage of type {inner.facts.type}, not kernel")
        if isinstance(inner.facts, RiscvImageFacts) and not inner.facts.current:
            why = f"{content.name} lacks the magic that U-Boot looks for"  # arch/riscv/lib/image.c
            raise _NoError(why, Fault.CONTENT)
        arch = ARCHES[self.layout.arch].container
        if isinstance(inner.facts, UimageFacts) and inner.facts.os != "linux":
            why = f"{content.name} says os {inner.facts.os}: it is started by that one's rules"
            raise _NoError(why, Fault.CONTENT, returns=False)
        if isinstance(inner.facts, UimageFacts) and inner.facts.arch != arch:
            why = f"{content.name} is for {inner.facts.arch}, the board is {arch}"
            raise _NoError(why, Fault.MACHINE)

    def taken_ramdisk(self) -> None:
        """See that U-Boot takes what is given as a ramdisk (boot/image-board.c, select_ramdisk)."""
        source = self.loaded["ramdisk"][1] if "ramdisk" in self.loaded else None
        content = None if source is None else source.content
        if content is None or content.facts is None or isinstance(content.facts, FitFacts):
            return
        facts, region = content.facts, self.region("ramdisk")
        if not isinstance(facts, UimageFacts):
            word = self.arguments[2] if len(self.arguments) > 2 else ""
            if ":" not in word and self.name in {"bootm", "booti", "bootz"}:
                why = f"the ramdisk {content.name} has no header of U-Boot's, and no size is given"
                raise _NoError(why, Fault.RAMDISK, at=region)
            size, whole = self.boot.ramdisk_size, source.size if source is not None else None
            if size and whole is not None and size < whole:
                why = f"it gives the kernel {both(size)} of {content.name}, which has {both(whole)}"
                raise _NoError(why, returns=False)
            return
        arch = ARCHES[self.layout.arch].container
        said = (facts.type, facts.os, facts.arch)
        if said != ("ramdisk", "linux", arch):
            why = f"{content.name} is a uImage of type {said[0]} for {said[1]} on {said[2]}"
            raise _NoError(f"{why}, no ramdisk for linux on {arch}", Fault.RAMDISK, at=region)
        self.sums(content, "ramdisk")

    def parts(self) -> Mapping[str, Piece]:
        boot = self.boot
        content = self.content("kernel")
        if isinstance(content.facts, FitFacts):
            self.configuration(content, content.facts)
        self.sums(content)
        self.built_in(content)
        if self.name == "bootefi":
            return {piece.role: piece for piece in self.efi(content)}
        given = Given(
            boot=boot,
            operations=[operation for operation, _ in self.loaded.values()],
            loaded=self.loaded,
        )
        try:
            found = pieces(given)
        except UnknownError as problem:
            raise _OpenError(str(problem)) from problem
        return {piece.role: piece for piece in found}

    def untorn(self, role: str) -> None:
        """See that a part is not torn, or that U-Boot sees it by a sum over all that it starts."""
        operation, source = self.loaded[role]
        if source is None or not self.board.is_torn(source.region):
            return
        name = source.region.name
        what = source.name if source.name == name else f"{source.name} in {name}"
        facts = source.content.facts if source.content is not None else None
        broken = self.board.broken.get(name)
        used = self.named(facts) if isinstance(facts, FitFacts) else set()
        if broken is not None and used and not used & broken:
            return
        if broken is not None and used:
            what = f"{' and '.join(sorted(used & broken))} of {what}"
        if self.guarded(facts, broken):
            raise _NoError(f"the sums of {what} do not hold: it is torn", blame=operation)
        why = f"{what} is torn, and no sum tells: it is started, and crashes"
        raise _NoError(why, returns=False, torn=name)

    def guarded(self, facts: Facts | None, broken: frozenset[str] | None) -> bool:
        """Tell whether U-Boot looks at a sum that does not hold in what it takes from a content.

        `broken` are the images that are torn, where that is known; else each of them may be.
        """
        if self.unverified() or not isinstance(facts, FitFacts | UimageFacts):
            return False
        if not isinstance(facts, FitFacts):
            return bool(facts.checksums)
        summed = {checksum.name.partition("/")[0] for checksum in facts.checksums}
        used = self.named(facts)
        return bool(summed & used & broken if broken is not None else summed and used <= summed)

    def unverified(self) -> bool:
        """Tell whether the environment switches the sums off (env/common.c, env_get_yesno)."""
        said = self.boot.settings.get("verify", "")
        return bool(said) and "${" not in said and said[0] not in "1yYtT"

    def efi(self, content: Content) -> Iterator[Piece]:
        """Take apart what an EFI program brings: a kernel with its stub, or a unified image.

        Source: U-Boot cmd/bootefi.c (bootargs become the load options); UAPI Group, Unified Kernel
        Image; systemd-stub(7) (from memory: load options replace .cmdline but under Secure Boot).
        """
        facts, at = content.facts, self.boot.kernel or 0
        if isinstance(facts, Efi):
            if facts.arch != self.layout.arch:
                why = f"{content.name} is an EFI program for {facts.arch}, not {self.layout.arch}"
                raise _NoError(why, Fault.MACHINE)
            if not facts.unified:
                raise _OpenError(f"what the EFI program {content.name} starts is not known")
            own, given = facts.texts.get(".cmdline", "").strip(), self.boot.arguments
            if own and given and own.split() != given.split():
                what = "whether bootargs or the image's own command line counts"
                raise _OpenError(f"{what} hangs on Secure Boot")
            self.boot = replace(self.boot, arguments=own or given)
            if content.size < (facts.length or 0):
                missing = (facts.length or 0) - content.size
                raise _NoError(f"{content.name} ends {both(missing)} too early", Fault.CONTENT)
            if content.part(".linux") is None:
                raise _OpenError(f"the kernel in {content.name} is not known")
            for role, name in (("kernel", ".linux"), ("ramdisk", ".initrd"), ("fdt", ".dtb")):
                part, section = content.part(name), facts.section(name)
                if part is not None and section is not None:
                    where = at + section.offset
                    yield Piece(role=role, name=part.name, content=part, at=where, size=part.size)
        else:
            if "initrd=" in (self.boot.arguments or ""):
                raise _OpenError("initrd= is looked up by the EFI stub: whether it is there")
            size = content.size
            yield Piece(role="kernel", name=content.name, content=content, at=at, size=size)
        tree = self.loaded.get("fdt")
        if tree is not None and tree[1] is not None and tree[1].content is not None:
            given_tree = tree[1].content
            where, size = self.boot.fdt or 0, given_tree.size
            yield Piece(role="fdt", name=given_tree.name, content=given_tree, at=where, size=size)

    def built_in(self, content: Content) -> None:
        """See that U-Boot was built with what it takes to start this image."""
        start = start_of(content, self.boot.config)
        for lack in self.copies.options.image(content, start):
            raise _NoError(str(lack), Fault.OPTION)

    def configuration(self, content: Content, facts: FitFacts) -> None:
        """See that the FIT's configuration is there, and that what it names is whole."""
        chosen = configuration_of(facts, self.boot.config)
        if chosen is None:
            name = (self.boot.config or facts.default or "").partition("#")[0]
            why = f"{content.name} has no configuration {name}"
            if not name:
                why = f"{content.name} names no default configuration, and the command none"
            raise _NoError(why, Fault.CONFIGURATION)
        if chosen.kernel is None:
            why = f"configuration {chosen.name} of {content.name} has no kernel"
            raise _NoError(why, Fault.CONFIGURATION)
        for role in ("kernel", "ramdisk", "fdt"):
            named = getattr(chosen, role)
            for wanted in (named,) if isinstance(named, str) else named or ():
                image = facts.image(wanted)
                if image is None:
                    why = f"{content.name} has no image {wanted}"
                    if role != "kernel":
                        why += f": U-Boot starts the kernel without its {SPOKEN[role]}"
                    # select_ramdisk and select_fdt take a name without an image for none.
                    raise _NoError(why, Fault.CONFIGURATION, returns=role == "kernel")
                self.taken_as(role, image)
                if not image.data_size or image.data_present < image.data_size:
                    why = f"the data of {wanted} is not all in {content.name}"
                    raise _NoError(why, Fault.CONTENT)
                arch = ARCHES[self.layout.arch].container
                if role == "kernel" and image.arch not in {None, arch}:
                    # U-Boot looks at this in a uImage only (boot/image-fit.c; seen running)
                    why = f"{wanted} is for {image.arch}, the board is {arch}"
                    raise _NoError(why, Fault.MACHINE, returns=False)

    @staticmethod
    def taken_as(role: str, image: FitImage) -> None:
        """See that U-Boot takes an image of a FIT for this (boot/image-fit.c, fit_image_load)."""
        if image.type not in _TYPES[role]:
            why = f"{image.name} says type {image.type or 'nothing'}, and is taken as {role}"
            raise _NoError(why, Fault.CONFIGURATION)
        if role == "fdt" or image.os == "linux":
            return
        why = f"{image.name} says os {image.os or 'nothing'}, not linux"
        if image.os not in _SYSTEMS_STARTED:
            raise _NoError(why, Fault.CONFIGURATION)
        if role == "kernel":
            # it is started by the rules of that other system (boot/bootm_os.c)
            raise _NoError(why, Fault.CONFIGURATION, returns=False)

    def sums(self, content: Content, role: str = "kernel") -> None:
        """See that the checksums hold that U-Boot looks at."""
        facts = content.facts
        cut = isinstance(facts, UimageFacts) and content.size < facts.data_offset + facts.size
        if cut:
            raise _NoError(f"{content.name} is cut", Fault.CONTENT, at=self.region(role))
        if self.unverified():
            return
        used = self.named(facts) if isinstance(facts, FitFacts) else None
        for checksum in facts.checksums if isinstance(facts, FitFacts | UimageFacts) else ():
            if used is not None and checksum.name.partition("/")[0] not in used:
                continue
            if checksum.matches is False:
                why = f"the {checksum.algorithm} of {checksum.name} does not hold"
                raise _NoError(why, Fault.CHECKSUM, at=self.region(role))

    def named(self, facts: FitFacts) -> set[str]:
        chosen = configuration_of(facts, self.boot.config)
        if chosen is None:
            return set()
        names = (chosen.kernel, chosen.ramdisk, *chosen.fdt)
        images = (facts.image(one) for one in names if one)
        return {image.name for image in images if image is not None}

    def kernel(self, piece: Piece) -> None:
        """See that it is a whole kernel for this board."""
        content = piece.content
        if content is None:
            raise _OpenError(f"what {piece.name} holds is not known")
        for layer in _layers(content):
            if layer.unpacked is not None and not layer.complete:
                returns = self.name != "bootm"
                why = f"{layer.name} cannot be unpacked: {layer.why}"
                raise _NoError(why, Fault.CONTENT, returns=returns)
        inner = content.unwrapped()
        arch = _machine(inner)
        if arch is not None and arch != self.layout.arch:
            raise _NoError(
                f"{inner.name} is a kernel for {arch}, the board is {self.layout.arch}",
                Fault.MACHINE,
                returns=False,
            )
        if inner.facts is not None and inner.size < (inner.facts.length or 0):
            why = f"{inner.name} ends {both((inner.facts.length or 0) - inner.size)} too early"
            raise _NoError(why, Fault.CONTENT, at=self.region("kernel"), returns=False)
        if arch is None and self.layout.arch in {"arm64", "riscv64"}:
            why = f"{inner.name} is no kernel for {self.layout.arch}"
            raise _NoError(why, Fault.CONTENT, returns=False)
        if arch is None and self.layout.arch not in _BARE:
            raise _OpenError(f"whether {inner.name} is a kernel is not known")

    def tree(self, piece: Piece | None) -> Iterator[Link]:
        """See that there is a device tree."""
        if piece is None:
            if self.name == "bootefi" or any(_OWN_TREE in word for word in self.arguments):
                yield Link("fdt", "U-Boot's own device tree")
            elif any("${" in word for word in self.arguments[3:4]):
                raise _OpenError("where the device tree is, is not known")
            elif self.layout.arch not in _TREELESS:
                if self.layout.arch == "arm":
                    raise _OpenError("no device tree is given; one may be appended to the kernel")
                raise _NoError("no device tree is given: the kernel says nothing", returns=False)
            return
        content = piece.content
        if content is None:
            raise _OpenError(f"what {piece.name} holds is not known")
        inner = content.unwrapped()
        if not isinstance(inner.facts, FdtFacts):
            what = content.called
            what = f"damaged: {inner.why}" if inner.format == FdtFacts.format else what
            why = f"the device tree {piece.name} is {what}"
            raise _NoError(why, Fault.CONTENT, at=self.link("fdt", piece).region)
        yield self.link("fdt", piece)

    def ramdisk(
        self, piece: Piece, region: str | None, parts: Mapping[str, Piece]
    ) -> Iterator[Link]:
        """See that the kernel takes the ramdisk, and that its init runs."""
        content = piece.content
        if content is None:
            raise _OpenError(f"what {piece.name} holds is not known")
        inner = content.unwrapped()
        if not isinstance(inner.facts, CpioFacts) and inner.format not in MOUNTED:
            what = inner.called
            if inner.format == CpioFacts.format:
                raise _OpenError(f"the ramdisk {piece.name} was not followed: {inner.why}")
            why = f"the ramdisk {piece.name} is {what}"
            raise _NoError(why, Fault.RAMDISK, at=region, returns=False)
        yield from self.first(piece, region, parts)

    def early(self, piece: Piece, region: str | None, parts: Mapping[str, Piece]) -> Iterator[Link]:
        """See that a ramdisk that nobody surveyed starts, and what it is to mount."""
        line = command_line.parse(self.boot.arguments or "")
        if piece.content is None:
            return
        last = line.last("rdinit")
        found = self.starter.early(piece.content, last.value if last else None, line.init)
        if found.ignored:
            yield from self.root(parts)
            return
        if found.runs is None:
            raise _OpenError(f"whether {found.init} of {piece.name} runs is not known: {found.why}")
        if not found.runs:
            why = f"{found.init} of the ramdisk {piece.name} does not run: {found.why}"
            raise _NoError(why, Fault.INIT, at=region, returns=False)
        config = self.config_of(parts["kernel"])
        lacks = [it for it in found.options if config and config.get(f"CONFIG_{it}") != "y"]
        if lacks:
            why = f"the kernel unpacks nothing of {piece.name}: it has no CONFIG_{lacks[0]}"
            raise _NoError(why, Fault.KERNEL, at=region, returns=False)
        yield Link("init", found.init, region)
        switch = found.switch
        if switch is not None and switch.device is not None:
            doubtful = set(switch.others) - SHELLS
            yield from self.switched(switch, config, sure=not doubtful)
        elif switch is not None and not switch.asks:
            raise _OpenError(
                f"which root {switch.step.place} of {piece.name} goes on to is not known"
            )
        elif line.root is not None and "${" not in line.root.text:
            yield from self.asked(line.root, line.init, switch, config)
        elif switch is not None:
            raise _OpenError("root= is not known, and the ramdisk goes on to what it says")

    def asked(
        self,
        root: Root,
        named: str | None,
        switch: Switch | None,
        config: Mapping[str, str] | None,
    ) -> Iterator[Link]:
        """See that there is a system where root= leads a ramdisk's script."""
        region, why = self.starter.devices.find(root.text)
        if why:
            raise _NoError(f"root={root.text}: {why}", Fault.ROOT, returns=False)
        if region is None:
            if switch is not None:
                raise _OpenError(f"what root={root.text} leads to is not known")
            return
        self.taken_type(region, switch)
        content = self.board.content(region)
        if switch is not None and switch.init is None and named and content is not None:
            # Generated scripts take /sbin/init where it is not there, others do not.
            found = init_of(content, named, self.layout.arch, config)
            if found.path is None and init_of(content, None, self.layout.arch, config).path:
                why = f"whether {switch.step.path} of the ramdisk starts another init"
                raise _OpenError(f"{why} is not known: {found.why}")
        said = switch.init if switch is not None else None
        yield from self.system(region, root, said or named, config)

    def switched(
        self, switch: Switch, config: Mapping[str, str] | None, *, sure: bool
    ) -> Iterator[Link]:
        """See that there is a system where a ramdisk's script goes on; it may not be `sure` to."""
        device = switch.device or ""
        region, why = self.starter.devices.find(device)
        if why:
            why = f"{switch.step.place} of the ramdisk mounts {device} for the new root: {why}"
            if not sure:
                raise _OpenError(f"{why}; whether it comes there is not known")
            raise _NoError(why, Fault.ROOT, returns=False)
        root = command_line.parse(f"root={device}").root
        if region is None or root is None:
            why = f"{switch.step.place} of the ramdisk mounts {device} for the new root"
            raise _OpenError(f"{why}: what that is, is not known")
        self.taken_type(region, switch)
        yield from self.system(region, root, switch.init, config)

    def taken_type(self, region: Region, switch: Switch | None) -> None:
        """See that a script mounts a root as what it is (mount(8): without a type, it is tried)."""
        kind = switch.kind if switch is not None else None
        content = self.board.content(region)
        holds = content.format or "" if content is not None else ""
        if switch is None or kind is None or holds not in MOUNTED:
            return
        ext = {"ext2", "ext3", "ext4"}
        taken = MOUNTED[holds] | (ext if holds in ext else set()) | {"auto"}
        # One of several that are named is enough, and noX is any other.
        if taken.isdisjoint(kind.split(",")) and not kind.startswith("no"):
            why = f"{switch.step.path} of the ramdisk mounts {region.name} as {kind}, and it holds"
            raise _NoError(f"{why} {holds}", Fault.ROOT, returns=False)

    def ramdisk_from(self, parts: Mapping[str, Piece]) -> str | None:
        """Name the region that the ramdisk comes from: given, in the FIT, or in the kernel."""
        if "ramdisk" in self.loaded:
            return self.region("ramdisk")
        inside = "ramdisk" in parts or self.bundled(parts["kernel"])
        return self.region("kernel") if inside else None

    def first(self, piece: Piece, region: str | None, parts: Mapping[str, Piece]) -> Iterator[Link]:
        """See that the first program of a surveyed ramdisk runs."""
        rescue = self.ramdisks.get(region or "")
        if rescue is None or _is_another(piece, rescue):
            yield from self.early(piece, region, parts)
            return
        if rescue.facts is None:
            raise _OpenError(f"the ramdisk of {region} could not be read: {rescue.why}")
        init = rescue.facts.init
        if init.verdict.runs is None:
            raise _OpenError(f"whether {init.path} of the ramdisk runs is not known")
        if not init.verdict.runs:
            why = "; ".join(one.chain for one in init.verdict.reasons)
            why = f"{init.path} of the ramdisk does not run: {why}"
            raise _NoError(why, Fault.INIT, at=region, returns=False)
        if rescue.start is not None and rescue.start.stops:
            why = f"the ramdisk's own start ends: {rescue.start.stops}"
            raise _NoError(why, Fault.INIT, at=region, returns=False)
        yield Link("init", init.path, region)
        switch = rescue.start.switch if rescue.start is not None else None
        if switch is None or not switch.certain:
            return  # it may stay in the ramdisk, which is what was surveyed
        if switch.device is None:
            raise _OpenError(
                f"which root {switch.step.place} of the ramdisk goes on to is not known"
            )
        yield from self.switched(switch, self.config_of(parts["kernel"]), sure=True)

    @staticmethod
    def bundled(piece: Piece) -> bool:
        """Tell whether the kernel carries a ramdisk of its own that has files."""
        contents = piece.content.walk() if piece.content is not None else ()
        return any(
            isinstance(inner.facts, CpioFacts) and len(inner.facts.entries) > _DEFAULT_ENTRIES
            for inner in contents
        )

    def link(self, role: str, piece: Piece) -> Link:
        """Name a part, with what tells it from others."""
        found = self.loaded.get(role) or self.loaded["kernel"]
        source = found[1]
        region = None if source is None else source.region.name
        parts: tuple[str, ...] = () if piece.content is None else (piece.content.name,)
        named = found[0].kind is Kind.LOAD
        if role != "kernel":
            return Link(role, piece.name, region, parts, by_table=named)
        extra = ""
        if piece.content is not None:
            inner = piece.content.unwrapped()
            known = (_release(inner), _machine(inner))
            extra = ", ".join(word for word in known if word)
        whole = None if source is None else source.content
        if whole is not None and isinstance(whole.facts, FitFacts):
            # Overlays are no link of their own.
            parts += tuple(f"{whole.name}/{name}" for name in sorted(self.named(whole.facts)))
        said = f"{piece.name} ({extra})" if extra else piece.name
        variable = self.operations[self.boot.operation].variable
        return Link(role, said, region, parts, self.boot.command, variable, named)

    # The root -------------------------------------------------------------------------------------

    def root(self, parts: Mapping[str, Piece]) -> Iterator[Link]:
        """Follow `root=` to a file system that the layout has."""
        sure = self.sure_arguments(parts)
        text = self.boot.arguments if sure is None else sure
        if text is None:
            raise _OpenError("no bootargs are set, so root= is what the kernel was built with")
        line = command_line.parse(text)
        root = line.root
        if root is None:
            if "${" in text:
                raise _OpenError("root= is not known")
            if sure is not None:
                why = "nothing says root=: not bootargs, not the device tree, not the kernel"
                raise _NoError(why, Fault.ROOT, returns=False)
            raise _OpenError("bootargs has no root=, so it is what the kernel was built with")
        target = target_of(self.board.build, self.layout, self.copies, root)
        if root.needs_ramdisk:
            why = f"root={root.text} needs a ramdisk to look it up; there is none"
            raise _NoError(why, Fault.ROOT, returns=False)
        if target is None or (target.region is None and not target.why):
            raise _OpenError(f"what root={root.text} leads to is not known")
        if target.region is None:
            raise _NoError(f"root={root.text}: {target.why}", Fault.ROOT, returns=False)
        if self.board.has_torn_table(target.region.chip) and line.last("gpt") is None:
            wait = line.last("rootwait")
            raise _NoError(
                f"the primary GPT of {target.region.chip} does not hold, and the kernel looks at"
                " the backup only where its command line has gpt",
                Fault.TABLE,
                returns=False,
                waits=wait is not None and wait.value is None,
            )
        yield from self.system(target.region, root, line.init, self.config_of(parts["kernel"]))

    def torn_root(self, region: Region, root: Root, content: Content) -> NoReturn:
        """Say what the kernel makes of a root that is partly old, partly new.

        Source: Linux Documentation/admin-guide/device-mapper/verity.rst; fs/squashfs/super.c
        (`squashfs_fill_super` reads the tables at the end of the image and has no sum of any);
        fs/ext4/super.c and Documentation/filesystems/ext4/checksums.rst (sums over metadata).
        """
        what = f"root={root.text} is {region.name}, which is torn"
        if root.verified:
            why = f"{what}: dm-verity gives no block that does not match its hash"
            raise _NoError(why, returns=False, restarts=root.restarts)
        facts = content.facts
        if content.format == "squashfs" and self.layout.chips[region.chip].kind.mtd:
            # It is written from front to back, and the superblock in front says where they stand.
            why = f"{what}: squashfs has its tables at its end, and it is not mounted without them"
            raise _NoError(why, returns=False)
        seen = "no sum tells"
        if content.format == "squashfs":
            seen = "squashfs has no sums, and what does not unpack is seen as it is read"
        elif isinstance(facts, Ext) and "metadata_csum" in facts.features:
            seen = "ext4 has sums over its metadata, and none over what is in files"
        why = f"{what}; {seen}: it may be mounted, and does not come up"
        raise _NoError(why, returns=False, torn=region.name)

    @staticmethod
    def config_of(kernel: Piece) -> Mapping[str, str] | None:
        """Give the configuration that a kernel carries."""
        inner = None if kernel.content is None else kernel_in(kernel.content)
        return None if inner is None or inner.inside is None else inner.inside.config

    def sure_arguments(self, parts: Mapping[str, Piece]) -> str | None:
        """Give what the kernel goes by; None where its configuration or its tree is not known.

        Source: Linux drivers/of/fdt.c, early_init_dt_scan_chosen; U-Boot boot/fdt_support.c,
        fdt_chosen: bootargs take the place of the tree's own.
        """
        config = self.config_of(parts["kernel"])
        if not config or self.layout.arch in _TREELESS:
            return None
        given = self.boot.arguments
        if given is None:
            tree = parts["fdt"].content if "fdt" in parts else None
            facts = None if tree is None else tree.unwrapped().facts
            given = facts.bootargs or "" if isinstance(facts, FdtFacts) else None
        built = config.get("CONFIG_CMDLINE", "").strip('"')
        if config.get("CONFIG_CMDLINE_FORCE") == "y":
            return built if self.boot.arguments is None else None  # proof/linux.py compares them
        if given is not None and config.get("CONFIG_CMDLINE_EXTEND") == "y":
            return f"{given} {built}".strip()
        return None if given is None else given or built

    def system(
        self, region: Region, root: Root, named: str | None, config: Mapping[str, str] | None
    ) -> Iterator[Link]:
        """See that a region holds a file system with a first program."""
        content = self.board.content(region)
        if content is None:
            raise _OpenError(f"what {region.name}, the root, holds is not known")
        if isinstance(content.facts, FileSystem) and content.format not in MOUNTED:
            raise _OpenError(f"the files of {region.name}, the root, are not read: {content.title}")
        if content.format not in MOUNTED or content.facts is None:
            what = content.called
            why = f"root={root.text} is {region.name}, which holds {what}, no file system"
            raise _NoError(why, Fault.ROOT_CONTENT, at=region.name, returns=False)
        if self.board.is_torn(region):
            self.torn_root(region, root, content)
        by_table = region.partition is not None
        said = f"root {region.name} ({region.holds})"
        yield Link("root", said, region.name, by_table=by_table)
        init = init_of(content, named, self.layout.arch, config)
        if init.path is None and not init.known:
            raise _OpenError(f"the init of {region.name}: {init.why}")
        if init.path is None:
            why = init.why if init.bare else f"the kernel finds no init: {init.why}"
            raise _NoError(why, Fault.ROOT_CONTENT, at=region.name, returns=False)
        damage = _damage(content, region.room)
        if damage:
            raise _OpenError(f"whether {region.name}, the root, comes up is not known: {damage}")
        yield Link("init", init.path, region.name)


def resets(config: Mapping[str, str] | None) -> bool:
    """Tell whether a kernel was built to restart after a panic (Linux lib/Kconfig.debug)."""
    return (config or {}).get("CONFIG_PANIC_TIMEOUT", "0") != "0"


def _is_another(piece: Piece, rescue: Rescue) -> bool:
    """Tell whether what is started is another ramdisk of the container than the surveyed one."""
    own = [segment.name for segment in rescue.ramdisk.segments if not segment.bundled]
    if piece.role != "ramdisk" or piece.content is None or not own:
        return False
    name, surveyed = piece.content.name.rpartition("/"), own[0].rpartition("/")
    return bool(name[0]) and name[0] == surveyed[0] and name[2] != surveyed[2]


def _damage(content: Content, room: int) -> str:
    """Say what is damaged in a file system; a kernel may mount it, and meet the damage later."""
    facts = content.facts
    wrong = next((one for one in facts.checksums if one.matches is False), None) if facts else None
    if wrong is not None:
        return f"the {wrong.algorithm} of {wrong.name} does not hold"
    if not isinstance(facts, FileSystem):
        return ""
    # One that is too large for its region is told as that, and refutes what mounts it.
    missing = min(facts.length or 0, room) - content.size
    if missing > 0:
        return f"its file ends {both(missing)} too early"
    return f"it is damaged, {facts.flaws[0].what}" if facts.flaws else ""


def _machine(content: Content) -> str | None:
    """Name the architecture that a kernel with a header is for."""
    return of_kernel(content.format) if content.facts is not None else None


def _release(kernel: Content | None) -> str | None:
    inside = kernel.unwrapped().inside if kernel is not None else None
    return inside.release if inside is not None else None


_UNPACKING = ("kernel_comp_addr_r", "kernel_comp_size")
_DEFAULT_ENTRIES = 3  # usr/default_cpio_list: /dev, /dev/console and /root


def _layers(content: Content) -> Iterator[Content]:
    yield content
    if content.unpacked is not None and content.children:
        yield from _layers(content.children[0])

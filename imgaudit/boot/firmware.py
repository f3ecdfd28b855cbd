"""The programs in a firmware: which one it is, by what it says itself, and the tree it carries.

Source: U-Boot include/version.h (`U_BOOT_VERSION_STRING`), arch/arm/cpu/armv8/start.S (`_end_ofs`)
and lib/fdtdec.c (`fdtdec_setup`: the tree lies at `_end`); Trusted Firmware-A bl31/bl31_main.c and
bl2/bl2_main.c, whose notices begin with the name of the image.
"""

from __future__ import annotations

from collections.abc import Iterator
from enum import StrEnum

from imgaudit.contents.build import Build
from imgaudit.contents.place import Node
from imgaudit.contents.tree import Content
from imgaudit.data import dataclass
from imgaudit.errors import ImgauditError
from imgaudit.formats import fdt
from imgaudit.formats.facts import Facts
from imgaudit.formats.fdt import FdtFacts
from imgaudit.formats.fip import Fip
from imgaudit.formats.fit import FitFacts
from imgaudit.formats.flat_tree import STARTS
from imgaudit.formats.view import View
from imgaudit.patterns import regex
from imgaudit.units import KIB, MIB

_LARGEST = 16 * MIB  # no boot loader is larger
_SMALLEST = 4 * KIB
_TREES = 64  # places that are tried for a tree; code that looks for the magic has a handful
# TF-A 2.8 names its runtime "BL31: %s" in the format of its version notice.
_U_BOOT = regex(rb"U-Boot (SPL |TPL |VPL )?(20\d\d\.\d\d[^\s\0()]{0,60}) \(")
_MONITOR = regex(rb"BL(1|2|2U|31|32): (?:%s|v\d)")
_TRUSTED_OS = regex(rb"OP-TEE version: ")


_COMPILER = regex(rb"\0(aarch64|arm|riscv64|riscv32|i686|x86_64)-[\w-]*(?:gcc|clang) \(")
_COMPILED = {
    b"aarch64": "arm64",
    b"arm": "arm",
    b"riscv64": "riscv64",
    b"riscv32": "riscv32",
    b"i686": "x86",
    b"x86_64": "x86-64",
}


class Program(StrEnum):
    """What a boot program says that it is."""

    U_BOOT = "U-Boot"
    SPL = "U-Boot SPL"
    BL1 = "Trusted Firmware-A BL1"
    BL2 = "Trusted Firmware-A BL2"
    BL31 = "Trusted Firmware-A BL31"
    TRUSTED_OS = "a trusted OS"


_WITH_TREE = frozenset({Program.U_BOOT, Program.SPL})
_STAGES = {
    b"1": Program.BL1,
    b"2": Program.BL2,
    b"2U": Program.BL2,
    b"31": Program.BL31,
    b"32": Program.TRUSTED_OS,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Firmware:
    """A boot program found in a firmware.

    `at` is where it says what it is, `end` where an arm64 U-Boot expects its device tree (None
    where it does not say), both from the start of the content. `embedded` is the device tree inside
    it, `beside` are those in the FIT or FIP around it. `machine` is the layout's word for what it
    was built for, empty where it does not tell. `holder` is that container, `name` the
    entry there.
    """

    node: Node[Facts]
    holder: Content | None
    name: str
    program: Program
    version: str
    machine: str = ""
    at: int
    end: int | None
    embedded: FdtFacts | None
    beside: tuple[FdtFacts, ...]

    @property
    def trees(self) -> tuple[FdtFacts, ...]:
        """The device trees that it may be given: its own, or those beside it."""
        return self.beside if self.embedded is None else (self.embedded,)


def firmware_of(build: Build) -> tuple[Firmware, ...]:
    """Find the boot programs of a build, each once."""
    found: list[Firmware] = []
    for node in build.nodes:
        view = None if node.repeats else node.view()
        if view is None or node.content.children or isinstance(node.facts, FdtFacts):
            continue
        holder = _container(node)
        data = _bytes(view)
        found += (
            Firmware(
                node=node,
                holder=holder,
                name=node.content.name.rpartition("/")[2],
                program=program,
                version=version,
                machine=_machine(data) if program is Program.U_BOOT else "",
                at=at,
                end=(end := _end(view) if program is Program.U_BOOT else None),
                embedded=_inside(view, end) if program in _WITH_TREE else None,
                beside=_beside(holder) if program in _WITH_TREE else (),
            )
            for program, version, at in _identified(data)
        )
    return tuple(found)


def _container(node: Node[Facts]) -> Content | None:
    """Give the FIP or FIT around a program."""
    around = (holder.content for holder in node.holders())
    return next((content for content in around if isinstance(content.facts, Fip | FitFacts)), None)


def _bytes(view: View) -> bytes:
    """Read a whole program; nothing where it is no boot program by its size or was not kept."""
    if not _SMALLEST <= view.size <= _LARGEST:
        return b""
    try:
        return view.upto(0, view.size)
    except ImgauditError:
        return b""


def is_u_boot(view: View | None) -> bool:
    """Tell whether a program says of itself that it is U-Boot."""
    return view is not None and _U_BOOT.search(_bytes(view)) is not None


def _identified(data: bytes) -> Iterator[tuple[Program, str, int]]:
    """Tell which programs these bytes are, their versions, and where they say so.

    A first stage and U-Boot may lie in one file, each with its banner; each is given once.
    """
    seen = set()
    for banner in _U_BOOT.finditer(data):
        program = Program.SPL if banner[1] else Program.U_BOOT
        if program not in seen:
            seen.add(program)
            yield program, banner[2].decode("ascii", "replace"), banner.start()
    if seen:
        return
    if (notice := _MONITOR.search(data)) is not None:
        yield _STAGES[notice[1]], "", notice.start()
    elif (trusted := _TRUSTED_OS.search(data)) is not None:
        yield Program.TRUSTED_OS, "", trusted.start()


def _machine(data: bytes) -> str:
    """Tell for which machine a U-Boot was built: by its compiler's name, or its first words.

    Source: U-Boot cmd/version.c (CC_VERSION_STRING); arch/arm/lib/vectors.S, a branch and loads of
    the program counter; arch/arm/cpu/armv8/start.S, a branch and a nop or an address.
    """
    named = {_COMPILED[found[1]] for found in _COMPILER.finditer(data)}
    if len(named) == 1:
        return named.pop()
    if named:
        return ""
    first, second = data[3:4], data[7:8]
    if second == b"\xe5" and first in {b"\xea", b"\0"}:
        return "arm"
    return "arm64" if first == b"\x14" and second in {b"\xd5", b"\0"} else ""


def _beside(holder: Content | None) -> tuple[FdtFacts, ...]:
    trees = () if holder is None else holder.children
    return tuple(child.facts for child in trees if isinstance(child.facts, FdtFacts))


def _end(view: View) -> int | None:
    """Give where an arm64 U-Boot ends: `_end_ofs`, the third word of its header.

    A header with a boot ROM's own code in front (sunxi) has zeros there.
    """
    head = view.upto(0, 40)
    if len(head) < 40 or head[3] not in {0x14, 0xD5}:
        return None  # the first instruction is a branch or a nop
    end = int.from_bytes(head[16:24], "little")
    return end if _SMALLEST <= end <= view.size + _LARGEST else None


def _inside(view: View, end: int | None) -> FdtFacts | None:
    """Find the device tree inside a U-Boot: at its end, or compiled in."""
    places = [] if end is None else [end]
    at = view.find(STARTS)
    while at >= 0 and len(places) < _TREES:
        places.append(at)
        at = view.find(STARTS, at + 1)
    for place in places:
        if place < view.size:
            try:
                facts = fdt.read(view.sub(place))
            except ImgauditError:
                continue
            if facts.compatible and not facts.overlay:
                return facts
    return None

"""Boot programs: each where it is started, with its device tree, for this board, of one release."""

from __future__ import annotations

import struct
from collections.abc import Iterator

from imgaudit.boot.firmware import Firmware, Program
from imgaudit.formats.fip import Fip
from imgaudit.formats.fit import FitFacts
from imgaudit.model import FIRMWARE as MAY_BE_FIRMWARE
from imgaudit.rules import samples as sample
from imgaudit.rules.cited import (
    BOARD_NAMES,
    PRACTICE,
    in_trusted_firmware,
    in_u_boot,
)
from imgaudit.rules.engine import (
    Case,
    Example,
    Finding,
    Kind,
    NotChecked,
    Outcome,
    Rule,
    Severity,
    check,
)
from imgaudit.rules.examples import nor
from imgaudit.rules.kinds import board_arch, whole
from imgaudit.rules.subject import Subject
from imgaudit.units import KIB
from imgaudit.writers.fip import BL31, BL33, fip

_ENTRIES = {
    "BL2": Program.BL2,
    "BL31": Program.BL31,
    "BL32": Program.TRUSTED_OS,
    "BL33": Program.U_BOOT,
}
# U-Boot common/spl/spl_fit.c goes by `os`; these words are those of boot/image.c, uimage_os[].
_SYSTEMS = {
    "u-boot": Program.U_BOOT,
    "arm-trusted-firmware": Program.BL31,
    "tee": Program.TRUSTED_OS,
}
_MONITOR = b"NOTICE:  BL31: %s\0".ljust(8 * KIB, b"\0")


def u_boot(
    version: str = "2026.07", tree: bytes = b"", first: str = "", compiler: str = ""
) -> bytes:
    """Write what makes an arm64 U-Boot known: its header, its banner, and the tree at its end."""
    head = struct.pack("<IIQQQQ", 0x1400000A, 0xD503201F, 0x80000000, 8 * KIB, 8 * KIB, 8 * KIB)
    banner = f"U-Boot {first}{version} (Jul 06 2026 - 12:00:00 +0000)\0".encode()
    if compiler:
        banner += f"{compiler}-gcc (Debian 12.2.0-14) 12.2.0\0".encode()
    return (head + bytes(24) + banner).ljust(8 * KIB, b"\0") + tree


_TREE = sample.board_tree()
_OTHER = sample.board_tree({"compatible": ["example,buoy", "example,other-soc"]})


def _package(entries: dict[str, bytes], *, config: str = "", tree: bytes = _TREE) -> Example:
    """Give a board with a firmware package and the tree that its kernel gets."""
    uuids = {"BL31": BL31, "BL33": BL33}
    said = "written-elsewhere: {device-tree: board.dtb"
    said += ", uboot-config: u-boot.config}\n" if config else "}\n"
    files = {
        "fip.bin": lambda: fip({uuids[name]: data for name, data in entries.items()}),
        "board.dtb": lambda: tree,
    }
    if config:
        files["u-boot.config"] = config.encode
    return nor(
        "name: firmware, at: 0, size: 128 KiB, holds: fip, file: fip.bin", rest=said, files=files
    )


_SOUND = {"BL31": _MONITOR, "BL33": u_boot(tree=_TREE)}
_GOOD = _package(_SOUND)


def _finding(case: Case, firmware: Firmware, *, severity: Severity | None = None) -> Finding:
    node = firmware.node
    return case.at(
        region=node.region,
        artifact=node.artifact.path,
        key="file",
        offset=(node.start or 0) + firmware.at,
        length=0,
        severity=severity,
        content=node.content.name,
        program=firmware.program.value,
    )


FIRMWARE: Kind[Firmware] = Kind(
    lambda subject: subject.firmware, lambda firmware: firmware.node.content.name
)
"""Every boot program that says what it is."""
U_BOOTS = FIRMWARE.only(lambda firmware: firmware.program is Program.U_BOOT)
_TREE_FROM_ELSEWHERE = ("OF_BOARD", "OF_HAS_PRIOR_STAGE", "OF_EMBED")


def _exchanged_values(what: str, *, container: str) -> None: ...


EXCHANGED = Rule(
    name="boot-program-in-wrong-place",
    stops=True,
    severity=Severity.ERROR,
    values=_exchanged_values,
    message="{container}: {what}",
    effect="The stage before starts it at another program's address and exception level: nothing"
    " more is heard from the board.",
    fix="Give the tool that makes the container each file under its own name; --soc-fw is BL31,"
    " --nt-fw is BL33.",
    computed="the program's own banner against its entry in the package (BL2, BL31, BL32, BL33) or"
    " its os in the FIT (u-boot, arm-trusted-firmware, tee)",
    sources=(
        in_trusted_firmware(
            "docs/design/firmware-design.rst",
            says="BL2 loads the EL3 Runtime Software image from platform storage",
        ),
        in_u_boot("common/spl/spl_fit.c", "spl_load_simple_fit"),
        PRACTICE,
    ),
    bad=_package({"BL31": u_boot(tree=_TREE), "BL33": _MONITOR}),
    good=_GOOD,
)


@check(EXCHANGED)
def exchanged(subject: Subject) -> Outcome:
    wrong: dict[int, list[Firmware]] = {}
    for firmware in subject.firmware:
        if firmware.holder is not None and _wanted(firmware) not in {None, firmware.program}:
            wrong.setdefault(id(firmware.holder), []).append(firmware)
    for items in wrong.values():
        # Two that are exchanged are one mistake.
        what = [f"{item.name} says that it is {item.program.value}" for item in items]
        holder = items[0].holder
        yield _finding(
            EXCHANGED(container=holder.name if holder is not None else "", what=", ".join(what)),
            items[0],
        )


def _wanted(firmware: Firmware) -> Program | None:
    """Say which program the container promises there; None where it promises none."""
    if firmware.holder is None:
        return None
    if isinstance(firmware.holder.facts, Fip):
        return _ENTRIES.get(firmware.name)
    if isinstance(firmware.holder.facts, FitFacts):
        image = firmware.holder.facts.image(firmware.name)
        return None if image is None else _SYSTEMS.get(image.os or "")
    return None


def _machine_values(*, built: str, arch: str) -> None: ...


MACHINE = Rule(
    name="u-boot-for-another-machine",
    stops=True,
    severity=Severity.ERROR,
    values=_machine_values,
    message="{content} is U-Boot for {built}; the board is {arch}",
    effect="The stage before jumps into code that the processor cannot run: nothing more is heard.",
    fix="Ship the U-Boot that was built for {arch}.",
    computed="the compiler that U-Boot names in itself, else its first two instructions, against"
    " the layout's arch; a 32-bit first stage of a 64-bit board is let be",
    sources=(
        in_u_boot("cmd/version.c", "do_version"),
        in_u_boot("arch/arm/lib/vectors.S", "_start"),
        in_u_boot("arch/arm/cpu/armv8/start.S", "_start"),
        PRACTICE,
    ),
    bad=_package({"BL31": _MONITOR, "BL33": u_boot(tree=_TREE, compiler="arm-linux-gnueabihf")}),
    good=_package({"BL31": _MONITOR, "BL33": u_boot(tree=_TREE, compiler="aarch64-linux-gnu")}),
)


@check(MACHINE, over=FIRMWARE, given=board_arch)
def other_machine(firmware: Firmware, arch: str) -> Outcome:
    built = firmware.machine
    if built and built != arch and firmware.node.region is not None:
        yield _finding(MACHINE(built=built, arch=arch), firmware)


def _treeless_values(*, version: str) -> None: ...


TREELESS = Rule(
    name="u-boot-without-device-tree",
    stops=True,
    severity=Severity.ERROR,
    values=_treeless_values,
    message="{content} is U-Boot {version} without a device tree: none is in it or beside it",
    effect=(
        'U-Boot stops before it has a console: "No valid device tree binary found" is '
        "seen on a debug UART at best."
    ),
    fix="Ship u-boot.bin, which has the tree at its end, in place of u-boot-nodtb.bin.",
    computed="no device tree in the program or in the container around it. An error where U-Boot's"
    " configuration says OF_SEPARATE, a warning where it is not known; nothing where an earlier"
    " stage hands the tree over (OF_HAS_PRIOR_STAGE, OF_BOARD)",
    sources=(
        in_u_boot("lib/fdtdec.c", "fdtdec_setup"),
        in_u_boot("lib/fdtdec.c", "fdtdec_prepare_fdt", "No valid device tree binary found"),
        in_u_boot("dts/Kconfig", "OF_SEPARATE"),
    ),
    bad=_package({"BL31": _MONITOR, "BL33": u_boot()}, config="CONFIG_OF_SEPARATE=y\n"),
    good=_GOOD,
)


@check(TREELESS, over=U_BOOTS, given=whole)
def treeless(firmware: Firmware, subject: Subject) -> Outcome:
    copies, arch = subject.copies, subject.layout.arch if subject.layout is not None else ""
    config = copies.uboot_config.says.config if copies and copies.uboot_config else None
    if firmware.trees or firmware.node.region is None or arch not in {"arm", "arm64"}:
        return
    if config is not None and any(map(config.enabled, _TREE_FROM_ELSEWHERE)):
        return
    sure = config is not None and config.enabled("OF_SEPARATE")
    yield _finding(
        TREELESS(version=firmware.version), firmware, severity=None if sure else Severity.WARNING
    )


def _other_board_values(*, own: str, board: str) -> None: ...


OTHER_BOARD = Rule(
    name="u-boot-for-another-board",
    stops=True,
    severity=Severity.ERROR,
    values=_other_board_values,
    message='{content} is U-Boot for "{own}"; the board\'s device tree says "{board}"',
    effect="U-Boot drives the pins, clocks and memory of another board: as a rule it hangs early,"
    " or finds no flash.",
    fix="Ship the U-Boot of this board's defconfig.",
    computed="the root compatible of U-Boot's device tree and those of the board's trees have no"
    " string in common; a warning where they share a later one, such as the SoC's",
    sources=(
        BOARD_NAMES,
        PRACTICE,
    ),
    bad=_package({"BL31": _MONITOR, "BL33": u_boot(tree=_OTHER)}),
    good=_GOOD,
)


def _boards(subject: Subject) -> list[tuple[str, ...]]:
    """Give the boards that device trees name; those of boot programs are their own word of it."""
    own = {firmware.node.artifact.path for firmware in subject.firmware}
    trees = subject.copies.device_trees if subject.copies else ()
    return [
        tree.says.compatible
        for tree in trees
        if tree.place.artifact not in own and tree.says.compatible
    ]


@check(OTHER_BOARD, over=U_BOOTS, given=_boards)
def other_board(firmware: Firmware, boards: list[tuple[str, ...]]) -> Outcome:
    own = [tree.compatible for tree in firmware.trees if tree.compatible]
    if not own or not boards or any(name[0] == board[0] for name in own for board in boards):
        return
    shared = any(set(name) & set(board) for name in own for board in boards)
    yield _finding(
        OTHER_BOARD(own=own[0][0], board=boards[0][0]),
        firmware,
        severity=Severity.WARNING if shared else None,
    )


def _releases_values(other: str, *, version: str) -> None: ...


RELEASES = Rule(
    name="spl-of-another-release",
    severity=Severity.WARNING,
    values=_releases_values,
    message="{content} is U-Boot SPL {version}, the U-Boot that it starts is {other}",
    effect="They were built apart: what SPL hands over (its tree, the memory it set up, the image's"
    " form) may not be what this U-Boot expects.",
    fix="Ship both from one build.",
    computed="the version in SPL's banner is that of no U-Boot in the build",
    sources=(PRACTICE,),
    bad=nor(
        "name: spl, at: 0, size: 64 KiB, file: spl.bin",
        "name: u-boot, at: 64 KiB, size: 64 KiB, file: u-boot.bin",
        files={
            "spl.bin": lambda: u_boot("2025.10", _TREE, "SPL "),
            "u-boot.bin": lambda: u_boot(tree=_TREE),
        },
    ),
    good=nor(
        "name: spl, at: 0, size: 64 KiB, file: spl.bin",
        "name: u-boot, at: 64 KiB, size: 64 KiB, file: u-boot.bin",
        files={
            "spl.bin": lambda: u_boot("2026.07", _TREE, "SPL "),
            "u-boot.bin": lambda: u_boot(tree=_TREE),
        },
    ),
)


def _versions(subject: Subject) -> set[str]:
    return {item.version for item in subject.firmware if item.program is Program.U_BOOT}


@check(RELEASES, over=FIRMWARE, given=_versions)
def releases(firmware: Firmware, known: set[str]) -> Outcome:
    if firmware.program is Program.SPL and known and firmware.version not in known:
        yield _finding(
            RELEASES(version=firmware.version, other=" or ".join(sorted(known))), firmware
        )


def _missing_values(*, version: str) -> None: ...


def _alone(follows: bytes) -> Example:
    said = "stages:\n  main: {{regions: [spl{more}], entry: bootcmd}}\n"
    return nor(
        "name: spl, at: 0, size: 64 KiB, file: spl.bin",
        "name: u-boot, at: 64 KiB, size: 64 KiB, file: u-boot.bin",
        rest=said.format(more=", u-boot"),
        files={"spl.bin": lambda: u_boot("2026.07", _TREE, "SPL "), "u-boot.bin": lambda: follows},
    )


ABSENT = Rule(
    name="u-boot-missing",
    stops=True,
    severity=Severity.ERROR,
    values=_missing_values,
    message="{content} is U-Boot SPL {version}, and nothing in the build is the U-Boot that it"
    " starts",
    effect="SPL finds no image to start, and stops: no script is ever run.",
    fix="Ship U-Boot where SPL loads it from: a file that joins both, or one of its own.",
    computed="a banner of U-Boot SPL, and none of U-Boot in any artifact, unpacked as far as they"
    " can be; not asked where a region of a stage that may hold it has no artifact or one that is"
    " not understood",
    sources=(
        in_u_boot("common/spl/spl.c", "boot_from_devices"),
        in_u_boot("include/version_string.h", says="extern const char version_string[];"),
        PRACTICE,
    ),
    bad=_alone(b"\xff" * KIB),
    good=_alone(u_boot(tree=_TREE)),
)


@check(ABSENT, over=FIRMWARE, given=whole)
def u_boot_missing(firmware: Firmware, subject: Subject) -> Outcome:
    layout = subject.layout
    if firmware.program is not Program.SPL or layout is None or not layout.stages:
        return
    if any(other.program is Program.U_BOOT for other in subject.firmware):
        return
    unseen = next(_may_hold_it(subject, firmware), None)
    if unseen is not None:
        why = f"whether {unseen} holds the U-Boot that {firmware.node.content.name} starts"
        yield NotChecked(ABSENT.name, firmware.node.content.name, f"{why} is not known")
        return
    yield _finding(ABSENT(version=firmware.version), firmware)


def _may_hold_it(subject: Subject, spl: Firmware) -> Iterator[str]:
    """Name the regions of which nobody knows whether they hold U-Boot."""
    for placement in subject.placements:
        region, payload = placement.region, placement.payload
        if region.holds not in MAY_BE_FIRMWARE or region is spl.node.region:
            continue
        if payload is None:
            yield region.name
        elif placement.artifact is None or placement.artifact.blank is None:
            known = [part for part in payload.walk() if part.facts is not None]
            if not known or any(isinstance(part.facts, Fip) for part in known):
                yield region.name

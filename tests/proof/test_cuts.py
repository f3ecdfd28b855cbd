"""Power cuts in updates, on boards that are made up here."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import pytest

from imgaudit.chips import SPI_NOR
from imgaudit.model import Chip, EraseRun, Where
from imgaudit.proof.cuts import Cut, Walked
from imgaudit.proof.saving import Counts, Scheme, phases
from imgaudit.rules.samples import arm64_kernel
from imgaudit.rules.subject import Subject
from imgaudit.tasks import covered
from imgaudit.units import KIB, Span
from tests.proof import test_boards as heron

_ADDRESSES = {"kernel_addr_r": "0x80200000", "fdt_addr_r": "0x88000000"}
_BY_SLOT = {
    **_ADDRESSES,
    "slot": "a",
    "bootcmd": (
        "if test ${slot} = b; then setenv root 3; else setenv root 2; fi;"
        " mmc dev 0 && load mmc 0:1 ${kernel_addr_r} Image && load mmc 0:1 ${fdt_addr_r} board.dtb"
        " && setenv bootargs root=/dev/mmcblk0p${root} panic=5 ${more}"
        " && booti ${kernel_addr_r} - ${fdt_addr_r}"
    ),
}
_COPIES = """\
  - {name: env-b, chip: nor, at: 64 KiB, size: 64 KiB, holds: uboot-env, writer: runtime,
     env: {size: 16 KiB, copy: env}}
"""


def walked(
    steps: str,
    *,
    by: str = "main",
    variables: dict[str, str] | None = None,
    layout: str = "",
    slots: str = heron._SLOTS,
    copies: bool = True,
    made: Mapping[str, Callable[[], bytes]] | None = None,
) -> Walked:
    """Walk one update of a board with two slots, on an eMMC, and its environment on a NOR."""
    text = layout or heron._LAYOUT
    if copies:
        text = text.replace("env: {size: 16 KiB}}", "env: {size: 16 KiB, copy: env-b}}", 1)
        text = text.replace("  - {name: boot, ", f"{_COPIES}  - {{name: boot, ", 1)
    text += slots + f"updates:\n  field: {{by: {by}, steps: [{steps}]}}\n"
    subject = heron.board({**_BY_SLOT, **(variables or {})}, layout=text, made=made)
    (found,) = subject.updates
    return found


def rows(found: Walked) -> list[tuple[str, str, tuple[str, ...] | None, bool]]:
    return [(cut.what, cut.place, cut.starts, cut.fails) for cut in found.cuts]


# The environment ---------------------------------------------------------------------------------

_OLD, _NEW, _NONE = Counts.OLD, Counts.NEW, Counts.NONE


@pytest.mark.parametrize(
    ("scheme", "current", "erased", "counts"),
    [
        (Scheme.SINGLE, 0, True, [("erase", 0, _NONE), ("write", 0, _NONE)]),
        (Scheme.SINGLE, 0, False, [("write", 0, _NONE)]),
        (Scheme.SERIAL, 0, False, [("write", 1, _OLD)]),
        (Scheme.SERIAL, 1, True, [("erase", 0, _OLD), ("write", 0, _OLD)]),
        # U-Boot env/common.c, env_check_redund: of two equal flags the first copy counts
        (Scheme.FLAG, 0, True, [("erase", 1, _OLD), ("write", 1, _OLD), ("mark", 0, _OLD)]),
        (Scheme.FLAG, 1, True, [("erase", 0, _OLD), ("write", 0, _OLD), ("mark", 1, _NEW)]),
    ],
)
def test_what_counts_while_the_environment_is_saved(
    scheme: Scheme, current: int, erased: bool, counts: list[tuple[str, int, Counts]]
) -> None:
    found = phases(scheme, current, erased=erased)
    assert [(one.what, one.target, one.counts) for one in found] == counts


def test_two_copies_leave_no_hole() -> None:
    found = walked("{write: root-b}, {set: {slot: b}}")
    assert [cut.starts for cut in found.cuts] == [("main a",)] * 4 + [("main b",)]
    assert not any(cut.hole or cut.fails for cut in found.cuts)
    assert all(cut.repeats for cut in found.cuts)
    # the first save goes to the second copy, the next one back
    twice = walked("{set: {slot: b}}, {set: {slot: a}}")
    assert [(cut.phase, cut.copy, cut.starts) for cut in twice.cuts] == [
        ("erase", "env-b", ("main a",)),
        ("write", "env-b", ("main a",)),
        ("mark", "env", ("main a",)),
        ("done", "", ("main b",)),
        ("erase", "env", ("main b",)),
        ("write", "env", ("main b",)),
        ("mark", "env-b", ("main a",)),
        ("done", "", ("main a",)),
    ]


def test_a_lone_copy_leaves_a_hole() -> None:
    found = walked("{set: {slot: b}}", copies=False)
    assert [(cut.phase, cut.hole, cut.starts) for cut in found.cuts] == [
        ("erase", True, None),  # nothing is compiled in that is known here
        ("write", True, None),
        ("done", False, ("main b",)),
    ]


def test_a_lone_copy_is_saved_again_where_it_is() -> None:
    found = walked("{set: {slot: b}}, {set: {slot: a}}", copies=False)
    assert [(cut.number, cut.phase, cut.copy, cut.starts) for cut in found.cuts] == [
        (1, "erase", "env", None),
        (1, "write", "env", None),
        (1, "done", "", ("main b",)),
        (2, "erase", "env", None),
        (2, "write", "env", None),
        (2, "done", "", ("main a",)),
    ]


@pytest.mark.parametrize(
    ("variables", "said"),
    [
        ({"slot": "a" * 24}, "set slot=" + "a" * 24),
        ({"slot": "a" * 25}, "set slot"),
        ({"d1": "1", "d2": "2", "d3": "3", "d4": "4"}, "set d1=1, d2=2, d3=3, d4=4"),
        ({f"d{n}": str(n) for n in range(1, 6)}, "set d1=1, d2=2, d3=3, d4=4 and 1 more"),
    ],
)
def test_what_a_save_is_told_as(variables: dict[str, str], said: str) -> None:
    pairs = ", ".join(f'{name}: "{value}"' for name, value in variables.items())
    found = walked(f"{{set: {{{pairs}}}}}")
    assert [cut.what for cut in found.cuts] == [
        f"{said}, erasing env-b",
        f"{said}, writing env-b",
        f"{said}, marking env",
        said,
    ]


@pytest.mark.parametrize(
    ("blocks", "places"),
    [
        (1, ["block 0"]),
        (2, ["block 0", "block 1"]),
        (3, ["block 0 to 1", "block 2"]),
    ],
)
def test_the_blocks_of_a_write_that_are_torn_alike(blocks: int, places: list[str]) -> None:
    """What stands beside it in its last block alone is lost with that."""
    size = blocks * 64 - 16
    layout = heron._LAYOUT.replace(
        "  - {name: boot, ",
        f"  - {{name: splash, chip: nor, at: 128 KiB, size: {size} KiB, holds: raw,"
        " writer: release, file: root}\n"
        f"  - {{name: factory, chip: nor, at: {128 + size} KiB, size: 16 KiB, holds: raw,"
        " writer: factory}\n"
        "  - {name: boot, ",
        1,
    )
    found = walked("{write: splash}", layout=layout)
    assert [cut.place for cut in found.cuts] == places
    assert [cut.spoiled for cut in found.cuts] == [()] * (len(places) - 1) + [("factory",)]
    assert {cut.of for cut in found.cuts} == {blocks}


def test_copies_in_one_erase_block_are_one() -> None:
    close = heron._LAYOUT.replace("env: {size: 16 KiB}}", "env: {size: 16 KiB, copy: env-b}}", 1)
    close = close.replace("at: 0, size: 64 KiB", "at: 0, size: 32 KiB").replace(
        "  - {name: boot, ",
        _COPIES.replace("at: 64 KiB, size: 64 KiB", "at: 32 KiB, size: 32 KiB")
        + "  - {name: boot, ",
        1,
    )
    found = walked("{set: {slot: b}}", layout=close, copies=False)
    assert [cut.hole for cut in found.cuts] == [True, True, False, False]


# What is started from what is torn ---------------------------------------------------------------


def test_a_torn_image_without_a_sum_is_started() -> None:
    found = walked("{write: boot}")
    (cut,) = found.cuts
    assert cut.fails
    assert cut.torn == "boot"
    assert "no watchdog is known to run" in cut.how


def test_a_watchdog_that_a_script_starts_ends_it() -> None:
    script = _BY_SLOT["bootcmd"].replace("mmc dev 0", "wdt start 60000; mmc dev 0")
    alternative = {"bootlimit": "3", "altbootcmd": "run other", "other": "reset"}
    (cut,) = walked("{write: boot}", variables={"bootcmd": script}).cuts
    assert "the board resets without an end" in cut.how
    (cut,) = walked("{write: boot}", variables={"bootcmd": script, **alternative}).cuts
    assert "altbootcmd" in cut.how


def test_a_torn_root_is_mounted() -> None:
    found = walked("{write: root-a}")
    (cut,) = found.cuts
    assert (cut.fails, cut.torn, cut.repeats) == (True, "root-a", False)
    assert found.under == ((1, "root-a"),)


_VERITY = (
    'root=/dev/dm-0 panic=5 dm-mod.create="vroot,,,ro,0 65536 verity 1 {} /dev/mmcblk0p3 4096 4096'
    ' 8192 1 sha256 {} {}{}"'
)


def verified(device: str, options: str = "", panic: str = "panic=5") -> Cut:
    """Walk a write of the root that dm-verity looks at."""
    line = _VERITY.format(device, "a" * 64, "b" * 64, options).replace("panic=5", panic)
    script = _BY_SLOT["bootcmd"].replace("root=/dev/mmcblk0p${root} panic=5 ${more}", f"'{line}'")
    variables = {"bootcmd": script, "bootlimit": "3", "altbootcmd": "run other", "other": "reset"}
    (cut,) = walked("{write: root-a}", variables=variables, slots="").cuts
    return cut


@pytest.mark.parametrize("device", ["/dev/mmcblk0p2", "PARTLABEL=root-a"])
def test_verity_gives_nothing_that_is_torn(device: str) -> None:
    cut = verified(device)
    assert cut.torn == ""
    assert cut.fails
    assert "altbootcmd" in cut.how


def test_verity_restarts_by_itself_only_where_it_is_told() -> None:
    assert "without panic= the kernel stays there" in verified("/dev/mmcblk0p2", panic="").how
    told = verified("/dev/mmcblk0p2", " 1 restart_on_corruption", panic="")
    assert "altbootcmd" in told.how
    # what it is told to pass over is started
    assert verified("/dev/mmcblk0p2", " 1 ignore_corruption").torn == "root-a"


def test_the_other_slot_may_be_torn() -> None:
    found = walked("{write: root-b}")
    assert rows(found) == [("writing root-b", "", ("main a",), False)]
    assert found.under == ()


# Order -------------------------------------------------------------------------------------------


def test_a_switch_before_what_it_switches_to() -> None:
    found = walked("{set: {slot: b}}, {write: root-b}")
    assert found.early == ((1, "root-b"),)
    assert found.cuts[-1].torn == "root-b"
    assert walked("{write: root-b}, {set: {slot: b}}").early == ()


def test_a_switch_before_the_whole_chip_is_written() -> None:
    # what writes a chip writes each of its regions
    assert walked("{set: {slot: b}}, {write: emmc}").early == ((1, "root-b"),)
    assert walked("{write: emmc}, {set: {slot: b}}").early == ()


def test_what_is_still_in_a_cache_is_not_whole() -> None:
    found = walked("{write: root-b, flush: later}, {set: {slot: b}}")
    assert found.early == ((2, "root-b"),)
    assert found.cuts[-1].fails
    # a reboot flushes
    found = walked("{write: root-b, flush: later}, reboot, {set: {slot: b}}")
    assert found.early == ()
    assert not any(cut.fails for cut in found.cuts)


def test_two_sets_for_one_switch_are_not_one() -> None:
    script = (
        "if test ${slot} = b; then setenv root 3; else setenv root 2; fi;"
        " if test ${kernel} = b; then setenv part 4; else setenv part 1; fi;"
        " mmc dev 0 && load mmc 0:${part} ${kernel_addr_r} Image"
        " && load mmc 0:${part} ${fdt_addr_r} board.dtb"
        " && setenv bootargs root=/dev/mmcblk0p${root} panic=5"
        " && booti ${kernel_addr_r} - ${fdt_addr_r}"
    )
    layout = heron._LAYOUT.replace(
        "stages:",
        "  - {name: boot-b, chip: emmc, partition: 4, at: 120 MiB, size: 32 MiB, holds: fat,"
        " writer: release,\n     file: boot}\nstages:",
    ).replace("[env, boot, root-a, root-b]", "[env, boot, boot-b, root-a, root-b]")
    both = {"bootcmd": script, "kernel": "a"}

    def said(steps: str) -> Walked:
        return walked(steps, variables=both, layout=layout, slots="")

    apart = said("{set: {kernel: b}}, {set: {slot: b}}")
    together = said("{set: {kernel: b, slot: b}}")
    assert apart.mixed == ((1, "boot-b and root-a"),)
    assert together.mixed == ()
    assert apart.early == together.early == ()


# Tables, neighbours, what is not known -----------------------------------------------------------


def test_a_torn_primary_table_leaves_the_kernel_without_its_root() -> None:
    # Linux block/partitions/efi.c, find_valid_gpt: the backup only with gpt on the command line
    found = walked("{table: emmc}")
    assert [(cut.phase, cut.fails) for cut in found.cuts] == [("primary", True), ("backup", False)]
    assert "resets without an end" in found.cuts[0].how
    found = walked("{table: emmc}", variables={"more": "gpt"})
    assert not any(cut.fails for cut in found.cuts)
    found = walked("{table: emmc}", variables={"more": "rootwait"})
    assert "waits for it without an end" in found.cuts[0].how


@pytest.mark.parametrize(("reliable", "starts"), [(1, ("main a",)), (0, None)])
def test_a_lone_table_is_old_or_new_where_writes_are_reliable(
    reliable: int, starts: tuple[str, ...] | None
) -> None:
    """JEDEC JESD84-B51, WR_REL_SET [167]: bit 0 is the user area's."""
    registers = bytearray(512)
    registers[192], registers[212:216], registers[167] = 8, (524288).to_bytes(4, "little"), reliable
    layout = heron._LAYOUT.replace("number: 0}", "number: 0, table: mbr, ext-csd: csd}")
    found = walked("{table: emmc}", layout=layout, made={"csd": lambda: bytes(registers)})
    (cut,) = found.cuts
    assert cut.starts == starts
    assert ("WR_REL_SET" in cut.how) is (starts is None)


def test_what_only_the_unit_has_is_lost_with_its_erase_block() -> None:
    layout = heron._LAYOUT.replace(
        "  - {name: boot, ",
        "  - {name: splash, chip: nor, at: 128 KiB, size: 160 KiB, holds: raw, writer: release,"
        " file: root}\n"
        "  - {name: factory, chip: nor, at: 288 KiB, size: 32 KiB, holds: raw, writer: factory}\n"
        "  - {name: boot, ",
        1,
    )
    found = walked("{write: splash}", layout=layout)
    assert [(cut.place, cut.spoiled, cut.repeats) for cut in found.cuts] == [
        ("block 0 to 1", (), True),
        ("block 2", ("factory",), False),
    ]
    assert {cut.of for cut in found.cuts} == {3}
    first = walked("{write: splash, erases: first}", layout=layout)
    # all are erased before the first is written again
    assert [(cut.what, cut.place, cut.spoiled) for cut in first.cuts] == [
        ("erasing splash", "block 0 to 2", ("factory",)),
        ("writing splash", "block 0 to 2", ("factory",)),
    ]


def test_a_script_without_its_bootcmd_is_said_to_be_unknown() -> None:
    (cut,) = walked("{write: root-b}", variables={"bootcmd": "usb start && usb dev 0"}).cuts
    assert cut.starts != ("main a",)


def test_the_system_that_is_switched_to_may_go_on() -> None:
    scripts = {
        "pick": "first",
        "bootcmd": "if test ${pick} = other; then run other; else run first; fi",
        "first": _BY_SLOT["bootcmd"].replace("panic=5", "panic=5 quiet"),
        "other": _BY_SLOT["bootcmd"].replace("${slot} = b", "a = a"),
    }
    layout = heron._LAYOUT.replace("[env, boot, root-a, root-b]", "[env, boot, root-a]")
    found = walked(
        "{write: root-b}, {set: {pick: other}}, reboot, {write: root-a}",
        variables=scripts,
        layout=layout,
        slots="  other: {regions: [env, boot, root-b], entry: other}\n",
    )
    assert [cut.starts for cut in found.cuts][-3:] == [("other",)] * 3
    assert all(cut.repeats for cut in found.cuts)
    assert found.under == ()


def test_a_volume_that_is_updated_is_refused() -> None:
    layout = heron._LAYOUT.replace(
        "regions:\n",
        "  nand: {kind: spi-nand, size: 16 MiB, erase-block: 128 KiB, page: 2 KiB}\nregions:\n"
        "  - {name: ubi, chip: nand, at: 0, size: 16 MiB, holds: ubi, writer: release}\n"
        "  - {name: logs, chip: nand/ubi, size: 1 MiB, holds: ubifs, writer: runtime}\n"
        "  - {name: spare, chip: nand/ubi, size: 1 MiB, holds: ubifs, writer: release}\n",
        1,
    )
    found = walked("{write: spare}", layout=layout)
    assert [(cut.place, cut.spoiled, cut.starts) for cut in found.cuts] == [("", (), ("main a",))]


_VOLUMES = """\
  - {name: ubi, chip: nand, at: 0, size: 16 MiB, holds: ubi, writer: release}
  - {name: kernel-a, label: kernel, chip: nand/ubi, size: 1 MiB, holds: arm64-image,
     writer: release, file: Image}
  - {name: kernel-b, label: spare, chip: nand/ubi, size: 1 MiB, holds: arm64-image,
     writer: release, file: Image}
"""
_FROM_VOLUME = (
    "ubi part ubi && ubi read 0x80200000 kernel && mmc dev 0 && load mmc 0:1 0x88000000 board.dtb"
    " && setenv bootargs root=/dev/mmcblk0p2 && booti 0x80200000 - 0x88000000"
)


def on_volumes(steps: str) -> Walked:
    """Walk an update of a board whose kernel is a volume."""
    layout = heron._LAYOUT.replace(
        "regions:\n",
        "  nand: {kind: spi-nand, size: 16 MiB, erase-block: 128 KiB, page: 2 KiB}\nregions:\n"
        + _VOLUMES,
        1,
    ).replace("[env, boot,", "[env, boot, kernel-a,")
    return walked(
        steps,
        layout=layout,
        slots="",
        variables={"bootcmd": _FROM_VOLUME},
        made={"Image": arm64_kernel},
    )


def test_volumes_take_their_new_names_in_one_go() -> None:
    """Linux drivers/mtd/ubi/vtbl.c: before it the old volume is read, after it the new one."""
    swap = "{rename: {kernel-a: kernel-b, kernel-b: kernel-a}}"
    found = on_volumes(f"{{write: kernel-b}}, {swap}")
    assert [(cut.what, cut.starts) for cut in found.cuts] == [
        ("writing kernel-b", ("main",)),
        ("renaming kernel-a to kernel-b, kernel-b to kernel-a", ("main",)),
        ("renamed kernel-a to kernel-b, kernel-b to kernel-a", ("main",)),
    ]
    # what is damaged keeps its damage under its new name, and is whole again once written
    torn = on_volumes(f"{{erase: kernel-b}}, {swap}, {{write: kernel-a}}")
    assert [(cut.what.partition(" ")[0], cut.fails) for cut in torn.cuts] == [
        ("erasing", False),
        ("renaming", False),
        ("renamed", True),
        ("writing", True),
    ]
    gone = on_volumes("{rename: {kernel-a: kernel-b}}")
    assert [cut.fails for cut in gone.cuts] == [False, True]


def test_a_factory_needs_no_system() -> None:
    found = walked("{write: emmc}, {write: nor}", by="factory")
    assert [cut.what for cut in found.cuts] == ["writing emmc", "writing nor"]
    assert not any(cut.fails for cut in found.cuts)


def test_a_chip_is_written_region_by_region() -> None:
    found = walked("{write: emmc}")
    assert [cut.step.target for cut in found.cuts] == ["boot", "root-a", "root-b"]
    assert {cut.number for cut in found.cuts} == {1}


def test_an_erased_region_stays_erased() -> None:
    found = walked("{erase: root-b}, {set: {slot: b}}")
    assert found.cuts[-1].fails
    assert "no file system" in found.cuts[-1].how or "resets" in found.cuts[-1].how


@pytest.mark.parametrize(
    ("start", "size", "count"),
    [(0, 1, 1), (0, 4096, 1), (4095, 2, 2), (0, 64 * KIB, 16), (0, 64 * KIB + 1, 17), (0, 0, 0)],
)
def test_erase_blocks_are_counted(start: int, size: int, count: int) -> None:
    chip = Chip(
        where=Where("f", 1, 1),
        name="nor",
        kind=SPI_NOR,
        sizes=(1 << 20,),
        erase_map=(EraseRun(16, 4 * KIB), EraseRun(15, 64 * KIB)),
    )
    assert chip.erase_blocks(Span.sized(start, size)) == count


def test_the_report_has_a_row_for_each_cut() -> None:
    layout = heron._LAYOUT + heron._SLOTS
    text = f"{layout}updates:\n  field: {{by: main, steps: [{{write: boot}}, {{write: root-b}}]}}\n"
    subject: Subject = heron.board(_BY_SLOT, layout=text, files={"Image": arm64_kernel()})
    report = covered.endure(subject)
    assert report.status == 1
    (data,) = report.data()["updates"]
    told: list[Cut] = list(subject.updates[0].cuts)
    assert [item["while"] for item in data["cuts"]] == [cut.what for cut in told]
    assert [item["nothing-starts"] for item in data["cuts"]] == [True, False]
    assert [item.name for item in report.findings] == ["torn-image-would-start"]

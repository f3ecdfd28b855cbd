"""The proof on the Whimbrel: edits that break a start, and rewritings that change nothing.

What U-Boot does with each is in its doc/usage/cmd/*.rst and cmd/*.c; the edits are our own.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from imgaudit.boot.stage import position
from imgaudit.contents.build import FolderStore
from imgaudit.contents.reader import Loader
from imgaudit.files import Folder
from imgaudit.layout.load import load
from imgaudit.maps.collect import Environment
from imgaudit.proof.prove import prove
from imgaudit.proof.records import Proof, Verdict
from imgaudit.rules.subject import Subject, gather


@pytest.fixture(scope="module")
def sound(whimbrel: Path) -> Subject:
    layout = load(str(whimbrel / "whimbrel.yaml"))
    with Loader() as loader:
        return gather(layout, FolderStore(Folder(str(whimbrel)), loader))


def proven(subject: Subject, changes: dict[str, str | None]) -> dict[str, Proof]:
    """Prove with some variables changed in every copy of the environment; None takes one out."""
    assert subject.copies is not None
    environments = []
    for copy in subject.copies.environments:
        merged = {**copy.says.variables, **changes}
        kept = {name: value for name, value in merged.items() if value is not None}
        environments.append(replace(copy, says=replace(copy.says, variables=kept)))
    copies = replace(subject.copies, environments=tuple(environments))
    proofs = prove(subject, copies, subject.boots, subject.rescues)
    return {proof.stage.name: proof for proof in proofs if proof.taken}


_MAIN = (
    "mmc dev ${mmcdev} && run main_kernel && run main_fdt && run main_args"
    " && booti ${kernel_addr_r} - ${fdt_addr_r}"
)
_RECOVERY = (
    "sf probe && sf read ${loadaddr} ${recovery_offset} ${recovery_size}"
    " && run recovery_args && bootm ${loadaddr}#conf-1"
)
_KERNEL = "load mmc ${mmcdev}:${bootpart} ${kernel_addr_r} "


def test_the_sound_build_is_proven_with_its_chain(sound: Subject) -> None:
    proofs = proven(sound, {})
    assert {proof.verdict for proof in proofs.values()} == {Verdict.PROVEN}
    assert proofs["main"].line() == (
        "firmware: U-Boot → env-a: bootcmd → boot: Image (6.12.30-whimbrel, arm64), whimbrel.dtb"
        " → rootfs-a: root rootfs-a (ext4), /sbin/init"
    )
    assert [link.role for link in proofs["recovery"].chain] == [
        "firmware",
        "environment",
        "kernel",
        "fdt",
        "ramdisk",
        "init",
    ]


def test_each_copy_of_the_environment_has_its_proof(sound: Subject) -> None:
    places = [str(proof.place) for proof in sound.proofs if proof.stage.name == "main"]
    assert places == [
        "the environment (uboot.env)",
        "the environment (uboot-redundant.env)",
        "the environment (fip.bin, compiled in)",
    ]
    assert [proof.taken for proof in sound.proofs if proof.stage.name == "main"] == [
        True,
        False,
        False,
    ]


BROKEN_RECOVERY = [
    ("echo no", "`echo no`"),
    ("true", "`true`"),
    (_RECOVERY.replace("bootm ${loadaddr}#conf-1", "true"), "`true`"),
    (f"false && {_RECOVERY}", "`false`"),
    (f"test 1 = 2 && {_RECOVERY}", "`test 1 = 2`"),
    (f"if test ${{board}} = heron; then {_RECOVERY}; fi", "`test whimbrel = heron`"),
    (_RECOVERY.replace("bootm", "bootz"), "bootz takes a zImage"),
    (_RECOVERY.replace("bootm", "booti"), "booti takes an Image"),
    (_RECOVERY.replace("bootm ${loadaddr}", "bootm ${kernel_addr_r}"), "nothing on this path"),
    (_RECOVERY.replace("#conf-1", "#conf-2"), "no configuration conf-2"),
    (
        _RECOVERY.replace("${recovery_size}", "0x1000"),
        "`sf read 0x90000000 0x200000 0x1000` in recovery: it reads 4,096 bytes",
    ),
    (_RECOVERY.replace("${recovery_offset}", "0x210000"), "reads from 0x210000"),
    (_RECOVERY.replace("${recovery_offset}", "0x180000"), "where no region is"),
    (_RECOVERY.replace("${recovery_offset}", "0x1f00000"), "nor ends at"),
    (_RECOVERY.replace("sf read", "sf raed"), "sf raed"),
    (_RECOVERY.replace("sf probe", "spi probe 0"), "no sf probe"),
    (_RECOVERY.replace("run recovery_args", "run recovery_arguments"), "nothing defines"),
    (_RECOVERY.replace("bootm", "bootmm"), "no U-Boot has a command bootmm"),
    (_RECOVERY.replace("&& bootm", "&& if bootm"), "syntax error"),
    ("run recovery", "runs itself"),
    (f"while true; do sleep 1; done; {_RECOVERY}", "loop has no end"),
    ("reset", "`reset`"),
    (f"exit; {_RECOVERY}", "`exit`"),
    (_RECOVERY.replace("bootm ${loadaddr}#conf-1", "sf read ${loadaddr} 0 0x10000 && bootm"), ""),
    (_RECOVERY.replace("&& bootm", "&& sf read 0x90001000 0 0x100 && bootm"), "it overwrites"),
]


@pytest.mark.parametrize(("script", "says"), BROKEN_RECOVERY)
def test_a_recovery_that_cannot_start(script: str, says: str, sound: Subject) -> None:
    proofs = proven(sound, {"recovery": script})
    assert proofs["recovery"].verdict is Verdict.REFUTED, proofs["recovery"].line()
    assert says in proofs["recovery"].line()
    assert proofs["main"].verdict is Verdict.PROVEN


BROKEN_MAIN: list[tuple[dict[str, str | None], str]] = [
    ({"bootdelay": "-1"}, "U-Boot then runs no bootcmd by itself"),
    ({"bootcmd": "bootefi bootmgr"}, "no medium has an EFI program or boot entries"),
    ({"bootcmd": "sysboot mmc 0:1 any /extlinux/extlinux.conf"}, "bootfile is not set"),
    ({"bootcmd": "true"}, "`true`"),
    ({"bootcmd": None}, "nothing defines bootcmd"),
    ({"bootcmd": "run recovery"}, "which main does not take"),
    ({"main_kernel": f"{_KERNEL}Imagee"}, "boot has no file Imagee"),
    ({"main_kernel": f"{_KERNEL}boot/Image"}, "boot has no file boot/Image"),
    ({"main_kernel": f"ext4{_KERNEL}Image"}, "boot holds fat"),
    ({"main_kernel": f"sqfs{_KERNEL}Image"}, "boot holds fat"),
    ({"main_kernel": f"{_KERNEL}whimbrel.dtb"}, "booti takes an Image"),
    ({"main_kernel": f"{_KERNEL}Image 1000"}, "reads 4,096 bytes"),
    ({"main_kernel": "true"}, "nothing on this path puts a kernel"),
    ({"main_fdt": "true"}, "nothing on this path puts a device tree"),
    ({"main_fdt": "load mmc 0:1 ${fdt_addr_r} Image"}, "the device tree Image is"),
    ({"main_fdt": "load mmc 0:1 ${kernel_addr_r} ${fdtfile}"}, ""),
    ({"bootpart": "9"}, "mmc0 has no partition 9"),
    ({"main_args": "setenv bootargs quiet"}, "nothing says root="),
    ({"main": _MAIN.replace("run main_args &&", "")}, "nothing says root="),
    ({"slot": "c"}, "root=PARTLABEL=rootfs-c"),
    ({"preboot": "setenv slot c"}, "root=PARTLABEL=rootfs-c"),
    ({"preboot": "reset"}, "`reset`"),
    ({"preboot": "setenv bootcmd echo"}, "`echo`"),
    ({"main_args": "setenv bootargs root=/dev/mmcblk0p7"}, "root=/dev/mmcblk0p7"),
    ({"main_args": "setenv bootargs root=UUID=0000-0000"}, "needs a ramdisk"),
    ({"main_args": "setenv bootargs root=/dev/mmcblk0p1"}, "finds no init"),
    ({"main_args": "setenv bootargs root=/dev/mmcblk0p4"}, "finds no init"),
    ({"main_args": "setenv bootargs root=PARTLABEL=rootfs-a init=/sbin/inti"}, "/sbin/inti"),
    ({"main_args": "setenv bootargs root=PARTLABEL=rootfs-a init=/etc/fstab"}, "not executable"),
    ({"main": _MAIN.replace("booti", "bootz")}, "bootz takes a zImage"),
    ({"main": _MAIN.replace("booti", "bootm")}, "bootm takes a FIT"),
    ({"main": _MAIN.replace(" - ${fdt_addr_r}", "")}, "no device tree is given"),
    ({"main": _MAIN.replace(" - ", " ${ramdisk_addr_r} ")}, "nothing on this path puts a ramdisk"),
    ({"main": "sysboot mmc 0:1 any 0x8a000000 /extlinux/extlinux.conf"}, "no file extlinux"),
    ({"main": _MAIN.replace("&& booti", "&& false && booti")}, "`false`"),
]


@pytest.mark.parametrize(("changes", "says"), BROKEN_MAIN)
def test_a_main_system_that_cannot_start(
    changes: dict[str, str | None], says: str, sound: Subject
) -> None:
    proofs = proven(sound, changes)
    assert proofs["main"].verdict is Verdict.REFUTED, proofs["main"].line()
    assert says in proofs["main"].line()
    assert proofs["recovery"].verdict is Verdict.PROVEN


HARMLESS: list[dict[str, str | None]] = [
    {"main_kernel": f"{_KERNEL}uImage || {_KERNEL}Image"},
    {"main_kernel": f"fat{_KERNEL}Image"},
    {"main_kernel": f"{_KERNEL}/Image"},
    {"main_kernel": f"{_KERNEL}IMAGE"},
    {"main_kernel": "setenv name Image; load mmc ${mmcdev}:${bootpart} ${kernel_addr_r} ${name}"},
    {"main_kernel": f"if test -e mmc 0:1 Image; then {_KERNEL}Image; else false; fi"},
    {"main_kernel": f"for part in 9 1; do bootpart=${{part}}; {_KERNEL}Image && exit; done"},
    {
        "main_kernel": "for p in 3 2 1; do if test -e mmc 0:${p} Image;"
        " then load mmc 0:${p} ${kernel_addr_r} Image; fi; done"
    },
    {"main_kernel": f"size mmc 0:1 Image && {_KERNEL}Image"},
    {"main_kernel": f"part start mmc 0 1 where && {_KERNEL}Image"},
    {"main_kernel": "load mmc 0#boot ${kernel_addr_r} Image"},
    {"bootcmd": "if run main; then true; else run recovery; fi"},
    {"bootcmd": "echo hello; sleep 1; run main; run recovery"},
    {"bootcmd": "usb start; run main || run recovery"},
    {"bootcmd": "usb start && load usb 0:1 ${loadaddr} x.itb && bootm; run main; run recovery"},
    {"bootcmd": "dhcp; run main || run recovery"},
    {"bootcmd": "gpio input 5; if gpio input 6; then run recovery; else run main; fi"},
    {"bootcmd": "if button rescue; then run recovery; fi; run main || run recovery"},
    {"bootcmd": 'if test "${bootcount}" = 9; then run recovery; fi; run main; run recovery'},
    {"bootcmd": "led act on; run main || run recovery"},
    {"preboot": "setenv slot b; usb start"},
    {"preboot": "false"},
    {"bootcmd": "setenv try main; run ${try} || run recovery"},
    {"bootcmd": "for name in main recovery; do run ${name}; done"},
    {"bootcmd": "env exists main && run main; run recovery"},
    {"bootcmd": "mmc dev 0; mmc rescan; mmc part; run main || run recovery"},
    {"main": f"setenv more quiet; {_MAIN}"},
    {"main_args": "setenv bootargs root=PARTLABEL=rootfs-a init=/bin/sh"},
    {"main_args": "setenv bootargs root=/dev/mmcblk0p2 rootwait"},
    {"recovery": _RECOVERY.replace("sf probe", "sf probe 0")},
    {"recovery": _RECOVERY.replace("sf probe", "sf probe 0:0 50000000 0")},
    {"recovery": _RECOVERY.replace("#conf-1", "")},
    {"recovery": _RECOVERY.replace("${recovery_offset} ${recovery_size}", "recovery")},
    {"recovery": "setenv at ${loadaddr}; " + _RECOVERY.replace("${loadaddr}", "${at}")},
    {"recovery": _RECOVERY.replace("${loadaddr}#", "0x90000000#")},
    {"recovery": _RECOVERY.replace("${recovery_size}", "0x300000")},
    {"recovery": "wdt dev watchdog@2050000; wdt start 60000; " + _RECOVERY},
]


@pytest.mark.parametrize("changes", HARMLESS)
def test_a_harmless_rewriting_changes_no_verdict(
    changes: dict[str, str | None], sound: Subject
) -> None:
    for proof in proven(sound, changes).values():
        assert proof.verdict is Verdict.PROVEN, proof.line()


OPEN: list[tuple[dict[str, str | None], str, str]] = [
    ({"bootcmd": "usb start && run main"}, "main", "`usb start`"),
    ({"bootcmd": "gpio input 5 && run main"}, "main", "`gpio input 5`"),
    ({"bootcmd": "dhcp && bootm"}, "main", "`dhcp`"),
    ({"recovery": "mmc dev 1 && load mmc 1:1 ${loadaddr} r.itb && bootm"}, "recovery", "mmc1"),
]


@pytest.mark.parametrize(("changes", "stage", "says"), OPEN)
def test_what_is_not_known_is_said(
    changes: dict[str, str | None], stage: str, says: str, sound: Subject
) -> None:
    proof = proven(sound, changes)[stage]
    assert proof.verdict is Verdict.UNPROVEN, proof.line()
    assert says in proof.line()


def test_a_first_choice_that_cannot_work_is_named(sound: Subject) -> None:
    proof = proven(sound, {"main_kernel": f"{_KERNEL}uImage || {_KERNEL}Image"})["main"]
    assert [step.command for step in proof.hopeless] == ["load mmc 0:1 0x80200000 uImage"]


def test_a_medium_that_may_come_first_is_named(sound: Subject) -> None:
    script = "usb start && load usb 0:1 ${loadaddr} x.itb && bootm; run main; run recovery"
    assert proven(sound, {"bootcmd": script})["main"].outside == ("usb0",)


def test_a_step_has_its_byte_in_the_environment(sound: Subject) -> None:
    assert sound.copies is not None
    copy = next(copy for copy in sound.copies.environments if copy.says.taken)
    stored = copy.says.variables["bootcmd"]
    at = stored.index("run")
    found = position(copy.says, "bootcmd", at)
    region = copy.place.region
    assert region is not None
    assert found is not None
    content = sound.placement(region.name).payload
    assert content is not None
    assert content.view is not None
    assert content.view.bytes(found - region.at, 3) == b"run"
    assert position(copy.says, "nowhere", 0) is None
    assert position(copy.says, "bootcmd", 10_000) is None


def test_a_backslash_that_uboot_drops_counts_in_the_bytes() -> None:
    says = Environment(variables={"a": "x\\;y é z"}, stored=True, taken=True, offsets={"a": 100})
    # U-Boot sees `x;y é z`
    assert [position(says, "a", at) for at in (0, 1, 2, 4, 6)] == [100, 101, 103, 105, 108]

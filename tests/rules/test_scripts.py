from __future__ import annotations

import subprocess
from collections.abc import Mapping
from pathlib import Path

import pytest

from imgaudit.rules import checks
from imgaudit.rules._boot import RECOVERY, scripted
from imgaudit.rules.built import subject_of
from imgaudit.rules.engine import Example, Rule, Severity
from imgaudit.rules.examples import emmc, nor
from imgaudit.rules.samples import fit
from imgaudit.units import KIB, MIB
from imgaudit.writers.env import environment
from imgaudit.writers.fat import fat16
from tests._audits import audited, found, one, unchecked

RAM = "ram: {banks: [{at: 0x80000000, size: 256 MiB}]}\n"
MAIN = "stages: {main: {regions: [env], entry: bootcmd}}\n"
MINE = {
    "boot-count-inert",
    "boot-limit-without-altbootcmd",
    "boot-loader-updated-in-place",
    "bytes-blocks-confusion",
    "factory-data-rewritten",
    "failed-start-never-resets",
    "hex-decimal-confusion",
    "load-not-checked",
    "recovery-boot-needs-other-chip",
    "recovery-not-reached",
    "script-missing",
    "script-offset-not-region",
    "script-reads-past-region",
    "script-reads-too-little",
    "variable-undefined",
    "whole-chip-erase",
    "write-hits-another-region",
}


def names(example: Example) -> set[str]:
    return {finding.rule.name for finding in audited(example).findings} & MINE


def kernel_in_nor(bootcmd: str, size: int, variables: Mapping[str, str] | None = None) -> Example:
    """Give a board that boots a raw file of `size` bytes at 0x60000 of its NOR."""
    values = {"bootcmd": bootcmd, **(variables or {})}
    return nor(
        "name: env, at: 0, size: 64 KiB, holds: uboot-env, file: u-boot.env, env: {size: 8 KiB}",
        "name: kernel, at: 0x60000, size: 4 MiB, file: kernel.bin",
        chip="size: 16 MiB, erase-block: 64 KiB",
        rest=RAM + MAIN,
        files={
            "u-boot.env": lambda: environment(values, 8 * KIB, None),
            "kernel.bin": lambda: b"\xa5" * size,
        },
    )


def kernel_on_emmc(bootcmd: str, size: int, files: Mapping[str, bytes] | None = None) -> Example:
    """Give a board that boots a raw file at block 0x800, or files of a partition."""

    def disk() -> bytes:
        image = fat16(20 * MIB, files or {"Image": b"k" * 9000}, "BOOT", 1)
        out = bytearray(image.size)
        for at, data in image.pieces:
            out[at : at + len(data)] = data
        return bytes(out)

    return emmc(
        "name: kernel, at: 1 MiB, size: 16 MiB, file: kernel.bin",
        "name: env, at: 18 MiB, size: 64 KiB, holds: uboot-env, file: u-boot.env,"
        " env: {size: 8 KiB}",
        "name: boot, partition: 1, at: 20 MiB, size: 20 MiB, holds: fat, file: boot.vfat",
        chip="sectors: 131072, boot-area: 2 MiB",
        rest=RAM + MAIN,
        files={
            "u-boot.env": lambda: environment({"bootcmd": bootcmd}, 8 * KIB, None),
            "kernel.bin": lambda: b"\xa5" * size,
            "boot.vfat": disk,
        },
    )


# Published lengths --------------------------------------------------------------------------------


def test_a_read_of_bytes_that_is_too_short() -> None:
    """A thread, from memory: 0x22000 bytes are read of 138.4 KiB."""
    example = kernel_in_nor("sf probe && sf read 84000000 60000 22000 && bootm 84000000", 141_721)
    finding = one("script-reads-too-little", example)
    assert finding.values["read"] == 139_264
    assert finding.values["short"] == 2_457
    assert "0x22999" in finding.fix


def test_a_read_that_is_long_enough() -> None:
    """A thread, from memory: sf read 2000000 60200 29f000 is 2,748,416 bytes."""
    script = "sf probe && sf read 82000000 60000 29f000 && bootm 82000000"
    assert found("script-reads-too-little", kernel_in_nor(script, 2_748_416)) == []
    finding = one("script-reads-too-little", kernel_in_nor(script, 2_748_417))
    assert finding.values["short"] == 1


@pytest.mark.parametrize(
    ("count", "size", "needs"), [("290", 550_886, 0x434), ("5000", 10_687_710, 0x518B)]
)
def test_a_read_of_blocks_that_is_too_short(count: str, size: int, needs: int) -> None:
    """Two public threads: 656 blocks of 550,886 bytes, 0x5000 of 10,687,710."""
    script = f"mmc dev 0 && mmc read 82000000 800 {count} && bootm 82000000"
    finding = one("script-reads-too-little", kernel_on_emmc(script, size))
    assert finding.values["blocks"] == needs
    assert f"{needs:#x} blocks" in finding.fix
    longer = script.replace(f" {count} ", f" {needs:x} ")
    assert found("script-reads-too-little", kernel_on_emmc(longer, size)) == []


# Reads --------------------------------------------------------------------------------------------


def test_a_file_that_is_cut_by_a_limit() -> None:
    load = "load mmc 0:1 82000000 Image {} && booti 82000000"
    finding = one("script-reads-too-little", kernel_on_emmc(load.format("1000"), 512))
    assert (finding.region, finding.values["short"]) == ("boot", 9000 - 0x1000)
    assert found("script-reads-too-little", kernel_on_emmc(load.format(""), 512)) == []
    assert found("script-reads-too-little", kernel_on_emmc(load.format("100 8"), 512)) == []


def test_what_only_pads_a_container_need_not_be_read() -> None:
    padded = scripted(RECOVERY.replace("0x40000", "0x1000"), itb=lambda: fit() + bytes(64 * KIB))
    assert found("script-reads-too-little", padded) == []


def test_a_read_that_starts_nothing_may_be_short() -> None:
    example = scripted(f"sf probe; sf read 0x84000000 0x20000 0x40; {RECOVERY}")
    assert found("script-reads-too-little", example) == []


def test_a_read_past_the_chip_is_an_error() -> None:
    example = scripted(RECOVERY.replace("0x40000", "0x100000"))
    finding = one("script-reads-past-region", example)
    assert finding.severity is Severity.ERROR
    assert one("script-reads-past-region", scripted(RECOVERY.replace("0x40000", "0x40001")))


def test_a_read_from_no_region() -> None:
    finding = one("script-offset-not-region", scripted(RECOVERY.replace("0x20000", "0x80000")))
    assert "no region is" in finding.message
    assert "recovery is at 0x20000" in finding.fix


def test_a_read_of_what_lies_in_a_region() -> None:
    # the kernel inside the FIT starts where the FIT says
    example = scripted(RECOVERY)
    payload = subject_of(example).placement("recovery").payload
    assert payload is not None
    at = 0x20000 + payload.children[0].offset
    inside = f"sf probe && sf read 0x88000000 {at:#x} 0x1000 && booti 0x88000000"
    assert found("script-offset-not-region", scripted(inside)) == []


def test_a_hex_number_that_also_reads_as_decimal() -> None:
    # 65536 is the size of a region, but 0x65536 is meant as hex where it is a region's too
    assert found("hex-decimal-confusion", scripted(RECOVERY)) == []
    finding = one("hex-decimal-confusion", scripted(RECOVERY.replace("0x20000", "131072")))
    assert finding.values["meant"] == 0x20000


def test_a_count_in_bytes_is_no_wrong_offset_as_well() -> None:
    script = "mmc dev 0 && mmc read 82000000 100000 800 && bootm 82000000"
    example = kernel_on_emmc(script, 512)
    assert one("bytes-blocks-confusion", example).values["meant"] == 0x800
    assert found("script-offset-not-region", example) == []


# Variables and scripts ----------------------------------------------------------------------------


def test_a_variable_that_starts_nothing_is_a_warning() -> None:
    example = scripted(f"echo ${{colour}}; {RECOVERY}")
    assert one("variable-undefined", example).severity is Severity.WARNING


def test_a_stage_whose_entry_is_missing() -> None:
    example = scripted(more={"recovery": ""}, bootcmd="reset")
    assert "stage recovery runs recovery" in one("script-missing", example).message


def test_a_loop_over_targets_may_name_one_that_the_board_lacks() -> None:
    """Debian's am335x_evm (U-Boot 2023.01) has nand0 among its targets, and no bootcmd_nand0."""
    loop = "for it in nand0 nor0; do run bootcmd_${it}; done"
    example = scripted(bootcmd=loop, more={"bootcmd_nor0": "run recovery"})
    found = one("script-missing", example)
    assert (found.severity, found.values["name"]) == (Severity.WARNING, "bootcmd_nand0")
    assert one("script-missing", scripted(bootcmd="run nand; run recovery")).severity is (
        Severity.ERROR
    )


def test_a_load_that_is_tried_in_a_loop_is_told_once() -> None:
    loop = "for part in 1 2 3; do load mmc 0:$part 82000000 Image; done; booti 82000000"
    assert len(found("load-not-checked", kernel_on_emmc(loop, 512))) == 1


def test_what_cannot_be_followed_is_said() -> None:
    example = scripted(f"frobnicate; {RECOVERY}")
    assert ("script recovery", "unknown command: frobnicate") in unchecked(
        "script-reads-too-little", example
    )
    gone = nor("name: a, at: 0, size: 64 KiB", rest="stages: {a: {regions: [a], entry: go}}\n")
    ((subject, why),) = unchecked("script-reads-too-little", gone)
    assert subject == "run go"
    assert "no environment" in why


# The way to the recovery --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("bootcmd", "more", "severity"),
    [
        ("bootm 0x88000000; run recovery", {}, None),
        ("if bootm 0x88000000; then true; else run recovery; fi", {}, None),
        ("bootm 0x88000000 && run recovery", {}, Severity.ERROR),
        ("bootm 0x88000000", {"altbootcmd": "run recovery"}, Severity.ERROR),
        (
            "bootm 0x88000000",
            {"altbootcmd": "run recovery", "bootlimit": "3"},
            Severity.WARNING,
        ),
        ("bootm 0x88000000; reset", {"altbootcmd": "run recovery", "bootlimit": "3"}, None),
        (
            "bootm 0x88000000; reset",
            {"altbootcmd": "run recovery", "bootlimit": "0"},
            Severity.ERROR,
        ),
    ],
)
def test_ways_to_the_recovery(
    bootcmd: str, more: dict[str, str], severity: Severity | None
) -> None:
    findings = found("recovery-not-reached", scripted(bootcmd=bootcmd, more=more))
    assert [finding.severity for finding in findings] == ([severity] if severity else [])


def test_a_dead_chip_in_the_way_of_the_recovery() -> None:
    chip = "size: 1 MiB, erase-block: 64 KiB}\n  emmc: {kind: emmc, sectors: 65536"
    blocked = scripted(bootcmd="mmc dev 0 && run recovery", chip=chip)
    assert "every chip but nor" in one("recovery-not-reached", blocked).message
    assert (
        found("recovery-not-reached", scripted(bootcmd="mmc dev 0; run recovery", chip=chip)) == []
    )


def test_a_way_that_is_not_known_is_not_judged() -> None:
    example = scripted(bootcmd="setexpr x *0x80000000; run start_${x}")
    assert found("recovery-not-reached", example) == []
    assert unchecked("recovery-not-reached", example)


def test_a_recovery_that_starts_stale_ram() -> None:
    """The device tree comes from the dead chip, and nobody looks whether it came."""
    chip = "size: 1 MiB, erase-block: 64 KiB}\n  emmc: {kind: emmc, sectors: 65536"
    script = (
        "load mmc 0:1 0x86000000 b.dtb; sf probe && sf read 0x88000000 0x20000 0x40000"
        " && bootm 0x88000000 - 0x86000000"
    )
    assert one("recovery-boot-needs-other-chip", scripted(script, chip=chip)).region == "recovery"


@pytest.mark.parametrize(
    ("config", "wrong"),
    [
        ("CONFIG_BOOTCOUNT_LIMIT=y\n", False),
        ("CONFIG_BOOTDELAY=2\n", True),
        ("CONFIG_BOOTCOUNT_LIMIT=y\nCONFIG_BOOTCOUNT_ENV=y\n", True),
    ],
)
def test_whether_starts_are_counted(config: str, wrong: bool) -> None:
    example = scripted(
        more={"bootlimit": "3", "altbootcmd": "run recovery"},
        rest="written-elsewhere: {uboot-config: u-boot.config}\n",
        files={"u-boot.config": config.encode},
    )
    assert len(found("boot-count-inert", example)) == wrong
    # Where none is counted, a limit without altbootcmd does nothing.
    example = scripted(
        more={"bootlimit": "3"},
        rest="written-elsewhere: {uboot-config: u-boot.config}\n",
        files={"u-boot.config": config.encode},
    )
    assert len(found("boot-limit-without-altbootcmd", example)) == (not wrong)


# Writes -------------------------------------------------------------------------------------------


def test_a_write_that_rounds_up_to_erase_blocks() -> None:
    update = {"update": "sf probe && sf update 0x88000000 0x10000 0x10001"}
    finding = one("write-hits-another-region", scripted(more=update))
    assert (finding.region, finding.values["size"]) == ("recovery", 64 * KIB)


def test_an_update_by_hand_is_milder_than_one_at_each_start() -> None:
    wipe = "sf probe && sf erase 0 0x100000"
    assert one("whole-chip-erase", scripted(more={"wipe": wipe})).severity is Severity.WARNING
    at_boot = scripted(bootcmd=f"{wipe}; run recovery")
    assert one("whole-chip-erase", at_boot).severity is Severity.ERROR


def test_a_sound_board_has_none_of_these() -> None:
    assert names(scripted()) == set()


@pytest.mark.oracle
def test_packaged_boot_loaders_are_judged_without_an_error() -> None:
    """The default environments of Debian's u-boot-qemu: no stage of theirs is cut off."""
    listed = subprocess.run(
        ["dpkg", "-L", "u-boot-qemu"], check=True, capture_output=True, text=True
    )
    loaders = [Path(line) for line in listed.stdout.split() if line.endswith("/u-boot.bin")]
    assert len(loaders) > 5
    for path in loaders:
        result = audited(
            nor(
                "name: u-boot, at: 0, size: 16 MiB, holds: raw, file: u-boot.bin",
                chip="size: 64 MiB, erase-block: 64 KiB",
                rest="stages: {main: {regions: [u-boot], entry: bootcmd}}\n",
                files={"u-boot.bin": path.read_bytes},
            )
        )
        errors = {f.rule.name for f in result.findings if f.severity is Severity.ERROR} & MINE
        # the two for the Malta board have no bootcmd at all
        assert errors <= ({"script-missing"} if "malta" in str(path) else set()), path


@pytest.mark.parametrize(("size", "past"), [("0x40000", False), ("0x40001", True)])
def test_a_read_may_end_with_the_chip(size: str, past: bool) -> None:
    """The chip has 1 MiB, and no region lies at its end."""
    example = scripted(more={"bootcmd": f"sf probe && sf read 0x88000000 0xc0000 {size}"})
    names = [finding.severity for finding in found("script-reads-past-region", example)]
    assert names == [Severity.ERROR] * past


OF_SCRIPTS = [
    check.rule
    for check in checks().values()
    if check.run.__module__.rpartition(".")[2] in {"ram", "safety", "scripts", "shell"}
]


@pytest.mark.parametrize("rule", OF_SCRIPTS, ids=lambda rule: rule.name)
def test_every_finding_about_a_script_tells_its_byte(rule: Rule) -> None:
    stored = rule.bad.files["u-boot.env"]()
    said = [item for item in audited(rule.bad).findings if item.rule is rule]
    assert said
    for finding in said:
        assert finding.offset is not None
        assert (finding.artifact, finding.chip) == ("u-boot.env", "nor")
        at = finding.offset - 64 * KIB
        text = stored[at : stored.index(b"\0", at)].decode()
        first, _, _ = str(finding.values.get("command", "")).partition(" ")
        assert text.startswith("${loadaddr}" if rule.name == "variable-undefined" else first)
        if "script" in finding.values:
            start = max(4, stored.rfind(b"\0", 0, at) + 1)  # behind the checksum
            assert stored[start:at].startswith(f"{finding.values['script']}=".encode())

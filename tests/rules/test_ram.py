from __future__ import annotations

import pytest

from imgaudit.rules._boot import RECOVERY, scripted
from imgaudit.rules.engine import Example, Finding, Severity
from imgaudit.rules.ram import _low
from imgaudit.rules.samples import arm64_kernel, board_tree, packed
from imgaudit.units import KIB, MIB
from imgaudit.writers.env import environment
from tests._audits import found, one, unchecked


def raw(script: str, *, kernel: bytes, ramdisk: int = 0, ram: str = "") -> Example:
    """Give a board that starts a kernel of its NOR beside the recovery."""
    files = {"Image": lambda: kernel, "ramdisk.bin": lambda: b"tide" * (ramdisk // 4)}
    files["board.dtb"] = board_tree
    holds = "gzip" if kernel.startswith(b"\x1f\x8b") else "arm64-image"
    regions = [
        f"name: kernel, at: 1 MiB, size: 1 MiB, holds: {holds}, file: Image",
        "name: tree, at: 2 MiB, size: 64 KiB, holds: fdt, file: board.dtb",
    ]
    if ramdisk:
        regions.append("name: ramdisk, at: 3 MiB, size: 1 MiB, holds: raw, file: ramdisk.bin")
    return scripted(
        f"sf probe && {script}",
        regions=tuple(regions),
        chip="size: 16 MiB, erase-block: 64 KiB",
        ram=f"ram: {{banks: [{{at: 0x40000000, size: 2 GiB}}]{ram}}}\n",
        files=files,
    )


def told(rule: str, example: Example) -> list[Finding]:
    """Give what is found, and what is told with it because it comes of the same addresses."""
    return [one for item in found(rule, example) for one in (item, *item.leads_to)]


def test_a_kernel_that_grows_into_the_ramdisk() -> None:
    """A thread, from memory: 0x42200000 + 48,523,776 = 0x45046a00, and a ramdisk at 0x45000000."""
    example = raw(
        "sf read 42200000 100000 100000 && sf read 45000000 300000 100000"
        " && booti 42200000 45000000 -",
        kernel=arm64_kernel(image_size=48_523_776),
        ramdisk=512 * KIB,
    )
    finding = one("loads-overlap", example)
    assert finding.values["size"] == 0x46A00
    assert finding.region == "ramdisk"
    assert "kernel with its BSS" in finding.message


def test_touching_is_no_overlap() -> None:
    example = raw(
        "sf read 42200000 100000 100000 && sf read 42400000 300000 100000"
        " && booti 42200000 42400000 -",
        kernel=arm64_kernel(image_size=0x200000),
        ramdisk=512 * KIB,
    )
    assert found("loads-overlap", example) == []


def test_a_kernel_over_reserved_memory() -> None:
    """A thread, from memory: a load at 0x480cd000, and BL31 from 0x48000000 to 0x48ffffff."""
    example = raw(
        "sf read 480cd000 100000 1000 && bootm 480cd000",
        kernel=arm64_kernel(image_size=KIB),
        ram=", reserved: [{name: monitor, at: 0x48000000, size: 0x1000000}]",
    )
    (finding,) = told("load-over-reserved-memory", example)
    assert (finding.values["first"], finding.values["second"]) == ("monitor", "kernel")
    assert finding.values["size"] == 0x1000


def test_the_unpacking_buffer_of_booti_over_the_ramdisk() -> None:
    """A thread, from memory: kernel_comp_addr_r is ramdisk_addr_r."""
    example = raw(
        "setenv kernel_comp_addr_r 43000000 && setenv kernel_comp_size 2000000"
        " && sf read 48000000 100000 100000 && sf read 43000000 300000 100000"
        " && booti 48000000 43000000 -",
        kernel=packed(arm64_kernel(64 * KIB)),
        ramdisk=512 * KIB,
    )
    finding = one("kernel-decompression-overlap", example)
    assert finding.values["size"] == 64 * KIB


def test_the_rest_of_a_buffer_is_a_warning() -> None:
    """The read goes on past the device tree, and the kernel only takes what follows it."""
    example = raw(
        "sf read 42400000 100000 1000 && sf read 421f8000 200000 10000"
        " && setenv bootm_low 42200000 && booti 42400000 - 421f8000",
        kernel=arm64_kernel(image_size=64 * KIB),
    )
    assert found("loads-overlap", example) == []
    overlap = raw(
        "sf read 42200000 100000 1000 && sf read 421f8000 200000 10000"
        " && booti 42200000 - 421f8000",
        kernel=arm64_kernel(image_size=64 * KIB),
    )
    findings = {item.values["second"]: item.severity for item in told("loads-overlap", overlap)}
    assert findings["kernel with its BSS"] is Severity.WARNING


@pytest.mark.parametrize(("short", "severity"), [(0, Severity.WARNING), (4, Severity.ERROR)])
def test_a_kernel_that_starts_where_a_buffers_file_ends(short: int, severity: Severity) -> None:
    """The read goes on past the tree; the tree itself ends where the kernel is moved to."""
    at = 0x42400000 - len(board_tree()) + short
    example = raw(
        f"sf read 42300000 100000 1000 && sf read {at:x} 200000 10000 && booti 42300000 - {at:x}",
        kernel=arm64_kernel(image_size=64 * KIB),
    )
    findings = {item.values["second"]: item for item in told("loads-overlap", example)}
    assert findings["kernel with its BSS"].severity is severity
    assert findings["kernel with its BSS"].values["common"] == 0x42400000


# arch/arm/mm/mmu.c maps RAM up to 760 MiB from its start: here up to 0xaf800000. U-Boot pads a tree
# by 0x3000 bytes (CONFIG_SYS_FDT_PAD), and all ones leave it where it was read.
@pytest.mark.parametrize(("more", "finds"), [(0, 0), (4, 1)])
def test_a_tree_that_ends_where_low_memory_does(more: int, finds: int) -> None:
    at = 0xAF800000 - 0x3000 - len(board_tree()) + more
    high = _low("ffffffff")
    layout = high.layout.replace("0xbf000000", f"{at:#x}")
    script = (
        "setenv fdt_high ffffffff && sf probe && sf read 0x82000000 0x60000 0x1000"
        f" && sf read {at:#x} 0x70000 0x1000 && bootz 0x82000000 - {at:#x}"
    )
    env = {"bootcmd": "run recovery", "recovery": script}
    files = dict(high.files) | {"u-boot.env": lambda: environment(env, 8 * KIB, None)}
    findings = found("above-low-memory", Example(layout, files))
    assert [item.values["end"] for item in findings] == [0xAF800000 + more] * finds
    for finding in findings:
        assert "the device tree ends at 0xaf800004" in finding.message
        assert finding.values["limit"] == 0xAF800000


def test_a_pair_is_told_once_however_it_is_reached() -> None:
    twice = scripted(
        RECOVERY.replace("0x88000000", "0x801f0000"),
        bootcmd="run recovery; run recovery",
        more={"altbootcmd": "run recovery", "bootlimit": "3"},
    )
    assert len(found("loads-overlap", twice)) == 1


def test_a_guessed_size_is_a_warning() -> None:
    """An old arm64 kernel does not say how much RAM it needs, and lies at the start of RAM."""
    example = raw(
        "sf read 42200000 100000 1000 && sf read 40100000 200000 1000 && booti 42200000 - 40100000",
        kernel=arm64_kernel(image_size=0),
    )
    assert one("loads-overlap", example).severity is Severity.WARNING


def test_compression_without_its_variables() -> None:
    example = raw(
        "sf read 48000000 100000 100000 && booti 48000000",
        kernel=packed(arm64_kernel(64 * KIB)),
    )
    assert "kernel_comp_addr_r" in one("start-finds-no-place", example).message


def test_a_short_number_of_ones_is_a_limit() -> None:
    assert found("relocation-switched-off", scripted(more={"fdt_high": "0xffffffff"})) == []
    finding = one("relocation-switched-off", scripted(more={"initrd_high": "FFFFFFFFFFFFFFFF"}))
    assert finding.values["name"] == "initrd_high"


def test_a_limit_that_is_not_known_is_not_judged() -> None:
    example = scripted(f"setexpr bootm_size *0x80000000; {RECOVERY}")
    assert found("loads-overlap", example) == []
    why = "no RAM map for `bootm 0x88000000`: the value of bootm_size is not known"
    assert ("script recovery", why) in unchecked("loads-overlap", example)


def test_a_part_of_unknown_size_leaves_the_rest_of_the_map() -> None:
    """What tftpboot loads may be of any size; that the read lies over the kernel is known."""
    script = (
        "sf read 42200000 100000 200000 && tftpboot 48000000 board.dtb"
        " && sf read 42300000 300000 100000 && booti 42200000 42300000:100000 48000000"
    )
    example = raw(script, kernel=arm64_kernel(image_size=2 * MIB), ramdisk=512 * KIB)
    assert found("loads-overlap", example) != []
    assert any(
        "a part is not in the RAM map" in why for _, why in unchecked("loads-overlap", example)
    )

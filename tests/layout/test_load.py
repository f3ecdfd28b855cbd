from __future__ import annotations

import contextlib
import random
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

import imgaudit
from imgaudit.chips import KINDS, SPI_NOR
from imgaudit.errors import AuditError, LayoutError
from imgaudit.formats import boot_record, guid, readers
from imgaudit.layout.load import MOST_BYTES, load, load_policy, parse
from imgaudit.layout.schema import schema
from imgaudit.model import HOLDS, Act, EraseRun, KeepFree, Layout, Needs, Writer
from imgaudit.units import GIB, KIB, MIB, Span

WHIMBREL = Path(imgaudit.__file__).parents[1] / "layouts" / "whimbrel.yaml"

EVERYTHING = """\
layout: 1
board: whimbrel
summary: >
  Tide-gauge logger,
  16 MiB SPI-NOR
arch: arm64
compatible: example,whimbrel
chips:
  nor:
    kind: spi-nor
    size: [32 MiB, 16 MiB]
    image: nor.img
    erase-map: [{count: 16, size: 4 KiB}, {count: 0xff, size: 64 KiB}]
    page: 512
    address-bytes: 4
    four-byte-mode: opcodes
    reset-pin: not-wired
    block-protect: {bits: 3, end: top, covers: 1 MiB}
    sfdp: nor.sfdp
  second: {kind: spi-nor, size: 0x100000, erase-block: 65536}
  emmc:
    kind: emmc
    sectors: [7634944, 7733248]
    image: emmc.img.zst
    align: 4 MiB
    boot-area: 4 MiB
    erase-group: 512 KiB
    write-protect-group: 8 MiB
    ext-csd: emmc.extcsd
ram:
  banks: [{at: 0x40000000, size: 1 GiB}, {at: 0x80000000, size: 512 MiB}]
  reserved: [{name: secure-monitor, at: 0x9fe00000, size: 2 MiB}]
regions:
  - {name: firmware, label: fip, chip: nor, at: 0, size: 1 MiB, holds: fip, file: fip.bin,
     file-at: 0x400, writer: factory, keep-free: 64 KiB, purpose: "Starts the board"}
  - {name: env-a, chip: nor, at: 1 MiB, size: 64 KiB, holds: uboot-env, writer: runtime,
     env: {size: 16 KiB, copy: env-b}}
  - {name: env-b, chip: nor, at: 0x110000, size: 64 KiB, holds: uboot-env, writer: runtime,
     keep-free: 12.5 %, env: {size: 16 KiB}}
  - {name: loader, chip: emmc/boot1, at: 0, size: 1 MiB, holds: raw, writer: release}
  - {name: rootfs, chip: emmc, partition: 2, type: linux-root-arm64, at: 64 MiB, size: 1 GiB,
     holds: ext4, writer: release}
stages:
  recovery:
    regions: [firmware, env-a]
    entry: recovery
    ramdisk: firmware
    kernel-config: recovery.config
    needs: {require: [shell], relax: [console], extend: {shell: [vi, less]}}
    variables: {serial: "0017"}
  main: {regions: [rootfs], needs: [shell]}
written-elsewhere:
  device-tree: whimbrel.dtb
  environment: uboot.env
  mtdparts: "mtdparts=nor:1m(fip)"
  uboot-config: u-boot.config
  flash-tool-config: firmware:/etc/fw_env.config
policy:
  fail-on: warning
  keep-free: 10 %
  severity: {headroom-low: note}
  waive:
    - {finding: headroom-low, region: firmware, reason: "until the new kernel", until: 2027-03-31}
    - {finding: regions-overlap, reason: wanted, until: "2027-04-01"}
"""
SMALL = """\
layout: 1
board: b
arch: arm64
chips:
  nor: {kind: spi-nor, size: 1 MiB, erase-block: 64 KiB}
  emmc: {kind: emmc, sectors: 65536, boot-area: 2 MiB}
regions:
  - {name: one, chip: nor, at: 0, size: 64 KiB, holds: raw, writer: release}
"""


def read(text: str) -> Layout:
    return parse(text.encode(), "layout.yaml")


def problems(text: str | bytes) -> list[str]:
    with pytest.raises(LayoutError) as caught:
        parse(text if isinstance(text, bytes) else text.encode(), "f")
    return [str(problem) for problem in caught.value.problems]


def region(keys: str) -> str:
    return f"{SMALL}  - {{{keys}}}\n"


def chip(old: str, new: str) -> list[str]:
    assert old in SMALL
    return problems(SMALL.replace(old, new))


def test_every_key() -> None:
    layout = read(EVERYTHING)
    assert layout.summary == "Tide-gauge logger, 16 MiB SPI-NOR"
    assert (layout.board, layout.arch, layout.compatible) == (
        "whimbrel",
        "arm64",
        "example,whimbrel",
    )
    assert len(layout.sha256) == 64
    nor, second, emmc = layout.chips.values()
    assert nor.kind is SPI_NOR
    assert (nor.sizes, nor.size) == ((32 * MIB, 16 * MIB), 16 * MIB)
    assert nor.erase_map == (EraseRun(16, 4 * KIB), EraseRun(255, 64 * KIB))
    assert (nor.page, nor.address_bytes, nor.four_byte_mode, nor.reset_pin) == (
        512,
        4,
        "opcodes",
        "not-wired",
    )
    assert nor.block_protect is not None
    assert (nor.block_protect.bits, nor.block_protect.end, nor.block_protect.covers) == (
        3,
        "top",
        MIB,
    )
    assert (nor.image, nor.sfdp) == ("nor.img", "nor.sfdp")
    assert second.erase_map == (EraseRun(16, 64 * KIB),)
    assert (second.page, second.address_bytes) == (256, None)
    assert emmc.sizes == (7634944 * 512, 7733248 * 512)
    assert (emmc.align, emmc.boot_area, emmc.erase_group, emmc.write_protect_group) == (
        4 * MIB,
        4 * MIB,
        512 * KIB,
        8 * MIB,
    )
    assert (emmc.image, emmc.ext_csd) == ("emmc.img.zst", "emmc.extcsd")
    assert [bank.span for bank in layout.banks] == [
        Span.sized(0x40000000, GIB),
        Span.sized(0x80000000, 512 * MIB),
    ]
    assert [(item.name, item.span) for item in layout.reserved] == [
        ("secure-monitor", Span.sized(0x9FE00000, 2 * MIB))
    ]
    firmware, env_a, env_b, loader, rootfs = layout.regions
    assert (firmware.label, firmware.file, firmware.file_at) == ("fip", "fip.bin", 0x400)
    assert (firmware.writer, firmware.purpose) == (Writer.FACTORY, "Starts the board")
    assert firmware.keep_free == KeepFree(size=64 * KIB)
    assert firmware.room == MIB - 0x400
    assert env_b.keep_free == KeepFree(percent=12.5)
    assert env_a.env is not None
    assert (env_a.env.size, env_a.env.copy, env_a.label) == (16 * KIB, "env-b", "env-a")
    assert (loader.area, loader.chip) == ("emmc/boot1", "emmc")
    assert (rootfs.partition, rootfs.type) == (2, "linux-root-arm64")
    recovery, main = layout.stages.values()
    assert (recovery.regions, recovery.entry, recovery.ramdisk, recovery.kernel_config) == (
        ("firmware", "env-a"),
        "recovery",
        "firmware",
        "recovery.config",
    )
    assert recovery.needs == Needs(("shell",), ("console",), {"shell": ("vi", "less")})
    assert recovery.variables == {"serial": "0017"}
    assert main.needs == Needs(("shell",))
    elsewhere = layout.elsewhere
    assert elsewhere is not None
    assert (elsewhere.device_tree, elsewhere.environment, elsewhere.mtdparts) == (
        "whimbrel.dtb",
        "uboot.env",
        "mtdparts=nor:1m(fip)",
    )
    assert (elsewhere.uboot_config, elsewhere.flash_tool_config) == (
        "u-boot.config",
        "firmware:/etc/fw_env.config",
    )
    policy = layout.policy
    assert (policy.fail_on, policy.keep_free) == ("warning", KeepFree(percent=10))
    assert policy.severity == {"headroom-low": "note"}
    assert [(item.finding, item.region, item.reason, item.until) for item in policy.waivers] == [
        ("headroom-low", "firmware", "until the new kernel", "2027-03-31"),
        ("regions-overlap", None, "wanted", "2027-04-01"),
    ]


def test_places_are_those_of_the_keys() -> None:
    layout = read(EVERYTHING)
    firmware = layout.region("firmware")
    assert str(firmware.where) == "layout.yaml:34:5"
    assert str(firmware.at_key("holds")) == "layout.yaml:34:65"
    assert firmware.at_key("env") == firmware.where
    assert str(layout.policy.severity_at["headroom-low"]) == "layout.yaml:61:14"


def test_areas_and_stages() -> None:
    layout = read(EVERYTHING)
    assert [(area.name, area.size) for area in layout.areas] == [
        ("nor", 16 * MIB),
        ("second", MIB),
        ("emmc", 7634944 * 512),
        ("emmc/boot0", 4 * MIB),
        ("emmc/boot1", 4 * MIB),
    ]
    assert layout.area("emmc/boot1").chip.name == "emmc"
    assert [item.name for item in layout.regions_on("nor")] == ["firmware", "env-a", "env-b"]
    assert layout.stages_of("firmware") == ["recovery"]


def test_erase_blocks_of_an_uneven_map() -> None:
    nor = read(EVERYTHING).chips["nor"]
    assert nor.largest_erase == 64 * KIB
    assert [nor.erase_unit(at) for at in (0, 0xFFFF, 0x10000, 32 * MIB)] == [
        4 * KIB,
        4 * KIB,
        64 * KIB,
        64 * KIB,
    ]
    assert [nor.erase_start(at) for at in (0x1FFF, 0x1FFFF, 16 * MIB, 16 * MIB + 1)] == [
        0x1000,
        0x10000,
        16 * MIB,
        16 * MIB,
    ]
    assert [nor.erase_end(at) for at in (0x1000, 0x1001, 0x10001)] == [0x1000, 0x2000, 0x20000]
    assert nor.erased_by(Span(0xFFF, 0x10001)) == Span(0, 0x20000)
    assert nor.erased_by(Span(0x1800, 0x1800)) == Span(0x1800, 0x1800)


def test_defaults() -> None:
    layout = read(SMALL)
    assert layout.policy.keep_free == KeepFree(percent=5)
    assert layout.policy.fail_on == "error"
    assert layout.elsewhere is None
    assert layout.stages == {}
    assert layout.chips["emmc"].align == 4096
    assert layout.chips["emmc"].largest_erase == 1


def test_keep_free() -> None:
    assert KeepFree(percent=5).of(13 * MIB) == 681_574
    assert KeepFree(size=100).of(13 * MIB) == 100
    assert KeepFree().of(13 * MIB) == 0
    assert (str(KeepFree(percent=2.5)), str(KeepFree(size=65536))) == (
        "2.5 %",
        "65,536 bytes (64 KiB)",
    )


BROKEN = """\
layout: 2
board: my board
archs: arm64
chips:
  nor: {kind: spi-nad, size: 16 MB, erase-block: 64 KiB}
  emmc: {kind: emmc, sectors: 010, page: 256, boot-area: on}
  on: {kind: emmc, size: 1 MiB}
ram:
  banks: [{at: 0x1000, size: 4 KiB}, {at: 0, size: 4 KiB}]
  reserved: [{name: monitor, at: 0x3000, size: 4 KiB}]
regions:
  - {name: firmware, chip: nro, at: -1, size: 12:30:45, holds: fit-image, writer: relase}
  - {name: firmware, chip: nor, at: 0, size: 64 KiB, holds: raw, writer: release, file-at: 64 KiB}
  - {name: env, chip: nor/boot0, at: 0, size: 64 KiB, holds: raw, writer: release, env: {size: 1}}
stages:
  recovery: {regions: [firmwear], ramdisk: ramdisk}
policy:
  keep-free: 100 %
  waive:
    - {finding: headroom-low, region: fimware, reason: " ", until: 2027-02-30}
"""
EXPECTED = """\
f:1:1: the key 'arch' is missing: What the artifacts must be built for.
f:1:9: '2' is not 1
f:2:8: 'my board' is not a name of letters, digits and - _ . +
f:3:1: unknown key 'archs'; did you mean 'arch'?
f:5:15: 'spi-nad' is not spi-nor, parallel-nor, spi-nand, nand, emmc or sd; did you mean 'spi-nand'?
f:5:30: 16 MB can mean two sizes: write 16 MiB for 16,777,216 bytes or 16000000 for 16,000,000 bytes
f:6:31: '010' is not a whole number
f:6:36: the key 'page' does not go with emmc, but with spi-nor, parallel-nor, spi-nand and nand
f:6:58: 'on' is not a size: write bytes, a hex number, or KiB, MiB, GiB, TiB
f:7:3: expected a text as key: quote 'on' if it is one
f:9:38: banks overlap or are not in address order
f:10:14: monitor is not inside a bank of RAM
f:12:22: no chip is called 'nro'; did you mean 'nor'?
f:12:37: '-1' is not a size: write bytes, a hex number, or KiB, MiB, GiB, TiB
f:12:47: '12:30:45' is not a size: write bytes, a hex number, or KiB, MiB, GiB, TiB
f:12:64: 'fit-image' is not a word that can stand here; did you mean 'fit'?
f:12:83: 'relase' is not factory, release or runtime; did you mean 'release'?
f:13:6: a region 'firmware' stands already at line 12
f:13:83: the artifact would start at 0x10000, past the end
f:14:17: nor has no boot0: a SPI-NOR has no areas beside its main one
f:14:84: only a region that holds uboot-env has an env
f:16:14: no region is called 'firmwear'; did you mean 'firmware'?
f:16:35: no region is called 'ramdisk'
f:18:14: '100 %' is not a share from 0 % to below 100 %
f:20:31: no region is called 'fimware'; did you mean 'firmware'?
f:20:56: ' ' is not a reason
f:20:68: '2027-02-30' is not a day such as 2027-03-31
"""


def test_all_problems_at_once_with_their_places() -> None:
    assert "\n".join(problems(BROKEN)) + "\n" == EXPECTED


@pytest.mark.parametrize(
    ("keys", "why"),
    [
        ("name: two, chip: nor, at: 0, size: 0, holds: raw, writer: release", "out of range"),
        ("name: two, chip: nor, at: 0, size: 1 B, holds: raw", "the key 'writer' is missing"),
        ("name: two, name: two", "the key 'name' stands already at line 9"),
        ("<<: {a: b}", "expected a plain key"),
        ("[a]: b", "expected a plain key"),
        ("1: b", "expected a text as key: quote '1' if it is one"),
        ("name: [two]", "expected a name"),
        ("name: no", "quote 'no' if it is meant so"),
        ("name: 2027-01-01", "quote '2027-01-01' if it is meant so"),
        ("name: 12:30:45", "quote '12:30:45' if it is meant so"),
        ("name: 010", "quote '010' if it is meant so"),
        ("purpose: yes", "quote 'yes' if it is meant so"),
        ("file: ", "quote '' if it is meant so"),
        ('purpose: "a\\eb"', "without control characters"),
        ("at: 9223372036854775808", "out of range: below 2^63 bytes"),
        ("at: [1]", "expected a size"),
        ("partition: 0", "0 is out of range: 1 to 128"),
        ("partition: [1]", "expected a whole number"),
        ("partition: 1_0", "'1_0' is not a whole number"),
        ("keep-free: [1]", "expected a share such as 5 %, or a size"),
        ("keep-free: -1 %", "is not a share"),
        ("keep-free: nan %", "is not a share"),
        ("keep-free: 5 MB", "can mean two sizes"),
        ("holds: [raw]", "expected one of"),
        ("env: 5", "expected a mapping of keys to values"),
    ],
)
def test_wrong_values(keys: str, why: str) -> None:
    assert any(why in problem for problem in problems(region(keys)))


@pytest.mark.parametrize(
    ("keys", "why"),
    [
        (
            "name: two, chip: nor, at: 0, size: 1, holds: raw, writer: release, partition: 1",
            "f:9:73: the key 'partition' goes with partitions of an eMMC or a card only",
        ),
        (
            "name: two, chip: emmc/boot0, at: 0, size: 1, holds: raw, writer: release, type: esp",
            "f:9:80: the key 'type' goes with partitions of an eMMC or a card only",
        ),
        (
            "name: two, chip: emmc, at: 0, size: 1, holds: raw, writer: release, type: linux-rot",
            "f:9:74: 'linux-rot' is neither a GUID nor a type with a name; did you mean",
        ),
        (
            "name: two, chip: nor, at: 0, size: 1, holds: uboot-env, env: {size: 1, copy: two}",
            "f:9:62: an environment cannot be its own copy",
        ),
        (
            "name: two, chip: nor, at: 0, size: 1, holds: uboot-env, env: {size: 1, copy: tow}",
            "f:9:62: no region is called 'tow'; did you mean 'two'?",
        ),
    ],
)
def test_references(keys: str, why: str) -> None:
    assert any(problem.startswith(why) for problem in problems(region(keys)))


@pytest.mark.parametrize(
    ("old", "new", "why"),
    [
        ("size: 1 MiB, ", "", ["f:5:3: the chip 'nor' has no size"]),
        ("size: 1 MiB", "size: []", ["f:5:30: the list is empty"]),
        (", erase-block: 64 KiB", "", ["f:5:3: the chip 'nor' has neither erase-block nor"]),
        ("64 KiB}\n  emmc", "24 KiB}\n  emmc", ["1,048,576 bytes (1 MiB) is not a whole number"]),
        (
            "erase-block: 64 KiB}",
            "erase-block: 64 KiB, erase-map: [{count: 16, size: 64 KiB}]}",
            ["give erase-block or erase-map, not both"],
        ),
        (
            "erase-block: 64 KiB}",
            "erase-map: [{count: 15, size: 64 KiB}]}",
            ["the erase map covers 983,040 bytes (960 KiB), the chip has 1,048,576 bytes (1 MiB)"],
        ),
        ("erase-block: 64 KiB}", "erase-map: []}", ["the list is empty"]),
        ("erase-block: 64 KiB}", "erase-map: [{count: 16}]}", ["the key 'size' is missing"]),
        ("erase-block: 64 KiB}", "erase-map: 5}", ["expected a list"]),
        ("sectors: 65536", "sectors: 65536, size: 32 MiB", ["give size or sectors, not both"]),
        ("kind: spi-nor, ", "", ["the key 'kind' is missing"]),
        ("size: 1 MiB", "sectors: 2048", ["f:5:24: the key 'sectors' does not go with spi-nor"]),
        ("  nor:", '  "":', ["'' is not a name that can stand here", "no chip is called 'nor'"]),
        ("{kind: spi-nor, size: 1 MiB, erase-block: 64 KiB}", "", ["expected a mapping of keys"]),
        ("chip: nor", "chip: emmc/boot2", ["emmc has no boot2: an eMMC has boot0"]),
        (", boot-area: 2 MiB", "", []),
        ("layout: 1", "layout: 1\nram: {banks: [{at: 0}], reserved: []}", ["'size' is missing"]),
        ("layout: 1", "layout: 1\nwritten-elsewhere: []", ["expected a mapping"]),
        ("layout: 1", "layout: 1\nguessed: [arhc]", ["'arhc' is not board, summary, arch"]),
        ("layout: 1", "layout: 1\nguessed: compatible", ["compatible is not written here"]),
        (
            "erase-block: 64 KiB}",
            "erase-block: 64 KiB, guessed: [size, page]}",
            ["page is not written here, so it is no guess"],
        ),
        ("layout: 1", "layout: 1\nstages: []", ["expected a mapping of names"]),
        ("layout: 1", "layout: 1\nstages: {a: {ramdisk: x}}", ["'regions' is missing", "'x'"]),
    ],
)
def test_chips_and_the_rest(old: str, new: str, why: list[str]) -> None:
    if not why:
        assert read(SMALL.replace(old, new)).chips["emmc"].boot_area is None
        return
    said = chip(old, new)
    for part in why:
        assert sum(part in problem for problem in said) == 1
    assert len(said) <= len(why) + 1


def test_a_boot_area_needs_its_size() -> None:
    text = SMALL.replace(", boot-area: 2 MiB", "").replace("chip: nor", "chip: emmc/boot0")
    assert problems(text) == ["f:8:17: the chip emmc gives no boot-area size"]


def test_one_partition_number_twice() -> None:
    rows = "".join(
        f"  - {{name: {name}, chip: emmc, partition: 3, at: {at} MiB, size: 1 MiB, holds: raw,"
        " writer: release}\n"
        for name, at in (("two", 1), ("three", 2))
    )
    assert problems(SMALL + rows) == ["f:10:31: partition 3 is two already"]


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (b"", "f:1:1: the file is empty"),
        (b"# nothing\n", "f:1:1: the file is empty"),
        (b"layout: \xff\n", "f:1:1: not UTF-8 at byte 8"),
        (b"a: 1\n---\nb: 2\n", "f:2:1: not YAML: but found another document"),
        (b"a: [1\n", "f:2:1: not YAML: did not find expected ',' or ']'"),
        (b"a: \x00\n", "f:1:1: not YAML: "),
        (b"%YAML 1." + b"1" * 5000 + b"\n---\na", "not YAML: "),
        (b'a: "\\U00110000"', "not YAML: "),
        (b"- 1\n", "f:1:1: expected a mapping of keys to values"),
        (b"text", "f:1:1: expected a mapping of keys to values"),
        (b"a: " + b"[" * 30, "nested deeper than 24 levels"),
        (b"a: " + b"{a: " * 100_000, "nested deeper than 24 levels"),
        (b"a: &x [1]\nb: *x\n", "f:2:4: aliases (*name) are not used here: write it out"),
        (b"#" * (MOST_BYTES + 1), "f:1:1: more than 1,048,576 bytes (1 MiB): this is no layout"),
    ],
)
def test_files_that_are_no_layout(data: bytes, why: str) -> None:
    (said,) = problems(data)
    assert why in said
    assert "\n" not in said


def test_an_alias_bomb_is_refused_at_once() -> None:
    bomb = "a: &a [x, x]\n" + "".join(
        f"{name}: &{name} [{', '.join([f'*{before}'] * 9)}]\n"
        for before, name in zip("abcdefgh", "bcdefghi", strict=True)
    )
    assert problems(bomb) == ["f:2:8: aliases (*name) are not used here: write it out"]


def test_a_message_repeats_no_long_text() -> None:
    long = "x" * 100_000
    for text in (
        f"{long}: 1\n",
        SMALL.replace("board: b", f"board: {long}!"),
        SMALL.replace("arch: arm64", f"arch: {long}"),
        SMALL.replace("1 MiB", long),
        SMALL.replace("1 MiB", "9" * 100_000),
    ):
        assert all(len(problem) < 300 for problem in problems(text))


def test_the_file_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(AuditError, match="No such file"):
        load(str(tmp_path / "layout.yaml"))
    with pytest.raises(AuditError, match="not a regular file"):
        load(str(tmp_path))


def test_loads_without_libyaml(monkeypatch: pytest.MonkeyPatch) -> None:
    fast = read(EVERYTHING)
    monkeypatch.delattr(yaml, "CSafeLoader", raising=False)
    assert read(EVERYTHING) == fast
    assert len(problems('a: "\\U00110000"')) == 1
    assert len(problems("%YAML 1." + "1" * 5000 + "\n---\na")) == 1


@given(st.text(max_size=200))
def test_any_text_is_a_layout_or_a_layout_error(text: str) -> None:
    with contextlib.suppress(LayoutError):
        parse(text.encode("utf-8", "surrogatepass"), "f")


@given(st.binary(max_size=200))
def test_any_bytes_are_a_layout_or_a_layout_error(data: bytes) -> None:
    with contextlib.suppress(LayoutError):
        parse(data, "f")


WORDS = sorted({word for word in EVERYTHING.replace(",", " ").split() if word.isalnum()})


@given(st.integers(0, 1 << 32), st.integers(1, 6))
def test_a_mutated_layout_is_a_layout_or_a_layout_error(seed: int, times: int) -> None:
    dice = random.Random(seed)
    lines = EVERYTHING.splitlines()
    for _ in range(times):
        at = dice.randrange(len(lines))
        line = lines[at]
        match dice.randrange(5):
            case 0:
                del lines[at]
            case 1:
                lines[at] = line.replace(dice.choice(WORDS), dice.choice(WORDS))
            case 2:
                lines[at] = line[: dice.randrange(len(line) + 1)]
            case 3:
                cut = dice.randrange(len(line) + 1)
                lines[at] = line[:cut] + dice.choice("[]{}:,-#&*!|>'\"%@` 0x") + line[cut:]
            case _:
                lines.insert(at, lines[dice.randrange(len(lines))])
    with contextlib.suppress(LayoutError):
        read("\n".join(lines))


def test_the_demo_ships_the_published_layout() -> None:
    shipped = Path(imgaudit.__file__).parent / "demo" / "whimbrel.yaml"
    assert shipped.read_bytes() == WHIMBREL.read_bytes()


def plain(text: str) -> Any:
    """Load as an editor does: days stay text."""
    return _undated(yaml.safe_load(text))


def _undated(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _undated(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_undated(item) for item in value]
    return value.isoformat() if hasattr(value, "isoformat") else value


def test_schema_is_valid() -> None:
    jsonschema.Draft202012Validator.check_schema(schema())
    assert schema()["$schema"] == "https://json-schema.org/draft/2020-12/schema"


@pytest.mark.parametrize("text", [EVERYTHING, SMALL, WHIMBREL.read_text()])
def test_schema_takes_what_the_loader_takes(text: str) -> None:
    read(text)
    jsonschema.Draft202012Validator(schema()).validate(plain(text))


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("layout: 1", "layout: 2"),
        ("board: b", "board: a board"),
        ("arch: arm64", "arch: arm65"),
        ("size: 1 MiB", "size: 1 MB"),
        ("size: 1 MiB", "size: 0"),
        ("size: 1 MiB", "size: []"),
        ("kind: spi-nor", "kind: spi-nad"),
        ("name: one", "nam: one"),
        ("holds: raw", "holds: rawr"),
        ("writer: release", "writer: no"),
        (", writer: release", ""),
        ("at: 0", "at: -1"),
        ("at: 0", "at: 0, keep-free: 100 %"),
        ("at: 0", "at: 0, partition: 129"),
        ("board: b", "board: b\nregion: []"),
    ],
)
def test_schema_refuses_what_the_loader_refuses(old: str, new: str) -> None:
    text = SMALL.replace(old, new, 1)
    assert problems(text)
    assert not jsonschema.Draft202012Validator(schema()).is_valid(plain(text))


def test_every_key_of_the_schema_says_what_it_is() -> None:
    def visit(part: Any) -> None:
        if isinstance(part, dict):
            for value in part.get("properties", {}).values():
                # What repeats stands under $defs, with its description.
                if isinstance(value, dict) and "$ref" not in value:
                    assert value["description"][-1] in ".?"
            for key, value in part.items():
                if key != "allOf":  # what keys ask of one another, described elsewhere
                    visit(value)
        elif isinstance(part, list):
            for value in part:
                visit(value)

    visit(schema())


_CARD = """\
layout: 1
board: b
arch: arm64
chips:
  nor: {kind: spi-nor, size: 1 MiB, erase-block: 64 KiB}
  card: {kind: sd, sectors: 65536 TABLE}
regions:
  - {name: one, chip: card, partition: 1, at: 1 MiB, size: 1 MiB, holds: raw, writer: release KEYS}
"""


@given(
    st.sampled_from(["", ", table: gpt", ", table: mbr"]),
    st.sampled_from(["", ", bootable: set"]),
    st.sampled_from(
        (
            *guid.TYPE_WORDS,
            *boot_record.TYPE_NAMES,
            *("0x83", "'83'", "f", "'0x183'", guid.TYPE_NAMES["esp"], guid.ZERO, "linux-rot"),
        )
    ),
)
def test_loader_and_schema_agree_on_types(table: str, bootable: str, word: str) -> None:
    text = _CARD.replace(" TABLE", table).replace(" KEYS", f", type: {word}{bootable}")
    valid = jsonschema.Draft202012Validator(schema()).is_valid(plain(text))
    assert valid == (not problems_of(text)), (text, problems_of(text))


def test_holds_names_the_readers() -> None:
    # Dumps of registers and the map beside an image: no region holds one.
    of_regions = set(readers()) - {"bmap", "sfdp", "ext-csd"}
    assert set(HOLDS) == of_regions | {"raw", "blank", "ext2", "ext3"}
    assert list(HOLDS) == sorted(HOLDS)


KIND_OF_EACH = """\
layout: 1
board: b
arch: arm
chips:
  boot: {kind: spi-nor, size: 1 MiB, erase-block: 64 KiB}
  bus: {kind: parallel-nor, size: 8 MiB, erase-block: 128 KiB}
  serial: {kind: spi-nand, size: 128 MiB, erase-block: 128 KiB, spare: 64}
  nand: {kind: nand, size: 1 GiB, erase-block: 256 KiB, page: 4096, spare: 224, bad-blocks: 2 %}
  emmc: {kind: emmc, sectors: 7634944, boot-area: 4 MiB, rpmb: 4 MiB, general-areas: [8 MiB, 1 MiB]}
  card: {kind: sd, sectors: 15523840, align: 4 MiB}
regions:
  - {name: spl, chip: emmc/boot1, at: 0, size: 64 KiB, holds: raw, writer: release}
  - {name: keys, chip: emmc/gp2, at: 0, size: 1 MiB, holds: raw, writer: factory}
  - {name: root, chip: card, partition: 1, at: 4 MiB, size: 64 MiB, holds: ext4, writer: release}
"""


def test_a_chip_of_each_kind() -> None:
    layout = read(KIND_OF_EACH)
    assert [chip.kind.word for chip in layout.chips.values()] == list(KINDS)
    assert layout.chips["serial"].page == 2048
    assert layout.chips["bus"].erase_map == (EraseRun(64, 128 * KIB),)
    nand = layout.chips["nand"]
    assert (nand.page, nand.spare, nand.may_be_bad.of(1 * GIB)) == (4096, 224, 21_474_836)
    # Linux drivers/mtd/ubi/Kconfig: 20 of 1024 blocks.
    assert layout.chips["serial"].may_be_bad.of(128 * MIB) == 20 * 128 * KIB
    areas = {area.name: area.size for area in layout.areas}
    assert areas["emmc/rpmb"] == 4 * MIB
    assert (areas["emmc/gp1"], areas["emmc/gp2"]) == (8 * MIB, MIB)
    assert "emmc/gp3" not in areas
    assert not any(name.startswith("card/") for name in areas)
    jsonschema.Draft202012Validator(schema()).validate(plain(KIND_OF_EACH))


@pytest.mark.parametrize(
    ("old", "new", "why"),
    [
        ("spare: 64", "sfdp: x", "the key 'sfdp' does not go with spi-nand, but with spi-nor"),
        ("align: 4 MiB", "rpmb: 4 MiB", "the key 'rpmb' does not go with sd, but with emmc"),
        ("align: 4 MiB", "spare: 64", "does not go with sd, but with spi-nand and nand"),
        ("emmc/gp2", "emmc/gp3", "emmc has no gp3: an eMMC has boot0 and boot1 (boot-area:), rpmb"),
        ("emmc/gp2", "nand/gp2", "nand has no gp2: a NAND has no areas beside its main one"),
        ("8 MiB, 1 MiB]", "8, 7, 6, 5, 4]", "the list has more than 4 items"),
    ],
)
def test_what_does_not_go_with_a_kind(old: str, new: str, why: str) -> None:
    assert any(why in problem for problem in problems(KIND_OF_EACH.replace(old, new, 1)))


PARTS = """\
layout: 1
board: b
arch: arm
chips:
  nor:
    kind: spi-nor
    address-bytes: 3
    parts:
      - {name: first, size: 16 MiB, erase-block: 64 KiB, sfdp: first.sfdp}
      - name: second
        size: 8 MiB
        erase-map: [{count: 16, size: 4 KiB}, {count: 127, size: 64 KiB}]
  emmc:
    kind: emmc
    boot-area: 4 MiB
    align: 1 MiB
    parts:
      - {name: one, sectors: 7634944}
      - {name: two, sectors: 7733248, boot-area: 2 MiB}
regions:
  - {name: loader, chip: nor, at: 0, size: 64 KiB, holds: raw, writer: release}
  - {name: env, chip: nor, after: loader, size: 64 KiB, holds: raw, writer: release}
  - {name: rest, chip: nor, after: env, size: rest, holds: raw, writer: release, labels: [a, b]}
  - {name: boot, chip: emmc, partition: 1, at: 1 MiB, size: rest, holds: raw, writer: release}
  - {name: root, chip: emmc, partition: 2, at: 65 MiB, size: 1 GiB, holds: raw, writer: release}
  - {name: data, chip: emmc, partition: 3, after: root, size: rest, holds: raw, writer: release}
variants:
  small:
    chips: {nor: {parts: [{name: third, size: 4 MiB, erase-block: 4 KiB}]}}
    without: [boot]
    regions: [{name: root, after: data}, {name: data, at: 4 MiB, size: 1 MiB}]
"""


def test_parts_places_and_variants() -> None:
    layout = read(PARTS)
    nor, emmc = layout.chips["nor"], layout.chips["emmc"]
    assert [part.part for part in nor.parts] == ["first", "second"]
    assert (nor.size, nor.sizes, nor.sfdp) == (8 * MIB, (16 * MIB, 8 * MIB), None)
    assert nor.parts[0].sfdp == "first.sfdp"
    assert [part.address_bytes for part in nor.parts] == [3, 3]
    assert [part.boot_area for part in emmc.parts] == [4 * MIB, 2 * MIB]
    assert layout.with_part(0).chips["nor"].erase_unit(0) == 64 * KIB
    assert layout.with_part(1).chips["nor"].erase_unit(0) == 4 * KIB
    assert layout.with_part(7).chips["nor"] == nor.parts[1]
    spans = {region.name: region.span for region in layout.regions}
    assert spans["env"] == Span(64 * KIB, 128 * KIB)
    assert spans["rest"] == Span(128 * KIB, 8 * MIB)
    assert spans["boot"] == Span(MIB, 65 * MIB)
    # The backup GPT takes 33 sectors (UEFI 5.3); what is left ends where a partition may start.
    assert spans["data"] == Span(1089 * MIB, (7634944 * 512 - 33 * 512) // MIB * MIB)
    assert layout.region("rest").labels == ("a", "b")
    small = parse(PARTS.encode(), "f", "small")
    assert (small.file, small.variant) == ("f#small", "small")
    # A list of named things is merged by name.
    names = [part.part for part in small.chips["nor"].parts]
    assert names == ["first", "second", "third"]
    assert [region.name for region in small.regions][-2:] == ["root", "data"]
    assert small.region("root").at == 5 * MIB
    jsonschema.Draft202012Validator(schema()).validate(plain(PARTS))


@pytest.mark.parametrize(
    ("old", "new", "why"),
    [
        ("kind: spi-nor", "kind: cfi-flash", "; did you mean 'parallel-nor'?"),
        ("erase-block: 64 KiB}", "block: 64 KiB}", "unknown key 'block'; did you mean 'erase-"),
        ("at: 0", "offset: 0", "unknown key 'offset'; did you mean 'at'?"),
        ("holds: raw", "holds: dtb", "; did you mean 'fdt'?"),
        ("holds: raw", "holds: uboot", "; did you mean 'raw'?"),
        ("writer: release", "writer: update", "; did you mean 'release'?"),
        ("arch: arm64", "arch: aarch64", "; did you mean 'arm64'?"),
        (", writer: release", "", "'writer' is missing: Who erases and writes it. It is factory,"),
    ],
)
def test_a_word_that_others_use_is_understood(old: str, new: str, why: str) -> None:
    assert any(why in problem for problem in chip(old, new))


def test_a_chip_of_no_known_kind_is_one_mistake() -> None:
    """What lies on it cannot be judged: it is not called wrong as well."""
    text = (
        "layout: 1\nboard: b\narch: arm\nchips:\n  card: {kind: sdcard, size: 1 GiB}\nregions:\n"
        "  - {name: boot, chip: card, partition: 1, type: 0xc, bootable: set, at: 1 MiB,"
        " size: rest, holds: fat, writer: release}\n"
        "stages: {main: {regions: [boot]}}\n"
    )
    (said,) = problems(text)
    assert said.startswith("f:5:16: 'sdcard' is not")
    assert said.endswith("; did you mean 'sd'?")


def test_a_ubi_is_named_with_its_chip() -> None:
    text = (
        "layout: 1\nboard: b\narch: arm\n"
        "chips:\n  nand: {kind: nand, size: 64 MiB, erase-block: 128 KiB}\nregions:\n"
        "  - {name: ubi, chip: nand, at: 0, size: rest, holds: ubi, writer: release}\n"
        "  - {name: root, chip: ubi, size: 8 MiB, holds: ubifs, writer: release}\n"
    )
    assert problems(text) == ["f:8:18: no chip is called 'ubi'; did you mean 'nand/ubi'?"]


def test_a_variant_adds_guesses_and_looks_some_up() -> None:
    text = PARTS.replace("kind: spi-nor", "kind: spi-nor\n    guessed: [address-bytes]", 1)
    text = text.replace(
        "holds: raw, writer: release}", "holds: raw, writer: release, guessed: [at, size]}", 1
    )
    text = text.replace(
        "small:\n    chips: {nor: {", "small:\n    chips: {nor: {page: 256, guessed: page, ", 1
    )
    text = text.replace(
        "regions: [{name: root", "regions: [{name: loader, size: 64 KiB}, {name: root"
    )
    small = parse(text.encode(), "f", "small")
    assert {name: thing.guessed for name, thing in small.guesses()} == {
        "nor": ("address-bytes", "page"),
        "loader": ("at",),
    }
    looked_up = text.replace("page: 256, guessed: page, ", "address-bytes: 3, ")
    looked_up = looked_up.replace("loader, size: 64 KiB}", "loader, size: 64 KiB, at: 0}")
    assert list(parse(looked_up.encode(), "f", "small").guesses()) == []


def test_what_is_guessed() -> None:
    text = PARTS.replace("kind: spi-nor", "kind: spi-nor\n    guessed: [size, address-bytes]", 1)
    text = text.replace("layout: 1", "layout: 1\nguessed: arch", 1)
    layout = read(text)
    assert {name: thing.guessed for name, thing in layout.guesses()} == {
        layout.board: ("arch",),
        "nor": ("size", "address-bytes"),
    }
    jsonschema.Draft202012Validator(schema()).validate(plain(text))
    assert list(read(PARTS).guesses()) == []


def test_a_list_without_names_takes_the_place_of_the_list_below() -> None:
    text = PARTS.replace(
        "regions: [{name: root", "regions: [{name: rest, labels: [c]}, {name: root"
    )
    assert parse(text.encode(), "f", "small").region("rest").labels == ("c",)
    assert read(text).region("rest").labels == ("a", "b")


def test_a_variant_is_chosen_by_its_name(tmp_path: Path) -> None:
    file = tmp_path / "board.yaml"
    file.write_text(PARTS)
    assert load(f"{file}#small").variant == "small"
    with pytest.raises(LayoutError, match="there is no variant 'smal'; did you mean 'small'"):
        load(f"{file}#smal")
    odd = tmp_path / "odd#name.yaml"
    odd.write_text(PARTS)
    assert load(str(odd)).variant is None


@pytest.mark.parametrize(
    ("old", "new", "why"),
    [
        ("after: loader", "after: lodaer", "no region is called 'lodaer'; did you mean 'loader'?"),
        ("after: loader", "after: root", "root is on emmc"),
        ("after: loader", "after: rest", "rest takes the rest: nothing can follow it"),
        ("after: loader", "after: env", "env follows this region in turn"),
        ("at: 65 MiB", "at: 65 MiB, after: boot", "give at or after, not both"),
        ("chip: nor, at: 0,", "chip: nor,", "the region has neither at nor after"),
        ("at: 65 MiB, size: 1 GiB", "at: 65 MiB, size: 4 GiB", "nothing is left from 0x104100000"),
        ("labels: [a, b]", "labels: [a], label: b", "give label or labels, not both"),
        ("without: [boot]", "without: [bot]", "no region is called 'bot'"),
        ("without: [boot]", "wihtout: [boot]", "unknown key 'wihtout'; did you mean 'without'?"),
        ("name: second", "name: first", "first is listed already"),
        (
            "name: second",
            "name: second\n        align: 1",
            "the key 'align' does not go with spi-nor",
        ),
        ("third, size: 4 MiB", "third, size: 4 MB", "4 MB can mean two sizes"),
        ("variants:", "variants:\n  large: 5", "f:28:10: expected a mapping of keys to values"),
    ],
)
def test_what_is_wrong_with_parts_places_and_variants(old: str, new: str, why: str) -> None:
    found = problems(PARTS.replace(old, new, 1))
    assert any(why in problem for problem in found), found


EDGES = """\
layout: 1
board: b
arch: arm64
chips:
  nor: {kind: spi-nor, size: 16 MiB, erase-block: 64 KiB, page: PAGE,
    block-protect: {bits: BITS, end: top, covers: COVERS}}
  emmc: {kind: emmc, sectors: SECTORS, align: ALIGN}
regions:
  - {name: one, chip: emmc, partition: PART, at: AT, size: 1 MiB, holds: raw, writer: release}
"""
USUAL = {"PAGE": "256", "BITS": "3", "COVERS": "0", "SECTORS": "99999999", "ALIGN": "512"}
USUAL |= {"PART": "1", "AT": "1 MiB"}


@given(
    st.sampled_from(sorted(USUAL)),
    st.one_of(
        st.sampled_from([0, 1, 4, 5, 128, 129, (1 << 40) - 1, 1 << 40, (1 << 40) + 1]),
        st.sampled_from([(1 << 63) - 1, 1 << 63, (1 << 64) + 1, -1]),
        st.integers(0, 1 << 42),
    ),
    st.sampled_from(
        ["{}", "{:#x}", "'{}'", "'{:#x}'", "{:#X}", "'0{}'", "{}.5", "{} K", "{} MB", "x"]
    ),
)
def test_loader_and_schema_agree_on_every_number(key: str, number: int, form: str) -> None:
    text = EDGES
    for name, value in (USUAL | {key: form.format(number)}).items():
        text = text.replace(name, value)
    valid = jsonschema.Draft202012Validator(schema()).is_valid(plain(text))
    found = [problem for problem in problems_of(text) if "whole number of erase" not in problem]
    assert valid == (not found), (text, found)


def problems_of(text: str) -> list[str]:
    try:
        read(text)
    except LayoutError as problem:
        return [str(item) for item in problem.problems]
    return []


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("size: 1 MiB, erase-block: 64 KiB", "erase-block: 64 KiB"),
        ("size: 1 MiB, erase-block: 64 KiB", "size: 1 MiB"),
        ("sectors: 65536", "sectors: 65536, erase-block: 64 KiB"),
        ("sectors: 65536", "sectors: 65536, size: 1 MiB"),
        ("sectors: 65536", "sectors: 65536, table: ubi"),
        ("sectors: 65536", "sectors: '65536x'"),
        ("kind: spi-nor", "kind: spi-nor, sfdp: a, rpmb: 1"),
        ("at: 0", "at: 0, after: one"),
        ("at: 0", "at: 0, label: a, labels: [b]"),
        ("at: 0, ", ""),
        ("chip: emmc, at: 1 MiB", "chip: emmc, type: linux-rot, at: 1 MiB"),
    ],
)
def test_schema_refuses_what_the_loader_asks_of_keys_together(old: str, new: str) -> None:
    small = SMALL.replace("\n", "\n", 1)
    text = small.replace(old, new, 1)
    if text == small:
        text = (KIND_OF_EACH + "").replace("at: 4 MiB", "type: linux-rot, at: 4 MiB", 1)
    assert problems(text)
    assert not jsonschema.Draft202012Validator(schema()).is_valid(plain(text))


@pytest.mark.parametrize("text", [KIND_OF_EACH, PARTS, SMALL.replace("65536", "'0x10000'", 1)])
def test_schema_takes_every_kind_and_quoted_numbers(text: str) -> None:
    read(text)
    jsonschema.Draft202012Validator(schema()).validate(plain(text))


_UPDATES = f"""{EVERYTHING}
updates:
  field:
    by: main
    steps:
      - {{write: rootfs, flush: later}}
      - {{set: {{slot: b, tried: ""}}}}
      - reboot
  flash: {{by: recovery, steps: [{{write: firmware, erases: first}}, {{erase: env-b}}]}}
  line: {{by: factory, steps: [{{write: nor}}, {{table: emmc}}, {{copy: env-a, to: env-b}}]}}
"""


def test_updates_are_read_step_by_step() -> None:
    layout = read(_UPDATES)
    field, flash, line = layout.updates
    assert [update.by for update in layout.updates] == ["main", "recovery", "factory"]
    assert [(step.act, step.target) for step in field.steps] == [
        (Act.WRITE, "rootfs"),
        (Act.SET, ""),
        (Act.REBOOT, ""),
    ]
    assert field.steps[1].variables == {"slot": "b", "tried": None}
    assert [step.flushed for step in (*field.steps[:1], *flash.steps)] == [False, True, True]
    assert [step.erases_first for step in flash.steps] == [True, False]
    assert [step.target for step in line.steps] == ["nor", "emmc", "env-b"]
    assert line.steps[2].source == "env-a"
    assert (field.steps[1].where.line, field.where.line) == (71, 67)
    jsonschema.Draft202012Validator(schema()).validate(plain(_UPDATES))


@pytest.mark.parametrize(
    ("old", "new", "why"),
    [
        ("by: main", "by: mian", "no stage is called 'mian'; did you mean 'main'?"),
        ("by: main", "by: factroy", "did you mean 'factory'?"),
        ("write: rootfs", "write: rootsf", "no region is called 'rootsf'; did you mean 'rootfs'?"),
        ("write: nor", "write: nr", "did you mean 'nor'?"),
        ("erase: env-b", "erase: nor", "no region is called 'nor'"),
        ("table: emmc", "table: emc", "no chip is called 'emc'; did you mean 'emmc'?"),
        (", to: env-b", "", "a copy says where it goes: the key 'to' is missing"),
        ("write: nor", "write: nor, to: env-a", "the key 'to' does not go with write"),
        ("table: emmc", "table: emmc, erases: first", "the key 'erases' does not go with table"),
        ("erase: env-b", "erase: env-b, set: {a: b}", "a step has one of write, erase, copy, set"),
        ("- reboot", "- rebot", "did you mean 'reboot'?"),
        ("write: nor", "wirte: nor", "unknown key 'wirte'; did you mean 'write'?"),
        ("flush: later", "flush: maybe", "is not now or later"),
        ("[{write: nor}, {table: emmc}, {copy: env-a, to: env-b}]", "[]", "the list is empty"),
    ],
)
def test_wrong_updates(old: str, new: str, why: str) -> None:
    assert old in _UPDATES
    assert any(why in problem for problem in problems(_UPDATES.replace(old, new, 1)))


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("layout: 1\n", "1:1: the file has no policy:"),
        ("- policy: {}\n", "1:1: expected a mapping with the key policy"),
        ("policy", "1:1: expected a mapping with the key policy"),
        ("", "1:1: the file is empty"),
        ("policy: {fail-on: never}\n", "1:19: 'never' is not error or warning"),
        (
            "policy:\n  accept: [{reason: r, owner: o}]\n",
            "2:12: say one of region, stage, copy, loss, update and limit",
        ),
        (
            "policy:\n  accept: [{region: a, stage: b, reason: r, owner: o}]\n",
            "2:12: say one of region, stage, copy, loss, update and limit",
        ),
    ],
)
def test_what_is_no_policy_of_a_trusted_side(tmp_path: Path, text: str, why: str) -> None:
    path = tmp_path / "trusted.yaml"
    path.write_text(text)
    with pytest.raises(LayoutError) as caught:
        load_policy(str(path))
    assert str(caught.value) == f"{path}:{why}"


def test_a_policy_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(AuditError, match=r"cannot read the policy: .*gone\.yaml cannot be opened"):
        load_policy(str(tmp_path / "gone.yaml"))

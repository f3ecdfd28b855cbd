from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.boot.call import Call, Done
from imgaudit.boot.commands import COMMANDS, known
from imgaudit.boot.records import Gap, Kind, World
from imgaudit.boot.state import State
from imgaudit.boot.values import Hole, Text
from imgaudit.units import MIB, Span

ENVIRONMENT = {
    "loadaddr": Text.of("1000"),
    "bootfile": Text.of("image"),
    "there": Text.of("yes"),
    "pxefile_addr_r": Text.of("2000"),
    "mtdparts": Text.of("nor0:1m(fw),-(rest)"),
}
WORLD = World(
    sizes={"nor": 16 * MIB},
    partitions={("mmc0", "2"): Span(MIB, 3 * MIB)},
    files={("mmc0", "1", "a"): 100},
    listed=frozenset({("mmc0", "1")}),
)


def done(text: str, world: World = WORLD, **variables: str) -> Done:
    words = [Text.unknown("x") if word == "?" else Text.of(word) for word in text.split()]
    function = known(text.split(maxsplit=1)[0])
    assert function is not None
    more = {name: Text.of(value) for name, value in variables.items()}
    return function(Call(words, State({**ENVIRONMENT, **more}), world))


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("sf probe", Kind.SELECT),
        ("sf test 0 1000", Kind.SHOW),
        ("sf read 0 0 100", Kind.READ),
        ("mtd list", Kind.SHOW),
        ("mtd bad nor0", Kind.OTHER),
        ("nand info", Kind.OTHER),
        ("mmc dev", Kind.SHOW),
        ("mmc dev ?", Kind.SELECT),
        ("mmc rescan", Kind.SELECT),
        ("mmc info", Kind.SHOW),
        ("mmc partconf 0", Kind.SHOW),
        ("mmc partconf 0 part", Kind.SHOW),
        ("mmc partconf 0 1 1 0", Kind.CONFIGURE),
        ("mmc partconf 0 1 1", Kind.SHOW),  # one word too few: U-Boot says how it is used
        ("mmc bootpart-resize 0 4 4", Kind.CONFIGURE),
        ("mmc bootpart-resize 0 4", Kind.SHOW),
        ("mmc rst-function 0", Kind.SHOW),
        ("mmc rst-function 0 1", Kind.CONFIGURE),
        ("mmc hwpartition user enh 0 100 complete", Kind.CONFIGURE),
        ("mmc swrite 1000 0", Kind.WRITE),
        ("mmc erase ? 10", Kind.ERASE),
        ("usb start", Kind.SELECT),
        ("usb tree", Kind.SHOW),
        ("ubi part rest", Kind.SELECT),
        ("ubi read 1000 vol 200", Kind.READ),
        ("ubi write 1000 vol 200", Kind.WRITE),
        ("ubi create vol 1000", Kind.CONFIGURE),
        ("ubi info", Kind.SHOW),
        ("fatwrite mmc 0:1 1000 log 10", Kind.WRITE),
        ("size mmc 0:1 a", Kind.TEST),
        ("fstype mmc 0:1 type", Kind.TEST),
        ("part uuid mmc 0:2 uuid", Kind.TEST),
        ("part list mmc 0 -bootable list", Kind.TEST),
        ("gpt write mmc 0 name=a", Kind.PARTITION),
        ("gpt verify mmc 0 name=a", Kind.TEST),
        ("gpt guid mmc 0 guid", Kind.TEST),
        ("mw.l 1000 0 10", Kind.FILL),
        ("cmp.b 1000 2000 10", Kind.COMPARE),
        ("unzip 1000 2000", Kind.UNPACK),
        ("lzmadec 1000 2000", Kind.UNPACK),
        ("imxtract 1000 kernel 2000", Kind.UNPACK),
        ("fdt addr 1000", Kind.TREE),
        ("fdt get value name /path property", Kind.TREE),
        ("qfw load 1000", Kind.LOAD),
        ("qfw list", Kind.SHOW),
        ("dhcp", Kind.LOAD),
        ("loady", Kind.LOAD),
        ("pxe get", Kind.LOAD),
        ("pxe boot", Kind.BOOT),
        ("bootflow list", Kind.TEST),
        ("bootmenu", Kind.BOOT),
        ("bootm loados", Kind.OTHER),
        ("env save", Kind.SAVE),
        ("saveenv", Kind.SAVE),
        ("env print there", Kind.SHOW),
        ("env load", Kind.SET),
        ("env ask name", Kind.SET),
        ("env select mmc", Kind.OTHER),
        ("env run a b", Kind.RUN),
        ("setenv ? x", Kind.SET),
        ("setexpr ? 1", Kind.SET),
        ("reset", Kind.RESET),
        ("i2c probe", Kind.OTHER),
        ("bdinfo", Kind.SHOW),
    ],
)
def test_kinds(text: str, kind: Kind) -> None:
    assert done(text).kind is kind


@pytest.mark.parametrize(
    ("text", "name", "value"),
    [
        ("mmc partconf 0 part", "part", "${part}"),
        ("size mmc 0:1 a", "filesize", "64"),
        ("part size mmc 0 2 count", "count", "1000"),
        ("part start mmc 0 3 start", "start", "${start}"),
        ("part number mmc 0 rootfs number", "number", "${number}"),
        ("setexpr n 5 % 3", "n", "2"),
        ("setexpr n 5 / 0", "n", "${n}"),
        ("setexpr n *1000 + 1", "n", "${n}"),
        ("setexpr n 1f", "n", "1f"),
        ("setexpr n gsub a b xay", "n", "xby"),
        ("setexpr n 6 & 3", "n", "2"),
        ("setexpr n 6 ^ 3", "n", "5"),
        ("setexpr n 6 | 3", "n", "7"),
        ("setenv -f n a b", "n", "a b"),
        ("setenv n ?", "n", "${x}"),
        ("env set n a", "n", "a"),
        ("env import -t 1000 100 n", "n", "${n}"),
        ("env default n", "n", "${n}"),
        ("fdt get value n /a b", "n", "${n}"),
        ("ubi read 1000 vol 200", "filesize", "200"),
    ],
)
def test_variables_that_are_set(text: str, name: str, value: str) -> None:
    assert str(done(text).sets[name]) == value


@pytest.mark.parametrize(
    ("text", "ram", "size"),
    [
        ("cp.b 1000 2000 10", 0x2000, 0x10),
        ("cp 1000 2000 10", 0x2000, 0x40),
        ("cp.q 1000 2000 ?", 0x2000, None),
        ("mw.w 1000 0 10", 0x1000, 0x20),
        ("mw 1000 0", 0x1000, 4),
        ("unzip 1000 2000", 0x2000, None),
        ("tftpboot", 0x1000, None),
        ("tftpboot 3000", 0x3000, None),
        ("tftpboot name", 0x1000, None),
        ("dhcp 3000 name", 0x3000, None),
        ("load mmc 0:1", 0x1000, None),
        ("loady", 0x1000, None),
        ("pxe get", 0x2000, None),
    ],
)
def test_ram_that_is_filled(text: str, ram: int | None, size: int | None) -> None:
    result = done(text)
    assert (result.fills, result.fills_size) == (ram, size)


@pytest.mark.parametrize(
    ("text", "name", "value"),
    [  # cmd/setexpr.c: do_setexpr with .s, setexpr_regex
        ("setexpr.s n ab", "n", "ab"),
        ("setexpr.s n ab + cd", "n", "abcd"),
        ("setexpr.s n ? + cd", "n", "${x}cd"),
        ("setexpr.s n *1000 + cd", "n", "${n}"),
        ("setexpr n sub a b xaya", "n", "xbya"),
        ("setexpr n gsub a b xaya", "n", "xbyb"),
        ("setexpr there gsub e o", "there", "yos"),
        ("setexpr n gsub [a] b xay", "n", "${n}"),
        ("setexpr n gsub a b ?", "n", "${n}"),
        ("setexpr n fmt %d 1000", "n", "${n}"),
        ("setexpr n 5 ? 3", "n", "${n}"),
        ("setexpr n ? + 3", "n", "${n}"),
    ],
)
def test_what_setexpr_makes_of_texts(text: str, name: str, value: str) -> None:
    result = done(text)
    assert str(result.sets[name]) == value
    assert result.succeeds is not False


@pytest.mark.parametrize(
    ("text", "succeeds"),
    [
        # a usage error
        ("setexpr", False),
        ("setexpr n", False),
        ("setexpr n 5 +", False),
        ("setexpr n 5 ++ 3", False),
        ("setexpr n 5 x 3", False),
        ("setexpr.s n a - b", False),
        # nothing to look in, and no match
        ("setexpr n gsub a b", False),
        ("setexpr n gsub a b xyz", False),
        # cmd/nvedit.c, _do_env_set
        ("setenv", False),
        ("setenv -f", False),
        ("setenv -x n", False),
        ("setenv a=b c", False),
        ("setenv n", True),
        # do_env_delete: it deletes what it can, and fails where one is not there
        ("env delete there", True),
        ("env delete -f there", True),
        ("env delete -x there", False),
        ("env delete there gone", False),
        ("env delete there there", False),
        ("env delete there ?", None),
        ("env delete gone ?", False),
        ("printenv -a gone", True),
        ("printenv ?", None),
        ("env info", None),
        # cmd/mtd.c and drivers/mtd/mtd_uboot.c: mtdparts has no such name
        ("mtd read what 1000 0 100", False),
        ("ubi part what", False),
        ("mtd read rest 1000 0 100", None),
    ],
)
def test_failure_that_is_known(text: str, succeeds: bool | None) -> None:
    assert done(text).succeeds is succeeds


def test_a_list_of_partitions_that_is_refused_has_no_names() -> None:
    state = State({**ENVIRONMENT, "mtdparts": Text.of("nor0")})
    function = known("mtd")
    assert function is not None
    words = [Text.of(word) for word in ("mtd", "read", "what", "1000", "0", "100")]
    result = function(Call(words, state, WORLD))
    assert (result.succeeds, result.device, result.span) == (None, None, None)


@pytest.mark.parametrize(
    ("text", "device", "span", "ram", "source"),
    [
        # what is not said goes to the end of the partition, or of the chip
        ("mtd read rest 1000", "nor", Span(MIB, 16 * MIB), 0x1000, None),
        ("sf read 1000 100000", "nor", Span(MIB, 16 * MIB), 0x1000, None),
        ("sf read 1000 rest", "nor", Span(MIB, 16 * MIB), 0x1000, None),
        ("nand read 1000 rest", "nor", Span(MIB, 16 * MIB), 0x1000, None),
        ("mtd read rest 1000 100000", "nor", Span(2 * MIB, 16 * MIB), 0x1000, None),
        ("mtd read rest 1000 100000 10", "nor", Span.sized(2 * MIB, 16), 0x1000, None),
        ("mtd erase rest 100000", "nor", Span(2 * MIB, 16 * MIB), None, None),
        ("mtd erase rest 100000 ?", "nor", None, None, None),
        ("mtd write rest 1000 0 10", "nor", Span.sized(MIB, 16), None, Span.sized(0x1000, 16)),
        ("nand read 1000 0 20000", "nand0", Span(0, 0x20000), 0x1000, None),
        ("nand write 1000 0 20000", "nand0", Span(0, 0x20000), None, Span.sized(0x1000, 0x20000)),
        ("nand erase 20000 40000", "nand0", Span.sized(0x20000, 0x40000), None, None),
        ("nand erase rest", "nor", Span(MIB, 16 * MIB), None, None),
        ("mmc dev 1 2", "mmc1.boot1", None, None, None),
        ("mmc dev 1 7", "mmc1.gp4", None, None, None),
        ("mmc dev 1 8", "mmc1.8", None, None, None),
        ("mmc dev 1", "mmc1", None, None, None),
        ("usb dev 2", "usb2", None, None, None),
        ("usb dev", "usb0", None, None, None),
        ("mmc read 1000 10 2", "mmc0", Span.sized(0x2000, 1024), 0x1000, None),
        ("mmc erase 10 2", "mmc0", Span.sized(0x2000, 1024), None, None),
        ("gzwrite mmc 0 1000 10", "mmc0", None, None, Span.sized(0x1000, 16)),
        ("gzwrite mmc 0 1000 10 0 200 300", "mmc0", Span.sized(0x200, 0x300), None, None),
    ],
)
def test_bytes_that_are_moved(
    text: str, device: str | None, span: Span | None, ram: int | None, source: Span | None
) -> None:
    result = done(text)
    assert (result.device, result.span, result.fills) == (device, span, ram)
    if source is not None:
        assert result.source == source


@pytest.mark.parametrize(
    ("text", "device", "partition", "path"),
    [
        ("load mmc", None, None, "image"),
        ("load mmc ? 1000 a", None, None, "a"),
        ("load mmc 0:1 1000", "mmc0", "1", "image"),
        ("load mmc 0:1 1000 a", "mmc0", "1", "a"),
        ("load mmc 0.1:1 1000 a", "mmc0.boot0", "1", "a"),
        ("ubifsload 1000", "ubi0", None, None),
        ("ubifsload 1000 a", "ubi0", None, "a"),
        ("save mmc 0:1 1000 /a 10", "mmc0", "1", "a"),
        ("save mmc 0:1 1000", "mmc0", "1", None),
        ("size mmc 0:1", "mmc0", "1", None),
        ("sysboot mmc 0:1 any 100", "mmc0", "1", "image"),
        ("sysboot -p mmc 0:1 any 100", "mmc0", "1", "image"),
        ("sysboot mmc 0:1 any 100 /a", "mmc0", "1", "a"),
        ("size mmc 0:1 a", "mmc0", "1", "a"),
    ],
)
def test_files_that_are_meant(
    text: str, device: str | None, partition: str | None, path: str | None
) -> None:
    result = done(text)
    assert (result.device, result.partition, result.path) == (device, partition, path)


@pytest.mark.parametrize(
    ("text", "kernel", "ramdisk", "fdt", "config"),
    [
        ("bootm", 0x1000, (None, None), None, None),
        ("bootm 2000", 0x2000, (None, None), None, None),
        ("bootm 2000#conf-1", 0x2000, (None, None), None, "conf-1"),
        ("bootm #conf-1", 0x1000, (None, None), None, "conf-1"),
        ("bootm 2000 -", 0x2000, (None, None), None, None),
        ("bootm 2000 - 3000", 0x2000, (None, None), 0x3000, None),
        ("bootm 2000 4000:100 3000", 0x2000, (0x4000, 0x100), 0x3000, None),
        ("booti", 0x1000, (None, None), None, None),
        ("booti 2000 4000 3000", 0x2000, (0x4000, None), 0x3000, None),
        ("booti 2000 ? 3000", 0x2000, (None, None), 0x3000, None),
        ("go", 0x1000, (None, None), None, None),
        ("go 2000", 0x2000, (None, None), None, None),
    ],
)
def test_what_is_started(
    text: str,
    kernel: int,
    ramdisk: tuple[int | None, int | None],
    fdt: int | None,
    config: str | None,
) -> None:
    start = done(text).start
    assert start is not None
    assert (start.kernel, start.ramdisk, start.ramdisk_size) == (kernel, *ramdisk)
    assert (start.fdt, start.config) == (fdt, config)


def test_what_source_runs() -> None:
    assert done("source").source_at == 0x1000
    assert done("source 2000:part").source_at == 0x2000
    assert done("source ?").unresolved is Gap.SCRIPT
    assert done("qfw load").fills == 0x1000
    assert done("qfw load 2000").fills == 0x2000
    assert done("loady 2000").fills == 0x2000


@pytest.mark.parametrize(
    ("name", "there"), [("a?", ()), ("th?", ("there",)), ("there?", ()), ("?re", ("there",))]
)
def test_what_a_partly_known_name_can_mean(name: str, there: tuple[str, ...]) -> None:
    """Two letters of it must be known, and something must stand in the gap."""
    first, _, last = name.partition("?")
    pieces = [piece for piece in (first, Hole("x"), last) if piece]
    function = known("run")
    assert function is not None
    result = function(Call([Text.of("run"), Text(pieces)], State(dict(ENVIRONMENT)), WORLD))
    assert result.any_of == there
    assert (result.unresolved is Gap.WHAT_RUNS) == (not there)


@pytest.mark.parametrize(
    ("text", "succeeds"),
    [
        ("env exists there", True),
        ("env exists gone", False),
        ("env exists ?", None),
        ("printenv there", True),
        ("printenv gone", False),
        ("load mmc 0:1 0 gone", False),
        ("load mmc 0:2 0 gone", None),
        ("load mmc 0:1 0 ?", None),
        ("test -e mmc 0:1 a", True),
        ("test -e mmc 0:1 gone", False),
        ("test -e ? 0:1 gone", None),
        ("itest 1 == 1", True),
        ("run", False),
        ("true", True),
        ("false", False),
        ("sf probe", None),
    ],
)
def test_success_that_is_known(text: str, succeeds: bool | None) -> None:
    assert done(text).succeeds is succeeds


def test_a_flash_has_no_bytes_behind_its_end() -> None:
    end = 16 * MIB
    assert done(f"sf read 1000 {end - 1:x}").span == Span(end - 1, end)
    assert done(f"sf read 1000 {end:x}").span == Span(end, end)
    assert done(f"sf read 1000 {end + 1:x}").span == Span(end + 1, end + 1)
    assert done("mtd read fw 1000 fffff").span == Span(MIB - 1, MIB)
    assert done("mtd read fw 1000 100001").span == Span(MIB + 1, MIB + 1)


@pytest.mark.parametrize(("size", "rest"), [(MIB + 1, Span(MIB, MIB + 1)), (MIB, None), (1, None)])
def test_the_last_partition_has_what_the_others_left(size: int, rest: Span | None) -> None:
    assert done("mtd read rest 1000", World(sizes={"nor": size})).span == rest


def test_a_partition_of_a_chip_whose_id_says_nothing_is_one_of_the_chip_that_is_read() -> None:
    result = done("sf read 1000 tide", mtdparts="flash.0:1m(fw),1m(tide)")
    assert (result.device, result.span) == ("nor", Span(MIB, 2 * MIB))


def test_an_erase_length_with_a_plus_is_whole_blocks() -> None:
    """Source: U-Boot doc/usage/cmd/sf.rst."""
    world = World(sizes={"nor": MIB}, erase={"nor": 0x10000})
    assert done("sf erase 0 +10000", world).span == Span(0, 0x10000)
    assert done("sf erase 0 +10001", world).span == Span(0, 0x20000)
    assert done("sf erase 0 10001", world).span == Span(0, 0x10001)
    assert done("sf erase 0 +10001", World(sizes={"nor": MIB})).span == Span(0, 0x10001)


# JEDEC JESD84-B51, PARTITION_ACCESS: 0 is the user area, then boot, RPMB and 4 general purpose
# areas. U-Boot cmd/mmc.c reads its numbers as decimal.
@pytest.mark.parametrize(
    ("text", "device"),
    [
        ("mmc dev 10", "mmc10"),
        ("mmc dev 0 0", "mmc0"),
        ("mmc dev 0 1", "mmc0.boot0"),
        ("mmc dev 0 3", "mmc0.rpmb"),
        ("mmc dev 0 4", "mmc0.gp1"),
        ("mmc dev 0 5", "mmc0.gp2"),
        ("mmc dev 0 6", "mmc0.gp3"),
        ("mmc dev 0 7", "mmc0.gp4"),
        ("mmc dev 0 8", "mmc0.8"),
        ("mmc dev 0 ?", None),
        ("mmc dev ? 1", None),
        ("mmc partconf 10 1 1 0", "mmc10"),
        ("usb dev 10", "usb10"),
        ("usb dev ?", None),
    ],
)
def test_which_area_of_an_emmc_is_meant(text: str, device: str | None) -> None:
    result = done(text)
    assert result.device == device
    assert set(result.selects.values()) <= {device}


def test_what_partconf_puts_into_a_variable() -> None:
    assert list(done("mmc partconf 0 part").sets) == ["part"]
    for text in ("mmc partconf 0 ?", "mmc partconf 0 1 1 0", "mmc rst-function 0 1"):
        assert not done(text).sets


@pytest.mark.parametrize("text", ["mtd list", "mtd bad nor0", "mmc info", "usb tree"])
def test_what_looks_may_fail_without_anything_that_breaks(text: str) -> None:
    result = done(text)
    assert (result.succeeds, result.choice) == (None, True)


def test_files_on_a_dead_device_are_not_there() -> None:
    world = World(files={("mmc0", "1", "a"): 100}, dead=frozenset({"mmc0"}))
    assert done("test -e mmc 0:1 a", world).succeeds is False


def test_the_bus_of_a_nor_matters_only_where_there_are_two() -> None:
    assert done("sf probe 1:0").device == "nor"
    assert done("sf probe 1:0", World()).device == "nor"
    two = World(sizes={"nor": 1, "nor@1:0": 1})
    assert done("sf probe 1:0", two).device == "nor@1:0"
    assert done("sf probe 0:0", two).device == "nor"
    assert done("sf probe 2:0", two).device == "nor@2:0"
    assert done("sf probe 0:1", World(sizes={"nand0": 1, "nor@1:0": 1})).device == "nor@1:0"


def test_mtd_names() -> None:
    assert done("ubi part rest").span == Span(MIB, 16 * MIB)
    assert done("mtd erase nor0,0").span == Span(0, MIB)
    assert done("mtd erase rest", World()).span is None
    assert done("mtd erase spi-nand0").device == "nand0"
    assert done("mtd erase what").device is None
    assert done("sf erase rest 1000").span == Span.sized(MIB, 0x1000)
    assert done("sf erase what 1000").span is None


WORDS = """
read write erase probe dev part update set default import exists -a -t -q : 0:1 0#a + +1 mmc ubi
ubi0:a nor0 fw 1000 ? - * #a 1000#a 1000:10 name list start size uuid sub
"""


@given(
    st.sampled_from(sorted(COMMANDS)),
    st.lists(st.sampled_from(WORDS.split()) | st.text(max_size=5).filter(str.strip), max_size=7),
)
def test_every_command_takes_any_arguments(name: str, arguments: list[str]) -> None:
    words = [Text.unknown("x") if word == "?" else Text.of(word) for word in arguments]
    result = COMMANDS[name](Call([Text.of(name), *words], State(dict(ENVIRONMENT)), WORLD))
    assert result.kind in Kind

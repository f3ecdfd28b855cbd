"""The grammar is that of Linux drivers/mtd/parsers/cmdlinepart.c, numbers that of memparse."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.errors import FormatError
from imgaudit.maps import mtdparts
from imgaudit.maps.entry import Kind, Written
from imgaudit.maps.mtdparts import Consumer, Definition, Device, Mtdparts
from imgaudit.units import KIB, MIB

WHIMBREL = (
    "mtdparts=spi0.0:1m(fip)ro,64k(env-a),64k(env-b),896k@0x120000(log),"
    "13m(recovery)rolk,-(rest);nand0:-(data)"
)


def rows(text: str) -> list[tuple[str, int | None, int | None]]:
    (copy,) = mtdparts.parse(text).copies()
    return [(entry.label, entry.offset, entry.size) for entry in copy.entries]


def test_a_list_is_resolved_as_the_kernel_does() -> None:
    nor, nand = mtdparts.parse(WHIMBREL).copies()
    assert (nor.kind, nor.device, nor.notes, nor.in_use) == (Kind.MTDPARTS, "spi0.0", (), True)
    assert [(e.label, e.offset, e.size, e.read_only) for e in nor.entries] == [
        ("fip", 0, MIB, True),
        ("env-a", MIB, 64 * KIB, False),
        ("env-b", MIB + 64 * KIB, 64 * KIB, False),
        ("log", 0x120000, 896 * KIB, False),
        ("recovery", 2 * MIB, 13 * MIB, True),
        ("rest", 15 * MIB, None, False),
    ]
    assert [entry.to_end for entry in nor.entries] == [False] * 5 + [True]
    assert [(e.label, e.offset, e.size, e.to_end) for e in nand.entries] == [
        ("data", 0, None, True)
    ]


def test_a_device_without_a_name_is_read_and_one_without_a_colon_is_not() -> None:
    assert mtdparts.parse(":1m(a)").devices[0].mtd_id == ""
    with pytest.raises(FormatError, match="no device before"):
        mtdparts.parse(";nor:1m(a)")


def test_a_number_may_have_64_digits() -> None:
    (copy,) = mtdparts.parse(f"nor:0x{'1000'.rjust(62, '0')}(a)").copies()
    assert copy.entries[0].size == 0x1000
    with pytest.raises(FormatError, match="does not fit"):
        mtdparts.parse(f"nor:0x{'1000'.rjust(63, '0')}(a)")


def test_each_definition_says_where_it_is_written() -> None:
    (nor, nand) = mtdparts.parse(WHIMBREL, line=7).copies()
    for entry in (*nor.entries, *nand.entries):
        assert entry.at.offset is not None
        assert WHIMBREL[entry.at.offset :].startswith(entry.at.text)
        assert entry.at.line == 7
    assert nor.entries[3].at.text == "896k@0x120000(log)"


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        # The two examples of cmdlinepart.c.
        ("edb7312-nor:-", [("Partition_000", 0, None)]),
        (
            "edb7312-nor:256k(ARMboot)ro,-(root)",
            [("ARMboot", 0, 256 * KIB), ("root", 262144, None)],
        ),
        # memparse: hex, octal, decimal; K, M and G in either case.
        ("a:0x10000,010000,4096,1K,1M,1G", None),
        ("a:1920k(kernel)", [("kernel", 0, 1920 * KIB)]),
        # Out of order and overlapping is allowed, and what follows continues from the last end.
        (
            "a:1k@4k(x),1k(y),2k@0(z),1k",
            [
                ("x", 4096, 1024),
                ("y", 5120, 1024),
                ("z", 0, 2048),
                ("Partition_003", 2048, 1024),
            ],
        ),
        ("a:-@1m(tail)", [("tail", MIB, None)]),
        ("a:1k()", [("", 0, 1024)]),
        # memparse takes a number without digits for 0, with a unit or not.
        ("a:1k@(x),1k@k(y)", [("x", 0, 1024), ("y", 0, 1024)]),
        # Names hold anything but a closing parenthesis.
        ("a:1k(x (y;z:w, k),1k(b)", [("x (y;z:w, k", 0, 1024), ("b", 1024, 1024)]),
    ],
)
def test_the_grammar(text: str, expected: list[tuple[str, int | None, int | None]] | None) -> None:
    if expected is None:
        sizes = [size for _, _, size in rows(text)]
        assert sizes == [65536, 4096, 4096, 1 << 10, 1 << 20, 1 << 30]
    else:
        assert rows(text) == expected


def test_flags_are_known_in_one_order_only() -> None:
    (device,) = mtdparts.parse("a:1k(x)rolkslc").devices
    flags = device.definitions[0]
    assert (flags.read_only, flags.locked, flags.slc) == (True, True, True)
    with pytest.raises(FormatError, match="'r' cannot follow a partition"):
        mtdparts.parse("a:1k(x)lkro")


def test_a_device_may_have_colons_in_its_name() -> None:
    # Linux since 5.6 takes the last ':' before the first name.
    (device,) = mtdparts.parse("1c20.flash:boot:1k(a:b),1k(c)").devices
    assert device.mtd_id == "1c20.flash:boot"
    assert [definition.name for definition in device.definitions] == ["a:b", "c"]


def test_an_empty_list_has_no_devices() -> None:
    assert mtdparts.parse("mtdparts=").devices == ()
    assert mtdparts.parse("").devices == ()


def test_a_doubled_prefix_is_read_and_noted() -> None:
    parsed = mtdparts.parse("mtdparts=mtdparts=nor0:1m(a)")
    assert (parsed.prefixes, parsed.devices[0].mtd_id) == (2, "nor0")
    (note,) = parsed.copies()[0].notes
    assert note.startswith("mtdparts= is written 2 times: ")
    assert parsed.devices[0].definitions[0].at == Written(text="1m(a)", offset=23)


def test_a_list_that_ends_in_a_semicolon_is_noted() -> None:
    parsed = mtdparts.parse("a:1k(x);")
    assert len(parsed.devices) == 1
    assert "ends in ';'" in parsed.notes[0]


@pytest.mark.parametrize(
    ("text", "offset", "why"),
    [
        ("nor0", 0, "':' is missing"),
        ("a:1k(x);b", 8, "':' is missing"),
        ("a:0(x)", 2, "size 0"),
        ("a:(x)", 2, "size 0"),
        ("a:08k(x)", 2, "size 0"),  # octal, so it ends at the 8
        ("a:", 2, "size 0"),
        ("a:1k(x", 4, r"no '\)'"),
        ("a:-(x),1k(y)", 6, "all that is left"),
        ("a:1kB(x)", 4, "'B' cannot follow"),
        ("a:1k(x)rw", 7, "'r' cannot follow"),
        ("a:1k(x) ", 7, "' ' cannot follow"),
        ("a:16384p(x)", 2, "64 bits"),
        ("a:1k@0x10000000000000000(x)", 5, "64 bits"),
        ("a:" + "9" * 5000, 2, "64 bits"),
    ],
)
def test_what_the_kernel_refuses_is_an_error(text: str, offset: int, why: str) -> None:
    with pytest.raises(FormatError, match=why) as caught:
        mtdparts.parse(text)
    assert caught.value.offset == offset


SIZES = st.integers(1, (1 << 64) - 1) | st.integers(1, 1 << 20).map(lambda n: n << 12)
NAMES = st.text(st.characters(exclude_characters=")", exclude_categories=["Cs"]), max_size=8)
IDS = st.text(
    st.characters(exclude_characters="(;", exclude_categories=["Cs"]), min_size=1, max_size=12
).filter(lambda name: not name.startswith("mtdparts="))


def definitions(size: st.SearchStrategy[int | None]) -> st.SearchStrategy[Definition]:
    return st.builds(
        Definition,
        size=size,
        at=st.just(Written(text="")),
        offset=st.none() | st.just(0) | SIZES,
        name=st.none() | NAMES,
        read_only=st.booleans(),
        locked=st.booleans(),
        slc=st.booleans(),
    )


DEVICES = st.builds(
    lambda mtd_id, head, tail: Device(mtd_id=mtd_id, definitions=(*head, tail)),
    IDS,
    st.lists(definitions(SIZES), max_size=4),
    definitions(st.none() | SIZES),
)


def essence(parsed: Mtdparts) -> list[tuple[str, list[tuple[object, ...]]]]:
    return [
        (
            device.mtd_id,
            [(d.size, d.offset, d.name, d.read_only, d.locked, d.slc) for d in device.definitions],
        )
        for device in parsed.devices
    ]


@pytest.mark.parametrize(
    ("given", "written"),
    [
        ("0x10000@0(x)", "64k@0x0(x)"),
        ("1048576@1023(x)", "1m@0x3ff(x)"),
        ("1048577,-", "0x100001,-"),
        ("1g@1024m", "1g@1g"),
    ],
)
def test_numbers_are_written_with_the_largest_unit_that_divides_them(
    given: str, written: str
) -> None:
    assert str(mtdparts.parse(f"mtdparts=spi0.0:{given}")) == f"mtdparts=spi0.0:{written}"


@given(st.lists(DEVICES, min_size=1, max_size=3), st.integers(0, 2))
def test_what_is_written_is_read_back(devices: list[Device], prefixes: int) -> None:
    written = Mtdparts(devices=tuple(devices), prefixes=prefixes)
    read = mtdparts.parse(str(written))
    assert essence(read) == essence(written)
    assert read.prefixes == prefixes
    assert str(read) == str(written)
    assert len(read.copies()) == len(devices)


@given(st.text(max_size=60) | st.text(alphabet="a1k:;,-@()0xrol", max_size=60))
def test_any_text_gives_a_list_or_a_format_error(text: str) -> None:
    try:
        parsed = mtdparts.parse(text)
    except FormatError:
        return
    assert essence(mtdparts.parse(str(parsed))) == essence(parsed)


def test_ids_are_pairs() -> None:
    # U-Boot cmd/mtdparts.c: mtdids=<idmap>[,<idmap>], <idmap> := <dev-id>=<mtd-id>
    expected = {"nor0": "spi0.0", "nand0": "gpmi-nand"}
    assert mtdparts.parse_ids("nor0=spi0.0,nand0=gpmi-nand") == expected
    assert mtdparts.parse_ids("mtdids=nor0=spi0.0,nand0=gpmi-nand") == expected
    assert mtdparts.parse_ids("") == {}


@pytest.mark.parametrize(
    ("text", "offset"), [("nor0", 0), ("a=b,=c", 4), ("a=b,c=", 4), ("a=b,", 4), ("a=b,a=c", 4)]
)
def test_ids_that_are_not_pairs_are_an_error(text: str, offset: int) -> None:
    with pytest.raises(FormatError) as caught:
        mtdparts.parse_ids(text)
    assert caught.value.offset == offset


# Two readers of one string: the kernel's, and U-Boot's cmd/mtdparts.c -----------------------------


def read(text: str, consumer: Consumer) -> list[tuple[str, str, int | None, int | None]] | None:
    """Give device, name, offset and size; None where the list is refused."""
    try:
        copies = mtdparts.parse(text, consumer).copies()
    except FormatError:
        return None
    return [(copy.device, e.label, e.offset, e.size) for copy in copies for e in copy.entries]


SAME = [
    ("nor0:64k(a)ro,1m@1m(b),-(c)", [(0, 64 * KIB), (MIB, MIB), (2 * MIB, None)]),
    ("nor0:010k(a),0x1000@0x2000(b)", [(0, 8 * KIB), (8 * KIB, 4 * KIB)]),
    ("nor0:4k(a;b),4k(c)", [(0, 4 * KIB), (4 * KIB, 4 * KIB)]),
    ("nor0:4k(a),;", None),
    ("nor0:-(a),4k(b)", None),
    ("nor0:4k(a)what", None),
    ("nor0:4k(a", None),
]


@pytest.mark.parametrize(("text", "spans"), SAME)
def test_what_both_readers_take_alike(
    text: str, spans: list[tuple[int, int | None]] | None
) -> None:
    linux, uboot = read(text, Consumer.LINUX), read(text, Consumer.UBOOT)
    assert linux == uboot
    assert (None if linux is None else [item[2:] for item in linux]) == spans


@pytest.mark.parametrize(
    ("text", "linux", "uboot"),
    [
        ("a:1t(x)", [("a", "x", 0, 1 << 40)], None),
        ("a:4095(x)", [("a", "x", 0, 4095)], None),
        ("a:4096(x)", [("a", "x", 0, 4096)], [("a", "x", 0, 4096)]),
        ("a:4k(x)lk", [("a", "x", 0, 4096)], None),
        ("a:4k()", [("a", "", 0, 4096)], None),
        (
            "a:64k,-",
            [("a", "Partition_000", 0, 64 * KIB), ("a", "Partition_001", 64 * KIB, None)],
            [
                ("a", "0x00010000@0xffffffff", 0, 64 * KIB),
                ("a", "0xffffffffffffffff@0x", 64 * KIB, None),
            ],
        ),
        ("1c20.flash:boot:4k(x)", [("1c20.flash:boot", "x", 0, 4096)], None),
    ],
)
def test_where_the_readers_differ(
    text: str,
    linux: list[tuple[str, str, int | None, int | None]] | None,
    uboot: list[tuple[str, str, int | None, int | None]] | None,
) -> None:
    assert read(text, Consumer.LINUX) == linux
    assert read(text, Consumer.UBOOT) == uboot


@given(st.text(st.sampled_from("mtdparts=nor0:1k@-(a)ro,;") | st.characters()))
def test_any_text_is_read_or_refused(text: str) -> None:
    for consumer in Consumer:
        found = read(text, consumer)
        assert found is None or len(found) <= len(text)

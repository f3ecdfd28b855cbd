from __future__ import annotations

import itertools
import struct
import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.errors import FormatError
from imgaudit.formats import flat_tree
from imgaudit.formats.view import MemorySource, View
from tests.formats.device_trees import damaged, encode, write

SMALL = write(
    {
        "#address-cells": 2,
        "#size-cells": 1,
        "model": "Whimbrel",
        "compatible": ["whimbrel,logger", "whimbrel"],
        "flag": b"",
        "odd": b"\1\2\3\4\5",
        "bus": {
            "#address-cells": 1,
            "#size-cells": 0,
            "gauge@1": {"reg": (1, 2), "status": "disabled"},
            "gauge@2": {"status": "okay"},
        },
        "memory@0": {"reg": (1, 0x8000_0000, 0x2000_0000)},
    },
    reserve=((0x9FE0_0000, 0x20_0000),),
    padding=100,
)


def parse(data: bytes) -> flat_tree.Tree:
    return flat_tree.parse(View.of(data))


def patched(data: bytes, offset: int, word: int) -> bytes:
    return data[:offset] + struct.pack(">I", word) + data[offset + 4 :]


def test_a_tree_keeps_names_values_and_places() -> None:
    tree = parse(SMALL)
    root = tree.root
    assert (root.name, root.path) == ("", "/")
    assert [node.path for node in root.walk()] == [
        "/",
        "/bus",
        "/bus/gauge@1",
        "/bus/gauge@2",
        "/memory@0",
    ]
    assert root.text("model") == "Whimbrel"
    assert root.texts("compatible") == ("whimbrel,logger", "whimbrel")
    assert root.texts("flag") == ()
    assert root.text("flag") is None
    assert root.text("absent") is None
    assert root.u32s("odd") == (0x01020304,)
    assert root.number("absent") is None
    assert root.number("flag") is None
    assert tree.reservations == (flat_tree.Reservation(0x9FE0_0000, 0x20_0000, 40),)
    assert tree.header.totalsize - tree.used == 100
    model = root.properties["model"]
    assert SMALL[model.offset : model.offset + model.size] == b"Whimbrel\0"
    assert all(SMALL[node.offset : node.offset + 4] == b"\0\0\0\1" for node in root.walk())


def test_nodes_are_found_by_full_path() -> None:
    tree = parse(SMALL)
    found = tree.get("/bus/gauge@1")
    assert found is not None
    assert not found.enabled()
    assert tree.get("/") is tree.root
    assert tree.get("/bus/gauge") is None
    assert tree.get("/bus/absent/deeper") is None


def test_reg_follows_the_parents_cells() -> None:
    tree = parse(SMALL)
    bus, memory = tree.get("/bus"), tree.get("/memory@0")
    assert bus is not None
    assert memory is not None
    assert memory.regs(tree.root) == ((0x1_8000_0000, 0x2000_0000),)
    assert bus.children[0].regs(bus) == ((1, 0), (2, 0))
    assert bus.children[1].regs(bus) == ()


def test_reg_has_two_cells_and_one_where_the_parent_does_not_say() -> None:
    """Devicetree Specification 2.3.5."""
    for parent, wanted in (
        ({}, ((1 << 32 | 2, 3), (4 << 32 | 5, 6))),
        ({"#address-cells": 1}, ((1, 2), (3, 4), (5, 6))),
        ({"#size-cells": 2}, ((1 << 32 | 2, 3 << 32 | 4),)),
    ):
        tree = parse(write({**parent, "memory": {"reg": (1, 2, 3, 4, 5, 6)}}))
        assert tree.root.children[0].regs(tree.root) == wanted


@pytest.mark.parametrize("cells", [0, 9, 0xFFFF_FFFF])
def test_senseless_cell_counts_give_no_ranges(cells: int) -> None:
    tree = parse(
        write({"#address-cells": cells, "#size-cells": 0, "memory": {"reg": tuple(range(12))}})
    )
    assert tree.root.children[0].regs(tree.root) == ()


def test_a_number_has_at_most_four_cells() -> None:
    tree = parse(write({"four": (1, 0, 0, 2), "five": (0, 0, 0, 0, 1)}))
    assert tree.root.number("four") == (1 << 96) + 2
    assert tree.root.number("five") is None


def test_version_16_has_no_structure_size() -> None:
    tree = parse(write({"model": "Whimbrel"}, version=16))
    assert tree.header.size_dt_struct is None
    assert tree.root.text("model") == "Whimbrel"
    assert tree.used == tree.header.totalsize


def test_of_two_equal_names_the_first_counts() -> None:
    data = write({"aa": "first", "ab": "other"})
    tree = parse(data.replace(b"ab\0", b"aa\0"))
    assert tree.root.texts("aa") == ("first",)


def test_nop_tokens_are_stepped_over() -> None:
    data = write({"aa": 1, "bb": 2})
    prop = data.index(b"\0\0\0\3", 56)
    tree = parse(data[:prop] + struct.pack(">4I", 4, 4, 4, 4) + data[prop + 16 :])
    assert list(tree.root.properties) == ["bb"]


def test_a_payload_keeps_only_its_head() -> None:
    payload = bytes(range(256)) * 300
    tree = parse(write({"data": payload, "after": "here"}))
    data = tree.root.properties["data"]
    assert data.size == len(payload)
    assert data.value == payload[:64]
    assert tree.root.text("after") == "here"


@pytest.mark.parametrize(
    ("offset", "word", "why"),
    [
        (0, 0xD00DFEEE, "magic"),
        (8, 0xFFFF_FFF0, "off_dt_struct"),
        (12, 0xFFFF_FFF0, "off_dt_strings"),
        (16, 0xFFFF_FFF0, "needs 16 bytes"),
        (20, 15, "version 15"),
        (24, 18, "compatible with 18"),
        (56, 0, "cannot stand here"),
        (56, 9, "cannot stand here"),
        (56, 3, "cannot stand here"),  # a property of no node
        (64, 0x0100_0000, "cannot stand here"),
    ],
)
def test_damage_is_told_with_its_place(offset: int, word: int, why: str) -> None:
    data = patched(write({"aa": 1}), offset, word)
    with pytest.raises(FormatError, match=why) as raised:
        parse(data)
    assert 0 <= raised.value.offset <= 0xFFFF_FFF0


def test_a_property_must_end_in_its_block_and_have_a_name() -> None:
    data = write({"aa": 1})
    prop = data.index(b"\0\0\0\3", 56)
    with pytest.raises(FormatError, match="passes the block's end"):
        parse(patched(data, prop + 4, 0x1000))
    with pytest.raises(FormatError, match="not in the strings block"):
        parse(patched(data, prop + 8, 0x1000))


def test_an_endless_name_is_refused() -> None:
    with pytest.raises(FormatError, match="node name"):
        parse(write({"n" * 300: {}}))


def test_depth_is_bounded() -> None:
    nodes: dict[str, object] = {}
    for _ in range(70):
        nodes = {"n": nodes}
    with pytest.raises(FormatError, match="deeper than 64"):
        parse(write(nodes))


def test_too_many_nodes_are_refused() -> None:
    one = b"\0\0\0\1" + b"n\0\0\0" + b"\0\0\0\2"
    data = write({"n": {}})
    count = 70_000
    grown = data.replace(one, one * count)
    extra = len(grown) - len(data)
    for field in (4, 12, 36):
        grown = patched(grown, field, struct.unpack_from(">I", data, field)[0] + extra)
    with pytest.raises(FormatError, match="implausibly big"):
        parse(grown)


def test_endless_reservations_are_refused() -> None:
    with pytest.raises(FormatError, match="reservation"):
        parse(write({}, reserve=((1, 1),) * 1100))


def test_a_strings_block_of_megabytes_is_refused() -> None:
    data = write({"aa": 1}, padding=5 << 20)
    with pytest.raises(FormatError, match="strings block is implausibly big"):
        parse(patched(data, 32, (4 << 20) + 1))


def _deep(levels: int) -> bytes:
    nodes: dict[str, object] = {}
    for _ in range(levels - 1):
        nodes = {"n": nodes}
    return write(nodes)


@pytest.mark.parametrize(
    ("limit", "most", "data"),
    [
        ("_MAX_DEPTH", 3, _deep(3)),
        ("_MAX_NODES", 4, write({"a": {}, "b": {}, "c": {}})),
        ("_MAX_PROPERTIES", 2, write({"a": 1, "b": {"c": 2}})),
        ("_MAX_KEPT", 11, write({"a": 1, "b": {"c": 2}})),  # the values, and the paths / and /b
        ("_MAX_RESERVATIONS", 2, write({}, reserve=((1, 2), (3, 4)))),
        ("_MAX_STRINGS", 4, write({"a": 1, "b": 2})),
    ],
)
def test_each_limit_may_be_reached_and_not_passed(
    monkeypatch: pytest.MonkeyPatch, limit: str, most: int, data: bytes
) -> None:
    monkeypatch.setattr(flat_tree, limit, most)
    parse(data)
    monkeypatch.setattr(flat_tree, limit, most - 1)
    with pytest.raises(FormatError):
        parse(data)


@pytest.mark.parametrize(
    ("version", "compatible", "reads"),
    [
        (16, 16, True),
        (17, 16, True),
        (17, 17, True),
        (18, 17, True),
        (18, 18, False),
        (15, 15, False),
    ],
)
def test_versions_16_and_17_are_read(version: int, compatible: int, *, reads: bool) -> None:
    data = patched(patched(SMALL, 20, version), 24, compatible)
    if reads:
        assert parse(data).header.version == version
    else:
        with pytest.raises(FormatError, match="is not 16 or 17"):
            parse(data)


@pytest.mark.parametrize(
    ("offset", "more", "plausible"), [(8, -1, True), (8, 0, False), (12, 0, True), (12, 1, False)]
)
def test_a_plausible_header_has_its_blocks_inside(
    offset: int, more: int, *, plausible: bool
) -> None:
    """The strings may be none, behind the last byte; the structure is never empty."""
    total = int.from_bytes(SMALL[4:8], "big")
    assert flat_tree.plausible(View.of(patched(SMALL, offset, total + more))) is plausible


@pytest.mark.parametrize(
    ("version", "compatible", "plausible"),
    [(17, 16, True), (16, 16, False), (18, 16, False), (17, 17, False), (17, 15, False)],
)
def test_a_plausible_header_has_the_version_that_all_have(
    version: int, compatible: int, *, plausible: bool
) -> None:
    data = patched(patched(SMALL, 20, version), 24, compatible)
    assert flat_tree.plausible(View.of(data)) is plausible


@pytest.mark.parametrize("missing", [1, 2, 20])
def test_a_tree_whose_end_is_missing_is_cut(missing: int) -> None:
    """Without padding its last bytes are its strings."""
    data = write({"model": "Whimbrel"})
    why = f"the file is cut: {missing} of {len(data)} bytes are missing"
    with pytest.raises(FormatError, match=why) as caught:
        parse(data[:-missing])
    assert caught.value.offset == len(data) - missing


@pytest.mark.parametrize(("at", "size"), [(12, 32), (8, 36)])
def test_a_block_may_end_where_the_tree_does(at: int, size: int) -> None:
    total, start = (int.from_bytes(SMALL[place : place + 4], "big") for place in (4, at))
    whole = patched(SMALL, size, total - start)
    assert parse(whole).root.text("model") == "Whimbrel"
    with pytest.raises(FormatError, match="names a block that ends at"):
        parse(patched(SMALL, size, total - start + 1) + bytes(1))


def test_what_is_used_ends_with_the_last_block() -> None:
    """The reservations come first as a rule; the specification has no order (5.1)."""
    total = int.from_bytes(SMALL[4:8], "big")
    moved = patched(patched(SMALL, 16, total), 4, total + 32)
    tree = parse(moved + SMALL[40:56] + bytes(16))
    assert tree.reservations == (flat_tree.Reservation(0x9FE0_0000, 0x20_0000, total),)
    assert tree.used == total + 32


@pytest.mark.parametrize(("size", "kept"), [(65536, 65536), (65537, 64)])
def test_a_value_of_64_kib_is_no_payload(size: int, kept: int) -> None:
    found = parse(write({"data": bytes(size)})).root.properties["data"]
    assert (len(found.value), found.size) == (kept, size)


def test_the_structure_block_must_end() -> None:
    data = write({})
    shortened = patched(data, 36, struct.unpack_from(">I", data, 36)[0] - 4)
    with pytest.raises(FormatError, match="FDT_END"):
        parse(shortened)


@given(st.binary(max_size=200))
def test_any_bytes_give_a_tree_or_a_format_error(rest: bytes) -> None:
    for data in (rest, SMALL[:56] + rest):
        try:
            parse(data)
        except FormatError:
            continue


@given(damaged(SMALL))
def test_a_damaged_tree_gives_a_tree_or_a_format_error(data: bytes) -> None:
    try:
        tree = parse(data)
    except FormatError:
        return
    assert all(node.regs(tree.root) is not None for node in tree.root.walk())


NAMES = st.text("abcdefgh,-", min_size=1, max_size=8)
TREES = st.recursive(
    st.dictionaries(NAMES, st.binary(max_size=20), max_size=4),
    lambda inner: st.tuples(
        st.dictionaries(NAMES, st.binary(max_size=20), max_size=3),
        st.dictionaries(NAMES.map(lambda name: name + "@0"), inner, max_size=3),
    ).map(lambda both: {**both[0], **both[1]}),
    max_leaves=8,
)


def listed(node: flat_tree.Node) -> dict[str, object]:
    """Give a node back as the nested dictionary that it was written from."""
    return {name: found.value for name, found in node.properties.items()} | {
        child.name: listed(child) for child in node.children
    }


@given(TREES)
def test_a_tree_reads_back_as_written(nodes: dict[str, object]) -> None:
    assert listed(parse(write(nodes)).root) == nodes


SOURCE = """/dts-v1/;
/memreserve/ 0x80000000 0x1000;
/ {
    #address-cells = <1>; #size-cells = <1>;
    model = "Whimbrel";
    compatible = "whimbrel,logger", "whimbrel";
    bytes = [01 02 03]; empty;
    flash@0 {
        reg = <0 0x1000000>;
        partitions { compatible = "fixed-partitions"; p: partition@0 { label = "a b(c)"; }; };
    };
    alias { to = <&p>; };
};
"""


@pytest.mark.oracle
@pytest.mark.parametrize("version", [16, 17])
def test_it_reads_what_dtc_writes_as_fdtget_does(tmp_path: Path, version: int) -> None:
    source, blob = tmp_path / "a.dts", tmp_path / "a.dtb"
    source.write_text(SOURCE)
    command = ["dtc", "-q", "-@", "-O", "dtb", "-V", str(version), "-p", "64", "-o", str(blob)]
    subprocess.run([*command, str(source)], check=True)
    tree = parse(blob.read_bytes())
    assert tree.header.version == version
    assert tree.header.totalsize == blob.stat().st_size
    assert tree.header.totalsize - tree.used == 64
    assert [(r.address, r.size) for r in tree.reservations] == [(0x8000_0000, 0x1000)]
    for node in tree.root.walk():
        properties = fdtget("-p", blob, node.path)
        assert list(node.properties) == properties
        assert [child.name for child in node.children] == fdtget("-l", blob, node.path)
        for name in properties:
            words = fdtget("-t", "bx", blob, node.path, name)
            assert bytes(int(word, 16) for word in " ".join(words).split()) == (
                node.properties[name].value
            )


def fdtget(*arguments: str | Path) -> list[str]:
    done = subprocess.run(["fdtget", *map(str, arguments)], check=True, capture_output=True)
    return done.stdout.decode().splitlines()


def test_the_writer_encodes_as_the_specification_says() -> None:
    # Devicetree Specification 0.4, table 2.3: <u32>, <string>, <stringlist>, <prop-encoded-array>.
    assert encode(0x11223344) == b"\x11\x22\x33\x44"
    assert encode("hello") == b"hello\0"
    assert encode(["hello", "world"]) == b"hello\0world\0"
    assert encode((1, 2)) == b"\0\0\0\1\0\0\0\2"


class Counted(MemorySource):
    """Bytes that count how often they are read."""

    __slots__ = ("reads",)

    def read_at(self, offset: int, length: int) -> bytes:
        self.reads = getattr(self, "reads", 0) + 1
        return super().read_at(offset, length)


def test_a_block_is_read_once_from_its_first_byte_to_its_last() -> None:
    source = Counted(bytes(range(16)))
    pieces = flat_tree._Pieces(View(source), 16)
    assert [pieces.read(at, 4)[0] for at in (0, 4, 12, 0)] == [0, 4, 12, 0]
    assert source.reads == 1
    large = flat_tree._Pieces(View.of(bytes(1 << 17) + b"tide"), (1 << 17) + 4)
    assert [large.read(at, 4) for at in (1 << 17, 0)] == [b"tide", bytes(4)]
    with pytest.raises(FormatError, match="ends before its FDT_END token") as caught:
        pieces.read(13, 4)
    assert caught.value.offset == 13


def test_a_property_may_have_an_empty_name() -> None:
    assert flat_tree._property_name(b"\0a\0", 0, 5) == ""
    assert flat_tree._property_name(b"\0a\0", 1, 5) == "a"
    with pytest.raises(FormatError) as caught:
        flat_tree._property_name(b"\0a", 1, 5)
    assert caught.value.offset == 5


@pytest.mark.parametrize(
    ("size", "offset", "why"),
    [
        (4, 24, "the structure block ends before its FDT_END token"),
        (5, 8, "a property of 5 bytes passes the block's end"),
    ],
)
def test_a_value_ends_with_its_block_at_the_latest(size: int, offset: int, why: str) -> None:
    data = struct.pack(">IIIII4s", 1, 0, 3, size, 0, b"tide")
    with pytest.raises(FormatError, match=why) as caught:
        flat_tree._structure(View.of(data), 0, len(data), b"a\0")
    assert caught.value.offset == offset


@pytest.mark.parametrize(
    ("words", "offset"),
    [
        ((1, 0, 2, 1, 0, 2, 9), 12),  # a second root
        ((2, 9), 0),  # the end of no node
        ((1, 0, 9), 8),  # the end of all, inside the root
        ((9,), 0),  # no root
        ((1, 0, 2, 3, 0, 0, 9), 12),  # a property behind the root
        ((1, 0, 2, 5, 9), 12),
    ],
)
def test_tokens_stand_where_the_specification_has_them(words: tuple[int, ...], offset: int) -> None:
    """Devicetree Specification 5.4.2."""
    data = struct.pack(f">{len(words)}I", *words)
    with pytest.raises(FormatError, match="cannot stand here in a structure block") as caught:
        flat_tree._structure(View.of(data), 0, len(data), b"")
    assert caught.value.offset == offset
    whole = struct.pack(">5I", 4, 1, 0, 2, 9)
    assert flat_tree._structure(View.of(whole), 0, len(whole), b"")[1] == len(whole)


SIGNED = {
    "timestamp": 1,
    "images": {
        "about": "two",
        "kernel": {"data": b"code", "type": "kernel", "hash": {"algo": "sha256"}},
        "fdt": {"type": "flat_dt"},
    },
    "configurations": {
        "default": "conf",
        "conf": {"kernel": "kernel", "signature": {"value": b"12345678"}},
        "other": {"kernel": "kernel"},
    },
}


@pytest.mark.parametrize("version", [16, 17])
@pytest.mark.parametrize(
    ("nodes", "without", "covered"),
    [
        (
            {"/", "/images/kernel", "/images/kernel/hash", "/configurations/conf"},
            {"data"},
            (
                "{ timestamp images{ kernel{ type hash{ algo } } } configurations{ conf{ kernel"
                " signature{ } } } } end"
            ),
        ),
        ({"/"}, (), "{ timestamp images{ } configurations{ } } end"),
        ({"/images"}, (), "images{ about kernel{ } fdt{ } } end"),
        # What ends a node that is not covered is covered right behind one that is.
        ({"/images/fdt"}, {"data"}, "fdt{ type } } end"),
        ({"/images/kernel"}, {"type"}, "kernel{ data hash{ } } end"),
        ((), (), "end"),
    ],
)
def test_what_a_signature_covers(
    nodes: set[str], without: set[str], covered: str, version: int
) -> None:
    """U-Boot boot/fdt_region.c: named nodes whole, of their children and parents the ends alone."""
    data = write(SIGNED, version=version)
    view, tree = View.of(data), parse(data)
    spans = flat_tree.signed_spans(view, tree, nodes, without)
    assert all(one.end < other.start for one, other in itertools.pairwise(spans))
    strings = data[tree.header.off_dt_strings :]
    told = []
    for span in spans:
        part = data[span.start : span.end] + flat_tree._END.to_bytes(4, "big")
        pieces = flat_tree._Pieces(View.of(part), len(part))
        for token, at, _ in flat_tree._tokens(pieces, 0):
            if token == 1:
                told.append(pieces.name(at + 4).decode() + "{")
            elif token == 3:
                name = strings[int.from_bytes(part[at + 8 : at + 12], "big") :]
                told.append(name.partition(b"\0")[0].decode())
            elif token == 2:
                told.append("}")
    assert " ".join([*told, "end"]) == covered
    assert data[spans[-1].end - 4 : spans[-1].end] == bytes([0, 0, 0, 9])

"""genimage.cfg, held against what genimage itself makes of it (Debian's package)."""

from __future__ import annotations

import contextlib
import random
import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.errors import FormatError
from imgaudit.formats import gpt, mbr
from imgaudit.formats.gpt import Gpt
from imgaudit.formats.mbr import Mbr
from imgaudit.formats.view import View
from imgaudit.maps import genimage
from imgaudit.maps.entry import MapCopy, Medium
from imgaudit.units import KIB, MIB

# The example of genimage's README.rst.
README = """\
image nand-pcm038.img {
	flash {
	}
	flashtype = "nand-64M-512"
	partition barebox {
		image = "barebox-pcm038.bin"
		size = 512K
	}
	partition root {
		image = "root-nand.jffs2"
		size = 24M
	}
}
image root-nand.jffs2 { name = "root" jffs2 {} size = 24M mountpoint = "/" }
"""
_HOLES = """\
# comments in three ways
image foo { // as in C
    hdimage { gpt = true gpt-location = 64K }
    partition bootloader { in-partition-table = false offset = 0 image = "/path/to/boot\\"er.img" }
    partition rootfs { offset = 1M image = 'rootfs.ext4' }
}
/* and over
   lines */
image /path/to/bootloader.img { file { holes = {"(440; 1K)", "(64K; 80K)"} } }
"""


def test_the_readme_s_examples() -> None:
    (flash,) = genimage.copies(README)
    assert flash.medium is Medium.NAND
    assert [(it.label, it.offset, it.size, it.file) for it in flash.entries] == [
        ("barebox", 0, 512 * KIB, "barebox-pcm038.bin"),
        ("root", 512 * KIB, 24 * MIB, "root-nand.jffs2"),
    ]
    (disk,) = genimage.copies(_HOLES, {"rootfs.ext4": 5 * MIB + 1})
    assert disk.table == "gpt"
    loader, root = disk.entries
    assert (loader.number, loader.offset, loader.named) == (None, 0, False)
    assert (root.number, root.offset, root.size, root.named) == (1, MIB, 5 * MIB + 512, True)
    assert root.at.line == 5


CONFIGS = {
    "mbr with logical partitions": """\
image disk.img {
    hdimage { align = 1M disk-signature = 0x12345678 }
    partition one { image = "one" size = 1M partition-type = 0x83 }
    partition two { image = "two" bootable = true partition-type = 0xc }
    partition three { image = "one" size = 1M partition-type = 0x83 }
    partition four { image = "two" partition-type = 0x83 }
    partition five { image = "one" size = 2M partition-type = 0x83 }
}
""",
    "an early container": """\
image disk.img {
    hdimage { align = 1M extended-partition = 2 }
    partition one { image = "one" size = 1M partition-type = 0x83 }
    partition two { image = "two" size = 4M partition-type = 0x83 }
    partition three { image = "one" autoresize = true partition-type = 0x83 }
    size = 12M
}
""",
    "gpt with a loader before it": """\
image disk.img {
    hdimage { partition-table-type = "gpt" align = 4k }
    partition loader { in-partition-table = false offset = 32K image = "one" }
    partition boot { offset = 2M size = 4M partition-type-uuid = "U" image = "one" }
    partition root { image = "two" align = 1M partition-type-uuid = "L" }
    partition data { size = 2048s partition-type-uuid = "F" }
}
""",
    "a gpt that fills its image": """\
image disk.img {
    size = 32M
    hdimage { partition-table-type = "gpt" gpt-location = 1M }
    partition boot { size = 0x100000 image = "one" }
    partition rest { autoresize = "yes" align = 1M image = "two" }
}
""",
}


def made(folder: Path, text: str) -> Gpt | Mbr:
    for name in ("in", "out", "root", "tmp"):
        (folder / name).mkdir()
    for name, size in SIZES.items():
        (folder / "in" / name).write_bytes(bytes(size))
    (folder / "genimage.cfg").write_text(text)
    words = "genimage --config genimage.cfg --inputpath in --outputpath out --rootpath root"
    subprocess.run(
        [*words.split(), "--tmppath", "tmp"], cwd=folder, check=True, capture_output=True
    )
    view = View.of((folder / "out" / "disk.img").read_bytes())
    facts = (gpt if view.bytes(512, 8) == b"EFI PART" else mbr).READER.read(view)
    assert isinstance(facts, Gpt | Mbr)
    return facts


SIZES = {"one": 300_000, "two": 3 * MIB + 7}
Row = tuple[int, int | None, int | None]


def listed(facts: Gpt | Mbr) -> list[Row]:
    if isinstance(facts, Mbr):
        parts = (it for it in facts.partitions if not it.extended)
        return [(it.number, it.span.start, it.span.size) for it in parts]
    assert facts.table is not None
    spans = ((it.number, facts.table.span(it)) for it in facts.table.entries)
    return [(number, span.start, span.size) for number, span in spans]


def rows(copy: MapCopy) -> list[Row]:
    return [(it.number, it.offset, it.size) for it in copy.entries if it.number is not None]


@pytest.mark.oracle
@pytest.mark.parametrize("name", CONFIGS)
def test_places_are_those_that_genimage_takes(name: str, tmp_path: Path) -> None:
    (copy,) = genimage.copies(CONFIGS[name], SIZES)
    assert rows(copy) == listed(made(tmp_path, CONFIGS[name]))


@pytest.mark.oracle
@pytest.mark.parametrize("seed", range(12))
def test_places_of_made_up_configurations(seed: int, tmp_path: Path) -> None:
    choose = random.Random(seed)
    table = choose.choice(["mbr", "gpt"])
    unit = choose.choice(["1M", "4k"])
    lines = [f'hdimage {{ partition-table-type = "{table}" align = {unit} }}']
    for number in range(choose.randint(1, 8)):
        image = choose.choice(["one", "two"])
        size = choose.choice(["", "size = 4M", "size = 8192s"])
        align = choose.choice(["", "", "align = 2M"])
        kind = "partition-type = 0x83" if table == "mbr" else ""
        lines.append(f'partition p{number} {{ image = "{image}" {size} {align} {kind} }}')
    text = "image disk.img {\n" + "\n".join(lines) + "\n}\n"
    (copy,) = genimage.copies(text, SIZES)
    assert rows(copy) == listed(made(tmp_path, text))


@pytest.mark.parametrize(
    "text",
    [
        *("image", "image x", "}", "{", "a b c d {}", "x =", "= 3", "x = }", "include(", "(", '"'),
        *("image x { y = { a", "image x { y = { a, b"),
    ],
)
def test_what_is_no_configuration_is_refused(text: str) -> None:
    with pytest.raises(FormatError):
        genimage.copies(text)


def test_sections_are_nested_so_deep() -> None:
    for depth, refused in ((genimage.MAX_DEPTH, False), (genimage.MAX_DEPTH + 1, True)):
        with pytest.raises(FormatError) if refused else contextlib.nullcontext():
            assert genimage.copies("a {" * depth + "}" * depth) == ()


_WHOLE = """include("flash.cfg")
image a.img { flash {} flashtype = "nor" partition one { size = 1M } }
image b.img { hdimage {} include("parts.cfg") }
"""
_FRAGMENTS = {
    "flash.cfg": "flash nor { pebsize = 64k numpebs = 32 }",
    "parts.cfg": (
        'include("more.cfg") partition root { partition-type = 0x83 size = 8M image = one }'
    ),
    "more.cfg": "partition boot { partition-type = 0x6 size = 4M image = one }",
}


def test_what_is_included_stands_where_it_is_included(tmp_path: Path) -> None:
    _, disk = genimage.copies(_WHOLE, read=_FRAGMENTS.get)
    assert [(entry.label, entry.size) for entry in disk.entries] == [
        ("boot", 4 * MIB),
        ("root", 8 * MIB),
    ]
    assert {entry.at.line for entry in disk.entries} == {3}
    assert (disk.notes, disk.partial) == ((), False)
    # The same as what genimage makes of it.
    text = _WHOLE.replace(_WHOLE.splitlines()[1] + "\n", "").replace('include("flash.cfg")\n', "")
    for name, fragment in _FRAGMENTS.items():
        (tmp_path / name).write_text(fragment)
    assert rows(disk) == listed(made(tmp_path, text.replace("b.img", "disk.img")))


def test_what_cannot_be_included_is_said() -> None:
    flash, *disks = genimage.copies(_WHOLE)
    assert flash.notes == (
        "what it includes from flash.cfg is not known",
        "what it includes from parts.cfg is not known",
    )
    assert flash.partial
    assert disks == []  # nothing of it is known


@pytest.mark.parametrize("texts", [{"a": 'include("a")'}, {"a": 'include("b")', "b": "}"}])
def test_a_circle_and_a_broken_fragment_are_refused(texts: dict[str, str]) -> None:
    with pytest.raises(FormatError):
        genimage.copies('include("a")', read=texts.get)


def test_a_thousand_includes_are_too_many() -> None:
    with pytest.raises(FormatError, match="too many"):
        genimage.copies('include("a")' * 1000, read=lambda _: "")


@given(st.text(alphabet="image {}=\"'()#/*\n partition1M+,", max_size=300))
def test_any_text_gives_copies_or_an_error(text: str) -> None:
    with contextlib.suppress(FormatError):
        genimage.copies(text)

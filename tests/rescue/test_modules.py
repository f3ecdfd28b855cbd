from __future__ import annotations

import gzip
import lzma
import posixpath
import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit import bounds
from imgaudit.errors import FormatError
from imgaudit.formats.view import View
from imgaudit.rescue import modules
from imgaudit.rescue.modules import modinfo, module_file, read_modules
from tests.rescue._elf import module
from tests.rescue._ramdisk import installer, tree

BASE = "lib/modules/6.1.0"
MAGIC = "6.1.0 SMP mod_unload aarch64"


def ko(name: str, depends: str = "", firmware: tuple[str, ...] = ()) -> bytes:
    return module({"name": name, "vermagic": MAGIC, "depends": depends, "firmware": firmware})


@pytest.mark.parametrize(("bits", "big"), [(64, False), (32, False), (32, True)])
def test_modinfo(bits: int, *, big: bool) -> None:
    info = modinfo(View.of(module({"a": "1", "firmware": ("x", "y=z")}, bits=bits, big=big)))
    assert info == {"a": ("1",), "firmware": ("x", "y=z")}


def test_module_names() -> None:
    assert module_file("a/snd-hda.ko") == ("snd_hda", "")
    assert module_file("snd_hda.ko.zst") == ("snd_hda", "zstd")
    assert module_file("snd.kox") is None


def test_releases_and_what_is_missing() -> None:
    root = tree(
        {
            f"{BASE}/kernel/a.ko": ko("a", "b,gone,built-in", ("here.bin", "away.bin")),
            f"{BASE}/kernel/b.ko.gz": gzip.compress(ko("b")),
            f"{BASE}/kernel/c.ko.xz": lzma.compress(ko("c"), check=lzma.CHECK_CRC32),
            f"{BASE}/kernel/bad.ko.gz": b"no gzip",
            f"{BASE}/kernel/text.ko": b"no ELF",
            f"{BASE}/modules.dep": b"kernel/a.ko: kernel/b.ko.gz kernel/gone.ko\nkernel/old.ko:\n",
            f"{BASE}/modules.builtin": b"kernel/built-in.ko\n",
            f"{BASE}/build": "/usr/src/linux",
            "lib/firmware/here.bin.xz": b"",
            "lib/modules/note": b"a file, no release",
        }
    )
    with bounds.listening() as heard:
        (release,) = read_modules(root)
    found = {item.name: item for item in release.modules}
    assert release.release == "6.1.0"
    assert found["a"].vermagic == found["b"].vermagic == found["c"].vermagic == MAGIC
    assert (found["b"].compression, found["c"].compression) == ("gzip", "xz")
    told = {posixpath.basename(where): why for where, why in heard}
    assert told.keys() == {"bad.ko.gz", "text.ko"}
    assert told["text.ko"] == "not read: not an ELF object"
    assert release.has_dep
    assert release.dep_missing == (
        ("kernel/a.ko", "kernel/gone.ko"),
        ("kernel/old.ko", "kernel/old.ko"),
    )
    assert release.depends_missing == (("a", "gone"),)
    assert release.firmware_missing == (("a", "away.bin"),)


def test_what_unpacks_to_too_much_is_not_read(monkeypatch: pytest.MonkeyPatch) -> None:
    files: dict[str, bytes | str] = {
        f"{BASE}/{name}.ko.gz": gzip.compress(ko(name)) for name in "abc"
    }
    monkeypatch.setattr(modules, "UNPACKED", 10)
    monkeypatch.setattr(modules, "UNPACKED_ALL", len(ko("a")) + 1)
    with bounds.listening() as heard:
        (release,) = read_modules(tree(files))
    assert len(release.modules) == 3
    assert [why for _, why in heard] == [
        "not read: unpacks to more than 10 bytes",
        "not read: unpacks to more than 10 bytes",
        f"not read: the modules before it have {len(ko('a')) + 1:,} bytes",
    ]
    monkeypatch.setattr(modules, "MODULES", 2)
    (release,) = read_modules(tree(files))
    assert len(release.modules) == 2


@pytest.mark.parametrize(
    "data",
    [
        b"\x7fELF\x03\x01" + bytes(60),
        b"\x7fELF\x02\x01" + bytes(60),
        b"\x7fELF\x02\x01" + bytes(54) + b"\xff\xff\xff\xff",
    ],
)
def test_objects_without_a_table_of_sections(data: bytes) -> None:
    with pytest.raises(FormatError):
        modinfo(View.of(data))


def test_no_modules() -> None:
    assert read_modules(tree({"lib/x": b""})) == ()


@given(st.integers(0, 400), st.binary(max_size=12))
def test_damaged_modules_give_facts_or_a_format_error(at: int, junk: bytes) -> None:
    data = ko("a", "b", ("c",))
    try:
        modinfo(View.of(data[:at] + junk + data[at + len(junk) :]))
        modinfo(View.of(data[:at]))
    except FormatError:
        return


@pytest.mark.oracle
def test_real_modules_say_what_readelf_shows(tmp_path: Path) -> None:
    root = installer("arm64")[1]
    (release,) = read_modules(root)
    assert len(release.modules) > 500
    for item in release.modules[::100]:
        node = root.lookup(item.path)
        assert node is not None
        copy = tmp_path / "module.ko"
        copy.write_bytes(node.data().upto(0, node.size))
        dump = subprocess.run(
            ["readelf", "--string-dump=.modinfo", str(copy)],
            capture_output=True,
            check=True,
            text=True,
        ).stdout
        strings = [line.partition("]")[2].strip() for line in dump.splitlines()]
        assert f"vermagic={item.vermagic.strip()}" in strings
        assert f"depends={','.join(item.depends)}" in [text.replace("-", "_") for text in strings]
        assert [f"firmware={name}" for name in item.firmware] == [
            text for text in strings if text.startswith("firmware=")
        ]

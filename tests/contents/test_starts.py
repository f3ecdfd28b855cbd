"""What FITs and uImages mean, by U-Boot's rules."""

from __future__ import annotations

import struct
import subprocess

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.contents.reader import Loader
from imgaudit.contents.starts import (
    Named,
    kernel_in,
    likely_start_of,
    script_of,
    start_of,
    starts_of,
)
from imgaudit.contents.tree import Content
from imgaudit.formats import fit as fit_format
from imgaudit.formats.view import View
from imgaudit.rules import samples as sample
from imgaudit.writers.fdt import Tree


def content_of(data: bytes) -> Content:
    with Loader() as loader:
        return loader.memory("a.itb", data).content


def called(named: Named | None) -> str | None:
    return named.image.name if named is not None and named.image is not None else None


NODES: Tree = {"kernel@1": sample.kernel(), "ramdisk@1": sample.image({"type": "ramdisk"})}
CHOICES: Tree = {"conf@1": {"kernel": "kernel", "ramdisk": "ramdisk"}}


@pytest.mark.parametrize("asked", [None, "conf", "conf@1", "conf#overlay"])
def test_a_name_without_unit_address_finds_the_node_with_one(asked: str | None) -> None:
    content = content_of(sample.fit(NODES, configurations=CHOICES, default="conf"))
    start = start_of(content, asked)
    assert start is not None
    assert start.name == "conf@1"
    assert (called(start.kernel), called(start.ramdisk)) == ("kernel@1", "ramdisk@1")
    assert start.ramdisk is not None
    assert start.ramdisk.content is content.part("ramdisk@1")
    assert kernel_in(content) is content.part("kernel@1")


@pytest.mark.parametrize("asked", ["conf@2", "con", "conf@", "conf@1@1"])
def test_another_unit_address_is_another_node(asked: str) -> None:
    content = content_of(sample.fit(NODES, configurations=CHOICES, default="conf"))
    assert start_of(content, asked) is None


LETTERS = st.lists(st.text("ab@1", min_size=1, max_size=4), min_size=1, max_size=5, unique=True)


@pytest.mark.oracle
@given(nodes=LETTERS, asked=st.text("ab@1", min_size=1, max_size=4))
def test_libfdt_finds_the_same_node(
    nodes: list[str], asked: str, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Compare with fdtget, which looks names up by libfdt."""
    images: Tree = {name: sample.image({"description": name}) for name in nodes}
    data = sample.fit(images)
    path = tmp_path_factory.getbasetemp() / "names.itb"
    path.write_bytes(data)
    command = ["fdtget", "-t", "s", str(path), f"/images/{asked}", "description"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    found = fit_format.read(View.of(data)).image(asked)
    assert (found.name if found is not None else "") == done.stdout.strip()


def test_only_a_default_is_meant_unless_there_is_one_configuration() -> None:
    one: Tree = {"one": {"kernel": "kernel"}}
    content = content_of(sample.fit(configurations=one, default=None))
    assert start_of(content) is None
    likely = likely_start_of(content)
    assert likely is not None
    assert likely.name == "one"
    two = one | {"two": {"kernel": "kernel"}}
    content = content_of(sample.fit(configurations=two, default=None))
    assert likely_start_of(content) is None
    content = content_of(sample.fit(configurations=two, default="two"))
    assert [start.name for start in starts_of(content)] == ["two", "one"]


def test_what_a_configuration_names_and_the_fit_has_not() -> None:
    choices: Tree = {"conf": {"kernel": "kernel", "fdt": ["fdt-1", "fdt-2"]}}
    start = start_of(content_of(sample.fit({"fdt-2": sample.image()}, configurations=choices)))
    assert start is not None
    assert start.kernel == Named("kernel")
    assert [called(tree) for tree in start.trees] == [None, "fdt-2"]


SCRIPT: Tree = {"type": "script", "compression": "none", "data": b"reset"}


@pytest.mark.parametrize(
    ("images", "choices", "name"),
    [
        ({"a": SCRIPT, "b": SCRIPT}, {"conf": {"script": "b"}}, "b"),
        ({"default": "b", "a": SCRIPT, "b": SCRIPT}, {"conf": {}}, "b"),
        ({"a": SCRIPT, "b": SCRIPT}, {"conf": {}}, None),
        ({"a": SCRIPT}, {}, "a"),
    ],
)
def test_the_script_that_source_runs(images: Tree, choices: Tree, name: str | None) -> None:
    content = content_of(sample.fit(images, configurations=choices))
    assert called(script_of(content)) == name


def multi(*parts: bytes) -> bytes:
    table = b"".join(struct.pack(">I", len(part)) for part in parts) + bytes(4)
    return sample.uimage(table + b"".join(part + bytes(-len(part) % 4) for part in parts), kind=4)


def test_a_uimage_means_its_files_by_their_place() -> None:
    tree = sample.board_tree()
    content = content_of(multi(sample.arm64_kernel(), b"tide" * 64, tree))
    start = start_of(content)
    assert start is not None
    assert start.kernel is not None
    assert start.kernel.content is content.part("image-0")
    assert start.ramdisk is not None
    assert start.ramdisk.content is content.part("image-1")
    assert [named.content for named in start.trees] == [content.part("image-2")]
    assert start_of(content_of(multi(b"tide"))) is not None
    assert start_of(content_of(b"tide")) is None


@pytest.mark.parametrize(
    ("kind", "role"), [(2, "kernel"), (14, "kernel"), (3, "ramdisk"), (6, "script")]
)
def test_a_uimage_means_its_data_by_its_type(kind: int, role: str) -> None:
    data = struct.pack(">II", 5, 0) + b"reset" if kind == 6 else b"tide" * 64
    start = start_of(content_of(sample.uimage(data, kind=kind)))
    assert start is not None
    roles = {"kernel": start.kernel, "ramdisk": start.ramdisk, "script": start.script}
    named = roles.pop(role)
    assert named is not None
    assert named.content is not None
    assert set(roles.values()) == {None}

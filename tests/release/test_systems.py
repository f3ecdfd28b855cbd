"""What a manifest says of the systems in a release: os-release(5)."""

from __future__ import annotations

from uuid import UUID

import pytest

from imgaudit.contents.reader import Loader
from imgaudit.release.seal import _called, versions
from imgaudit.writers.cpio import cpio
from imgaudit.writers.ext4 import ext4
from imgaudit.writers.tree import Root, file, link


@pytest.mark.parametrize(
    ("text", "called"),
    [
        ('NAME="Tide Logger"\nVERSION="1.2"\n', ["Tide Logger 1.2"]),
        ('NAME=Tide\nVERSION_ID=7\nPRETTY_NAME="Tide 7"\n', ["Tide 7"]),
        ("ID=tide\nBUILD_ID=20260706\n", ["tide 20260706"]),
        ('PRETTY_NAME="Tide Logger"\nVERSION=1.2\n', ["Tide Logger (1.2)"]),
        ("# nothing\n", []),
        ("", []),
    ],
)
def test_what_an_os_release_calls_itself(text: str, called: list[str]) -> None:
    assert list(_called(text.encode())) == called


_TREE: Root = {
    "etc/os-release": link("../usr/lib/os-release"),
    "usr/lib/os-release": file('PRETTY_NAME="Tide 7"\n'),
}


@pytest.mark.parametrize("kind", ["a file system", "a ramdisk"])
def test_it_is_sealed_with_its_region(kind: str) -> None:
    data = cpio(_TREE, 0)
    if kind == "a file system":
        data = ext4(8 << 20, _TREE, label="root", uuid=UUID(int=1), epoch=0).whole()
    with Loader() as loader:
        content = loader.memory("system.img", data).content
        assert versions(content)["system"] == ("Tide 7",)

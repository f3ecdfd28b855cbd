"""What a manifest says of the systems in a release: os-release(5)."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from uuid import UUID

import pytest

from imgaudit.contents.reader import Loader
from imgaudit.errors import UnreadError
from imgaudit.formats.view import MemorySource, View
from imgaudit.release.seal import _called, _payload_sha256, versions
from imgaudit.writers import kernel
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


class Broken(MemorySource):
    """Bytes of which the end cannot be read."""

    def read_at(self, offset: int, length: int) -> bytes:
        if offset + length > self.size // 2:
            raise UnreadError(offset, "cannot be read: Input/output error")
        return super().read_at(offset, length)


@pytest.mark.parametrize("kind", ["a file system", "a ramdisk", "a kernel"])
def test_what_cannot_be_read_says_nothing(kind: str) -> None:
    """What stands before it counts; nothing of the rest is made up."""
    data = {
        "a file system": lambda: ext4(8 << 20, _TREE, label="r", uuid=UUID(int=1), epoch=0).whole(),
        "a ramdisk": lambda: cpio({"a": file(bytes(5 << 20))} | _TREE, 0),
        "a kernel": lambda: kernel.image({}),
    }[kind]()
    with Loader() as loader:
        artifact = loader.memory("system.img", data)
        content = artifact.content
        inner = replace(content, name="inner")
        assert _payload_sha256(artifact, content) == artifact.sha256
        assert _payload_sha256(artifact, inner) == hashlib.sha256(data).hexdigest()
        broken = replace(inner, view=View(Broken(data)))
        assert _payload_sha256(artifact, broken) is None
        assert _payload_sha256(artifact, replace(inner, view=None)) is None
        found = versions(broken)
    # A file system's texts were read when it was listed.
    assert found.get("system", ()) == (("Tide 7",) if kind == "a file system" else ())
    assert "linux" not in found


def test_a_system_that_is_no_text_or_too_long_is_not_sealed() -> None:
    for entry in (link("nowhere"), file("")):
        data = cpio({"usr/lib/os-release": entry}, 0)
        with Loader() as loader:
            assert "system" not in versions(loader.memory("system.img", data).content)

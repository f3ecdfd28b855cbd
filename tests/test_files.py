from __future__ import annotations

import gc
import os
from pathlib import Path

import pytest

from imgaudit import files
from imgaudit.files import ArtifactError, Folder, open_regular


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    inside = tmp_path / "artifacts"
    inside.mkdir()
    (inside / "fip.bin").write_bytes(b"tide")
    (tmp_path / "outside.bin").write_bytes(b"secret")
    return inside


def refused(folder: Path, name: str) -> ArtifactError:
    with pytest.raises(ArtifactError) as caught:
        Folder(str(folder)).open(Folder(str(folder)).find(name))
    return caught.value


def test_opens_a_file(folder: Path) -> None:
    descriptor, size = Folder(str(folder)).open("fip.bin")
    try:
        assert size == 4
        assert os.read(descriptor, 10) == b"tide"
        assert not os.get_inheritable(descriptor)
    finally:
        os.close(descriptor)


@pytest.mark.parametrize("name", ["../outside.bin", "a/../../outside.bin", "..", "a/.."])
def test_climbing_is_refused(folder: Path, name: str) -> None:
    problem = refused(folder, name)
    assert str(problem) == f"{name} leaves the artifacts folder"
    assert not problem.absent


def test_absolute_paths_are_refused(folder: Path) -> None:
    assert "leaves the artifacts folder" in str(refused(folder, str(folder / "fip.bin")))
    assert "leaves the artifacts folder" in str(refused(folder, "fip.bin\0"))


def test_dots_in_names_are_no_climbing(folder: Path) -> None:
    (folder / "a..b").write_bytes(b"")
    assert Folder(str(folder)).find("a..b") == "a..b"


@pytest.mark.parametrize("target", ["../outside.bin", "/etc/passwd"])
def test_a_link_out_is_refused(folder: Path, target: str) -> None:
    (folder / "link").symlink_to(target)
    problem = refused(folder, "link")
    assert str(problem) == "link is a link out of the artifacts folder"
    assert not problem.absent


def test_a_linked_folder_out_is_refused(folder: Path) -> None:
    (folder / "sub").symlink_to("..")
    assert "link out of" in str(refused(folder, "sub/outside.bin"))
    assert "link out of" in str(refused(folder, "sub/*.bin"))


def test_a_folder_whose_name_only_starts_the_same_is_outside(folder: Path) -> None:
    (folder.parent / "artifacts-old").mkdir()
    (folder.parent / "artifacts-old" / "x").write_bytes(b"")
    (folder / "link").symlink_to("../artifacts-old/x")
    assert "link out of" in str(refused(folder, "link"))


def test_a_link_inside_is_followed(folder: Path) -> None:
    (folder / "sub").mkdir()
    (folder / "sub" / "link").symlink_to("../fip.bin")
    (folder / "second").symlink_to("sub/link")
    descriptor, size = Folder(str(folder)).open("second")
    os.close(descriptor)
    assert size == 4


def test_the_folder_itself_may_be_a_link(folder: Path) -> None:
    link = folder.parent / "latest"
    link.symlink_to("artifacts")
    descriptor, _ = Folder(str(link)).open("fip.bin")
    os.close(descriptor)


def test_a_link_to_nothing_and_a_loop(folder: Path) -> None:
    (folder / "dangling").symlink_to("nothing")
    (folder / "loop").symlink_to("loop")
    assert "No such file" in str(refused(folder, "dangling"))
    assert "cannot be opened" in str(refused(folder, "loop"))


def test_what_is_no_regular_file_is_refused(folder: Path) -> None:
    os.mkfifo(folder / "fifo")
    (folder / "sub").mkdir()
    assert str(refused(folder, "fifo")) == "fifo is not a regular file"
    assert str(refused(folder, "sub")) == "sub is not a regular file"
    assert str(refused(folder, ".")) == ". is not a regular file"


def test_a_device_is_refused(folder: Path) -> None:
    (folder / "null").symlink_to("/dev/null")
    assert "link out of" in str(refused(folder, "null"))
    with pytest.raises(ArtifactError, match="null is not a regular file"):
        open_regular("/dev/null")


def test_a_last_moment_link_is_refused(folder: Path) -> None:
    (folder / "link").symlink_to("fip.bin")
    before = os.stat(folder / "link")
    with pytest.raises(ArtifactError, match="link cannot be opened"):
        files._opened("link", before, "link", os.open(folder, os.O_RDONLY))


def test_an_unreadable_file_is_refused(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def deny(*_: object, **__: object) -> int:
        raise PermissionError(13, "Permission denied")

    opened = Folder(str(folder))
    monkeypatch.setattr(os, "open", deny)  # a mode of 0 would not stop root
    with pytest.raises(ArtifactError) as caught:
        opened.open("fip.bin")
    problem = caught.value
    assert str(problem) == "fip.bin cannot be opened: Permission denied"
    assert not problem.absent


def test_nothing_leaks_when_a_file_is_refused(folder: Path) -> None:
    os.mkfifo(folder / "fifo")
    refused(folder, "fifo")
    gc.collect()
    before = len(os.listdir("/proc/self/fd"))
    for _ in range(5):
        refused(folder, "fifo")
    gc.collect()
    assert len(os.listdir("/proc/self/fd")) == before


def test_absent(folder: Path) -> None:
    problem = refused(folder, "nothing.bin")
    assert (str(problem), problem.absent) == ("nothing.bin is not in the artifacts folder", True)
    assert refused(folder, "x" * 5000).absent


def test_globs(folder: Path) -> None:
    assert Folder(str(folder)).find("*.bin") == "fip.bin"
    assert Folder(str(folder)).find("f?p.[ab]in") == "fip.bin"
    none = refused(folder, "*.itb")
    assert (str(none), none.absent) == ("*.itb matches no file in the artifacts folder", True)
    for name in "abcd":
        (folder / f"{name}.bin").write_bytes(b"")
    many = refused(folder, "*.bin")
    assert many.absent
    assert str(many) == "*.bin matches 5 files: a.bin, b.bin, c.bin, d.bin, …"


def test_a_glob_takes_a_link_beside_its_target_for_one_file(folder: Path) -> None:
    (folder / "recovery-1.2.itb").write_bytes(b"tide")
    (folder / "recovery.itb").symlink_to("recovery-1.2.itb")
    assert Folder(str(folder)).find("recovery*.itb") == "recovery-1.2.itb"
    (folder / "recovery-1.3.itb").write_bytes(b"ebb")
    with pytest.raises(ArtifactError, match=r"matches 2 files: recovery-1\.2\.itb"):
        Folder(str(folder)).find("recovery*.itb")


def test_a_wildcard_leads_into_no_linked_folder(folder: Path) -> None:
    """Two links to their own folder once made a glob of 30 stars look at 2^30 paths."""
    (folder / "a").symlink_to(".")
    (folder / "b").symlink_to(".")
    assert refused(folder, "*/" * 30 + "zz").absent
    # By its name a linked folder inside is followed, as any path.
    assert Folder(str(folder)).find("a/fip.*") == "a/fip.bin"


def test_a_glob_gives_up_on_a_folder_without_end(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    entries = len(list(folder.iterdir()))
    monkeypatch.setattr(files, "_MOST_LOOKED_AT", entries)
    assert Folder(str(folder)).find("fip.*") == "fip.bin"
    monkeypatch.setattr(files, "_MOST_LOOKED_AT", entries - 1)
    assert "looks at more than" in str(refused(folder, "fip.*"))

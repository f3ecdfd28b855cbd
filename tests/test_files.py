from __future__ import annotations

import errno
import gc
import os
from pathlib import Path

import pytest

from imgaudit import files
from imgaudit.errors import AuditError
from imgaudit.files import ArtifactError, Folder, Target, nearby, open_regular, read_regular


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


def test_what_became_a_fifo_at_the_last_moment_is_refused(folder: Path) -> None:
    """Between the look at it and its opening; it does not wait for a writer, and stays not open."""
    before = (folder / "fip.bin").stat()
    os.mkfifo(folder / "fifo")
    count = len(os.listdir("/proc/self/fd"))
    with pytest.raises(ArtifactError, match="fifo is not a regular file"):
        files._opened("fifo", before, str(folder / "fifo"), None)
    assert len(os.listdir("/proc/self/fd")) == count


def test_what_was_meant_is_looked_for_so_often(folder: Path) -> None:
    inside = Folder(str(folder))
    told = []
    for _ in range(files._MOST_SUGGESTED + 1):
        with pytest.raises(ArtifactError) as problem:
            inside.find("fip.bim")
        told.append(str(problem.value))
    plain = "fip.bim is not in the artifacts folder"
    assert set(told[:-1]) == {f"{plain}; did you mean 'fip.bin'?"}
    assert told[-1] == plain


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


def test_what_was_meant_is_suggested(folder: Path, tmp_path: Path) -> None:
    assert nearby(str(folder / "fip.bin")) == ""
    assert "fip.bin" in nearby(str(folder / "fip.bim"))
    assert nearby(str(tmp_path / "nowhere" / "fip.bin")) == ""
    assert "fip.bin" in str(refused(folder, "fip.bim"))
    assert str(refused(folder, "sub/fip.bin")).endswith(", which has no sub")
    (folder / "fip.bin").unlink()
    assert str(refused(folder, "fip.bin")).endswith(", which is empty")
    with pytest.raises(ArtifactError, match="is not a folder"):
        Folder(str(folder / "fip.bin"))
    with pytest.raises(ArtifactError, match="is not a folder"):
        Folder("a\0b")


def test_a_folder_that_cannot_be_listed_has_no_names(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened = Folder(str(folder))

    def deny(*_: object, **__: object) -> int:
        raise PermissionError(13, "Permission denied")

    for call in ("scandir", "open"):
        with monkeypatch.context() as patched:
            patched.setattr(os, call, deny)  # a mode of 0 would not stop root
            assert list(opened.names(1)) == []
            if call == "scandir":
                assert nearby(str(folder / "fip.bim")) == ""
    assert list(opened.names(1)) == ["fip.bin"]


def test_all_names_are_given_folder_by_folder(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("b/two", "a/one", "a/deep/three", ".hidden/x", ".also"):
        (folder / name).parent.mkdir(exist_ok=True)
        (folder / name).write_bytes(b"")
    (folder / "loop").symlink_to(".")
    opened = Folder(str(folder))
    assert list(opened.names(0)) == ["fip.bin", "loop"]
    assert list(opened.names(1)) == ["fip.bin", "loop", "a/one", "b/two"]
    assert list(opened.names(2))[2:] == ["a/one", "a/deep/three", "b/two"]
    looked = 6 + 2 + 1 + 1  # the top, a, a/deep, b
    monkeypatch.setattr(files, "_MOST_LOOKED_AT", looked)
    assert len(list(opened.names(9))) == 5
    monkeypatch.setattr(files, "_MOST_LOOKED_AT", looked - 1)
    with pytest.raises(ArtifactError, match=f"has more than {looked - 1} files"):
        list(opened.names(9))


@pytest.mark.parametrize("links", [40, 41])
def test_links_are_followed_so_often(folder: Path, links: int) -> None:
    """As the Linux kernel does (MAXSYMLINKS)."""
    for number in range(links):
        (folder / f"l{number}").symlink_to(f"l{number + 1}")
    (folder / f"l{links}").write_bytes(b"")
    status = Folder(str(folder)).status("l0")
    assert (status is not None) == (links == 40)
    if status is None:
        assert str(refused(folder, "l0")) == f"l0 cannot be opened: {os.strerror(errno.ELOOP)}"
    else:
        assert os.path.samestat(status, os.stat(folder / "l0"))


def test_a_status_is_of_what_stands_inside(folder: Path) -> None:
    (folder / "out").symlink_to("../outside.bin")
    (folder / "sub").mkdir()
    (folder / "sub/back").symlink_to(folder / "fip.bin")
    opened = Folder(str(folder))
    assert opened.status("out") is None
    assert opened.status("gone") is None
    inside = opened.status("sub/back")
    assert inside is not None
    assert inside.st_size == 4


def test_each_opened_file_is_told(folder: Path) -> None:
    told: list[files.Opened] = []
    before = list(files._watchers)
    try:
        files.watch(told.append)
        descriptor, _ = open_regular(str(folder / "fip.bin"))
        os.close(descriptor)
    finally:
        files._watchers[:] = before
    status = os.stat(folder / "fip.bin")
    assert [(one.device, one.number, one.stored) for one in told] == [
        (status.st_dev, status.st_ino, min(4, status.st_blocks * 512))
    ]


@pytest.mark.parametrize("most", [3, 4, 5])
def test_a_file_is_read_up_to_a_byte_more_than_asked(folder: Path, most: int) -> None:
    assert read_regular(str(folder / "fip.bin"), most) == b"tide"[: most + 1]


def test_a_file_that_changes_while_it_is_read_is_not_used(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = folder / "fip.bin"
    states = iter([(4, 1), (4, 2)])
    monkeypatch.setattr(files.Unchanged, "_now", lambda _: next(states))
    with pytest.raises(ArtifactError, match="cannot be used: the file changed while it was read"):
        read_regular(str(path), 9)
    for bad, why in (("gone", "No such file or directory"), ("a\0b", "it is no name of a file")):
        with pytest.raises(ArtifactError, match=f"cannot be opened: {why}"):
            read_regular(bad, 9)


def test_an_error_while_reading_is_told(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(descriptor: int, _: str) -> object:
        os.close(descriptor)
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(os, "fdopen", fail)
    with pytest.raises(ArtifactError, match=r"fip\.bin cannot be read: Input/output error"):
        read_regular(str(folder / "fip.bin"), 9)


def test_a_target_is_replaced_as_a_whole(folder: Path) -> None:
    path = folder / "report.txt"
    for text in ("tide\n", "ebb \udcff\n"):
        with Target(str(path), set()) as target:
            target.write(text)
        assert path.read_bytes() == text.encode("utf-8", "backslashreplace")
    assert sorted(os.listdir(folder)) == ["fip.bin", "report.txt"]


def test_a_target_that_must_not_be_replaced_is_refused(folder: Path) -> None:
    path = folder / "report.txt"
    path.write_text("old")
    (folder / "link").symlink_to("report.txt")
    (folder / "sub").mkdir()
    status = os.stat(path)
    for name, read, why in (
        ("link", set(), "it is a link, and what it leads to would be replaced"),
        ("sub", set(), "it is no regular file"),
        ("report.txt", {(status.st_dev, status.st_ino)}, "it was read for this report"),
        ("gone/report.txt", set(), "No such file or directory"),
        ("fip.bin/report.txt", set(), "Not a directory"),
        ("a\0b", set(), "embedded null byte"),
    ):
        with pytest.raises(AuditError, match=why):
            Target(str(folder / name), read)
    assert path.read_text() == "old"


def test_a_target_that_cannot_be_written_stays_what_it_was(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = folder / "report.txt"
    path.write_text("old")

    def fail(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    for call in ("replace", "open"):
        with Target(str(path), set()) as target, monkeypatch.context() as patched:
            patched.setattr(os, call, fail)
            with pytest.raises(AuditError, match="No space left on device"):
                target.write("new")
        assert path.read_text() == "old"
        assert sorted(os.listdir(folder)) == ["fip.bin", "report.txt"]

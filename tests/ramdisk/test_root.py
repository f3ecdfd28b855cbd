from __future__ import annotations

import stat

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.ramdisk import root as roots
from imgaudit.ramdisk.root import Root
from tests.formats._cpio import archive, folder, link, member, program
from tests.rescue._ramdisk import root, tree


def data(found: Root, path: str) -> bytes | None:
    node = found.lookup(path)
    return None if node is None else node.data().upto(0, 1 << 20)


def test_lookup_follows_links_in_every_place() -> None:
    found = root(
        archive(
            folder("usr"),
            folder("usr/bin"),
            link("bin", "usr/bin"),
            program("usr/bin/busybox", b"B"),
            link("usr/bin/sh", "busybox"),
            folder("etc"),
            link("etc/up", "../../../.././bin//sh"),
            link("etc/abs", "/bin/sh"),
        )
    )
    for path in ("/bin/sh", "bin/sh", "/usr/bin/../bin/sh", "/etc/up", "/etc/abs", "/../bin/sh"):
        resolved = found.resolve(path)
        assert resolved.path == "/usr/bin/busybox", path
        assert data(found, path) == b"B"
    assert found.resolve("/etc/abs").links == ("abs", "bin", "sh")
    assert found.resolve("/bin/sh", follow=False).path == "/usr/bin/sh"
    assert found.resolve("/").path == "/"
    assert found.resolve("/bin").path == "/usr/bin"
    assert found.resolve("..", base=found.lookup("/usr/bin")).path == "/usr"


def test_lookup_says_why_it_fails() -> None:
    found = root(
        archive(
            link("loop", "loop"),
            link("empty", ""),
            link("gone", "dir/none"),
            folder("dir"),
            program("file"),
        )
    )
    for path, why, place in (
        ("/loop", "too many links", "/loop"),
        ("/empty", "an empty link", "/empty"),
        ("/gone", "missing", "/dir/none"),
        ("/file/x", "not a directory", "/file"),
        ("/none/x", "missing", "/none"),
    ):
        resolved = found.resolve(path)
        assert (resolved.node, resolved.why, resolved.path) == (None, why, place)


def test_forty_links_are_followed_and_no_more() -> None:
    # Linux include/linux/namei.h: MAXSYMLINKS is 40.
    links = [link(f"l{number}", f"l{number + 1}") for number in range(41)]
    found = root(archive(*links, program("l41", b"end")))
    assert data(found, "/l1") == b"end"
    assert found.resolve("/l0").why == "too many links"


def test_later_members_win() -> None:
    first = archive(folder("d"), program("d/f", b"one"), link("l", "d"), program("x", b"old"))
    second = archive(program("d/f", b"two"), folder("d", 0o700), program("l", b"file now"))
    found = root(first, second)
    assert data(found, "/d/f") == b"two"
    assert data(found, "/l") == b"file now"
    assert data(found, "/x") == b"old"
    node = found.lookup("/d")
    assert node is not None
    assert stat.S_IMODE(node.mode) == 0o700
    assert found.replaced == ["/d/f", "/l"]


def test_a_directory_in_use_is_not_replaced() -> None:
    # init/initramfs.c clean_path(): rmdir fails on a directory that is not empty.
    found = root(archive(folder("d"), program("d/f"), program("d", b"file"), link("d", "x")))
    node = found.lookup("/d")
    assert node is not None
    assert node.children is not None
    assert [skipped.name for skipped in found.skipped] == ["d", "d"]
    empty = root(archive(folder("d"), program("d", b"file")))
    assert data(empty, "/d") == b"file"


def test_a_directory_replaces_the_link_of_its_name() -> None:
    found = root(archive(folder("usr"), link("bin", "usr"), folder("bin"), program("bin/f")))
    assert found.lookup("/usr/f") is None
    assert found.lookup("/bin/f") is not None


@pytest.mark.parametrize(
    ("bad", "why"),
    [
        (program("no/where", b"x"), "its directory is missing"),
        (member("n" * 5000), "its name has 5,001 bytes"),
        (member("dir", b"x", stat.S_IFDIR | 0o755), "contents in what is not a file"),
        (member("odd", mode=0o644), "mode 0o644 names no kind of file"),
        (link("l", "t" * 4097), "a link to a name of 4,097 bytes"),
        (program("n" * 256), "a name of 256 characters"),
        (program("file/below"), "its directory is missing"),
    ],
)
def test_what_the_kernel_leaves_out_is_told(bad: bytes, why: str) -> None:
    found = root(archive(program("file"), bad, program("after", b"ok")))
    assert [skipped.why for skipped in found.skipped] == [why]
    assert data(found, "/after") == b"ok"


def test_hard_links_share_the_data_of_the_last() -> None:
    # buffer-format.rst, "Handling of hard links"; GNU cpio puts the data in the last member.
    def name(path: str, contents: bytes = b"") -> bytes:
        return member(path, contents, stat.S_IFREG | 0o755, ino=5, nlink=3)

    found = root(archive(name("a"), name("b"), name("c", b"data")))
    assert data(found, "/a") == data(found, "/b") == data(found, "/c") == b"data"
    assert found.lookup("/a") is found.lookup("/c")
    node = found.lookup("/a")
    assert node is not None
    assert (node.links, node.size) == (3, 4)
    assert found.memory() == (4096, 1)
    every = root(archive(name("a", b"data"), name("b", b"data"), name("c")))
    assert data(every, "/c") == b"data"


def test_the_table_of_hard_links_ends_with_its_archive() -> None:
    one = member("a", b"1", stat.S_IFREG | 0o755, ino=5, nlink=2)
    two = member("b", b"2", stat.S_IFREG | 0o755, ino=5, nlink=2)
    found = root(archive(one) + archive(two))
    assert (data(found, "/a"), data(found, "/b")) == (b"1", b"2")
    joined = root(archive(one, two))
    assert (data(joined, "/a"), data(joined, "/b")) == (b"2", b"2")


def test_a_hard_link_whose_first_name_is_gone_is_lost() -> None:
    one = member("a", b"1", stat.S_IFREG | 0o755, ino=5, nlink=2)
    two = member("b", b"2", stat.S_IFREG | 0o755, ino=5, nlink=2)
    found = root(archive(one, link("a", "nowhere"), folder("a"), two))
    assert found.lookup("/b") is None
    assert [skipped.name for skipped in found.skipped] == ["b"]


def test_one_inode_number_with_one_link_is_no_hard_link() -> None:
    found = root(archive(member("a", b"1", ino=5), member("b", b"2", ino=5)))
    assert (data(found, "/a"), data(found, "/b")) == (b"1", b"2")


def test_contents_that_are_cut_are_shorter_than_their_size() -> None:
    found = root(program("a", b"x" * 100)[:-40])
    node = found.lookup("/a")
    assert node is not None
    assert (node.size, node.data().size) == (100, 60)


def test_walk_and_text_and_names() -> None:
    found = tree({"etc/b": b"text", "etc/a": "b"})
    assert [path for path, _ in found.walk()] == ["/etc", "/etc/b", "/etc/a"]
    assert found.names("/etc") == ["a", "b"]
    assert found.names("/none") == []
    assert found.text("/etc/a") == "text"
    assert found.text("/etc") is None


def test_work_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(roots, "STEPS", 50)
    found = root(archive(*(program(f"f{number}") for number in range(100))))
    assert found.exhausted
    assert found.lookup("/f1") is None


NAMES = st.sampled_from(["a", "b", "a/b", "b/a", "a/b/a", ".", "..", "/a", "a/", "a/../b"])
MEMBERS = st.one_of(
    st.builds(link, NAMES, NAMES),
    st.builds(folder, NAMES),
    st.builds(program, NAMES, st.binary(max_size=3)),
    st.builds(
        member,
        NAMES,
        st.binary(max_size=3),
        st.just(stat.S_IFREG | 0o644),
        ino=st.just(9),
        nlink=st.just(2),
    ),
    st.builds(member, NAMES, mode=st.just(stat.S_IFIFO | 0o644), nlink=st.sampled_from([1, 2])),
)


@given(st.lists(MEMBERS, max_size=12))
def test_any_order_of_members_makes_a_root_that_hangs_together(parts: list[bytes]) -> None:
    found = root(archive(*parts))
    for path, node in found.walk():
        assert found.resolve(path, follow=False).node is node
        if node.children is not None:
            assert node.path() == path
        found.resolve(path)

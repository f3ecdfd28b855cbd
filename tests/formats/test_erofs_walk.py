from __future__ import annotations

import base64
import contextlib
import functools
import os
import subprocess
import tempfile
import zlib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.errors import FormatError, ImgauditError
from imgaudit.formats.erofs import READER
from imgaudit.formats.files import open_file
from imgaudit.formats.view import View
from tests.formats._trees import agree, fill, read, seeds, sound, status, trouble

FORMS = (
    "",
    "-Enoinline_data",
    "-Eforce-inode-extended",
    "-Eforce-inode-compact",
    "--chunksize=4096",
    "-Eforce-chunk-indexes --chunksize=65536",
    "-zlz4",
    "-zlz4hc",
    "-zlz4hc -C65536",
    "-zlz4 -Elegacy-compress",
    "-zlz4hc,12 -Eztailpacking",
    # mkfs.erofs before 1.6 takes these words and packs no ends together.
    "-zlz4hc -Efragments",
    "-zlz4 -Eall-fragments",
    "-zlz4hc -C65536 -Efragments,dedupe",
)


def make(folder: Path, options: str = "") -> bytes:
    image = folder.parent / "image.erofs"
    image.unlink(missing_ok=True)
    assert not status("mkfs.erofs", *options.split(), image, folder)
    return image.read_bytes()


@pytest.mark.oracle
@pytest.mark.parametrize("options", FORMS)
def test_what_mkfs_erofs_packs_is_found(tmp_path: Path, options: str) -> None:
    """Every name, mode, size, target and byte; dump.erofs counts the same files."""
    folder = fill(tmp_path / "root", many=80)
    os.setxattr(folder / "init", "user.gauge", b"tide" * 20)
    facts = sound(READER, make(folder, options), folder)
    assert facts.files is not None
    words = ("dump.erofs", "-S", tmp_path / "image.erofs")
    told = subprocess.run(words, check=True, capture_output=True, text=True).stdout
    regular = sum(entry.is_file for entry in facts.files)
    links = sum(entry.is_link for entry in facts.files)
    assert f"regular file count:\t\t{regular}\n" in told
    assert f"symlink file count:\t\t{links}\n" in told


# Made by mkfs.erofs of erofs-utils 1.9 with -zlz4hc -Efragments, from the texts of the test below.
TOGETHER = (
    r"""c-rk)&ubGw6n?XtWNRq9-3{oWWOfT}L1}igKe9jYAPV9o2M@h?sI}NOsQ4qGq9^rGMQlB4uYyptCoj^AN5Ox<gEw"""
    r"""uDBG^N6G`=LW-Lz)gh#-RV!8h-FZ|2R+ek?3300#%h|BB5ojn8j~&y+>f!!Qm*ebxx+?PPCZ4B2WWxqra<8RWN<0"""
    r"""<5sSh3MUMoW%=xi&)R0KF0J#yuuXImr<Kc*HM?5zJuCf`W|YJ>4)w0rdgZ2Ra+>PyTR@TryJaE@VcRr;?2tk1h$2"""
    r"""J{kos_{Bi%%a8eU{=Gndn_7@KC_B6(AWw8D=J*j1T<{wWC)_?qHQp@$smroDY|G`OWQqTOAYy0=-Sik!sc_H_{!)"""
    r"""kjNIb?LsGbE$ECSznfF=vRKIAoAcbV;9=nuCLbgM)*EgM)*EgM)*EgQE|&#haJr7mTuTebMOrKQqdC4T?6>(||@k"""
    r"""6#W8}oJs+xI|<aQ0`==a!)KV+K@Oqh1qCnzCjxl}<Qq6W33{{%AU_8^m?t1(OC`dZNkCafzCl)TKEnDcZq)>N3#c"""
    r"""<qXxJ{{?oJc*@CPpYitS54Z9F-&2*s;N4ZPj95R;}bQw6zmy&;zW;q^=>2-_vI;^9ueUe65uDk!HgUq@qBLAUd$r"""
    r"""-@v{r+N)E*uv8$0d%(jnlcNT6;{?krG5jHQKDI1SR<;kLa^}@roKHPsFvf@aSX$Ef~sr@cxFjdt;oA8YP$U%2Vc#"""
    r"""omhH^o=(?{ms_r*3n(my)s+Jc#$*Q{h5vA{q<xpPDX_oD8<VJK4q`WdNwSVHa&PgE@ow;mGn!?0Smj6XRP1l(PWt"""
    r"""X335EVfA2mRc^cWDiZZbI6ZO_CV9C{TA<;Km+cY=WoKC@FeJ#F#XNiN!4E77uE1f+^`d6f2LiF=+}Dvsuo~{(ZA|"""
    r"""uyGc@$d&w0$~pF="""
)


def test_the_ends_of_files_are_found_together() -> None:
    data = zlib.decompress(base64.b85decode(TOGETHER))
    facts = read(READER, data)
    assert (facts.flaws, facts.unwalked) == ((), "")
    assert facts.files is not None
    for number in range(6):
        lines = (f"tide {n * n % 97} of gauge {number}\n" for n in range(40 + 130 * number))
        text = "".join(lines).encode()
        entry = facts.files.get(f"gauge-{number}")
        assert entry is not None
        assert open_file(View.of(data), entry).bytes(0, entry.size) == text
    # Where the file of ends is too short, each that lies beyond is told.
    packed = int.from_bytes(data[1024 + 96 : 1024 + 104], "little")
    short = bytearray(data)
    short[32 * packed + 8 : 32 * packed + 12] = (100).to_bytes(4, "little")
    assert any(
        "of the file of ends, past its end" in flaw.what
        for flaw in read(READER, bytes(short)).flaws
    )
    later = bytearray(data)
    later[1024 + 80] |= 0x80
    assert read(READER, bytes(later)).unwalked == "it has features that are not known here (0x80)"


@functools.cache
def whimbrel(options: str = "-zlz4hc") -> bytes:
    with tempfile.TemporaryDirectory() as place:
        return make(fill(Path(place) / "root", many=40, kernel=b"tide " * 9000), options)


@pytest.mark.oracle
def test_what_fsck_erofs_reports_is_told(tmp_path: Path) -> None:
    """Damage at random places; what only unpacking tells is left to the deep look."""
    folder = fill(tmp_path / "root", many=200, kernel=b"")
    told, missed = 0, []
    for options in ("-Eforce-inode-extended", "-Enoinline_data", "-zlz4"):
        count, unseen = agree(
            READER,
            make(folder, options),
            seeds(30),
            tmp_path / "broken",
            lambda path: status("fsck.erofs", path) != 0,
        )
        told += count
        missed += [(options, seed) for seed in unseen]
    assert told >= 3
    assert len(missed) <= told // 20, missed


@pytest.mark.oracle
def test_a_damaged_directory_is_told() -> None:
    data = bytearray(whimbrel(""))
    at = data.index(b"a-file-with-a-long-name-7")
    for place, byte in ((at, 0x2F), (at, 0x00), (at, 0x7F)):
        broken = bytearray(data)
        broken[place] = byte
        assert trouble(READER, bytes(broken)), byte


@pytest.mark.oracle
@pytest.mark.parametrize("options", ["", "-zlz4hc", "-zlz4 -Elegacy-compress"])
@given(st.integers(0, 1 << 17), st.binary(min_size=1, max_size=64))
def test_changed_bytes_give_facts_or_an_error(options: str, at: int, new: bytes) -> None:
    data = bytearray(whimbrel(options))
    at %= len(data)
    data[at : at + len(new)] = new
    try:
        facts = read(READER, bytes(data))
    except FormatError:
        return
    for file in facts.files or ():
        with contextlib.suppress(ImgauditError):
            open_file(View.of(bytes(data)), file).upto(0, 100)

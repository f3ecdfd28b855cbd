from __future__ import annotations

import gzip
import json
import struct
import zlib
from pathlib import Path

import pytest

from imgaudit.report import PLAIN, Style, render
from imgaudit.tasks.inspect import inspect
from imgaudit.tasks.sections import BROKEN, FOUND, PASS
from imgaudit.writers.fdt import Tree, fdt


def reported(paths: list[str], form: str, style: Style = PLAIN) -> tuple[str, int]:
    report = inspect(paths)
    return render(form, report, style), report.status


def test_a_file_and_what_is_in_it(tmp_path: Path) -> None:
    path = tmp_path / "a.gz"
    path.write_bytes(gzip.compress(b"hsqs" + bytes(92), mtime=0))
    report, status = reported([str(path)], "text", Style(width=200))
    assert status == PASS
    lines = report.splitlines()
    assert lines[0] == str(path)
    assert lines[2].startswith("  SHA-256 ")
    assert "    unpacks to 96 bytes" in lines
    assert "    unpacked, 96 bytes" in lines
    assert "      possibly Squashfs 4.0 file system" in lines


def uimage(data: bytes, *, wrong: int = 0) -> bytes:
    head = struct.pack(
        ">7I4B32s",
        0x27051956,
        0,
        0,
        len(data),
        0,
        0,
        zlib.crc32(data) ^ wrong,
        5,
        22,
        2,
        0,
        b"tide",
    )
    return head[:4] + struct.pack(">I", zlib.crc32(head)) + head[8:] + data


@pytest.mark.parametrize("wrong", [0, 1])
def test_checksums(tmp_path: Path, wrong: int) -> None:
    path = tmp_path / "kernel.img"
    path.write_bytes(uimage(b"tide" * 100, wrong=wrong))
    report, status = reported([str(path)], "text")
    assert status == (FOUND if wrong else PASS)
    assert report.count(": matches\n") == 2 - wrong
    assert report.count(": DOES NOT MATCH\n") == wrong


def test_damage_is_told_with_its_place(tmp_path: Path) -> None:
    path = tmp_path / "a.gz"
    stream = gzip.compress(b"tide" * 1000)
    path.write_bytes(stream[:30])
    report, status = reported([str(path)], "text")
    assert status == FOUND
    assert "stops at 0x1e:" in report
    assert "unpacks to at least " in report


def test_blank_unknown_and_unreadable(tmp_path: Path) -> None:
    (tmp_path / "blank").write_bytes(b"\xff" * 10)
    (tmp_path / "noise").write_bytes(b"tide")
    paths = [str(tmp_path / name) for name in ("blank", "noise", "gone")]
    report, status = reported(paths, "text", Style(width=200))
    assert status == BROKEN
    assert "  blank: every byte is 0xff" in report
    assert "  not recognised" in report
    assert report.endswith("gone cannot be opened: No such file or directory\n")


def test_json_says_the_same(tmp_path: Path) -> None:
    path = tmp_path / "a.gz"
    path.write_bytes(gzip.compress(gzip.compress(b"tide"))[:-3])
    report, status = reported([str(path), str(tmp_path)], "json")
    assert status == BROKEN
    value = json.loads(report)
    (artifact,) = value["artifacts"]
    assert artifact["verdict"] == "fail"
    content = artifact["content"]
    assert (content["format"], content["offset"], content["size"]) == ("gzip", 0, artifact["size"])
    assert content["unpacked"]["complete"] is False
    assert content["not-read"]["offset"] > 0
    (inner,) = content["contents"]
    assert (inner["offset"], inner["format"]) == (None, "gzip")
    assert value["unreadable"][0]["why"].endswith("is not a regular file")


def test_names_are_cleaned(tmp_path: Path) -> None:
    path = tmp_path / "a\x1b[31m\n.bin"
    path.write_bytes(b"tide")
    report, _ = reported([str(path)], "text", Style(width=200))
    assert "\x1b" not in report
    assert report.splitlines()[0].endswith(r"a\x1b[31m\x0a.bin")


def test_names_inside_are_cleaned(tmp_path: Path) -> None:
    """A FIT's names and hash algorithms are anybody's bytes."""
    path = tmp_path / "a.itb"
    evil = "k\x1b[2J\x07\u202e##vso[task.complete]"
    image: Tree = {"type": "kernel", "data": b"tide", "hash-1": {"algo": evil, "value": bytes(4)}}
    path.write_bytes(fdt({"images": {evil: image}, "configurations": {}}))
    shown, _ = reported([str(path)], "text", Style(width=200))
    assert "vso[" in shown
    assert not {"\x1b", "\x07", "\u202e"} & set(shown)
    assert "##vso[" not in shown

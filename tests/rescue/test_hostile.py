"""Hostile ramdisks end in a report within 5 s of work and 512 MiB, whatever is in them.

The time counted is the process' own, and doubled: machines differ, and have others to run.
"""

from __future__ import annotations

import gzip
import json
import lzma
import resource
import stat
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.formats._cpio import archive, folder, link, member, program, trailer

SECONDS, HANG = 5, 60
MEMORY = 512 << 20
SCRIPT = b"#!/bin/sh\n"
# `ru_maxrss` would count the memory of the process that started this one as well.
RUN = (
    "import sys\n"
    "from imgaudit.cli import main\n"
    "try:\n"
    "    main(sys.argv[1:])\n"
    "finally:\n"
    "    status = open('/proc/self/status').read()\n"
    "    print(status.partition('VmHWM:')[2].split()[0], file=sys.stderr)\n"
)


def bomb() -> bytes:
    return gzip.compress(archive(program("init", SCRIPT), member("tide", bytes(300 << 20))), 9)


def blank_bomb() -> bytes:
    return lzma.compress(bytes(300 << 20), check=lzma.CHECK_CRC32, preset=0)


def nested() -> bytes:
    data = bytes(200 << 20)
    for _ in range(12):
        data = gzip.compress(data)
    return data


def million() -> bytes:
    before, after = program("f0000000", SCRIPT).split(b"0000000\0")
    names = (b"%b%07d\0%b" % (before, number, after) for number in range(1_000_000))
    return gzip.compress(b"".join(names) + trailer(), 1)


def full_folder() -> bytes:
    return archive(folder("bin"), *(program(f"bin/f{number}", SCRIPT) for number in range(65_000)))


def long_name() -> bytes:
    one = bytearray(member("tide"))
    one[94:102] = b"ffffffff"
    return archive(program("init", SCRIPT), bytes(one))


def loops() -> bytes:
    count = 60_000
    ring = (link(f"bin/l{at}", f"/bin/l{(at + 1) % count}") for at in range(count))
    return archive(folder("bin"), *ring)


def deep() -> bytes:
    return archive(*(folder("/".join("d" * depth)) for depth in range(1, 2040)))


def absurd_elves() -> bytes:
    head = bytearray(b"\x7fELF\2\1\1".ljust(64, b"\0"))
    head[16:20] = b"\2\0\xb7\0"
    head[32:48] = (64).to_bytes(8, "little") * 2
    head[52:64] = b"\x40\0\x38\0\xff\xff\x40\0\xff\xff\1\0"
    elf = bytes(head) + bytes(100_000)
    return archive(folder("bin"), *(program(f"bin/e{number}", elf) for number in range(400)))


def control_characters() -> bytes:
    return archive(
        folder("bin"),
        link("init", "/bin/\x1b[31mx\r\n"),
        program("bin/\x1b]0;tide\x07", b"#!/\x1b[2J\n"),
        program("bin/sh", b"#!/\x1b[2J\x9b\n"),
        member("etc", b"", stat.S_IFDIR | 0o777),
    )


def segments() -> bytes:
    one = gzip.compress(trailer())
    return (one + bytes(-len(one) % 4)) * 5000


def mixed_segments() -> bytes:
    one = trailer() + lzma.compress(trailer(), check=lzma.CHECK_CRC32)
    return (one + bytes(-len(one) % 4)) * 2000


@pytest.mark.parametrize(
    "make",
    [
        bomb,
        blank_bomb,
        nested,
        million,
        full_folder,
        long_name,
        loops,
        deep,
        absurd_elves,
        control_characters,
        segments,
        mixed_segments,
    ],
)
def test_a_hostile_ramdisk_ends_in_a_report(make: Callable[[], bytes], tmp_path: Path) -> None:
    path, report = tmp_path / "rescue.img", tmp_path / "report.json"
    path.write_bytes(make())
    command = [sys.executable, "-c", RUN, "rescue", str(path), "--arch", "arm64"]

    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_CPU, (2 * SECONDS, 2 * SECONDS))

    for form in ("json", "text") if make is control_characters else ("json",):
        ended = subprocess.run(
            [*command, "--format", form, "--output", str(report)],
            check=False,
            capture_output=True,
            text=True,
            timeout=HANG,
            preexec_fn=limit,
        )
        assert ended.returncode in {1, 2}, ended.stderr
        assert "Traceback" not in ended.stderr
        assert int(ended.stderr.split()[-1]) << 10 < MEMORY
        text = report.read_text(encoding="utf-8")
        assert not any(ord(char) < 32 and char != "\n" for char in text)
        if form == "json":
            said = json.loads(text)
            assert said["findings"] or said["not-checked"]
            assert said["verdict"] in {"fail", "unknown"}

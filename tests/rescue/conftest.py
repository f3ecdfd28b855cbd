"""Real ramdisks, unpacked for the oracles: what runs there is compared with what was read."""

from __future__ import annotations

import gzip
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.rescue._ramdisk import INSTALLERS, QEMU

Chroot = Callable[[str], list[str]]


@pytest.fixture(scope="session")
def chroot() -> Iterator[Chroot]:
    """Give, by architecture, the command that runs a program inside Debian's installer."""
    with tempfile.TemporaryDirectory() as folder:
        made: dict[str, list[str]] = {}

        def command(arch: str) -> list[str]:
            if arch not in made:
                top = Path(folder, arch)
                top.mkdir()
                subprocess.run(
                    ["cpio", "-id", "--quiet", "-f", "lib/modules/*", "lib/firmware/*", "dev/*"],
                    input=gzip.decompress(INSTALLERS[arch].read_bytes()),
                    check=True,
                    cwd=top,
                )
                shutil.copy(QEMU[arch], top / "qemu")
                made[arch] = ["chroot", str(top), "/qemu"]
            return made[arch]

        yield command

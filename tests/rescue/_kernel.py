"""A packaged arm64 kernel under qemu: what it says while it starts small ramdisks."""

from __future__ import annotations

import re
import subprocess
from dataclasses import dataclass
from pathlib import Path

from imgaudit.rescue.first import First

KERNEL = Path("/usr/lib/debian-installer/images/12/arm64/text/debian-installer/arm64/linux")
# The kernel itself takes a second and a half; a busy machine may take long over it.
LIMIT = 60
_TRIED = re.compile(r"Run (\S+) as init process")
_FAILED = re.compile(
    r"(?:Failed to execute (\S+) \(error (-\d+)\)"
    r"|Starting init: (\S+) exists but couldn't execute it \(error (-\d+)\))"
)
_PANIC = re.compile(r"Kernel panic - not syncing: (.*)")
_IGNORED = re.compile(r"check access for rdinit|VFS: (?:Cannot open root device|Unable to mount)")


@dataclass(frozen=True)
class Log:
    """What the kernel tried, what it said of it, and its last word."""

    text: str

    @property
    def tried(self) -> list[str]:
        return _TRIED.findall(self.text)

    @property
    def errors(self) -> dict[str, int]:
        found = _FAILED.findall(self.text)
        return {one or other: int(code or second) for one, code, other, second in found}

    @property
    def panic(self) -> str:
        found = _PANIC.search(self.text)
        return found[1] if found else ""

    @property
    def ignored(self) -> bool:
        """Whether the kernel looked for a root file system instead."""
        return _IGNORED.search(self.text) is not None


def boot(ramdisk: bytes, folder: Path, arguments: str = "") -> Log:
    """Start the kernel with a ramdisk; it resets where it panics, which ends the machine."""
    path = folder / "ramdisk"
    path.write_bytes(ramdisk)
    command = ["qemu-system-aarch64", "-M", "virt", "-cpu", "cortex-a53", "-m", "256"]
    command += ["-nographic", "-no-reboot", "-net", "none", "-kernel", str(KERNEL)]
    command += ["-initrd", str(path), "-append", f"console=ttyAMA0 panic=-1 {arguments}"]
    done = subprocess.run(
        command, stdin=subprocess.DEVNULL, capture_output=True, timeout=LIMIT, check=True
    )
    return Log(done.stdout.decode("utf-8", "replace"))


def agree(first: First, log: Log) -> None:
    """Hold what we say of the first program against what the kernel said."""
    assert log.ignored == bool(first.ignored), log.text
    if first.ignored:
        return
    assert log.tried == [attempt.path for attempt in first.attempts], log.text
    # Of its own candidates the kernel passes over those that are not there without a word.
    told = {
        attempt.path: attempt.error
        for attempt in first.attempts
        if attempt.error and (attempt is first.meant or attempt.error != -2)
    }
    assert log.errors == told, log.text
    if first.reached is not None:
        # The small programs end with 0 as soon as they run.
        assert "exitcode=0x00000000" in log.panic, log.text
    else:
        assert first.panic.split("=0x")[0] in log.panic, log.text
        assert first.panic.rpartition("=")[2] in log.text

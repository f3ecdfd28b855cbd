"""A running U-Boot as oracle: Debian's u-boot-qemu, on qemu's `virt` machine, by its serial line.

The build is U-Boot 2023.01, with the old hush parser; its environment is in the second flash bank.
"""

from __future__ import annotations

import contextlib
import os
import re
import select
import socket
import subprocess
import tempfile
import time
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Self

from imgaudit.writers.env import environment

ENV_SIZE = 0x40000
"""CONFIG_ENV_SIZE of that build."""
FLASH = 64 << 20
"""Bytes of a flash bank of the machine."""
LONGEST = 500
"""CONFIG_SYS_CBSIZE is 512: characters of a line that is typed."""
_BUILDS = {
    "arm64": ("qemu-system-aarch64", "cortex-a57", "qemu_arm64"),
    "arm": ("qemu-system-arm", "cortex-a15", "qemu_arm"),
}
_DONE = re.compile(rb"@@(\d+)@@\r\n=> $")


class UBootError(Exception):
    """It does not answer."""


class UBoot:
    """One machine at its prompt."""

    def __init__(
        self,
        folder: Path,
        variables: Mapping[str, str],
        *,
        arch: str = "arm64",
        disks: Sequence[Path] = (),
        memory: int = 512,
        patience: float = 20,
    ) -> None:
        program, core, build = _BUILDS[arch]
        flash = folder / "environment.bin"
        _write_flash(flash, {"bootdelay": "-1", **variables})
        self._patience = patience
        self._line = folder / "serial"
        command = [
            *(program, "-M", "virt", "-cpu", core, "-m", str(memory), "-nic", "none"),
            *("-display", "none", "-monitor", "none"),
            *("-chardev", f"socket,id=line,path={self._line},server=on,wait=on"),
            *("-serial", "chardev:line", "-bios", f"/usr/lib/u-boot/{build}/u-boot.bin"),
            *("-drive", f"if=pflash,unit=1,format=raw,file={flash}"),
        ]
        for disk in disks:
            command += ["-drive", f"if=virtio,format=raw,readonly=on,file={disk}"]
        self._process = subprocess.Popen(
            command, stdin=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        try:
            self._socket = self._connect()
            self._await(re.compile(rb"\r\n=> $"))
        except BaseException:
            self.close()
            raise

    def _connect(self) -> socket.socket:
        end = time.monotonic() + self._patience
        while time.monotonic() < end:
            line = socket.socket(socket.AF_UNIX)
            with contextlib.suppress(FileNotFoundError, ConnectionRefusedError):
                line.connect(str(self._line))
                return line
            line.close()
            time.sleep(0.02)
        raise UBootError("the machine does not start")

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """End the machine."""
        self._process.kill()
        self._process.wait()
        if hasattr(self, "_socket"):
            self._socket.close()

    def _await(self, until: re.Pattern[bytes]) -> tuple[bytes, re.Match[bytes]]:
        """Read up to what is awaited at the end of all that came."""
        found = b""
        end = time.monotonic() + self._patience
        while time.monotonic() < end:
            ready, _, _ = select.select([self._socket], [], [], 0.2)
            if ready:
                piece = self._socket.recv(1 << 16)
                if not piece:
                    break
                found += piece
                if match := until.search(found[-200:]):
                    return found, match
        raise UBootError(f"no prompt; last was {found[-400:]!r}")

    def run(self, command: str) -> tuple[str, int]:
        """Type a line; gives what it printed and its status."""
        line = f"{command}; echo @@$?@@"
        if len(line) > LONGEST:
            raise ValueError(command)
        self._socket.sendall(line.encode() + b"\n")
        found, match = self._await(_DONE)
        # the line comes back as it is typed, then what it prints
        printed = found.partition(b"\n")[2]
        text = printed[: printed.rindex(b"@@" + match[1])].decode("utf-8", "backslashreplace")
        return text.replace("\r\n", "\n"), int(match[1])

    def leave(self, command: str, last: str) -> str:
        """Type a line that is not expected to come back; gives what came up to `last`."""
        self._socket.sendall(command.encode() + b"\n")
        found, _ = self._await(re.compile(re.escape(last).encode() + rb"|=> $"))
        return found.decode("utf-8", "backslashreplace")

    def variables(self, names: Sequence[str]) -> dict[str, str]:
        """Print variables; those that are not set are left out."""
        found: dict[str, str] = {}
        for first in range(0, len(names), 12):
            some = names[first : first + 12]
            text, _ = self.run(f"printenv {' '.join(some)}")
            found |= dict(_values(text, some))
        return found


def _values(text: str, names: Sequence[str]) -> Iterator[tuple[str, str]]:
    """Read what `printenv` prints; a value may have newlines in it."""
    heads = "|".join(map(re.escape, names))
    pattern = rf'^(?:({heads})=(.*?)|## Error: "[^"\n]*" not defined)\n(?=(?:{heads})=|## Error|\Z)'
    for match in re.finditer(pattern, text, re.DOTALL | re.MULTILINE):
        if match[1]:
            yield match[1], match[2]


def _write_flash(path: Path, variables: Mapping[str, str]) -> None:
    # U-Boot drops a backslash and keeps what it precedes (lib/hashtable.c)
    stored = {name: value.replace("\\", "\\\\") for name, value in variables.items()}
    path.write_bytes(environment(stored, ENV_SIZE, None))
    os.truncate(path, FLASH)


@contextlib.contextmanager
def started(
    variables: Mapping[str, str],
    *,
    arch: str = "arm64",
    disks: Sequence[Path] = (),
    memory: int = 512,
) -> Iterator[UBoot]:
    """Start a machine, and end it; `memory` is in MiB."""
    with (
        tempfile.TemporaryDirectory() as folder,
        UBoot(Path(folder), variables, arch=arch, disks=disks, memory=memory) as machine,
    ):
        yield machine

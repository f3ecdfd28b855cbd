"""Torn storage under a running U-Boot: what it starts is what the table of the demo says.

U-Boot (Debian's u-boot-qemu 2023.01) has no NOR of this board and no MMC: both chips are virtio
disks here, and the demo's scripts read them as such; nothing else of the scripts is changed.
"""

from __future__ import annotations

import random
import re
import subprocess
from dataclasses import dataclass
from pathlib import Path

import pytest

from imgaudit.contents.build import FolderStore
from imgaudit.contents.reader import Loader
from imgaudit.demo.board import whimbrel as inputs
from imgaudit.files import Folder
from imgaudit.layout.load import parse
from imgaudit.proof.cuts import Cut
from imgaudit.rules.subject import Subject, gather
from imgaudit.units import KIB, MIB
from tests.boot._uboot import started

pytestmark = pytest.mark.oracle

_BLOCK = 64 * KIB
# The other way round, so that what is torn is tried first and another start is left.
_FIRST = "run recovery || run main"
_UPDATES = f"""
updates:
  recovery: {{by: main, steps: [{{set: {{bootcmd: {_FIRST}}}}}, {{write: recovery}}]}}
  kernel: {{by: recovery, steps: [{{write: boot}}]}}
"""
_MODES = ("erased", "half written", "unstable")
_RECOVERY = [(block, mode) for block in (0, 1, 2, 9, 20, 26) for mode in _MODES]
# Bytes of the boot partition, or of the kernel in it, and how many of them are torn.
_BOOT = [
    ("start", 0, MIB),
    ("start", 0, 512),
    ("Image", 0, 512),
    ("Image", 0, _BLOCK),
    ("Image", 4 * KIB, 4 * KIB),
    ("Image", _BLOCK, _BLOCK),
    ("Image", MIB, _BLOCK),
    ("Image", MIB + 512, 512),
    ("Image", 2 * MIB, MIB),
    ("Image", 4 * MIB - 512, 512),
    ("whimbrel.dtb", 0, 512),
    ("whimbrel.dtb", 0, 4 * KIB),
]


@dataclass(frozen=True)
class Bench:
    """The demo's chips as files that may be torn, and its tables."""

    folder: Path
    subject: Subject
    scripts: dict[str, str]

    def cuts(self, update: str, target: str) -> list[Cut]:
        (walked,) = [one for one in self.subject.updates if one.update.name == update]
        return [cut for cut in walked.cuts if cut.step.target == target]

    def starts(self, chip: str, at: int, data: bytes, bootcmd: str) -> str:
        """Tear a chip, switch the board on, and name the system of which a kernel is started."""
        path = self.folder / f"{chip}.img"
        whole = _swapped(path, at, data)
        try:
            disks = [self.folder / "emmc.img", self.folder / "nor.img"]
            with started(self.scripts, disks=disks, memory=2048) as machine:
                machine.run("virtio scan")
                printed = machine.leave(bootcmd, "Starting kernel ...")
        finally:
            _swapped(path, at, whole)
        assert "Starting kernel ..." in printed, printed
        return str(re.findall(r"@(\w+)@", printed)[-1])


def _swapped(path: Path, at: int, data: bytes) -> bytes:
    """Put bytes into a file, and give those that were there."""
    with path.open("r+b") as file:
        file.seek(at)
        whole = file.read(len(data))
        file.seek(at)
        file.write(data)
    return whole


def _torn(whole: bytes, mode: str) -> bytes:
    """Give an erase block as a cut can leave it."""
    half = len(whole) // 2
    if mode == "erased":
        return b"\xff" * len(whole)
    if mode == "half written":
        return whole[:half] + b"\xff" * half
    noise = random.Random(len(whole)).randbytes(half)
    # an erase sets bits, some sooner than others
    return whole[:half] + bytes(a | b for a, b in zip(whole[half:], noise, strict=True))


def _on_virtio(scripts: dict[str, str]) -> dict[str, str]:
    """Read both chips from virtio disks, and say which system is being started."""
    found = {}
    for name, text in scripts.items():
        moved = text.replace("sf probe && sf read", "virtio dev 1 && virtio read")
        found[name] = moved.replace("load mmc", "load virtio").replace("mmc dev", "virtio dev")
    for name in ("recovery_offset", "recovery_size"):
        found[name] = f"{int(scripts[name], 0) // 512:#x}"
    for name in ("main", "recovery"):
        found[name] = f"echo @{name}@; {found[name]}"
    del found["bootdelay"]  # it waits at its prompt
    return found


@pytest.fixture(scope="module")
def bench(whimbrel: Path, tmp_path_factory: pytest.TempPathFactory) -> Bench:
    folder = tmp_path_factory.mktemp("torn")
    for name in ("emmc.img", "nor.img"):
        command = ["cp", "--sparse=always", str(whimbrel / name), str(folder)]
        subprocess.run(command, check=True)
    text = (whimbrel / "whimbrel.yaml").read_text()
    start, end = text.index("\n# What writes to the chips"), text.index("\n# The same map")
    layout = parse((text[:start] + _UPDATES + text[end:]).encode(), "whimbrel.yaml")
    with Loader() as loader:
        subject = gather(layout, FolderStore(Folder(str(whimbrel)), loader))
    return Bench(folder, subject, _on_virtio(dict(inputs(text).environment)))


@pytest.mark.parametrize(("block", "mode"), _RECOVERY)
def test_a_torn_fit_is_refused_and_the_script_goes_on(bench: Bench, block: int, mode: str) -> None:
    cuts = bench.cuts("recovery", "recovery")
    (cut,) = [one for one in cuts if one.blocks and one.blocks[0] <= block <= one.blocks[1]]
    layout = bench.subject.layout
    assert layout is not None
    at = layout.region("recovery").at + block * _BLOCK
    with (bench.folder / "nor.img").open("rb") as file:
        file.seek(at)
        whole = file.read(_BLOCK)
    found = bench.starts("nor", at, _torn(whole, mode), _FIRST)
    assert cut.starts == (found,) == ("main",)
    assert not cut.torn


@pytest.mark.parametrize(("file", "offset", "size"), _BOOT)
def test_a_torn_kernel_without_a_sum_is_started_or_not_found(
    bench: Bench, file: str, offset: int, size: int
) -> None:
    (cut,) = bench.cuts("kernel", "boot")
    layout = bench.subject.layout
    assert layout is not None
    region = layout.region("boot")
    content = bench.subject.placement("boot").payload
    assert content is not None
    inner = content if file == "start" else content.part(file)
    assert inner is not None
    at = region.at + offset + (0 if inner is content else inner.offset)
    found = bench.starts("emmc", at, b"\xa5" * size, "run main || run recovery")
    # either it is tried in vain, or what is torn is started
    assert (found, cut.torn) == ("main", "boot") or found in (cut.starts or ())
    whole_head = file == "Image" and offset > 0
    assert (found == "main") is whole_head

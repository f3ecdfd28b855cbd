"""Builds that once passed without a word: none may, and each is told for what it is.

The base is the demo's build without its chips' images, which would tell any change of an artifact.
"""

from __future__ import annotations

import gzip
import hashlib
import json
import random
import re
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from imgaudit.contents.build import FolderStore
from imgaudit.contents.reader import Loader
from imgaudit.files import Folder
from imgaudit.formats import fit
from imgaudit.formats.view import View
from imgaudit.layout.load import load
from imgaudit.rules.subject import gather
from imgaudit.tasks import audit
from imgaudit.tasks.audit import Result, Verdict
from imgaudit.tasks.readback import compare
from imgaudit.tasks.seal import seal
from imgaudit.units import KIB, MIB
from imgaudit.writers.fit import Payload
from imgaudit.writers.fit import fit as write_fit

Tamper = Callable[[Path], None]
Told = set[str]


def noise(size: int) -> bytes:
    return random.Random(7).randbytes(size)


def edited(folder: Path, *changes: tuple[str, str]) -> None:
    """Change the layout; each pattern must be there."""
    path = folder / "whimbrel.yaml"
    text = path.read_text()
    for pattern, new in changes:
        text, count = re.subn(pattern, new, text)
        assert count, pattern
    path.write_text(text)


def over(name: str, start: int, size: int) -> Tamper:
    def tamper(folder: Path) -> None:
        with (folder / name).open("r+b") as file:
            file.seek(start)
            file.write(noise(size))

    return tamper


def packed(name: str) -> Tamper:
    def tamper(folder: Path) -> None:
        path = folder / name
        path.write_bytes(gzip.compress(path.read_bytes(), 1))

    return tamper


def layout(*changes: tuple[str, str]) -> Tamper:
    return lambda folder: edited(folder, *changes)


def put(*words: str) -> Tamper:
    """Change the recovery's FIT by fdtput."""

    def tamper(folder: Path) -> None:
        path = str(folder / "recovery.itb")
        subprocess.run(["fdtput", *words[:2], path, *words[2:]], check=True)

    return tamper


def signed_with_noise(folder: Path) -> None:
    node = "/configurations/conf-1/signature-1"
    put("-c", "-p", node)(folder)
    put("-t", "s", node, "algo", "sha256,rsa2048")(folder)
    put("-t", "s", node, "key-name-hint", "release")(folder)
    put("-t", "s", node, "sign-images", "kernel", "fdt", "ramdisk")(folder)
    put("-t", "bx", node, "value", *noise(256).hex(" ").split())(folder)


def crowded(folder: Path) -> None:
    """Put 600 small images before all others, each with its hash, and noise for the kernel."""
    path = folder / "recovery.itb"
    view = View.of(path.read_bytes())
    facts = fit.READER.read(view)
    assert isinstance(facts, fit.FitFacts)
    payloads = {
        f"spare-{number}": Payload(description="x", type="firmware", data=number.to_bytes(8))
        for number in range(600)
    }
    for image in facts.images:
        data = view.bytes(image.data_offset or 0, image.data_size or 0)
        payloads[image.name] = Payload(
            description=image.description or "",
            type=image.type or "",
            data=noise(len(data)) if image.type == "kernel" else data,
            compression=image.compression or "none",
            os=image.os,
            load=image.load,
            entry=image.entry,
        )
    chosen = {"description": "x", "kernel": "kernel-1", "fdt": "fdt-1", "ramdisk": "ramdisk-1"}
    path.write_bytes(write_fit("x", 1, payloads, "conf-1", {"conf-1": chosen}))


def _fip_noise(folder: Path) -> None:
    (folder / "fip.bin").write_bytes(noise(400 * KIB))
    edited(folder, ("    holds: fip\n", "    holds: raw\n"))


def behind(name: str) -> Tamper:
    def tamper(folder: Path) -> None:
        with (folder / name).open("ab") as file:
            file.write(noise(4096))

    return tamper


def gone(folder: Path) -> None:
    for path in folder.iterdir():
        if path.suffix in {".bin", ".itb", ".vfat", ".ext4"}:
            path.unlink()
    edited(
        folder, ("  fail-on: error\n", "  fail-on: error\n  severity: {artifact-missing: note}\n")
    )


def _root_as_raw(folder: Path) -> None:
    over("rootfs-a.ext4", 0, 64 * MIB)(folder)
    edited(folder, ("holds: ext4\n    file: rootfs-a", "holds: raw\n    file: rootfs-a"))


def _journal(folder: Path) -> None:
    """Write noise from 1 MiB on over 2 MiB of slot A's root, where its journal begins."""
    over("rootfs-a.ext4", 1 * MIB, 2 * MIB)(folder)
    path = folder / "rootfs-a.ext4"
    data = bytearray(path.read_bytes())
    at = data.index(b"\xc0\x3b\x39\x98") if b"\xc0\x3b\x39\x98" in data else 0
    data[at : at + 1024] = noise(1024)
    path.write_bytes(data)


UNSEEN = (
    (r"(?s)\nupdates:.*?(?=\n# The same)", "\n"),
    (r"(?s)\nstages:.*?(?=\n# The same)", "\n"),
    (r"    - update: firmware\n.*\n.*\n", ""),
)
TAMPERS: dict[str, tuple[Tamper, Told]] = {
    "noise over the kernel and the tree": (
        over("boot.vfat", 200 * KIB, 8 * MIB),
        {"stage-does-not-start env-a"},
    ),
    "noise over slot A's root": (
        over("rootfs-a.ext4", 4096, 8 * MIB),
        {"filesystem-damaged rootfs-a", "main unproven"},
    ),
    "noise over all of slot A's root": (
        over("rootfs-a.ext4", 0, 64 * MIB),
        {"artifact-not-what-it-claims rootfs-a", "rootfs-a unseen"},
    ),
    "noise over the journal of slot A's root": (_journal, {"filesystem-damaged rootfs-a"}),
    "noise over all of the data": (
        over("data.ext4", 0, 32 * MIB),
        {"artifact-not-what-it-claims data", "data unseen"},
    ),
    "noise in the FIP's bodies": (
        over("fip.bin", 4 * KIB, 516 * KIB + 704),
        {"firmware size only"},
    ),
    "the FIP as raw noise": (_fip_noise, {"firmware size only"}),
    "the FIP packed": (packed("fip.bin"), {"packed-where-read-raw firmware"}),
    "the FIT packed": (packed("recovery.itb"), {"packed-where-read-raw recovery"}),
    "the tree packed": (packed("whimbrel.dtb"), {"packed-where-read-raw devicetree"}),
    "the environment packed": (packed("uboot.env"), {"packed-where-read-raw env-a"}),
    "no file for the firmware": (layout((r"    file: fip.bin\n", "")), {"firmware unseen"}),
    "no file for env-a": (layout((r"    file: uboot.env\n", "")), {"env-a unseen"}),
    "no file for slot A's root": (
        layout((r"    file: rootfs-a.ext4\n", "")),
        {"rootfs-a unseen", "main unproven"},
    ),
    "no stages": (layout(*UNSEEN), {"none unproven"}),
    "no entry": (layout((r"    entry: bootcmd\n", "")), {"main unproven"}),
    "no entry of the recovery": (
        layout((r"    entry: recovery .*\n", "")),
        {"recovery unproven"},
    ),
    "no ramdisk": (layout((r"    ramdisk: recovery .*\n", "")), {"recovery needs unseen"}),
    "the root as raw noise": (_root_as_raw, {"stage-does-not-start env-a", "rootfs-a size only"}),
    "a hash of no bytes": (
        put("-t", "bx", "/images/kernel-1/hash-1", "value"),
        {"fit-hash-mismatch recovery"},
    ),
    "a signature of noise": (signed_with_noise, {"signature-that-nothing-verifies recovery"}),
    "600 images before the others": (crowded, {"recovery unproven"}),
    "noise behind the FIT": (behind("recovery.itb"), {"data-behind-the-end recovery"}),
    "noise behind the FIP": (behind("fip.bin"), {"data-behind-the-end firmware"}),
    "noise behind the tree": (behind("whimbrel.dtb"), {"data-behind-the-end devicetree"}),
    "noise behind the environment": (behind("uboot.env"), {"env-a unseen"}),
    "artifacts that are not there": (gone, {"firmware unseen", "main unproven"}),
}


@pytest.fixture
def folder(whimbrel: Path, tmp_path: Path) -> Path:
    for path in whimbrel.iterdir():
        if path.suffix != ".img":
            shutil.copy(path, tmp_path)
    edited(tmp_path, (r"(?m)^    image: .*\n", ""))
    return tmp_path


def told(result: Result) -> Told:
    """Give what an audit says aloud: findings by region, and what the ledger leaves open."""
    found = {f"{item.rule.name} {item.region}" for item in result.findings if item.counts}
    open_ = {f"{item.line.name} {item.line.state}" for item in result.coverage if item.open}
    return found | open_


def judged(folder: Path) -> Result:
    found = load(str(folder / "whimbrel.yaml"))
    with Loader() as loader:
        return audit.run(gather(found, FolderStore(Folder(str(folder)), loader)))


def test_the_build_itself_says_nothing(folder: Path) -> None:
    result = judged(folder)
    assert (result.verdict, told(result)) == (Verdict.PASSED, set())


@pytest.mark.parametrize("name", TAMPERS)
def test_it_is_told(name: str, folder: Path) -> None:
    tamper, expected = TAMPERS[name]
    tamper(folder)
    result = judged(folder)
    assert expected <= told(result)
    assert result.verdict is not Verdict.PASSED or "nothing-verifies" in str(expected)


def _no_payloads(manifest: dict[str, Any]) -> None:
    for region in manifest["regions"]:
        region["payload"] = None


def _no_bytes(manifest: dict[str, Any]) -> None:
    for region in manifest["regions"]:
        if region["payload"] is not None:
            region["payload"] |= {
                "size": 0,
                "sha256": hashlib.sha256(b"").hexdigest(),
                "data-sha256": hashlib.sha256(bytes(8)).hexdigest(),
            }


def _no_regions(manifest: dict[str, Any]) -> None:
    manifest["regions"] = []


@pytest.mark.parametrize("dump", [b"\xff" * 16 * MIB, noise(16 * MIB)], ids=["blank", "noise"])
@pytest.mark.parametrize("empty", [_no_payloads, _no_bytes, _no_regions])
def test_a_manifest_of_nothing_holds_no_dump(
    empty: Callable[[dict[str, Any]], None], dump: bytes, whimbrel: Path, tmp_path: Path
) -> None:
    layout = whimbrel / "whimbrel.yaml"
    sealed = json.loads(seal(str(layout), str(whimbrel)).document or "")
    empty(sealed)
    (tmp_path / "manifest.json").write_text(json.dumps(sealed))
    (tmp_path / "nor.bin").write_bytes(dump)
    result = compare(
        str(layout), {"nor": str(tmp_path / "nor.bin")}, manifest=str(tmp_path / "manifest.json")
    )
    assert result.verdict is not Verdict.PASSED
    assert {"firmware", "recovery"} <= {item.partition(" ")[0] for item in told(result)}

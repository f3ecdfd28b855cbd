"""Damaged artifacts end in a report; where a checksum covers the damage, in a finding."""

from __future__ import annotations

import os
import random
import subprocess
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager
from dataclasses import fields, is_dataclass
from pathlib import Path

import pytest

from imgaudit.contents import reader
from imgaudit.contents.build import FolderStore
from imgaudit.contents.reader import Loader
from imgaudit.contents.slices import Slices
from imgaudit.contents.tree import Artifact, Content
from imgaudit.demo.build import build
from imgaudit.files import Folder
from imgaudit.formats.facts import Facts
from imgaudit.formats.view import FileSource, View
from imgaudit.layout.load import load
from imgaudit.model import Layout
from imgaudit.report import render
from imgaudit.rules.engine import Finding, Severity
from imgaudit.rules.subject import Subject, gather
from imgaudit.tasks import audit, board
from imgaudit.tasks.audit import Result
from imgaudit.units import KIB, MIB, Span
from tests._bombs import BOMBS
from tests.formats._pieces import text as plain_text
from tests.formats._pieces import tool

LONG = os.environ.get("HYPOTHESIS_PROFILE") == "long"
SEED = 20260706
NAMES = (
    "boot.vfat",
    "data.ext4",
    "emmc.img",
    "fip.bin",
    "nor.img",
    "recovery.itb",
    "rootfs-a.ext4",
    "uboot-redundant.env",
    "uboot.env",
    "whimbrel.dtb",
)
# Of each artifact: how many of its boundaries are cut at, how many single bytes are changed.
CUTS, BYTES = (1500, 800) if LONG else (10, 12)


class Bench:
    """The sound build, read once; one artifact at a time is replaced by a damaged one."""

    def __init__(self, folder: Path, scratch: Path, loader: Loader) -> None:
        self.loader = loader
        self.layout: Layout = load(str(next(folder.glob("*.yaml"))))
        self.folder = folder
        self.scratch = scratch
        self._sound = FolderStore(Folder(str(folder)), loader)
        self._damaged = FolderStore(Folder(str(scratch)), loader)
        self._read: dict[str, tuple[Artifact, int]] = {}
        self.clean = {_key(finding) for finding in self._audited(None).findings}

    def find(self, pattern: str) -> str:
        return self._sound.find(pattern)

    def has(self, path: str) -> bool:
        return self._sound.has(path)

    def begin(
        self, path: str, *, expects: str | None, emmc: bool, slices: Slices | None = None
    ) -> tuple[Callable[[], Artifact], int]:
        if path == self.replaced:
            return self._damaged.begin(path, expects=expects, emmc=emmc, slices=slices)
        if path not in self._read:
            finish, size = self._sound.begin(path, expects=expects, emmc=emmc, slices=slices)
            self._read[path] = finish(), size
        artifact, size = self._read[path]
        return lambda: artifact, size

    def view(self, path: str) -> AbstractContextManager[View]:
        return (self._damaged if path == self.replaced else self._sound).view(path)

    def artifact(self, name: str) -> Artifact:
        return self._read[name][0]

    def _audited(self, replaced: str | None) -> Result:
        self.replaced = replaced
        return audit.run(gather(self.layout, self))

    def new_findings(self, name: str) -> list[str]:
        """Audit with the scratch folder's file of this name; give what only that build has."""
        result = self._audited(name)
        for form in ("json", "text"):
            assert render(form, board.audit(result))
        return [
            finding.rule.name
            for finding in result.findings
            if finding.severity is not Severity.NOTE
            and _key(finding) not in self.clean
            and name in {finding.artifact, self._file_of(finding.region)}
        ]

    def _file_of(self, region: str | None) -> str | None:
        return next((item.file for item in self.layout.regions if item.name == region), None)

    def inspect(self, name: str) -> None:
        artifact = self.loader.file(str(self.scratch / name))
        assert render("json", board.audit(alone(artifact)))


def _key(finding: Finding) -> tuple[str, str | None, str]:
    return finding.rule.name, finding.artifact, finding.message


def alone(artifact: Artifact) -> Result:
    subject = Subject(layout=None, others={artifact.path: artifact})
    return audit.run(subject, fail_on=Severity.ERROR)


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    folder = build(tmp_path_factory.mktemp("sound")).parent
    with pytest.MonkeyPatch.context() as patch, Loader() as loader:
        # The file systems are read in place as larger ones are: of their holes nothing.
        patch.setattr(reader, "IN_MEMORY", 20 * MIB)
        yield Bench(folder, tmp_path_factory.mktemp("damaged"), loader)


def scratch_copy(bench: Bench, name: str) -> Path:
    path = bench.scratch / name
    copied = ["cp", "--sparse=always", str(bench.folder / name), str(path)]
    subprocess.run(copied, check=True)
    return path


def spread(numbers: list[int], count: int) -> list[int]:
    """Give `count` of the numbers, the first and the last among them, evenly between."""
    if len(numbers) <= count:
        return numbers
    return [numbers[round(index * (len(numbers) - 1) / (count - 1))] for index in range(count)]


def covered(content: Content, base: int = 0) -> Iterator[Span]:
    """Give the spans of the stored bytes that a checksum covers, and the checksums themselves."""
    for checksum in content.facts.checksums if content.facts else ():
        if checksum.matches:
            yield Span(base + checksum.covers.start, base + checksum.covers.end)
            yield Span.sized(base + checksum.offset, len(checksum.stored) // 2)
    for child in content.children:
        if child.offset >= 0:
            yield from covered(child, base + child.offset)


def offsets(value: object) -> Iterator[int]:
    """Give every offset that facts and the records inside them name."""
    if isinstance(value, Mapping):
        for inner in value.values():
            yield from offsets(inner)
    elif isinstance(value, tuple | list):
        for inner in value:
            yield from offsets(inner)
    elif is_dataclass(value):
        named = getattr(value, "offset", None)
        if isinstance(named, int):
            yield named
        places = getattr(value, "offsets", None)
        if isinstance(places, Mapping):
            yield from (place for place in places.values() if isinstance(place, int))
        for field in fields(value):
            yield from offsets(getattr(value, field.name))


def boundaries(content: Content, base: int = 0) -> Iterator[int]:
    """Give where each structure of a content starts or ends, from the start of the artifact."""
    yield base
    yield base + content.size
    facts = content.facts
    if isinstance(facts, Facts):
        places = list(offsets(facts))
        places += [facts.length] if facts.length is not None else []
        for part in facts.parts():
            places += [part.offset, part.offset + part.size]
        for checksum in facts.checksums:
            places += [checksum.offset, checksum.covers.start, checksum.covers.end]
        yield from (base + place for place in places if 0 <= place <= content.size)
    for child in content.children:
        if child.offset >= 0:
            yield from boundaries(child, base + child.offset)


def cuts(bench: Bench, name: str) -> list[int]:
    """Give the lengths to cut to, the longest first."""
    artifact = bench.artifact(name)
    edges = {place for edge in boundaries(artifact.content) for place in (edge - 1, edge, edge + 1)}
    steps = list(range(0, artifact.size, 4 * KIB))
    known = sorted(edge for edge in edges if 0 <= edge < artifact.size)
    return sorted({0, *spread(known, CUTS), *spread(steps, CUTS // 2)}, reverse=True)


@pytest.mark.parametrize("name", NAMES)
def test_a_cut_artifact_ends_in_a_report(bench: Bench, name: str) -> None:
    path = scratch_copy(bench, name)
    spans = list(covered(bench.artifact(name).content))
    for size in cuts(bench, name):
        os.truncate(path, size)
        found = bench.new_findings(name)
        bench.inspect(name)
        lost = [span for span in spans if span.end > size]
        assert found or not lost, f"{name} cut to {size:#x}: nothing said about {lost[0]}"


def places(bench: Bench, name: str) -> list[int]:
    """Give the bytes to change: half anywhere that is stored, half near a structure."""
    artifact = bench.artifact(name)
    dice = random.Random(f"{SEED} {name}")
    with (bench.folder / name).open("rb") as file:
        stored = list(FileSource(file.fileno(), artifact.size).data())
    weights = [span.size for span in stored]
    count = BYTES // 2
    picked = dice.choices(stored, weights, k=count)
    anywhere = [dice.randrange(span.start, span.end) for span in picked]
    edges = sorted({edge for edge in boundaries(artifact.content) if edge < artifact.size})
    near = [dice.choice(edges) + dice.randrange(16) for _ in range(count)]
    return [place for place in anywhere + near if place < artifact.size]


@pytest.mark.parametrize("name", NAMES)
def test_a_changed_byte_ends_in_a_report(bench: Bench, name: str) -> None:
    path = scratch_copy(bench, name)
    spans = list(covered(bench.artifact(name).content))
    dice = random.Random(SEED)
    with path.open("r+b", buffering=0) as file:
        for number, place in enumerate(places(bench, name)):
            old = os.pread(file.fileno(), 1, place)
            os.pwrite(file.fileno(), bytes([old[0] ^ dice.randrange(1, 256)]), place)
            found = bench.new_findings(name)
            if number % 4 == 0:
                bench.inspect(name)
            os.pwrite(file.fileno(), old, place)
            guards = [span for span in spans if span.start <= place < span.end]
            assert found or not guards, f"{name} changed at {place:#x}: {guards[0]} covers it"


STREAMS = {
    "bzip2 -c": 0,
    # RFC 1952: without FHCRC nothing covers the first ten bytes.
    "gzip -nc": 10,
    "xz -c --check=crc32": 0,
    "xz -c --check=crc64": 0,
    "xz -c --check=sha256": 0,
    # RFC 8878: the checksum is that of the content, not of the frame's header.
    "zstd -c --check": 6,
}


@pytest.mark.oracle
@pytest.mark.parametrize("command", STREAMS)
def test_a_changed_byte_of_a_checked_stream_is_found(command: str) -> None:
    data = tool(command, plain_text(64 * KIB))
    dice = random.Random(SEED)
    first = STREAMS[command]
    count = BYTES * 2
    for place in [*range(first, first + 32), *dice.choices(range(first, len(data)), k=count)]:
        changed = bytearray(data)
        changed[place] ^= dice.randrange(1, 256)
        with Loader() as loader:
            result = alone(loader.memory("stream", bytes(changed)))
        unknown = result.subject.others["stream"].content.format is None
        assert result.findings or unknown, f"{command}: nothing said of {place:#x}"


FILE_SYSTEMS = {
    "erofs": "mkfs.erofs -E^inline_data {image} {folder}",
    "ext4": "mke2fs -q -t ext4 -O metadata_csum -d {folder} {image} 8M",
    "f2fs": "mkfs.f2fs -q -O sb_checksum -O extra_attr {image}",
}


@pytest.mark.oracle
@pytest.mark.parametrize("name", FILE_SYSTEMS)
def test_a_changed_byte_of_a_superblock_is_found(name: str, tmp_path: Path) -> None:
    folder = tmp_path / "root"
    folder.mkdir()
    (folder / "readings").write_bytes(plain_text(8 * KIB))
    image = tmp_path / "image"
    with image.open("wb") as file:
        # mkfs.f2fs refuses less than it needs for its own areas.
        file.truncate(64 * MIB if name == "f2fs" else 8 * MIB)
    command = FILE_SYSTEMS[name].format(image=image, folder=folder)
    subprocess.run(command.split(), check=True, capture_output=True)
    dice = random.Random(SEED)
    with Loader() as loader, image.open("r+b", buffering=0) as file:
        clean = loader.file(str(image)).content
        spans = list(covered(clean))
        assert clean.format == name
        assert spans
        for place in (dice.randrange(span.start, span.end) for span in spans for _ in range(8)):
            old = os.pread(file.fileno(), 1, place)
            os.pwrite(file.fileno(), bytes([old[0] ^ dice.randrange(1, 256)]), place)
            result = alone(loader.file(str(image)))
            os.pwrite(file.fileno(), old, place)
            known = next(iter(result.subject.others.values())).content.format == name
            assert result.findings or not known, f"{name}: nothing said of {place:#x}"


@pytest.mark.parametrize("name", BOMBS)
def test_a_bomb_costs_little(name: str, tmp_path: Path) -> None:
    (tmp_path / name).write_bytes(BOMBS[name]())
    command = [sys.executable, "-m", "tests._confined", str(tmp_path), name]
    # The time is only a guard against a hang.
    ran = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert ran.returncode == 0, ran.stderr
    assert int(ran.stdout) < 512 * MIB


def test_many_bombs_cost_no_more_than_one(tmp_path: Path) -> None:
    names = ("gzip", "many-ramdisks", "xz", "disk")
    for name in names:
        (tmp_path / name).write_bytes(BOMBS[name]())
    command = [sys.executable, "-m", "tests._confined", str(tmp_path), *names]
    ran = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    assert ran.returncode == 0, ran.stderr
    assert int(ran.stdout) < 512 * MIB

"""A region's content may be a file, or lie in the chip's image: nothing else follows from that."""

from __future__ import annotations

import subprocess
from dataclasses import replace
from pathlib import Path

import pytest

from imgaudit.contents.build import FolderStore, read
from imgaudit.contents.reader import Loader
from imgaudit.demo.build import build
from imgaudit.files import Folder
from imgaudit.formats.guid import partition_type
from imgaudit.layout.load import load
from imgaudit.model import Chip, Layout
from imgaudit.release.dumps import opened, regions_only
from imgaudit.release.manifest import Manifest
from imgaudit.release.seal import seal
from imgaudit.rules.engine import Finding
from imgaudit.rules.subject import Subject, gather
from imgaudit.tasks import audit, readback
from tests.layout._boards import EXAMPLES, LAYOUTS, into, run
from tests.layout.test_examples import FAULTS

pytestmark = pytest.mark.oracle
# The loader of that card is two programs behind each other: its image does not tell where it ends.
_FEW = 4  # of each board's faults
_ENDLESS = {("sd-mbr-loader", "loader")}


@pytest.fixture(scope="module", params=["whimbrel", *EXAMPLES])
def board(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> tuple[str, Layout, Path]:
    folder = tmp_path_factory.mktemp(request.param) / "build"
    folder.mkdir()
    name: str = request.param
    build(folder) if name == "whimbrel" else EXAMPLES[name](folder)
    return name, load(str(LAYOUTS / f"{name}.yaml")), folder


def table(layout: Layout, chip: Chip) -> str:
    rows = ["label: gpt", "first-lba: 34"]
    rows += [
        f"start={it.at // 512}, size={it.size // 512}, name={it.label},"
        f" type={partition_type(it.type or 'linux-data')}"
        for it in layout.regions_on(chip.name)
        if it.partition
    ]
    return "\n".join(rows) + "\n"


def assembled(layout: Layout, folder: Path, target: Path) -> Layout:
    """Put all files into images of the chips; give the layout that names nothing but these."""
    run("cp", "-r", "--sparse=always", folder, target)
    chips = dict(layout.chips)
    for name, chip in layout.chips.items():
        mine = [it for it in layout.regions_on(name) if it.file is not None]
        if not mine and chip.image is None:
            continue
        image = target / (chip.image or f"{name}.bin")
        if not image.exists():
            with image.open("wb") as file:
                file.write(b"\xff" * chip.size if chip.kind.mtd else b"")
                file.truncate(chip.size)
            if chip.table == "gpt":
                run("sfdisk", "-q", image, text=table(layout, chip))
        for region in mine:
            (path,) = folder.glob(region.file or "")
            data = path.read_bytes()
            if path.suffix == ".zst":
                data = subprocess.run(
                    ["zstd", "-dcq", path], check=True, capture_output=True
                ).stdout
            into(image, region.at + region.file_at, data)
        parts = tuple(replace(part, image=image.name) for part in chip.parts)
        chips[name] = replace(chip, image=image.name, parts=parts)
    regions = tuple(
        it if layout.area(it.area).chip.kind.sectors and "/" in it.area else replace(it, file=None)
        for it in layout.regions
    )
    return replace(layout, chips=chips, regions=regions)


def gathered(layout: Layout, folder: Path) -> Subject:
    with Loader() as reading:
        return gather(layout, FolderStore(Folder(str(folder)), reading))


def told(subject: Subject, layout: Layout) -> tuple[set[object], set[object], list[object]]:
    """Give what is found, what is proven and by what, and what is left open.

    A fault of a file that goes to two regions is told once, of what is in both of them twice.
    """
    files = {it.name: it.file or it.name for it in layout.regions}

    def seen(item: Finding) -> object:
        return item.rule.name, files.get(item.region or "")

    result = audit.run(subject)
    found = {seen(it) for it in result.findings if not it.rule.name.startswith("chip-image")}
    proofs: set[object] = {
        (it.name, it.verdict, tuple((link.role, link.region) for link in it.chain))
        for it in subject.proofs
    }
    return found, proofs, [(it.line.kind, it.line.name, it.open) for it in result.coverage]


def sealed(layout: Layout, folder: Path) -> Manifest:
    with Loader(full_digests=True) as reading:
        return seal(read(regions_only(layout), FolderStore(Folder(str(folder)), reading)))


def test_files_or_images_are_one_to_audit_proof_seal_and_readback(
    board: tuple[str, Layout, Path], tmp_path: Path
) -> None:
    name, layout, folder = board
    images = assembled(layout, folder, tmp_path / "images")
    mine, other = gathered(layout, folder), gathered(images, tmp_path / "images")
    assert told(other, layout) == told(mine, layout)
    manifests = [sealed(layout, folder), sealed(images, tmp_path / "images")]
    first, second = (
        {
            it.name: it.payload and (it.payload.size, it.payload.used)
            for it in manifest.regions
            if (name, it.name) not in _ENDLESS
        }
        for manifest in manifests
    )
    assert first == second
    dumps = {
        key: str(tmp_path / "images" / it.image) for key, it in images.chips.items() if it.image
    }
    for against in manifests:
        with opened(layout, dumps) as found:
            assert readback.run(layout, found, against).findings == ()
    for one, there in ((layout, folder), (images, tmp_path / "images")):
        with opened(one, dumps) as found, Loader() as reading:
            store = FolderStore(Folder(str(there)), reading)
            assert readback.run(one, found, store).findings == ()


def test_a_fault_is_the_same_in_a_file_and_in_an_image(
    board: tuple[str, Layout, Path], tmp_path: Path
) -> None:
    """Those that leave the files as long as they are: no image tells what was too much of it."""
    name, layout, folder = board
    sizes = {path.name: path.stat().st_size for path in folder.iterdir()}
    compared = 0
    for number, (what, damage, _) in enumerate(FAULTS.get(name, ())):
        broken, target = tmp_path / f"{number}", tmp_path / f"{number}-images"
        run("cp", "-r", "--sparse=always", folder, broken)
        damage(broken)
        if {path.name: path.stat().st_size for path in broken.iterdir()} != sizes:
            continue
        images = assembled(layout, broken, target)
        found, wanted = gathered(images, target), gathered(layout, broken)
        assert told(found, layout)[:2] == told(wanted, layout)[:2], what
        run("rm", "-rf", broken, target)
        compared += 1
        if compared == _FEW:
            break
    assert compared == _FEW or name == "whimbrel"

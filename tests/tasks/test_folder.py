"""A layout drafted from a whole build folder: it audits, whatever the files are called."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from imgaudit import bounds
from imgaudit.boot import stage
from imgaudit.cli import main
from imgaudit.contents.build import FolderStore
from imgaudit.contents.reader import Loader
from imgaudit.demo.build import build
from imgaudit.errors import AuditError
from imgaudit.files import ArtifactError, Folder
from imgaudit.layout.load import load, parse
from imgaudit.model import Layout
from imgaudit.rules.engine import Finding, Severity
from imgaudit.rules.subject import gather
from imgaudit.tasks import audit
from imgaudit.tasks import items as items_module
from imgaudit.tasks.folder import draft_folder
from tests._drafts import filled
from tests.layout._boards import relay

# Debian's debian-installer-12-netboot-armhf and u-boot-qemu.
PACKAGED = Path("/usr/lib/debian-installer/images/12/armhf/text/debian-installer/armhf")
U_BOOT = Path("/usr/lib/u-boot/qemu_arm/u-boot.bin")


@pytest.fixture(scope="module")
def whimbrel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("whimbrel")
    build(folder)
    (folder / "whimbrel.yaml").rename(folder.parent / "whimbrel.yaml")
    return folder


def copied(source: Path, target: Path, names: dict[str, str]) -> Path:
    target.mkdir()
    for name, new in names.items():
        subprocess.run(["cp", "--sparse=always", source / name, target / new], check=True)
    return target


def audited(text: str, folder: Path) -> audit.Result:
    layout = parse(text.encode(), "draft.yaml")
    with Loader() as loader:
        return audit.run(gather(layout, FolderStore(Folder(str(folder)), loader)))


def errors(text: str, folder: Path) -> list[Finding]:
    return [it for it in audited(text, folder).findings if it.severity is Severity.ERROR]


def map_of(layout: Layout) -> list[tuple[str, str, int, int, str, int | None]]:
    return [
        (item.label, item.area, item.at, item.size, item.holds, item.partition)
        for item in layout.regions
    ]


@pytest.mark.parametrize("more", [0, 1])
def test_files_that_are_too_many_are_said(whimbrel: Path, tmp_path: Path, more: int) -> None:
    target = copied(whimbrel, tmp_path / "out", {"whimbrel.dtb": "board.dtb"})
    for number in range(399 + more):
        (target / f"z{number:03}").write_bytes(b"example")
    text = draft_folder(str(target)).text
    assert ("not looked at: 1 file beyond 400" in text) == bool(more)


def test_a_file_that_changes_while_it_is_read_is_said(
    whimbrel: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = copied(whimbrel, tmp_path / "out", {"whimbrel.dtb": "board.dtb"})
    (target / "moving.bin").write_bytes(b"example")
    whole = items_module.folder_reading

    def reading(folder: Folder, loader: Loader, name: str, *, keep: bool) -> object:
        if name == "moving.bin":
            raise ArtifactError(f"{name} changed while it was read")
        return whole(folder, loader, name, keep=keep)

    monkeypatch.setattr(items_module, "folder_reading", reading)
    text = draft_folder(str(target)).text
    assert "not looked at: moving.bin changed while it was read" in text


def drafted(folder: Path) -> tuple[str, Layout]:
    result = draft_folder(str(folder))
    assert result.conflicts == ()
    return result.text, parse(result.text.encode(), "draft.yaml")


def test_a_sound_build_drafts_and_audits_without_an_error(whimbrel: Path) -> None:
    text, layout = drafted(whimbrel)
    assert map_of(layout) == map_of(load(str(whimbrel.parent / "whimbrel.yaml")))
    assert errors(text, whimbrel) == []
    files = {item.label: item.file for item in layout.regions}
    assert files["recovery"] == "recovery.itb"
    assert files["factory"] is None
    assert [chip.image for chip in layout.chips.values()] == ["nor.img", "emmc.img"]
    recovery, first = layout.stages["recovery"], layout.stages["main"]
    assert first.entry == "bootcmd"
    assert [(slot.variables, slot.regions) for slot in first.slots] == [
        ({"slot": "a"}, ("rootfs-a",)),
        ({"slot": "b"}, ("rootfs-b",)),
    ]
    assert "recovery" not in first.regions
    assert recovery.entry == "recovery"
    assert recovery.ramdisk == "recovery"
    assert set(recovery.regions) == {"fip", "env-a", "env-b", "recovery"}
    assert recovery.needs is not None
    assert "shell" in recovery.needs.groups
    count = re.search(r"# Open: (\d+) line", text)
    assert count is not None
    assert int(count[1]) <= 5
    opened = re.findall(r"#   line (\d+): (.*)", text)
    for number, what in opened:
        assert what in text.splitlines()[int(number) - 1]
    guessed = audited(text, whimbrel)
    assert guessed.verdict is audit.Verdict.INCOMPLETE
    assert [it.line.name for it in guessed.coverage if it.open] == ["nor", "emmc"]
    board = load(str(whimbrel.parent / "whimbrel.yaml"))
    assert audited(filled(text, board), whimbrel).verdict is audit.Verdict.PASSED


def test_names_do_not_matter(whimbrel: Path, tmp_path: Path) -> None:
    names = sorted((path.name for path in whimbrel.iterdir()), key=lambda name: name[::-1])
    shuffled = copied(
        whimbrel, tmp_path / "shuffled", {name: f"{at:02}.bin" for at, name in enumerate(names)}
    )
    text, layout = drafted(shuffled)
    _, own = drafted(whimbrel)
    assert map_of(layout) == map_of(own)
    for one, other in zip(layout.regions, own.regions, strict=True):
        assert (one.file is None) == (other.file is None)
        if one.file is not None and other.file is not None:
            assert (shuffled / one.file).stat().st_size == (whimbrel / other.file).stat().st_size
    assert errors(text, shuffled) == []


def test_without_images_the_names_and_formats_tell(whimbrel: Path, tmp_path: Path) -> None:
    names = [path.name for path in whimbrel.iterdir() if path.suffix != ".img"]
    folder = copied(whimbrel, tmp_path / "parts", {name: name for name in names})
    text, layout = drafted(folder)
    files = {item.label: item.file for item in layout.regions}
    assert files == {
        "fip": "fip.bin",
        "env-a": "uboot.env",
        "env-b": "uboot-redundant.env",
        "devicetree": "whimbrel.dtb",
        "factory": None,
        "recovery": "recovery.itb",
    }
    assert errors(text, folder) == []
    assert "in no region: boot.vfat, data.ext4, rootfs-a.ext4, rootfs-b.ext4" in text


def test_links_and_versions(whimbrel: Path, tmp_path: Path) -> None:
    names = {name: name for name in ("fip.bin", "uboot.env", "whimbrel.dtb")}
    folder = copied(whimbrel, tmp_path / "deploy", names | {"recovery.itb": "recovery-1.2.3.itb"})
    (folder / "recovery.itb").symlink_to("recovery-1.2.3.itb")
    (folder / "outside").symlink_to("/etc/passwd")
    _, layout = drafted(folder)
    assert {item.label: item.file for item in layout.regions}["recovery"] == "recovery.itb"


@pytest.mark.oracle
def test_a_packaged_board(tmp_path: Path) -> None:
    tree = "armada-390-db.dtb"  # its flash is an n25q128a13
    for path in (PACKAGED / "vmlinuz", PACKAGED / "initrd.gz", PACKAGED / "dtbs" / tree, U_BOOT):
        shutil.copy(path, tmp_path)
    text, layout = drafted(tmp_path)
    assert layout.arch == "arm"
    assert layout.chips["nor"].size == 16 << 20
    assert "by its compatible n25q128a13" in text
    assert {item.label: item.file for item in layout.regions}["U-Boot"] == "u-boot.bin"
    assert "in no region: initrd.gz, vmlinuz" in text
    assert errors(text, tmp_path) == []
    assert text.count("fill in: ") <= 5


_GENIMAGE = """\
image card.img {
    hdimage { align = 4M extended-partition = 2 }
    partition loader { in-partition-table = false offset = 8K image = "first.bin" }
    partition boot { offset = 4M size = 16M bootable = true partition-type = 6 image = "b" }
    partition root { offset = 24M size = 32M partition-type = 0x83 image = "system" }
}
"""
_WKS = """\
part --no-table --source rawcopy --sourceparams="file=first.bin" --offset 32
part /boot --label boot --offset 4M --fixed-size 16M --fstype vfat
part / --label root --offset 24M --fixed-size 32M --fstype ext4
bootloader --ptable gpt
"""


@pytest.mark.parametrize(
    ("text", "table", "holds"),
    [(_GENIMAGE, "mbr", ["raw", "raw", "raw"]), (_WKS, "gpt", ["raw", "fat", "ext4"])],
)
def test_a_description_of_the_disk_tells_its_partitions(
    text: str, table: str, holds: list[str], tmp_path: Path
) -> None:
    (tmp_path / "description").write_text(text)
    (tmp_path / "first.bin").write_bytes(b"first stage" * 999)
    drafted_text, layout = drafted(tmp_path)
    assert layout.chips["emmc"].table == table
    start = (8 if table == "mbr" else 32) << 10
    assert [(it.at, it.size) for it in layout.regions] == [
        (start, (4 << 20) - start),
        (4 << 20, 16 << 20),
        (24 << 20, 32 << 20),
    ]
    assert [it.holds for it in layout.regions] == holds
    assert layout.regions[0].file == "first.bin"
    assert [it.label for it in layout.regions[1:]] == ["boot", "root"]
    assert layout.elsewhere is not None
    assert layout.elsewhere.disk_description == "description"
    assert errors(drafted_text, tmp_path) == []


def test_what_a_description_includes_is_read_beneath_the_folder(tmp_path: Path) -> None:
    (tmp_path / "board.cfg").write_text('include("parts.cfg") include("../out.cfg")')
    (tmp_path / "parts.cfg").write_text(_GENIMAGE)
    text = draft_folder(str(tmp_path)).text
    layout = parse(text.encode(), "draft.yaml")
    assert [it.label for it in layout.regions] == ["loader", "boot", "root"]
    assert "# Not drafted: board.cfg includes ../out.cfg: it cannot be read." in text
    assert layout.elsewhere is not None
    assert layout.elsewhere.disk_description == "board.cfg"
    opened = [it.line for it in audited(text, tmp_path).coverage if it.line.kind == "copy"]
    assert [(line.open, line.why) for line in opened] == [
        (True, "what it includes from ../out.cfg is not known")
    ]
    (tmp_path / "board.cfg").write_text('include("parts.cfg")')
    assert [it.open for it in audited(text, tmp_path).coverage if it.line.kind == "copy"] == [False]


def test_what_is_no_folder_or_has_nothing(tmp_path: Path) -> None:
    with pytest.raises(ArtifactError, match="is not a folder"):
        draft_folder(str(tmp_path / "none"))
    (tmp_path / "noise.bin").write_bytes(bytes(range(256)) * 99)
    with pytest.raises(AuditError, match="there is nothing to draft"):
        draft_folder(str(tmp_path))


def test_the_command_takes_a_folder_or_sources(whimbrel: Path, tmp_path: Path) -> None:
    done = CliRunner().invoke(main, ["draft", str(whimbrel), "--output", str(tmp_path / "b.yaml")])
    assert done.exit_code == 0
    assert load(str(tmp_path / "b.yaml")).compatible == "whimbrel,logger-r1"
    both = CliRunner().invoke(main, ["draft", str(whimbrel), "--mtdparts", "a:1k(b)"])
    assert both.exit_code == 2
    assert "not both" in both.output


def test_what_is_no_source_or_image_is_read_once(
    whimbrel: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    read: list[str] = []
    begin = Loader.in_folder

    def counting(self: Loader, folder: Folder, path: str, **how: Any) -> Any:
        read.append(path)
        return begin(self, folder, path, **how)

    monkeypatch.setattr(Loader, "in_folder", counting)
    draft_folder(str(whimbrel))
    assert {"recovery.itb", "fip.bin", "boot.vfat", "data.ext4"} <= set(read)
    # Of the chips' images the regions are cut out; sources are read alone.
    again = {path for path in read if read.count(path) > 1}
    assert again <= {"emmc.img", "nor.img", "uboot.env", "uboot-redundant.env"}


def test_what_is_left_out_of_the_walk_is_said(
    whimbrel: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    boots = stage.boots_of

    def loud(*parts: Any) -> Any:
        bounds.left_out("uboot.env", "only the first 7 tides are looked at")
        return boots(*parts)

    monkeypatch.setattr(stage, "boots_of", loud)
    told = draft_folder(str(whimbrel)).text
    assert "# uboot.env: only the first 7 tides are looked at" in told


@pytest.mark.oracle
def test_a_loader_file_that_has_u_boot_behind_it_gets_one_region(tmp_path: Path) -> None:
    """As u-boot-rockchip.bin of Debian's u-boot-rockchip 2025.01, beside its parts."""
    folder = tmp_path / "build"
    folder.mkdir()
    relay(folder)
    (folder / "emmc.img").unlink()
    shutil.copy(tmp_path / "relay.dtb", folder / "relay.dtb")
    first, second = (folder / "loader.bin").read_bytes(), (folder / "u-boot.itb").read_bytes()

    def drafted() -> dict[str, tuple[int, str | None]]:
        layout = parse(draft_folder(str(folder)).text.encode(), "draft.yaml")
        assert all(it.size >= (folder / (it.file or "")).stat().st_size for it in layout.regions)
        return {it.name: (it.at, it.file) for it in layout.regions}

    (folder / "u-boot-all.bin").write_bytes(first.ljust(0x7F8000, b"\xff") + second)
    parts = {"loader": (0x8000, "loader.bin"), "u-boot": (0x800000, "u-boot.itb")}
    assert drafted() == parts
    (folder / "loader.bin").unlink()
    assert drafted() == {"loader": (0x8000, "u-boot-all.bin")}

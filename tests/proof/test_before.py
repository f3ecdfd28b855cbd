"""Updates over the release that a board had before: what is half updated is the true pair."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

import pytest
from click.testing import CliRunner

from imgaudit.cli import main
from imgaudit.release.manifest import Manifest, SealedFile, SealedRegion
from imgaudit.release.seal import seal
from imgaudit.rules import checks
from imgaudit.rules.engine import Example
from imgaudit.rules.samples import arm64_kernel, board_tree
from imgaudit.rules.subject import Subject
from imgaudit.tasks import audit
from imgaudit.units import KIB
from imgaudit.writers.env import environment
from tests.proof import test_boards as heron

Files = Mapping[str, Callable[[], bytes]]
_LOADS = (
    "mmc dev 0 && load mmc 0:1 0x80200000 {} && load mmc 0:1 0x88000000 board.dtb"
    " && setenv bootargs root=/dev/mmcblk0p2 && booti 0x80200000 - 0x88000000"
)


def kernel(release: str) -> bytes:
    return arm64_kernel() + f"Linux version {release} (tide@heron) #1\nEXT4-fs (%s): ".encode()


def board(steps: str, olds: Mapping[str, Files | Manifest], *, more: str = "") -> Subject:
    """Read a board whose new release has the kernel 6.12 as Image, and modules for it."""
    text = heron._LAYOUT + f"updates:\n  field: {{by: main, {more}steps: [{steps}]}}\n"
    made: Files = {
        "boot": lambda: heron.boot_partition(Image=kernel("6.12.1"), board_dtb=board_tree()),
        "root": lambda: heron._root(1, modules="6.12.1"),
    }
    return heron.board({"bootcmd": _LOADS.format("Image")}, layout=text, made=made, olds=olds)


def starts(subject: Subject) -> list[tuple[str, tuple[str, ...] | None]]:
    (walked,) = subject.updates
    return [(cut.what, cut.starts) for cut in walked.cuts if cut.phase == "done"]


def found(subject: Subject, rule: str) -> list[str]:
    return [one.message for one in audit.run(subject, only=[checks()[rule]]).findings]


_RENAMED: Files = {
    "env": lambda: environment({"bootcmd": _LOADS.format("zImage")}, 16 * KIB, None),
    "boot": lambda: heron.boot_partition(zImage=kernel("6.12.1"), board_dtb=board_tree()),
}


@pytest.mark.parametrize(
    ("steps", "ends"),
    [
        # the old script loads what the new partition does not have
        ("{write: boot}", [("boot written", ())]),
        (
            "{write: boot}, {set: {bootcmd: '" + _LOADS.format("Image") + "'}}",
            [("boot written", ()), ("set bootcmd", ("main",))],
        ),
        # another region does not change what the old pair does
        ("{write: root-b}", [("root-b written", ("main",))]),
    ],
)
def test_an_old_script_meets_a_new_partition(
    steps: str, ends: list[tuple[str, tuple[str, ...] | None]]
) -> None:
    assert starts(board(steps, {"": _RENAMED})) == ends


def test_without_the_old_release_the_pair_is_not_known() -> None:
    assert not found(board("{write: boot}", {}), "update-leaves-nothing-bootable")
    (message,) = found(board("{write: boot}", {"": _RENAMED}), "update-leaves-nothing-bootable")
    assert "boot written" in message


_OLD_PAIR: Files = {
    "boot": lambda: heron.boot_partition(Image=kernel("6.1.9"), board_dtb=board_tree()),
    "root": lambda: heron._root(1, modules="6.1.9"),
}


def test_a_new_kernel_over_an_old_root_lacks_its_modules() -> None:
    (message,) = found(
        board("{write: boot}, {write: root-a}", {"": _OLD_PAIR}), "update-mixes-releases"
    )
    assert "main starts from boot of the new release and root-a of the old one" in message
    assert "root-a has modules for 6.1.9 only, the kernel is 6.12.1" in message


def test_what_a_whole_update_leaves_is_told_where_modules_are_missing() -> None:
    (message,) = found(board("{write: boot}", {"": _OLD_PAIR}), "update-mixes-releases")
    assert message.startswith("after the update field, main starts from boot of the new release")
    assert "root-a has modules for 6.1.9 only" in message
    fitting = {**_OLD_PAIR, "root": lambda: heron._root(3, modules="6.12.1")}
    assert not found(board("{write: boot}", {"": fitting}), "update-mixes-releases")
    # what lasts no longer than the next step was meant by nobody
    both = board("{write: boot}, {write: root-a}", {"": fitting})
    (message,) = found(both, "update-mixes-releases")
    assert message.startswith("power lost in step 1 of the update field (boot written), main")


def test_what_both_releases_have_alike_is_no_mixture() -> None:
    same_root = {"boot": _OLD_PAIR["boot"]}
    assert not found(
        board("{write: boot}, {write: root-a}", {"": same_root}), "update-mixes-releases"
    )
    (walked,) = board("{write: boot}", {"": same_root}).updates
    assert walked.before is not None
    assert walked.before.changed == {"boot"}


def test_a_manifest_tells_which_regions_differ() -> None:
    now = board("{write: boot}, {write: root-a}", {})
    sealed = seal(now)
    assert not found(board("{write: boot}, {write: root-a}", {"": sealed}), "update-mixes-releases")
    file = SealedFile(path="boot", size=1, sha256="0" * 64)
    regions = tuple(
        SealedRegion(name=one.name, chip=one.chip, offset=one.offset, size=one.size, artifact=file)
        if one.name in {"boot", "root-a"}
        else one
        for one in sealed.regions
    )
    other = Manifest(file="last.json", board="heron", layout_sha256="", regions=regions)
    (message,) = found(
        board("{write: boot}, {write: root-a}", {"": other}), "update-mixes-releases"
    )
    assert "boot of the new release and root-a of the old one" in message


def test_an_update_names_its_old_release() -> None:
    steps, more = "{write: boot}", "from: last, "
    assert found(board(steps, {"last": _RENAMED}, more=more), "update-leaves-nothing-bootable")
    unknown = board(steps, {"": _RENAMED}, more=more)
    assert not found(unknown, "update-leaves-nothing-bootable")
    result = audit.run(unknown, only=[checks()["update-leaves-nothing-bootable"]])
    assert [one.why for one in result.not_checked] == ["no --old last=… says where that release is"]


def test_an_old_release_that_does_not_start_is_said() -> None:
    broken: Files = {"boot": lambda: heron.boot_partition(board_dtb=board_tree())}
    subject = board("{write: boot}", {"": broken})
    result = audit.run(subject, only=[checks()["update-leaves-nothing-bootable"]])
    assert [one.why for one in result.not_checked] == [
        "the release before it does not start with this layout"
    ]


def _written(folder: Path, example: Example) -> tuple[str, str, str]:
    """Write an example's layout, its artifacts, and those of the release before."""
    (folder / "board.yaml").write_text(example.layout)
    for name, files in (("now", example.files), ("before", {**example.files, **example.old})):
        (folder / name).mkdir()
        for file, make in files.items():
            (folder / name / file).write_bytes(make())
    return str(folder / "board.yaml"), str(folder / "now"), str(folder / "before")


def test_the_commands_take_an_old_release(tmp_path: Path) -> None:
    layout, now, before = _written(tmp_path, checks()["update-mixes-releases"].rule.bad)
    ran = CliRunner().invoke(main, ["endure", layout, "--artifacts", now, "--old", before])
    assert "run by main, over the release before" in ran.output
    assert "update-mixes-releases" in ran.output
    both = ["--old", before, "--old", before]
    for options, says in (
        (["--old", f"last={before}/none"], "neither a folder nor a manifest"),
        (both, "given twice"),
        (["--old", layout], "not JSON"),
    ):
        ran = CliRunner().invoke(main, ["endure", layout, "--artifacts", now, *options])
        assert ran.exit_code == 2, ran.output
        assert says in ran.output
    ran = CliRunner().invoke(main, ["audit", layout, "--old", before])
    assert ran.exit_code == 2
    assert "goes with one layout and its --artifacts" in ran.output

"""What U-Boot starts and Linux cannot go on with is not proven; its own rule names the detail."""

from __future__ import annotations

from pathlib import Path

import pytest

from imgaudit.contents.build import FolderStore
from imgaudit.contents.reader import Loader
from imgaudit.demo.build import build
from imgaudit.files import Folder
from imgaudit.layout.load import load
from imgaudit.proof.records import Verdict
from imgaudit.rules.subject import gather
from imgaudit.tasks import audit


@pytest.mark.parametrize(
    ("fault", "refuted", "finding"),
    [
        ("drivers-are-modules", {"main", "recovery"}, "driver-missing"),
        ("spi-controller-disabled", {"recovery"}, "device-disabled"),
        ("console-of-another-driver", set(), "console-not-of-its-port"),
        ("kernel-forces-its-own-arguments", {"main"}, "kernel-ignores-its-arguments"),
        ("fit-not-signed", {"recovery"}, "fit-not-signed-as-required"),
    ],
)
def test_what_is_missing_refutes_the_stage(
    fault: str, refuted: set[str], finding: str, tmp_path: Path
) -> None:
    layout = load(str(build(tmp_path, fault)))
    with Loader() as loader:
        subject = gather(layout, FolderStore(Folder(str(tmp_path)), loader))
    found = {proof.stage.name for proof in subject.proofs if proof.verdict is Verdict.REFUTED}
    assert found == refuted
    names = {item.rule.name for item in audit.run(subject).findings}
    assert finding in names
    assert "stage-does-not-start" not in names


def test_a_root_that_is_damaged_inside_leaves_its_stage_open(tmp_path: Path) -> None:
    """A kernel may mount it all the same, and meet the damage later."""
    layout = load(str(build(tmp_path, "rootfs-damaged-inside")))
    with Loader() as loader:
        subject = gather(layout, FolderStore(Folder(str(tmp_path)), loader))
    found = {proof.stage.name: proof.verdict for proof in subject.proofs if proof.taken}
    assert found == {"main": Verdict.UNPROVEN, "recovery": Verdict.PROVEN}

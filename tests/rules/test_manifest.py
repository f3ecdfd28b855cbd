"""A build against a sealed one: each difference is one finding, the same build is none."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest

from imgaudit.contents.reader import Loader
from imgaudit.formats.view import View
from imgaudit.layout.load import parse
from imgaudit.release.dumps import dump_of
from imgaudit.release.manifest import Manifest, SealedFile, SealedRegion
from imgaudit.rules import manifest as rules
from imgaudit.rules.engine import Check, Finding, Severity
from imgaudit.rules.manifest import _digests
from imgaudit.rules.subject import gather
from imgaudit.tasks import audit
from tests._dumps import Board

CHECKS = [item for item in vars(rules).values() if isinstance(item, Check)]
SEALED = Board().manifest()


def found(board: Board, manifest: Manifest = SEALED) -> list[Finding]:
    with Loader() as loader:
        subject = gather(board.layout, board.store(loader))
    return list(audit.run(replace(subject, manifest=manifest), only=CHECKS).findings)


def with_region(name: str, **changes: Any) -> Manifest:
    def regions() -> Iterator[SealedRegion]:
        for region in SEALED.regions:
            yield replace(region, **changes) if region.name == name else region

    return replace(SEALED, regions=tuple(regions()))


def test_the_build_that_was_sealed_is_silent() -> None:
    assert found(Board()) == []


def test_a_changed_artifact_shows_both_digests_and_versions() -> None:
    board = Board()
    board.files["firmware.bin"] = b"U-Boot 2026.07 (Jul 06 2026)\0" + bytes(5000)
    sealed = board.manifest()
    board.files["firmware.bin"] = b"U-Boot 2026.10 (Oct 05 2026)\0" + bytes(5001)
    (finding,) = found(board, sealed)
    assert finding.rule.name == "manifest-artifact-changed"
    assert finding.region == "firmware"
    region = sealed.region("firmware")
    assert region is not None
    assert region.artifact is not None
    assert f"{region.artifact.sha256}"[:12] in finding.message
    assert "5,030 bytes" in finding.message
    assert "5,029 bytes" in finding.message
    assert "U-Boot 2026.10 (Oct 05 2026)" in finding.message
    assert "U-Boot 2026.07 (Jul 06 2026)" in finding.message


def test_one_changed_byte_is_enough() -> None:
    board = Board()
    board.files["recovery.bin"] = board.files["recovery.bin"][:-1] + b"\0"
    (finding,) = found(board)
    assert finding.region == "recovery"


def test_an_absent_artifact_is_not_compared() -> None:
    board = Board()
    del board.files["recovery.bin"]
    with Loader() as loader:
        subject = replace(gather(board.layout, board.store(loader)), manifest=SEALED)
    result = audit.run(subject, only=CHECKS)
    assert result.findings == ()
    assert [(item.rule, item.subject) for item in result.not_checked] == [
        ("manifest-artifact-changed", "recovery")
    ]


@pytest.mark.parametrize("key", ["offset", "size", "file_at"])
def test_every_number_of_a_place_counts(key: str) -> None:
    region = SEALED.region("recovery")
    assert region is not None
    (finding,) = found(Board(), with_region("recovery", **{key: getattr(region, key) + 4096}))
    assert finding.rule.name == "manifest-place-differs"
    assert finding.region == "recovery"


def test_the_chip_counts() -> None:
    (finding,) = found(Board(), with_region("recovery", chip="emmc"))
    assert finding.rule.name == "manifest-place-differs"


def test_another_board_is_all_that_is_said() -> None:
    (finding,) = found(Board(), replace(SEALED, board="other", regions=()))
    assert finding.rule.name == "manifest-board-differs"


def test_another_layout_is_a_warning() -> None:
    (finding,) = found(Board(), replace(SEALED, layout_sha256="5eed" * 16))
    assert finding.rule.name == "manifest-layout-differs"
    assert finding.severity is Severity.WARNING


def test_regions_come_and_go() -> None:
    less = replace(SEALED, regions=SEALED.regions[1:])
    (finding,) = found(Board(), less)
    assert (finding.rule.name, finding.region) == ("manifest-region-added", "firmware")
    extra = SealedRegion(name="splash", chip="nor", offset=0, size=1)
    (finding,) = found(Board(), replace(SEALED, regions=(*SEALED.regions, extra)))
    assert finding.rule.name == "manifest-region-missing"
    assert "splash" in finding.message


def test_artifacts_come_and_go() -> None:
    (finding,) = found(Board(), with_region("recovery", artifact=None, payload=None))
    assert (finding.rule.name, finding.region) == ("manifest-artifact-added", "recovery")
    board = Board()
    board.text = board.text.replace("file: data.bin,\n     ", "")
    sealed = replace(SEALED, layout_sha256=board.layout.sha256)
    (finding,) = found(board, sealed)
    assert (finding.rule.name, finding.region) == ("manifest-artifact-missing", "data")


def test_on_paper_only_places_are_compared() -> None:
    subject = gather(Board().layout, None)
    assert audit.run(replace(subject, manifest=SEALED), only=CHECKS).findings == ()
    moved = replace(subject, manifest=with_region("recovery", offset=0))
    result = audit.run(moved, only=CHECKS)
    assert [item.rule.name for item in result.findings] == ["manifest-place-differs"]
    assert result.not_checked == ()


def test_a_layout_without_a_manifest_is_silent() -> None:
    with Loader() as loader:
        subject = gather(parse(Board().text.encode(), "b.yaml"), Board().store(loader))
    assert audit.run(subject, only=CHECKS).findings == ()


def test_the_digest_that_both_have_is_compared() -> None:
    artifact = replace(dump_of("big.bin", View.of(b"")), data_sha256="1" * 64)
    whole = SealedFile(path="big.bin", size=0, sha256="2" * 64, data_sha256="1" * 64)
    assert _digests(whole, artifact) == ("1" * 64, "1" * 64)
    assert _digests(whole, replace(artifact, sha256="3" * 64)) == ("2" * 64, "3" * 64)
    then, now = _digests(replace(whole, sha256=None, data_sha256=None), artifact)
    assert then != now

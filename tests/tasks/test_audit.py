from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from imgaudit import bounds
from imgaudit.contents.build import FolderStore
from imgaudit.contents.reader import Loader
from imgaudit.errors import LayoutError
from imgaudit.files import Folder
from imgaudit.layout.load import parse
from imgaudit.rules import checks
from imgaudit.rules.engine import Severity
from imgaudit.rules.subject import Subject, gather
from imgaudit.tasks import audit
from imgaudit.units import KIB
from tests._audits import audited, build, found, nor, one, unchecked

OVERLAP = (
    "name: env, at: 0, size: 128 KiB",
    "name: recovery, at: 64 KiB, size: 128 KiB",
)
RULE = "regions-overlap"


def policy(text: str, *regions: str) -> audit.Result:
    return audited(nor(*(regions or OVERLAP), rest=f"policy:\n  {text}\n"))


def waived(text: str, today: date | None = None) -> str | None:
    rest = f"policy:\n  waive: [{{finding: {RULE}, reason: wanted{text}}}]\n"
    result = audited(nor(*OVERLAP, rest=rest), today=today)
    (finding,) = [item for item in result.findings if item.rule.name == RULE]
    assert result.failed == (finding.waived is None)
    assert result.count(Severity.ERROR) == int(finding.waived is None)
    return finding.waived


def test_without_a_policy_an_error_fails() -> None:
    result = audited(nor(*OVERLAP))
    assert result.failed
    assert result.fail_on is Severity.ERROR
    assert [item.rule.name for item in result.findings] == [RULE]


def test_a_waiver() -> None:
    assert waived("") == "wanted"


@pytest.mark.parametrize(
    ("today", "expected"),
    [
        (date(2027, 3, 30), "wanted (until 2027-03-31)"),
        (date(2027, 3, 31), "wanted (until 2027-03-31)"),
        (date(2027, 4, 1), None),
    ],
)
def test_a_waiver_ends_with_its_last_day(today: date, expected: str | None) -> None:
    assert waived(", until: 2027-03-31", today) == expected


def test_today_is_today() -> None:
    assert waived(", until: 2999-01-01") is not None
    assert waived(", until: 2001-01-01") is None


def test_a_waiver_for_a_region() -> None:
    assert waived(", region: env") == "wanted"
    assert waived(", region: recovery") is None


def test_another_findings_waiver() -> None:
    result = policy("waive: [{finding: headroom-low, reason: wanted}]")
    assert result.failed


def test_waived_findings_come_last() -> None:
    result = policy(
        f"waive: [{{finding: {RULE}, region: env, reason: wanted}}]",
        *OVERLAP,
        "name: last, at: 128 KiB, size: 1 MiB",
    )
    assert [item.waived for item in result.findings][-1] == "wanted"
    assert all(item.waived is None for item in result.findings[:-1])
    assert len(result.findings) > 2


def test_severity_is_overridden() -> None:
    result = policy(f"severity: {{{RULE}: note}}")
    assert [item.severity for item in result.findings] == [Severity.NOTE]
    assert not result.failed
    assert result.count(Severity.NOTE) == 1
    assert result.count(Severity.ERROR) == 0


def test_the_gate() -> None:
    example = nor(*OVERLAP, rest=f"policy:\n  severity: {{{RULE}: warning}}\n")
    assert not audited(example).failed
    assert audit.run(build(example), fail_on=Severity.WARNING).failed
    rest = f"policy:\n  fail-on: warning\n  severity: {{{RULE}: warning}}\n"
    strict = nor(*OVERLAP, rest=rest)
    assert audited(strict).failed
    assert not audit.run(build(strict), fail_on=Severity.ERROR).failed


def test_unknown_names_are_problems_with_their_places() -> None:
    rest = (
        "policy:\n"
        "  severity:\n"
        "    regions-overlp: note\n"
        "  waive:\n"
        "    - {finding: nothing-like-it, reason: wanted}\n"
    )
    with pytest.raises(LayoutError) as caught:
        audited(nor(*OVERLAP, rest=rest))
    assert list(map(str, caught.value.problems)) == [
        "example.yaml:11:5: no finding is called 'regions-overlp'; did you mean 'regions-overlap'?",
        "example.yaml:13:7: no finding is called 'nothing-like-it'",
    ]


def test_the_order_is_always_the_same() -> None:
    example = nor(
        *OVERLAP,
        "name: late, at: 0x18001, size: 0x100",
        "name: beyond, at: 1 MiB, size: 64 KiB",
        "name: gone, at: 0x80000, size: 64 KiB, file: gone.bin",
    )
    first, second = audited(example), audited(example)
    assert [item.message for item in first.findings] == [item.message for item in second.findings]
    assert first.not_checked == second.not_checked
    ranks = [item.severity.rank for item in first.findings]
    assert ranks == sorted(ranks)
    lines = [item.where.line for item in first.findings if item.where and not item.severity.rank]
    assert lines == sorted(lines)
    backwards = audit.run(build(example), only=reversed(checks().values()))
    assert [item.message for item in backwards.findings] == [
        item.message for item in first.findings
    ]


def reasons(result: audit.Result, region: str) -> set[str]:
    return {item.why for item in result.not_checked if item.subject == region}


FIT = "name: recovery, at: 0, size: 128 KiB, file: recovery.itb, holds: fit"


def test_on_paper_all_that_needs_artifacts_is_not_checked() -> None:
    layout = parse(nor(FIT).layout.encode(), "f")
    result = audit.run(gather(layout, None))
    assert not result.failed
    assert not result.subject.given
    assert reasons(result, "recovery") == {"no artifacts were given"}
    assert {item.rule for item in result.not_checked} == {None}


def test_what_is_missing_is_not_checked() -> None:
    result = audited(nor(FIT))
    assert "recovery.itb is not in the artifacts folder" in reasons(result, "recovery")
    assert [item.rule.name for item in result.findings] == ["artifact-missing"]


def test_what_cannot_be_read_is_not_checked() -> None:
    result = audited(nor(FIT), {"recovery.itb": b"tide" * KIB})
    assert any("could not be read" in why for why in reasons(result, "recovery"))
    assert "artifact-not-what-it-claims" in {item.rule.name for item in result.findings}


def test_what_must_not_be_opened(tmp_path: Path) -> None:
    (tmp_path / "recovery.itb").symlink_to("/etc/passwd")
    layout = parse(nor(FIT).layout.encode(), "f")
    with Loader() as loader:
        subject = gather(layout, FolderStore(Folder(str(tmp_path)), loader))
    result = audit.run(subject)
    assert {item.rule.name for item in result.findings} == {"artifact-not-usable"}
    assert "recovery.itb is a link out of the artifacts folder" in reasons(result, "recovery")


def test_not_checked_says_a_thing_once() -> None:
    result = audited(nor(FIT, "name: other, at: 128 KiB, size: 64 KiB, file: x, holds: fit"))
    assert len(set(result.not_checked)) == len(result.not_checked)
    assert list(result.not_checked) == sorted(
        result.not_checked, key=lambda item: (item.subject, item.why, item.rule)
    )


def test_without_a_layout_artifacts_stand_alone() -> None:
    with Loader() as loader:
        artifact = loader.memory("empty.bin", b"")
    result = audit.run(Subject(layout=None, others={"empty.bin": artifact}))
    assert [item.rule.name for item in result.findings] == ["artifact-empty"]
    assert result.fail_on is Severity.ERROR
    (finding,) = result.findings
    assert (finding.where, finding.region, finding.chip) == (None, None, None)


def test_only_the_checks_asked_for_run() -> None:
    assert found("headroom-low", nor(*OVERLAP)) == []
    assert one(RULE, nor(*OVERLAP)).rule.name == RULE
    assert unchecked(RULE, nor(FIT)) == []


def test_a_finding_fills_its_sentences_in() -> None:
    finding = one(RULE, nor(*OVERLAP))
    assert finding.message == "env and recovery both claim 65,536 bytes (64 KiB) from 0x10000"
    assert finding.fix.startswith("Move or shrink one of them; recovery starts at 0x10000.")
    assert (finding.chip, finding.region, finding.artifact) == ("nor", "env", None)
    assert str(finding.where) == "example.yaml:7:35"


def test_known_findings_hide_no_new_one(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of more findings than are listed the rest stays open, whatever the first ones are."""
    three = (*OVERLAP, "name: data, at: 96 KiB, size: 128 KiB")
    whole = audited(nor(*three))
    listed = [item for item in whole.findings if item.rule.name == RULE]
    assert len(listed) > 1
    monkeypatch.setattr(audit, "MOST_FINDINGS", 1)
    first = audited(nor(*three)).findings
    known = audit.run(build(nor(*three)), baseline=[item.identity for item in first])
    assert not known.failed
    assert f"findings of {RULE}" in {item.line.name for item in known.coverage if item.open}
    assert known.verdict is audit.Verdict.INCOMPLETE


@pytest.mark.parametrize(
    ("heard", "accepted"),
    [
        ((("a script", "too long"),), True),
        ((("a script", "too long"), ("a script", "too deep")), False),
        (((bounds.FURTHER, "too many"),), False),
    ],
)
def test_a_name_that_several_have_accepts_none_of_them(
    heard: tuple[tuple[str, str], ...], *, accepted: bool
) -> None:
    accept = f"accept: [{{limit: {heard[0][0]}, reason: known, owner: boot team}}]"
    example = nor("name: env, at: 0, size: 128 KiB", rest=f"policy:\n  {accept}\n")
    result = audit.run(build(example), heard=heard)
    lines = [item for item in result.coverage if item.line.kind == "limit"]
    assert [item.open for item in lines] == [not accepted] * len(heard)

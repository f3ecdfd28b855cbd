"""Waivers by identity, with an end; a baseline; what is left of either."""

from __future__ import annotations

from datetime import date

from imgaudit.report import render
from imgaudit.rules.engine import Example
from imgaudit.rules.examples import nor
from imgaudit.tasks import audit, board
from imgaudit.tasks.audit import Result
from tests._audits import build

TODAY = date(2027, 3, 31)
# Two pairs of regions that overlap.
TWICE = (
    "name: a, at: 64 KiB, size: 128 KiB",
    "name: b, at: 128 KiB, size: 128 KiB",
    "name: c, at: 192 KiB, size: 128 KiB",
)


def example(*waivers: str) -> Example:
    return nor(*TWICE, rest=f"policy: {{waive: [{', '.join(f'{{{it}}}' for it in waivers)}]}}\n")


def audited(*waivers: str, today: date = TODAY, **more: list[tuple[str, ...]]) -> Result:
    return audit.run(build(example(*waivers)), today=today, baseline=more.get("baseline", ()))


def of(result: Result, name: str) -> list[tuple[str | None, str | None]]:
    return [(it.region, it.waived) for it in result.findings if it.rule.name == name]


def test_a_waiver_by_what_it_is_about() -> None:
    both = of(audited(), "regions-overlap")
    assert len(both) == 2
    found = of(
        audited("finding: regions-overlap, about: c, reason: r, owner: boot team"),
        "regions-overlap",
    )
    assert sorted(waived or "" for _, waived in found) == ["", "r, boot team"]
    none = audited("finding: regions-overlap, about: [b, d], reason: r")
    assert of(none, "regions-overlap") == both
    assert of(none, "waiver-matches-nothing")


def test_a_waiver_holds_to_the_end_of_its_day() -> None:
    waiver = "finding: regions-overlap, reason: r, owner: me, until: 2027-03-31"
    held = audited(waiver)
    assert {waived for _, waived in of(held, "regions-overlap")} == {"r, me (until 2027-03-31)"}
    assert not of(held, "waiver-ended")
    ended = audited(waiver, today=date(2027, 4, 1))
    assert {waived for _, waived in of(ended, "regions-overlap")} == {None}
    (finding,) = (it for it in ended.findings if it.rule.name == "waiver-ended")
    assert finding.message == (
        "the waiver of regions-overlap (owner: me) ended on 2027-03-31: 2 findings count again"
    )
    assert not of(ended, "waiver-matches-nothing")


def test_a_waiver_of_what_was_not_judged_is_left_alone() -> None:
    def example_with(rest: str) -> Example:
        region = "name: a, at: 0, size: 64 KiB, holds: fit, file: gone.itb"
        return nor(region, rest=rest, files={"b": lambda: b""})

    open_ = audit.run(build(example_with("")), today=TODAY).not_checked
    name = next(item.rule for item in open_ if item.rule)
    policy = f"policy: {{waive: [{{finding: {name}, reason: r}}]}}\n"
    result = audit.run(build(example_with(policy)), today=TODAY)
    assert not of(result, "waiver-matches-nothing")


def test_only_what_is_new_counts() -> None:
    before = audited()
    identities = [finding.identity for finding in before.findings]
    assert len(set(identities)) == len(identities)
    after = audited(baseline=identities)
    assert before.failed
    assert not after.failed
    assert all(finding.known for finding in after.findings)
    report = board.audit(after)
    assert "Known from the baseline" in render("text", report)
    assert all(item["known"] for item in report.data()["findings"])
    # One more of the same identity than before is new.
    less = audited(baseline=identities[1:])
    assert [it.identity for it in less.findings if it.counts] == identities[:1]


def test_the_order_in_the_file_and_sizes_do_not_change_an_identity() -> None:
    larger = [text.replace("128 KiB", "192 KiB", 1) for text in reversed(TWICE)]
    again = audit.run(build(nor(*larger)), today=TODAY)
    before = {finding.identity for finding in audited().findings}
    overlaps = {identity for identity in before if identity[0] == "regions-overlap"}
    assert overlaps <= {finding.identity for finding in again.findings}

"""Numbers for scripts that are told are tried: written into the environment, they mend it."""

from __future__ import annotations

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from imgaudit.rules import checks, of_scripts
from imgaudit.rules._boot import RECOVERY, scripted, whole_fit
from imgaudit.rules.engine import Example, Finding
from imgaudit.tasks import audit
from tests._audits import build

READ = "sf probe && sf read 0x88000000 {} {} && bootm 0x88000000"


def said(example: Example, *rules: str) -> list[Finding]:
    only = [checks()[name] for name in rules or of_scripts()]
    return list(audit.run(build(example), only=only).findings)


def applied(advice: str, recovery: str, more: dict[str, str]) -> Example:
    """Write what the advice says into the environment."""
    if found := re.search(r": write (\w+) for (\w+) in (\w+) \(", advice):
        new, old, name = found.groups()
        assert name == "recovery"
        return scripted(recovery.replace(f" {old} ", f" {new} ", 1), more=more, itb=whole_fit)
    values = dict(re.findall(r": write (\w+)=(\w+) for ", advice)[:1])
    assert values
    return scripted(recovery, more=more | values, itb=whole_fit)


@given(
    st.sampled_from(["0x20000", "0x10000", "0x30000", "131072", "0x20200"]),
    st.sampled_from(["0x40000", "0x200", "0x50000", "262144"]),
    st.booleans(),
)
@settings(max_examples=20)
def test_what_is_told_mends_and_breaks_nothing(start: str, length: str, named: bool) -> None:
    more = {"at": start, "long": length} if named else {}
    recovery = READ.format("${at}", "${long}") if named else READ.format(start, length)
    before = said(scripted(recovery, more=more, itb=whole_fit))
    ranks = {item.identity: item.severity.rank for item in before}
    for finding in before:
        if finding.advice:
            after = said(applied(finding.advice, recovery, more))
            assert finding.identity not in {item.identity for item in after}
            assert all(item.severity.rank >= ranks.get(item.identity, 9) for item in after)


@pytest.mark.parametrize(
    ("rule", "start", "length", "advice"),
    [
        ("script-offset-not-region", "0x30000", "0x20000", "0x20000 for 0x30000 in recovery"),
        ("hex-decimal-confusion", "131072", "0x40000", "0x20000 for 131072 in recovery"),
        ("script-reads-past-region", "0x20000", "0x50000", "0x40000 for 0x50000 in recovery"),
    ],
)
def test_the_number_in_the_script(rule: str, start: str, length: str, advice: str) -> None:
    (finding,) = said(scripted(READ.format(start, length), itb=whole_fit), rule)
    assert finding.advice == f"Tried on this build: write {advice} (u-boot.env)."


def test_the_variable_that_the_number_comes_from() -> None:
    more = {"fit_at": "0x30000"}
    example = scripted(READ.format("${fit_at}", "0x20000"), more=more, itb=whole_fit)
    (finding,) = said(example, "script-offset-not-region")
    assert finding.advice == (
        "Tried on this build: write fit_at=0x20000 for fit_at=0x30000 (u-boot.env)."
    )


def test_the_command_that_is_meant_and_not_one_before_it() -> None:
    recovery = f"sf probe; sf read 0x90000000 0x30000 0x10; {READ.format('0x30000', '0x20000')}"
    (finding,) = said(scripted(recovery, itb=whole_fit), "script-offset-not-region")
    assert finding.advice.endswith("write 0x20000 for 0x30000 in recovery (u-boot.env).")
    assert finding.values["command"].endswith("0x20000")


def test_nothing_is_told_where_one_number_is_not_enough() -> None:
    """Both the start and the length are another region's; no region's start mends the rest."""
    recovery = RECOVERY.replace("sf read", "sf write").replace("0x20000", "0x30000")
    assert not any(item.advice for item in said(scripted(recovery, itb=whole_fit)))

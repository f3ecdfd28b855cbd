"""No stage is proven beside an error that says that it does not start."""

from __future__ import annotations

import re

import pytest

from imgaudit.rules import checks
from imgaudit.rules.engine import Severity
from imgaudit.rules.proof import DOES_NOT_START, TELLS

_SAYS = re.compile(
    r"does not (?:start|boot|attach)|nothing (?:starts|boots|(?:more )?is heard)|panics|is dead"
    r"|unpacks nothing|never starts|hangs"
)
_BY_THE_PROOF = frozenset().union(*TELLS.values()) | {DOES_NOT_START.name}
"""What the proof itself decides, for what the scripts use of the image."""
_ELSEWHERE = {
    "filesystem-has-errors": "it is mounted, unless its own policy says otherwise",
    "fit-not-signed-as-required": "with_signatures refutes the stages that start it",
    "fit-signature-does-not-verify": "with_signatures refutes the stages that start it",
    "manifest-board-differs": "the release that was sealed is not what the stages start from",
    "recovery-lists-other-chip": "only where another chip is broken",
    "start-waits-for-another-chip": "only where another chip is broken",
    "ubi-damaged": "only some damage keeps it from attaching",
    "update-leaves-nothing-bootable": "only where the power goes",
    "warm-reset-loses-flash": "a cold start works",
}


@pytest.mark.parametrize("name", sorted(checks()))
def test_a_rule_that_says_so_refutes_what_it_is_about(name: str) -> None:
    rule = checks()[name].rule
    if rule.severity is not Severity.ERROR or not _SAYS.search(rule.effect):
        assert name not in _ELSEWHERE
        return
    assert rule.stops or name in _BY_THE_PROOF or name in _ELSEWHERE

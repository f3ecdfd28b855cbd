"""Numbers in U-Boot's scripts that mend a fault, each tried on the build before it is told.

The number is changed in the environment that U-Boot takes, the scripts are followed again, and the
rules of scripts and of RAM are run again: a number is told only where its finding is gone, no other
has come, and as many starts are reached as before.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from imgaudit.data import dataclass
from imgaudit.rules import of_scripts
from imgaudit.rules.engine import Engine, Finding
from imgaudit.units import place

if TYPE_CHECKING:
    from imgaudit.boot.records import Operation
    from imgaudit.maps.collect import Copy, Environment
    from imgaudit.rules.subject import Subject

# A trial follows all scripts of the build.
_TRIALS = 12
_OTHERS = 3  # starts of regions that are tried besides the number that the rule says
_BLOCK = 512

_Key = tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Edit:
    """A variable of the environment, its new value, and what to say of the change."""

    variable: str
    value: str
    said: str


def corrected(subject: Subject, findings: Iterable[Finding]) -> list[Finding]:
    """Add to each finding that another number in a script can mend the number that was tried."""
    findings = list(findings)
    if subject.copies is None or subject.boots.board is None:
        return findings
    trials = _Trials(subject)
    return [
        trials.advise(item) if item.rule.rewrites is not None and item.counts else item
        for item in findings
    ]


class _Trials:
    """The build with one number changed, and what the rules of scripts say then."""

    def __init__(self, subject: Subject) -> None:
        self._subject = subject
        self._left = _TRIALS
        self._before: Mapping[_Key, int] | None = None

    def advise(self, finding: Finding) -> Finding:
        for edit in self._edits(finding):
            if self._left <= 0:
                break
            self._left -= 1
            if self._mends(finding, edit):
                return replace(finding, advice=f"Tried on this build: {edit.said}.")
        return finding

    def _mends(self, finding: Finding, edit: _Edit) -> bool:
        from imgaudit.boot.stage import boots_of

        if self._before is None:
            self._before = _said(self._subject)
        copies = self._subject.copies
        if copies is None:
            return False
        environments = tuple(
            replace(
                copy,
                says=replace(
                    copy.says, variables={**copy.says.variables, edit.variable: edit.value}
                ),
            )
            if copy.says.taken
            else copy
            for copy in copies.environments
        )
        copies = replace(copies, environments=environments)
        boots = boots_of(self._subject, copies)
        changed = replace(self._subject, copies=copies, boots=boots)
        if _starts(changed) < _starts(self._subject):
            return False
        after = _said(changed)
        return _about(finding) not in after and all(
            rank >= self._before.get(key, rank + 1) for key, rank in after.items()
        )

    def _edits(self, finding: Finding) -> Iterator[_Edit]:
        names = finding.rule.rewrites
        operation = _operation(self._subject, finding)
        if names is None or operation is None:
            return
        wrong, right = (finding.values.get(name) for name in names)
        if not isinstance(right, int):
            return
        unit = _BLOCK if (operation.device or "").startswith("mmc") else 1
        word = _word(operation, wrong, unit)
        if word is None:
            return
        seen = set()
        for number in (right, *self._starts_near(operation, right)):
            # A rule that names the word itself says the number as it is to be written.
            text = place(number if isinstance(wrong, str) else -(-number // unit))
            if text not in seen:
                seen.add(text)
                yield from self._in_place(operation, word, text)

    def _starts_near(self, operation: Operation, number: int) -> list[int]:
        board = self._subject.boots.board
        regions = board.regions(operation.device) if board is not None else []
        starts = {region.at + region.file_at for region in regions}
        return sorted(starts, key=lambda at: abs(at - number))[:_OTHERS]

    def _in_place(self, operation: Operation, word: str, text: str) -> Iterator[_Edit]:
        """Change the word in the script itself, or in the variable that it comes from."""
        variables = self._taken()
        script = variables.get(operation.variable, "")
        pattern = re.compile(rf"(?<![\w$]){re.escape(word)}(?!\w)")
        # Of several that are written alike, the one behind the start of the command.
        found = [at for at in pattern.finditer(script) if at.start() >= operation.at]
        if found:
            value = script[: found[0].start()] + text + script[found[0].end() :]
            said = f"write {text} for {word} in {operation.variable}{self._file()}"
            yield _Edit(operation.variable, value, said)
            return
        for name, value in variables.items():
            if value == word and re.search(rf"\$\{{?{re.escape(name)}\b", script):
                yield _Edit(name, text, f"write {name}={text} for {name}={word}{self._file()}")

    def _file(self) -> str:
        return "".join(f" ({copy.place.name})" for copy in self._environments()[:1])

    def _taken(self) -> Mapping[str, str]:
        taken = self._environments()
        return taken[0].says.variables if taken else {}

    def _environments(self) -> list[Copy[Environment]]:
        copies = self._subject.copies
        return [copy for copy in copies.environments if copy.says.taken] if copies else []


def _operation(subject: Subject, finding: Finding) -> Operation | None:
    script, command = finding.values.get("script"), finding.values.get("command")
    return next(
        (
            operation
            for followed in subject.boots.followed.values()
            for operation in followed.walk.operations
            if (operation.variable, operation.command) == (script, command)
        ),
        None,
    )


def _word(operation: Operation, wrong: object, unit: int) -> str | None:
    """Give the word of a command that says a number: the number is in bytes, the word as it is."""
    for word in operation.arguments[1:]:
        if word == wrong:
            return word
        try:
            value = int(word, 16)
        except ValueError:
            continue
        if isinstance(wrong, int) and value * unit == wrong:
            return word
    return None


def _starts(subject: Subject) -> int:
    return sum(len(followed.walk.boots) for followed in subject.boots.followed.values())


def _said(subject: Subject) -> Mapping[_Key, int]:
    engine = Engine(subject)
    found: dict[_Key, int] = {}
    for check in of_scripts().values():
        for item in engine.apply(check):
            if isinstance(item, Finding):
                rank = found.get(_about(item), item.severity.rank)
                found[_about(item)] = min(rank, item.severity.rank)
    return found


def _about(finding: Finding) -> _Key:
    """Say which fault it is, whatever the numbers of the command."""
    return (*finding.identity, str(finding.values.get("command", "")).partition(" ")[0])

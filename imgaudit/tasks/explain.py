"""Rules as Markdown: what `imgaudit explain` prints and what the tests hold the docs to."""

from __future__ import annotations

from imgaudit.errors import AuditError
from imgaudit.layout.keys import close
from imgaudit.rules import checks
from imgaudit.rules.engine import Example, Finding, Rule
from imgaudit.tasks.said import in_general
from imgaudit.tasks.sections import Report
from imgaudit.units import both


def explain(name: str | None = None) -> Report:
    """Explain a finding, or list all.

    Raises:
        AuditError: no finding has that name.

    """
    text = one(name) if name is not None else index()
    return Report(command="explain", title=name or "Findings", document=text)


def one(name: str) -> str:
    """Explain a finding.

    Raises:
        AuditError: no finding has that name.

    """
    check = checks().get(name)
    if check is None:
        raise AuditError(f"no finding is called {name!r}{close(name, checks())}")
    rule = check.rule
    found = _found(rule)
    first = found[0] if found else None
    # Where a text has fields, the example below fills them in.
    effect = first.effect if first is not None else rule.effect
    fix = first.fix if first is not None else rule.fix
    own = " (as in the example)" if "{" in rule.effect + rule.fix else ""
    said = "".join(f"> {finding.message}\n" for finding in found)
    return f"""# {rule.name}

Severity: {rule.severity.value}

On the board{own}: {effect}

What to do{own}: {fix}

Computed: {rule.computed}.

Source: {rule.source}.

## A build with this finding

{_example(rule.bad)}
It is reported as:

{said}
## The same without it

{_example(rule.good)}"""


def index() -> str:
    """List every finding with its severity and what it does on the board, or how it is computed."""
    lines = ["# Findings", ""]
    for name, check in checks().items():
        lines.append(f"- **{name}** ({check.rule.severity.value}): {in_general(check.rule)[0]}")
    lines += ["", "One of them in full: imgaudit explain FINDING", ""]
    return "\n".join(lines)


def _example(example: Example) -> str:
    text = f"```yaml\n{example.layout}```\n"
    if example.files:
        sizes = [f"{name} of {both(len(make()))}" for name, make in example.files.items()]
        text += f"\nwith {', '.join(sizes)}.\n"
    return text


def _found(rule: Rule) -> tuple[Finding, ...]:
    from imgaudit.rules.built import subject_of
    from imgaudit.tasks import audit

    return audit.run(subject_of(rule.bad), only=[checks()[rule.name]]).findings

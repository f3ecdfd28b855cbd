"""Rules as Markdown: what `imgaudit explain` prints and what the tests hold the docs to."""

from __future__ import annotations

from imgaudit.errors import AuditError
from imgaudit.layout.keys import close
from imgaudit.rules import checks
from imgaudit.rules.engine import Example, Rule
from imgaudit.tasks.said import as_words
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
    return f"""# {rule.name}

Severity: {rule.severity.value}

On the board: {as_words(rule.effect)}

What to do: {as_words(rule.fix)}

Computed: {rule.computed}.

Source: {rule.source}.

## A build with this finding

{_example(rule.bad)}
It is reported as:

{_said(rule)}
## The same without it

{_example(rule.good)}"""


def index() -> str:
    """List every finding with its severity and what it does on the board."""
    lines = ["# Findings", ""]
    for name, check in checks().items():
        lines.append(f"- **{name}** ({check.rule.severity.value}): {as_words(check.rule.effect)}")
    lines += ["", "One of them in full: imgaudit explain FINDING", ""]
    return "\n".join(lines)


def _example(example: Example) -> str:
    text = f"```yaml\n{example.layout}```\n"
    if example.files:
        sizes = [f"{name} of {both(len(make()))}" for name, make in example.files.items()]
        text += f"\nwith {', '.join(sizes)}.\n"
    return text


def _said(rule: Rule) -> str:
    from imgaudit.rules.built import subject_of
    from imgaudit.tasks import audit

    result = audit.run(subject_of(rule.bad), only=[checks()[rule.name]])
    return "".join(f"> {finding.message}\n" for finding in result.findings)

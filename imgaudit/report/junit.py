"""JUnit XML, for a CI's table of tests: a case for each rule and subject that was looked at.

Source: the schema junit-10.xsd of the Jenkins xUnit plugin.
"""

from __future__ import annotations

from collections import defaultdict
from xml.etree import ElementTree as ET

from imgaudit.clean import clean
from imgaudit.report._common import led, sentence, where
from imgaudit.report._style import PLAIN, Style
from imgaudit.tasks.sections import BROKEN, Found, Report

_WHOLE = "the build"


def render(report: Report, style: Style = PLAIN) -> str:
    """Give one suite; class name and name of a case together are there once."""
    del style
    # A case is what was looked at, not what a finding is about: it is there whether it passes or
    # fails. A rule that looks at the whole build at once is one case.
    failed: dict[tuple[str, str], list[Found]] = defaultdict(list)
    for item in report.findings:
        failed[item.name, item.thing or _WHOLE].append(item)
    skipped: dict[tuple[str, str], list[str]] = defaultdict(list)
    for item in report.findings:
        for rule, thing in item.covers:
            skipped[rule, thing or _WHOLE].append(f"follows from {item.name}")
    for it in report.unchecked:
        skipped[it.rule or "what-only-artifacts-tell", it.subject or _WHOLE].append(it.why)
    passed = {(name, it or _WHOLE) for name, it in report.looked}
    cases = sorted(passed | set(failed) | set(skipped))
    bad = {case for case in failed if any(item.counts for item in failed[case])}
    open_only = [case for case in cases if case in skipped and case not in bad]
    counts = {
        "tests": str(len(cases)),
        "failures": str(len(bad)),
        "errors": str(len(skipped) if report.status == BROKEN else 0),
    }
    suites = ET.Element("testsuites", {"name": "imgaudit", **counts})
    about = {
        "name": clean(report.title),
        **counts,
        "skipped": str(0 if report.status == BROKEN else len(open_only)),
    }
    suite = ET.SubElement(suites, "testsuite", about)
    for rule, subject in cases:
        names = {"classname": f"imgaudit.{rule}", "name": clean(subject)}
        case = ET.SubElement(suite, "testcase", names)
        if (rule, subject) in bad:
            _failure(case, failed[rule, subject])
        elif (rule, subject) in skipped:
            why = "; ".join(dict.fromkeys(skipped[rule, subject]))
            # A CI takes what is skipped for well: of a run that was stopped nothing is.
            kind = "error" if report.status == BROKEN else "skipped"
            ET.SubElement(case, kind, {"message": clean(why)})
        elif accepted := failed.get((rule, subject)):
            lines = [f"accepted: {clean(item.message)}" for item in accepted]
            ET.SubElement(case, "system-out").text = "\n".join(lines)
    ET.indent(suites)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + _text(suites) + "\n"


def _text(root: ET.Element) -> str:
    return ET.tostring(root, encoding="unicode")


def _failure(case: ET.Element, items: list[Found]) -> None:
    counted = [item for item in items if item.counts]
    message = clean("; ".join(_about(item) for item in counted))
    failure = ET.SubElement(case, "failure", {"type": counted[0].severity, "message": message})
    failure.text = "\n\n".join(
        "\n".join(
            clean(line)
            for line in (
                sentence(_about(item)),
                f"where: {where(item)}",
                f"board: {item.effect}",
                *(f"so: {so}" for so in led(item)),
                f"do: {item.fix}",
            )
        )
        for item in counted
    )


def _about(item: Found) -> str:
    return f"{item.subject}: {item.message}" if item.subject else item.message

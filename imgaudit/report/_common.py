"""What the forms for programs share: a finding's fingerprint, its place, its text in a line."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from imgaudit.clean import clean
from imgaudit.tasks.sections import Found
from imgaudit.units import both, place


def fingerprints(items: Iterable[Found]) -> Iterator[tuple[Found, str]]:
    """Give each finding with what names it in the next run as well; never the same name twice."""
    # Not above: the text needs neither.
    import hashlib
    import json

    seen: dict[str, int] = {}
    for item in items:
        digest = hashlib.sha256(json.dumps(item.identity).encode()).hexdigest()
        seen[digest] = number = seen.get(digest, 0) + 1
        yield item, digest if number == 1 else f"{digest[:-8]}{number:08x}"


def at(item: Found) -> tuple[str, int, int]:
    """Give file, line and column; a finding without a place stands at the start of its artifact."""
    if item.where is not None:
        return item.where.file, item.where.line, item.where.column
    return item.artifact or item.subject or "layout", 1, 1


def where(item: Found) -> str:
    """Say where a finding is: in the layout, the artifact, and the bytes of either."""
    said = [str(item.where)] if item.where else []
    if item.artifact:
        said.append(item.artifact)
    if item.offset is not None:
        base = f"{item.chip} " if item.region and item.chip else ""
        size = f", {both(item.length)}" if item.length else ""
        said.append(f"{base}{place(item.offset)}{size}")
    return "  ".join(said)


def led(item: Found) -> list[str]:
    """Say what follows from a finding: of each rule the first, and how many more."""
    rules: dict[str, list[str]] = {}
    for name, _, message in item.leads_to:
        rules.setdefault(name, []).append(message)
    return [
        f"{first} ({name}{f', and {len(rest):,} more' if rest else ''})"
        for name, (first, *rest) in rules.items()
    ]


def paragraph(item: Found) -> str:
    """Say a finding in one cleaned line."""
    so = "".join(f" {sentence(each)}" for each in led(item))
    effect = clean(f"On the board: {item.effect}{so} What to do: {item.fix}")
    return f"{clean(sentence(item.message))} {effect}"


def sentence(text: str) -> str:
    """End a text with a full stop."""
    return text if text.endswith((".", "!", "?")) else f"{text}."

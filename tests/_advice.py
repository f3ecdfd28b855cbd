"""Applies advice as a reader would: by its words alone, to the text of the file that they name."""

from __future__ import annotations

import re

from imgaudit.units import parse_size

_NUMBER = r"0x[0-9a-f]+|[\d,]+ bytes"
_CHANGE = re.compile(
    rf"(at|size): ({_NUMBER})(?: \([^)]*\))?, was (after: [\w-]+|rest|{_NUMBER})",
)


def ways(advice: str) -> list[str]:
    """Split the ways that an advice tells; each alone should mend it."""
    told = re.search(
        r"(?:Tried on this layout|which was tried): (.*?)(?:; every copy|\.$|\. )", advice
    )
    return told.group(1).split("; or ") if told else []


def number(text: str) -> int:
    """Read a number as advice says it."""
    if text.startswith("0x"):
        return int(text, 16)
    return int(text.partition(" ")[0].replace(",", ""))


def moved(layout: str, way: str) -> str:
    """Write the numbers of one way into a layout's text; the old ones must be what is said."""
    lines = layout.split("\n")
    places = [(int(hit[1]), hit.end()) for hit in re.finditer(r"\.yaml:(\d+): ", way)]
    assert places, way
    for (line, start), end in zip(places, [at for _, at in places[1:]] + [len(way)], strict=True):
        changes = _CHANGE.findall(way[start:end])
        assert changes, way
        for key, new, was in changes:
            lines[line - 1] = _changed(lines[line - 1], key, number(new), was)
    return "\n".join(lines)


def _changed(line: str, key: str, new: int, was: str) -> str:
    if was.startswith("after"):
        assert was in line, (line, was)
        return line.replace(was, f"at: {new}")
    for hit in re.finditer(rf"\b{key}: ([^,#}}]+?)(?=\s*(?:[,#}}]|$))", line):
        old = hit[1]
        if old == was or (was != "rest" and old != "rest" and size(old) == number(was)):
            return f"{line[: hit.start(1)]}{new}{line[hit.end(1) :]}"
    raise AssertionError(f"{line!r} has no {key}: {was}")


def size(text: str) -> int:
    """Read a size as layouts give it."""
    return int(text, 0) if re.fullmatch(r"0x[0-9a-fA-F]+|\d+", text) else parse_size(text)

"""Of every rule whose fix is tried: what it tells of its own example is done, and mends it."""

from __future__ import annotations

import re
import zlib
from collections.abc import Callable, Mapping

import pytest

from imgaudit.rules import checks
from imgaudit.rules.engine import Example, Finding, Rule
from tests._advice import moved, ways
from tests._audits import audited, found

TRIED = {
    name: check.rule
    for name, check in checks().items()
    if check.rule.moves or check.rule.rewrites or check.rule.renames
}


def keys(example: Example) -> dict[tuple[str, ...], int]:
    """Give what is found, what only follows from another finding too, with the worst of a kind."""
    ranks: dict[tuple[str, ...], int] = {}
    every = [one for item in audited(example).findings for one in (item, *item.leads_to)]
    for item in every:
        key = (*item.identity, str(item.values.get("other", "")))
        ranks[key] = min(ranks.get(key, item.severity.rank), item.severity.rank)
    return ranks


def all_ways(finding: Finding) -> list[str]:
    """Give each way that is told."""
    if finding.moves:
        return ways(finding.fix)
    told = finding.advice.partition("Tried on this build: ")[2].removesuffix(".")
    return told.split("; or ") if told else []


def in_environment(example: Example, change: Callable[[str, str], str]) -> Example:
    """Change the values of the variables of an environment with one copy; mend its checksum."""

    def changed(data: bytes) -> bytes:
        start = 4 if zlib.crc32(data[4:]) == int.from_bytes(data[:4], "little") else 5
        text, _, _ = data[start:].partition(b"\0\0")
        pairs = (item.decode().partition("=") for item in text.split(b"\0"))
        body = "\0".join(f"{name}={change(name, value)}" for name, _, value in pairs).encode()
        body = data[4:start] + body + bytes(len(data) - start - len(body))
        return zlib.crc32(body[start - 4 :]).to_bytes(4, "little") + body

    def made(make: Callable[[], bytes]) -> Callable[[], bytes]:
        return lambda: changed(make())

    files: Mapping[str, Callable[[], bytes]] = {
        name: made(make) if name.endswith(".env") else make for name, make in example.files.items()
    }
    return Example(example.layout, files, example.manifest, example.dumps, example.old)


def done(example: Example, way: str) -> Example:
    """Do what one way says, by its words."""
    if hit := re.fullmatch(r"write root=(\S+) for root=(\S+) in (\w+) \(u-boot\.env\)", way):
        new, old, name = hit.groups()
        return in_environment(
            example, lambda it, text: text.replace(old, new) if it == name else text
        )
    if hit := re.fullmatch(r"write (\w+) for (\w+) in (\w+) \(u-boot\.env\)", way):
        new, old, name = hit.groups()
        word = re.compile(rf"\b{old}\b")
        return in_environment(
            example, lambda it, text: word.sub(new, text, count=1) if it == name else text
        )
    text = example.layout
    if hit := re.fullmatch(r"write (\S+) for (\S+) in mtdparts \(example\.yaml\)", way):
        text = text.replace(f"({hit[2]})", f"({hit[1]})")
    elif hit := re.fullmatch(r"call (\S+) \S+ \(example\.yaml:(\d+): add label: (\S+)\)", way):
        lines = text.split("\n")
        line = lines[int(hit[2]) - 1]
        lines[int(hit[2]) - 1] = line.replace(
            f"name: {hit[1]},", f"name: {hit[1]}, label: {hit[3]},"
        )
        text = "\n".join(lines)
    else:
        text = moved(text, way)
    assert text != example.layout
    return Example(text, example.files, example.manifest, example.dumps, example.old)


@pytest.mark.parametrize("rule", TRIED.values(), ids=TRIED)
def test_what_is_told_of_the_example_mends_it(rule: Rule) -> None:
    ranks = keys(rule.bad)
    told = [(it, way) for it in found(rule.name, rule.bad) for way in all_ways(it)]
    assert told
    for finding, way in told:
        after = keys(done(rule.bad, way))
        (gone,) = {key for key in ranks if key[: len(finding.identity)] == finding.identity} or {()}
        assert gone not in after, way
        worse = {key for key, rank in after.items() if rank < ranks.get(key, rank + 1)}
        # Copies of the map follow a move of the layout's; until then they differ.
        assert all(key[0].startswith("map-") for key in worse), (way, worse)


_ONE = re.compile(
    r"(?<![\w.,:/-])1 (?:\w+ )?(?:blocks|bytes|cells|files|modules|programs|regions)\b"
)


@pytest.mark.parametrize("name", checks())
def test_one_thing_is_not_said_to_be_several(name: str) -> None:
    rule = checks()[name].rule
    for finding in audited(rule.bad).findings:
        for text in (finding.message, finding.effect, finding.fix):
            assert not _ONE.search(text.replace("line 1 ", "")), text

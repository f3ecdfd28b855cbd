from __future__ import annotations

import enum
import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from imgaudit.formats.facts import Checksum
from imgaudit.formats.view import View
from imgaudit.tasks.plain import checksum, plain
from imgaudit.units import Span


class Word(enum.StrEnum):
    ONE = "one"


class Number(enum.Enum):
    TWO = 2


@dataclass(frozen=True)
class Record:
    name: str
    size: int
    view: View | None = None
    tree: object = field(default=None, repr=False)
    offsets: dict[str, int] = field(default_factory=dict)


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        (None, None),
        (True, True),
        (1.5, 1.5),
        (Word.ONE, "one"),
        (Number.TWO, 2),
        (Span(16, 48), {"start": 16, "size": 32}),
        (b"\x00\xff", "00ff"),
        ({1: b"\1"}, {"1": "01"}),
        ((1, (2,)), [1, [2]]),
        (frozenset({"b", "a"}), ["a", "b"]),
        (Record("a", 1, View.of(b"x"), object()), {"name": "a", "size": 1}),
        (
            Record("a", 1, offsets={"size": 8}),
            {"name": "a", "size": {"value": 1, "offset": 8}, "view": None},
        ),
        (1j, "1j"),
    ],
)
def test_plain(value: Any, shown: Any) -> None:
    assert plain(value) == shown
    json.dumps(plain(value))


@pytest.mark.parametrize(("computed", "matches"), [("ab", True), ("ac", False), (None, None)])
def test_checksum(computed: str | None, matches: bool | None) -> None:
    why = "" if computed else "the data was not kept"
    shown = checksum(Checksum("payload", "CRC-32", "ab", computed, 4, Span(8, 12), why))
    assert shown["matches"] is matches
    assert shown["covers"] == {"start": 8, "size": 4}
    assert shown.get("why", "") == why


@dataclass(frozen=True)
class Joined:
    two_words: int
    offsets: dict[str, int] = field(default_factory=lambda: {"two_words": 4})


def test_a_key_joins_its_words_with_hyphens() -> None:
    assert plain(Joined(1)) == {"two-words": {"value": 1, "offset": 4}}
    # What a mapping is about are names of others: variables, options.
    assert plain({"boot_slot": "a"}) == {"boot_slot": "a"}


# Below these the keys are names that the build gives: variables, options of a kernel.
_OTHERS = {"variables", "configuration", "os-release", "changes"}


def test_the_report_has_keys_of_one_style() -> None:
    golden = Path(__file__).parent.parent / "report" / "golden" / "report.json"

    def keys(value: Any) -> Iterator[str]:
        for key, item in value.items() if isinstance(value, dict) else ():
            yield key
            yield from () if key in _OTHERS else keys(item)
        for item in value if isinstance(value, list) else ():
            yield from keys(item)

    assert not [key for key in keys(json.loads(golden.read_text())) if "_" in key]

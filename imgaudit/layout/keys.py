"""The kinds of value a layout key can have: each reads a YAML node and describes itself as schema.

One table of keys serves the loader and the JSON Schema, so they cannot drift apart.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import field
from datetime import date
from typing import Any, ClassVar, Protocol

import yaml

from imgaudit.data import dataclass
from imgaudit.errors import LayoutProblem, close
from imgaudit.model import Where
from imgaudit.units import both, parse_size

_STRING = "tag:yaml.org,2002:str"
_SHORT = 4  # letters of a word of which one that is wrong is much
_FEW = 10  # words that are all listed
_SOME = 6  # that are listed where none is written
_LONGEST = 60  # characters of a wrong value that a message repeats


_MOST_SIZE = (1 << 63) - 1


def _upto(most: int, least: int) -> str:
    """Give a pattern of the decimal and hex texts of `least` (0 or 1) to `most`, no other."""

    def below(text: str, digits: str, spelled: Callable[[str], str]) -> Iterator[str]:
        for at, digit in enumerate(text):
            low = digits[: digits.index(digit)]
            low = low[1:] if at == 0 else low
            if low:
                tail = f"[{spelled(digits)}]{{{len(text) - at - 1}}}"
                yield f"{''.join(f'[{spelled(it)}]' for it in text[:at])}[{spelled(low)}]{tail}"
        if len(text) > 1:
            yield f"[{spelled(digits[1:])}][{spelled(digits)}]{{0,{len(text) - 2}}}"
        yield "".join(f"[{spelled(it)}]" for it in text)

    def either(text: str) -> str:
        return text + "".join(it.upper() for it in text if it.isalpha())

    zero = ["0"] if least == 0 else []
    hexes = "|".join([*zero, *below(f"{most:x}", "0123456789abcdef", either)])
    decimals = "|".join([*zero, *below(str(most), "0123456789", str)])
    return f"^(0[xX]0*({hexes})|{decimals})$"


# With a unit, as many digits as can be below 2^63; the last one is the loader's to weigh.
_SIZE_TEXT = (
    r"^\s*("
    + _upto(_MOST_SIZE, 0)[1:-1]
    + r"|0[xX][0-9a-fA-F_]{1,15}|[1-9][0-9_]{0,17}(\s*B)?|0\s*B"
    r"|(0|[1-9][0-9_]{0,15})(\.[0-9]+)?\s*KiB|(0|[1-9][0-9_]{0,12})(\.[0-9]+)?\s*MiB"
    r"|(0|[1-9][0-9_]{0,9})(\.[0-9]+)?\s*GiB|(0|[1-9][0-9_]{0,6})(\.[0-9]+)?\s*TiB)\s*$"
)
_NOT_ZERO = r"^(?!\s*(0[xX])?[0_]+(\.0+)?\s*([KMGT]iB|B)?\s*$)"


class Reading:
    """A layout being read: collects every problem instead of stopping at the first."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.problems: list[LayoutProblem] = []

    def where(self, node: yaml.Node) -> Where:
        """Give a node's place."""
        mark = node.start_mark
        return Where(self.file, mark.line + 1, mark.column + 1) if mark else Where(self.file, 1, 1)

    def problem(self, where: yaml.Node | Where, why: str) -> None:
        """Note a problem at a node or a place."""
        place = where if isinstance(where, Where) else self.where(where)
        self.problems.append(LayoutProblem(self.file, place.line, place.column, why))


class Kind(Protocol):
    """How one value is read and described. `read` returns None after noting a problem."""

    def read(self, node: yaml.Node, reading: Reading) -> Any:
        """Turn a node into a value."""
        ...

    def schema(self) -> dict[str, Any]:
        """Describe the value as JSON Schema."""
        ...


@dataclass(frozen=True, slots=True)
class Key:
    """One key of a mapping; `doc` is a sentence for the schema and the editor."""

    name: str
    kind: Kind
    doc: str
    required: bool = False


@dataclass()
class Values:
    """What a mapping said: values by key, the place of each, and the place of the whole."""

    where: Where
    values: dict[str, Any] = field(default_factory=dict)
    places: dict[str, Where] = field(default_factory=dict)

    def under(self, other: Values) -> Values:
        """Give these values with those of `other` on top; what excludes them goes."""
        pairs = (("size", "sectors"), ("erase-block", "erase-map"))
        gone = {
            key
            for pair in pairs
            for key in pair
            if set(pair) & other.places.keys() and key not in other.places
        }
        return Values(
            other.where,
            {key: value for key, value in self.values.items() if key not in gone} | other.values,
            {key: where for key, where in self.places.items() if key not in gone} | other.places,
        )

    def get(self, key: str, default: Any = None) -> Any:
        """Give a key's value, or the default where it is not written or was wrong."""
        value = self.values.get(key)
        return default if value is None else value


def _scalar(node: yaml.Node, reading: Reading, what: str) -> str | None:
    if isinstance(node, yaml.ScalarNode):
        return str(node.value)
    reading.problem(node, f"expected {what}")
    return None


@dataclass(frozen=True, slots=True)
class Text:
    """A string. Bare words that YAML 1.1 reads as something else must be quoted."""

    pattern: str | None = None
    what: str = "a text"

    def read(self, node: yaml.Node, reading: Reading) -> str | None:
        """Read a string scalar."""
        text = _scalar(node, reading, self.what)
        if text is None:
            return None
        if node.tag != _STRING:
            reading.problem(node, f"expected {self.what}: quote {shown(text)} if it is meant so")
            return None
        if any(ord(letter) < 32 and letter not in "\n\t" for letter in text):
            reading.problem(node, f"expected {self.what} without control characters")
            return None
        if self.pattern is not None and not re.fullmatch(self.pattern, text):
            reading.problem(node, f"{shown(text)} is not {self.what}")
            return None
        return text

    def schema(self) -> dict[str, Any]:
        """Describe a string."""
        found: dict[str, Any] = {"type": "string"}
        if self.pattern is not None:
            found["pattern"] = f"^(?:{self.pattern})$"
        return found


@dataclass(frozen=True, slots=True)
class PartitionType:
    """What a partition is for, as a word, a GUID or a byte; which of them, the table decides."""

    def read(self, node: yaml.Node, reading: Reading) -> str | None:
        """Read the text as it is written: a bare 83 or 0x83 is a byte in hex."""
        return _scalar(node, reading, "a partition type")

    def schema(self) -> dict[str, Any]:
        """Describe all that some table takes."""
        from imgaudit.formats import boot_record, guid

        words = dict.fromkeys((*guid.TYPE_WORDS, *boot_record.TYPE_NAMES))
        of_gpt, of_mbr = self.of("gpt")["anyOf"], self.of("mbr")["anyOf"]
        return {"anyOf": [{"enum": list(words)}, *of_gpt[1:], *of_mbr[1:]]}

    @staticmethod
    def of(table: str) -> dict[str, Any]:
        """Describe what one kind of table takes: its words, and its numbers."""
        from imgaudit.formats import boot_record, guid

        if table == "gpt":
            numbers = r"^[0-9a-fA-F]{8}(-[0-9a-fA-F]{4}){3}-[0-9a-fA-F]{12}$"
            return {
                "anyOf": [{"enum": list(guid.TYPE_WORDS)}, {"type": "string", "pattern": numbers}]
            }
        return {
            "anyOf": [
                {"enum": list(boot_record.TYPE_NAMES)},
                {"type": "string", "pattern": r"^(0x)?[0-9a-fA-F]{1,2}$"},
                {"type": "integer", "minimum": 0, "maximum": 255},
            ]
        }


@dataclass(frozen=True, slots=True)
class Size:
    """Bytes: an integer, a hex integer, or a number with a binary unit."""

    least: int = 0

    def read(self, node: yaml.Node, reading: Reading) -> int | None:
        """Read a size from the scalar's text, so that YAML's own number rules do not matter."""
        text = _scalar(node, reading, "a size, such as 64 KiB or 0x10000")
        if text is None:
            return None
        try:
            size = parse_size(text)
        except ValueError as problem:
            reading.problem(node, str(problem))
            return None
        if not self.least <= size < 1 << 63:
            why = f"at least {both(self.least)}" if size < self.least else "below 2^63 bytes"
            reading.problem(node, f"{text} is out of range: {why}")
            return None
        return size

    def schema(self) -> dict[str, Any]:
        """Describe a size."""
        return {
            "anyOf": [
                {"type": "integer", "minimum": self.least, "maximum": _MOST_SIZE},
                {"type": "string", "pattern": (_NOT_ZERO if self.least else "") + _SIZE_TEXT},
            ]
        }


@dataclass(frozen=True, slots=True)
class OrWord:
    """A value, or one word that stands for it."""

    kind: Kind
    word: str

    def read(self, node: yaml.Node, reading: Reading) -> Any:
        """Read the word as it is, all else as the value."""
        if isinstance(node, yaml.ScalarNode) and node.value == self.word:
            return self.word
        return self.kind.read(node, reading)

    def schema(self) -> dict[str, Any]:
        """Describe both."""
        return {"anyOf": [{"const": self.word}, self.kind.schema()]}


@dataclass(frozen=True, slots=True)
class Number:
    """A whole number that counts something."""

    least: int = 0
    most: int = 1 << 40

    def read(self, node: yaml.Node, reading: Reading) -> int | None:
        """Read a decimal or hex integer."""
        text = _scalar(node, reading, "a whole number")
        if text is None:
            return None
        # YAML 1.1 reads 010 as eight and 1.2 as ten: neither is meant for sure.
        if not re.fullmatch(r"0[xX][0-9a-fA-F]{1,16}|0|[1-9][0-9]{0,18}", text):
            reading.problem(node, f"{shown(text)} is not a whole number")
            return None
        number = int(text, 16) if text[:2] in {"0x", "0X"} else int(text)
        if not self.least <= number <= self.most:
            reading.problem(node, f"{text} is out of range: {self.least} to {self.most}")
            return None
        return number

    def schema(self) -> dict[str, Any]:
        """Describe an integer, or the text of one: YAML may quote it."""
        number = {"type": "integer", "minimum": self.least, "maximum": self.most}
        return {"anyOf": [number, {"type": "string", "pattern": _upto(self.most, self.least)}]}


@dataclass(frozen=True, slots=True)
class Percent:
    """A share of a region, `5 %`, or a size."""

    share: ClassVar[str] = r"\s*[0-9]{1,2}(\.[0-9]{1,6})?\s*%\s*"

    def read(self, node: yaml.Node, reading: Reading) -> tuple[str, float] | None:
        """Read `("percent", 5.0)` or `("size", 65536)`."""
        text = _scalar(node, reading, "a share such as 5 %, or a size")
        if text is None:
            return None
        if not text.rstrip().endswith("%"):
            size = Size().read(node, reading)
            return None if size is None else ("size", size)
        if not re.fullmatch(self.share, text):
            reading.problem(node, f"{shown(text)} is not a share from 0 % to below 100 %")
            return None
        return ("percent", float(text.rstrip()[:-1]))

    def schema(self) -> dict[str, Any]:
        """Describe a share or a size."""
        share = {"type": "string", "pattern": f"^{self.share}$"}
        return {"anyOf": [share, *Size().schema()["anyOf"]]}


@dataclass(frozen=True, slots=True)
class Day:
    """A day of the calendar, `2027-03-31`, quoted or not."""

    def read(self, node: yaml.Node, reading: Reading) -> str | None:
        """Read an ISO 8601 date."""
        text = _scalar(node, reading, "a day such as 2027-03-31")
        if text is None:
            return None
        try:
            return date.fromisoformat(text).isoformat()
        except ValueError:
            reading.problem(node, f"{shown(text)} is not a day such as 2027-03-31")
            return None

    def schema(self) -> dict[str, Any]:
        """Describe a day."""
        return {"type": "string", "format": "date"}


@dataclass(frozen=True, slots=True)
class OneOf:
    """One of a few words."""

    words: tuple[str, ...]

    def read(self, node: yaml.Node, reading: Reading) -> str | None:
        """Read a word, with a suggestion where it is close to one."""
        text = _scalar(node, reading, "one of " + ", ".join(self.words))
        if text is None or text in self.words:
            return text
        few = len(self.words) < _FEW
        some = alternatives(self.words) if few else "a word that can stand here"
        near = suggested(text, self.words)
        if few:
            near = _meant(text, self.words) or close(text, self.words)
        reading.problem(node, f"{shown(text)} is not {some}{near}")
        return None

    def schema(self) -> dict[str, Any]:
        """Describe the words."""
        words: list[str | int] = [int(word) if word.isdigit() else word for word in self.words]
        return {"enum": words}


@dataclass(frozen=True, slots=True)
class ListOf:
    """A sequence of at least `least` items; `alone` also takes one without the brackets."""

    item: Kind
    alone: bool = False
    least: int = 0
    most: int | None = None

    def read(self, node: yaml.Node, reading: Reading) -> list[Any] | None:
        """Read the items; wrong ones are left out after their problem is noted."""
        if not isinstance(node, yaml.SequenceNode):
            if self.alone:
                one = self.item.read(node, reading)
                return None if one is None else [one]
            reading.problem(node, "expected a list")
            return None
        if len(node.value) < self.least:
            reading.problem(node, "the list is empty")
        if self.most is not None and len(node.value) > self.most:
            reading.problem(node, f"the list has more than {self.most} items")
        values = [self.item.read(child, reading) for child in node.value]
        return [value for value in values if value is not None]

    def schema(self) -> dict[str, Any]:
        """Describe the list."""
        many: dict[str, Any] = {"type": "array", "items": self.item.schema()}
        if self.least:
            many["minItems"] = self.least
        if self.most is not None:
            many["maxItems"] = self.most
        return {"anyOf": [self.item.schema(), many]} if self.alone else many


@dataclass(frozen=True, slots=True)
class Table:
    """A mapping with known keys; `also` is what the loader asks of them together, as schema."""

    keys: tuple[Key, ...]
    also: tuple[Mapping[str, Any], ...] = ()

    def read(self, node: yaml.Node, reading: Reading) -> Values | None:
        """Read every key; unknown, repeated and missing ones are problems."""
        if not isinstance(node, yaml.MappingNode):
            reading.problem(node, "expected a mapping of keys to values")
            return None
        found = Values(reading.where(node))
        known = {key.name: key for key in self.keys}
        for name, key_node, value_node in pairs(node, reading):
            key = known.get(name)
            if key is None:
                reading.problem(
                    key_node, f"unknown key {shown(name)}{suggested(name, tuple(known))}"
                )
                continue
            found.places[name] = reading.where(key_node)
            found.values[name] = key.kind.read(value_node, reading)
        for key in self.keys:
            if key.required and key.name not in found.places:
                words = key.kind.words if isinstance(key.kind, OneOf) else ()
                some = f" It is {alternatives(words)}." if 1 < len(words) <= _SOME else ""
                reading.problem(node, f"the key {key.name!r} is missing: {key.doc}{some}")
        return found

    def schema(self) -> dict[str, Any]:
        """Describe the keys."""
        found: dict[str, Any] = {
            "type": "object",
            "additionalProperties": False,
            "properties": {
                key.name: {"description": key.doc} | key.kind.schema() for key in self.keys
            },
        }
        required = [key.name for key in self.keys if key.required]
        found |= {"required": required} if required else {}
        return found | ({"allOf": [dict(item) for item in self.also]} if self.also else {})


@dataclass(frozen=True, slots=True)
class Named:
    """A mapping from the user's own names to values of one kind."""

    item: Kind
    pattern: str = r"[A-Za-z0-9][A-Za-z0-9_.+-]*"

    def read(self, node: yaml.Node, reading: Reading) -> dict[str, tuple[Where, Any]] | None:
        """Read `{name: (place, value)}` in file order."""
        if not isinstance(node, yaml.MappingNode):
            reading.problem(node, "expected a mapping of names to values")
            return None
        found = {}
        for name, key_node, value_node in pairs(node, reading):
            if not re.fullmatch(self.pattern, name):
                reading.problem(key_node, f"{shown(name)} is not a name that can stand here")
            value = self.item.read(value_node, reading)
            if value is not None:
                found[name] = (reading.where(key_node), value)
        return found

    def schema(self) -> dict[str, Any]:
        """Describe the mapping."""
        return {
            "type": "object",
            "propertyNames": {"pattern": f"^(?:{self.pattern})$"},
            "additionalProperties": self.item.schema(),
        }


@dataclass(frozen=True, slots=True)
class Either:
    """A mapping where one is written, else a simpler form."""

    table: Kind
    simple: Kind

    def read(self, node: yaml.Node, reading: Reading) -> Any:
        """Read by the node's shape."""
        kind = self.table if isinstance(node, yaml.MappingNode) else self.simple
        return kind.read(node, reading)

    def schema(self) -> dict[str, Any]:
        """Describe both forms."""
        return {"anyOf": [self.simple.schema(), self.table.schema()]}


def pairs(node: yaml.MappingNode, reading: Reading) -> list[tuple[str, yaml.Node, yaml.Node]]:
    """Give a mapping's keys and values; keys that are no strings or repeat are problems."""
    found: list[tuple[str, yaml.Node, yaml.Node]] = []
    lines: dict[str, int] = {}
    for key_node, value_node in node.value:
        if not isinstance(key_node, yaml.ScalarNode) or key_node.tag == "tag:yaml.org,2002:merge":
            reading.problem(key_node, "expected a plain key")
            continue
        name = str(key_node.value)
        if key_node.tag != _STRING:
            reading.problem(key_node, f"expected a text as key: quote {shown(name)} if it is one")
            continue
        if name in lines:
            reading.problem(key_node, f"the key {shown(name)} stands already at line {lines[name]}")
            continue
        lines[name] = key_node.start_mark.line + 1
        found.append((name, key_node, value_node))
    return found


def shown(text: str) -> str:
    """Quote a text for a message; a long one is cut."""
    return repr(text if len(text) <= _LONGEST else text[:_LONGEST] + "...")


def alternatives(words: Sequence[str], joint: str = "or") -> str:
    """Say `a`, `a or b`, `a, b or c`."""
    head, tail = ", ".join(words[:-1]), words[-1]
    return f"{head} {joint} {tail}" if head else tail


# What others call the same; each counts where the right-hand word can stand.
_ALSO_CALLED: Mapping[str, tuple[str, ...]] = {
    "offset": ("at",),
    "start": ("at",),
    "address": ("at",),
    "length": ("size",),
    "block": ("erase-block",),
    "erasesize": ("erase-block",),
    "eraseblock": ("erase-block",),
    "blocksize": ("erase-block",),
    "writesize": ("page",),
    "oob": ("spare",),
    "oobsize": ("spare",),
    "format": ("holds",),
    "fstype": ("holds",),
    "image": ("file",),
    "sdcard": ("sd",),
    "mmc": ("emmc", "sd"),
    "msdos": ("mbr",),
    "dos": ("mbr",),
    "cfi": ("parallel-nor",),
    "cfi-flash": ("parallel-nor",),
    "env": ("uboot-env",),
    "dtb": ("fdt",),
    "itb": ("fit",),
    "initrd": ("cpio",),
    "initramfs": ("cpio",),
    "u-boot": ("raw",),
    "uboot": ("raw",),
    "bin": ("raw",),
    "binary": ("raw",),
    "image.gz": ("gzip",),
    "spl": ("raw",),
    "update": ("release",),
    "updater": ("release",),
    "user": ("runtime",),
    "aarch64": ("arm64",),
    "armv7": ("arm",),
    "amd64": ("x86-64",),
    "x86_64": ("x86-64",),
    "ppc": ("powerpc",),
}


def _meant(word: str, words: Sequence[str]) -> str:
    """Suggest what is meant by a word that others use; nothing where it is none."""
    meant = [repr(it) for it in _ALSO_CALLED.get(word.lower(), ()) if it in words]
    return f"; did you mean {alternatives(meant)}?" if meant else ""


def suggested(word: str, words: Sequence[str], listed: Sequence[str] = ()) -> str:
    """Suggest the nearest of many words or, where none is near, list them all (or `listed`)."""
    inside = next((part for part in word.split("-") if len(part) > 1 and part in words), None)
    if inside is not None:
        return f"; did you mean {inside!r}?"
    sure = 0.75 if len(word) > _SHORT else 0.6
    return (
        _meant(word, words)
        or close(word, words, sure)
        or f"; there are {alternatives(listed or words, 'and')}"
    )

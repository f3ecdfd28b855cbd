"""What shell scripts compute that can be told without running them: devices by name, numbers.

Source: POSIX.1-2024, Shell Command Language 2.6 (expansion); Linux drivers/mtd/mtdcore.c
(`mtd_proc_show`: a line of /proc/mtd has the device and, in quotes, the name); findfs(8),
readlink(1), seq(1).
"""

from __future__ import annotations

import operator
import posixpath
from collections.abc import Iterator, Mapping

from imgaudit import bounds
from imgaudit.patterns import regex
from imgaudit.rescue import sh

MTD_NAMED = "mtd/by-name/"
"""How an MTD device is written of which the name alone is known."""
MAX_ITEMS = 32
_LONGEST = 400  # characters of a substitution that is looked at
_QUOTED = regex(r'"([\w.+:-]{1,64})"')
_SLASHED = regex(r"/\\?\"?([\w.+-]{1,64})\\?\"?/")
_SUM = regex(r"\s*([\w$]+)\s*(?:([-+*])\s*([\w$]+)\s*)?")
_OPERATIONS = {"+": operator.add, "-": operator.sub, "*": operator.mul}
_BY = {"PARTLABEL": "disk/by-partlabel", "PARTUUID": "disk/by-partuuid"}

Values = Mapping[str, str | None]


def computed(text: str, values: Values) -> str | None:
    """Give what an expansion that is no variable comes to; None where that is not known.

    `text` is what stands behind the dollar sign or the back-tick.
    """
    if len(text) > _LONGEST:
        return None
    if text.startswith("((") and text.endswith("))"):
        return _number(text[2:-2], values)
    inner = text[1:-1] if text.startswith("(") else text.removesuffix("`")
    try:
        body = sh.parse(inner)
    except sh.ShellError:
        return None
    commands = list(_commands(body))
    said = [[expanded(word, values) for word in command.words] for command in commands]
    read = [expanded(word, values) for command in commands for _, word in command.to]
    if "/proc/mtd" in (*(word for words in said for word in words), *read):
        names = set(_names(said))
        return f"{MTD_NAMED}{names.pop()}" if len(names) == 1 else None
    return _one(said[0]) if len(said) == 1 and None not in said[0] else None


def expanded(word: sh.Word, values: Values) -> str | None:
    """Expand a word; None where it is not known."""
    found = ""
    for part in word:
        value = part.text if part.kind == "text" else None
        if part.kind == "variable":
            value = values.get(part.text, part.default)
        elif part.kind == "unknown":
            value = computed(part.text, values)
        if value is None:
            return None
        found += value
    return found


def split(word: sh.Word, values: Values) -> list[str | None]:
    """Expand a word and split it at blanks, where nothing in it is quoted."""
    text = expanded(word, values)
    if text is None or any(part.quoted for part in word):
        return [text]
    pieces: list[str | None] = [*text.split()]
    return bounds.within(pieces, MAX_ITEMS, "a script", "words of a list")


def _commands(body: sh.Sequence) -> Iterator[sh.Simple]:
    for chain in body.chains:
        for _, pipeline in chain.parts:
            yield from (one for one in pipeline.commands if isinstance(one, sh.Simple))


def _names(commands: list[list[str | None]]) -> Iterator[str]:
    """Give what lines of /proc/mtd are picked by: what grep, awk or sed look for."""
    for words in commands:
        tool, rest = posixpath.basename(words[0] or "") if words else "", words[1:]
        given = [word for word in rest if word is not None and not word.startswith("-")]
        if tool in {"grep", "fgrep", "egrep"} and given and given[0] != "/proc/mtd":
            yield given[0].strip("\"'\\$^: ")
        elif tool in {"awk", "sed", "gawk"}:
            program = given[0] if given else ""
            found = _QUOTED.findall(program) or _SLASHED.findall(program)
            yield from (name for name in found if name not in {":", " "})


def _one(words: list[str | None]) -> str | None:
    """Give what one command prints, of those that print what they are given."""
    tool, rest = posixpath.basename(words[0] or "") if words else "", words[1:]
    given = [word or "" for word in rest if not (word or "").startswith("-")]
    if tool == "echo" and len(given) == len(rest):
        return " ".join(given)
    if tool in {"readlink", "realpath"} and len(given) == 1 and given[0].startswith("/dev/"):
        return given[0]
    if tool == "basename" and len(given) == 1:
        return posixpath.basename(given[0])
    if tool == "findfs" and len(given) == 1:
        tag, _, value = given[0].partition("=")
        return f"/dev/{_BY[tag]}/{value}" if tag in _BY else None
    numeric = all(word.isdecimal() and len(word) < 6 for word in given)
    if tool == "seq" and numeric and len(given) in {1, 2}:
        first, last = (1, *map(int, given))[-2:]
        numbers = range(first, last + 1)
        return " ".join(map(str, numbers)) if len(numbers) <= MAX_ITEMS else None
    return None


def _number(text: str, values: Values) -> str | None:
    found = _SUM.fullmatch(text)
    if found is None:
        return None
    numbers: list[int] = []
    for word in (found[1], found[3]):
        name = (word or "0").removeprefix("$")
        value = name if name.isdecimal() else values.get(name)
        if value is None or not value.isdecimal() or len(value) > 9:
            return None
        numbers.append(int(value))
    return str(_OPERATIONS[found[2]](*numbers) if found[2] else numbers[0])

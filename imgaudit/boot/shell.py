"""U-Boot's hush language: text to a tree, and words to arguments.

A problem in the text is data (`Script.problem`): U-Boot does not run any part of a variable that
holds one, and of a script only the lines before it.

Source: U-Boot common/cli_hush.c (the parser that is the default), test/hush/*.c.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from imgaudit.boot.values import Hole, Text

MAX_TEXT = 1 << 18
"""Longer texts are refused; a whole environment is seldom larger."""
MAX_ARGUMENT = 1 << 14
"""Characters in one expanded command; CONFIG_SYS_CBSIZE is a few KiB at most."""
MAX_NESTING = 24
"""Compound commands inside each other; scripts seen in the field stay below 8."""

_RESERVED = {"if", "then", "elif", "else", "fi", "for", "in", "while", "until", "do", "done"}
_ASSIGNMENT = re.compile(r"[A-Za-z][A-Za-z0-9_]*=")
_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_]*")


@dataclass(frozen=True, slots=True)
class Literal:
    """Characters as they are after quote removal."""

    text: str


@dataclass(frozen=True, slots=True)
class Variable:
    """`$name`, `${name}` or `${name:-other}`; `how` is "", "-", "=" or "+"."""

    name: str
    at: int
    how: str = ""
    other: str = ""


@dataclass(frozen=True, slots=True)
class Word:
    """One word; a quoted one is never split and never vanishes."""

    pieces: tuple[Literal | Variable, ...]
    quoted: bool
    at: int
    end: int

    @property
    def literal(self) -> str | None:
        """The text, where no variable is in it."""
        if any(isinstance(piece, Variable) for piece in self.pieces):
            return None
        return "".join(piece.text for piece in self.pieces if isinstance(piece, Literal))

    @property
    def assigns(self) -> str | None:
        """The name in `name=value`."""
        first = self.pieces[0] if self.pieces else None
        match = _ASSIGNMENT.match(first.text) if isinstance(first, Literal) else None
        return match[0][:-1] if match else None


@dataclass(frozen=True, slots=True)
class Command:
    """A simple command."""

    words: tuple[Word, ...]
    at: int
    end: int


@dataclass(frozen=True, slots=True)
class If:
    """Pairs of condition and body, tried in order."""

    branches: tuple[tuple[List, List], ...]
    otherwise: List | None
    at: int
    end: int


@dataclass(frozen=True, slots=True)
class For:
    """`for name in words; do body; done`."""

    name: str
    words: tuple[Word, ...]
    body: List
    at: int
    end: int


@dataclass(frozen=True, slots=True)
class Loop:
    """`while` or, with `until`, its opposite."""

    until: bool
    condition: List
    body: List
    at: int
    end: int


Node = Command | If | For | Loop


@dataclass(frozen=True, slots=True)
class Step:
    """A command and the operator behind it: `;` (also a newline or the end), `&&` or `||`."""

    node: Node
    follow: str


@dataclass(frozen=True, slots=True)
class List:
    """Steps in order."""

    steps: tuple[Step, ...]


@dataclass(frozen=True, slots=True)
class Problem:
    """What the parser refuses, and where."""

    at: int
    why: str


@dataclass(frozen=True, slots=True)
class Script:
    """A parsed text: `units` are what U-Boot parses and runs one after the other."""

    name: str
    text: str
    units: tuple[List, ...]
    problem: Problem | None = None


class _RefusedError(Exception):
    """Raised and caught in this module only."""

    def __init__(self, at: int, why: str) -> None:
        super().__init__(why)
        self.problem = Problem(at, why)


_Token = Word | tuple[str, int]
"""A word, or an operator (`;`, newline, `&&`, `||`) with its place."""


def parse(text: str, name: str, *, lines: bool = False) -> Script:
    """Parse a variable's value, or with `lines` a script that is run line by line."""
    if len(text) > MAX_TEXT:
        return Script(name, text, (), Problem(MAX_TEXT, f"longer than {MAX_TEXT:,} characters"))
    units: list[List] = []
    problem = None
    try:
        parser = _Parser(text)
        while not parser.done:
            unit = parser.sequence((), lines=lines)
            if unit.steps:
                units.append(unit)
    except _RefusedError as refused:
        problem = refused.problem
        if not lines:
            units = []
    return Script(name, text, tuple(units), problem)


class _Parser:
    def __init__(self, text: str) -> None:
        self.tokens = _tokens(text)
        self.next: _Token | None = None
        self.done = False
        self.depth = 0
        self.end = 0
        self.size = len(text)
        self.advance()

    def advance(self) -> None:
        if self.next is not None:
            self.end = self.next.end if isinstance(self.next, Word) else self.next[1]
        self.next = next(self.tokens, None)
        self.done = self.next is None

    @property
    def place(self) -> int:
        if self.next is None:
            return self.size
        return self.next.at if isinstance(self.next, Word) else self.next[1]

    def reserved(self) -> str | None:
        """Return the reserved word that is next, seen as the first word of a command."""
        if isinstance(self.next, Word) and (word := self.next.literal) in _RESERVED:
            return word
        return None

    def sequence(self, until: tuple[str, ...], *, lines: bool = False) -> List:
        """Read steps up to one of the reserved words, or in a script up to the end of its line."""
        steps: list[Step] = []
        while self.next is not None:
            if not isinstance(self.next, Word):
                operator = self.next[0]
                self.advance()
                if operator == "\n" and lines:
                    break
                continue
            word = self.reserved()
            if word in until:
                return List(tuple(steps))
            if word is not None and word not in {"if", "for", "while", "until"}:
                raise _RefusedError(self.place, f"`{word}` has no place here")
            node = self.compound(word) if word else self.command()
            follow = ";"
            if self.next is not None and not isinstance(self.next, Word):
                follow = self.next[0]
                if follow in {"&&", "||"}:
                    self.advance()
                    # a chain ends at a newline, also right behind its operator
                    if isinstance(self.next, tuple) and self.next[0] in {";", "\n"}:
                        follow = ";"
            elif self.next is not None:
                raise _RefusedError(self.place, "a word follows a compound command")
            steps.append(Step(node, follow if follow in {"&&", "||"} else ";"))
        if until and self.next is None:
            raise _RefusedError(self.size, f"`{until[-1]}` is missing")
        return List(tuple(steps))

    def command(self) -> Command:
        at, words = self.place, []
        while isinstance(self.next, Word):
            words.append(self.next)
            self.advance()
        return Command(tuple(words), at, words[-1].end)

    def compound(self, word: str) -> Node:
        if self.depth >= MAX_NESTING:
            raise _RefusedError(self.place, f"more than {MAX_NESTING} commands inside each other")
        self.depth += 1
        at = self.place
        self.advance()
        node = self.when(at) if word == "if" else self.repeat(word, at)
        self.depth -= 1
        return node

    def when(self, at: int) -> If:
        branches, otherwise = [], None
        while True:
            condition = self.sequence(("then",))
            self.advance()
            body = self.sequence(("elif", "else", "fi"))
            branches.append((condition, body))
            word = self.reserved()
            self.advance()
            if word == "else":
                otherwise = self.sequence(("fi",))
                self.advance()
            if word != "elif":
                return If(tuple(branches), otherwise, at, self.end)

    def repeat(self, word: str, at: int) -> Node:
        if word == "for":
            if not isinstance(self.next, Word) or self.next.literal is None:
                raise _RefusedError(self.place, "`for` needs a name")
            name = self.next.literal
            self.advance()
            self.separators()
            if self.reserved() != "in":
                raise _RefusedError(self.place, "`for` needs `in`")
            self.advance()
            words = self.command().words if isinstance(self.next, Word) else ()
        else:
            condition = self.sequence(("do",))
        self.separators()
        if self.reserved() != "do":
            raise _RefusedError(self.place, "`do` is missing")
        self.advance()
        body = self.sequence(("done",))
        self.advance()
        if word == "for":
            return For(name, words, body, at, self.end)
        return Loop(word == "until", condition, body, at, self.end)

    def separators(self) -> None:
        while self.next is not None and not isinstance(self.next, Word):
            self.advance()


def _tokens(text: str) -> Iterator[_Token]:
    """Split into words and operators; quotes are removed, variables are kept apart."""
    at, size = 0, len(text)
    while at < size:
        character = text[at]
        if character in " \t":
            at += 1
        elif character in ";\n":
            yield character, at
            at += 1
        elif character in "&|":
            if text[at : at + 2] != character * 2:
                raise _RefusedError(at, f"a single `{character}` is not supported")
            yield character * 2, at
            at += 2
        elif character == "#":
            end = text.find("\n", at)
            at = size if end < 0 else end
        else:
            word = _word(text, at)
            yield word
            at = word.end


def _word(text: str, start: int) -> Word:
    pieces: list[Literal | Variable] = []
    letters: list[str] = []
    at, size, quoted, inside = start, len(text), False, False

    def flush() -> None:
        if letters:
            pieces.append(Literal("".join(letters)))
            letters.clear()

    while at < size:
        character = text[at]
        if not inside and character in " \t\n;&|":
            break
        if character == "'":
            # also inside double quotes: cli_hush.c does not look at them here
            end = text.find("'", at + 1)
            if end < 0:
                raise _RefusedError(at, "a quote is not closed")
            letters.append(text[at + 1 : end])
            quoted, at = True, end + 1
        elif character == '"':
            quoted, inside, at = True, not inside, at + 1
        elif character == "\\":
            if at + 1 >= size:
                raise _RefusedError(at, "nothing follows the last backslash")
            # inside double quotes the backslash stays: cli_hush.c escapes both characters
            letters.append(text[at : at + 2] if inside else text[at + 1])
            at += 2
        elif character == "$":
            variable, end = _variable(text, at)
            if variable is None:
                letters.append("$")
            else:
                flush()
                pieces.append(variable)
            at = end
        else:
            letters.append(character)
            at += 1
    if inside:
        raise _RefusedError(start, "a double quote is not closed")
    flush()
    return Word(tuple(pieces), quoted, start, at)


def _variable(text: str, at: int) -> tuple[Variable | None, int]:
    """Read what follows a `$`; None where it is only a dollar sign."""
    if text.startswith("${", at):
        end = text.find("}", at)
        if end < 0:
            raise _RefusedError(at, "`${` is not closed")
        name, colon, rest = text[at + 2 : end].partition(":")
        if colon and rest[:1] in {"-", "=", "+"}:
            return Variable(name, at, rest[0], rest[1:]), end + 1
        return Variable(name, at), end + 1
    if text.startswith("$?", at):
        return Variable("?", at), at + 2
    match = _NAME.match(text, at + 1)
    return (Variable(match[0], at), match.end()) if match else (None, at + 1)


Lookup = Callable[[Variable], Text]
"""Gives a variable's value; empty text where it is not set."""


def fill(word: Word, lookup: Lookup) -> Text:
    """Put the values into one word, without splitting it."""
    pieces: list[str | Hole] = []
    size = 0
    for piece in word.pieces:
        more = (piece.text,) if isinstance(piece, Literal) else lookup(piece).pieces
        size += sum(len(text) if isinstance(text, str) else 1 for text in more)
        if size > MAX_ARGUMENT:
            return Text.unknown("too long")
        pieces.extend(more)
    return Text(pieces)


def expand(words: tuple[Word, ...], lookup: Lookup) -> list[Text]:
    """Give the arguments of a command.

    A command with a variable in it is read a second time after the values are in: an unquoted
    empty value then vanishes, so that later arguments move up, and one with blanks is several.
    """
    if all(word.literal is not None for word in words):
        return [Text.of(word.literal or "") for word in words]
    arguments: list[Text] = []
    size = 0
    for word in words:
        filled = fill(word, lookup)
        size += 1 + len(str(filled))
        if size > MAX_ARGUMENT:
            return [*arguments, Text.unknown("too long")]
        arguments.extend((filled,) if word.quoted else _split(filled))
    return arguments


def items(words: tuple[Word, ...], lookup: Lookup) -> list[Text]:
    """Give what a `for` runs over: each word is split at blanks, quoted or not."""
    found: list[Text] = []
    for word in words:
        current: list[str | Hole] = []
        for piece in fill(word, lookup).pieces:
            if isinstance(piece, Hole):
                current.append(piece)
                continue
            first, *others = piece.replace("\n", " ").split(" ")
            current.append(first)
            for other in others:
                found.append(Text(current))
                current = [other]
        found.append(Text(current))
        if len(found) > MAX_ARGUMENT:
            break
    return [item for item in found if item.pieces]


def _split(text: Text) -> list[Text]:
    """Split an unquoted word after its values are in; quotes in the values count."""
    words: list[Text] = []
    current: list[str | Hole] = []
    started, quote = False, ""

    for piece in text.pieces:
        if isinstance(piece, Hole):
            current.append(piece)
            started = True
            continue
        escaped = False
        for character in piece:
            if escaped:
                current.append(character)
                escaped = False
            elif character == "\\" and quote != "'":
                started = escaped = True
            elif character == quote:
                quote = ""
            elif not quote and character in "'\"":
                quote, started = character, True
            elif not quote and character in " \t\n":
                if started:
                    words.append(Text(current))
                current, started = [], False
            else:
                current.append(character)
                started = True
    if started:
        words.append(Text(current))
    return words

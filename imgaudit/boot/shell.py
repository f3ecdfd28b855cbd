"""U-Boot's hush language: text to a tree, and words to arguments.

A problem in the text is data (`Script.problem`): U-Boot does not run any part of a variable that
holds one, and of a script only the lines before it.

Source: U-Boot common/cli_hush.c (the parser that is the default), test/hush/*.c.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from imgaudit.boot.values import Hole, Text
from imgaudit.data import dataclass
from imgaudit.patterns import regex

MAX_TEXT = 1 << 18
"""Longer texts are refused; a whole environment is seldom larger."""
MAX_ARGUMENT = 1 << 14
"""Characters in one expanded command; CONFIG_SYS_CBSIZE is a few KiB at most."""
MAX_NESTING = 24
"""Compound commands inside each other; scripts seen in the field stay below 8."""

_RESERVED = {"if", "then", "elif", "else", "fi", "for", "in", "while", "until", "do", "done"}
_ASSIGNMENT = regex(r"[A-Za-z][A-Za-z0-9_]*=")
_NAME = regex(r"[A-Za-z][A-Za-z0-9_]*")


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
class Gap:
    """Text that is not known, met when a command is read a second time."""

    hole: Hole


@dataclass(frozen=True, slots=True)
class Word:
    """One word; a quoted one is never split and never vanishes."""

    pieces: tuple[Literal | Variable | Gap, ...]
    quoted: bool
    at: int
    end: int

    @property
    def literal(self) -> str | None:
        """The text, where no variable is in it."""
        if any(not isinstance(piece, Literal) for piece in self.pieces):
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
    """A parsed text: `units` are what U-Boot parses and runs one after the other.

    An empty line is a unit too: it succeeds (cli_hush.c, `parse_stream_outer`).
    """

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


def parse(text: str, name: str, *, lines: bool = False, modern: bool = False) -> Script:
    """Parse a variable's value, or with `lines` a script that is run line by line."""
    if len(text) > MAX_TEXT:
        return Script(name, text, (), Problem(MAX_TEXT, f"longer than {MAX_TEXT:,} characters"))
    units: list[List] = []
    problem = None
    first = text.find("\n")
    # cli_hush.c, parse_string_outer: a newline comes behind, but for one line that has its own
    ended = text if not lines or not text or 0 <= first == len(text) - 1 else text + "\n"
    try:
        parser = _Parser(ended, modern=modern)
        while not parser.done:
            units.append(parser.sequence((), lines=lines))
    except _RefusedError as refused:
        # The newline that U-Boot puts behind is no place in the text.
        problem = Problem(min(refused.problem.at, len(text)), refused.problem.why)
        if not lines:
            units = []
    return Script(name, text, tuple(units), problem)


class _Parser:
    def __init__(self, text: str, *, modern: bool) -> None:
        self.text = text
        self.tokens = _tokens(text, modern=modern)
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
                if not self.depth and self.passes_over():
                    continue
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

    def passes_over(self) -> bool:
        """Go on behind a reserved word out of its place, if an operator stands right behind it.

        U-Boot says "syntax error" then, and takes no notice (cli_hush.c: `parse_stream` does not
        look at what `done_word` returns there).
        """
        if isinstance(self.next, Word) and self.text[self.next.end : self.next.end + 1] in {
            *(";", "&", "|")
        }:
            self.advance()
            return True
        return False

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


def _tokens(text: str, *, modern: bool) -> Iterator[_Token]:
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
            word = _word(text, at, ends=" \t\n;&|", modern=modern)
            yield word
            at = word.end


_Piece = str | Hole | Variable


def _word(
    text: Sequence[str | Hole], start: int, *, ends: str, modern: bool = False, plain: str = ""
) -> Word:
    """Read one word up to one of the characters `ends`; those in `plain` mean nothing here.

    Backslashes go in a second pass over the whole word (cli_hush.c, `done_word`): also those that
    stand in single quotes, while double quotes protect them.
    """
    raw: list[_Piece] = []
    at, size, quoted, inside = start, len(text), False, False
    while at < size:
        character = text[at]
        if isinstance(character, Hole) or character in plain:
            raw.append(character)
            at += 1
        elif not inside and character in ends:
            break
        elif character == "'":
            # also inside double quotes: cli_hush.c does not look at them here
            quoted, at = True, _quoted(text, at, raw)
        elif character == '"':
            quoted, inside, at = True, not inside, at + 1
        elif character == "\\":
            raw += ("\\", "\\") if inside else ("\\",)
            at += 1
            if at < size:
                follows = text[at]
                raw += ("\\", "\\") if inside and follows == "\\" else (follows,)
                at += 1
            else:
                raw.append("\n")  # U-Boot ends every text with a newline
        elif character == "$" and isinstance(text, str):
            variable, at = _variable(text, at)
            raw.append(variable or "$")
        elif character == "#" and not inside and not raw:
            break
        else:
            raw.append(character)
            at += 1
    if inside:
        if modern:
            raise _RefusedError(start, "a double quote is not closed")
        raw.append("\n")  # the old parser takes all that follows, and the newline at the end
    return Word(tuple(_unescaped(raw)), quoted, start, at)


def _quoted(text: Sequence[str | Hole], at: int, raw: list[_Piece]) -> int:
    """Take what stands in single quotes; gives the place behind them."""
    end = at + 1
    while end < len(text) and text[end] != "'":
        end += 1
    if end >= len(text):
        raise _RefusedError(at, "a quote is not closed")
    raw.extend(text[at + 1 : end])
    return end + 1


def _unescaped(raw: Sequence[_Piece]) -> Iterator[Literal | Variable | Gap]:
    """Drop each backslash and keep what it precedes; characters become texts."""
    letters: list[str] = []
    escaped = False
    for piece in raw:
        if isinstance(piece, str):
            if piece == "\\" and not escaped:
                escaped = True
                continue
            letters.append(piece)
        else:
            if letters:
                yield Literal("".join(letters))
                letters.clear()
            yield Gap(piece) if isinstance(piece, Hole) else piece
        escaped = False
    if letters:
        yield Literal("".join(letters))


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
Assign = Callable[[str, Text], None]
"""Sets a shell variable."""


def fill(word: Word, lookup: Lookup) -> Text:
    """Put the values into one word, without splitting it; newlines become blanks (cli_hush.c)."""
    pieces: list[str | Hole] = []
    size = 0
    varies = False
    for piece in word.pieces:
        if isinstance(piece, Literal):
            more: tuple[str | Hole, ...] = (piece.text,)
        elif isinstance(piece, Gap):
            more = (piece.hole,)
        else:
            more, varies = lookup(piece).pieces, True
        size += sum(len(text) if isinstance(text, str) else 1 for text in more)
        if size > MAX_ARGUMENT:
            return Text.unknown("too long")
        pieces.extend(more)
    if varies:
        return Text(text.replace("\n", " ") if isinstance(text, str) else text for text in pieces)
    return Text(pieces)


@dataclass(frozen=True, slots=True)
class Expanded:
    """A simple command whose values are in.

    `again` tells that it was read a second time, so that
    `exit` leaves nothing but this reading. `kept`: nothing was left to run, or the second reading
    was refused, so that the status stays as it was.
    """

    words: tuple[Text, ...]
    again: bool = False
    kept: bool = False


def expand(words: tuple[Word, ...], lookup: Lookup, assign: Assign, *, before: int = 0) -> Expanded:
    """Give the arguments of a command; what it sets in front of them counts for them already.

    A command with a variable in it is read a second time after the values are in: an unquoted
    empty value then vanishes, so that later arguments move up, one with blanks is several, a `#`
    starts a comment and a backslash goes. Operators mean nothing then (cli_hush.c,
    `run_pipe_real`). `before` is how often a loop ran this command already: each time U-Boot
    forgets as many variables of it as stand in its assignments; when none is left it puts in none.
    """
    varying = sum(isinstance(piece, Variable) for word in words for piece in word.pieces)
    first = forgotten = 0
    while first < len(words) and (name := words[first].assigns):
        assign(name, _assigned(fill(words[first], lookup)))
        forgotten += any(isinstance(piece, Variable) for piece in words[first].pieces)
        first += 1
    words = words[first:]
    if not words or varying == forgotten * (before + 1):
        return Expanded(tuple(fill(word, _marked) for word in words))
    try:
        again = _again(words, lookup)
    except _RefusedError:
        return Expanded((), again=True, kept=True)
    first = 0
    while first < len(again) and (name := again[first].assigns):
        assign(name, _assigned(fill(again[first], lookup)))
        first += 1
    left = tuple(fill(word, lookup) for word in again[first:])
    return Expanded(left, again=True, kept=not again)


def _marked(variable: Variable) -> Text:
    """Give a variable as U-Boot keeps it between its marks (cli_hush.c, SPECIAL_VAR_SYMBOL)."""
    how = f":{variable.how}{variable.other}" if variable.how else ""
    return Text.of(f"\3{variable.name}{how}\3")


def _again(words: tuple[Word, ...], lookup: Lookup) -> list[Word]:
    """Read a command a second time, its values in (cli_hush.c, `make_string`)."""
    text: list[str | Hole] = []
    for number, word in enumerate(words):
        mark = "'" if word.quoted else ""
        filled = fill(word, lookup)
        if len(text) + sum(len(piece) for piece in filled.pieces if isinstance(piece, str)) > (
            MAX_ARGUMENT
        ):
            text += (" ", Hole("too long"))
            break
        text += f" {mark}" if number else mark
        for piece in filled.pieces:
            text += (piece,) if isinstance(piece, Hole) else piece
        text += mark
    found: list[Word] = []
    at = 0
    while at < len(text) and text[at] not in {"\n", "#"}:
        if text[at] in {" ", "\t"}:
            at += 1
            continue
        word = _word(text, at, ends=" \t\n", plain=";$&|")
        if word.pieces or word.quoted:
            found.append(word)
        at = word.end
    return found


def _assigned(text: Text) -> Text:
    """Give what stands behind the `=`."""
    first = text.pieces[0]
    return Text((first.partition("=")[2] if isinstance(first, str) else "", *text.pieces[1:]))


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

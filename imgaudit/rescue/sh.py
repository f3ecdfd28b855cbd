"""POSIX shell scripts, read into commands; nothing is run.

Source: POSIX.1-2024, Shell Command Language, sections 2.2 (quoting), 2.3 (tokens), 2.6 (expansion),
2.9 (commands) and 2.10 (grammar).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import field

from imgaudit import bounds
from imgaudit.data import dataclass
from imgaudit.errors import ImgauditError
from imgaudit.patterns import regex

SIZE = 256 << 10  # of one script; the largest init scripts have some 60 KiB
DEPTH = 48  # commands in each other
_OPERATORS = ("<<-", "&&", "||", ";;", "<<", ">>", "<&", ">&", "<>", ">|", *"&;<>|()")
_REDIRECTS = frozenset({"<", ">", ">>", "<<", "<<-", "<&", ">&", "<>", ">|"})
_NAME = regex(r"[A-Za-z_]\w*", re.ASCII)
_ASSIGNMENT = regex(r"([A-Za-z_]\w*)=", re.ASCII)
_BRACED = regex(r"([A-Za-z_]\w*|[0-9@*#?$!-])(?::?([-=+?])(.*))?", re.ASCII | re.DOTALL)
_CLOSERS = frozenset({"then", "elif", "else", "fi", "do", "done", "esac", "}", ")", ";;"})


class ShellError(ImgauditError):
    """A script that a shell would refuse, or that is beyond this reader; with its line."""

    def __init__(self, line: int, why: str) -> None:
        super().__init__(f"line {line}: {why}")
        self.line = line
        self.why = why


@dataclass(frozen=True, slots=True)
class Part:
    """A piece of a word: text, or a variable's value with its default, or what is not known.

    `kind` is `text`, `variable` or `unknown`; `quoted` keeps it from being split and matched.
    """

    kind: str
    text: str
    quoted: bool = False
    default: str | None = None


Word = tuple[Part, ...]


@dataclass(frozen=True, slots=True)
class Simple:
    """A command with its assignments; `to` are the files that it writes to or reads from."""

    line: int
    words: tuple[Word, ...]
    assigns: tuple[tuple[str, Word], ...] = ()
    to: tuple[tuple[str, Word], ...] = ()


@dataclass(frozen=True, slots=True)
class Choice:
    """if: pairs of condition and body, and what else."""

    line: int
    clauses: tuple[tuple[Sequence, Sequence], ...]
    other: Sequence | None = None


@dataclass(frozen=True, slots=True)
class Loop:
    """while or until."""

    line: int
    condition: Sequence
    body: Sequence
    until: bool = False


@dataclass(frozen=True, slots=True)
class Each:
    """for: `words` is None for the arguments."""

    line: int
    name: str
    words: tuple[Word, ...] | None
    body: Sequence


@dataclass(frozen=True, slots=True)
class Case:
    """case: patterns and what they lead to."""

    line: int
    word: Word
    items: tuple[tuple[tuple[Word, ...], Sequence], ...]


@dataclass(frozen=True, slots=True)
class Group:
    """Braces, or parentheses, which are a process of their own."""

    line: int
    body: Sequence
    subshell: bool = False


@dataclass(frozen=True, slots=True)
class Function:
    """The definition of a function."""

    line: int
    name: str
    body: Command


Command = Simple | Choice | Loop | Each | Case | Group | Function


@dataclass(frozen=True, slots=True)
class Pipeline:
    """Commands by `|`; `negated` by `!`."""

    commands: tuple[Command, ...]
    negated: bool = False


@dataclass(frozen=True, slots=True)
class Chain:
    """Pipelines by `&&` and `||`, each with the operator before it; `background` with `&`."""

    parts: tuple[tuple[str, Pipeline], ...]
    background: bool = False


@dataclass(frozen=True, slots=True)
class Sequence:
    """Chains one after the other."""

    chains: tuple[Chain, ...] = ()


def parse(text: str) -> Sequence:
    """Read a script.

    Raises:
        ShellError: not a script that a POSIX shell takes, or nested deeper than 48 commands.

    """
    if len(text) > SIZE:
        bounds.left_out("a script", f"only its first {SIZE:,} characters are read")
    parser = _Parser(list(_Lexer(text[:SIZE]).tokens()))
    body = parser.sequence(0)
    if parser.token.kind != "end":
        raise ShellError(parser.token.line, f"{parser.token.text!r} cannot stand here")
    return body


def plain(word: Word) -> str | None:
    """Give a word that needs no expansion."""
    return None if any(part.kind != "text" for part in word) else "".join(p.text for p in word)


def shown(word: Word) -> str:
    """Write a word for a reader."""
    return "".join(part.text if part.kind == "text" else f"${part.text}" for part in word)


@dataclass(frozen=True, slots=True)
class _Token:
    kind: str  # word, operator, newline, end
    text: str
    line: int
    word: Word = ()


@dataclass(slots=True)
class _Lexer:
    text: str
    at: int = 0
    line: int = 1
    waiting: list[tuple[str, bool]] = field(default_factory=list)

    def tokens(self) -> Iterator[_Token]:
        text = self.text
        here = ""
        while self.at < len(text):
            letter = text[self.at]
            if letter in " \t\r" or text.startswith("\\\n", self.at):
                self.line += text.startswith("\\\n", self.at)
                self.at += 2 if letter == "\\" else 1
            elif letter == "#":
                end = text.find("\n", self.at)
                self.at = len(text) if end < 0 else end
            elif letter == "\n":
                yield _Token("newline", "\n", self.line)
                self.at += 1
                self.line += 1
                self._skip_documents()
            else:
                operator = next((op for op in _OPERATORS if text.startswith(op, self.at)), "")
                if operator:
                    self.at += len(operator)
                    here = operator
                    yield _Token("operator", operator, self.line)
                    continue
                line = self.line
                word = self._word()
                if here in {"<<", "<<-"}:
                    self.waiting.append((shown(word), here == "<<-"))
                yield _Token("word", shown(word), line, word)
            here = ""
        yield _Token("end", "the end", self.line)

    def _skip_documents(self) -> None:
        for mark, tabs in self.waiting:
            while self.at < len(self.text):
                end = self.text.find("\n", self.at)
                end = len(self.text) if end < 0 else end
                line = self.text[self.at : end]
                self.at = end + 1
                self.line += 1
                if (line.lstrip("\t") if tabs else line) == mark:
                    break
        self.waiting.clear()

    def _word(self) -> Word:
        parts: list[Part] = []
        text = self.text
        while self.at < len(text):
            letter = text[self.at]
            if letter in " \t\r\n#;&|<>()" and not (letter == "#" and parts):
                break
            if letter == "\\":
                if text[self.at + 1 : self.at + 2] != "\n":
                    parts.append(Part("text", text[self.at + 1 : self.at + 2], quoted=True))
                self.line += text.startswith("\\\n", self.at)
                self.at += 2
            elif letter == "'":
                end = self._until("'", self.at + 1)
                parts.append(Part("text", text[self.at + 1 : end], quoted=True))
                self.line += text.count("\n", self.at, end)
                self.at = end + 1
            elif letter == '"':
                self.at += 1
                parts += self._double()
            elif letter in "$`":
                parts.append(self._expansion(quoted=False))
            else:
                match = re.compile(r"[^ \t\r\n;&|<>()\\'\"$`]+").match(text, self.at)
                piece = match[0] if match is not None else letter
                parts.append(Part("text", piece))
                self.at += len(piece)
        return tuple(parts)

    def _until(self, mark: str, start: int) -> int:
        end = self.text.find(mark, start)
        if end < 0:
            raise ShellError(self.line, f"{mark} is not closed")
        return end

    def _double(self) -> list[Part]:
        parts = [Part("text", "", quoted=True)]
        text = self.text
        while self.at < len(text) and text[self.at] != '"':
            letter = text[self.at]
            if letter == "\\" and text[self.at + 1 : self.at + 2] in set('"$`\\\n'):
                parts.append(Part("text", text[self.at + 1].strip("\n"), quoted=True))
                self.line += text[self.at + 1] == "\n"
                self.at += 2
            elif letter in "$`":
                parts.append(self._expansion(quoted=True))
            else:
                self.line += letter == "\n"
                parts.append(Part("text", letter, quoted=True))
                self.at += 1
        if self.at >= len(text):
            raise ShellError(self.line, '" is not closed')
        self.at += 1
        return parts

    def _expansion(self, *, quoted: bool) -> Part:
        text, start = self.text, self.at
        if text[start] == "`":
            self.at = self._until("`", start + 1) + 1
        elif text.startswith("$(", start):
            self.at = self._closed("(", ")", start + 1)
        elif text.startswith("${", start):
            self.at = self._closed("{", "}", start + 1)
            match = _BRACED.fullmatch(text, start + 2, self.at - 1)
            if match is not None and match[2] in {None, "-", "="}:
                return Part("variable", match[1], quoted, match[3])
        else:
            name = _NAME.match(text, start + 1)
            if name is not None:
                self.at = name.end()
                return Part("variable", name[0], quoted)
            if text[start + 1 : start + 2] and text[start + 1] in "0123456789@*#?$!-":
                self.at = start + 2
                return Part("variable", text[start + 1], quoted)
            self.at = start + 1
            return Part("text", "$", quoted)
        self.line += text.count("\n", start, self.at)
        return Part("unknown", text[start + 1 : self.at], quoted)

    def _closed(self, opening: str, closing: str, start: int) -> int:
        """Give the place after the bracket that closes the one at `start`; quotes are passed."""
        depth = 0
        at = start
        while at < len(self.text):
            letter = self.text[at]
            if letter == "\\":
                at += 1
            elif letter == "'":
                at = self._until("'", at + 1)
            elif letter in {opening, closing}:
                depth += 1 if letter == opening else -1
                if not depth:
                    return at + 1
            at += 1
        raise ShellError(self.line, f"{opening} is not closed")


class _Parser:
    def __init__(self, tokens: list[_Token]) -> None:
        self._tokens = tokens
        self._at = 0

    @property
    def token(self) -> _Token:
        return self._tokens[self._at]

    def take(self) -> _Token:
        token = self.token
        self._at += token.kind != "end"
        return token

    def lines(self) -> None:
        while self.token.kind == "newline":
            self.take()

    def is_word(self, *texts: str) -> bool:
        """Tell whether an unquoted reserved word comes."""
        token = self.token
        if token.kind != "word" or len(token.word) != 1:
            return False
        part = token.word[0]
        return part.kind == "text" and not part.quoted and part.text in texts

    def is_operator(self, *texts: str) -> bool:
        return self.token.kind == "operator" and self.token.text in texts

    def expect(self, text: str) -> None:
        self.lines()
        if not (self.is_word(text) or self.is_operator(text)):
            raise ShellError(self.token.line, f"{text} is missing before {self.token.text!r}")
        self.take()

    def sequence(self, depth: int) -> Sequence:
        if depth > DEPTH:
            raise ShellError(self.token.line, f"commands are nested deeper than {DEPTH}")
        chains = []
        self.lines()
        while not (
            self.token.kind == "end" or self.is_word(*_CLOSERS) or self.is_operator(")", ";;")
        ):
            chains.append(self.chain(depth))
            if self.is_operator(";", "&"):
                self.take()
            elif self.token.kind != "newline":
                break
            self.lines()
        return Sequence(tuple(chains))

    def chain(self, depth: int) -> Chain:
        parts = [("", self.pipeline(depth))]
        while self.is_operator("&&", "||"):
            operator = self.take().text
            self.lines()
            parts.append((operator, self.pipeline(depth)))
        return Chain(tuple(parts), background=self.is_operator("&"))

    def pipeline(self, depth: int) -> Pipeline:
        negated = self.is_word("!")
        if negated:
            self.take()
        commands = [self.command(depth)]
        while self.is_operator("|"):
            self.take()
            self.lines()
            commands.append(self.command(depth))
        return Pipeline(tuple(commands), negated)

    def command(self, depth: int) -> Command:
        line = self.token.line
        found: Command
        if self.is_word("if"):
            found = self.choice(depth)
        elif self.is_word("while", "until"):
            until = self.take().text == "until"
            condition = self.sequence(depth + 1)
            found = Loop(line, condition, self.done(depth), until)
        elif self.is_word("for"):
            found = self.each(depth)
        elif self.is_word("case"):
            found = self.case(depth)
        elif self.is_word("{"):
            self.take()
            found = Group(line, self.sequence(depth + 1))
            self.expect("}")
        elif self.is_operator("("):
            self.take()
            found = Group(line, self.sequence(depth + 1), subshell=True)
            self.expect(")")
        else:
            return self.simple(depth)
        while self.is_operator(*_REDIRECTS) or self._is_number():
            self.redirect()
        return found

    def _is_number(self) -> bool:
        """Tell whether a file's number before a redirection comes."""
        following = self._tokens[min(self._at + 1, len(self._tokens) - 1)]
        return (
            self.token.kind == "word"
            and self.token.text.isdigit()
            and following.kind == "operator"
            and following.text in _REDIRECTS
        )

    def redirect(self) -> tuple[str, Word]:
        if self.token.kind == "word":
            self.take()
        operator = self.take().text
        if self.token.kind != "word":
            raise ShellError(self.token.line, f"a name is missing after {operator}")
        return operator, self.take().word

    def done(self, depth: int) -> Sequence:
        self.expect("do")
        body = self.sequence(depth + 1)
        self.expect("done")
        return body

    def choice(self, depth: int) -> Choice:
        line = self.take().line
        clauses = []
        other = None
        while True:
            condition = self.sequence(depth + 1)
            self.expect("then")
            clauses.append((condition, self.sequence(depth + 1)))
            if not self.is_word("elif"):
                break
            self.take()
        if self.is_word("else"):
            self.take()
            other = self.sequence(depth + 1)
        self.expect("fi")
        return Choice(line, tuple(clauses), other)

    def each(self, depth: int) -> Each:
        line = self.take().line
        name = self.take().text
        words: list[Word] | None = None
        self.lines()
        if self.is_word("in"):
            self.take()
            words = []
            while self.token.kind == "word":
                words.append(self.take().word)
        if self.is_operator(";"):
            self.take()
        return Each(line, name, None if words is None else tuple(words), self.done(depth))

    def case(self, depth: int) -> Case:
        line = self.take().line
        word = self.take().word
        self.expect("in")
        items = []
        self.lines()
        while not self.is_word("esac"):
            if self.is_operator("("):
                self.take()
            patterns = [self.take().word]
            while self.is_operator("|"):
                self.take()
                patterns.append(self.take().word)
            self.expect(")")
            items.append((tuple(patterns), self.sequence(depth + 1)))
            if self.is_operator(";;"):
                self.take()
            self.lines()
            if self.token.kind == "end":
                break
        self.expect("esac")
        return Case(line, word, tuple(items))

    def simple(self, depth: int) -> Command:
        line = self.token.line
        words: list[Word] = []
        assigns: list[tuple[str, Word]] = []
        to: list[tuple[str, Word]] = []
        while True:
            if self.is_operator(*_REDIRECTS) or self._is_number():
                to.append(self.redirect())
            elif self.token.kind == "word":
                token = self.take()
                first = token.word[0] if token.word else Part("text", "")
                match = _ASSIGNMENT.match(first.text) if not words else None
                if match is not None and first.kind == "text" and not first.quoted:
                    rest = Part("text", first.text[match.end() :])
                    assigns.append((match[1], (rest, *token.word[1:])))
                else:
                    words.append(token.word)
            elif self.is_operator("(") and len(words) == 1 and not assigns:
                self.take()
                self.expect(")")
                self.lines()
                return Function(line, shown(words[0]), self.command(depth + 1))
            else:
                break
        if not (words or assigns or to):
            raise ShellError(line, f"{self.token.text!r} cannot stand here")
        return Simple(line, tuple(words), tuple(assigns), tuple(to))

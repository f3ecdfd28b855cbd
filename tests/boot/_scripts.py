"""Random U-Boot scripts that always end, from a seed.

There is no `exit` in them: in U-Boot 2023.01 it leaves nothing (its commit 8c4e3b79bd0b, undone
later; seen on the packaged build). That build has no `[` either.
"""

from __future__ import annotations

import random

VARIABLES = {
    "a": "1",
    "b": "two words",
    "c": "0x1f",
    "d": "x=y",
    "e": "",
    "f": "it's",
    "g": "  padded  ",
    "h": 'say "hi" \\n',
    "r1": "setenv a r1; true",
    "r2": "setenv b ${a}; false",
    "r3": "if test -n ${a}; then setenv c r3; else false; fi",
    "r4": "run r2 r1; setenv d after",
    "r5": "false || setenv d r5; test ${d} = r5",
    "r6": "for own in 1 2; do setenv d ${d}${own}; done",
}
"""What every script starts with; an empty value is set by a command, as the storage has none."""

NAMES = ("a", "b", "c", "d", "e", "f", "g", "h")
"""What scripts set and read, in the environment only."""
LOCALS = ("i", "j", "n", "p", "q")
"""What they also set as shell variables; as these stay, each script has a number behind its own."""
RUNS = ("r1", "r2", "r3", "r4", "r5", "r6")


class Writer:
    """Writes one script."""

    def __init__(self, seed: int) -> None:
        self.random = random.Random(seed)
        self.locals = tuple(f"{name}{seed}" for name in LOCALS)
        self.counters = 0

    def script(self) -> str:
        """Give a script of a few commands."""
        separator = "; " if self.random.random() < 0.85 else "\n"
        return separator.join(self.statement(2) for _ in range(self.random.randint(1, 4)))

    def one(self, *choices: str) -> str:
        return self.random.choice(choices)

    def statement(self, depth: int) -> str:
        kind = self.random.random()
        if depth == 0 or kind < 0.4:
            return self.chain()
        if kind < 0.62:
            return self.when(depth - 1)
        if kind < 0.76:
            return self.each(depth - 1)
        if kind < 0.86:
            return self.loop(depth - 1)
        return self.chain()

    def body(self, depth: int) -> str:
        return "; ".join(self.statement(depth) for _ in range(self.random.randint(1, 2)))

    def chain(self) -> str:
        text = self.command()
        for _ in range(self.random.choice((0, 0, 1, 1, 2, 3))):
            text += self.one(" && ", " || ", "&&") + self.command()
        return text

    def when(self, depth: int) -> str:
        text = f"if {self.chain()}; then {self.body(depth)}; "
        for _ in range(self.random.choice((0, 0, 0, 1, 2))):
            text += f"elif {self.chain()}; then {self.body(depth)}; "
        if self.random.random() < 0.5:
            text += f"else {self.body(depth)}; "
        return text + "fi"

    def each(self, depth: int) -> str:
        words = " ".join(self.word() for _ in range(self.random.randint(0, 3)))
        return f"for {self.own()} in {words}; do {self.body(depth)}; done"

    def loop(self, depth: int) -> str:
        self.counters += 1
        name = f"n{self.counters}"
        count = f"setexpr {name} ${{{name}}} + 1"
        if self.random.random() < 0.5:
            head = f"while itest ${{{name}}} < {self.random.randint(0, 3)}"
        else:
            head = f"until test ${{{name}}} -ge {self.random.randint(0, 3)}"
        return f"setenv {name} 0; {head}; do {count}; {self.body(depth)}; done"

    def command(self) -> str:
        write = self.random.choice(
            (
                *(self.setenv, self.setenv, self.setenv, self.assign, self.test, self.test),
                *(self.itest, self.setexpr, self.env, self.run, self.simple, self.status),
            )
        )
        return write()

    def setenv(self) -> str:
        words = " ".join(self.word() for _ in range(self.random.choice((0, 1, 1, 1, 2))))
        return f"setenv {self.name()} {words}".rstrip()

    def assign(self) -> str:
        text = f"{self.own()}={self.word()}"
        return text if self.random.random() < 0.8 else f"{text} {self.setenv()}"

    def test(self) -> str:
        text = self.condition()
        if self.random.random() < 0.25:
            text += f" {self.one('-a', '-o')} {self.condition()}"
        return f"test {text}"

    def condition(self) -> str:
        negation = "! " if self.random.random() < 0.15 else ""
        if self.random.random() < 0.3:
            return f"{negation}{self.one('-n', '-z')} {self.word()}"
        operator = self.one("=", "!=", "<", ">", "-eq", "-ne", "-lt", "-le", "-gt", "-ge", "==")
        return f"{negation}{self.word()} {operator} {self.word()}"

    def itest(self) -> str:
        operator = self.one("==", "!=", "<", ">", "<=", ">=", "-eq", "-ne", "-lt", "<>", "-gt")
        width = self.one("", "", ".b", ".w", ".l", ".s")
        return f"itest{width} {self.word()} {operator} {self.word()}"

    def setexpr(self) -> str:
        name = self.name()
        kind = self.random.random()
        if kind < 0.2:
            return f"setexpr {name} {self.word()}"
        if kind < 0.3:
            pattern, text = self.one("1", "w", "xx"), self.one("2", "zz", "")
            return f"setexpr {name} {self.one('sub', 'gsub')} {pattern} {text} {self.word()}"
        operator = self.one("+", "-", "*", "&", "|", "^", "<")
        if self.random.random() < 0.1:
            return f"setexpr {name} {self.word()} {operator}"
        width = self.one("", "", ".b", ".w", ".l")
        return f"setexpr{width} {name} {self.word()} {operator} {self.word()}"

    def env(self) -> str:
        return self.one(
            f"env exists {self.name()}",
            f"env set {self.name()} {self.word()}",
            f"env delete {self.name()}",
            f"env delete -f {self.name()} {self.name()}",
            f"env run {self.one(*RUNS)}",
            f"env exists {self.name()}x",
            f"printenv {self.name()} {self.name()}",
        )

    def run(self) -> str:
        names = " ".join(self.one(*RUNS) for _ in range(self.random.choice((1, 1, 2, 3))))
        if self.random.random() < 0.1:
            names += self.one(" nothing", " ${e}", " ${a}")
        return f"run {names}"

    def simple(self) -> str:
        return self.one(
            *("true", "false", "true", "false", "echo", f"echo {self.word()}", "nosuch"),
            *("${e}", "${nothing}", "$b", "setenv", "# aside"),
        )

    def status(self) -> str:
        return f"setenv {self.name()} $?"

    def name(self) -> str:
        return self.random.choice((*NAMES, *self.locals))

    def own(self) -> str:
        return self.random.choice(self.locals)

    def word(self) -> str:
        return "".join(self.piece() for _ in range(self.random.choice((1, 1, 1, 1, 2))))

    def piece(self) -> str:
        name = self.name()
        return self.one(
            *("1", "2", "0x10", "x", "two", "-5", "010", "1f"),
            *(f"${{{name}}}", f"${name}", f'"${{{name}}}"', f'"${name} t"', f"'${{{name}}}'"),
            *('""', "''", '"a b"', "'a b'", "a\\ b", "'a\\b'", '"a\\b"', "\\$a", "a\\;b", "#c"),
            *(
                f"${{{name}:-alt}}",
                f"${{{self.own()}:=set}}",
                f"${{{name}:+other}}",
                "$",
                "a#b",
                "\\\\",
            ),
        )

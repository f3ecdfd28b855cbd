"""U-Boot's commands for variables, tests, and the flow of a script."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from imgaudit.boot.call import Call, Done, Function, always, ends, hexed
from imgaudit.boot.deciding import decide_itest, decide_test
from imgaudit.boot.loading import volume_of
from imgaudit.boot.media import find_file
from imgaudit.boot.records import Gap, Kind, Oddity
from imgaudit.boot.starting import image_of
from imgaudit.boot.values import Hole, Text


def _setenv(call: Call, first: int = 1) -> Done:
    while (text := call.text(first)) is not None and text in {"-f", "-e"}:
        first += 1
    name = call.text(first)
    if first >= len(call.words):
        return Done(kind=Kind.SET, succeeds=False)
    if name is None:
        return Done(kind=Kind.SET, unresolved=Gap.VARIABLE_NAME)
    if "=" in name or (first == 1 and name.startswith("-")):
        return Done(kind=Kind.SET, succeeds=False)
    pieces: list[str | Hole] = []
    for word in call.words[first + 1 :]:
        pieces += [" ", *word.pieces]
    value = Text(pieces[1:]) if pieces else None
    return Done(kind=Kind.SET, succeeds=True, sets={name: value})


def _env(call: Call) -> Done:
    verb = call.text(1)
    if verb == "set":
        return _setenv(call, 2)
    if verb == "delete":
        return _delete(call)
    if verb == "default":
        return _default(call)
    if verb == "exists":
        return _exists(call, 2)
    if verb == "run":
        return _run(call, 2)
    if verb == "import":
        return _import(call)
    if verb == "save":
        return Done(kind=Kind.SAVE)
    if verb == "load":
        return Done(kind=Kind.SET, unresolved=Gap.LOADED_ENVIRONMENT)
    if verb in {"ask", "edit"}:
        return _ask(call, 2)
    if verb == "print":
        return _printenv(call, 2)
    if verb in {"grep", "info", "export"}:
        return Done(kind=Kind.SHOW, choice=True, sets={"filesize": Text.unknown("filesize")})
    return Done(kind=Kind.OTHER, choice=True)


def _delete(call: Call) -> Done:
    """`env delete [-f] name…`: fails where one of them is not there, and deletes the others."""
    names = [word.plain for word in call.words[2:]]
    while names and names[0] == "-f":
        names.pop(0)
    known = [name for name in names if name is not None]
    if any(name.startswith("-") for name in known[:1]):
        return Done(kind=Kind.SET, succeeds=False)
    there: set[bool | None] = {call.state.exists(name) for name in known}
    if len(set(known)) < len(known):
        there.add(False)  # the second time it is gone
    if len(known) < len(names):
        there.add(None)
    succeeds = False if False in there else None if None in there else True
    return Done(kind=Kind.SET, succeeds=succeeds, choice=True, always=dict.fromkeys(known))


def _import(call: Call) -> Done:
    """`env import [-d] [-t [-r] | -b | -c] address [size] [name…]`."""
    words = [
        word
        for word in call.words[2:]
        if not (word.plain or "").startswith("-") or word.plain == "-"
    ]
    names = tuple(word.plain for word in words[2:] if word.plain)
    return Done(
        kind=Kind.SET,
        sets={name: Text.unknown(name) for name in names},
        imports_at=words[0].number() if words else None,
        imports=names,
        unresolved=None if words and words[0].plain else Gap.IMPORTED_ENVIRONMENT,
    )


def _default(call: Call) -> Done:
    """`env default [-f] -a` or `env default [-f] name…`."""
    defaults = call.world.default_environment
    names = [word.plain for word in call.words[2:] if word.plain and not word.plain.startswith("-")]
    if any(word.plain in {"-a", "-fa", "-af"} for word in call.words[2:]):
        if defaults is None:
            return Done(kind=Kind.SET, unresolved=Gap.DEFAULT_ENVIRONMENT)
        names = list({**call.state.environment, **defaults})
    if defaults is None:
        return Done(kind=Kind.SET, sets={name: Text.unknown(name) for name in names})
    sets = {name: Text.of(defaults[name]) if name in defaults else None for name in names}
    return Done(kind=Kind.SET, succeeds=True, sets=sets)


def _exists(call: Call, index: int) -> Done:
    name = call.text(index)
    succeeds = None if name is None else call.state.exists(name)
    return Done(kind=Kind.TEST, succeeds=succeeds, choice=True)


def _ask(call: Call, index: int = 1) -> Done:
    name = call.text(index)
    return Done(kind=Kind.SET, choice=True, sets={name: Text.unknown(name)} if name else {})


def _run(call: Call, first: int = 1) -> Done:
    names: list[str] = []
    for word in call.words[first:]:
        if word.plain is None:
            any_of = _matching(word, call.state.environment)
            if len(call.words) == first + 1 and any_of:
                return Done(kind=Kind.RUN, any_of=any_of)
            return Done(kind=Kind.RUN, unresolved=Gap.WHAT_RUNS)
        names.append(word.plain)
    return Done(kind=Kind.RUN, succeeds=None if names else False, runs=tuple(names))


def _matching(name: Text, environment: Mapping[str, Text]) -> tuple[str, ...]:
    """Find the variables that a partly known name can mean; needs a known piece of two letters."""
    first, last = name.pieces[0], name.pieces[-1]
    start = first if isinstance(first, str) else ""
    end = last if isinstance(last, str) else ""
    if len(start) + len(end) < 2:
        return ()
    return tuple(
        other
        for other in environment
        if len(other) > len(start) + len(end) and other.startswith(start) and other.endswith(end)
    )[:16]


def _source(call: Call) -> Done:
    """`source [address[:part|#configuration]]`."""
    at = image_of(call, 1)[0] if len(call.words) > 1 else call.value("loadaddr")
    return Done(kind=Kind.RUN, source_at=at, unresolved=Gap.SCRIPT if at is None else None)


def _setexpr(call: Call) -> Done:
    """`setexpr[.b|.w|.l|.q|.s] name value [operator value]`, `name [g]sub pattern text [of]`.

    Source: cmd/setexpr.c. What it computes does not depend on the width but for `*address`.
    """
    name, words = call.text(1), call.words
    if name is None and len(words) > 1:
        return Done(kind=Kind.SET, unresolved=Gap.VARIABLE_NAME)
    symbol = call.text(3)
    if len(words) < 3 or name is None:
        return Done(kind=Kind.SET, succeeds=False)
    verb = call.text(2)
    if verb == "fmt" or (verb in {"sub", "gsub"} and len(words) in {5, 6}):
        return _edited(call, name, verb)
    if len(words) not in {3, 5} or (len(words) == 5 and symbol is not None and len(symbol) != 1):
        return Done(kind=Kind.SET, succeeds=False)
    if call.name.endswith(".s"):
        return _joined(call, name)
    value = _operand(call, 2)
    if len(words) == 5:
        if symbol is not None and symbol not in _ARITHMETIC:
            return Done(kind=Kind.SET, succeeds=False)
        second = _operand(call, 4)
        if symbol is None or value is None or second is None or (not second and symbol in "/%"):
            value = None
        else:
            value = _ARITHMETIC[symbol](value, second)
    mask = (1 << call.world.bits) - 1
    return Done(
        kind=Kind.SET,
        succeeds=True,
        sets={name: hexed(None if value is None else value & mask, name)},
    )


def _joined(call: Call, name: str) -> Done:
    """`setexpr.s name text [+ text]`."""
    texts = [call.words[index] for index in (2, 4) if index < len(call.words)]
    if len(texts) == 2 and call.text(3) not in {"+", None}:
        return Done(kind=Kind.SET, succeeds=False)
    at_address = any(str(text).startswith("*") for text in texts)
    value = Text(piece for text in texts for piece in text.pieces)
    return Done(
        kind=Kind.SET, succeeds=True, sets={name: Text.unknown(name) if at_address else value}
    )


def _edited(call: Call, name: str, verb: str) -> Done:
    """`setexpr name [g]sub pattern text [of]`: plain patterns only; `fmt` is not known."""
    of = call.words[5] if len(call.words) == 6 else call.state.environment.get(name)
    if verb == "fmt":
        return Done(kind=Kind.SET, sets={name: Text.unknown(name)})
    if of is None:
        return Done(kind=Kind.SET, succeeds=False)
    pattern, text = call.text(3), call.text(4)
    plain = of.plain
    if pattern is None or text is None or plain is None or not pattern.isalnum() or "\\" in text:
        return Done(kind=Kind.SET, sets={name: Text.unknown(name)})
    if pattern not in plain:
        return Done(kind=Kind.SET, succeeds=False)
    edited = plain.replace(pattern, text, -1 if verb == "gsub" else 1)
    return Done(kind=Kind.SET, succeeds=True, sets={name: Text.of(edited)})


_ARITHMETIC: dict[str, Callable[[int, int], int]] = {
    "+": lambda first, second: first + second,
    "-": lambda first, second: first - second,
    "*": lambda first, second: first * second,
    "/": lambda first, second: first // second,
    "%": lambda first, second: first % second,
    "&": lambda first, second: first & second,
    "|": lambda first, second: first | second,
    "^": lambda first, second: first ^ second,
}


def _operand(call: Call, index: int) -> int | None:
    text = call.text(index)
    return None if text is None or text.startswith("*") else call.number(index)


def _test(call: Call) -> Done:
    if call.name.partition(".")[0] == "itest":
        return Done(kind=Kind.TEST, succeeds=decide_itest(call.name, call.words[1:]), choice=True)

    def exists(words: Sequence[Text]) -> bool | None:
        inner = Call((Text.of("test"), *words), call.state, call.world)
        device, partition = volume_of(inner, 1)
        return find_file(call.world, device, partition, words[2]).there

    return Done(
        kind=Kind.TEST,
        succeeds=decide_test(call.words[1:], exists),
        choice=True,
        oddity=Oddity.NO_EQUALS if any(word.plain == "==" for word in call.words) else None,
    )


def _printenv(call: Call, first: int = 1) -> Done:
    """`printenv [-a] [name…]`: fails where one of them is not there."""
    names = [word.plain for word in call.words[first:]]
    if names[:1] in (["-e"], ["-a"]):
        names = []
    there = {None if name is None else call.state.exists(name) for name in names}
    succeeds = False if False in there else None if None in there else True
    return Done(kind=Kind.SHOW, succeeds=succeeds, choice=True)


COMMANDS: dict[str, Function] = {
    "setenv": _setenv,
    "env": _env,
    "run": _run,
    **dict.fromkeys(("source", "autoscr"), _source),
    **dict.fromkeys(("test", "[", "itest"), _test),
    "setexpr": _setexpr,
    "printenv": _printenv,
    **dict.fromkeys(("askenv", "editenv"), _ask),
    "saveenv": always(Kind.SAVE, succeeds=None, choice=False),
    "true": always(Kind.TEST),
    "false": always(Kind.TEST, succeeds=False),
    "exit": lambda _: Done(kind=Kind.OTHER, succeeds=True, exits=True),
    **dict.fromkeys(("boot", "bootd"), lambda _: Done(kind=Kind.RUN, runs=("bootcmd",))),
    "reset": ends("reset"),
    "poweroff": ends("power off"),
    "hang": ends("loop"),
}

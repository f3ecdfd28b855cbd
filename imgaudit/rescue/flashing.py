"""What shell scripts of a root write to flash chips and disks, as far as their words are known.

Nothing is run: a script's commands are taken in their order, as if each succeeds; where `if` or
`case` decides, each branch is a way of its own.

Source: mtd-utils flashcp.c (all blocks are erased first, unless -p), flash_erase(1), nandwrite(1);
dd(1) for conv= and oflag=; libubootenv fw_setenv; sgdisk(8) for the options that only look.
"""

from __future__ import annotations

import posixpath
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import field, replace

from imgaudit.data import dataclass
from imgaudit.model import Act
from imgaudit.ramdisk.root import Root
from imgaudit.rescue import sh

MAX_SIZE = 64 << 10
"""Bytes of a script that is looked at."""
MAX_LOOKED = 4096
"""Files of which it is looked whether they are scripts."""
MAX_SCRIPTS = 64
MAX_WAYS = 8
MAX_DEEDS = 64
_TOOLS = (
    "flashcp",
    "flash_erase",
    "nandwrite",
    "ubiformat",
    "fw_setenv",
    "sgdisk",
    "sfdisk",
    "/dev/",
)


@dataclass(frozen=True, kw_only=True)
class Deed:
    """One command that writes. `device` is the path that it writes to (None: not known).

    `variables` are what is set (None: not known). `flushed` and `erases_first` as in UpdateStep.
    """

    line: int
    act: Act
    said: str
    device: str | None = None
    variables: Mapping[str, str | None] | None = None
    erases_first: bool = False
    flushed: bool = True


Deeds = tuple[Deed, ...]


@dataclass(frozen=True, slots=True)
class Script:
    """A script that writes, with each way through it."""

    path: str
    ways: tuple[Deeds, ...]


def flashing(root: Root) -> tuple[Script, ...]:
    """Find the scripts of a root that write to flash chips, disks or U-Boot's environment."""
    found: list[Script] = []
    looked = 0
    for path, node in root.walk():
        if looked >= MAX_LOOKED or len(found) >= MAX_SCRIPTS:
            break
        if not node.is_file or not node.executable:
            continue
        looked += 1
        if not 2 < node.data().size <= MAX_SIZE or node.data().upto(0, 2) != b"#!":
            continue
        text = root.text(f"/{path.lstrip('/')}", MAX_SIZE) or ""
        if "sh" not in text.partition("\n")[0] or not any(tool in text for tool in _TOOLS):
            continue
        script = read(f"/{path.lstrip('/')}", text)
        if script is not None:
            found.append(script)
    return tuple(found)


def read(path: str, text: str) -> Script | None:
    """Read one script; None where it writes nothing that is known of, or is no script."""
    try:
        body = sh.parse(text)
    except sh.ShellError:
        return None
    ways = [way.deeds for way in _through(body, [_Way()])]
    writing = (way for way in ways if any(deed.act is not Act.REBOOT for deed in way))
    whole = list(_distinct(writing))
    # A way that ends early is the start of another one.
    longest = tuple(
        way
        for way in whole
        if not any(way != other and way == other[: len(way)] for other in whole)
    )
    return Script(path, longest) if longest else None


def _distinct(ways: Iterable[list[Deed]]) -> Iterator[Deeds]:
    """Give each way once."""
    found: list[Deeds] = []
    for way in map(tuple, ways):
        if way not in found:
            found.append(way)
            yield way


@dataclass(slots=True)
class _Way:
    """One way through a script, so far."""

    values: dict[str, str | None] = field(default_factory=dict)
    deeds: list[Deed] = field(default_factory=list)
    functions: dict[str, sh.Command] = field(default_factory=dict)
    inside: tuple[str, ...] = ()
    over: bool = False

    def copy(self) -> _Way:
        return _Way(
            dict(self.values), list(self.deeds), dict(self.functions), self.inside, self.over
        )


def _through(item: object, ways: list[_Way]) -> list[_Way]:
    """Follow a piece of a script along every way that comes to it."""
    if isinstance(item, sh.Sequence):
        for chain in item.chains:
            for operator, pipeline in chain.parts:
                if operator == "||":  # what comes before it succeeds
                    continue
                for command in pipeline.commands:
                    ways = _through(command, ways)
        return ways
    if isinstance(item, sh.Simple):
        return [after for way in ways for after in _called(item, way)]
    if isinstance(item, sh.Function):
        for way in ways:
            way.functions[item.name] = item.body
        return ways
    if isinstance(item, sh.Group):
        return _through(item.body, ways)
    if isinstance(item, sh.Loop):
        return _through(item.body, _through(item.condition, ways))
    if isinstance(item, sh.Each):
        return _each(item, ways)
    if isinstance(item, sh.Choice | sh.Case):
        return _branches(item, ways)
    return ways


def _called(command: sh.Simple, way: _Way) -> list[_Way]:
    """Follow one command, or the function of its name; one that calls itself is not entered."""
    name = sh.plain(command.words[0]) if command.words else None
    body = way.functions.get(name or "")
    if way.over:
        return [way]
    if body is None or name is None or name in way.inside:
        _do(command, way)
        return [way]
    outside, way.inside = way.inside, (*way.inside, name)
    for number, word in enumerate(command.words[1:10], 1):
        way.values[str(number)] = _text(word, way.values)
    found = _through(body, [way])[:MAX_WAYS]
    for one in found:
        one.inside = outside
    return found


def _each(item: sh.Each, ways: list[_Way]) -> list[_Way]:
    for word in (item.words or ())[:MAX_WAYS]:
        for way in ways:
            way.values[item.name] = _text(word, way.values)
        ways = _through(item.body, ways)
    return ways


def _branches(item: sh.Choice | sh.Case, ways: list[_Way]) -> list[_Way]:
    found: list[_Way] = []
    if isinstance(item, sh.Choice):
        for condition, body in item.clauses:
            ways = _through(condition, ways)
            found += _through(body, [way.copy() for way in ways])
        bodies: list[sh.Sequence] = [] if item.other is None else [item.other]
    else:
        bodies = [body for _, body in item.items]
    for body in bodies:
        found += _through(body, [way.copy() for way in ways])
    if isinstance(item, sh.Case) or item.other is None:
        found += ways
    return found[:MAX_WAYS]


def _text(word: sh.Word, values: Mapping[str, str | None]) -> str | None:
    """Expand a word; None where it is not known."""
    found = ""
    for part in word:
        value = part.text if part.kind == "text" else None
        if part.kind == "variable":
            value = values.get(part.text, part.default)
        if value is None:
            return None
        found += value
    return found


def _do(command: sh.Simple, way: _Way) -> None:
    """Follow one command."""
    words = [_text(word, way.values) for word in command.words]
    if not words:
        for name, word in command.assigns:
            way.values[name] = _text(word, way.values)
        return
    said = " ".join(sh.shown(word) for word in command.words)[:120]
    for operator, word in command.to:
        path = _text(word, way.values)
        if operator in {">", ">|"} and path is not None and _is_storage(path):
            way.deeds.append(
                Deed(line=command.line, act=Act.WRITE, said=said, device=path, flushed=False)
            )
    name = posixpath.basename(words[0] or "")
    if name == "busybox" and len(words) > 1:
        words = words[1:]
        name = words[0] or ""
    if name == "exit" or (name == "exec" and len(words) > 1):
        way.over = True
    elif name == "sync":
        way.deeds[:] = [replace(deed, flushed=True) for deed in way.deeds]
    elif name in _DO and len(way.deeds) < MAX_DEEDS:
        deed = _DO[name](words[1:])
        if deed is not None:
            way.deeds.append(replace(deed, line=command.line, said=said))


def _is_storage(path: str) -> bool:
    return path.startswith(("/dev/mtd", "/dev/mmcblk", "/dev/disk/", "/dev/sd"))


_Words = list[str | None]


def _plain(words: _Words) -> _Words:
    """Give the words that are no options."""
    return [word for word in words if word is None or not word.startswith("-")]


def _flashcp(words: _Words) -> Deed:
    named = _plain(words)
    partly = any(word in {"-p", "--partition"} for word in words)
    device = named[1] if len(named) == 2 else None
    return Deed(line=0, act=Act.WRITE, said="", device=device, erases_first=not partly)


def _erase(words: _Words) -> Deed:
    named = _plain(words)
    return Deed(line=0, act=Act.ERASE, said="", device=named[0] if named else None)


def _nandwrite(words: _Words) -> Deed:
    named = _plain(words)
    return Deed(line=0, act=Act.WRITE, said="", device=named[0] if named else None)


def _dd(words: _Words) -> Deed | None:
    if None in words and not any((word or "").startswith("of=") for word in words):
        return Deed(line=0, act=Act.WRITE, said="")
    given = dict((word or "").partition("=")[::2] for word in words)
    device = given.get("of", "")
    if not _is_storage(device):
        return None
    # conv=sync only pads its blocks
    flushed = bool(
        {"fsync", "fdatasync"} & set(given.get("conv", "").split(","))
        or {"sync", "dsync", "direct"} & set(given.get("oflag", "").split(","))
    )
    where = None if "seek" in given else device
    return Deed(line=0, act=Act.WRITE, said="", device=where, flushed=flushed)


def _set(words: _Words) -> Deed | None:
    """`fw_setenv [-c file] name [value…]`; with -s it takes a file, which is not read."""
    rest = list(words)
    while rest and (rest[0] or "").startswith("-"):
        option = rest.pop(0) or ""
        if option in {"-s", "--script"}:
            return Deed(line=0, act=Act.SET, said="")
        if option in {"-c", "--config", "-l", "--lock", "-f", "--defenv", "-m"}:
            rest[:1] = []
    if not rest:
        return None
    if None in rest:
        return Deed(line=0, act=Act.SET, said="")
    value = " ".join(word or "" for word in rest[1:])
    return Deed(line=0, act=Act.SET, said="", variables={rest[0] or "": value or None})


def _table(words: _Words) -> Deed | None:
    looks = {"-p", "--print", "-i", "--info", "-v", "--verify", "-L", "-l", "-d", "--dump", "-b"}
    options = {word for word in words if word is not None and word.startswith("-")}
    if options and options <= looks:
        return None
    devices = [word for word in words if word is not None and _is_storage(word)]
    return Deed(line=0, act=Act.TABLE, said="", device=devices[0] if len(devices) == 1 else None)


def _reboot(words: _Words) -> Deed:
    del words
    return Deed(line=0, act=Act.REBOOT, said="")


_DO: dict[str, Callable[[_Words], Deed | None]] = {
    "flashcp": _flashcp,
    "flash_erase": _erase,
    "flash_eraseall": _erase,
    "nandwrite": _nandwrite,
    "ubiformat": _erase,
    "dd": _dd,
    "fw_setenv": _set,
    "sgdisk": _table,
    "sfdisk": _table,
    "reboot": _reboot,
}

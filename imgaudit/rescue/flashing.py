"""What shell scripts of a root write to flash chips and disks, as far as their words are known.

Nothing is run: a script's commands are taken in their order, as if each succeeds; where `if` or
`case` decides, each branch is a way of its own. What is mounted is followed, in the script and by
/etc/fstab: a file that is written there is a write to its partition.

Source: mtd-utils flashcp.c (all blocks are erased first, unless -p), flash_erase(1), nandwrite(1);
ubirename(8) and ubiupdatevol(8) of mtd-utils; dd(1) for conv= and oflag=; libubootenv fw_setenv and
U-Boot tools/env/fw_env.c (`fw_parse_script`) for a script of it; mount(8), fstab(5); sgdisk(8) for
the options that only look.
"""

from __future__ import annotations

import itertools
import posixpath
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import field, replace

from imgaudit import bounds
from imgaudit.data import dataclass
from imgaudit.model import Act
from imgaudit.patterns import regex
from imgaudit.ramdisk.root import Root
from imgaudit.rescue import sh
from imgaudit.rescue.computed import MAX_ITEMS, expanded, split

MAX_SIZE = 64 << 10
"""Bytes of a script that is looked at."""
MAX_LOOKED = 4096
"""Files of which it is looked whether they are scripts."""
MAX_SCRIPTS = 64
MAX_WAYS = 8
MAX_DEEDS = 64
MAX_STEPS = 4096
"""Commands that are followed over all ways of one script, however its loops stand in each other."""
_WRITES = regex(
    r"\b(?:flashcp|flash_erase|nandwrite|ubiformat|fw_setenv|s[gf]disk|ubirename|ubiupdatevol)"
    r"|\bmount\b|/dev/(?:mtd|mmcblk|disk/|sd|ubi|[$\"'{])"
)
"""What a script has that writes to a chip: a tool, a device, or that it mounts one."""
_PSEUDO = frozenset({"proc", "sysfs", "tmpfs", "devtmpfs", "devpts", "configfs", "debugfs", "none"})


@dataclass(frozen=True, kw_only=True)
class Deed:
    """One command that writes. `device` is the path that it writes to (None: not known).

    `path` is a file that is written in the file system on that device. `variables` are what is set
    (None: not known), `renames` pairs of volumes of the UBI `device`.
    `flushed` and `erases_first` as in UpdateStep.
    """

    line: int
    act: Act
    said: str
    device: str | None = None
    path: str = ""
    variables: Mapping[str, str | None] | None = None
    renames: tuple[tuple[str, str], ...] = ()
    erases_first: bool = False
    flushed: bool = True


Deeds = tuple[Deed, ...]


@dataclass(frozen=True, slots=True)
class Script:
    """A script that writes, with each way through it.

    `watched` tells that it starts a watchdog, or opens one, before it first writes: then one that
    hangs is ended by a reset.
    """

    path: str
    ways: tuple[Deeds, ...]
    watched: bool = False


def flashing(root: Root) -> tuple[Script, ...]:
    """Find the scripts of a root that write to flash chips, disks or U-Boot's environment."""
    mounts = dict(_mounted(root))
    found: list[Script] = []
    looked = 0
    for path, node in root.walk():
        if looked >= MAX_LOOKED or len(found) >= MAX_SCRIPTS:
            why = f"scripts that write to chips are sought among {looked:,} programs only"
            bounds.left_out(f"/{path.lstrip('/')}", why)
            break
        if not node.is_file or not node.executable:
            continue
        looked += 1
        if not 2 < node.data().size <= MAX_SIZE or node.data().upto(0, 2) != b"#!":
            continue
        text = root.text(f"/{path.lstrip('/')}", MAX_SIZE) or ""
        if "sh" not in text.partition("\n")[0]:
            continue
        if not _WRITES.search(text) and not any(at in text for at in mounts):
            continue
        script = read(f"/{path.lstrip('/')}", text, mounts, root.text)
        if script is not None:
            found.append(script)
    return tuple(found)


def _mounted(root: Root) -> Iterator[tuple[str, str]]:
    """Give what /etc/fstab says of devices, by their mount points; the root itself is left out."""
    for line in (root.text("/etc/fstab", MAX_SIZE) or "").splitlines()[
        :MAX_LOOKED
    ]:  # of at most 64 KiB
        words = line.partition("#")[0].split()
        there = len(words) >= 3 and words[1].startswith("/") and words[1] != "/"
        if there and _PSEUDO.isdisjoint((words[0], words[2])):
            yield words[1].rstrip("/"), _device(words[0])


def _device(text: str) -> str:
    """Write a device as its path, where it is named by its partition."""
    tag, equals, value = text.partition("=")
    by = {"PARTLABEL": "by-partlabel", "PARTUUID": "by-partuuid"}.get(tag)
    return f"/dev/disk/{by}/{value}" if equals and by is not None else text


def read(
    path: str,
    text: str,
    mounts: Mapping[str, str] | None = None,
    file: Callable[[str], str | None] | None = None,
) -> Script | None:
    """Read one script; None where it writes nothing that is known of, or is no script.

    `mounts` are devices by where they are mounted as it begins, `file` gives a file of the root.
    """
    try:
        body = sh.parse(text)
    except sh.ShellError:
        return None
    with bounds.listening() as heard:
        found = _followed(path, body, mounts, file)
    # Of a script that has nothing to write with, the ways left out would have written nothing.
    if found is not None or any(map(_can_write, _commands(body))):
        for _, why in heard:
            bounds.left_out(path, why)
    return found


def _commands(item: object) -> Iterator[sh.Simple]:
    """Give every simple command of a script, whatever decides about it."""
    if isinstance(item, sh.Simple):
        yield item
    elif isinstance(item, sh.Sequence):
        parts = (part for chain in item.chains for part in chain.parts)
        for _, pipeline in parts:
            for command in pipeline.commands:
                yield from _commands(command)
    elif isinstance(item, sh.Choice):
        for condition, body in item.clauses:
            yield from _commands(condition)
            yield from _commands(body)
        yield from _commands(item.other)
    elif isinstance(item, sh.Loop):
        yield from _commands(item.condition)
        yield from _commands(item.body)
    elif isinstance(item, sh.Case):
        for _, body in item.items:
            yield from _commands(body)
    elif isinstance(item, sh.Each | sh.Group | sh.Function):
        yield from _commands(item.body)


def _can_write(command: sh.Simple) -> bool:
    names = [posixpath.basename(sh.plain(word) or "") for word in command.words[:2]]
    to = [sh.plain(word) or "" for operator, word in command.to if operator.startswith(">")]
    return any(name in _DO or name == "fw_setenv" for name in names) or any(map(_is_storage, to))


def _followed(
    path: str,
    body: sh.Sequence,
    mounts: Mapping[str, str] | None,
    file: Callable[[str], str | None] | None,
) -> Script | None:
    start = _Way(mounts=dict(mounts or {}), listed=dict(mounts or {}), file=file)
    followed = _through(body, [start])
    ways = [way.deeds for way in followed]
    watched = all(way.watched for way in followed if way.deeds)
    writing = (way for way in ways if any(deed.act is not Act.REBOOT for deed in way))
    whole = list(_distinct(writing))
    # A way that ends early is the start of another one.
    longest = tuple(
        way
        for way in whole
        if not any(way != other and way == other[: len(way)] for other in whole)
    )
    return Script(path, longest, watched) if longest else None


def _distinct(ways: Iterable[list[Deed]]) -> Iterator[Deeds]:
    """Give each way once."""
    found: list[Deeds] = []
    for way in map(tuple, ways):
        if way not in found:
            found.append(way)
            yield way


@dataclass(slots=True)
class _Way:
    """One way through a script, so far; `listed` is what fstab mounts where it is asked to."""

    values: dict[str, str | None] = field(default_factory=dict)
    deeds: list[Deed] = field(default_factory=list)
    functions: dict[str, sh.Command] = field(default_factory=dict)
    mounts: dict[str, str] = field(default_factory=dict)
    listed: dict[str, str] = field(default_factory=dict)
    file: Callable[[str], str | None] | None = None
    inside: tuple[str, ...] = ()
    over: bool = False
    watched: bool = False
    # Shared by all ways of a script.
    steps: list[int] = field(default_factory=lambda: [MAX_STEPS])

    def copy(self) -> _Way:
        return replace(
            self,
            values=dict(self.values),
            deeds=list(self.deeds),
            functions=dict(self.functions),
            mounts=dict(self.mounts),
        )

    def behind(self, path: str) -> str | None:
        """Give the device of the file system that a path lies in; None where it is the root's."""
        path = posixpath.normpath(path)
        over = [at for at in self.mounts if path == at or path.startswith(f"{at}/")]
        return (self.mounts[max(over, key=len)] or None) if over else None

    def file_written(self, path: str, deed: Deed, moved: str | None = None) -> None:
        """Add a write of a file, where it is not on the root's own file system.

        One that is written under another name and then `moved` is replaced as the file system
        renames, and what a cut leaves of that is not known here.
        """
        device = self.behind(path)
        if device is None:
            return
        if moved is not None and self.behind(moved) == device:
            self.deeds[:] = [one for one in self.deeds if one.path != posixpath.normpath(moved)]
            deed = replace(deed, act=Act.UNKNOWN)
        self.add(replace(deed, device=device, path=posixpath.normpath(path)))

    def add(self, deed: Deed) -> None:
        if len(self.deeds) < MAX_DEEDS:
            self.deeds.append(deed)
        else:
            why = f"only the first {MAX_DEEDS} writes of a way are looked at"
            bounds.left_out("a script", why)


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
    way.steps[0] -= 1
    way.over = way.over or way.steps[0] < 0
    if way.over:
        return [way]
    if body is None or name is None or name in way.inside:
        _do(command, way)
        return [way]
    outside, way.inside = way.inside, (*way.inside, name)
    for number, word in enumerate(command.words[1:10], 1):
        way.values[str(number)] = expanded(word, way.values)
    found = _few(_through(body, [way]))
    for one in found:
        one.inside = outside
    return found


def _each(item: sh.Each, ways: list[_Way]) -> list[_Way]:
    """Follow `for` once for each word of a list that is known, which may differ from way to way."""
    found: list[_Way] = []
    for way in ways:
        here = [way]
        words = [text for word in item.words or () for text in split(word, way.values)]
        for text in bounds.within(words, MAX_ITEMS, "a script", "words of a list"):
            if all(one.over for one in here):
                break
            for one in here:
                one.values[item.name] = text
            here = _through(item.body, here)
        found += here
    return _few(found)


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
    return _few(found)


def _few(ways: list[_Way]) -> list[_Way]:
    """Give the first few ways; of those that are alike by now, one."""
    if len(ways) > MAX_WAYS:
        ways = [way for number, way in enumerate(ways) if way not in ways[:number]]
    return bounds.within(ways, MAX_WAYS, "a script", "ways through it")


def _do(command: sh.Simple, way: _Way) -> None:
    """Follow one command."""
    words = [text for word in command.words for text in _split(word, way)]
    if not words:
        for name, word in command.assigns:
            way.values[name] = expanded(word, way.values)
        return
    said = " ".join(sh.shown(word) for word in command.words)[:120]
    blank = Deed(line=command.line, act=Act.WRITE, said=said, flushed=False)
    _redirected(command, way, blank)
    name = posixpath.basename(words[0] or "")
    if name == "busybox" and len(words) > 1:
        words = words[1:]
        name = words[0] or ""
    if name == "exit" or (name == "exec" and len(words) > 1):
        way.over = True
    elif name in {"sync", "umount"}:
        way.deeds[:] = [replace(deed, flushed=True) for deed in way.deeds]
        gone = {posixpath.normpath(word or "") for word in words[1:]} if name == "umount" else set()
        way.mounts = {at: one for at, one in way.mounts.items() if not {at, one} & gone}
    elif name in {"watchdog", "watchdogd"}:
        way.watched = way.watched or not way.deeds
    elif name == "mount":
        _mount(words[1:], way)
    elif name in _FILES:
        target = _FILES[name](words[1:])
        moved = next(iter(_plain(words[1:])), None) if name == "mv" else None
        if target is not None:
            way.file_written(target, blank, moved)
    elif name == "fw_setenv":
        deed = _set(words[1:], way.file)
        if deed is not None:
            way.add(replace(deed, line=command.line, said=said))
    elif name in _DO:
        deed = _DO[name](words[1:])
        if deed is not None:
            way.add(replace(deed, line=command.line, said=said))


def _redirected(command: sh.Simple, way: _Way, blank: Deed) -> None:
    """Follow what a command's output goes to."""
    for operator, word in command.to:
        path = expanded(word, way.values)
        if operator in {">", ">|", ">>"} and path is not None:
            if path.startswith("/dev/watchdog"):
                way.watched = way.watched or not way.deeds
            elif _is_storage(path) and operator != ">>":
                way.add(replace(blank, device=path))
            else:
                way.file_written(path, blank)


def _split(word: sh.Word, way: _Way) -> list[str | None]:
    """Expand a word of a command; text that is written there is not split."""
    literal = all(part.kind == "text" for part in word)
    return [expanded(word, way.values)] if literal else split(word, way.values)


def _mount(words: _Words, way: _Way) -> None:
    """Follow `mount [-o …] [-t …] device folder`, or `mount folder` as fstab has it."""
    given: _Words = []
    options = iter(words)
    kind: str | None = ""
    for word in options:
        if word in {"-o", "-t", "-O"}:
            value = next(options, "")
            kind = value if word == "-t" else kind
            if "remount" in (value or ""):
                return
        elif word is None or not word.startswith("-"):
            given.append(word)
    folder = given[-1].rstrip("/") if given and given[-1] else None
    if len(given) == 2 and folder and {kind, given[0]} & _PSEUDO:
        way.mounts[folder] = ""  # what is written there goes to no chip
    elif len(given) == 2 and folder and given[0] is not None:
        way.mounts[folder] = _device(given[0])
    elif len(given) == 1 and folder in way.listed:
        way.mounts[folder] = way.listed[folder]


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


def _set(words: _Words, file: Callable[[str], str | None] | None) -> Deed | None:
    """`fw_setenv [-c file] name [value…]`, or `-s file` with a variable in each of its lines."""
    rest = list(words)
    while rest and (rest[0] or "").startswith("-"):
        option = rest.pop(0) or ""
        if option in {"-s", "--script"}:
            path = rest[0] if rest else None
            text = file(path) if file is not None and path and path.startswith("/") else None
            variables = None if text is None else dict(_listed(text))
            return Deed(line=0, act=Act.SET, said="", variables=variables)
        if option in {"-c", "--config", "-l", "--lock", "-f", "--defenv", "-m"}:
            rest[:1] = []
    if not rest:
        return None
    if None in rest:
        return Deed(line=0, act=Act.SET, said="")
    value = " ".join(word or "" for word in rest[1:])
    return Deed(line=0, act=Act.SET, said="", variables={rest[0] or "": value or None})


def _listed(text: str) -> Iterator[tuple[str, str | None]]:
    """Read what fw_setenv -s takes: a name and its value in each line, deleted without one."""
    for line in text[:MAX_SIZE].splitlines():
        found = _VARIABLE.match(line)
        if found is not None:
            yield found[1], found[2].strip() or None


_VARIABLE = regex(r"\s*([^\s#=]+)[\s=]*(.*)")


def _update(words: _Words) -> Deed:
    """`ubiupdatevol /dev/ubi0_1 file`; the volume is marked until it is whole."""
    named = _plain(words)
    return Deed(line=0, act=Act.WRITE, said="", device=named[0] if named else None)


def _rename(words: _Words) -> Deed:
    """`ubirename /dev/ubi0 old new [old new…]`, all in one go."""
    named = _plain(words)
    names = [word for word in named[1:] if word is not None]
    known = len(names) == len(named) - 1 and not len(names) % 2
    pairs = tuple(zip(names[::2], names[1::2], strict=True)) if known else ()
    return Deed(line=0, act=Act.RENAME, said="", device=named[0] if named else None, renames=pairs)


def _last(words: _Words) -> str | None:
    """Give where `cp`, `mv`, `install` and `ln` write: their last word, or that of `-t`."""
    named = [word for word in words if word is None or not word.startswith("-")]
    for option, folder in itertools.pairwise(words):
        if option == "-t":
            return folder
    return named[-1] if len(named) > 1 else None


def _folder(*options: str) -> Callable[[_Words], str | None]:
    """Give a reader of where a program that unpacks writes, by the option that says it."""

    def find(words: _Words) -> str | None:
        pairs = itertools.pairwise(words)
        return next((folder for option, folder in pairs if option in options), None)

    return find


_FILES: dict[str, Callable[[_Words], str | None]] = {
    **dict.fromkeys(("cp", "mv", "install", "ln", "rsync"), _last),
    "tar": _folder("-C", "--directory"),
    "unzip": _folder("-d"),
    "wget": _folder("-O", "-P"),
    "curl": _folder("-o", "--output"),
}
"""Programs that write files, with what tells where."""


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
    "ubirename": _rename,
    "ubiupdatevol": _update,
    "dd": _dd,
    "sgdisk": _table,
    "sfdisk": _table,
    "reboot": _reboot,
}

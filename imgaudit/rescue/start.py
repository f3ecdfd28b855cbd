"""The recovery's own start: /init, inittab and the scripts that they run, followed.

Nothing is run: what depends on the board is taken both ways, and what cannot be known is said.

Sources: POSIX.1-2024, Shell Command Language; BusyBox init/init.c (inittab, and what it does
without one) and shell/ash.c; sysvinit's inittab(5); run-parts(8).
"""

from __future__ import annotations

import fnmatch
import itertools
import posixpath
from collections.abc import Callable, Iterator, Mapping
from dataclasses import field, replace
from functools import partial

from imgaudit import bounds
from imgaudit.data import dataclass
from imgaudit.patterns import regex
from imgaudit.ramdisk.root import Root
from imgaudit.rescue import sh
from imgaudit.rescue.runnable import PATH, Runner

STEPS = 20_000
SCRIPTS = 64  # in each other: 8
NESTED = 8
TURNS = 64
ROWS = 512
KEPT = 200
COMMANDS = 4096  # a full distribution has some 3,000
_WRITABLE = "proc sys dev run tmp mnt media var/run"
_VOLATILE = tuple(f"/{name}/" for name in _WRITABLE.split())
_OTHER_CHIP = regex(r"mmcblk|/dev/disk/by-|/dev/sd[a-z]|(?:LABEL|UUID)=")
_MAKES_NODES = frozenset({"mdev", "mknod", "cp", "tar", "cpio", "udevd", "systemd-udevd"})
_CMDLINE = "/proc/cmdline"
INITTAB = "/etc/inittab"
# What a mount takes that stands below /dev, or is looked for there.
_DEVICE = regex(r"/dev/|(?:PART)?(?:LABEL|UUID)=")
# Where programs look at once: BusyBox util-linux/mdev.c, procps/sysctl.c; systemd-udevd(8).
_LOOKS_IN = {
    "mdev": ("/sys", "/dev"),
    "sysctl": ("/proc",),
    "systemd-udevd": ("/sys", "/dev"),
    "udevadm": ("/sys",),
    "udevd": ("/sys", "/dev"),
}
_SHELL_OWN = """. : [ [[ alias bg break cd command continue echo eval exec exit export false fg
    getopts hash jobs kill let local printf pwd read readonly return set shift source test times
    trap true type ulimit umask unalias unset wait"""
_BUILTINS = frozenset(_SHELL_OWN.split())
_PREFIXES: Mapping[str, tuple[str, ...]] = {
    "setsid": (),
    "cttyhack": (),
    "nohup": (),
    "command": (),
    "busybox": (),
    "time": ("-f", "-o"),
    "env": ("-u", "-C"),
    "exec": ("-a",),
}
"""What runs the program that its words go on with, and its options that another word follows."""
_FIRST_WORD = regex(r"\(?\s*([\w-]+)(?=[\s)`;|&]|$)")
_KEYWORDS = frozenset({"if", "for", "while", "until", "case", "function"})
_LEAVES = frozenset({"switch_root", "pivot_root", "run-init"})
_ENDS = frozenset({"reboot", "poweroff", "halt"})
_VALUED = frozenset({"-c", "-d"})
"""Options of switch_root and run-init that another word follows."""
_SHELLS = ("/bin/sh", "/bin/bash", "/bin/ash", "/usr/bin/bash")
SHELLS = frozenset({"sh", "ash", "bash", "dash"})
INTERPRETERS = SHELLS | {"busybox"}


@dataclass(frozen=True, slots=True)
class Step:
    """A command of a script; `certain` tells that it is reached on every way, as far as known."""

    path: str
    line: int
    command: str
    certain: bool

    @property
    def place(self) -> str:
        """The script and the line."""
        return f"{self.path}:{self.line}"


@dataclass(frozen=True, slots=True)
class Absent:
    """A program that is run and cannot be; `fatal` tells that the first program ends by it."""

    step: Step
    program: str
    why: str
    fatal: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Switch:
    """Where the start leaves the ramdisk for a new root.

    `device` is what is mounted there, `step` where, and `init` the program that is started there;
    None where that is not known. `asks` tells that a script looks at the kernel's command line.
    `others` are programs that may be started in the ramdisk instead; `certain` tells that there
    are none and that it leaves on every way. `kind` is the type that the root is mounted as,
    `kinds` are those of all mounts through which it is seen, and `points` their mount points.
    """

    step: Step
    device: str | None = None
    init: str | None = None
    asks: bool = True
    others: tuple[str, ...] = ()
    certain: bool = False
    kind: str | None = None
    kinds: tuple[str, ...] = ()
    points: tuple[str, ...] = ()
    on_node: bool | None = False


@dataclass(frozen=True, slots=True)
class _Mounted:
    """A file system on a mount point; `tool` is empty where no program mounts it."""

    step: Step
    device: str | None
    options: tuple[str, ...]
    tool: str
    kind: str | None = None

    @property
    def bound(self) -> bool:
        """Whether another mount point is shown there."""
        return not {"bind", "rbind", "move"}.isdisjoint(self.options)

    @property
    def through(self) -> bool:
        """Whether what is seen there lies elsewhere."""
        return self.bound or self.kind == "overlay"


@dataclass(frozen=True, kw_only=True)
class Start:
    """What was found of the start.

    `absent` are programs that are run and cannot be. `waits` are loops that end only when a device
    of another chip is there. `ends` is the last command of a first program that ends. `mounted` are
    the mount points that something mounts on, and `no_point` those of them without a folder;
    `early` are programs that look there before they are mounted, with the point.
    `loads` are modules that are loaded by name, `blind` the lines that load what is not known.
    `switch` is where it goes on. `nodes` tells that something makes nodes of devices. `doubts` say
    in sentences what was not followed.
    """

    scripts: tuple[str, ...] = ()
    absent: tuple[Absent, ...] = ()
    waits: tuple[tuple[Step, str], ...] = ()
    ends: Step | None = None
    mounted: Mapping[str, Step] = field(default_factory=dict)
    no_point: tuple[tuple[Step, str], ...] = ()
    early: tuple[tuple[Step, str], ...] = ()
    loads: tuple[tuple[Step, str], ...] = ()
    blind: frozenset[tuple[str, int]] = frozenset()
    switch: Switch | None = None
    nodes: bool = False
    doubts: tuple[str, ...] = ()

    @property
    def told(self) -> set[tuple[str, int]]:
        """The lines of which it is known what modules they load."""
        return {(step.path, step.line) for step, _ in self.loads} - self.blind

    @property
    def stops(self) -> str:
        """Why the first program certainly ends, with the place; empty where it does not."""
        for item in self.absent:
            if item.fatal:
                return f"{item.step.place}: {item.why}"
        return "" if self.ends is None else f"{self.ends.place} is its last command"


def follow_init(
    root: Root, runner: Runner, first: str, tools: Mapping[str, str] | None = None
) -> Start:
    """Follow the start from its first program.

    Args:
        root: what the ramdisk makes.
        runner: judges programs.
        first: the path of the first program.
        tools: commands that a shell has, besides its builtins, with what stands behind them.

    """
    walk = _Walk(root, runner, tools or {})
    walk.first(first)
    return Start(
        scripts=tuple(walk.scripts),
        absent=tuple(walk.absent.values())[:KEPT],
        waits=tuple(walk.waits)[:KEPT],
        ends=walk.ends,
        mounted=walk.mounted,
        no_point=tuple(walk.no_point)[:KEPT],
        early=tuple((step, point) for step, point in walk.early if point in walk.mounted)[:KEPT],
        loads=tuple(walk.loads)[:KEPT],
        blind=frozenset(walk.blind),
        switch=walk.left(),
        nodes=walk.nodes or "/dev" in walk.mounted,
        doubts=tuple(dict.fromkeys(walk.doubts))[:KEPT],
    )


class _OverError(Exception):
    """The script, or the process, does not go on."""

    def __init__(self, kind: str) -> None:
        super().__init__(kind)
        self.kind = kind


@dataclass(slots=True)
class _Frame:
    """One script as it runs, or a process of it.

    `first` tells that it is the first program itself, `vital` that this one ends where it fails.
    `tested` tells that a status is looked at, so that `set -e` ends nothing; `stays` that another
    program may have taken its place.
    """

    path: str
    variables: dict[str, str | None]
    arguments: tuple[str | None, ...] = ()
    functions: dict[str, sh.Command] = field(default_factory=dict)
    certain: bool = True
    strict: bool = False
    tested: bool = False
    first: bool = False
    vital: bool = False
    stays: bool = False
    bash: bool = False
    last: Step | None = None

    @property
    def fails(self) -> bool:
        """Whether the first program ends where a command fails."""
        return self.vital and self.strict and not self.tested


class _Walk:
    def __init__(self, root: Root, runner: Runner, tools: Mapping[str, str]) -> None:
        self.root = root
        self.runner = runner
        self.tools = tools
        self.scripts: list[str] = []
        self.absent: dict[tuple[str, int, str], Absent] = {}
        self.waits: list[tuple[Step, str]] = []
        self.ends: Step | None = None
        self.mounted: dict[str, Step] = {}
        self.devices: dict[str, list[_Mounted]] = {}  # by mount point
        self.leaves: list[tuple[Step, str | None, str | None]] = []
        self.others: list[str] = []
        self.asks = False
        self.nodes = False
        self.made: set[str] = set()
        self.no_point: list[tuple[Step, str]] = []
        self.early: list[tuple[Step, str]] = []
        self.loads: list[tuple[Step, str]] = []
        self.blind: set[tuple[str, int]] = set()
        self.doubts: list[str] = []
        self.steps = STEPS
        self.depth = 0
        self.hangs = False

    # Programs

    def first(self, path: str) -> None:
        """Follow the first program: a script, or an init that reads inittab."""
        try:
            self.program(path, _Frame(path, {}, ("",), first=True, vital=True))
        except _OverError:
            return

    def program(self, path: str, frame: _Frame) -> None:
        """Follow what a program does: a shell script, which runs in the frame, or an init."""
        found = self.root.resolve(path)
        node = found.node
        if node is None or not node.is_file:
            return
        head = node.data().upto(0, 256)
        if head[:2] == b"#!":
            line = head.partition(b"\n")[0].decode("utf-8", "replace").split()
            shell = posixpath.basename(line[0][2:] or (line[1] if len(line) > 1 else ""))
            if shell in INTERPRETERS:
                frame.bash = shell == "bash"
                frame.strict = any(_sets(word, "e") for word in line)
                self.script(frame)
            else:
                self.doubts.append(f"{path} is a script of {shell}, which was not followed.")
            return
        if posixpath.basename(found.path) == "systemd":
            # what it mounts for the new root is said by its units and root=
            self.leaves.append((Step(path, 0, path, certain=True), None, None))
            self.asks = True
        elif posixpath.basename(path) in {"init", "linuxrc"}:
            busybox = self.runner.applets(node) is not None
            if busybox or self.root.text("/etc/inittab") is not None:
                self.inittab(busybox=busybox)

    def script(self, frame: _Frame) -> None:
        path = frame.path
        if self.depth >= NESTED or len(self.scripts) >= SCRIPTS:
            self.doubts.append(f"{path} was not followed: scripts run each other too deep.")
            return
        text = self.root.text(path, sh.SIZE) or ""
        try:
            body = sh.parse(text)
        except sh.ShellError as problem:
            self.doubts.append(f"{path} was not followed: {problem}.")
            return
        self.scripts.append(path)
        self.asks |= _CMDLINE in text
        self.depth += 1
        try:
            self.sequence(body, frame)
        except _OverError as over:
            if over.kind in {"replaced", "hangs"}:
                raise
        finally:
            self.depth -= 1
        if frame.first and frame.certain and not frame.stays and not self.hangs:
            self.ends = frame.last

    def inittab(self, *, busybox: bool) -> None:
        """Follow init's own table: first what it waits for, then what it keeps running."""
        text = self.root.text("/etc/inittab")
        self.scripts.append("/etc/inittab")
        lines = [] if text is None else text.splitlines()
        if text is None and busybox:
            lines = ["::sysinit:/etc/init.d/rcS"]
        rows = []
        for number, line in enumerate(bounds.within(lines, ROWS, "/etc/inittab", "lines"), 1):
            fields = line.split(":", 3)
            if not line.lstrip().startswith("#") and len(fields) == 4:
                rows.append((number, fields[2], fields[3].strip()))
        order = ("sysinit", "boot", "bootwait", "wait", "once", "respawn", "askfirst")
        for action in order:
            for number, does, command in rows:
                if does == action and command:
                    self.line(command.removeprefix("-").lstrip("+@"), number)
        raise _OverError("hangs")

    def line(self, command: str, number: int) -> None:
        """Follow a command line of inittab."""
        try:
            body = sh.parse(command)
        except sh.ShellError:
            self.doubts.append(f"/etc/inittab:{number} was not followed: {command}")
            return
        frame = _Frame("/etc/inittab", {})
        for chain in body.chains:
            for _, pipeline in chain.parts:
                for simple in pipeline.commands:
                    if isinstance(simple, sh.Simple):
                        self.process(partial(self.simple, simple, line=number), frame, waits=False)

    def process(
        self,
        run: Callable[[_Frame], object],
        frame: _Frame,
        *,
        vital: bool = False,
        waits: bool = True,
    ) -> None:
        """Run what is a process of its own: its end is not that of its starter."""
        variables, functions = dict(frame.variables), dict(frame.functions)
        own = replace(
            frame, variables=variables, functions=functions, first=False, vital=vital, stays=False
        )
        try:
            run(own)
        except _OverError as over:
            if over.kind == "hangs" and waits:
                raise
        frame.last = own.last

    # Commands

    def sequence(self, body: sh.Sequence, frame: _Frame) -> bool | None:
        status: bool | None = True
        for chain in body.chains:
            if chain.background:
                self.process(partial(self.chain, chain), frame, waits=False)
                status = True
            else:
                status = self.chain(chain, frame)
        return status

    def tested(self, run: Callable[[_Frame], bool | None], frame: _Frame) -> bool | None:
        """Follow what may fail under `set -e`: a condition, `!`, all but the last of a list."""
        before, frame.tested = frame.tested, True
        try:
            return run(frame)
        finally:
            frame.tested = before

    def chain(self, chain: sh.Chain, frame: _Frame) -> bool | None:
        status: bool | None = True
        left: list[str] = []
        for index, (operator, pipeline) in enumerate(chain.parts, 1):
            if (operator, status) in {("&&", False), ("||", True)}:
                continue
            run = partial(self.pipeline, pipeline)
            if index < len(chain.parts):
                run = partial(self.tested, run)
            if not operator or status is not None:
                status = self.otherwise(run, frame, left)
                continue
            _, how = self.maybe(run, frame)
            if how:
                # what comes behind it is reached only where it was not
                left.append(how)
                status = operator == "||"
        return status

    def maybe(self, run: Callable[[_Frame], bool | None], frame: _Frame) -> tuple[bool | None, str]:
        """Follow what may not be reached: what it sets is not known afterwards.

        Gives its status, and how it leaves the script where it does not come to its end.
        """
        before, certain = dict(frame.variables), frame.certain
        frame.certain = False
        status: bool | None = None
        left = ""
        try:
            status = run(frame)
        except _OverError as over:
            left = over.kind
        finally:
            frame.certain = certain
        frame.stays |= left == "replaced"
        self.hangs |= left == "hangs"
        for name, value in list(frame.variables.items()):
            if before.get(name, "") != value:
                frame.variables[name] = None
        return status, left

    def otherwise(
        self, run: Callable[[_Frame], bool | None], frame: _Frame, left: list[str]
    ) -> bool | None:
        """Follow the way that is taken where none of those before was; `left` is how they leave.

        Where all ways leave, what comes behind them is not reached.
        """
        if not left:
            return run(frame)
        status, how = self.maybe(run, frame)
        left.append(how)
        if len(set(left)) == 1 and how:
            raise _OverError(how)
        if set(left) <= {"replaced", "hangs", "exit"}:
            raise _OverError("replaced")
        return status

    def pipeline(self, pipeline: sh.Pipeline, frame: _Frame) -> bool | None:
        *fed, last = pipeline.commands
        for command in fed:
            self.process(partial(self.command, command), frame)
        if fed:
            vital = frame.fails and not pipeline.negated
            self.process(partial(self.command, last), frame, vital=vital)
            return None
        if not pipeline.negated:
            return self.command(last, frame)
        status = self.tested(partial(self.command, last), frame)
        return None if status is None else not status

    def command(self, command: sh.Command, frame: _Frame) -> bool | None:
        self.steps -= 1
        if self.steps < 0:
            self.doubts.append("The scripts take too many steps to be followed to their end.")
            raise _OverError("hangs")
        if isinstance(command, sh.Simple):
            return self.simple(command, frame, command.line)
        if isinstance(command, sh.Choice):
            return self.choice(command, frame)
        if isinstance(command, sh.Loop):
            return self.loop(command, frame)
        if isinstance(command, sh.Each):
            return self.each(command, frame)
        if isinstance(command, sh.Case):
            return self.case(command, frame)
        if isinstance(command, sh.Function):
            frame.functions[command.name] = command.body
            return True
        if command.subshell:
            self.process(partial(self.sequence, command.body), frame, vital=frame.fails)
            return None
        return self.sequence(command.body, frame)

    def choice(self, choice: sh.Choice, frame: _Frame) -> bool | None:
        left: list[str] = []
        for condition, body in choice.clauses:
            status = self.tested(partial(self.sequence, condition), frame)
            if status is None:
                left.append(self.maybe(partial(self.sequence, body), frame)[1])
            elif status:
                return self.otherwise(partial(self.sequence, body), frame, left)
        if choice.other is not None:
            return self.otherwise(partial(self.sequence, choice.other), frame, left)
        return None if left else True

    def loop(self, loop: sh.Loop, frame: _Frame) -> bool | None:
        # what a turn sets is not known in the next one
        names = [name for item in _simples(loop.body) for name, _ in item.assigns]
        frame.variables.update(dict.fromkeys(names))
        status = self.tested(partial(self.sequence, loop.condition), frame)
        if status is loop.until:
            return True
        words = _first_words(loop.body)
        if status is not None and not words & {"break", "return"}:
            try:
                self.sequence(loop.body, frame)
            except _OverError as over:
                if over.kind != "continue":
                    raise
            raise _OverError("hangs")
        device = _device(loop.condition)
        counts = len(loop.condition.chains) > 1 or any(
            len(chain.parts) > 1 for chain in loop.condition.chains
        )
        if device and not words & _LEAVING and not counts and _OTHER_CHIP.search(device):
            self.waits.append((self.step(frame, loop.line, f"waits for {device}"), device))
        self.maybe(partial(self.sequence, loop.body), frame)
        return None

    def each(self, each: sh.Each, frame: _Frame) -> bool | None:
        words = frame.arguments if each.words is None else self.fields(each.words, frame)
        if any(word is None for word in words):
            frame.variables[each.name] = None
            self.maybe(partial(self.sequence, each.body), frame)
            return None
        for word in bounds.within(words, TURNS, "a script", "turns of a loop"):
            frame.variables[each.name] = word
            try:
                self.sequence(each.body, frame)
            except _OverError as over:
                if over.kind == "break":
                    break
                if over.kind != "continue":
                    raise
        return None

    def case(self, case: sh.Case, frame: _Frame) -> bool | None:
        value = self.text(case.word, frame)
        left: list[str] = []
        for patterns, body in case.items:
            texts = [self.text(pattern, frame) for pattern in patterns]
            run = partial(self.sequence, body)
            known = [text for text in texts if text is not None]
            if "*" in known or (
                value is not None and any(fnmatch.fnmatchcase(value, text) for text in known)
            ):
                return self.otherwise(run, frame, left)
            if value is None or None in texts:
                left.append(self.maybe(run, frame)[1])
        return None if left else True

    def simple(self, simple: sh.Simple, frame: _Frame, line: int) -> bool | None:
        self.inside((*simple.words, *(value for _, value in simple.assigns)), frame, line)
        words = self.fields(simple.words, frame)
        if not words:
            for variable, value in simple.assigns:
                frame.variables[variable] = self.text(value, frame)
            return True
        frame.last = step = self.step(frame, line, _shown(simple.words))
        name = words[0]
        if name == "exec":
            return self.replace(words, frame, step)
        if words[:2] in (["command", "-v"], ["command", "-V"]):
            return self.finds(words[2:], frame)
        words = self.behind_prefixes(words, frame, step)
        name = words[0] if words else None
        if not name:
            return None
        if name in frame.functions:
            return self.call(name, words, frame)
        if name in _BUILTINS:
            return self.builtin(name, words, frame)
        return self.run(name, words, frame, step)

    def inside(self, words: tuple[sh.Word, ...], frame: _Frame, line: int) -> None:
        """Look for the first program of each command that a word takes its text from."""
        for part in (part for word in words for part in word if part.kind == "unknown"):
            found = _FIRST_WORD.match(part.text)
            name = found[1] if found is not None else ""
            known = name in _BUILTINS or name in _PREFIXES or name in _KEYWORDS
            if name and not known and name not in frame.functions and name not in self.tools:
                step = self.step(frame, line, _shown(words))
                self.note(step, name, _nowhere(name), fatal=False)

    def behind_prefixes(
        self, words: list[str | None], frame: _Frame, step: Step, *, fatal: bool = False
    ) -> list[str | None]:
        """Take off what only runs another program; nothing is left where that is not there."""
        while words and (base := posixpath.basename(words[0] or "")) in _PREFIXES:
            own = base in _BUILTINS or base == "time"
            if not own and not self.find(words[0] or "", frame, step, fatal=fatal):
                return []
            if base == "busybox" and "--install" in words:
                self.made.add("")  # what it makes is not known
            words = words[1:]
            while words and (word := words[0]) is not None:
                if word in _PREFIXES[base]:
                    words = words[2:]
                elif word.startswith("-") or (base == "env" and "=" in word):
                    words = words[1:]
                else:
                    break
        return words

    def finds(self, names: list[str | None], frame: _Frame) -> bool | None:
        """Tell whether the shell finds all of these commands."""
        found: list[bool | None] = []
        for name in names:
            if name is None:
                found.append(None)
            elif "/" in name:
                found.append(self.there("-x", name))
            else:
                there = name in self.tools or name in frame.functions or name in _BUILTINS
                found.append(there or (None if self.made else False))
        return False if False in found else None if None in found else True

    def call(self, name: str, words: list[str | None], frame: _Frame) -> bool | None:
        if self.depth >= NESTED:
            self.doubts.append(f"{frame.path} was not followed: {name} runs too deep in others.")
            raise _OverError("hangs")
        self.depth += 1
        arguments, frame.arguments = frame.arguments, tuple(words[1:])
        try:
            return self.command(frame.functions[name], frame)
        except _OverError as over:
            if over.kind != "return":
                raise
            return None
        finally:
            self.depth -= 1
            frame.arguments = arguments

    def builtin(self, name: str, words: list[str | None], frame: _Frame) -> bool | None:
        if name in {"exit", "return", "break", "continue"}:
            raise _OverError(name)
        if name in {"true", ":"}:
            return True
        if name == "false":
            return False
        if name in {"test", "[", "[["}:
            return self.test([word for word in words[1:] if word not in {"]", "]]"}])
        if name in {".", "source"} and len(words) > 1 and words[1]:
            self.source(words[1], frame)
            return None
        if name == "eval":
            frame.stays = True  # what it runs is not known
        if name == "type":
            return self.finds(words[1:], frame)
        if name == "set":
            frame.strict = _strict(words, before=frame.strict)
        if name in {"export", "readonly", "local"}:
            for word in words[1:]:
                variable, equals, value = (word or "").partition("=")
                if equals:
                    frame.variables[variable] = value
        if name in {"read", "unset", "getopts"}:
            frame.variables.update(dict.fromkeys((word for word in words[1:] if word), None))
        return None if name in {"cd", "eval", "read", "wait", "kill"} else True

    def source(self, path: str, frame: _Frame) -> None:
        text = self.root.text(path, sh.SIZE)
        if text is None:
            if frame.last is not None and self.there("-f", path) is False and not frame.bash:
                # dash(1), busybox ash: an error in a special builtin ends the shell
                self.note(frame.last, path, f"{path} is not there", fatal=frame.vital)
                raise _OverError("exit")
            return
        if self.depth >= NESTED:
            self.doubts.append(f"{path} was not followed: scripts run each other too deep.")
            return
        try:
            body = sh.parse(text)
        except sh.ShellError as problem:
            self.doubts.append(f"{path} was not followed: {problem}.")
            return
        self.scripts.append(path)
        self.asks |= _CMDLINE in text
        outer, frame.path = frame.path, path
        self.depth += 1
        try:
            self.sequence(body, frame)
        except _OverError as over:
            if over.kind != "return":
                raise
        finally:
            self.depth -= 1
            frame.path = outer

    def test(self, words: list[str | None]) -> bool | None:
        if len(words) == 3 and words[0] == "!":
            inner = self.test(words[1:])
            return None if inner is None else not inner
        if any(word is None for word in words):
            return None
        known = [word or "" for word in words]
        if len(known) == 2 and known[0] in {"-n", "-z"}:
            return bool(known[1]) is (known[0] == "-n")
        if len(known) == 2 and known[0] in {"-e", "-f", "-x", "-d", "-r", "-s", "-h", "-L"}:
            return self.there(known[0], known[1])
        if len(known) == 3 and known[1] in {"=", "==", "!="}:
            return (known[0] == known[2]) is (known[1] != "!=")
        return None

    def there(self, how: str, path: str) -> bool | None:
        """Test a path that only the ramdisk can bring; the start itself may make others."""
        if self.volatile(path):
            return None
        node = self.root.lookup(path)
        if node is None:
            return None if self.made else False
        if how == "-x":
            return node.executable or node.children is not None
        if how == "-d":
            return node.children is not None
        return node.is_file if how == "-f" else True

    def volatile(self, path: str) -> bool:
        if path == "/":
            return False
        above = [*_VOLATILE, *(f"{point}/" for point in self.mounted if point != "/")]
        return not path.startswith("/") or f"{path}/".startswith(tuple(above))

    def replace(self, words: list[str | None], frame: _Frame, step: Step) -> bool | None:
        """Follow exec: the script ends here, unless it only opens files."""
        if len(words) == 1:
            return True
        words = self.behind_prefixes(words, frame, step, fatal=True)
        name = words[0] if words else None
        if name is None:
            raise _OverError("replaced")
        base = posixpath.basename(name)
        if base in _LEAVES:
            if self.find(name, frame, step, fatal=True):
                self.leave(words, step)
            raise _OverError("replaced")
        if base in _ENDS:
            raise _OverError("replaced")
        self.others.append(base)
        path = self.find(name, frame, step, fatal=True)
        if path:
            self.program(path, _child(frame, path, words, first=frame.first, vital=frame.vital))
        raise _OverError("replaced")

    def leave(self, words: list[str | None], step: Step) -> None:
        """Note where the script goes on.

        Source: BusyBox util-linux/switch_root.c: [-c DEV] NEW_ROOT NEW_INIT; klibc
        usr/kinit/run-init: [-d CAPS] [-c DEV] NEW_ROOT NEW_INIT (from memory).
        """
        plain: list[str | None] = []
        taken = iter(words[1:])
        for word in taken:
            if word in _VALUED:
                next(taken, None)
            elif word is None or not word.startswith("-"):
                plain.append(word)
        point, init = [*plain, None, None][:2]
        if posixpath.basename(words[0] or "") == "pivot_root" or point is None:
            point = init = None
        self.leaves.append((step, point, init))
        mounts = self.devices.get(posixpath.normpath(point), []) if point is not None else []
        if step.certain and len(mounts) == 1 and mounts[0].step.certain and not mounts[0].tool:
            lost = mounts[0].step
            key = lost.path, lost.line, "mount"
            self.absent[key] = Absent(lost, "mount", _nowhere("mount"), fatal=True)

    def left(self) -> Switch | None:
        """Say where the start goes on; None where nothing leaves the ramdisk."""
        if not self.leaves:
            return None
        step, point, _ = self.leaves[0]
        inits = {init for _, _, init in self.leaves}
        one = len(self.leaves) == 1
        points: list[str] = []
        found = self.behind(point, points) if one and point is not None else None
        device = None if found is None else found.device
        seen = [mount for place in points for mount in self.devices.get(place, ())]
        nodes = {mount.device is not None and bool(_DEVICE.match(mount.device)) for mount in seen}
        unknown = any(mount.device is None for mount in seen)
        # Of a volume or a network that it names itself no argument of the kernel says more.
        named = bool(seen) and True not in nodes and not unknown and not seen[-1].through
        return Switch(
            step=step if found is None or device is None else found.step,
            device=device,
            init=inits.pop() if len(inits) == 1 else None,
            asks=(self.asks or bool(self.doubts)) and not named,
            others=tuple(dict.fromkeys(self.others)),
            certain=one and step.certain and not self.others,
            kind=None if found is None else found.kind,
            kinds=tuple(dict.fromkeys(mount.kind for mount in seen if mount.kind)),
            points=tuple(points),
            on_node=True if True in nodes else None if unknown else False,
        )

    def behind(self, point: str, points: list[str]) -> _Mounted | None:
        """Give the one mount that is seen at a point: through an overlay, a bind.

        Its device is None where it is not known; `points` gets all that were gone through.
        """
        for _ in range(NESTED):
            points.append(posixpath.normpath(point))
            found = self.devices.get(points[-1], [])
            if not found or (len(found) > 1 and not all(one.step.certain for one in found)):
                return None
            last = found[-1]
            if last.device is None or _DEVICE.match(last.device):
                return last
            lower = next((it for it in last.options if it.startswith("lowerdir=")), "")
            under = lower.removeprefix("lowerdir=") or (last.device if last.bound else None)
            if not under:
                return None
            point = under
        return None

    def find(self, name: str, frame: _Frame, step: Step, *, fatal: bool = False) -> str:
        """Find a program as the shell does, and note one that cannot run."""
        dies = (fatal and frame.vital) or frame.fails
        if "/" not in name:
            path = self.tools.get(name, "")
            if not path:
                self.note(step, name, _nowhere(name), fatal=dies)
            return path
        if self.volatile(name) or name in self.tools.values():
            return "" if self.volatile(name) else name
        verdict = self.runner.verdict(name)
        kinds = {reason.kind for reason in verdict.reasons}
        if verdict.runs is False and not (fatal is False and kinds == {"no-shebang"}):
            why = "; ".join(reason.chain for reason in verdict.reasons)
            self.note(step, name, why, fatal=dies)
            return ""
        return name

    def note(self, step: Step, program: str, why: str, *, fatal: bool) -> None:
        key = step.path, step.line, program
        if key not in self.absent and not (fatal is False and self.made and "/" in program):
            self.absent[key] = Absent(step, program, why, fatal=fatal and step.certain)

    def run(self, name: str, words: list[str | None], frame: _Frame, step: Step) -> bool | None:
        """Run a program: those that matter are known by name, scripts are followed."""
        base = posixpath.basename(name)
        if base in {"sh", "ash", "bash"} and len(words) > 1 and words[1] and words[1][0] == "/":
            self.nested(words[1], words[1:], frame)
            return None
        path = self.find(name, frame, step)
        self.nodes |= base in _MAKES_NODES
        for point in _LOOKS_IN.get(base, ()):
            if path and step.certain and point not in self.mounted:
                self.early.append((step, point))
        if base == "mount":
            self.mount(words[1:], step, path)
        elif base == "pivot_root":
            self.leave(words, step)
        elif base == "mkdir":
            self.made.update(word.rstrip("/") for word in words[1:] if word and word[0] == "/")
        elif base in {"modprobe", "insmod"}:
            names = [word for word in words[1:] if word and word[0] != "-" and "=" not in word]
            self.loads += [(step, name) for name in names]
            if None in words or len(self.loads) > KEPT:
                self.blind.add((step.path, step.line))
        elif base == "run-parts" and words[-1]:
            for part in self.root.names(words[-1]):
                below = f"{words[-1]}/{part}"
                self.nested(below, [below], frame)
        elif base in {"cp", "ln", "tar", "cpio", "touch", "mknod"}:
            self.made.add("")  # what it makes is not known
        elif base == "which" and path:
            return self.finds(words[1:], frame)
        elif base in _ENDS and path and any(word and _sets(word, "f") for word in words[1:]):
            raise _OverError("replaced")  # reboot(2) at once
        elif path and "/" in name:
            self.nested(path, words, frame)
        return (base == "sleep" or None) if path else False

    def nested(self, path: str, words: list[str | None], frame: _Frame) -> None:
        """Follow a program that is waited for."""
        child = _child(frame, path, words, vital=frame.fails)
        try:
            self.program(path, child)
        except _OverError as over:
            if over.kind == "hangs":
                raise

    def mount(self, words: list[str | None], step: Step, tool: str) -> None:
        """Note where something is mounted; the folder must be there."""
        if any(word in {"-a", "-at"} for word in words):
            for line in (self.root.text("/etc/fstab") or "").splitlines():
                row = line.split()
                if len(row) >= 3 and not row[0].startswith("#"):
                    self.mounts_on(row[1], step)
            return
        kind = None
        options: list[str] = []
        plain: list[str | None] = []
        taken = iter(words)
        for word in taken:
            if word in {"-t", "-o"}:
                value = next(taken, None)
                kind = value if word == "-t" else kind
                options += (value or "").split(",") if word == "-o" else ()
            elif word in _BINDS:
                options.append(_BINDS[word])
            elif word is None or not word.startswith("-"):
                plain.append(word)
        point = plain[-1] if plain else None
        if point is not None:
            device = plain[0] if len(plain) > 1 else None
            mounted = _Mounted(step, device, tuple(options), tool, kind)
            if mounted.bound:
                mounted = replace(mounted, kind=None)  # mount(8): a type says nothing then
            self.devices.setdefault(posixpath.normpath(point), []).append(mounted)
            self.mounts_on(point, step)

    def mounts_on(self, point: str, step: Step) -> None:
        point = posixpath.normpath(point)
        node = self.root.lookup(point)
        inside = self.volatile(posixpath.dirname(point))
        folder = node is not None and node.children is not None
        if not folder and not inside and not {point, ""} & self.made:
            self.no_point.append((step, point))
        self.mounted.setdefault(point, step)

    # Words

    def step(self, frame: _Frame, line: int, command: str) -> Step:
        return Step(frame.path, line, command, frame.certain)

    def text(self, word: sh.Word, frame: _Frame) -> str | None:
        """Expand a word to one text; None where it is not known."""
        out = []
        for part in word:
            value = self.part(part, frame)
            if value is None:
                return None
            out.append(value)
        return "".join(out)

    def part(self, part: sh.Part, frame: _Frame) -> str | None:
        if part.kind == "text":
            return part.text
        if part.kind == "variable" and part.text.isdigit():
            number = int(part.text)
            if number == 0:
                return frame.path
            return frame.arguments[number - 1] if number <= len(frame.arguments) else ""
        if part.kind == "variable" and part.text in frame.variables:
            return frame.variables[part.text]
        return None

    def fields(self, words: tuple[sh.Word, ...], frame: _Frame) -> list[str | None]:
        """Expand words, split what is not quoted, and match names of files."""
        found: list[str | None] = []
        for word in words:
            value = self.text(word, frame)
            bare = any(not part.quoted for part in word)
            split = any(part.kind == "variable" and not part.quoted for part in word)
            if value is None:
                found.append(None)
            elif bare and any(mark in value for mark in "*?["):
                found += self.matched(value) or [value]
            elif split:
                found += value.split()
            else:
                found.append(value)
        return found

    def matched(self, pattern: str) -> list[str]:
        folder, _, name = pattern.rpartition("/")
        if any(mark in folder for mark in "*?["):
            return []
        names = fnmatch.filter(self.root.names(folder or "/"), name)
        return [f"{folder}/{each}" for each in names if not each.startswith(".")]


_BINDS: Mapping[str | None, str] = {
    "--bind": "bind",
    "--rbind": "rbind",
    "--move": "move",
    "-B": "bind",
    "-R": "rbind",
    "-M": "move",
}


def on_path(root: Root, runner: Runner) -> dict[str, str]:
    """Give the commands that a shell finds by name, with their files: more rather than less."""
    names = [name for folder in PATH.split(":") for name in root.names(folder)]
    names = bounds.within(list(dict.fromkeys(names)), COMMANDS, "a ramdisk", "commands")
    found = {name: path for name in names if (path := runner.find(name)) is not None}
    for shell in (*_SHELLS, "/bin/busybox"):
        node = root.resolve(shell).node
        applets = runner.applets(node) if node is not None and node.is_file else None
        for name in applets.names if applets is not None else ():
            found.setdefault(name, shell)
    return found


def _nowhere(name: str) -> str:
    return f"{name} is neither on the search path nor an applet"


def _child(
    frame: _Frame, path: str, words: list[str | None], *, first: bool = False, vital: bool = False
) -> _Frame:
    """Give the frame of a program that a script runs, or becomes."""
    arguments = tuple(words[1:])
    return _Frame(path, {}, arguments, certain=frame.certain, first=first, vital=vital)


def _sets(word: str, option: str) -> bool:
    """Tell whether a word sets an option of one letter."""
    return word[:1] == "-" and word[:2] != "--" and option in word


def _strict(words: list[str | None], *, before: bool) -> bool:
    """Tell whether `set` leaves the script one that ends where a command fails (POSIX, set -e)."""
    for word, behind in itertools.pairwise([*words, ""]):
        if word == "--":
            break
        if word and (_sets(word, "e") or (word == "-o" and behind == "errexit")):
            before = True
        elif word and ((word[0] == "+" and "e" in word) or (word == "+o" and behind == "errexit")):
            before = False
    return before


_LEAVING = frozenset({"break", "exit", "return", "exec", "reboot", "poweroff", "halt"})


def _simples(body: sh.Sequence) -> Iterator[sh.Simple]:
    """Give every simple command in a body."""
    todo: list[object] = [body]
    while todo:
        item = todo.pop()
        if isinstance(item, sh.Simple):
            yield item
        elif isinstance(item, sh.Sequence):
            todo += [
                one for chain in item.chains for _, pipe in chain.parts for one in pipe.commands
            ]
        elif isinstance(item, sh.Choice):
            todo += [part for clause in item.clauses for part in clause]
            todo += [item.other] if item.other is not None else []
        elif isinstance(item, sh.Loop):
            todo += [item.condition, item.body]
        elif isinstance(item, sh.Each | sh.Group | sh.Function):
            todo.append(item.body)
        elif isinstance(item, sh.Case):
            todo += [each for _, each in item.items]


def _first_words(body: sh.Sequence) -> set[str]:
    return {sh.shown(item.words[0]) for item in _simples(body) if item.words}


def _device(condition: sh.Sequence) -> str:
    """Give the path that a loop's condition tests, where it tests a path."""
    for item in _simples(condition):
        words = [sh.shown(word) for word in item.words]
        if words and words[0] in {"[", "test", "ls", "stat", "blkid", "findfs", "mount"}:
            places = ("/dev/", "LABEL=", "UUID=", "PARTLABEL=", "PARTUUID=")
            return next((word for word in words[1:] if word.startswith(places)), "")
    return ""


def _shown(words: tuple[sh.Word, ...]) -> str:
    return " ".join(sh.shown(word) for word in words)[:200]

"""U-Boot's environment as data: `name=value` strings, each ended by a NUL, and one more NUL.

Source: U-Boot lib/hashtable.c (himport_r), include/env_default.h and tools/mkenvimage.c.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable
from typing import NamedTuple

from imgaudit import bounds
from imgaudit.data import dataclass
from imgaudit.formats.view import View
from imgaudit.patterns import regex
from imgaudit.units import KIB, MIB, both

# A boot loader is at most a few MiB; one that is padded to its flash stays below this.
SEARCH_LIMIT = 16 * MIB
# A real boot loader has a handful of runs that start with a usual name.
MAX_RUNS = 64
# No environment that is compiled in is longer.
DEFAULT_LIMIT = 64 * KIB

_STRING = rb"[A-Za-z_.][\w.:,@#+/-]{0,63}=[\t\n\r\x20-\x7e]*"
_ENTRY = regex(_STRING + rb"\0")
# A format string is the program's own text, not a variable.
_FORMATTED = regex(rb"%[-0-9.*]*l*[cdpsuxX]")
# The names that include/env_default.h writes: two of them make a run an environment.
_USUAL = frozenset(
    {
        *("arch", "cpu", "board", "board_name", "vendor", "soc"),
        *("bootargs", "bootcmd", "altbootcmd", "ramboot", "nfsboot", "preboot", "bootfile"),
        *("bootdelay", "bootlimit", "baudrate", "loadaddr", "loads_echo", "pcidelay", "autoload"),
        *("ethaddr", "ethprime", "hostname", "ipaddr", "netmask", "gatewayip", "serverip"),
        "rootpath",
    }
)
_ANCHOR = regex(rb"(?:" + b"|".join(sorted(n.encode() for n in _USUAL)) + rb")=")


class Variable(NamedTuple):
    """One `name=value`; `offset` is where its name starts. The value is as stored."""

    name: str
    value: str
    offset: int


class Stray(NamedTuple):
    """A string that sets nothing: it has no `=`, or is a comment."""

    text: str
    offset: int


@dataclass(frozen=True, slots=True)
class Block:
    """A run of strings. `end` is where it stops, after its terminator if that was found."""

    variables: tuple[Variable, ...]
    strays: tuple[Stray, ...]
    terminated: bool
    end: int

    def get(self, name: str) -> str | None:
        """Give a variable's value; the last one counts where there are several."""
        return last_value(self.variables, name)


class DefaultEnvironment(NamedTuple):
    """The environment compiled into a boot loader: `[offset, offset + size)` with terminator."""

    offset: int
    size: int
    variables: tuple[Variable, ...]


def parse_block(data: bytes, base: int = 0) -> Block:
    """Read NUL-separated strings up to the empty one; `base` is added to every offset."""
    variables: list[Variable] = []
    strays: list[Stray] = []
    at = 0
    while at < len(data) and data[at]:
        end = data.find(b"\0", at)
        ended = end >= 0
        end = end if ended else len(data)
        _sort(data[at:end], base + at, variables, strays)
        at = end + ended
        if not ended:
            break
    terminated = at < len(data)
    return Block(tuple(variables), tuple(strays), terminated, base + at + terminated)


def parse_text(data: bytes) -> Block:
    r"""Read the text form, one `name=value` a line, as mkenvimage and fw_setenv's scripts do.

    Empty lines and lines that start with `#` are skipped, even inside a value that a backslash
    before the end of a line continues on the next one. Offsets are in the text.
    """
    variables: list[Variable] = []
    strays: list[Stray] = []
    start = at = 0
    pending = b""
    for line in data.split(b"\n"):
        if not pending:
            start = at
        at += len(line) + 1
        if not line or line.startswith(b"#"):
            continue
        if line.endswith(b"\\") and at <= len(data):
            pending += line[:-1] + b"\n"
            continue
        _sort(pending + line, start, variables, strays)
        pending = b""
    if pending:
        _sort(pending, start, variables, strays)
    return Block(tuple(variables), tuple(strays), terminated=True, end=len(data))


def find_default_environment(view: View) -> DefaultEnvironment | None:
    """Find the environment compiled into a boot loader, in its binary or its ELF file.

    It is found by content: the longest ended run of strings that sets two or more of the names
    that U-Boot's own header sets. Only the first 16 MiB are searched.
    """
    data = view.upto(0, SEARCH_LIMIT)
    if view.size > SEARCH_LIMIT:
        bounds.left_out("", f"a compiled-in environment is sought in {both(SEARCH_LIMIT)} only")
    best: DefaultEnvironment | None = None
    runs = searched = 0
    for anchor in _ANCHOR.finditer(data):
        at = anchor.start()
        if at < searched or (at and data[at - 1]):
            continue
        runs += 1
        if runs > MAX_RUNS:
            why = f"a compiled-in environment is sought among {MAX_RUNS} candidates only"
            bounds.left_out("", why)
            break
        start, searched = _run(data, at)
        block = parse_block(data[start:searched], start)
        if not block.terminated or block.strays:
            continue
        if len({variable.name for variable in block.variables} & _USUAL) < 2:
            continue
        if best is None or len(block.variables) > len(best.variables):
            best = DefaultEnvironment(start, block.end - start, block.variables)
    return best


def imported(value: str) -> str:
    """Give a stored value as U-Boot sees it: a backslash is dropped and what it precedes kept.

    Source: U-Boot lib/hashtable.c, himport_r.
    """
    return re.sub(r"\\(.)", r"\1", value, flags=re.DOTALL)


def last_value(variables: Iterable[Variable], name: str) -> str | None:
    """Give the value that counts for a name: the last one."""
    return next((v.value for v in reversed(tuple(variables)) if v.name == name), None)


def duplicates(variables: Iterable[Variable]) -> tuple[str, ...]:
    """Give the names that are set more than once, in order of their first appearance."""
    counts = Counter(variable.name for variable in variables)
    return tuple(name for name, count in counts.items() if count > 1)


def looks_like_variables(data: bytes) -> bool:
    """Tell whether the data starts with at least one printable `name=value` string."""
    return _ENTRY.match(data) is not None


def _run(data: bytes, anchor: int) -> tuple[int, int]:
    """Widen to the run of strings around an anchor; its terminator is included."""
    start = anchor
    floor = max(0, anchor - DEFAULT_LIMIT)
    while start > floor:
        previous = data.rfind(b"\0", floor, start - 1) + 1
        entry = _ENTRY.fullmatch(data, previous, start)
        if (previous == 0 < floor) or entry is None or _FORMATTED.search(data, previous, start):
            break
        start = previous
    end = anchor
    while entry := _ENTRY.match(data, end, min(len(data), anchor + DEFAULT_LIMIT)):
        end = entry.end()
    return start, min(end + 1, len(data))


def _sort(raw: bytes, offset: int, variables: list[Variable], strays: list[Stray]) -> None:
    text = raw.decode("utf-8", errors="backslashreplace")
    name, equals, value = text.partition("=")
    if equals and not text.lstrip(" \t").startswith("#"):
        variables.append(Variable(name.lstrip(" \t"), value, offset))
    else:
        strays.append(Stray(text, offset))

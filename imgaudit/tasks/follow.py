"""The boot told step by step, and the RAM at the moment a kernel starts, drawn to scale."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from imgaudit.boot.images import SPOKEN
from imgaudit.boot.ranges import Range
from imgaudit.boot.records import Boot, Condition, Gap, Kind, Operation, Outcome
from imgaudit.boot.stage import Boots, Followed, Origin, Piece, Start
from imgaudit.errors import AuditError, close
from imgaudit.rules.subject import Subject
from imgaudit.tasks.plain import plain
from imgaudit.tasks.said import head
from imgaudit.tasks.sections import Line, Lines, Ram, RamRange, Report, Section, strong
from imgaudit.tasks.telling import Step, lines, places
from imgaudit.units import Span, human

_MOST_AGAIN = 1
_NAMED = 8  # of the scripts that could have been meant
_LONGEST = 60  # characters of a condition's text
_COMPOUND = {
    "for": "the loop above",
    "while": "the loop above",
    "until": "the loop above",
    "if": "the choice above",
}
_ENDS = {
    "prompt": "U-Boot waits at its prompt",
    "reset": "the board resets",
    "power off": "the board switches itself off",
    "loop": "the script goes round for ever",
}
_WHEN = {
    "bootcmd": "what U-Boot runs when it starts",
    "preboot": "what U-Boot runs before anything else",
    "altbootcmd": "what U-Boot runs instead of bootcmd after too many failed starts",
}


def _proven(subject: Subject) -> Iterator[Section]:
    """Say of each stage whether it starts."""
    proofs = [proof for proof in subject.proofs if proof.taken]
    if proofs:
        told = (Line(f"{item.name}: {item.verdict}: {item.line()}", hang=2) for item in proofs)
        yield Section(strong("Stages"), (Lines(tuple(told)),))


def chosen(subject: Subject, entry: str | None = None) -> dict[str, Followed]:
    """Give what to tell, what U-Boot runs at power-on first.

    Raises:
        AuditError: nothing can be followed, or there is no such entry.

    """
    boots = subject.boots
    if boots.why:
        raise AuditError(f"the boot cannot be followed: {boots.why}")
    known = boots.followed
    if entry is not None:
        if entry not in known:
            near = close(entry, known) or f"; there are {', '.join(sorted(known)[:_NAMED])}"
            raise AuditError(f"no entry is called {entry!r}{near}")
        return {entry: known[entry]}
    order = ("preboot", "bootcmd", "altbootcmd")
    names = [*(name for name in order if name in known), *(n for n in known if n not in order)]
    return {name: known[name] for name in names if not known[name].by_hand}


def follow(subject: Subject, entry: str | None = None) -> Report:
    """Tell the boot, step by step.

    Raises:
        AuditError: nothing can be followed, or there is no such entry.

    """
    told = chosen(subject, entry)
    # Loaded here: what else asks this module runs the rules itself.
    from imgaudit.tasks.audit import settled

    subject = settled(subject)
    layout = subject.layout
    title = f"{layout.board}: how it boots" if layout is not None else "How it boots"
    return Report(
        command="follow",
        title=title,
        sections=(
            Section(strong(title), (Lines(tuple(_environment(subject.boots))),)),
            *_proven(subject),
            *boot_sections(subject, told),
            *_open(subject, told),
        ),
        data=lambda: _in_json(subject, told),
    )


def boot_sections(subject: Subject, told: Mapping[str, Followed]) -> Iterator[Section]:
    """Give, entry by entry, its steps and the RAM at each start."""
    banks = tuple(bank.span for bank in subject.layout.banks) if subject.layout is not None else ()
    all_places = {name: places(followed) for name, followed in told.items()}
    for name, followed in told.items():
        others = {other: at for other, at in all_places.items() if other != name}
        steps = lines(followed, others)
        yield _entry(subject, followed, steps)
        yield from _maps(subject.boots, followed, steps, banks)


def _environment(boots: Boots) -> Iterator[Line]:
    place = boots.place
    name = place.artifact or place.name if place is not None else "?"
    region = f" ({place.region.name})" if place is not None and place.region is not None else ""
    count = len(boots.variables)
    how = f"U-Boot takes the {count} variables that are compiled into it, in {name}{region}."
    if boots.stored:
        beneath = "; what is compiled into it counts only when no stored copy is valid."
        if any(variable.origin is Origin.DEFAULT for variable in boots.variables.values()):
            beneath = ", over those that are compiled into it."
        how = f"U-Boot takes its {count} variables from {name}{region}{beneath}"
    yield Line(how, depth=0)
    yield Line(
        "Nothing was executed: this is what the scripts say. A step that fails ends the script that"
        " it is in, unless something else is said.",
        depth=0,
    )


def _entry(subject: Subject, followed: Followed, steps: list[Step]) -> Section:
    boots = subject.boots
    counts = subject.copies is None or subject.copies.counts_starts
    what = f"stage {followed.stage.name}" if followed.stage is not None else ""
    if followed.by_hand:
        what = "only an operator runs it"
    when = "; ".join(part for part in (_WHEN.get(followed.entry, ""), what) if part)
    said: set[str] = set()
    told = [line for step in steps for line in _lines(boots, followed, step, said)]
    ends = list(dict.fromkeys(end.how for end in followed.walk.ends))
    if ends:
        how = " or ".join(_ENDS.get(end, end) for end in ends)
        told.append(Line(f"When nothing is left to try, {how}."))
    limited = boots.get("bootlimit") and boots.get("altbootcmd") and counts
    if followed.entry == "bootcmd" and limited:
        told.append(
            Line(
                f"After more than {boots.get('bootlimit')} starts in a row that the system did not"
                " report as good, U-Boot runs altbootcmd instead."
            )
        )
    title = strong(f"run {followed.entry}", f"  {when}" if when else "")
    return Section(title, (Lines(tuple(told)),))


def _lines(boots: Boots, followed: Followed, step: Step, said: set[str]) -> Iterator[Line]:
    depth = 2 * min(step.depth + 1, 6)
    if step.condition is not None:
        yield Line(_heading(step.condition, step.step), depth=depth, hang=2)
        return
    operation = step.operation
    if operation is None:
        return
    if not step.number:
        told = " (shown below)" if step.elsewhere else " (as above)" if step.repeated else ""
        later = dict.fromkeys(" ".join(again.runs) for again in step.again)
        names = "; later ".join(filter(None, (" ".join(operation.runs), ", ".join(later))))
        yield Line(f"run {names}{told}", role="dim", depth=depth, hang=2)
        return
    mark = f"{step.number:>2}. "
    boot = followed.boot(operation.index)
    words = _start(boot) if boot is not None else _sentence(boots, operation)
    if operation.ignored and operation.can_fail and boot is None:
        words += " The script goes on even if that fails."
    yield Line(words + _again(step), depth=depth, mark=mark)
    said.add(" ".join(operation.arguments[2:]))
    if boot is None:
        return
    start = next((start for start in followed.starts if start.boot is boot), None)
    items = [_piece(piece) for piece in start.pieces] if start is not None else []
    if boot.arguments and boot.arguments not in said:
        items.append(f"command line `{boot.arguments}`")
    yield from (Line(item, depth=depth + len(mark), mark="- ") for item in items)


def _heading(condition: Condition, step: int) -> str:
    quoted = condition.text
    compound = _COMPOUND.get(quoted.partition(" ")[0])
    if len(quoted) > _LONGEST:
        quoted = quoted[: _LONGEST - 3] + "..."
    what = f"step {step}" if step else compound or f"`{quoted}`"
    if condition.outcome is Outcome.RETURNS:
        return f"If {what} returns without booting:"
    return f"If {what} {condition.outcome.value}:"


def _again(line: Step) -> str:
    """Say what the later rounds of a loop do differently."""
    if not line.again:
        return ""
    commands = list(dict.fromkeys(operation.command for operation in line.again))
    shown = ", ".join(f"`{command}`" for command in commands[:_MOST_AGAIN])
    more = f" and {len(commands) - _MOST_AGAIN} more" if len(commands) > _MOST_AGAIN else ""
    return f" Later also {shown}{more}."


def _bytes(size: int) -> str:
    return f"{size:#x} ({human(size)})"


def _where(boots: Boots, operation: Operation) -> str:
    """Say which bytes of a device, and what the layout calls them."""
    span, device = operation.span, operation.device or "an unknown device"
    chip = boots.board.devices.get(device, "") if boots.board is not None else ""
    device = f"{device} ({chip})" if chip and chip != device else device
    if span is None:
        part = f" {operation.partition}" if operation.partition else ""
        return f"{device}{part}"
    board = boots.board
    inside = board.region_at(operation.device, span.start) if board is not None else None
    if inside is None:
        return f"{device} at {span.start:#x}"
    into = span.start - inside.at
    how = "all of" if span == inside.span else "from" if not into else f"{into:#x} into"
    return f"{device} at {span.start:#x}, {how} {inside.name}"


def _to(operation: Operation) -> str:
    return f", to RAM {operation.ram_at:#x}" if operation.ram_at is not None else ", to RAM"


def _sentence(boots: Boots, operation: Operation) -> str:
    kind, span = operation.kind, operation.span
    if kind is Kind.READ:
        size = _bytes(span.size) if span is not None else "bytes"
        source = boots.source(operation)
        holds = ""
        if source is not None and source.size is not None and source.content is not None:
            title = source.content.title or "content"
            holds = f" There is {source.content.name}: {title}, {human(source.size)}."
        return f"Read {size} from {_where(boots, operation)}{_to(operation)}.{holds}"
    if kind is Kind.LOAD:
        size = f", {_bytes(operation.ram.size)}" if operation.ram is not None else ""
        region = (
            boots.board.partition(operation.device, operation.partition) if boots.board else None
        )
        name = f", partition {region.name}" if region is not None else ""
        part = f":{operation.partition}" if operation.partition and region is None else ""
        on = f", from {operation.device}{part}{name}" if operation.device else ""
        return f"Load {operation.path or 'a file'}{size}{on}{_to(operation)}."
    if kind is Kind.SET:
        return _setting(operation)
    if kind is Kind.SELECT and operation.device is None:
        return f"Turn to a device: `{operation.command}`."
    if kind is Kind.SELECT:
        return f"Turn to {_where(boots, operation)}: `{operation.command}`."
    if kind in {Kind.ERASE, Kind.WRITE, Kind.UPDATE}:
        size = f"{_bytes(span.size)} of " if span is not None else ""
        verb = {"erase": "Erase", "write": "Write", "update": "Erase and write"}[kind.value]
        given = f", from RAM {operation.source.start:#x}" if operation.source is not None else ""
        return f"{verb} {size}{_where(boots, operation)}{given}."
    if kind is Kind.COPY and operation.ram is not None and operation.source is not None:
        start, size = operation.source.start, _bytes(operation.ram.size)
        return f"Copy {size} of RAM from {start:#x} to {operation.ram.start:#x}."
    words = {
        Kind.SAVE: "Store the variables in flash",
        Kind.RUN: "Run a script that was loaded",
        Kind.RESET: "Reset or switch off",
        Kind.UNPACK: "Unpack in RAM",
        Kind.TREE: "Work on the device tree in RAM",
        Kind.UNKNOWN: "Unknown command",
    }
    return f"{words.get(kind, kind.value.capitalize())}: `{operation.command}`."


def _setting(operation: Operation) -> str:
    words = operation.arguments
    if words[0] == "setenv" and len(words) > 1:
        value = " ".join(words[2:])
        return f"Set {words[1]} to `{value}`." if value else f"Clear {words[1]}."
    return f"Set variables: `{operation.command}`."


def _start(boot: Boot) -> str:
    if boot.kernel is None:
        return f"Start something: `{boot.command}`."
    config = f", configuration {boot.config}," if boot.config else ""
    return f"Start what is at {boot.kernel:#x}{config} with {boot.command.partition(' ')[0]}."


def _piece(piece: Piece) -> str:
    content = piece.content
    size = human(piece.size)
    packed = f", {piece.compression}" if piece.compression else ""
    opened = ""
    if piece.compression and content is not None and content.unpacked is not None:
        opened = f", {human(content.unpacked)} unpacked"
    to = f", to {piece.to:#x}" if piece.to is not None and piece.to != piece.at else ""
    return f"{SPOKEN[piece.role]} {piece.name} at {piece.at:#x}: {size}{packed}{opened}{to}"


def _maps(
    boots: Boots, followed: Followed, steps: list[Step], banks: tuple[Span, ...]
) -> Iterator[Section]:
    """Give the RAM at each start that is told here; ways that look the same once."""
    told = {step.operation.index for step in steps if step.operation is not None}
    pictures: dict[str, dict[tuple[Range, ...], Start]] = {}
    for start in followed.starts:
        if start.map is not None and start.boot.operation in told:
            ways = pictures.setdefault(start.boot.command, {})
            ways.setdefault(start.map.at(start.map.start), start)
    for command, ways in pictures.items():
        for ranges, start in ways.items():
            given = [name for part in start.buffers.values() if (name := _name(boots, part))]
            which = f", with {' and '.join(given)}" if len(ways) > 1 else ""
            what = followed.stage.name if followed.stage is not None else followed.entry
            title = strong(f"RAM as {what} starts", f": `{command}`{which}")
            unplaced = tuple(start.map.unplaced) if start.map is not None else ()
            used = tuple(
                RamRange(name=each.name, span=each.span, exact=each.exact) for each in ranges
            )
            yield Section(title, (Ram(ranges=used, banks=banks, unplaced=unplaced),))


def _name(boots: Boots, operation: Operation) -> str:
    source = boots.source(operation)
    return source.name if source is not None else operation.path or ""


def _open(subject: Subject, told: dict[str, Followed]) -> Iterator[Section]:
    """Say what could not be followed, and what else there is."""
    unknown: dict[str, dict[str, None]] = {}
    odd: dict[str, dict[str, None]] = {}
    for followed in told.values():
        for note in followed.walk.unresolved:
            # A script may well ask for a variable that is not set.
            if note.kind is not Gap.EMPTY:
                unknown.setdefault(f"{note.kind}, in {note.variable}", {})[note.what] = None
        for note in followed.walk.oddities:
            odd.setdefault(f"{note.kind}, in {note.variable}", {})[note.what] = None
        for start in followed.starts:
            if start.why:
                missing = "no RAM map" if start.map is None else "not in the RAM map"
                what = f"{missing}: {start.why}"
                unknown.setdefault(what, {})[start.boot.command] = None
        if not followed.walk.complete:
            unknown.setdefault("too long to be followed to its end", {})[followed.entry] = None
    for title, found in (
        ("Could not be followed", unknown),
        ("What the shell does, other than it looks", odd),
    ):
        if found:
            listed = [
                Line(f"{what}: {_some(list(names))}", hang=2) for what, names in found.items()
            ]
            yield Section(strong(title), (Lines(tuple(listed)),))
    by_hand = [name for name, each in subject.boots.followed.items() if each.by_hand]
    hidden = [name for name in by_hand if name not in told]
    if hidden and len(told) > 1:
        names = ", ".join(hidden)
        what = f"Only an operator runs {names}, which write to flash: --entry tells them."
        yield Section(Line(what, depth=0), ())


def _some(names: list[str]) -> str:
    more = f" and {len(names) - 1} more" if len(names) > 1 else ""
    return f"`{names[0]}`{more}"


def _in_json(subject: Subject, told: Mapping[str, Followed]) -> Mapping[str, Any]:
    layout, boots = subject.layout, subject.boots
    found = head()
    if layout is not None:
        found["layout"] = {"file": layout.file, "board": layout.board, "sha256": layout.sha256}
    found["environment"] = {
        "artifact": boots.place.artifact if boots.place is not None else None,
        "stored": boots.stored,
        "variables": {
            name: {"value": variable.value, "origin": variable.origin.value}
            for name, variable in sorted(boots.variables.items())
        },
    }
    found["entries"] = [_plain_entry(followed) for followed in told.values()]
    return found


def _plain_entry(followed: Followed) -> dict[str, Any]:
    walk = followed.walk
    return {
        "entry": followed.entry,
        "stage": followed.stage.name if followed.stage is not None else None,
        "by-hand": followed.by_hand,
        "complete": walk.complete,
        "falls-through": walk.falls_through,
        "operations": plain(walk.operations),
        "starts": [_plain_start(start) for start in followed.starts],
        "ends": plain(walk.ends),
        "unresolved": plain(walk.unresolved),
        "oddities": plain(walk.oddities),
    }


def _plain_start(start: Start) -> dict[str, Any]:
    ram = start.map
    return {
        "boot": plain(start.boot),
        "buffers": {part: operation.index for part, operation in start.buffers.items()},
        "pieces": [
            {
                "role": piece.role,
                "name": piece.name,
                "content": piece.content.name if piece.content is not None else None,
                "at": piece.at,
                "size": piece.size,
                "to": piece.to,
                "compression": piece.compression,
            }
            for piece in start.pieces
        ],
        "why-no-map": start.why or None,
        "ram": None if ram is None else plain(ram),
    }

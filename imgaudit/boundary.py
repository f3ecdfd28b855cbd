"""Where a command ends: its child with limits, what is written, the exit status that is true."""

from __future__ import annotations

import contextlib
import functools
import os
import sys
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any, NamedTuple, NoReturn

import click

from imgaudit.errors import ImgauditError

if TYPE_CHECKING:
    from imgaudit.report import Style
    from imgaudit.tasks.sections import Report

BROKEN, INTERRUPTED = 2, 130
TRACEBACK = "IMGAUDIT_TRACEBACK"


class Group(click.Group):
    """The outermost boundary: nothing leaves it but an exit status that is true.

    0, 1 and 3 come only when all that was to be written is written; whatever goes wrong is a line
    on stderr and 2, or 130 where the user interrupts.
    """

    def main(self, *arguments: Any, standalone_mode: bool = True, **more: Any) -> Any:
        """Run what the command line asks for, and leave the process."""
        command = functools.partial(super().main, *arguments, standalone_mode=False, **more)
        if not standalone_mode:
            return command()
        try:
            status: int = command() or 0
            if sys.stdout is not None:
                sys.stdout.flush()
        except click.ClickException as problem:
            if isinstance(problem, getattr(click.exceptions, "NoArgsIsHelpError", ())):
                _loose(problem.show, sys.stderr)
            else:
                complain(*_usage(problem))
            status = BROKEN
        except SystemExit as end:
            # From click: the shell's completion, or a pipe that nobody reads.
            status = BROKEN if end.code else 0
        except (click.Abort, KeyboardInterrupt):
            complain("interrupted")
            status = INTERRUPTED
        except Exception as problem:  # noqa: BLE001 - here is where the unforeseen ends
            complain(*_said(problem))
            status = BROKEN
        for stream in (sys.stdout, sys.stderr):
            if stream is not None:
                _loose(stream.flush, stream)
        sys.exit(status)

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Name the commands as they are defined."""
        del ctx  # the order of definition is the order of use
        return list(self.commands)


def _said(problem: BaseException) -> list[str]:
    """Give the lines that tell the user of a problem; the unforeseen is told in two."""
    if isinstance(problem, ImgauditError):
        return str(problem).splitlines()
    if isinstance(problem, MemoryError):
        return ["there is not enough memory"]
    if isinstance(problem, OSError) and problem.filename is None:
        return [f"cannot write: {problem.strerror or problem}"]
    import traceback

    if os.environ.get(TRACEBACK):
        return "".join(traceback.format_exception(problem)).splitlines()
    last = traceback.extract_tb(problem.__traceback__)[-1]
    what = traceback.format_exception_only(problem)[-1].strip()
    return [
        f"a fault of imgaudit itself in {os.path.basename(last.filename)}:{last.lineno}: {what}",
        f"nothing was judged; {TRACEBACK}=1 in the environment tells where that comes from",
    ]


def _usage(problem: click.ClickException) -> list[str]:
    """Give the lines that tell of a wrong command line, in the form of all other problems."""
    message = " ".join(problem.format_message().split()).rstrip(".")
    said = [message[:1].lower() + message[1:]]
    context = getattr(problem, "ctx", None)
    if context is not None:
        said.append(f"{context.command_path} --help says what it takes")
    return said


def complain(*lines: str) -> None:
    """Say something on stderr, if that is possible."""
    from imgaudit.clean import clean

    text = "\n".join(f"imgaudit: {clean(line)}" for line in lines)
    _loose(lambda: click.echo(text, err=True), sys.stderr)


def _loose(act: Callable[[], object], stream: Any) -> None:
    """Write where the exit status must not depend on it; what cannot be written is dropped."""
    try:
        act()
    except (OSError, ValueError):
        with contextlib.suppress(OSError, ValueError, AttributeError):
            # Else Python would try again as it ends, and end with a status of its own.
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, stream.fileno())
            os.close(nowhere)


@contextlib.contextmanager
def shown_progress() -> Iterator[Callable[[str], None] | None]:
    """Say on a terminal which file is being read, in a line that is gone when all are."""
    terminal = sys.stderr is not None and sys.stderr.isatty()
    if not terminal or os.environ.get("TERM") in {"dumb", "", None}:
        yield None
        return
    from imgaudit.clean import clean

    def say(path: str) -> None:
        sys.stderr.write(f"\r\x1b[Kreading {clean(path)[-60:]}")
        sys.stderr.flush()

    try:
        yield say
    finally:
        sys.stderr.write("\r\x1b[K")
        sys.stderr.flush()


def style_for(output: str | None) -> Style:
    """Say how wide and colourful a report is, by where it goes."""
    from imgaudit.report import Style

    if output is None and sys.stdout is None:
        stop("there is no stdout to write to")
    terminal = output is None and sys.stdout.isatty()
    plain = "NO_COLOR" in os.environ or os.environ.get("TERM") in {"dumb", "", None}
    encoding = (sys.stdout.encoding or "").lower() if output is None else "utf-8"
    width = 80
    if terminal:
        import shutil

        width = max(60, min(110, shutil.get_terminal_size().columns))
    return Style(
        colour=terminal and not plain, width=width, unicode=encoding.replace("-", "") == "utf8"
    )


class Ways(NamedTuple):
    """In which forms a report is wanted, and where: `reports` are FORM=FILE.

    A `document`, such as a layout, is no report: nothing else is written in its place.
    """

    form: str = "text"
    output: str | None = None
    reports: tuple[str, ...] = ()
    document: bool = False


class _Told(NamedTuple):
    """What a command has to say, in full: nothing is written before all of it is there.

    `files` are paths with their texts; `complaints` go to stderr.
    """

    status: int
    shown: str = ""
    files: tuple[tuple[str, str], ...] = ()
    complaints: tuple[str, ...] = ()


def rendered(report: Report, ways: Ways) -> _Told:
    """Put a report into the forms that are wanted."""
    from imgaudit.report import render

    asked = (item.partition("=") for item in ways.reports)
    files = tuple((path, render(form, report)) for form, _, path in asked)
    shown = render(ways.form, report, style_for(ways.output))
    if ways.output is not None:
        files, shown = (*files, (ways.output, shown)), ""
    return _Told(report.status, shown, files, report.warnings)


def give(report: Report) -> int:
    """Print a report as text."""
    return deliver(rendered(report, Ways()))


def in_child(
    command: Callable[[], Report], ways: Ways, seconds: int | None, memory: int | None
) -> int:
    """Have a command run in a child with limits; where it dies, say how far it came."""
    from imgaudit import confined
    from imgaudit.files import watch

    if not confined.can_confine():
        if seconds or memory:
            complain("this system cannot limit what is done: --limit-time and -memory say nothing")
        return deliver(rendered(command(), ways))

    def work(line: confined.Line) -> bytes:
        import marshal

        watch(line.opened)
        _listeners.append(line.about)
        try:
            report = command()
            now("writing the report")
            told = rendered(report, ways)
        except MemoryError:
            raise
        except Exception as problem:  # noqa: BLE001 - told by the one who waits
            told = _Told(BROKEN, complaints=tuple(_said(problem)))
        return marshal.dumps(tuple(told))

    limits = confined.Limits(seconds, memory)
    ended = confined.run(work, limits)
    read = {(file.device, file.number) for file in ended.opened}
    if ended.result is not None:
        import marshal

        return deliver(_Told(*marshal.loads(ended.result)), read)  # noqa: S302 - our own
    from imgaudit.tasks.stopped import stopped

    if sys.stderr is not None and sys.stderr.isatty():
        _loose(lambda: click.echo("\r\x1b[K", nl=False, err=True), sys.stderr)
    report = stopped(ended.why, [file.name for file in ended.opened], ended.about, ended.trace)
    if os.environ.get(TRACEBACK):
        from dataclasses import replace

        report = replace(report, warnings=(*report.warnings, *ended.trace.splitlines()))
    return deliver(rendered(report, Ways() if ways.document else ways), read)


_listeners: list[Callable[[str], None]] = []


def now(what: str) -> None:
    """Tell whoever waits for this process what it does from now on."""
    for tell in _listeners:
        tell(what)


def deliver(told: _Told, read: set[tuple[int, int]] | None = None) -> int:
    """Write all that was told, and give the exit status that is true once it is written.

    `read` has the files that must not be replaced.
    """
    from imgaudit.files import Target

    if told.complaints:
        complain(*told.complaints)
    with contextlib.ExitStack() as stack:
        # All that can go wrong is known before the first is replaced, but for a full disk.
        ready = [
            (stack.enter_context(Target(path, read or set())), text) for path, text in told.files
        ]
        for target, text in ready:
            target.write(text)
    if told.shown:
        write(told.shown)
    return told.status


def write(text: str) -> None:
    """Write to stdout, all of it."""
    encoding = sys.stdout.encoding or "utf-8"
    text = text.encode(encoding, "backslashreplace").decode(encoding)
    try:
        click.echo(text, nl=False, color=True)
        sys.stdout.flush()
    except OSError as problem:
        stop(f"cannot write to stdout: {problem.strerror}")


def stop(why: str) -> NoReturn:
    """End, since what was asked for cannot be done."""
    from imgaudit.errors import AuditError

    raise AuditError(why)

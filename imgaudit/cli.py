"""The command line: arguments, files and exit status; nothing else."""

from __future__ import annotations

import contextlib
import functools
import os
import sys
from collections.abc import Callable, Iterator, Mapping
from typing import TYPE_CHECKING, Any, NamedTuple, NoReturn, TypeVar

import click

from imgaudit import __version__
from imgaudit.errors import ImgauditError

if TYPE_CHECKING:
    from imgaudit.report import Style
    from imgaudit.rules.engine import Severity
    from imgaudit.tasks.sections import Report

    _ParamType = click.ParamType[str]
else:
    _ParamType = click.ParamType

Command = TypeVar("Command", bound=Callable[..., Any])
BROKEN, INTERRUPTED = 2, 130
_TRACEBACK = "IMGAUDIT_TRACEBACK"


class _Group(click.Group):
    """The outermost boundary: nothing leaves it but an exit status that is true.

    0, 1 and 3 come only when all that was to be written is written; whatever goes wrong is a line
    on stderr and 2, or 130 where the user interrupts.
    """

    def main(self, *arguments: Any, standalone_mode: bool = True, **more: Any) -> Any:
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
                _complain(*_usage(problem))
            status = BROKEN
        except SystemExit as end:
            # From click: the shell's completion, or a pipe that nobody reads.
            status = BROKEN if end.code else 0
        except (click.Abort, KeyboardInterrupt):
            _complain("interrupted")
            status = INTERRUPTED
        except Exception as problem:  # noqa: BLE001 - here is where the unforeseen ends
            _complain(*_said(problem))
            status = BROKEN
        for stream in (sys.stdout, sys.stderr):
            if stream is not None:
                _loose(stream.flush, stream)
        sys.exit(status)

    def list_commands(self, ctx: click.Context) -> list[str]:
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

    if os.environ.get(_TRACEBACK):
        return "".join(traceback.format_exception(problem)).splitlines()
    last = traceback.extract_tb(problem.__traceback__)[-1]
    what = traceback.format_exception_only(problem)[-1].strip()
    return [
        f"a fault of imgaudit itself in {os.path.basename(last.filename)}:{last.lineno}: {what}",
        f"nothing was judged; {_TRACEBACK}=1 in the environment tells where that comes from",
    ]


def _usage(problem: click.ClickException) -> list[str]:
    """Give the lines that tell of a wrong command line, in the form of all other problems."""
    message = " ".join(problem.format_message().split()).rstrip(".")
    said = [message[:1].lower() + message[1:]]
    context = getattr(problem, "ctx", None)
    if context is not None:
        said.append(f"{context.command_path} --help says what it takes")
    return said


def _complain(*lines: str) -> None:
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


@click.group(
    cls=_Group,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(__version__, prog_name="imgaudit", message="%(prog)s %(version)s")
def main() -> None:
    """Audit the images of a two-stage embedded-Linux board before they reach its flash.

    Start with: imgaudit demo
    """


_FILE, _FOLDER = click.Path(dir_okay=False), click.Path(file_okay=False)


class _Layout(click.Path):
    """A layout's path; a folder is met by one who has none yet."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        if os.path.isdir(value):
            self.fail(
                f"{value} is a folder, and a layout is a file; to get one:"
                f" imgaudit draft {value} > board.yaml",
                param,
                ctx,
            )
        return super().convert(value, param, ctx)


_layout = click.argument("layout", type=_Layout())


def _file(name: str, say: str, metavar: str = "FILE") -> Callable[[Command], Command]:
    """Give the option of a file."""
    return click.option(name, metavar=metavar, type=_FILE, help=say)


def _artifacts(
    say: str = "Folder with the artifacts.", *, required: bool = False, multiple: bool = False
) -> Callable[[Command], Command]:
    """Give the option of the build's folder."""
    return click.option(
        "--artifacts",
        metavar="DIR",
        type=_FOLDER,
        required=required,
        multiple=multiple,
        help=say,
    )


_output = _file("--output", "Write the report here.")
_old = click.option(
    "--old",
    "olds",
    metavar="[NAME=]PATH",
    multiple=True,
    help="Release on the board before an update: its artifacts' folder, or its sealed manifest."
    " NAME is what from: of the update calls it.",
)


def _olds(given: tuple[str, ...]) -> dict[str, str]:
    """Give the old releases by name; "" is that of every update that names none."""
    found: dict[str, str] = {}
    for item in given:
        name, equals, path = item.partition("=")
        if not equals or "/" in name or os.path.exists(item):
            name, path = "", item
        if not os.path.exists(path):
            _stop(f"--old {item}: {path or 'nothing'} is neither a folder nor a manifest")
        if name in found:
            _stop(f"--old {name + '=' if name else ''}… is given twice")
        found[name] = path
    return found


class _Form(_ParamType):
    """A form of report; what there is is known when one is asked for."""

    name = "form"

    def convert(self, value: str, param: click.Parameter | None, ctx: click.Context | None) -> str:
        from imgaudit.report import forms

        if value not in forms():
            self.fail(f"{value!r} is not one of {', '.join(forms())}", param, ctx)
        return value


_format = click.option(
    "--format",
    "form",
    type=_Form(),
    metavar="FORM",
    default="text",
    show_default=True,
    help="Form of the report: text, json and others.",
)


class _Reports(_ParamType):
    """A form and the file it goes to."""

    name = "form=file"

    def convert(self, value: str, param: click.Parameter | None, ctx: click.Context | None) -> str:
        form, equals, path = value.partition("=")
        if not (equals and path):
            self.fail(f"{value!r}: write FORM=FILE, such as json=report.json", param, ctx)
        _Form().convert(form, param, ctx)
        return value


_reports = click.option(
    "--report",
    "reports",
    metavar="FORM=FILE",
    type=_Reports(),
    multiple=True,
    help="Write this form as well: json, sarif, junit, markdown and more. Repeatable.",
)


def _findings(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[str]:
    """Complete the name of a finding in the shell."""
    del ctx, param
    from imgaudit.rules import checks

    return [name for name in checks() if name.startswith(incomplete)]


def _recipes(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[str]:
    """Complete the name of a recipe in the shell."""
    del ctx, param
    from imgaudit.tasks import recipe as printing

    return [name for name in printing.names() if name.startswith(incomplete)]


def _faults(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[str]:
    """Complete the name of a planted fault in the shell."""
    del ctx, param
    from imgaudit.demo.build import FAULTS

    return [name for name in ("help", *FAULTS) if name.startswith(incomplete)]


class _Size(_ParamType):
    """A size in bytes, as in a layout."""

    name = "size"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        from imgaudit.units import parse_size

        try:
            return parse_size(value)
        except ValueError as problem:
            self.fail(str(problem), param, ctx)


def _limits(command: Callable[..., int]) -> Callable[..., int]:
    """Give a command that reads what others made the options for its limits."""
    time = click.option(
        "--limit-time",
        metavar="SECONDS",
        type=click.IntRange(min=0),
        help="Most processor time; 0 for no limit. [30, and 5 more for each 64 MiB read]",
    )
    memory = click.option(
        "--limit-memory",
        metavar="SIZE",
        type=_Size(),
        help="Most memory; 0 for no limit. [512 MiB]",
    )
    return time(memory(command))


def _outputs(command: Callable[..., Report]) -> Callable[..., int]:
    """Give a command that makes a report the options for its forms, files and limits."""

    @_format
    @_output
    @_reports
    @_limits
    @functools.wraps(command)
    def run(
        form: str,
        output: str | None,
        reports: tuple[str, ...],
        limit_time: int | None,
        limit_memory: int | None,
        **choices: Any,
    ) -> int:
        ways = _Ways(form, output, reports)
        if limit_time is None and limit_memory is None and _on_paper(choices):
            from imgaudit.files import Opened, watch

            read: set[tuple[int, int]] = set()

            def opened(file: Opened) -> None:
                read.add((file.device, file.number))

            watch(opened)
            return _deliver(_rendered(command(**choices), ways), read)
        return _confined(lambda: command(**choices), ways, limit_time, limit_memory)

    return run


def _on_paper(choices: Mapping[str, Any]) -> bool:
    """Tell whether a command that may look at artifacts was given none."""
    files = [value for name, value in choices.items() if name in _FILES]
    return bool(files) and not any(files)


_FILES = frozenset({"artifacts", "manifest", "baseline", "history"})


_fail_on = click.option(
    "--fail-on",
    type=click.Choice(["error", "warning"]),
    help="Lowest severity that fails; the layout's policy unless given.",
)
_deep = click.option(
    "--deep", is_flag=True, help="Unpack every file of squashfs, EROFS and JFFS2, too: slower."
)


@main.command()
@click.argument("layouts", nargs=-1, required=True, type=_Layout())
@_artifacts("Folder with the artifacts; without it the layout is audited on paper.", multiple=True)
@_outputs
@_fail_on
@_deep
@click.option("--full-digests", is_flag=True, help="SHA-256 of raw files above 64 MiB as well.")
@_file("--manifest", "What `imgaudit seal` wrote: say what changed since.")
@_old
@_file("--policy", "Policy of the trusted side: the layout's own can only be stricter.")
@_file("--baseline", "JSON report of an earlier run: only what is new counts.")
@click.option(
    "--history",
    metavar="PATH",
    multiple=True,
    type=click.Path(),
    help="Sealed manifests, oldest first, or a folder of them: say how each region grew.",
)
@click.option("--advisory", is_flag=True, help="Report as always, and exit with 0.")
@click.option(
    "--root",
    metavar="DIR",
    type=_FOLDER,
    help="Reports name the layout by its path below this folder.",
)
def audit(
    layouts: tuple[str, ...], artifacts: tuple[str, ...], *, advisory: bool, **choices: Any
) -> Report:
    """Check artifacts against their layout.

    Exit status: 0 pass, 1 findings, 2 not carried out, 3 no finding but something was not judged.
    """
    from dataclasses import replace

    from imgaudit.tasks import board

    folders: tuple[str | None, ...] = artifacts or (None,)
    if len(folders) not in {1, len(layouts)}:
        _stop("give --artifacts once, or once for each layout")
    if choices["history"] and len(layouts) > 1:
        _stop("--history goes with one layout")
    if choices["olds"] and (len(layouts) > 1 or not artifacts):
        _stop("--old goes with one layout and its --artifacts")
    choices["olds"] = _olds(choices["olds"])
    pairs = zip(layouts, folders * len(layouts) if len(folders) == 1 else folders, strict=True)
    report = board.together([_audited(layout, folder, **choices) for layout, folder in pairs])
    return replace(report, status=0) if advisory else report


def _audited(
    layout: str,
    artifacts: str | None,
    fail_on: str | None = None,
    baseline: str | None = None,
    history: tuple[str, ...] = (),
    **choices: Any,
) -> Report:
    from imgaudit.tasks import audit, board, opened

    with _progress() as progress:
        subject = opened.subject(layout, artifacts, progress=progress, **choices)
    known: Any = ()
    if baseline is not None:
        from imgaudit.tasks import compare

        known = compare.baseline(baseline, subject.layout)
    _now("judging what was read")
    return board.audit(audit.run(subject, fail_on=_severity(fail_on), baseline=known), history)


def _severity(name: str | None) -> Severity | None:
    from imgaudit.rules.engine import Severity

    return Severity(name) if name else None


@contextlib.contextmanager
def _progress() -> Iterator[Callable[[str], None] | None]:
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


@main.command("map")
@_layout
@_artifacts("Folder with the artifacts: says how full each region is.")
@_outputs
def show_map(layout: str, artifacts: str | None) -> Report:
    """Draw the partition map to scale.

    Who writes each region, what it is for, and which stage needs it.
    """
    from imgaudit.layout.load import load
    from imgaudit.tasks import map as drawing
    from imgaudit.tasks import opened

    loaded = load(layout)
    build = None
    if artifacts is not None:
        from imgaudit.contents.build import read

        with _progress() as progress, opened.store(artifacts, loaded, progress=progress) as store:
            build = read(loaded, store)
    return drawing.draw(loaded, build)


@main.command()
@click.argument("files", nargs=-1, required=True, type=_FILE)
@_outputs
@_deep
def inspect(files: tuple[str, ...], *, deep: bool) -> Report:
    """Say what files are, without a layout. Exit status: 0 read, 1 damaged, 2 unreadable."""
    from imgaudit.tasks import inspect as inspecting

    return inspecting.inspect(files, deep=deep)


@main.command()
@_layout
@_artifacts(required=True)
@click.option("--entry", metavar="VARIABLE", help="Tell this script only, such as recovery.")
@_outputs
def follow(layout: str, artifacts: str, entry: str | None) -> Report:
    """Tell step by step what U-Boot's scripts do.

    And draw the RAM as each kernel starts.
    """
    from imgaudit.tasks import follow as telling
    from imgaudit.tasks import opened

    with _progress() as progress:
        subject = opened.subject(layout, artifacts, progress=progress)
    return telling.follow(subject, entry)


@main.command()
@_layout
@_artifacts(required=True)
@_old
@_outputs
def endure(layout: str, artifacts: str, olds: tuple[str, ...]) -> Report:
    """Say what still starts when something is lost.

    A chip, a region, the environment; or when the power goes in an update. With --old it is known
    what the board has before the update, so that what is half updated is judged as it then is.

    Exit status: 0, or 1 where nothing starts after a loss that the layout does not accept, or where
    an update has findings.
    """
    from imgaudit.tasks import covered, opened

    with _progress() as progress:
        subject = opened.subject(layout, artifacts, olds=_olds(olds), progress=progress)
    return covered.endure(subject)


@main.command()
@click.argument("file", type=_FILE)
@click.option("--needs", metavar="GROUPS", help="Groups to measure by: shell,networking,…")
@click.option(
    "--arch", metavar="ARCH", help="What its programs must be for; else told by the file."
)
@_file("--kernel", "The kernel that starts it.")
@click.option("--configuration", metavar="NAME", help="Of a FIT; its default unless given.")
@_outputs
def rescue(file: str, needs: str | None, arch: str | None, **choices: Any) -> Report:
    """Say what a recovery ramdisk can do.

    FILE is a ramdisk, a FIT, a uImage or a kernel.

    Exit status: 0 all that must be possible is, 1 findings, 2 not carried out.
    """
    from imgaudit.tasks import rescue as surveying

    try:
        report = surveying.rescue(file, groups=_words(needs), arch=arch, **choices)
    except ValueError as problem:
        _stop(str(problem))
    return report


def _words(names: str | None) -> list[str] | None:
    return None if names is None else [name.strip() for name in names.split(",")]


@main.command()
@click.argument("file", type=_FILE)
@_file("--against", "Say what grew since OLD.", "OLD")
@click.option("--fit", "limit", metavar="SIZE", help="Say what to cut so that it has SIZE: 13 MiB")
@click.option("--needs", metavar="GROUPS", help="Groups whose tools stay: shell,networking,…")
@click.option(
    "--layout",
    metavar="LAYOUT",
    type=click.Path(dir_okay=False),
    help="What its stages need stays as well.",
)
@click.option("--arch", metavar="ARCH", help="What its programs are for; else told by the file.")
@_outputs
def weigh(
    file: str,
    *,
    against: str | None,
    limit: str | None,
    needs: str | None,
    layout: str | None,
    arch: str | None,
) -> Report:
    """Say what a ramdisk's bytes are spent on.

    What grew, and what to cut so that it fits. FILE is a ramdisk, a FIT, a uImage or a kernel.

    Exit status: 0, or 1 where it does not fit, 2 not carried out.
    """
    from imgaudit.tasks import weigh as weighing
    from imgaudit.units import parse_size

    try:
        room = None if limit is None else parse_size(limit)
        report = weighing.weigh(
            file, against=against, limit=room, needs=_words(needs), layout=layout, arch=arch
        )
    except ValueError as problem:
        _stop(str(problem))
    return report


@main.command()
@click.argument("old", type=_FILE)
@click.argument("new", type=_FILE)
@_outputs
def compare(old: str, new: str) -> Report:
    """Say what came, went and grew.

    OLD and NEW are two JSON reports of audits, or two sealed manifests.

    Exit status: 0, or 1 where a finding came, 2 not carried out.
    """
    from imgaudit.tasks import compare as comparing

    return comparing.compare(old, new)


@main.command()
@click.argument("finding", required=False, shell_complete=_findings)
@click.option("--sources", is_flag=True, help="Say only who says so: file, symbol, sentence.")
@_format
@_output
def explain(finding: str | None, *, sources: bool, form: str, output: str | None) -> int:
    """Say what a finding means, and how to fix it.

    What happens on the board, how it is computed, who says so, and a layout with it and without.
    Without FINDING all are listed.
    """
    from imgaudit.tasks import explain as explaining

    report = explaining.explain(finding, sources=sources)
    return _deliver(_rendered(report, _Ways(form, output)))


@main.command()
@click.argument("name", required=False, shell_complete=_recipes)
def recipe(name: str | None) -> int:
    """Print a file to copy into your repository.

    A CI job, an OpenEmbedded class, a Buildroot script. Without NAME all are listed.
    """
    from imgaudit.tasks import recipe as printing

    return _give(printing.recipe(name))


@main.command()
def man() -> None:
    """Print the manual page, for man and its kind."""
    from imgaudit.manual import manual

    _write(manual(main, __version__))


@main.command()
def schema() -> None:
    """Print the layout's JSON Schema, for editors."""
    import json

    from imgaudit.layout.schema import schema as build

    _write(json.dumps(build(), indent=2) + "\n")


@main.command()
@click.argument("directory", default="whimbrel-demo", type=_FOLDER)
@click.option(
    "--break",
    "fault",
    metavar="FAULT",
    shell_complete=_faults,
    help="Plant one fault; 'help' lists them.",
)
def demo(directory: str, fault: str | None) -> int:
    """Write a demo build, and audit it.

    It is of the Whimbrel, a made-up tide-gauge logger. Exit status: that of the audit.
    """
    from pathlib import Path

    from imgaudit.demo.build import FAULTS, build

    if fault == "help":
        width = max(map(len, FAULTS))
        for name, planted in FAULTS.items():
            click.echo(f"{name.ljust(width)}  {planted.summary}")
        return 0
    if fault is not None and fault not in FAULTS:
        from imgaudit.errors import close

        _stop(f"no fault is called {fault!r}{close(fault, FAULTS)}; --break help lists them")
    try:
        layout = str(build(Path(directory), fault))
    except OSError as problem:
        _stop(f"cannot write the demo to {directory}: {problem.strerror}")
    report = _audited(layout, directory)
    from imgaudit.layout.load import load
    from imgaudit.report import render
    from imgaudit.tasks import map as drawing

    style = _style(None)
    _write(render("text", drawing.draw(load(layout)), style) + "\n")
    _write(render("text", report, style))
    _write(f"\nLook closer: imgaudit audit {layout} --artifacts {directory}\n")
    return report.status


@main.command()
@click.argument("directory", required=False)
@click.option("--device-tree", metavar="FILE", help="Device tree blob, or a FIT with one.")
@click.option("--mtdparts", metavar="STRING", help="An mtdparts list.")
@click.option("--disk", metavar="FILE", help="Image of the eMMC with its GPT, raw or compressed.")
@click.option("--environment", metavar="FILE", help="U-Boot environment, its text, or U-Boot.")
@click.option("--uboot-config", metavar="FILE", help="U-Boot's .config.")
@click.option("--disk-description", metavar="FILE", help="genimage.cfg, or a .wks file.")
@click.option("--sfdp", metavar="FILE", help="SFDP dump of the SPI-NOR.")
@click.option("--ext-csd", metavar="FILE", help="EXT_CSD dump of the eMMC: binary, hex or text.")
@_output
@_limits
def draft(
    directory: str | None,
    output: str | None,
    limit_time: int | None,
    limit_memory: int | None,
    **sources: Any,
) -> int:
    """Draft a layout from a build's folder or files.

    Exit status: 0 drafted, 1 with conflicts, 2 not.
    """
    if directory is not None and any(value is not None for value in sources.values()):
        raise click.UsageError("give a folder or single sources, not both")

    def work() -> Report:
        from imgaudit.tasks import draft as drafting

        if directory is None:
            return drafting.draft(drafting.Sources(**sources)).report
        from imgaudit.tasks.folder import draft_folder

        return draft_folder(directory).report

    return _confined(work, _Ways(output=output, document=True), limit_time, limit_memory)


@main.command()
@_layout
@_artifacts("Folder with the artifacts of the release.", required=True)
@_file("--output", "Write the manifest here.")
@_limits
def seal(
    layout: str,
    artifacts: str,
    output: str | None,
    limit_time: int | None,
    limit_memory: int | None,
) -> int:
    """Write down what a release is, as JSON.

    Names, places, sizes, SHA-256 and versions, for audit, readback, compare and --history.

    Exit status: 0 sealed, 2 an artifact is missing or cannot be read.
    """

    def work() -> Report:
        from imgaudit.tasks import seal as sealing

        with _progress() as progress:
            return sealing.seal(layout, artifacts, progress=progress)

    return _confined(work, _Ways(output=output, document=True), limit_time, limit_memory)


@main.command()
@_layout
@click.option(
    "--dump",
    "dumps",
    metavar="CHIP=FILE",
    multiple=True,
    required=True,
    help="Raw dump of a chip of the layout, or of a boot area: emmc/boot0=FILE. Repeatable.",
)
@_artifacts("Folder with the artifacts that should be on the board.")
@_file(
    "--manifest",
    "What `imgaudit seal` wrote, in place of the artifacts: tells that, not how, they differ.",
)
@_outputs
@_fail_on
def readback(
    layout: str,
    dumps: tuple[str, ...],
    *,
    artifacts: str | None,
    manifest: str | None,
    fail_on: str | None,
) -> Report:
    """Hold dumps of a board's chips against a build.

    The build is its artifacts or a manifest.

    Only regular files are read, and nothing is written to a device. Before you write to a board
    because of what this says: keep a backup of the chip and a serial or ROM way in, and check the
    vendor's datasheet.

    Exit status: 0 pass, 1 findings, 2 not carried out.
    """
    from imgaudit.tasks import readback as reading

    if (artifacts is None) == (manifest is None):
        _stop("give either --artifacts or --manifest")
    with _progress() as progress:
        result = reading.compare(
            layout,
            _named(dumps),
            artifacts=artifacts,
            manifest=manifest,
            fail_on=_severity(fail_on),
            progress=progress,
        )
    return reading.readback(result)


def _named(dumps: tuple[str, ...]) -> dict[str, str]:
    found: dict[str, str] = {}
    for item in dumps:
        name, equals, path = item.partition("=")
        if not (name and equals and path):
            _stop(f"--dump {item}: write CHIP=FILE, such as nor=nor.bin")
        if name in found:
            _stop(f"--dump {name} is given twice")
        found[name] = path
    return found


def _style(output: str | None) -> Style:
    from imgaudit.report import Style

    if output is None and sys.stdout is None:
        _stop("there is no stdout to write to")
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


class _Ways(NamedTuple):
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


def _rendered(report: Report, ways: _Ways) -> _Told:
    """Put a report into the forms that are wanted."""
    from imgaudit.report import render

    asked = (item.partition("=") for item in ways.reports)
    files = tuple((path, render(form, report)) for form, _, path in asked)
    shown = render(ways.form, report, _style(ways.output))
    if ways.output is not None:
        files, shown = (*files, (ways.output, shown)), ""
    return _Told(report.status, shown, files, report.warnings)


def _give(report: Report) -> int:
    return _deliver(_rendered(report, _Ways()))


def _confined(
    command: Callable[[], Report], ways: _Ways, seconds: int | None, memory: int | None
) -> int:
    """Have a command run in a child with limits; where it dies, say how far it came."""
    from imgaudit import confined
    from imgaudit.files import watch

    if not confined.can_confine():
        if seconds or memory:
            _complain("this system cannot limit what is done: --limit-time and -memory say nothing")
        return _deliver(_rendered(command(), ways))

    def work(line: confined.Line) -> bytes:
        import marshal

        watch(line.opened)
        _listeners.append(line.about)
        try:
            report = command()
            _now("writing the report")
            told = _rendered(report, ways)
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

        return _deliver(_Told(*marshal.loads(ended.result)), read)  # noqa: S302 - our own
    from imgaudit.tasks.stopped import stopped

    if sys.stderr is not None and sys.stderr.isatty():
        _loose(lambda: click.echo("\r\x1b[K", nl=False, err=True), sys.stderr)
    report = stopped(ended.why, [file.name for file in ended.opened], ended.about, ended.trace)
    if os.environ.get(_TRACEBACK):
        from dataclasses import replace

        report = replace(report, warnings=(*report.warnings, *ended.trace.splitlines()))
    return _deliver(_rendered(report, _Ways() if ways.document else ways), read)


_listeners: list[Callable[[str], None]] = []


def _now(what: str) -> None:
    """Tell whoever waits for this process what it does from now on."""
    for tell in _listeners:
        tell(what)


def _deliver(told: _Told, read: set[tuple[int, int]] | None = None) -> int:
    """Write all that was told, and give the exit status that is true once it is written.

    `read` has the files that must not be replaced.
    """
    from imgaudit.files import Target

    if told.complaints:
        _complain(*told.complaints)
    with contextlib.ExitStack() as stack:
        # All that can go wrong is known before the first is replaced, but for a full disk.
        ready = [
            (stack.enter_context(Target(path, read or set())), text) for path, text in told.files
        ]
        for target, text in ready:
            target.write(text)
    if told.shown:
        _write(told.shown)
    return told.status


def _write(text: str) -> None:
    """Write to stdout, all of it."""
    encoding = sys.stdout.encoding or "utf-8"
    text = text.encode(encoding, "backslashreplace").decode(encoding)
    try:
        click.echo(text, nl=False, color=True)
        sys.stdout.flush()
    except OSError as problem:
        _stop(f"cannot write to stdout: {problem.strerror}")


def _stop(why: str) -> NoReturn:
    from imgaudit.errors import AuditError

    raise AuditError(why)

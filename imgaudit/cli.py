"""The command line: arguments, files and exit status; nothing else."""

from __future__ import annotations

import functools
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, NoReturn

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

BROKEN = 2


class _Group(click.Group):
    """Turns our own errors into a message on stderr and exit status 2."""

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except ImgauditError as problem:
            from imgaudit.clean import clean

            for line in str(problem).splitlines():
                click.echo(f"imgaudit: {clean(line)}", err=True)
            ctx.exit(BROKEN)

    def list_commands(self, ctx: click.Context) -> list[str]:
        del ctx  # the order of definition is the order of use
        return list(self.commands)


@click.group(
    cls=_Group,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(__version__, prog_name="imgaudit", message="%(prog)s %(version)s")
def main() -> None:
    """Audit the images of a two-stage embedded-Linux board before they reach its flash.

    Start with: imgaudit demo
    """


_layout = click.argument("layout", type=click.Path(dir_okay=False))
_output = click.option(
    "--output", metavar="FILE", type=click.Path(dir_okay=False), help="Write the report here."
)


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


def _outputs(command: Callable[..., Report]) -> Callable[..., None]:
    """Give a command that makes a report the options for its forms and files."""

    @_format
    @_output
    @_reports
    @functools.wraps(command)
    def run(form: str, output: str | None, reports: tuple[str, ...], **choices: Any) -> None:
        _give(command(**choices), form, output, reports)

    return run


_fail_on = click.option(
    "--fail-on",
    type=click.Choice(["error", "warning"]),
    help="Lowest severity that fails; the layout's policy unless given.",
)
_deep = click.option(
    "--deep", is_flag=True, help="Unpack every file of squashfs, EROFS and JFFS2, too: slower."
)


@main.command()
@click.argument("layouts", nargs=-1, required=True, type=click.Path(dir_okay=False))
@click.option(
    "--artifacts",
    metavar="DIR",
    multiple=True,
    type=click.Path(file_okay=False),
    help="Folder with the artifacts; without it the layout is audited on paper.",
)
@_outputs
@_fail_on
@_deep
@click.option("--full-digests", is_flag=True, help="SHA-256 of raw files above 64 MiB as well.")
@click.option(
    "--manifest",
    metavar="FILE",
    type=click.Path(dir_okay=False),
    help="What `imgaudit seal` wrote: say what changed since.",
)
@click.option(
    "--policy",
    metavar="FILE",
    type=click.Path(dir_okay=False),
    help="Policy of the trusted side: the layout's own can only be stricter.",
)
@click.option(
    "--baseline",
    metavar="FILE",
    type=click.Path(dir_okay=False),
    help="JSON report of an earlier run: only what is new counts.",
)
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
    type=click.Path(file_okay=False),
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

    known: Any = ()
    if baseline is not None:
        from imgaudit.tasks import compare

        known = compare.baseline(baseline)

    with _progress() as progress:
        subject = opened.subject(layout, artifacts, progress=progress, **choices)
    return board.audit(audit.run(subject, fail_on=_severity(fail_on), baseline=known), history)


def _severity(name: str | None) -> Severity | None:
    from imgaudit.rules.engine import Severity

    return Severity(name) if name else None


@contextmanager
def _progress() -> Iterator[Callable[[str], None] | None]:
    """Say on a terminal which file is being read, in a line that is gone when all are."""
    if not sys.stderr.isatty() or os.environ.get("TERM") in {"dumb", "", None}:
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
@click.option(
    "--artifacts",
    metavar="DIR",
    type=click.Path(file_okay=False),
    help="Folder with the artifacts: says how full each region is.",
)
@_outputs
def show_map(layout: str, artifacts: str | None) -> Report:
    """Draw the partition map to scale, for someone new to the board."""
    from imgaudit.layout.load import load
    from imgaudit.tasks import map as drawing
    from imgaudit.tasks import opened

    loaded = load(layout)
    build = None
    if artifacts is not None:
        from imgaudit.contents.build import read

        with _progress() as progress, opened.store(artifacts, progress=progress) as store:
            build = read(loaded, store)
    return drawing.draw(loaded, build)


@main.command()
@click.argument("files", nargs=-1, required=True, type=click.Path(dir_okay=False))
@_outputs
@_deep
def inspect(files: tuple[str, ...], *, deep: bool) -> Report:
    """Say what files are, without a layout. Exit status: 0 read, 1 damaged, 2 unreadable."""
    from imgaudit.tasks import inspect as inspecting

    return inspecting.inspect(files, deep=deep)


@main.command()
@_layout
@click.option(
    "--artifacts",
    metavar="DIR",
    required=True,
    type=click.Path(file_okay=False),
    help="Folder with the artifacts.",
)
@click.option("--entry", metavar="VARIABLE", help="Tell this script only, such as recovery.")
@_outputs
def follow(layout: str, artifacts: str, entry: str | None) -> Report:
    """Tell step by step what U-Boot's scripts do, and draw the RAM as each kernel starts."""
    from imgaudit.tasks import follow as telling
    from imgaudit.tasks import opened

    with _progress() as progress:
        subject = opened.subject(layout, artifacts, progress=progress)
    return telling.follow(subject, entry)


@main.command()
@_layout
@click.option(
    "--artifacts",
    metavar="DIR",
    required=True,
    type=click.Path(file_okay=False),
    help="Folder with the artifacts.",
)
@_outputs
def endure(layout: str, artifacts: str) -> Report:
    """Say what still starts when something is lost, or when the power goes in an update.

    Exit status: 0, or 1 where nothing starts after a loss that the layout does not accept, or where
    an update has findings.
    """
    from imgaudit.tasks import covered, opened

    with _progress() as progress:
        subject = opened.subject(layout, artifacts, progress=progress)
    return covered.endure(subject)


@main.command()
@click.argument("file", type=click.Path(dir_okay=False))
@click.option("--needs", metavar="GROUPS", help="Groups to measure by: shell,networking,…")
@click.option(
    "--arch", metavar="ARCH", help="What its programs must be for; else told by the file."
)
@click.option(
    "--kernel", metavar="FILE", type=click.Path(dir_okay=False), help="The kernel that starts it."
)
@click.option("--configuration", metavar="NAME", help="Of a FIT; its default unless given.")
@_outputs
def rescue(file: str, needs: str | None, arch: str | None, **choices: Any) -> Report:
    """Say what a rescue ramdisk can do: FILE is a ramdisk, a FIT, a uImage or a kernel.

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
@click.argument("file", type=click.Path(dir_okay=False))
@click.option(
    "--against", metavar="OLD", type=click.Path(dir_okay=False), help="Say what grew since OLD."
)
@click.option("--fit", "limit", metavar="SIZE", help="Say what to cut so that it has SIZE: 13 MiB")
@click.option("--needs", metavar="GROUPS", help="Groups whose tools stay: shell,networking,…")
@click.option("--arch", metavar="ARCH", help="What its programs are for; else told by the file.")
@_outputs
def weigh(
    file: str, *, against: str | None, limit: str | None, needs: str | None, arch: str | None
) -> Report:
    """Say what a ramdisk's bytes are spent on: FILE is a ramdisk, a FIT, a uImage or a kernel.

    Exit status: 0, or 1 where it does not fit, 2 not carried out.
    """
    from imgaudit.tasks import weigh as weighing
    from imgaudit.units import parse_size

    try:
        room = None if limit is None else parse_size(limit)
        report = weighing.weigh(file, against=against, limit=room, needs=_words(needs), arch=arch)
    except ValueError as problem:
        _stop(str(problem))
    return report


@main.command()
@click.argument("old", type=click.Path(dir_okay=False))
@click.argument("new", type=click.Path(dir_okay=False))
@_outputs
def compare(old: str, new: str) -> Report:
    """Say what came, went and grew between two JSON reports or two sealed manifests.

    Exit status: 0, or 1 where a finding came, 2 not carried out.
    """
    from imgaudit.tasks import compare as comparing

    return comparing.compare(old, new)


@main.command()
@click.argument("finding", required=False, shell_complete=_findings)
def explain(finding: str | None) -> None:
    """Say what a finding means on the board, how it is computed, and how to fix it."""
    from imgaudit.tasks import explain as explaining

    _give(explaining.explain(finding))


@main.command()
@click.argument("name", required=False)
def recipe(name: str | None) -> None:
    """Print a file to copy: a CI job, an OpenEmbedded class, a Buildroot script."""
    from imgaudit.tasks import recipe as printing

    _give(printing.recipe(name))


@main.command()
def schema() -> None:
    """Print the layout's JSON Schema, for editors."""
    import json

    from imgaudit.layout.load import schema as build

    _write(json.dumps(build(), indent=2) + "\n", None)


@main.command()
@click.argument("directory", default="whimbrel-demo", type=click.Path(file_okay=False))
@click.option("--break", "fault", metavar="FAULT", help="Plant one fault; 'help' lists them.")
def demo(directory: str, fault: str | None) -> None:
    """Write the demo build of the Whimbrel tide-gauge logger, audit it, show map and verdict."""
    from pathlib import Path

    from imgaudit.demo.build import FAULTS, build

    if fault == "help":
        width = max(map(len, FAULTS))
        for name, planted in FAULTS.items():
            click.echo(f"{name.ljust(width)}  {planted.summary}")
        return
    if fault is not None and fault not in FAULTS:
        from imgaudit.layout.keys import close

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
    _write(render("text", drawing.draw(load(layout)), style) + "\n", None)
    _write(render("text", report, style), None)
    _write(f"\nLook closer: imgaudit audit {layout} --artifacts {directory}\n", None)
    sys.exit(report.status)


@main.command()
@click.argument("directory", required=False)
@click.option("--device-tree", metavar="FILE", help="Device tree blob, or a FIT with one.")
@click.option("--mtdparts", metavar="STRING", help="An mtdparts list.")
@click.option("--disk", metavar="FILE", help="Image of the eMMC with its GPT, raw or compressed.")
@click.option("--environment", metavar="FILE", help="U-Boot environment, its text, or U-Boot.")
@click.option("--uboot-config", metavar="FILE", help="U-Boot's .config.")
@click.option("--sfdp", metavar="FILE", help="SFDP dump of the SPI-NOR.")
@click.option("--ext-csd", metavar="FILE", help="EXT_CSD dump of the eMMC: binary, hex or text.")
@_output
def draft(directory: str | None, output: str | None, **sources: str | None) -> None:
    """Draft a layout from a build's folder, or from some of its files.

    Exit status: 0 drafted, 1 with conflicts, 2 not.
    """
    from imgaudit.clean import clean
    from imgaudit.tasks import draft as drafting

    if directory is None:
        drafted = drafting.draft(drafting.Sources(**sources))
    elif any(value is not None for value in sources.values()):
        raise click.UsageError("give a folder or single sources, not both")
    else:
        from imgaudit.tasks.folder import draft_folder

        drafted = draft_folder(directory)
    for conflict in drafted.conflicts:
        click.echo(f"imgaudit: conflict: {clean(conflict)}", err=True)
    _write(drafted.text, output)
    sys.exit(1 if drafted.conflicts else 0)


@main.command()
@_layout
@click.option(
    "--artifacts",
    metavar="DIR",
    required=True,
    type=click.Path(file_okay=False),
    help="Folder with the artifacts of the release.",
)
@click.option(
    "--output", metavar="FILE", type=click.Path(dir_okay=False), help="Write the manifest here."
)
def seal(layout: str, artifacts: str, output: str | None) -> None:
    """Write down what a release is: names, places, sizes, SHA-256 and versions, as JSON.

    Exit status: 0 sealed, 2 an artifact is missing or cannot be read.
    """
    from imgaudit.tasks import seal as sealing

    with _progress() as progress:
        report = sealing.seal(layout, artifacts, progress=progress)
    _give(report, output=output)


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
@click.option(
    "--artifacts",
    metavar="DIR",
    type=click.Path(file_okay=False),
    help="Folder with the artifacts that should be on the board.",
)
@click.option(
    "--manifest",
    metavar="FILE",
    type=click.Path(dir_okay=False),
    help="What `imgaudit seal` wrote, in place of the artifacts: tells that, not how, they differ.",
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
    """Hold dumps of a board's chips against its artifacts or a manifest.

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


def _give(
    report: Report, form: str = "text", output: str | None = None, reports: tuple[str, ...] = ()
) -> NoReturn:
    """Write a report in the forms that were asked for, and end with its status."""
    from imgaudit.report import render

    # All are rendered before the first is written.
    written = [
        (path, render(name, report)) for name, _, path in (r.partition("=") for r in reports)
    ]
    shown = render(form, report, _style(output))
    for path, text in written:
        _write(text, path)
    _write(shown, output)
    sys.exit(report.status)


def _write(report: str, output: str | None) -> None:
    """Write a report: to stdout, or to a file that is replaced as a whole."""
    if output is None:
        encoding = sys.stdout.encoding or "utf-8"
        try:
            click.echo(
                report.encode(encoding, "backslashreplace").decode(encoding), nl=False, color=True
            )
        except BrokenPipeError:
            # The reader of a pipe has seen enough: the verdict stands, and Python must not
            # complain at exit.
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return
    import tempfile

    output = os.path.realpath(output)
    if os.path.exists(output) and not os.path.isfile(output):
        _stop(f"cannot write {output}: it is no regular file")
    folder = os.path.dirname(output)
    temporary = None
    try:
        with tempfile.NamedTemporaryFile(
            "w", dir=folder, delete=False, encoding="utf-8", prefix=".imgaudit-"
        ) as file:
            temporary = file.name
            file.write(report)
        umask = os.umask(0)
        os.umask(umask)
        os.chmod(temporary, 0o666 & ~umask)
        os.replace(temporary, output)
    except OSError as problem:
        if temporary is not None and os.path.exists(temporary):
            os.unlink(temporary)
        _stop(f"cannot write {output}: {problem.strerror}")


def _stop(why: str) -> NoReturn:
    from imgaudit.clean import clean

    click.echo(f"imgaudit: {clean(why)}", err=True)
    sys.exit(BROKEN)

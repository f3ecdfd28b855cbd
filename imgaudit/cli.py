"""The command line: options and what they ask of the tasks; nothing else."""

from __future__ import annotations

import functools
import os
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any, TypeVar

import click

from imgaudit import __version__
from imgaudit.boundary import (
    Group,
    Ways,
    deliver,
    give,
    in_child,
    now,
    rendered,
    shown_progress,
    stop,
    style_for,
    write,
)

if TYPE_CHECKING:
    from imgaudit.rules.engine import Severity
    from imgaudit.tasks.sections import Report

    _ParamType = click.ParamType[str]
else:
    _ParamType = click.ParamType

Command = TypeVar("Command", bound=Callable[..., Any])


@click.group(
    cls=Group,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(__version__, prog_name="imgaudit", message="%(prog)s %(version)s")
def main() -> None:
    """Audit the images of a two-stage embedded-Linux board before they reach its flash.

    Start with: imgaudit demo
    """


class _Path(click.Path):
    """A path, refused in the words of the rest where it is of the other kind."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        if not self.dir_okay and os.path.isdir(value):
            self.fail(f"{value} is a folder, not a file", param, ctx)
        if not self.file_okay and os.path.isfile(value):
            self.fail(f"{value} is a file, not a folder", param, ctx)
        return super().convert(value, param, ctx)


_FILE, _FOLDER = _Path(dir_okay=False), _Path(file_okay=False)


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
            stop(f"--old {item}: {path or 'nothing'} is neither a folder nor a manifest")
        if name in found:
            stop(f"--old {name + '=' if name else ''}… is given twice")
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


class _AtLeastZero(click.IntRange):
    """A number that is not negative, whose range the help need not show as a formula."""

    def __init__(self) -> None:
        super().__init__(min=0)

    def _describe_range(self) -> str:
        return ""


def _limits(command: Callable[..., int]) -> Callable[..., int]:
    """Give a command that reads what others made the options for its limits."""
    time = click.option(
        "--limit-time",
        metavar="SECONDS",
        type=_AtLeastZero(),
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
        ways = Ways(form, output, reports)
        if limit_time is None and limit_memory is None and _on_paper(choices):
            from imgaudit.files import Opened, watch

            read: set[tuple[int, int]] = set()

            def opened(file: Opened) -> None:
                read.add((file.device, file.number))

            watch(opened)
            return deliver(rendered(command(**choices), ways), read)
        return in_child(lambda: command(**choices), ways, limit_time, limit_memory)

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
        stop("give --artifacts once, or once for each layout")
    if choices["history"] and len(layouts) > 1:
        stop("--history goes with one layout")
    if choices["olds"] and (len(layouts) > 1 or not artifacts):
        stop("--old goes with one layout and its --artifacts")
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

    with shown_progress() as progress:
        subject = opened.subject(layout, artifacts, progress=progress, **choices)
    known: Any = ()
    if baseline is not None:
        from imgaudit.tasks import compare

        known = compare.baseline(baseline, subject.layout)
    now("judging what was read")
    return board.audit(audit.run(subject, fail_on=_severity(fail_on), baseline=known), history)


def _severity(name: str | None) -> Severity | None:
    from imgaudit.rules.engine import Severity

    return Severity(name) if name else None


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

        with (
            shown_progress() as progress,
            opened.store(artifacts, loaded, progress=progress) as store,
        ):
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

    with shown_progress() as progress:
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

    with shown_progress() as progress:
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

    Exit status: 0 every group of tools is met, 1 findings, 2 not carried out.
    """
    from imgaudit.tasks import rescue as surveying

    try:
        report = surveying.rescue(file, groups=_words(needs), arch=arch, **choices)
    except ValueError as problem:
        stop(str(problem))
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
    type=_FILE,
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
        stop(str(problem))
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
    return deliver(rendered(report, Ways(form, output)))


@main.command()
@click.argument("name", required=False, shell_complete=_recipes)
def recipe(name: str | None) -> int:
    """Print a file to copy into your repository.

    A CI job, an OpenEmbedded class, a Buildroot script. Without NAME all are listed.
    """
    from imgaudit.tasks import recipe as printing

    return give(printing.recipe(name))


@main.command()
def man() -> None:
    """Print the manual page, for `man -l -` to show."""
    from imgaudit.manual import manual

    write(manual(main, __version__))


@main.command()
def schema() -> None:
    """Print the layout's JSON Schema, for editors."""
    import json

    from imgaudit.layout.schema import schema as build

    write(json.dumps(build(), indent=2) + "\n")


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

        stop(f"no fault is called {fault!r}{close(fault, FAULTS)}; --break help lists them")
    try:
        layout = str(build(Path(directory), fault))
    except OSError as problem:
        stop(f"cannot write the demo to {directory}: {problem.strerror}")
    report = _audited(layout, directory)
    from imgaudit.layout.load import load
    from imgaudit.report import render
    from imgaudit.tasks import map as drawing

    style = style_for(None)
    write(render("text", drawing.draw(load(layout)), style) + "\n")
    write(render("text", report, style))
    write(f"\nLook closer: imgaudit audit {layout} --artifacts {directory}\n")
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
@_file("--output", "Write the layout here.")
@_limits
def draft(
    directory: str | None,
    output: str | None,
    limit_time: int | None,
    limit_memory: int | None,
    **sources: Any,
) -> int:
    """Draft a layout from a build's folder or files.

    Exit status: 0 drafted, 1 with conflicts, 2 not carried out.
    """
    if directory is not None and any(value is not None for value in sources.values()):
        raise click.UsageError("give a folder or single sources, not both")

    def work() -> Report:
        from imgaudit.tasks import draft as drafting

        if directory is None:
            return drafting.draft(drafting.Sources(**sources)).report
        from imgaudit.tasks.folder import draft_folder

        return draft_folder(directory).report

    return in_child(work, Ways(output=output, document=True), limit_time, limit_memory)


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

        with shown_progress() as progress:
            return sealing.seal(layout, artifacts, progress=progress)

    return in_child(work, Ways(output=output, document=True), limit_time, limit_memory)


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
        stop("give either --artifacts or --manifest")
    with shown_progress() as progress:
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
            stop(f"--dump {item}: write CHIP=FILE, such as nor=nor.bin")
        if name in found:
            stop(f"--dump {name} is given twice")
        found[name] = path
    return found

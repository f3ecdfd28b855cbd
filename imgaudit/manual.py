"""The manual page, made of the help that every command has.

Source: man(7) and mdoc(7) name the macros; man-pages(7) names the sections.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

import click

_STATUS = (
    ("0", "nothing at or above the gate, and all that the layout names was judged"),
    ("1", "findings"),
    ("2", "the command could not be carried out"),
    ("3", "incomplete: no finding at the gate, but something was not judged"),
)
_CAUTION = (
    "It only reads. Before anything is written to a board: keep a backup of the chip and a serial"
    " or ROM way in, and check the vendor's datasheet."
)


def manual(group: click.Group, version: str) -> str:
    """Give the page as roff: the program, then each command with its options."""
    summary, _, more = (group.help or "").partition("\n")
    lines = [
        f'.TH IMGAUDIT 1 "" "imgaudit {_said(version)}" "User Commands"',
        *(".SH NAME", f"imgaudit \\- {_said(summary.rstrip('.'))}"),
        *(".SH SYNOPSIS", ".B imgaudit", ".I command", "[options] [arguments]"),
        *(".SH DESCRIPTION", *_paragraphs(more)),
        ".SH COMMANDS",
    ]
    for name, command in group.commands.items():
        lines += _command(name, command)
    lines.append(".SH EXIT STATUS")
    for status, meaning in _STATUS:
        lines += (".TP", f".B {status}", _said(meaning))
    lines += (".SH CAUTION", _said(_CAUTION))
    return "\n".join(lines) + "\n"


def _command(name: str, command: click.Command) -> Iterator[str]:
    context = click.Context(command, info_name=f"imgaudit {name}")
    usage = " ".join(command.collect_usage_pieces(context))
    yield f'.SS "imgaudit {_said(name)} {_said(usage)}"'
    yield from _paragraphs(command.help or "")
    for parameter in command.get_params(context):
        record = parameter.get_help_record(context)
        # Some versions of click list arguments as well, without a word about them.
        if record is not None and record[1] and "--help" not in parameter.opts:
            option, text = record
            yield from (".TP", f".B {_said(option)}", _said(text))


def _paragraphs(text: str) -> Iterator[str]:
    for number, paragraph in enumerate(filter(None, re.split(r"\n\s*\n", text.strip()))):
        if number:
            yield ".PP"
        yield _said(" ".join(paragraph.split()))


def _said(text: str) -> str:
    """Give a text that roff prints as it is: no request at a line's start, no escape, no hyphen."""
    text = text.replace("\\", "\\e").replace("-", "\\-").replace("…", "...").replace('"', "\\(dq")
    return f"\\&{text}" if text.startswith((".", "'")) else text

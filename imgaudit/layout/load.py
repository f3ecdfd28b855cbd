"""The layout file: YAML to model, with every problem at once, each at its line and column."""

from __future__ import annotations

import hashlib
import os
from dataclasses import replace
from typing import Any

import yaml

from imgaudit.errors import AuditError, LayoutError, close
from imgaudit.files import ArtifactError, nearby, read_regular
from imgaudit.layout import variants
from imgaudit.layout.assembly import Assembly
from imgaudit.layout.keys import Reading, Values, alternatives, pairs
from imgaudit.layout.tables import LAYOUT, POLICY, WHOLE
from imgaudit.model import Layout, Policy, Where
from imgaudit.units import both

MOST_BYTES = 1 << 20
MOST_DEPTH = 24


def load(path: str, *, shown: str | None = None) -> Layout:
    """Read a layout file; `FILE#NAME` is a variant that it describes.

    `shown` is what the reports call the file, where that is not its path.

    Raises:
        AuditError: the file cannot be read.
        LayoutError: it is no layout; carries every problem with its place.

    """
    file_name, _, variant = path.rpartition("#")
    if not file_name or os.path.exists(path):
        file_name, variant = path, ""
    try:
        data = read_regular(file_name, MOST_BYTES)
    except ArtifactError as problem:
        raise AuditError(f"cannot read the layout: {problem}{nearby(file_name)}") from problem
    return parse(data, shown or file_name, variant or None)


def parse(data: bytes, file: str, variant: str | None = None) -> Layout:
    """Read a layout, or one of its variants, from bytes; `file` is only for messages.

    What is wrong with any variant is a problem of the file.

    Raises:
        LayoutError: it is no layout; carries every problem with its place.

    """
    reading = Reading(file)
    top = Where(file, 1, 1)
    layout = None
    if len(data) > MOST_BYTES:
        reading.problem(top, f"more than {both(MOST_BYTES)}: this is no layout")
    else:
        node = _compose(data, reading)
        if node is not None:
            layout = _read(node, reading, hashlib.sha256(data).hexdigest(), variant)
    if reading.problems or layout is None:
        problems = dict.fromkeys(reading.problems)
        raise LayoutError(sorted(problems, key=lambda problem: (problem.line, problem.column)))
    return layout


def _read(node: yaml.Node, reading: Reading, sha256: str, variant: str | None) -> Layout | None:
    values = WHOLE.read(node, reading)
    if values is None or not isinstance(node, yaml.MappingNode):
        return None
    found: dict[str | None, Layout] = {None: Assembly(reading, values).layout(sha256)}
    for name, over in variants.names_of(node, reading).items():
        whole = LAYOUT.read(variants.chosen(node, over, reading), reading)
        if whole is not None:
            layout = Assembly(reading, whole).layout(sha256)
            found[name] = replace(layout, file=f"{layout.file}#{name}", variant=name)
    if variant not in found:
        names = [name for name in found if name is not None]
        some = f"; it has {alternatives(names, 'and')}" if names else ": it has none"
        reading.problem(node, f"there is no variant {variant!r}{close(variant or '', names)}{some}")
    return found.get(variant)


def load_policy(path: str) -> Policy:
    """Read the `policy:` of a file that may have nothing else, or that is a layout.

    Raises:
        AuditError: the file cannot be read.
        LayoutError: it has no policy, or a wrong one.

    """
    reading = Reading(path)
    try:
        data = read_regular(path, MOST_BYTES)
    except ArtifactError as problem:
        raise AuditError(f"cannot read the policy: {problem}") from problem
    node = _compose(data, reading)
    found = None
    if isinstance(node, yaml.MappingNode):
        named = (value for name, _, value in pairs(node, reading) if name == "policy")
        inner = next(named, None)
        if inner is None:
            reading.problem(node, "the file has no policy:")
        else:
            values = POLICY.read(inner, reading)
            found = Assembly(reading, Values(reading.where(node))).policy(values, alone=True)
    elif node is not None:
        reading.problem(node, "expected a mapping with the key policy")
    if reading.problems or found is None:
        raise LayoutError(
            sorted(reading.problems, key=lambda problem: (problem.line, problem.column))
        )
    return found


def _compose(data: bytes, reading: Reading) -> yaml.Node | None:
    """Build the node tree; aliases and depth are refused before anything is built of them."""
    loader: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
    top = Where(reading.file, 1, 1)
    try:
        text = data.decode()
    except UnicodeDecodeError as problem:
        reading.problem(top, f"not UTF-8 at byte {problem.start}")
        return None
    depth = 0
    try:
        for event in yaml.parse(text, loader):
            if isinstance(event, yaml.CollectionStartEvent):
                depth += 1
            elif isinstance(event, yaml.CollectionEndEvent):
                depth -= 1
            place = _place(reading, event.start_mark)
            if isinstance(event, yaml.AliasEvent):
                reading.problem(place, "aliases (*name) are not used here: write it out")
                return None
            if depth > MOST_DEPTH:
                reading.problem(place, f"nested deeper than {MOST_DEPTH} levels")
                return None
        node: yaml.Node | None = yaml.compose(text, loader)
    # Without libyaml, PyYAML lets a wrong character number or version through as a ValueError.
    except (yaml.YAMLError, ValueError) as problem:
        place = _place(reading, getattr(problem, "problem_mark", None))
        why = getattr(problem, "problem", None) or str(problem).partition("\n")[0]
        if _is_tab(text, place):
            why = "a tab stands here, and YAML indents with blanks alone"
        reading.problem(place, f"not YAML: {why}")
        return None
    if node is None:
        reading.problem(top, "the file is empty")
    return node


def _is_tab(text: str, place: Where) -> bool:
    """Tell whether a tab is what a line cannot begin with."""
    lines = text.split("\n")
    line = lines[place.line - 1] if place.line <= len(lines) else ""
    return line[place.column - 1 : place.column] == "\t"


def _place(reading: Reading, mark: Any) -> Where:
    return (
        Where(reading.file, mark.line + 1, mark.column + 1) if mark else Where(reading.file, 1, 1)
    )

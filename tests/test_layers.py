"""Who may import whom: a package from lower floors only, and no module in a circle."""

from __future__ import annotations

import ast
import graphlib
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

import imgaudit

LAYERS = (
    {"data", "patterns"},
    {"units", "errors", "clean", "arches", "bounds"},
    {"chips"},
    {"model"},
    {"formats", "files", "writers"},
    {"layout", "demo", "confined"},
    {"contents"},
    {"ramdisk", "release"},
    {"maps"},
    {"boot"},
    {"rescue"},
    {"proof"},
    {"rules"},
    {"tasks"},
    {"report", "manual"},
    {"boundary"},
    {"cli"},
    {"__main__"},
)
ROOT = Path(imgaudit.__file__).parent
RANK = {name: rank for rank, names in enumerate(LAYERS) for name in names}


def modules() -> Iterator[tuple[str, Path]]:
    for path in sorted(ROOT.rglob("*.py")):
        name = ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix("__init__")
        yield name.removesuffix("."), path


KNOWN = dict(modules())


def imported(path: Path) -> Iterator[str]:
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name} imports relatively"
            for alias in node.names:
                whole = f"{node.module}.{alias.name}"
                inner = whole.removeprefix("imgaudit.")
                yield whole if inner in KNOWN else node.module or ""


def ours(name: str) -> Iterator[str]:
    for whole in imported(KNOWN[name]):
        other = whole.removeprefix("imgaudit").removeprefix(".")
        if whole.startswith("imgaudit") and other:
            yield other


@pytest.mark.parametrize("name", [name for name in KNOWN if name])
def test_imports_go_down(name: str) -> None:
    own = name.partition(".")[0]
    for other in ours(name):
        top, _, module = other.partition(".")
        assert top == own or RANK[top] < RANK[own], f"{name} imports {other}"
        assert top == own or not module.startswith("_"), f"{name} imports the private {other}"


def test_no_import_circle() -> None:
    edges = {name: {other for other in ours(name) if other != name} for name in KNOWN if name}
    assert tuple(graphlib.TopologicalSorter(edges).static_order())


def loaded_after(code: str) -> set[str]:
    script = f"import sys\n{code}\nprint(*sorted(sys.modules), file=sys.stderr)"
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    return set(done.stderr.split())


def test_the_command_line_starts_light() -> None:
    loaded = loaded_after("import imgaudit.cli")
    assert "click" in loaded
    mine = {name for name in loaded if name.startswith("imgaudit")}
    assert mine == {"imgaudit", "imgaudit.boundary", "imgaudit.cli", "imgaudit.errors"}
    heavy = {"yaml", "tabulate", "elftools", "concurrent.futures", "hashlib", "difflib"}
    assert not loaded & heavy


def test_a_map_needs_no_reader_and_no_check(tmp_path: Path) -> None:
    layout = tmp_path / "layout.yaml"
    layout.write_text(
        "layout: 1\nboard: b\narch: arm64\n"
        "chips: {nor: {kind: spi-nor, size: 1 MiB, erase-block: 64 KiB}}\nregions: []\n"
    )
    loaded = loaded_after(
        f"from imgaudit.cli import main\ntry: main(['map', {str(layout)!r}])\n"
        "except SystemExit as end: assert end.code == 0"
    )
    assert "imgaudit.tasks.map" in loaded
    assert not {name for name in loaded if name.startswith(("imgaudit.formats", "imgaudit.rules"))}
    assert not loaded & {"elftools", "concurrent.futures", "lzallright"}


def test_an_audit_on_paper_loads_only_what_judges_the_map() -> None:
    layout = ROOT / "demo" / "whimbrel.yaml"
    loaded = loaded_after(
        f"from imgaudit.cli import main\ntry: main(['audit', {str(layout)!r}])\n"
        "except SystemExit as end: assert end.code == 0"
    )
    assert "imgaudit.rules.geometry.nor" in loaded
    mine = {name.removeprefix("imgaudit.") for name in loaded if name.startswith("imgaudit.")}
    readers = {name for name in mine if name.startswith("formats.") and holds(name, "READER")}
    families = {name for name in mine if name.startswith("rules.") and holds(name, "@check(")}
    assert not readers
    assert all(name.startswith("rules.geometry.") for name in families)
    assert not loaded & {"lzma", "elftools", "concurrent.futures", "imgaudit.contents.reader"}
    # One form is rendered, and it needs nothing of the others.
    forms = {name for name in mine if name.startswith("report.") and "._" not in name}
    assert forms == {"report.text"}
    assert not loaded & {"json", "html", "difflib", "tabulate"}


def holds(module: str, text: str) -> bool:
    return any(line.startswith(text) for line in KNOWN[module].read_text().splitlines())

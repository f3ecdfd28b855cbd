"""Who may import whom: from lower layers only, and from a sibling only what is `_private`."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

import imgaudit

LAYERS = (
    {"units", "errors"},
    {"model"},
    {"_keys", "layout", "formats", "files", "demo"},
    {"artifacts", "manifest"},
    {"compare"},
    {"build"},
    {"rescue", "dumps", "seal"},
    {"maps"},
    {"boot", "_sources"},
    {"subject", "draft"},
    {"checks"},
    {"audit"},
    {"explain", "readback"},
    {"report"},
    {"cli"},
    {"__main__"},
)
# A kernel's scan tries every decompressor: it asks the registry, not a sibling.
# `boot.stage` walks and plans what it gathered; `rescue.stage` surveys the ramdisk that it found,
# and `rescue.weigh` what it says.
# `collect` gathers what its siblings read; `inspect` and `readback` are made of the other two
# reports.
ALLOWED = {
    ("boot._found", "boot"),
    ("boot._images", "boot"),
    ("boot.stage", "boot"),
    ("formats._kernel", "formats"),
    ("maps.collect", "maps"),
    ("rescue.stage", "rescue"),
    ("rescue.weigh", "rescue"),
    ("report.follow", "report"),
    ("report.inspect", "report"),
    ("report.rescue", "report"),
    ("report.readback", "report"),
    ("report.weigh", "report"),
}
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


@pytest.mark.parametrize("name", [name for name in KNOWN if name])
def test_imports_go_down(name: str) -> None:
    own = name.partition(".")[0]
    for whole in imported(KNOWN[name]):
        other = whole.removeprefix("imgaudit").removeprefix(".")
        if not whole.startswith("imgaudit") or not other:
            continue
        top, _, module = other.partition(".")
        last = module or top
        private = last.startswith("_") or (own == top and (name, top) in ALLOWED)
        assert RANK[top] < RANK[own] or (RANK[top] == RANK[own] and private), (
            f"{name} imports {other}"
        )


def loaded_after(code: str) -> set[str]:
    script = f"import sys\n{code}\nprint(*sorted(sys.modules), file=sys.stderr)"
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    return set(done.stderr.split())


def test_the_command_line_starts_light() -> None:
    loaded = loaded_after("import imgaudit.cli")
    assert "click" in loaded
    ours = {name for name in loaded if name.startswith("imgaudit")}
    assert ours == {"imgaudit", "imgaudit.cli", "imgaudit.errors"}
    heavy = {"yaml", "tabulate", "elftools", "concurrent.futures", "hashlib", "difflib"}
    assert not loaded & heavy


def test_a_map_needs_no_reader_and_no_check(tmp_path: Path) -> None:
    layout = tmp_path / "layout.yaml"
    layout.write_text(
        "layout: 1\nboard: b\narch: arm64\n"
        "chips: {nor: {kind: spi-nor, size: 1 MiB, erase-block: 64 KiB}}\nregions: []\n"
    )
    loaded = loaded_after(
        f"from imgaudit.cli import main\nmain(['map', {str(layout)!r}], standalone_mode=False)"
    )
    assert "imgaudit.report.map" in loaded
    assert not {name for name in loaded if name.startswith(("imgaudit.formats", "imgaudit.checks"))}
    assert not loaded & {"elftools", "concurrent.futures", "lzallright"}


def test_an_audit_on_paper_loads_only_what_judges_the_map() -> None:
    layout = ROOT / "demo" / "whimbrel.yaml"
    loaded = loaded_after(
        f"from imgaudit.cli import main\ntry: main(['audit', {str(layout)!r}])\n"
        "except SystemExit as end: assert end.code == 0"
    )
    assert "imgaudit.checks.geometry.nor" in loaded
    ours = {name for name in loaded if name.startswith(("imgaudit.formats.", "imgaudit.checks."))}
    assert all("._" in name or ".geometry" in name for name in ours)
    assert not loaded & {"lzma", "elftools", "concurrent.futures", "imgaudit.artifacts"}

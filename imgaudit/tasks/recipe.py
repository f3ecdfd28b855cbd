"""What other repositories copy: jobs for CI, classes and scripts for build systems, the schema."""

from __future__ import annotations

import os

from imgaudit.errors import AuditError, close
from imgaudit.tasks.sections import Line, Lines, Report, Section, heading


def recipe(name: str | None = None) -> Report:
    """Give a file as it is to be copied, or list them all.

    Raises:
        AuditError: there is no such file.

    """
    files = {os.path.relpath(path, _folder()): path for path in _files()}
    if name is None:
        lines = tuple(
            line
            for path, file in sorted(files.items())
            for line in (Line(path, role="strong"), Line(_first(file), depth=6))
        )
        title = "What to copy: imgaudit recipe NAME"
        sections = (Section(heading(title), (Lines(lines),)),)
        return Report(command="recipe", title=title, sections=sections)
    if name not in files:
        raise AuditError(
            f"no recipe is called {name!r}{close(name, files)}; imgaudit recipe lists them"
        )
    with open(files[name], encoding="utf-8") as file:
        return Report(command="recipe", title=name, document=file.read())


def names() -> list[str]:
    """Name what there is to copy."""
    return sorted(os.path.relpath(path, _folder()) for path in _files())


def _folder() -> str:
    """Give the folder of a wheel, or of a checkout."""
    package = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))
    inside = os.path.join(package, "shared")
    return inside if os.path.isdir(inside) else os.path.join(os.path.dirname(package), "shared")


def _files() -> list[str]:
    return [
        os.path.join(folder, name)
        for folder, _, names in os.walk(_folder())
        for name in names
        if not name.startswith("__")
    ]


def _first(path: str) -> str:
    """Give the first sentence that is said, as far as its line goes."""
    with open(path, encoding="utf-8") as file:
        for line in file:
            text = line.strip("#!/ \n")
            if line.startswith("# ") and " " in text:
                return text.partition(". ")[0].rstrip(":,.")
    return "the layout's JSON Schema, for editors"

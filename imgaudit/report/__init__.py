"""One module per form of output, with `render(report, style) -> str`: a new file is a new form.

What begins with `_` is what they share.
"""

from __future__ import annotations

import importlib
import pkgutil

from imgaudit.report._style import PLAIN, Style
from imgaudit.tasks.sections import Report

__all__ = ["PLAIN", "Style", "forms", "render"]


def forms() -> list[str]:
    """Name the forms that there are."""
    names = (module.name for module in pkgutil.iter_modules(__path__))
    return [name.replace("_", "-") for name in names if not name.startswith("_")]


def render(form: str, report: Report, style: Style = PLAIN) -> str:
    """Give a report in one of the forms."""
    if report.document is not None and form == "text":
        return report.document
    module = importlib.import_module(f"{__name__}.{form.replace('-', '_')}")
    rendered: str = module.render(report, style)
    return rendered

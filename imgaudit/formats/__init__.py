"""One module per format. A module is a reader because its file is here and has a `READER`."""

from __future__ import annotations

import functools
import importlib
import pkgutil
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from imgaudit.formats.facts import Match, Reader
    from imgaudit.formats.view import View


@functools.cache
def readers() -> dict[str, Reader]:
    """Give every reader by its name, in alphabetical order.

    Raises:
        RuntimeError: two modules claim one name (a mistake in the program).

    """
    found: dict[str, Reader] = {}
    for module in sorted(pkgutil.iter_modules(__path__), key=lambda module: module.name):
        loaded = importlib.import_module(f"{__name__}.{module.name}")
        own = getattr(loaded, "READER", None)
        for reader in getattr(loaded, "READERS", ()) or ((own,) if own is not None else ()):
            if reader.name in found:
                raise RuntimeError(f"two readers are called {reader.name}")
            found[reader.name] = reader
    return found


def identify(view: View) -> list[tuple[Match, Reader]]:
    """Give the readers that know these bytes, the surest first."""
    matches = [(reader.match(view), reader) for reader in readers().values()]
    known = [(match, reader) for match, reader in matches if match]
    return sorted(known, key=lambda pair: (-pair[0], pair[1].name))

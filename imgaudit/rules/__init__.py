"""One module per family of checks; a check is known because its module is here."""

from __future__ import annotations

import functools
import importlib
import pkgutil
from collections.abc import Iterator
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from imgaudit.rules.engine import Check


# Beside all of geometry: what looks at erase blocks, sizes, and the dumps of a chip's own data.
_OF_CHIPS = ("chip_data", "erase", "filesystems", "gpt", "mbr")
_OF_MAPS = ("drift", "environment_place")
_OF_SCRIPTS = ("ram", "scripts")


@functools.cache
def checks() -> dict[str, Check]:
    """Give every check by its rule's name, in alphabetical order.

    Raises:
        RuntimeError: two rules share a name (a mistake in the program).

    """
    return _by_name([*_found_in(__name__), *_found_in(f"{__name__}.geometry")])


@functools.cache
def on_paper() -> dict[str, Check]:
    """Give the checks that need no artifact, without loading the others."""
    return _by_name(_found_in(f"{__name__}.geometry"))


@functools.cache
def of_maps() -> dict[str, Check]:
    """Give the checks that hold the copies of the map against the layout."""
    return _of(_OF_MAPS)


@functools.cache
def of_scripts() -> dict[str, Check]:
    """Give the checks that look at what U-Boot's scripts do."""
    return _of(_OF_SCRIPTS)


def _of(families: tuple[str, ...]) -> dict[str, Check]:
    modules = tuple(f"{__name__}.{name}" for name in families)
    return {name: it for name, it in checks().items() if it.run.__module__ in modules}


@functools.cache
def of_chips() -> frozenset[str]:
    """Name the checks whose answer depends on which of the approved parts is fitted."""
    modules = (f"{__name__}.geometry.", *(f"{__name__}.{name}" for name in _OF_CHIPS))
    return frozenset(
        name for name, check in checks().items() if check.run.__module__.startswith(modules)
    )


def _found_in(package: str) -> Iterator[Check]:
    from imgaudit.rules.engine import Check

    for module in pkgutil.iter_modules(importlib.import_module(package).__path__):
        if not module.name.startswith("_") and not module.ispkg:
            loaded = importlib.import_module(f"{package}.{module.name}")
            yield from (item for item in vars(loaded).values() if isinstance(item, Check))


def _by_name(found: Iterator[Check] | list[Check]) -> dict[str, Check]:
    named: dict[str, Check] = {}
    for check in found:
        if named.setdefault(check.rule.name, check) is not check:
            raise RuntimeError(f"two rules are called {check.rule.name}")
    return dict(sorted(named.items()))

"""Regular expressions that are compiled when the first text is held against them.

Most of those that a module has are not asked for in a short run. To a type checker they are those
of the standard library.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

__all__ = ["regex"]

if TYPE_CHECKING:
    from re import compile as regex
else:
    import re

    class regex:  # noqa: N801 - used as re.compile is
        """See re.compile; what is wrong with an expression shows when it is first used."""

        def __init__(self, pattern: str | bytes, flags: int = 0) -> None:
            self._asked = pattern, flags

        def __getattr__(self, name: str) -> Any:
            found = getattr(re.compile(*self._asked), name)
            setattr(self, name, found)
            return found

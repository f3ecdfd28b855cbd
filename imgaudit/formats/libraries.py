"""The decoders that come from packages which a build system may not have.

Without them what they would unpack is reported as not checked. Loaded where they are needed: zstd
takes 10 ms.
"""

from __future__ import annotations

import sys
from typing import Any

from imgaudit.errors import UnreadError


def zstd() -> Any:
    """Give the module for zstd.

    Raises:
        UnreadError: it is not installed.

    """
    try:
        if sys.version_info >= (3, 14):
            from compression import zstd as library
        else:
            from backports import zstd as library
    except ImportError:
        raise _missing("zstd", "backports.zstd") from None
    return library


def lzo() -> Any:
    """Give the module for LZO.

    Raises:
        UnreadError: it is not installed.

    """
    try:
        import lzallright as library
    except ImportError:
        raise _missing("LZO", "lzallright") from None
    return library


def _missing(what: str, package: str) -> UnreadError:
    return UnreadError(
        0, f"{what} cannot be unpacked here: the Python package {package} is missing"
    )

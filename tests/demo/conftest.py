from __future__ import annotations

import hashlib
import os
from pathlib import Path

import pytest

from imgaudit.formats.view import FileSource


def digests(folder: Path) -> dict[str, str]:
    """Hash every file with the places of its bytes; holes cost nothing."""
    found = {}
    for path in folder.iterdir():
        hashed = hashlib.sha256(path.stat().st_size.to_bytes(8))
        with path.open("rb") as file:
            for span in FileSource(file.fileno(), path.stat().st_size).data():
                hashed.update(span.start.to_bytes(8))
                hashed.update(os.pread(file.fileno(), span.size, span.start))
        found[path.name] = hashed.hexdigest()
    return found


@pytest.fixture(scope="session")
def sound(whimbrel: Path) -> dict[str, str]:
    """The digests of the sound build."""
    return digests(whimbrel)

from __future__ import annotations

import hashlib
import os
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from imgaudit.demo.build import build
from imgaudit.formats._view import FileSource


@pytest.fixture(scope="session")
def whimbrel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of the sound build; nothing may write into it."""
    return build(tmp_path_factory.mktemp("whimbrel")).parent


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


@pytest.fixture(scope="session")
def tool() -> Callable[..., str]:
    """Run a general tool: it must succeed, and what it says on both outputs is given."""

    def run(*words: str | Path, data: bytes | None = None) -> str:
        ran = subprocess.run(
            [str(word) for word in words], input=data, capture_output=True, check=False
        )
        said = (ran.stdout + ran.stderr).decode(errors="replace")
        assert ran.returncode == 0, said
        return said

    return run

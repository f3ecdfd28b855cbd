"""What every test shares: the oracles, the demo build, and hypothesis' two profiles."""

from __future__ import annotations

import gzip
import inspect
import os
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from hypothesis import HealthCheck, settings

from imgaudit.demo.build import build
from tests.rescue._ramdisk import INSTALLERS, QEMU

# Partitioning and file-system tools live outside an ordinary user's PATH on Debian.
os.environ["PATH"] += os.pathsep + "/usr/local/sbin:/usr/sbin:/sbin"

if "mix_stderr" in inspect.signature(CliRunner).parameters:
    # Before click 8.2, which always keeps the two apart.
    CliRunner.__init__.__defaults__ = ("utf-8", None, False, False)
    # What is asked of `output` may stand on either, as it does in newer ones.
    Result.output = property(lambda it: it.stdout + it.stderr)  # type: ignore[method-assign, assignment]

settings.register_profile(
    "short", max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.register_profile("long", parent=settings.get_profile("short"), max_examples=400)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "short"))


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--update-golden", action="store_true", help="write the reports' golden files anew"
    )


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out what needs the source trees where they are not said to be."""
    if "SOURCE_TREES" in os.environ:
        return
    away = [item for item in items if item.get_closest_marker("trees")]
    config.hook.pytest_deselected(items=away)
    items[:] = [item for item in items if not item.get_closest_marker("trees")]


@pytest.fixture(scope="session")
def whimbrel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of the sound build; nothing may write into it."""
    return build(tmp_path_factory.mktemp("whimbrel")).parent


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


Chroot = Callable[[str], list[str]]


@pytest.fixture(scope="session")
def chroot() -> Iterator[Chroot]:
    """Give, by architecture, the command that runs a program inside Debian's installer."""
    with tempfile.TemporaryDirectory() as folder:
        made: dict[str, list[str]] = {}

        def command(arch: str) -> list[str]:
            if arch not in made:
                top = Path(folder, arch)
                top.mkdir()
                subprocess.run(
                    ["cpio", "-id", "--quiet", "-f", "lib/modules/*", "lib/firmware/*", "dev/*"],
                    input=gzip.decompress(INSTALLERS[arch].read_bytes()),
                    check=True,
                    cwd=top,
                )
                shutil.copy(QEMU[arch], top / "qemu")
                made[arch] = ["chroot", str(top), "/qemu"]
            return made[arch]

        yield command

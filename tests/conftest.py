"""What every test shares: the search path of the oracles and hypothesis' two profiles."""

from __future__ import annotations

import os

import pytest
from hypothesis import HealthCheck, settings

# Partitioning and file-system tools live outside an ordinary user's PATH on Debian.
os.environ["PATH"] += os.pathsep + "/usr/local/sbin:/usr/sbin:/sbin"

settings.register_profile(
    "short", max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.register_profile("long", parent=settings.get_profile("short"), max_examples=400)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "short"))


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--update-golden", action="store_true", help="write the reports' golden files anew"
    )

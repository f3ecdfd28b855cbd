from __future__ import annotations

import struct
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from imgaudit.writers.env import environment

VARIABLES = {"bootcmd": "run recovery", "bootdelay": "2"}


# From tools/mkenvimage of U-Boot, run over the same two variables with -s 0x2000 -p 0.
@pytest.mark.parametrize(("flag", "checksum"), [(None, 0x0BDE672B), (1, 0x0AD27AE9)])
def test_checksums(flag: int | None, checksum: int) -> None:
    assert struct.unpack("<I", environment(VARIABLES, 0x2000, flag)[:4]) == (checksum,)


names = st.text("abcdefghijklmnopqrstuvwxyz_0123456789", min_size=1, max_size=12)
values = st.text("abc XYZ${}=;&|#'", min_size=1, max_size=30).filter(
    lambda text: text == text.strip()
)


@pytest.mark.oracle
@settings(
    max_examples=20, suppress_health_check=[HealthCheck.function_scoped_fixture]
)  # each example runs a program twice
@given(variables=st.dictionaries(names, values, min_size=1, max_size=6))
def test_mkenvimage_writes_the_same(
    variables: dict[str, str],
    tool: Callable[..., str],
    tmp_path: Path,
) -> None:
    source, image = tmp_path / "env.txt", tmp_path / "env.bin"
    source.write_text("".join(f"{name}={value}\n" for name, value in sorted(variables.items())))
    for flag, options in ((None, []), (1, ["-r"])):
        tool("mkenvimage", *options, "-s", "4096", "-p", "0", "-o", image, source)
        assert image.read_bytes() == environment(variables, 4096, flag)

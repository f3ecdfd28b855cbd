from __future__ import annotations

import pytest

from imgaudit.errors import FormatError
from imgaudit.formats import bzip2
from imgaudit.formats.facts import Match
from imgaudit.formats.view import View
from tests.formats._pieces import tool


@pytest.mark.oracle
@pytest.mark.parametrize("level", [1, 5, 9])
def test_reads_the_block_size(level: int) -> None:
    facts = bzip2.read(View.of(tool(f"bzip2 -{level} -c", b"level")))
    assert (facts.block_size, facts.empty) == (level * 100_000, False)


@pytest.mark.oracle
def test_tells_an_empty_stream() -> None:
    assert bzip2.read(View.of(tool("bzip2 -c", b""))).empty


@pytest.mark.parametrize("head", [b"BZh91AY&SX", b"BZh01AY&SY", b"BZh:1AY&SY", b"BZh"])
def test_the_magic_alone_is_not_enough(head: bytes) -> None:
    assert bzip2.match(View.of(head)) is Match.NO
    with pytest.raises(FormatError):
        bzip2.read(View.of(head))

"""What any bytes must come to: facts, or a FormatError with its offset."""

from __future__ import annotations

import contextlib
from collections.abc import Callable

from imgaudit.errors import FormatError, ImgauditError
from imgaudit.formats.facts import Reader
from imgaudit.formats.files import FileSystem, open_file
from imgaudit.formats.view import View


def surviving(reader: Reader) -> Callable[[bytes], None]:
    """Give what matches and reads bytes; what is read has a short summary."""

    def survives(data: bytes) -> None:
        view = View.of(data)
        reader.match(view)
        with contextlib.suppress(FormatError):
            assert len(reader.read(view).summary()) <= 60

    return survives


def survives_walk(reader: Reader, whole: bytes, at: int, new: bytes) -> None:
    """Read a file system in which some bytes are others, and the start of each of its files."""
    data = bytearray(whole)
    at %= len(data)
    data[at : at + len(new)] = new
    view = View.of(bytes(data))
    try:
        facts = reader.read(view)
    except FormatError:
        return
    assert isinstance(facts, FileSystem)
    for file in facts.files or ():
        with contextlib.suppress(ImgauditError):
            open_file(view, file).upto(0, 100)

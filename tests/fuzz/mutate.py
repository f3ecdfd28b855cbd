"""Change seeds as damage and malice do, and mend the sums, so that what lies behind is reached."""

from __future__ import annotations

import contextlib
import random
import struct
import zlib
from collections.abc import Sequence

from imgaudit.errors import ImgauditError
from imgaudit.formats import identify
from imgaudit.formats.view import View

_NUMBERS = (0, 1, 0x7F, 0x80, 0xFF, 0x7FFF, 0xFFFF, 1 << 31, (1 << 32) - 1, (1 << 31) - 1)
_ROUNDS = 2  # a sum may cover another one
_LARGEST = 8 << 20  # what is mended: reading it costs as much as the target itself


def mutated(data: bytes, dice: random.Random, others: Sequence[bytes]) -> bytes:
    """Give a seed with some changes; half of the time its sums are right again."""
    changed = bytearray(data)
    for _ in range(dice.choice((1, 1, 2, 4, 8))):
        _change(changed, dice, others)
    mend = dice.random() < 0.5 and len(changed) <= _LARGEST
    return mended(bytes(changed)) if mend else bytes(changed)


def _change(data: bytearray, dice: random.Random, others: Sequence[bytes]) -> None:
    way = dice.randrange(8)
    # Structures stand at the start: half of the changes are there.
    end = len(data) if dice.random() < 0.5 else min(len(data), 4096)
    at = dice.randrange(end + 1)
    if way == 0:
        data[at : at + 1] = bytes([dice.randrange(256)])
    elif way == 1:
        order, width = dice.choice(("little", "big")), dice.choice((2, 4, 8))
        value = dice.choice(_NUMBERS) & (1 << 8 * width) - 1
        data[at : at + width] = value.to_bytes(width, "little" if order == "little" else "big")
    elif way == 2:
        del data[at:]
    elif way == 3:
        del data[at : at + dice.randrange(1, 64)]
    elif way == 4:
        data[at:at] = data[at : at + dice.randrange(1, 512)] * dice.choice((1, 2, 16))
    elif way == 5:
        other = dice.choice(others)
        start = dice.randrange(len(other) + 1)
        data[at : at + 256] = other[start : start + 256]
    elif way == 6 and len(data) > 8:
        # A number that is one more or less, or that of another place: a link that leads elsewhere.
        width = dice.choice((1, 2, 4))
        place = dice.randrange(end // 4 + 1) * 4
        value = int.from_bytes(data[at : at + width], "little") + dice.choice((-1, 1, 8, 4096))
        new = (value % (1 << 8 * width)).to_bytes(width, "little")
        data[at : at + width] = dice.choice((new, bytes(data[place : place + width])))
    else:
        data[at : at + 4] = dice.choice((b"\0" * 4, b"\xff" * 4, b"\x1b[2J", b"\n::x", b"../a"))


def mended(data: bytes) -> bytes:
    """Write anew every sum that its reader finds wrong; what none takes is an environment's.

    An error of a reader that is not our own is left to the target, which meets it again.
    """
    with contextlib.suppress(Exception):
        for _ in range(_ROUNDS):
            again = _mended(data)
            if again == data:
                break
            data = again
    return data


def _mended(data: bytes) -> bytes:
    image = bytearray(data)
    known = identify(View.of(data))
    for _, reader in known:
        try:
            facts = reader.read(View.of(data))
        except ImgauditError:
            continue
        for item in facts.checksums:
            if item.matches is False and item.computed is not None:
                _write(image, item.offset, item.stored, item.computed)
        return bytes(image)
    if data[:4] == b"\x27\x05\x19\x56" and len(data) > 64:
        image[4:8] = bytes(4)
        image[4:8] = struct.pack(">I", zlib.crc32(image[:64]))
    elif len(image) > 8 and b"=" in image[:64]:
        start = 5 if image[4] < 2 else 4
        image[:4] = struct.pack("<I", zlib.crc32(image[start:]))
    return bytes(image)


def _write(image: bytearray, at: int, stored: str, computed: str) -> None:
    """Write a sum as the wrong one stands there: in its order of bytes, or as text."""
    text = image[at : at + len(stored)]
    if text.lower() == stored.encode():
        image[at : at + len(stored)] = computed.encode()
        return
    for step in (1, -1):
        old = bytes.fromhex(stored)[::step]
        if image[at : at + len(old)] == old and len(computed) == len(stored):
            image[at : at + len(old)] = bytes.fromhex(computed)[::step]
            return

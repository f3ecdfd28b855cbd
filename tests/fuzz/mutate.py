"""Change seeds as damage and malice do, and mend the sums, so that what lies behind is reached."""

from __future__ import annotations

import random
import struct
import zlib

_NUMBERS = (0, 1, 0x7F, 0x80, 0xFF, 0x7FFF, 0xFFFF, 1 << 31, (1 << 32) - 1, (1 << 31) - 1)


def mutated(data: bytes, dice: random.Random, others: list[bytes]) -> bytes:
    """Give a seed with some changes; half of the time its sums are right again."""
    changed = bytearray(data)
    for _ in range(dice.choice((1, 1, 2, 4, 8))):
        _change(changed, dice, others)
    return mended(bytes(changed)) if dice.random() < 0.5 else bytes(changed)


def _change(data: bytearray, dice: random.Random, others: list[bytes]) -> None:
    way = dice.randrange(7)
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
    else:
        data[at : at + 4] = dice.choice((b"\0" * 4, b"\xff" * 4, b"\x1b[2J", b"\n::x", b"../a"))


def mended(data: bytes) -> bytes:
    """Write the sums anew of what the bytes begin as: uImage, GPT, UBI, else an environment."""
    image = bytearray(data)
    if image[:4] == b"\x27\x05\x19\x56" and len(image) > 64:
        image[24:28] = struct.pack(">I", zlib.crc32(image[64:]))
        image[4:8] = bytes(4)
        image[4:8] = struct.pack(">I", zlib.crc32(image[:64]))
    elif image[512:520] == b"EFI PART" and len(image) >= 1024:
        (first,) = struct.unpack_from("<Q", image, 512 + 72)
        count, size = struct.unpack_from("<II", image, 512 + 80)
        if count * size <= len(image):
            entries = image[first * 512 : first * 512 + count * size]
            image[512 + 88 : 512 + 92] = struct.pack("<I", zlib.crc32(entries))
        image[512 + 16 : 512 + 20] = bytes(4)
        image[512 + 16 : 512 + 20] = struct.pack("<I", zlib.crc32(image[512 : 512 + 92]))
    elif image[:4] == b"UBI#" and len(image) >= 64:
        image[60:64] = struct.pack(">I", zlib.crc32(image[:60]) ^ 0xFFFFFFFF)
    elif image[:4].isascii() is False and len(image) > 8:
        image[:4] = struct.pack("<I", zlib.crc32(image[4:]))
    return bytes(image)

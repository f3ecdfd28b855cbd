"""The hashes of names by which ext3 and ext4 sort large directories.

Source: Linux fs/ext4/hash.c. All names of a directory are hashed at once: each is a lane of 64 bits
in one large number, of which the lower 32 are its own.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

LEGACY, HALF_MD4, TEA = range(3)
_SIZES = {HALF_MD4: 32, TEA: 16}
_WORD = 0xFFFFFFFF
_START = (0x67452301, 0xEFCDAB89, 0x98BADCFE, 0x10325476)
_END = 0x7FFFFFFF << 1
_STEPS = (
    (0, (3, 7, 11, 19), (0, 1, 2, 3, 4, 5, 6, 7)),
    (0x5A827999, (3, 5, 9, 13), (1, 3, 5, 7, 0, 2, 4, 6)),
    (0x6ED9EBA1, (3, 9, 11, 15), (3, 7, 2, 6, 1, 5, 0, 4)),
)
_DELTA = 0x9E3779B9
_MOST = 4096  # lanes in one number


def hashes(names: Sequence[bytes], version: int, seed: Sequence[int], *, signed: bool) -> list[int]:
    """Hash names as an index of `version` orders them, the lowest bit cleared.

    Args:
        names: at most 255 bytes each.
        version: LEGACY, HALF_MD4 or TEA.
        seed: four numbers, which count unless all are 0.
        signed: whether bytes from 0x80 on count as negative ones.

    """
    if version == LEGACY:
        return [_finished(_legacy(name, signed=signed)) for name in names]
    # Those of as many rounds go together.
    size = _SIZES[version]
    found = [0] * len(names)
    groups: dict[int, list[int]] = {}
    for index, name in enumerate(names):
        groups.setdefault(-(-len(name) // size), []).append(index)
    for rounds, members in groups.items():
        for start in range(0, len(members), _MOST):
            some = members[start : start + _MOST]
            values = _hashed([names[index] for index in some], version, seed, rounds, signed=signed)
            for index, value in zip(some, values, strict=True):
                found[index] = _finished(value)
    return found


def _finished(value: int) -> int:
    value &= ~1
    return _END - 2 if value == _END else value


def _hashed(
    names: list[bytes], version: int, seed: Sequence[int], rounds: int, *, signed: bool
) -> Iterable[int]:
    size = _SIZES[version]
    ones = sum(1 << 64 * lane for lane in range(len(names)))
    mask = ones * _WORD
    state = [value * ones for value in (seed if any(seed) else _START)]
    for number in range(rounds):
        rows = [_padded(name[number * size :], size, signed=signed) for name in names]
        words = [
            int.from_bytes(b"".join([row[at : at + 4] + b"\0\0\0\0" for row in rows]), "little")
            for at in range(0, size, 4)
        ]
        mix = _half_md4 if version == HALF_MD4 else _tea
        state = mix(state, words, ones, mask)
    result = state[1] if version == HALF_MD4 else state[0]
    data = result.to_bytes(8 * len(names), "little")
    return (int.from_bytes(data[at : at + 4], "little") for at in range(0, len(data), 8))


def _padded(rest: bytes, size: int, *, signed: bool) -> bytes:
    """Give little-endian words of a piece of a name; its length fills what is left."""
    pad = bytes([len(rest)])
    some = rest[:size]
    if signed and not some.isascii():
        return _signed(some, len(rest), size)
    whole = len(some) & ~3
    tail = some[whole:]
    data = some[:whole] + (tail.rjust(4, pad) if tail else b"")
    data = data.ljust(size, pad)
    out = bytearray(size)
    for lane in range(4):
        out[lane::4] = data[3 - lane :: 4]
    return bytes(out)


def _signed(some: bytes, length: int, size: int) -> bytes:
    pad = length * 0x01010101
    words = []
    for at in range(0, size, 4):
        value = pad
        for byte in some[at : at + 4]:
            value = (byte - 0x100 * (byte > 0x7F) + (value << 8)) & _WORD
        words.append(value.to_bytes(4, "little"))
    return b"".join(words)


def _half_md4(state: list[int], words: list[int], ones: int, mask: int) -> list[int]:
    now = list(state)
    for kind, (constant, turns, order) in enumerate(_STEPS):
        for step, word in enumerate(order):
            # a, d, c and b are changed in turn, each from the three others.
            at = -step % 4
            x, y, z = (now[(at + shift) % 4] for shift in (1, 2, 3))
            if kind == 0:
                mixed = z ^ (x & (y ^ z))
            elif kind == 1:
                mixed = (x & y) + ((x ^ y) & z)
            else:
                mixed = x ^ y ^ z
            value = (now[at] + mixed + words[word] + constant * ones) & mask
            turn = turns[step % 4]
            now[at] = (value << turn | value >> 32 - turn) & mask
    return [(old + new) & mask for old, new in zip(state, now, strict=True)]


def _tea(state: list[int], words: list[int], ones: int, mask: int) -> list[int]:
    one, other = state[0], state[1]
    for number in range(1, 17):
        total = (number * _DELTA & _WORD) * ones
        one = (one + _stirred(other, words[0], words[1], total, mask)) & mask
        other = (other + _stirred(one, words[2], words[3], total, mask)) & mask
    return [(state[0] + one) & mask, (state[1] + other) & mask, *state[2:]]


def _stirred(value: int, left: int, right: int, total: int, mask: int) -> int:
    # What a shift moves out of a lane lands between the lanes, where the mask has no bits.
    return (
        ((value << 4) + left & mask) ^ (value + total & mask) ^ ((value >> 5 & mask) + right & mask)
    )


def _legacy(name: bytes, *, signed: bool) -> int:
    one, other = 0x12A3FE2D, 0x37ABE8F9
    for byte in name:
        value = byte - 0x100 * (signed and byte > 0x7F)
        mixed = (other + (one ^ (value * 7152373 & _WORD))) & _WORD
        if mixed & 0x80000000:
            mixed = (mixed - 0x7FFFFFFF) & _WORD
        one, other = mixed, one
    return one << 1 & _WORD

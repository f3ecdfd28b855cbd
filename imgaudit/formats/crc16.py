"""The CRC-16 that ext4's group descriptors carry (Linux lib/crc/crc16.c: x^16 + x^15 + x^2 + 1)."""

from __future__ import annotations

_POLYNOMIAL = 0xA001  # bit-reflected


def _step(value: int) -> int:
    for _ in range(8):
        value = value >> 1 ^ (_POLYNOMIAL if value & 1 else 0)
    return value


_TABLE = tuple(_step(byte) for byte in range(256))


def crc16(data: bytes, start: int = 0xFFFF) -> int:
    """Compute the CRC from the register value `start`, without a final inversion."""
    value = start
    for byte in data:
        value = value >> 8 ^ _TABLE[(value ^ byte) & 0xFF]
    return value

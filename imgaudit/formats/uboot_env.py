"""The U-Boot environment as it is stored in flash.

A CRC-32 comes first and covers all that follows up to the end of the environment, whose size is
nowhere stored. Where two copies are kept, one flag byte that the CRC does not cover stands between.

Source: U-Boot include/env_internal.h (environment_s), env/common.c and tools/env/fw_env.c.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from typing import ClassVar, Literal, NamedTuple

from imgaudit.data import dataclass
from imgaudit.errors import FormatError, ImgauditError
from imgaudit.formats.environment import (
    Stray,
    Variable,
    duplicates,
    last_value,
    looks_like_variables,
    parse_block,
)
from imgaudit.formats.facts import Checksum, Facts, Match, Reader
from imgaudit.formats.view import View
from imgaudit.units import MIB, Span, counted, human

Kind = Literal["plain", "redundant"]
ByteOrder = Literal["little", "big"]

CRC_SIZE = 4
HEADERS: dict[Kind, int] = {"plain": CRC_SIZE, "redundant": CRC_SIZE + 1}
# Environments of 4 to 256 KiB are usual (common practice, no source); this is ample.
SIZE_LIMIT = MIB
_STEP = 512
_SMALLEST = 16
# Room for a first variable that is a whole script.
_HEAD = 8 << 10


@dataclass(frozen=True, kw_only=True)
class UbootEnv(Facts):
    """One copy of an environment.

    `size` is the whole environment with its header, `kind` and `byte_order` how its CRC is stored:
    proven where the checksum matches, else the best guess (None where nothing tells). `flag` is a
    redundant copy's byte. `blank` is the value of every byte, looked at up to 1 MiB, where all are
    the same. `end` is where the strings stop; `padding` is the value of every byte from there to
    the end of the environment, None where they differ or there are none.
    """

    format: ClassVar[str] = "uboot-env"

    view_size: int
    kind: Kind | None
    byte_order: ByteOrder | None
    size: int | None
    flag: int | None
    blank: int | None
    variables: tuple[Variable, ...]
    strays: tuple[Stray, ...]
    duplicates: tuple[str, ...]
    terminated: bool
    end: int
    padding: int | None

    @property
    def valid(self) -> bool:
        """Whether U-Boot would take it: the checksum matches."""
        return any(checksum.matches for checksum in self.checksums)

    @property
    def dropped(self) -> bool:
        """Whether U-Boot takes it and then drops it whole: a value has no name.

        Source: U-Boot lib/hashtable.c, himport_r; env/common.c, env_import.
        """
        return any(not variable.name and variable.value for variable in self.variables)

    def get(self, name: str) -> str | None:
        """Give a variable's value; the last one counts where there are several."""
        return last_value(self.variables, name)

    def summary(self) -> str:
        """Say how many variables there are, of which kind and size."""
        if self.blank is not None:
            return f"blank, {human(self.view_size)} of {self.blank:#04x}"
        count = counted(len(self.variables), "variable")
        size = "size unknown" if self.size is None else human(self.size)
        return f"{count}, {self.kind}, {size}"


def active(first: UbootEnv, second: UbootEnv) -> Literal[1, 2] | None:
    """Tell which of two redundant copies U-Boot loads; None where it takes neither.

    Source: U-Boot env/common.c, env_check_redund.
    """
    if not (first.valid and second.valid):
        return 1 if first.valid else 2 if second.valid else None
    one, two = first.flag or 0, second.flag or 0
    # The counter wraps: 0 follows 255.
    if {one, two} == {0, 255}:
        return 1 if one == 0 else 2
    return 2 if two > one else 1


def match(view: View) -> Match:
    """Recognise strings behind a CRC; be sure where the CRC proves a size."""
    try:
        head = view.upto(0, _HEAD)
        if not any(looks_like_variables(head[size:]) for size in HEADERS.values()):
            return Match.NO
        return Match.SURE if _prove(view.upto(0, SIZE_LIMIT), view.size) else Match.WEAK
    except ImgauditError:
        return Match.NO


def read(view: View) -> UbootEnv:
    """Read one copy, blank or not; the size, kind and byte order are found by trying.

    Raises:
        FormatError: too short, or neither a matching CRC nor any `name=value` string.

    """
    if view.size < _SMALLEST:
        raise FormatError(0, f"{view.size} bytes are too short for an environment")
    blank = _uniform(view.chunks(0, SIZE_LIMIT))
    if blank is not None:
        return _blank(view, blank)
    data = view.upto(0, SIZE_LIMIT)
    proof = _prove(data, view.size)
    doubts: tuple[str, ...] = ()
    kind: Kind
    byte_order: ByteOrder
    size: int | None
    if proof is not None:
        kind, byte_order, size = proof
    else:
        kind, byte_order = _guess(data), "little"
        size = view.size if view.size <= SIZE_LIMIT else None
        tried = (
            "No CRC-32 matches: plain and redundant headers, both byte orders, and every size that"
            f" is the whole content, a power of two from {_SMALLEST} bytes or a multiple of"
            f" {_STEP} bytes up to {len(data):,} bytes were tried."
        )
        doubts = (tried,)
    header = HEADERS[kind]
    body = data[header:size]
    block = parse_block(body, header)
    rest = data[block.end : size]
    return UbootEnv(
        length=size,
        offsets={"crc": 0, "data": header} | ({"flag": CRC_SIZE} if kind == "redundant" else {}),
        checksums=(
            Checksum(
                name="environment",
                algorithm="crc32",
                stored=f"{int.from_bytes(data[:CRC_SIZE], byte_order):08x}",
                computed=None if size is None else f"{zlib.crc32(body):08x}",
                offset=0,
                covers=Span(header, len(data) if size is None else size),
                why="the size is unknown" if size is None else "",
            ),
        ),
        doubts=doubts,
        view_size=view.size,
        kind=kind,
        byte_order=None if proof is None else byte_order,
        size=size,
        flag=data[CRC_SIZE] if kind == "redundant" else None,
        blank=None,
        variables=block.variables,
        strays=block.strays,
        duplicates=duplicates(block.variables),
        terminated=block.terminated,
        end=block.end,
        padding=_uniform(iter((rest,))),
    )


class _Proof(NamedTuple):
    kind: Kind
    byte_order: ByteOrder
    size: int


def _prove(data: bytes, view_size: int) -> _Proof | None:
    """Find the kind, byte order and size for which the CRC matches.

    The whole content is tried first. CRCs of all shorter sizes come out of one pass over the data.
    """
    stored: dict[int, ByteOrder] = {
        int.from_bytes(data[:CRC_SIZE], "big"): "big",
        int.from_bytes(data[:CRC_SIZE], "little"): "little",
    }
    powers = (1 << shift for shift in range(len(data).bit_length()))
    sizes = sorted({*range(_STEP, len(data) + 1, _STEP), *powers, len(data)})
    found = []
    for kind, header in HEADERS.items():
        crc, at = 0, header
        for size in sizes:
            if size < _SMALLEST:
                continue
            crc, at = zlib.crc32(data[at:size], crc), size
            if crc in stored:
                found.append(_Proof(kind, stored[crc], size))
    return next((proof for proof in found if proof.size == view_size), found[0] if found else None)


def _guess(data: bytes) -> Kind:
    """Tell by the text alone where the strings start."""
    plain, redundant = (looks_like_variables(data[size:]) for size in HEADERS.values())
    if not plain and not redundant:
        raise FormatError(CRC_SIZE, "neither a matching CRC-32 nor a name=value string")
    return "plain" if plain else "redundant"


def _uniform(pieces: Iterator[bytes]) -> int | None:
    """Give the value that all bytes have; None where they differ or there are none."""
    value: int | None = None
    for piece in pieces:
        if not piece:
            continue
        value = piece[0] if value is None else value
        if piece.count(value) != len(piece):
            return None
    return value


def _blank(view: View, value: int) -> UbootEnv:
    return UbootEnv(
        view_size=view.size,
        kind=None,
        byte_order=None,
        size=None,
        flag=None,
        blank=value,
        variables=(),
        strays=(),
        duplicates=(),
        terminated=False,
        end=0,
        padding=value,
    )


READER = Reader(
    name="uboot-env",
    title="U-Boot environment",
    source="U-Boot include/env_internal.h, env/common.c",
    match=match,
    read=read,
)

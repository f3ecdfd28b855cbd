"""The cpio archive of a ramdisk, read as the Linux kernel reads it.

Source: Linux Documentation/driver-api/early-userspace/buffer-format.rst and init/initramfs.c.
The kernel takes the SVR4 formats without (070701) and with (070702) a sum of the data; the older
POSIX.1 (070707) and binary formats are recognised so that their refusal can be reported.
"""

from __future__ import annotations

import binascii
import enum
import stat
import struct
from typing import ClassVar, Literal, NamedTuple

from imgaudit.data import dataclass
from imgaudit.errors import FormatError
from imgaudit.formats.facts import Checksum, Facts, Match, Part, Reader
from imgaudit.formats.view import CHUNK, View
from imgaudit.units import Span, counted, human, round_up

HEADER = 110
PATH_MAX = 4096  # include/uapi/linux/limits.h: the kernel skips longer names and link targets
SEGMENTS = 1 << 10  # real ramdisks are made of two or three archives
_PADDING = 512  # what stands between two archives is as a rule no more
ENTRIES = 1 << 16  # some twenty times a large ramdisk; keeps a hostile archive within seconds
NAME_BYTES = 16 << 20  # as above, for memory: names and link targets together
TRAILER = b"TRAILER!!!"

_KINDS: dict[bytes, Kind] = {b"070701": "newc", b"070702": "crc"}
Kind = Literal["newc", "crc", "odc", "binary"]
StopKind = Literal["cut", "header", "name", "magic", "padding", "odc", "cap"]
Filler = Literal["zero", "ff", "other"]


class KernelWords(enum.StrEnum):
    """What Linux says of an archive that it refuses (init/initramfs.c)."""

    HEADER = "no cpio magic"
    ODC = "incorrect cpio method used: use -H newc option"
    NAME = "malformed archive"
    PADDING = "broken padding"
    MAGIC = "invalid magic at start of compressed archive"
    JUNK_INSIDE = "junk within compressed archive"


class Entry(NamedTuple):
    """One member. A named tuple, for there can be hundreds of thousands.

    `offset` is that of the header, `data` that of the contents, both from the start of the view;
    `size` may reach past its end. `name` is empty where the stored one is empty or longer than
    PATH_MAX. `target` is what a symbolic link holds. `check` is the stored sum (0 in 070701).
    """

    name: str
    mode: int
    uid: int
    gid: int
    nlink: int
    mtime: int
    size: int
    ino: int
    dev: tuple[int, int]
    rdev: tuple[int, int]
    check: int
    name_size: int
    offset: int
    data: int
    target: str

    @property
    def end(self) -> int:
        """Offset after the contents and their padding."""
        return round_up(self.data + self.size, 4)


@dataclass(frozen=True, slots=True)
class Segment:
    """One archive: the members `entries[first:last]`, up to and with its trailer.

    `trailer` is the offset of its `TRAILER!!!`, None where there is none (the grammar allows it);
    `padding` counts the NULs that follow it.
    """

    kind: Kind
    offset: int
    length: int
    first: int
    last: int
    trailer: int | None
    padding: int


@dataclass(frozen=True, slots=True)
class Stop:
    """Why reading ended before the data did; `kernel` is the kernel's own message, if any."""

    kind: StopKind
    offset: int
    why: str
    kernel: str = ""


@dataclass(frozen=True, slots=True)
class Trailing:
    """What follows the last member to the end of the view.

    `kind` says what all bytes are; `other` starts at the first byte that is not NUL, and may be a
    further archive, compressed.
    """

    offset: int
    length: int
    kind: Filler


@dataclass(frozen=True, kw_only=True)
class CpioFacts(Facts):
    """Members of every archive in the view, without the trailers.

    `refusal` is the kernel's message for a kind that it does not take; there are no entries then.
    `checksums` hold one sum for each regular file of a 070702 archive.
    """

    format: ClassVar[str] = "cpio"

    kind: Kind
    entries: tuple[Entry, ...] = ()
    segments: tuple[Segment, ...] = ()
    stop: Stop | None = None
    trailing: Trailing | None = None
    refusal: str = ""

    @property
    def content_size(self) -> int:
        """Bytes of all regular files as stored."""
        return sum(entry.size for entry in self.entries if stat.S_ISREG(entry.mode))

    def parts(self) -> tuple[Part, ...]:
        """Give what follows the archives, where it is neither NUL nor 0xFF."""
        if self.trailing is None or self.trailing.kind != "other":
            return ()
        return (Part("after the archive", self.trailing.offset, self.trailing.length),)

    def summary(self) -> str:
        """Say how many members and how much they hold."""
        if self.refusal:
            return f"{self.kind} archive, which the kernel refuses"
        many = "" if len(self.segments) == 1 else f" in {len(self.segments)} archives"
        entries = counted(len(self.entries), "entry", "entries")
        return f"{entries}{many}, {human(self.content_size)} of files"


def text(data: bytes) -> str:
    """Decode a name; bytes that are not UTF-8 show as hex escapes."""
    return data.decode("utf-8", "backslashreplace")


def match(view: View) -> Match:
    """Tell from the first header."""
    head = view.upto(0, HEADER + PATH_MAX)
    if head[:6] in _KINDS:
        try:
            name_size = _fields(head)[11]
        except ValueError:
            return Match.WEAK
        whole = 0 < name_size <= len(head) - HEADER and head[HEADER + name_size - 1] == 0
        return Match.SURE if whole else Match.GOOD
    if head[:6] == b"070707":
        return Match.GOOD if _is_octal(head[6:76]) else Match.WEAK
    return Match.GOOD if _is_binary(head) else Match.NO


def read(view: View) -> CpioFacts:
    """Read every archive from the start of the view.

    Raises:
        FormatError: the first header is not that of a cpio archive.

    """
    head = view.upto(0, HEADER)
    if head[:6] == b"070707":
        return CpioFacts(kind="odc", refusal=KernelWords.ODC, offsets={"magic": 0})
    if _is_binary(view.upto(0, 26 + PATH_MAX)):
        return CpioFacts(kind="binary", refusal=KernelWords.MAGIC, offsets={"magic": 0})
    if head[:6] not in _KINDS:
        raise FormatError(0, KernelWords.HEADER)
    if len(head) < HEADER:
        raise FormatError(0, f"a header has {HEADER} bytes, {len(head)} are left")
    try:
        _fields(head)
    except ValueError:
        raise FormatError(6, "the header holds something else than hex digits") from None
    return _Walk(view).run()


def _fields(header: bytes) -> tuple[int, ...]:
    """Decode the 13 numbers of a header; ValueError where they are not hex or cut."""
    return struct.unpack_from(">13I", binascii.unhexlify(header[6:HEADER]).ljust(52, b"\0"))


def _is_octal(data: bytes) -> bool:
    return bool(data) and all(0x30 <= byte <= 0x37 for byte in data)


def _is_binary(head: bytes) -> bool:
    """Tell the 16-bit format of either byte order by its magic, 070707 octal, and its name."""
    order = {b"\xc7\x71": "<", b"\x71\xc7": ">"}.get(head[:2])
    if order is None or len(head) < 26:
        return False
    (name_size,) = struct.unpack_from(order + "H", head, 20)
    name = head[26 : 26 + name_size]
    return (
        1 < name_size <= PATH_MAX and len(name) == name_size and name.find(b"\0") == len(name) - 1
    )


class _HaltError(Exception):
    """Ends a walk; the stop is a fact, so this never leaves the module."""

    def __init__(self, kind: StopKind, offset: int, why: str, kernel: str = "") -> None:
        super().__init__(why)
        self.stop = Stop(kind, offset, why, kernel)


class _Walk:
    """The kernel's state machine over one view."""

    def __init__(self, view: View) -> None:
        self.view = view
        self.entries: list[Entry] = []
        self.segments: list[Segment] = []
        self.checksums: list[Checksum] = []
        self.kind: Kind = _KINDS[view.bytes(0, 6)]
        self.start: int | None = None  # of the archive that is open
        self.first = 0
        self.kept = 0

    def run(self) -> CpioFacts:
        kind = self.kind
        stop = None
        at: int | None = 0
        try:
            while at is not None:
                at = self._step(at)
        except _HaltError as halt:
            stop = halt.stop
        if self.start is not None and self.first < len(self.entries):
            self._close(min(self.entries[-1].end, self.view.size), None)
        length = self.segments[-1].offset + self.segments[-1].length if self.segments else 0
        return CpioFacts(
            kind=kind,
            length=length,
            offsets={"magic": 0},
            checksums=tuple(self.checksums),
            entries=tuple(self.entries),
            segments=tuple(self.segments),
            stop=stop,
            trailing=None if stop else trailing(self.view, length),
        )

    def _step(self, at: int) -> int | None:
        """Read the member or the padding at `at`; give where to go on, None at the end."""
        head = self.view.upto(at, HEADER + 256)
        if not head:
            return None
        if head[0] == 0:
            at += _nuls(self.view, at)
            if self.view.upto(at, 1) != b"0":
                return None
            if at % 4:
                raise _HaltError("padding", at, "the archive is not 4-aligned", KernelWords.PADDING)
            return at
        if head[0] != 0x30:
            return None
        kind = _KINDS.get(head[:6])
        if kind is None:
            if head[:6] == b"070707":
                raise _HaltError("odc", at, "a header of the POSIX.1 format", KernelWords.ODC)
            if len(head) >= 6:
                raise _HaltError("magic", at, "not a header", KernelWords.HEADER)
        if kind is None or len(head) < HEADER:
            raise _HaltError("cut", at, f"a header has {HEADER} bytes, {len(head)} are left")
        if self.start is None:
            self.start, self.kind = at, kind
        return self._member(at, head, kind)

    def _member(self, at: int, head: bytes, kind: Kind) -> int | None:
        try:
            fields = _fields(head)
        except ValueError:
            raise _HaltError("header", at, "the header is not all hex digits") from None
        ino, mode, uid, gid, nlink, mtime, size, major, minor, rmajor, rminor, name_size, check = (
            fields
        )
        data = round_up(at + HEADER + name_size, 4)
        end = round_up(data + size, 4)
        name = target = ""
        if 0 < name_size <= PATH_MAX:
            raw = head[HEADER : HEADER + name_size]
            if len(raw) < name_size:
                raw = self.view.upto(at + HEADER, name_size)
            if len(raw) < name_size:
                raise _HaltError("cut", at, "the name runs past the end of the data")
            if raw[-1]:
                raise _HaltError("name", at, "the name does not end in NUL", KernelWords.NAME)
            raw = raw.partition(b"\0")[0]
            if raw == TRAILER:
                if len(self.segments) >= SEGMENTS:
                    raise _HaltError("cap", at, f"more than {SEGMENTS} archives follow another")
                self._close(min(end, self.view.size), at)
                return end
            name = text(raw)
            if stat.S_ISLNK(mode) and size <= PATH_MAX:
                target = text(self.view.upto(data, size).partition(b"\0")[0])
            self.kept += len(raw) + len(target)
        if len(self.entries) >= ENTRIES or self.kept > NAME_BYTES:
            raise _HaltError("cap", at, f"entry cap reached: {len(self.entries):,} were read")
        entry = Entry(
            name=name,
            mode=mode,
            uid=uid,
            gid=gid,
            nlink=nlink,
            mtime=mtime,
            size=size,
            ino=ino,
            dev=(major, minor),
            rdev=(rmajor, rminor),
            check=check,
            name_size=name_size,
            offset=at,
            data=data,
            target=target,
        )
        self.entries.append(entry)
        if kind == "crc" and stat.S_ISREG(mode):
            self._sum(entry)
        if data + size > self.view.size:
            raise _HaltError("cut", at, "the contents run past the end of the data")
        return end

    def _close(self, end: int, trailer: int | None) -> None:
        start = end if self.start is None else self.start
        segment = Segment(
            kind=self.kind,
            offset=start,
            length=end - start,
            first=self.first,
            last=len(self.entries),
            trailer=trailer,
            padding=_nuls(self.view, end),
        )
        self.segments.append(segment)
        self.start, self.first = None, len(self.entries)

    def _sum(self, entry: Entry) -> None:
        covers = Span.sized(entry.data, entry.size)
        computed, why = None, "the contents are cut"
        if covers.end <= self.view.size:
            total = sum(sum(chunk) for chunk in self.view.chunks(covers.start, covers.end))
            computed, why = f"{total & 0xFFFFFFFF:08x}", ""
        self.checksums.append(
            Checksum(
                name=f"data of {entry.name}",
                algorithm="sum of bytes, 32 bits",
                stored=f"{entry.check:08x}",
                computed=computed,
                offset=entry.offset + HEADER - 8,
                covers=covers,
                why=why,
            )
        )


def _nuls(view: View, at: int) -> int:
    """Count the NULs from `at`."""
    count, step = 0, _PADDING
    while chunk := view.upto(at + count, step):
        rest = chunk.lstrip(b"\0")
        count += len(chunk) - len(rest)
        if rest:
            break
        step = CHUNK
    return count


def trailing(view: View, length: int) -> Trailing | None:
    """Tell what follows the first `length` bytes; None where nothing does."""
    if length >= view.size:
        return None
    at = length + _nuls(view, length)
    if at == view.size:
        return Trailing(length, at - length, "zero")
    blank = all(chunk.count(b"\xff") == len(chunk) for chunk in view.chunks(at))
    return Trailing(at, view.size - at, "ff" if blank else "other")


READER = Reader(
    name="cpio",
    title="cpio archive of a ramdisk",
    source="Linux Documentation/driver-api/early-userspace/buffer-format.rst",
    match=match,
    read=read,
)

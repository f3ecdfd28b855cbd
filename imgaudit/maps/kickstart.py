"""`.wks`: how OpenEmbedded's wic lays out a disk, a line for each partition.

Source: openembedded-core scripts/lib/wic/ksparser.py and plugins/imager/direct.py
(`layout_partitions`). What a partition holds decides its size unless --fixed-size says it, so most
places are known up to the first that does not.
"""

from __future__ import annotations

import re
import shlex

from imgaudit.errors import FormatError
from imgaudit.maps.entry import Kind, MapCopy, MapEntry, Medium, Written
from imgaudit.patterns import regex
from imgaudit.units import round_up

MAX_LINES = 4096
MAX_LINE = 4096  # characters
_SECTOR = 512
_OVERHEAD = {"msdos": 1, "gpt": 34}
_UNITS = {"s": _SECTOR, "k": 1 << 10, "K": 1 << 10, "M": 1 << 20, "G": 1 << 30}
_SIZE = regex(r"([0-9]{1,18})([skKMG]?)")
_FLAGS = frozenset({"--active", "--no-table", "--use-uuid", "--use-label", "--hidden"})
_HOLDS = {"vfat": "fat", "msdos": "fat", **{name: name for name in ("ext2", "ext3", "ext4")}}
_HOLDS |= {name: name for name in ("btrfs", "erofs", "squashfs", "swap")}
_COMMANDS = frozenset({"part", "partition", "bootloader", "include"})


def copies(text: str) -> tuple[MapCopy, ...]:
    """Give the map of the disk that a file describes.

    Raises:
        FormatError: a line is no command of it; `offset` counts characters.

    """
    parts: list[tuple[Written, str, dict[str, str]]] = []
    ptable = "msdos"
    at = 0
    for number, line in enumerate(text.split("\n"), 1):
        start, stripped = at, line.strip()
        at += len(line) + 1
        if not stripped or stripped.startswith("#"):
            continue
        if number > MAX_LINES:
            raise FormatError(start, f"more than {MAX_LINES:,} lines")
        command, point, options = _words(stripped, start)
        if command == "bootloader":
            ptable = options.get("--ptable", ptable)
        elif command in {"part", "partition"}:
            written = Written(text=stripped, line=number, offset=start)
            parts.append((written, point, options))
    ptable = {"gpt-hybrid": "gpt"}.get(ptable, ptable)
    if ptable not in _OVERHEAD:
        raise FormatError(0, f"no partition table is called {ptable}")
    entries = tuple(_entries(parts, ptable))
    disk = next((options["--ondisk"] for _, _, options in parts if "--ondisk" in options), "disk")
    table = "mbr" if ptable == "msdos" else ptable
    copy = MapCopy(
        kind=Kind.DISK_DESCRIPTION, device=disk, entries=entries, medium=Medium.MMC, table=table
    )
    return (copy,) if entries else ()


def _words(line: str, at: int) -> tuple[str, str, dict[str, str]]:
    # Told before the line is taken apart, which is slow: most files that are asked are none.
    command = line.split(None, 1)[0]
    if command not in _COMMANDS:
        raise FormatError(at, f"{command[:40]!r} is no command of a .wks file")
    if len(line) > MAX_LINE:
        raise FormatError(at, f"a line of {len(line):,} characters")
    try:
        _, *words = shlex.split(line)
    except ValueError as problem:
        raise FormatError(at, "a quote that does not end") from problem
    options: dict[str, str] = {}
    point = ""
    rest = iter(words)
    for word in rest:
        name, equals, value = word.partition("=")
        if not name.startswith("--"):
            point = point or word
        elif equals or name in _FLAGS:
            options[name] = value
        else:
            options[name] = next(rest, "")
    if "--ondrive" in options:
        options.setdefault("--ondisk", options["--ondrive"])
    return command, point, options


def _entries(parts: list[tuple[Written, str, dict[str, str]]], ptable: str) -> list[MapEntry]:
    listed = sum("--no-table" not in options for _, _, options in parts)
    now: int | None = _OVERHEAD[ptable] * _SECTOR
    found = []
    number = 0
    for written, point, options in parts:
        inside = "--no-table" not in options
        number += inside
        logical = ptable == "msdos" and listed > 4 and number > 3
        if logical and now is not None:
            now += _SECTOR
        align = _size(options.get("--align"), "k") or 0
        if align and now is not None:
            now = round_up(now, align)
        if "--offset" in options:
            now = _size(options["--offset"], "k")
        size = _size(options.get("--fixed-size"), "M")
        realnum = number + 1 if logical else number
        found.append(
            MapEntry(
                label=_label(point, options, number),
                offset=now,
                size=size,
                at=written,
                number=realnum if inside else None,
                holds=_HOLDS.get(options.get("--fstype", "")),
                file=_file(options),
                named=inside and ptable == "gpt" and bool(_name(options)),
            )
        )
        now = None if now is None or size is None else now + size
    return found


def _name(options: dict[str, str]) -> str:
    return options.get("--part-name") or options.get("--label") or ""


def _label(point: str, options: dict[str, str], number: int) -> str:
    return _name(options) or point.strip("/") or ("root" if point == "/" else f"part{number}")


def _file(options: dict[str, str]) -> str | None:
    """Give the file that a raw copy takes."""
    found = re.search(r"(?:^|,)file=([^,]+)", options.get("--sourceparams", ""))
    return found[1] if found is not None else None


def _size(text: str | None, unit: str) -> int | None:
    """Read a size; without a letter it is in `unit`."""
    found = _SIZE.fullmatch(text or "")
    return None if found is None else int(found[1]) * _UNITS[found[2] or unit]

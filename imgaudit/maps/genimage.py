"""`genimage.cfg`: where genimage puts each partition of a disk or a flash.

Source: genimage's README.rst and its config.c, util.c (`strtoul_suffix`), image-hd.c and
image-flash.c. The language is libconfuse's: sections, `name = value`, and comments as in C and sh.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import field, replace

from imgaudit.data import dataclass
from imgaudit.errors import FormatError
from imgaudit.maps.entry import Kind, MapCopy, MapEntry, Medium, Written
from imgaudit.patterns import regex
from imgaudit.units import round_down, round_up

MAX_SECTIONS = 4096
MAX_DEPTH = 16
MAX_INCLUDES = 10  # in each other, as in libconfuse; and 64 in all
_MOST_FILES = 64
_SECTOR = 512
_GPT_SECTORS = 33
_UNITS = {"": 1, "k": 1 << 10, "K": 1 << 10, "M": 1 << 20, "G": 1 << 30, "s": _SECTOR}
_SIZE = regex(r"(0[xX][0-9a-fA-F]{1,16}|0[0-7]{0,22}|[1-9][0-9]{0,18})([kKMGs]?)")
_TOKEN = regex(
    r"""\s+|\#[^\n]*|//[^\n]*|/\*.*?(?:\*/|\Z)"""
    r"""|(?P<text>"(?:[^"\\]|\\.)*"|'(?:[^'\\]|\\.)*')|(?P<mark>\+=|[{}=(),])"""
    r"""|(?P<word>[^\s"'{}=(),+#]+)|(?P<stray>.)""",
    re.DOTALL,
)


Read = Callable[[str], str | None]
"""Gives the text of a file that another includes; None where it cannot be had."""


@dataclass(slots=True)
class Section:
    """A section: its kind, its title, what it sets, and the sections in it; `line` from 1.

    `missing` are the included files that were not read, of the whole.
    """

    kind: str
    title: str
    line: int
    options: dict[str, str] = field(default_factory=dict)
    inner: list[Section] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)

    def first(self, kind: str) -> Section | None:
        """Give the first inner section of a kind."""
        return next((section for section in self.inner if section.kind == kind), None)

    def yes(self, name: str, *, default: bool = False) -> bool:
        """Give a truth value, as libconfuse reads it."""
        text = self.options.get(name)
        return default if text is None else text.lower() in {"true", "yes", "on"}


def parse(text: str, read: Read | None = None) -> Section:
    """Read a configuration: a section that holds all others. `read` gives included files.

    Raises:
        FormatError: it is none; `offset` counts characters.

    """
    return _Parser(text, read or (lambda _: None), []).parse()


def copies(
    text: str, sizes: Mapping[str, int] | None = None, read: Read | None = None
) -> tuple[MapCopy, ...]:
    """Give a copy of the map for each disk and flash that the configuration makes.

    `sizes` are the bytes of images that are at hand, by their names. Where `read` cannot give what
    is included, the copies are partial, with a note.

    Raises:
        FormatError: it is no configuration.

    """
    whole = parse(text, read)
    images = [section for section in whole.inner if section.kind == "image"]
    flashes = {section.title: section for section in whole.inner if section.kind == "flash"}
    known = dict(sizes or {})
    for image in images:
        size = size_of(image.options.get("size"))
        if size is not None and image.first("hdimage") is None:
            known.setdefault(image.title, size)
    found = []
    for image in images:
        disk = image.first("hdimage")
        if disk is not None:
            found.append(_disk(image, disk, known))
        elif image.first("flash") is not None:
            found.append(_flash(image, flashes.get(image.options.get("flashtype", ""))))
    notes = tuple(f"what it includes from {name} is not known" for name in whole.missing)
    return tuple(replace(copy, notes=notes, partial=bool(notes)) for copy in found if copy.entries)


def size_of(text: str | None) -> int | None:
    """Read a size with its unit; None for a share, for nothing, and for what is no size."""
    found = _SIZE.fullmatch(text or "")
    if found is None:
        return None
    digits = found[1]
    octal = digits.startswith("0") and digits.isdigit()
    return int(digits, 8 if octal else 0) * _UNITS[found[2]]


def _disk(image: Section, disk: Section, known: Mapping[str, int]) -> MapCopy:
    table = _table(disk)
    align = size_of(disk.options.get("align")) or (_SECTOR if table != "none" else 1)
    now: int | None = 0 if table == "none" else _SECTOR
    if "gpt" in table or table == "hybrid":
        location = size_of(disk.options.get("gpt-location")) or 2 * _SECTOR
        now = location + (_GPT_SECTORS - 1) * _SECTOR
    parts = [section for section in image.inner if section.kind == "partition"]
    listed = [part for part in parts if part.yes("in-partition-table", default=True)]
    logical_from = _extended(disk, table, len(listed))
    whole = size_of(image.options.get("size"))
    entries = []
    count = primary = logicals = 0
    for part in parts:
        inside = table != "none" and part.yes("in-partition-table", default=True)
        count += inside
        # The container of the logical ones takes a number as well.
        primary += inside and count == logical_from
        logical = inside and 0 < logical_from <= count and not part.yes("forced-primary")
        logicals += logical
        primary += inside and not logical
        number = 4 + logicals if logical else primary
        own = size_of(part.options.get("align")) or (align if inside or table == "none" else 1)
        offset = size_of(part.options.get("offset")) or 0
        start: int | None = offset
        if logical and now is not None:
            now = round_up(now + align, own)
        if not offset and (inside or table == "none"):
            start = None if now is None else round_up(now, own)
        size = _size(part, known, own)
        if part.yes("autoresize"):
            left = None if whole is None or start is None else whole - start
            spare = _GPT_SECTORS * _SECTOR if table in {"gpt", "hybrid"} else 0
            size = None if left is None else max(0, round_down(max(0, left - spare), own)) or None
        entry = _entry(part, number if inside else None, table)
        entries.append(replace(entry, offset=start, size=size))
        end = None if start is None or size is None else start + size
        now = None if end is None or now is None else max(now, end)
    return MapCopy(
        kind=Kind.DISK_DESCRIPTION,
        device=image.title,
        entries=tuple(entries),
        medium=Medium.MMC,
        table=table,
    )


def _table(disk: Section) -> str:
    table = disk.options.get("partition-table-type", "mbr")
    if "partition-table" in disk.options:
        table = "mbr" if disk.yes("partition-table") else "none"
    if "gpt" in disk.options:
        table = "gpt" if disk.yes("gpt") else "mbr"
    return "mbr" if table == "dos" else table


def _extended(disk: Section, table: str, listed: int) -> int:
    """Give the number of the first logical partition's place in the list; 0 where there is none."""
    given = size_of(disk.options.get("extended-partition")) or 0
    if table != "mbr":
        return 0
    return given or (4 if listed > 4 else 0)


def _size(part: Section, known: Mapping[str, int], align: int) -> int | None:
    size = size_of(part.options.get("size"))
    if size or "size" in part.options:
        return size or None
    image = known.get(part.options.get("image", ""))
    return None if image is None else round_up(image, align)


def _entry(part: Section, number: int | None, table: str) -> MapEntry:
    """Say all of a partition but where it is."""
    at = Written(text=f"partition {part.title}", line=part.line)
    return MapEntry(
        label=part.title,
        offset=None,
        size=None,
        at=at,
        number=number,
        file=part.options.get("image"),
        # Only a GPT has room for the name.
        named=table in {"gpt", "hybrid"} and number is not None,
    )


def _flash(image: Section, kind: Section | None) -> MapCopy:
    block = size_of(kind.options.get("pebsize")) if kind is not None else None
    count = size_of(kind.options.get("numpebs")) if kind is not None else None
    whole = None if block is None or count is None else block * count
    entries = []
    now: int | None = 0
    for part in image.inner:
        if part.kind != "partition":
            continue
        start = size_of(part.options.get("offset")) or now
        size = size_of(part.options.get("size")) or None
        if size is None and whole is not None and start is not None and whole > start:
            size = whole - start
        entries.append(
            MapEntry(
                label=part.title,
                offset=start,
                size=size,
                at=Written(text=f"partition {part.title}", line=part.line),
                file=part.options.get("image"),
                named=False,
            )
        )
        now = None if start is None or size is None else start + size
    nand = bool(re.search("nand", image.options.get("flashtype", "")))
    return MapCopy(
        kind=Kind.DISK_DESCRIPTION,
        device=image.title,
        entries=tuple(entries),
        medium=Medium.NAND if nand else Medium.UNKNOWN,
    )


class _Parser:
    def __init__(self, text: str, read: Read, within: list[str]) -> None:
        self.text, self.read, self.within = text, read, within
        self.missing: list[str] = []
        self.files = 0
        self.tokens = self.split()
        self.sections = 0

    def split(self) -> Iterator[tuple[str, str, int]]:
        """Give the kind, text and place of each token."""
        for found in _TOKEN.finditer(self.text):
            if found.lastgroup is not None:
                word = found.group()
                if found.lastgroup == "text":
                    word = re.sub(r"\\(.)", r"\1", word[1:-1], flags=re.DOTALL)
                yield found.lastgroup, word, found.start()

    def parse(self) -> Section:
        """Read sections one inside the other, without recursion."""
        whole = Section("", "", 1)
        open_ones = [whole]
        words: list[tuple[str, int]] = []
        line, counted = 1, 0
        for kind, word, at in self.tokens:
            line += self.text.count("\n", counted, at)
            counted = at
            if kind == "stray":
                raise FormatError(at, f"{word!r} is not expected here")
            if kind in {"text", "word"}:
                words.append((word, line))
                if len(words) > 3:
                    raise FormatError(at, "more than a name, a title and a value")
            elif word == "{":
                words = self.opened(open_ones, words, at)
            elif word == "}":
                if len(open_ones) == 1 or words:
                    raise FormatError(at, "a } that closes nothing")
                open_ones.pop()
            elif word in {"=", "+="}:
                words = self.value(open_ones[-1], words, at)
            elif word == "(" and words and words[-1][0] == "include":
                words = self.included(open_ones[-1], at, line)
            else:
                raise FormatError(at, f"{word!r} is not expected here")
        if len(open_ones) > 1 or words:
            raise FormatError(len(self.text), "a section does not end")
        whole.missing = self.missing
        return whole

    def opened(
        self, open_ones: list[Section], words: list[tuple[str, int]], at: int
    ) -> list[tuple[str, int]]:
        self.sections += 1
        if not 1 <= len(words) <= 2 or self.sections > MAX_SECTIONS:
            raise FormatError(at, "a { without the name of its section")
        if len(open_ones) > MAX_DEPTH:
            raise FormatError(at, f"nested deeper than {MAX_DEPTH} levels")
        (kind, line), title = words[0], words[1][0] if len(words) > 1 else ""
        section = Section(kind, title, line)
        open_ones[-1].inner.append(section)
        open_ones.append(section)
        return []

    def value(
        self, section: Section, words: list[tuple[str, int]], at: int
    ) -> list[tuple[str, int]]:
        """Take the value behind `=`: a word, a text, or a list in braces."""
        if len(words) != 1:
            raise FormatError(at, "an = without a name before it")
        kind, word, place = next(self.tokens, ("stray", "", at))
        if word == "{" and kind == "mark":
            items = []
            for inner, item, _ in self.tokens:
                if inner == "mark" and item == "}":
                    break
                if inner in {"text", "word"}:
                    items.append(item)
            word = " ".join(items)
        elif kind not in {"text", "word"}:
            raise FormatError(place, "an = without a value behind it")
        section.options[words[0][0]] = word
        return []

    def included(self, section: Section, at: int, line: int) -> list[tuple[str, int]]:
        """Take in what `include("file")` brings, as if it stood there."""
        kind, name, place = next(self.tokens, ("stray", "", at))
        closed = next(self.tokens, ("stray", "", at))
        if kind != "text" or closed[:2] != ("mark", ")"):
            raise FormatError(place, "include takes the name of a file")
        self.files += 1
        if len(self.within) >= MAX_INCLUDES or name in self.within or self.files > _MOST_FILES:
            raise FormatError(place, f"include of {name}: too many, or in a circle")
        text = self.read(name)
        if text is None:
            self.missing.append(name)
            return []
        inner = _Parser(text, self.read, [*self.within, name])
        inner.files = self.files
        try:
            brought = inner.parse()
        except FormatError as problem:
            raise FormatError(place, f"{name}: {problem.why}") from problem
        self.files = inner.files
        self.missing += brought.missing
        section.options |= brought.options
        section.inner += (replace(one, line=line) for one in brought.inner)
        return []

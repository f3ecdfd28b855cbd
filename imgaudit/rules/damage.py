"""What does not hold together inside file systems."""

from __future__ import annotations

import stat
import struct

from imgaudit.contents.build import reader_of
from imgaudit.contents.place import Node
from imgaudit.formats.files import FileSystem
from imgaudit.model import MOUNTED, Writer
from imgaudit.rules._containers import damage, damage_values
from imgaudit.rules.cited import PRACTICE, in_linux, seen
from imgaudit.rules.engine import Outcome, Rule, Severity, check, nothing
from imgaudit.rules.examples import emmc
from imgaudit.rules.kinds import contents_of
from imgaudit.units import KIB

_DISK = "name: boot, partition: 1, at: 1 MiB, size: 64 KiB, holds: fat, file: boot.img"
_HOLDS = tuple(sorted({reader_of(word) or "" for word in MOUNTED}))
WALKED = contents_of(FileSystem, holds=_HOLDS)


def _fat(clusters: int) -> bytes:
    """Write a FAT12 of 64 KiB with a file of 1,500 bytes in so many clusters; without any for 0."""
    fields = struct.pack(
        "<3s8sHBHBHHBHHHIIBBBI11s8s",
        *(b"\xeb\x3c\x90", b"example ", 512, 1, 1, 2, 16, 128, 0xF8, 1, 32, 64, 0, 0),
        *(0x80, 0, 0x29, 1, b"EXAMPLE    ", b"FAT12   "),
    )
    entries = [0xFF8, 0xFFF, *range(3, clusters + 2), *[0xFFF, 0][not clusters :]]
    table = b"".join(
        (low | high << 12).to_bytes(3, "little")
        for low, high in zip(entries[::2], [*entries[1::2], 0], strict=False)
    )
    name = struct.pack("<11sB8xH4xHI", b"IMAGE      ", 0x20, 0, 2, 1500) if clusters else b""
    head = fields.ljust(510, b"\0") + b"\x55\xaa"
    return (head + 2 * table.ljust(512, b"\0") + name).ljust(64 * KIB, b"\0")


DAMAGED = Rule(
    name="filesystem-damaged",
    follows=("artifact-not-what-it-claims", "filesystem-truncated"),
    severity=Severity.ERROR,
    values=damage_values,
    message="{content}: the file system is damaged inside: {what}{more}",
    effect="Files are cut, mixed up or lost; the kernel may refuse the mount when it meets this.",
    fix="Build or copy it again; do not ship one that a check of the file system must repair.",
    computed=(
        "every directory, every inode or entry, every extent or chain of clusters and every count"
        " of what is free is read, tables that are packed are unpacked; one of them contradicts"
        " another or leads outside"
    ),
    sources=(
        seen(
            "e2fsck, fsck.fat, unsquashfs, fsck.erofs and fsck.f2fs, which call "
            "the same images damaged"
        ),
        in_linux("fs/jffs2/scan.c", "jffs2_scan_eraseblock"),
        in_linux("fs/ubifs/ubifs-media.h", "ubifs_ch"),
    ),
    bad=emmc(_DISK, files={"boot.img": lambda: _fat(2)}),
    good=emmc(_DISK, files={"boot.img": lambda: _fat(3)}),
)


@check(DAMAGED, over=WALKED)
def filesystem_damaged(found: Node[FileSystem]) -> Outcome:
    facts = found.facts
    # A cut image and a wrong checksum have findings of their own, and explain the rest.
    cut = facts.length is not None and found.content.size < facts.length
    if cut or any(checksum.matches is False for checksum in facts.checksums):
        return
    yield from damage(found, DAMAGED)


EMPTY = Rule(
    name="filesystem-empty",
    follows=("main-root-empty",),
    severity=Severity.WARNING,
    values=nothing,
    message="{content}: the file system has no file in it",
    effect="What a release brings there is missing: nothing starts from it.",
    fix="Look into the build: the step that fills the image ran before its files were there.",
    computed=(
        "a file system that a release or the factory writes was walked whole and has neither a"
        " regular file nor a link nor a device"
    ),
    sources=(PRACTICE,),
    bad=emmc(_DISK, files={"boot.img": lambda: _fat(0)}),
    good=emmc(_DISK, files={"boot.img": lambda: _fat(3)}),
)


@check(EMPTY, over=WALKED)
def filesystem_empty(found: Node[FileSystem]) -> Outcome:
    files, region = found.facts.files, found.region
    if region is None or found.nested or region.writer is Writer.RUNTIME:
        return
    if files is None or not files.complete or found.facts.flaws:
        return
    if all(stat.S_ISDIR(entry.mode) for entry in files):
        yield EMPTY().inside(found, length=found.content.size)

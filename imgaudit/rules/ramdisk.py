"""The ramdisk as the kernel unpacks it: archives, compression, what follows them, and memory."""

from __future__ import annotations

import gzip
import lzma
import struct
from typing import Protocol
from uuid import UUID

from imgaudit.formats.xz import Xz
from imgaudit.ramdisk.follow import COMPRESSIONS, Segment, TroubleKind
from imgaudit.rescue.stage import XZ_CHECKS, Rescue
from imgaudit.rules import samples as sample
from imgaudit.rules._rescue import (
    archive,
    configured,
    example,
    listed,
    on_rescue,
    said,
    surveyed,
    tree,
    unknown,
)
from imgaudit.rules.cited import in_linux
from imgaudit.rules.engine import Case, Example, Finding, Outcome, Rule, Severity, nothing
from imgaudit.units import KIB, MIB, decimal
from imgaudit.writers.ext4 import ext4
from imgaudit.writers.fdt import Tree
from imgaudit.writers.tree import file


def _xz(check: int) -> bytes:
    return lzma.compress(archive(), lzma.FORMAT_XZ, check, preset=0)


def _gzip(data: bytes) -> bytes:
    return gzip.compress(data, 1, mtime=0)


def _missing_values(*, why: str) -> None: ...


MISSING = Rule(
    name="ramdisk-missing",
    stops=True,
    follows=(
        "artifact-blank",
        "artifact-empty",
        "artifact-is-a-placeholder",
        "artifact-damaged",
        "artifact-not-what-it-claims",
        "fit-configuration-dangling",
        "fit-cut",
    ),
    severity=Severity.ERROR,
    values=_missing_values,
    message="there is no recovery ramdisk: {why}",
    effect=(
        "The kernel finds nothing to run and looks for the root file system that the recovery was"
        " meant to repair, or panics."
    ),
    fix="Put the ramdisk into {artifact}, or name the region that has it.",
    computed="the region's artifact is no ramdisk, the FIT's configuration names none, and the"
    " kernel bundles no more than the three entries of its default",
    sources=(
        in_linux("init/initramfs.c", "populate_rootfs"),
        in_linux("usr/default_cpio_list", says="nod /dev/console 0600 0 0 c 5 1"),
    ),
    bad=example(sample.fit),
    good=example(
        lambda: sample.fit(
            {"kernel": sample.kernel(), "ramdisk": sample.image(payload=archive())},
            configurations={"conf": {"kernel": "kernel", "ramdisk": "ramdisk"}},
        )
    ),
)


@on_rescue(MISSING, surveyed=False)
def ramdisk_missing(rescue: Rescue) -> Outcome:
    if rescue.ramdisk.missing:
        yield said(MISSING(why=rescue.ramdisk.missing), rescue)


def _trouble_values(*, at: int, why: str, kernel: str) -> None: ...


class _Trouble(Protocol):
    """A rule about a place where the kernel stops."""

    def __call__(self, *, at: int, why: str, kernel: str) -> Case: ...


def _troubles(rule: _Trouble, rescue: Rescue, kind: TroubleKind) -> Outcome:
    for trouble in rescue.ramdisk.troubles:
        if trouble.kind == kind:
            yield said(
                rule(
                    at=trouble.offset,
                    why=trouble.why,
                    kernel=f'"{trouble.kernel}"' if trouble.kernel else "nothing",
                ),
                rescue,
                offset=trouble.offset,
                length=trouble.length,
                content=trouble.content,
            )


# What formats/cpio.py and ramdisk/follow.py have the kernel say.
_KERNEL_WORDS = (
    in_linux("init/initramfs.c", "do_header", "no cpio magic"),
    in_linux("init/initramfs.c", "do_header", "incorrect cpio method used: use -H newc option"),
    in_linux("init/initramfs.c", "do_name", "malformed archive"),
    in_linux("init/initramfs.c", "do_reset", "broken padding"),
    in_linux(
        "init/initramfs.c", "unpack_to_rootfs", "invalid magic at start of compressed archive"
    ),
    in_linux("init/initramfs.c", "flush_buffer", "junk within compressed archive"),
)

REFUSED = Rule(
    name="ramdisk-format-refused",
    stops=True,
    severity=Severity.ERROR,
    values=_trouble_values,
    message="{content}, at {at:place} of the ramdisk: {why}; the kernel says {kernel}",
    effect="The kernel unpacks nothing from there on, and the recovery does not start.",
    fix="Pack the ramdisk with cpio -o -H newc, and compress all of it at once.",
    computed="an archive is not 070701 or 070702, its header is not hex, it is not 4-aligned, or"
    " compressed data holds something else",
    sources=(
        *_KERNEL_WORDS,
        in_linux(
            "Documentation/driver-api/early-userspace/buffer-format.rst",
            "c_magic",
            'The string "070701" or "070702"',
        ),
    ),
    bad=example(lambda: b"070707" + b"0" * 70 + b"tide"),
    good=tree(),
)


@on_rescue(REFUSED, surveyed=False)
def ramdisk_refused(rescue: Rescue) -> Outcome:
    if _initial_disk(rescue):
        why = "it is a file system; whether the kernel mounts it as an initial disk is not followed"
        yield unknown(REFUSED, rescue, why)
    else:
        yield from _troubles(REFUSED, rescue, "refused")
    for trouble in rescue.ramdisk.troubles:
        if trouble.kind == "bound":
            yield unknown(REFUSED, rescue, f"{trouble.content}: {trouble.why}")


def _initial_disk(rescue: Rescue) -> bool:
    """Tell whether the ramdisk is a file system, and the kernel can take one (BLK_DEV_RAM)."""
    first = next((it for it in rescue.ramdisk.troubles if it.kind == "refused"), None)
    takes = (rescue.config or {}).get("CONFIG_BLK_DEV_RAM") == "y"
    return takes and first is not None and not first.offset and "file system" in first.why


def _disk_values(*, size: int, room: int, told: str) -> None: ...


def _disk(kib: int | str) -> Example:
    text = f"CONFIG_BLK_DEV_INITRD=y\nCONFIG_BLK_DEV_RAM=y\nCONFIG_BLK_DEV_RAM_SIZE={kib}\n"

    def fit() -> bytes:
        disk = ext4(8 * MIB, {}, label="rescue", uuid=UUID(int=1), epoch=0).whole()
        images: Tree = {"kernel": sample.kernel(), "ramdisk": sample.image(payload=disk)}
        return sample.fit(
            images, configurations={"conf": {"kernel": "kernel", "ramdisk": "ramdisk"}}
        )

    return example(
        fit,
        stage=", kernel-config: kernel.config",
        files={"kernel.config": text.encode},
        room="12 MiB",
    )


DISK = Rule(
    name="initial-disk-too-large",
    severity=Severity.ERROR,
    values=_disk_values,
    message="{ramdisk} is a file system of {size:bytes}; a RAM disk of the kernel has {room:bytes}"
    " ({told})",
    effect="The kernel says 'RAMDISK: image too big!' and goes on without it.",
    fix="Pack it as a cpio archive, or build the kernel with a larger CONFIG_BLK_DEV_RAM_SIZE.",
    computed="the bytes of a ramdisk that is a file system, as stored, against"
    " CONFIG_BLK_DEV_RAM_SIZE in KiB, where the kernel's configuration is known",
    sources=(in_linux("init/do_mounts_rd.c", "rd_load_image", "RAMDISK: image too big!"),),
    bad=_disk(4096),
    good=_disk(16384),
)


@on_rescue(DISK, surveyed=False)
def initial_disk(rescue: Rescue) -> Outcome:
    blocks = decimal((rescue.config or {}).get("CONFIG_BLK_DEV_RAM_SIZE", ""))
    if not _initial_disk(rescue) or blocks is None:
        return
    room, size = blocks * KIB, rescue.ramdisk.size
    if size > room:
        yield said(DISK(size=size, room=room, told=f"CONFIG_BLK_DEV_RAM_SIZE={blocks}"), rescue)


def _xz_check_values(*, check: str) -> None: ...


XZ_CHECK = Rule(
    name="ramdisk-xz-check",
    stops=True,
    severity=Severity.ERROR,
    values=_xz_check_values,
    message="{content} is xz with the check {check}; the kernel's xz knows none and crc32 only",
    effect=(
        'The kernel unpacks nothing of it: "Input was encoded with settings that are not supported'
        ' by this XZ decoder".'
    ),
    fix="Compress with xz --check=crc32 --lzma2=dict=1MiB.",
    computed="the stream's flags name another check than none or crc32",
    sources=(
        in_linux("lib/xz/xz_dec_stream.c", "dec_stream_header"),
        in_linux(
            "lib/decompress_unxz.c",
            "unxz",
            "Input was encoded with settings that are not supported by this XZ decoder",
        ),
    ),
    bad=example(lambda: _xz(lzma.CHECK_CRC64), holds="xz"),
    good=example(lambda: _xz(lzma.CHECK_CRC32), holds="xz"),
)


@on_rescue(XZ_CHECK, surveyed=False)
def ramdisk_xz_check(rescue: Rescue) -> Outcome:
    for segment in rescue.ramdisk.segments:
        facts = segment.compressor
        if isinstance(facts, Xz) and facts.check not in XZ_CHECKS:
            yield _about(XZ_CHECK(check=facts.check), rescue, segment)


def _about(case: Case, rescue: Rescue, segment: Segment) -> Finding:
    inside = segment.bundled
    return said(
        case,
        rescue,
        offset=None if inside else segment.offset,
        length=segment.size,
        content=segment.name,
    )


_LZ4_MAGIC = struct.pack("<I", 0x184D2204)


def _lz4_frame(data: bytes) -> bytes:
    """Write a frame with one stored block (LZ4 Frame Format 1.6.4); the descriptor is fixed."""
    # Version 1, independent blocks, blocks of at most 64 KiB; the last byte is the XXH32 of them.
    return _LZ4_MAGIC + b"\x60\x40\x82" + struct.pack("<I", len(data) | 1 << 31) + data + bytes(4)


LZ4_FRAME = Rule(
    name="ramdisk-lz4-frame",
    stops=True,
    severity=Severity.ERROR,
    values=nothing,
    message="{content} is an LZ4 frame; the kernel knows the legacy format only",
    effect='The kernel says "invalid magic at start of compressed archive" and unpacks nothing.',
    fix="Compress with lz4 -l.",
    computed="the magic is 0x184d2204, not 0x184c2102",
    sources=(
        in_linux("lib/decompress.c", "compressed_formats"),
        in_linux("lib/decompress_unlz4.c", "ARCHIVE_MAGICNUMBER"),
        in_linux(
            "init/initramfs.c", "unpack_to_rootfs", "invalid magic at start of compressed archive"
        ),
    ),
    bad=example(lambda: _lz4_frame(archive()), holds="lz4"),
    good=tree(),
)


@on_rescue(LZ4_FRAME, surveyed=False)
def ramdisk_lz4_frame(rescue: Rescue) -> Outcome:
    for segment in rescue.ramdisk.segments:
        if segment.compression == "lz4":
            yield _about(LZ4_FRAME(), rescue, segment)


def _junk_values(*, at: int, size: int, what: str, why: str, kernel: str) -> None: ...


JUNK = Rule(
    name="ramdisk-junk-behind",
    severity=Severity.ERROR,
    values=_junk_values,
    message="{content}: {size:bytes} of {what} follow the archive at {at:place}: {why}",
    effect=(
        "The kernel says {kernel}. A kernel with CONFIG_BLK_DEV_RAM takes the whole for the image"
        " of a disk, and older ones throw away what was unpacked."
    ),
    fix="Pass the ramdisk's own length, or pad with 0x00, which is always allowed.",
    computed="bytes other than NUL follow the last archive; a warning where the kernel's"
    " configuration is known to lack BLK_DEV_RAM",
    sources=(
        *_KERNEL_WORDS,
        in_linux("init/initramfs.c", "populate_rootfs"),
        in_linux("init/initramfs.c", "do_populate_rootfs"),
        in_linux(
            "Documentation/driver-api/early-userspace/buffer-format.rst",
            "ALGN",
            "means padding with null bytes",
        ),
    ),
    bad=example(lambda: archive() + b"\xff" * 512),
    good=example(lambda: archive() + bytes(512)),
)


@on_rescue(JUNK, surveyed=False)
def ramdisk_junk(rescue: Rescue) -> Outcome:
    config = rescue.config
    mild = config is not None and config.get("CONFIG_BLK_DEV_RAM", "n") == "n"
    for trouble in rescue.ramdisk.troubles:
        if trouble.kind == "junk":
            yield said(
                JUNK(
                    at=trouble.offset,
                    size=trouble.length,
                    what="junk" if trouble.fill is None else f"{trouble.fill:#04x}",
                    why=trouble.why,
                    kernel=f'"{trouble.kernel}"',
                ),
                rescue,
                content=trouble.content,
                offset=trouble.offset,
                length=trouble.length,
                severity=Severity.WARNING if mild else None,
            )


CUT = Rule(
    name="ramdisk-cut",
    severity=Severity.ERROR,
    values=_trouble_values,
    message="{content} is cut or damaged at {at:place}: {why}",
    effect=(
        "The kernel unpacks what comes before; the last file is short and all that follows is"
        " missing."
    ),
    fix="Build the ramdisk again and compare its size with what was written.",
    computed="a member or the compressed data runs past the end, or cannot be decoded",
    sources=(in_linux("init/initramfs.c", "unpack_to_rootfs"),),
    bad=example(lambda: archive()[:-600]),
    good=tree(),
)


@on_rescue(CUT, surveyed=False)
def ramdisk_cut(rescue: Rescue) -> Outcome:
    yield from _troubles(CUT, rescue, "cut")


def _not_in_kernel_values(option: str, *, compression: str) -> None: ...


NOT_IN_KERNEL = Rule(
    name="ramdisk-compression-not-in-kernel",
    stops=True,
    severity=Severity.ERROR,
    values=_not_in_kernel_values,
    message="{content} is {compression}, and the kernel was built without CONFIG_{option}",
    effect='The kernel says "compression method {compression} not configured" and unpacks nothing.',
    fix="Set CONFIG_{option}, or compress the ramdisk with what the kernel has.",
    computed="the kernel's configuration does not set the option of the ramdisk's compression",
    sources=(
        in_linux("init/initramfs.c", "unpack_to_rootfs", "compression method %s not configured"),
        in_linux("lib/decompress.c", "decompress_method"),
        in_linux("usr/Kconfig", "RD_XZ"),
    ),
    bad=configured(lambda: _gzip(archive()), "BLK_DEV_INITRD", "RD_XZ", holds="gzip"),
    good=configured(lambda: _gzip(archive()), "BLK_DEV_INITRD", "RD_GZIP", holds="gzip"),
)


@on_rescue(NOT_IN_KERNEL, surveyed=False)
def compression_not_in_kernel(rescue: Rescue) -> Outcome:
    used = [item for item in rescue.ramdisk.segments if item.compression in COMPRESSIONS]
    if rescue.config is None:
        if used:
            why = f"the kernel's configuration is unknown: {rescue.config_from}"
            yield unknown(NOT_IN_KERNEL, rescue, why)
        return
    for segment in used:
        word, option = COMPRESSIONS[segment.compression]
        if rescue.config.get(f"CONFIG_{option}", "n") == "n":
            yield _about(NOT_IN_KERNEL(compression=word, option=option), rescue, segment)


_BANK = "ram:\n  banks:\n    - {at: 0x80000000, size: %s}\n"
_LARGE = {"usr/share/tides": file(bytes(768 << 10))}


def _memory_values(*, total: int, limit: int, what: str, over: int) -> None: ...


MEMORY = Rule(
    name="ramdisk-needs-too-much-memory",
    stops=True,
    severity=Severity.ERROR,
    values=_memory_values,
    message="unpacking needs {total:bytes} of RAM, {what} {limit:bytes}",
    effect=(
        'The kernel stops unpacking at the first file that does not fit, "write error", and goes on'
        " with what there is; or it runs out of memory before init starts."
    ),
    fix="Take {over:bytes} out of the ramdisk.",
    computed="the ramdisk as loaded + its files in pages of 4 KiB + 1 KiB an inode + the kernel"
    " exceed the RAM banks less what is reserved; or the files alone exceed half of it, the"
    " default limit of tmpfs, which the first root is where no command line has root= (a warning"
    " where none is known) and the kernel has CONFIG_TMPFS",
    sources=(
        in_linux("init/initramfs.c", says="write error"),
        in_linux("init/do_mounts.c", "init_rootfs"),
        in_linux(
            "Documentation/filesystems/tmpfs.rst",
            says="The default is half of your physical RAM without swap.",
        ),
    ),
    bad=example(lambda: _gzip(archive(_LARGE)), rest=_BANK % "512 KiB", holds="gzip"),
    good=example(lambda: _gzip(archive(_LARGE)), rest=_BANK % "4 MiB", holds="gzip"),
)


@on_rescue(MEMORY)
def ramdisk_memory(rescue: Rescue) -> Outcome:
    room = rescue.room
    if room is None or room.ram is None:
        yield unknown(MEMORY, rescue, "no layout says how much RAM the board has")
        return
    half, tmpfs = room.ram // 2, "and a tmpfs takes no more than half of all RAM,"
    if room.total > room.ram:
        over = room.total - room.ram
        case = MEMORY(total=room.total, limit=room.ram, what="the board has", over=over)
        yield said(case, rescue)
    elif room.unpacked > half and rescue.first_is_tmpfs is not False:
        case = MEMORY(total=room.unpacked, limit=half, what=tmpfs, over=room.unpacked - half)
        yield said(case, rescue, severity=None if rescue.first_is_tmpfs else Severity.WARNING)


def _hard_link_values(*, names: str, paths: list[str]) -> None: ...


HARD_LINK = Rule(
    name="ramdisk-hardlink-empty",
    severity=Severity.ERROR,
    values=_hard_link_values,
    message="{names} of {ramdisk}: hard links whose data is in no member",
    effect="The programs are there with 0 bytes and do not run.",
    fix="Pack the ramdisk in one go, so that every name of a hard link is in the same archive.",
    computed="an executable member of 0 bytes says that it has further names, and no later one of"
    " its archive brings data",
    sources=(
        in_linux(
            "Documentation/driver-api/early-userspace/buffer-format.rst",
            "Handling of hard links",
            'When a "TRAILER!!!" end-of-archive marker is seen, the tuple buffer is reset.',
        ),
    ),
    bad=example(lambda: _linked(archive())),
    good=tree(),
)


def _linked(data: bytes) -> bytes:
    """Take the data of /bin/getty away and say that it has a second name."""
    at = data.index(b"bin/getty\0") - 110
    size = int(data[at + 54 : at + 62], 16)
    start = at + 120 + -(at + 120) % 4
    head = data[at : at + 38] + b"00000002" + data[at + 46 : at + 54] + b"00000000"
    end = start + size + -size % 4
    return data[:at] + head + data[at + 62 : start] + data[end:]


@on_rescue(HARD_LINK)
def hard_link_empty(rescue: Rescue) -> Outcome:
    if rescue.empty_links:
        yield said(
            HARD_LINK(names=listed(rescue.empty_links), paths=list(rescue.empty_links)), rescue
        )


def _checksum_values(*, names: str) -> None: ...


CHECKSUM = Rule(
    name="ramdisk-checksum",
    stops=True,
    severity=Severity.ERROR,
    values=_checksum_values,
    message="{content}: the sums of {names} do not match their data",
    effect='A kernel that checks sums says "bad data checksum" and stops; others take bad data.',
    fix="Build the ramdisk again: its data changed after it was packed.",
    computed="sum of the bytes of each file of a 070702 archive, modulo 2^32, against c_chksum",
    sources=(
        in_linux("Documentation/driver-api/early-userspace/buffer-format.rst", "c_chksum"),
        in_linux("init/initramfs.c", "do_copy", "bad data checksum"),
    ),
    bad=example(lambda: archive().replace(b"070701", b"070702")),
    good=tree(),
)


@on_rescue(CHECKSUM, surveyed=False)
def member_checksum(rescue: Rescue) -> Outcome:
    for segment in rescue.ramdisk.segments:
        sums = segment.archive.checksums if segment.archive is not None else ()
        wrong = [item.name.removeprefix("data of ") for item in sums if item.matches is False]
        if wrong:
            yield _about(CHECKSUM(names=listed(wrong)), rescue, segment)


def _skipped_values(why: str, *, names: str, members: list[str]) -> None: ...


SKIPPED = Rule(
    name="ramdisk-entry-skipped",
    severity=Severity.WARNING,
    values=_skipped_values,
    message="the kernel leaves out {names} of {ramdisk}: {why}",
    effect="The files are in the archive and not in the running system; nothing says so.",
    fix="Put each directory before what is in it, and keep names and links below 4 KiB.",
    computed="the member's directory is missing or no directory, a directory that is not empty is"
    " in its way, or its name or link is too long",
    sources=(
        in_linux("init/initramfs.c", "do_name"),
        in_linux("init/initramfs.c", "do_symlink"),
    ),
    bad=example(lambda: archive({"srv/tide/log": file("0.42\n")}).replace(b"srv\0", b"svr\0", 1)),
    good=tree({"srv/tide/log": file("0.42\n")}),
)


@on_rescue(SKIPPED)
def entries_skipped(rescue: Rescue) -> Outcome:
    by_why: dict[str, list[str]] = {}
    for item in surveyed(rescue).skipped:
        by_why.setdefault(item.why, []).append(item.name or "a member without a name")
    for why, names in by_why.items():
        yield said(SKIPPED(names=listed(names), why=why, members=names), rescue)

from __future__ import annotations

import functools
import re
import struct
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.errors import FormatError
from imgaudit.formats import elf
from imgaudit.formats.facts import Match
from imgaudit.formats.view import View

# Debian packages u-boot-qemu and debian-installer-12-netboot-armhf, -arm64
UBOOT = Path("/usr/lib/u-boot")
INSTALLER = Path("/usr/lib/debian-installer/images/12")
MODULE = INSTALLER / "arm64/text/debian-installer/arm64/grub/arm64-efi/linux.mod"
LIBRARIES = Path("/usr/lib/x86_64-linux-gnu")
PACKAGED = [
    *(UBOOT / f"{board}/uboot.elf" for board in ("qemu_arm", "qemu_arm64", "qemu-riscv64")),
    *(UBOOT / f"{board}/uboot.elf" for board in ("qemu-ppce500", "maltael", "qemu-x86_64")),
    *(LIBRARIES / name for name in ("libz.so.1", "libc.so.6", "libstdc++.so.6", "liblzma.so.5")),
    Path("/usr/bin/readelf"),
    Path("/usr/bin/xz"),
    Path("/usr/bin/gcc"),
    MODULE,
]
IN_RAMDISK = {
    "armhf": ["bin/busybox", "lib/arm-linux-gnueabihf/libc.so.6"],
    "arm64": ["bin/busybox", "lib/aarch64-linux-gnu/libc.so.6"],
}
MACHINES = {
    "Advanced Micro Devices X86-64": "x86-64",
    "MIPS R3000": "MIPS",
}


def ramdisk_files(board: str) -> list[bytes]:
    initrd = INSTALLER / f"{board}/text/debian-installer/{board}/initrd.gz"
    archive = subprocess.run(["gzip", "-dc", initrd], capture_output=True, check=True).stdout
    files = []
    for name in IN_RAMDISK[board]:
        command = ["cpio", "-i", "--quiet", "--to-stdout", name]
        files.append(subprocess.run(command, input=archive, capture_output=True, check=True).stdout)
    return files


def readelf(path: Path) -> str:
    command = ["readelf", "-W", "-h", "-l", "-S", "-d", "-V", "-n", str(path)]
    return subprocess.run(command, capture_output=True, text=True, check=True).stdout


def compare(path: Path) -> elf.Elf:
    """Read a file and hold every fact against what readelf says."""
    facts = elf.read(View.of(path.read_bytes()))
    said = readelf(path)

    def one(pattern: str) -> str | None:
        found = re.search(pattern, said)
        return found[1] if found else None

    def many(pattern: str) -> list[Any]:
        return re.findall(pattern, said)

    machine = one(r"Machine: +(.+)") or ""
    assert facts.machine == MACHINES.get(machine, machine)
    assert f"ELF{facts.bits}" == one(r"Class: +(\w+)")
    assert facts.byte_order == one(r"Data: .*, (\w+) endian")
    assert facts.type.removeprefix("ET_") == one(r"Type: +(\w+)")
    assert facts.entry == int(one(r"Entry point address: +(\w+)") or "", 16)
    assert facts.flags == int(one(r"Flags: +(0x\w+)") or "", 16)
    assert facts.float_abi == one(r"Flags: .* (\w+)-float ABI")
    assert facts.interpreter == one(r"program interpreter: (.+)\]")
    assert list(facts.needed) == many(r"\(NEEDED\).*\[(.+)\]")
    assert facts.soname == one(r"\(SONAME\).*\[(.+)\]")
    assert facts.rpath == one(r"\(RPATH\).*\[(.+)\]")
    assert facts.runpath == one(r"\(RUNPATH\).*\[(.+)\]")
    assert facts.build_id == one(r"Build ID: (\w+)")
    needed = {}
    for library, entries in many(r"File: (\S+) +Cnt: \d+\n((?: +0x\w+: +Name: .*\n)*)"):
        needed[library] = tuple(re.findall(r"Name: (\S+)", entries))
    assert facts.versions_needed == needed
    defined = re.findall(r"Rev: \d+ +Flags: (\S+) .*Name: (\S+)", said)
    assert list(facts.versions_defined) == [name for flags, name in defined if "BASE" not in flags]
    load = many(r"  LOAD +(0x\w+) (0x\w+) (0x\w+) (0x\w+) (0x\w+) ([R ][W ][E ]) (0x\w+)")
    assert [
        (part.file_offset, part.vaddr, part.paddr, part.filesz, part.memsz, part.align)
        for part in facts.segments
    ] == [(*(int(number, 16) for number in row[:5]), int(row[6], 16)) for row in load]
    assert [part.flags for part in facts.segments] == [
        row[5].lower().replace("e", "x").replace(" ", "-") for row in load
    ]
    sections = many(r"\[ *\d+\] (\S+) +[A-Z]")
    assert facts.has_symtab == (".symtab" in sections)
    assert facts.has_debug == any(name.startswith(".debug_") for name in sections)
    assert facts.length == path.stat().st_size
    assert facts.doubts == ()
    return facts


@pytest.mark.oracle
@pytest.mark.parametrize("path", PACKAGED, ids=str)
def test_agrees_with_readelf(path: Path) -> None:
    compare(path)


@pytest.mark.oracle
@pytest.mark.parametrize(
    ("board", "loader", "abi"),
    [
        ("armhf", "/lib/ld-linux-armhf.so.3", ("ARM", 5, "hard")),
        ("arm64", "/lib/ld-linux-aarch64.so.1", ("AArch64", None, None)),
    ],
)
def test_reads_a_packaged_ramdisks_programs(
    board: str, loader: str, abi: tuple[str, int | None, str | None], tmp_path: Path
) -> None:
    busybox, libc = ramdisk_files(board)
    for name, content in (("busybox", busybox), ("libc", libc)):
        (tmp_path / name).write_bytes(content)
        facts = compare(tmp_path / name)
        assert (facts.machine, facts.eabi, facts.float_abi) == abi
        assert facts.interpreter == loader
    assert "libc.so.6" in elf.read(View.of(busybox)).needed


@pytest.mark.oracle
def test_reads_the_abi_of_boot_loaders() -> None:
    def facts(board: str) -> elf.Elf:
        return elf.read(View.of((UBOOT / board / "uboot.elf").read_bytes()))

    assert facts("qemu-riscv64").float_abi == "double"
    assert facts("qemu_arm").float_abi == "soft"
    assert facts("qemu-riscv64").summary().startswith("64-bit RISC-V")
    assert facts("qemu-ppce500").byte_order == "big"


@pytest.mark.oracle
@pytest.mark.parametrize("options", ["-g", "-g -gz", "-s", "-static-pie", "-c"])
def test_reads_what_a_compiler_makes(options: str, tmp_path: Path) -> None:
    (tmp_path / "level.c").write_text("int main(void) { return 0; }\n")
    out = tmp_path / "level"
    rpath = [] if options == "-c" else ["-Wl,-rpath,/opt/lib,--disable-new-dtags"]
    command = ["gcc", *options.split(), *rpath, "-o", str(out), str(tmp_path / "level.c")]
    subprocess.run(command, check=True)
    facts = compare(out)
    if options != "-c":
        assert facts.rpath == "/opt/lib"
    assert facts.has_debug == options.startswith("-g")


@functools.cache
def sample() -> bytes:
    return Path(sys.executable).resolve().read_bytes()[: 1 << 16]


def small(**fields: int) -> bytes:
    """Build a 64-bit little-endian header with two program headers and a dynamic section."""
    values = {"machine": 183, "shoff": 0, "phentsize": 56, "phnum": 2, "shentsize": 64, "shnum": 0}
    values |= {"dynamic": 48, "verneednum": 1, "aux": 1, "flags": 0, "shstrndx": 0} | fields
    head = b"\x7fELF\x02\x01\x01" + bytes(9)
    head += struct.pack("<HHIQQQIHHHHHH", 3, values["machine"], 1, 0, 64, values["shoff"],
                        values["flags"], 64, values["phentsize"], values["phnum"],
                        values["shentsize"], values["shnum"], values["shstrndx"])  # fmt: skip
    head += struct.pack("<IIQQQQQQ", 1, 5, 0, 0, 0, 0x400, 0x400, 4096)
    head += struct.pack("<IIQQQQQQ", 2, 6, 0x100, 0x100, 0, values["dynamic"], 0, 8)
    head = head.ljust(0x100, b"\0")
    # DT_STRTAB, DT_VERNEED, DT_VERNEEDNUM
    head += struct.pack("<6Q", 5, 0x200, 0x6FFFFFFE, 0x300, 0x6FFFFFFF, values["verneednum"])
    head = head.ljust(0x200, b"\0") + b"\0libm.so.6\0M_1\0"
    head = head.ljust(0x300, b"\0") + struct.pack("<HHIII", 1, values["aux"], 1, 16, 0)
    head += struct.pack("<IHHII", 0, 0, 2, 11, 0)
    return head.ljust(0x400, b"\0")


def test_reads_a_small_file() -> None:
    facts = elf.read(View.of(small()))
    assert (facts.machine, facts.type, facts.bits) == ("AArch64", "ET_DYN", 64)
    assert facts.versions_needed == {"libm.so.6": ("M_1",)}
    assert (facts.needed, facts.interpreter, facts.soname) == ((), None, None)
    assert facts.segments[0].flags == "r-x"
    assert facts.length == 0x400
    assert elf.match(View.of(small())) is Match.SURE


@pytest.mark.parametrize(
    ("fields", "why"),
    [
        ({"phentsize": 55}, "program headers of 55 bytes"),
        ({"phnum": 0xFFFF}, "too many"),
        ({"dynamic": 1 << 40}, "too large"),
        ({"verneednum": 1 << 40}, "too many"),
        ({"verneednum": 5, "aux": 9000}, "too many"),
        ({"phnum": 100}, "needs 5,600 bytes"),
    ],
)
def test_counts_are_bounded(fields: dict[str, int], why: str) -> None:
    with pytest.raises(FormatError, match=why):
        elf.read(View.of(small(**fields)))


@pytest.mark.parametrize(
    "fields",
    [
        {"shoff": 1 << 50, "shnum": 3},
        {"shoff": 0x100, "shnum": 0xFFFF},
        {"shoff": 0x100, "shnum": 3, "shentsize": 1},
        {"shoff": 0x200},
    ],
)
def test_broken_section_headers_are_a_doubt(fields: dict[str, int]) -> None:
    facts = elf.read(View.of(small(**fields)))
    assert facts.doubts == ("The section headers cannot be read.",)
    assert (facts.has_symtab, facts.has_debug) == (False, False)


@pytest.mark.parametrize(
    ("machine", "flags", "eabi", "float_abi"),
    [
        (40, 0x05000400, 5, "hard"),
        (40, 0x05000200, 5, "soft"),
        (40, 0x05000000, 5, None),
        (243, 0x5, None, "double"),
        (243, 0x3, None, "single"),
        (243, 0x1, None, "soft"),
        (243, 0x6, None, "quad"),
        (183, 0x6, None, None),
    ],
)
def test_float_abi(machine: int, flags: int, eabi: int | None, float_abi: str | None) -> None:
    # AAELF32, EF_ARM_ABI_FLOAT_HARD and _SOFT; RISC-V ELF psABI, e_flags
    facts = elf.read(View.of(small(machine=machine, flags=flags)))
    assert (facts.eabi, facts.float_abi) == (eabi, float_abi)


def test_an_unknown_machine_has_its_number() -> None:
    facts = elf.read(View.of(small(machine=0xF00D)))
    assert (facts.machine, facts.machine_number) == (f"unknown {0xF00D}", 0xF00D)


def test_an_error_of_the_library_is_a_format_error(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object) -> None:
        raise AssertionError("stream")

    monkeypatch.setattr(elf, "_structs", broken)
    with pytest.raises(FormatError, match="cannot be read: stream"):
        elf.read(View.of(small()))


@pytest.mark.parametrize("size", [0, 12, 1 << 20])
def test_notes_without_a_build_id_are_passed_over(size: int) -> None:
    content = bytearray(small())
    content[0x78:0x7C] = struct.pack("<I", 4)  # the second program header becomes PT_NOTE
    content[0x98:0xA0] = struct.pack("<Q", size)
    assert elf.read(View.of(content)).build_id is None


@pytest.mark.parametrize("before", [63, 64])
def test_a_build_id_is_sought_in_so_many_notes(before: int) -> None:
    content = bytearray(small().ljust(0x1000, b"\0"))
    note = struct.pack("<III4s4s", 4, 4, 1, b"GNU\0", b"tide")
    build = struct.pack("<III4s4s", 4, 4, 3, b"GNU\0", b"\1\2\3\4")
    notes = note * before + build
    content[0x78:0x7C] = struct.pack("<I", 4)  # the second program header becomes PT_NOTE
    content[0x80:0x88] = struct.pack("<Q", 0x500)
    content[0x98:0xA0] = struct.pack("<Q", len(notes))
    content[0xA8:0xB0] = struct.pack("<Q", 4)
    content[0x500 : 0x500 + len(notes)] = notes
    assert elf.read(View.of(content)).build_id == ("01020304" if before == 63 else None)


def test_names_need_a_table_in_a_loaded_segment() -> None:
    content = bytearray(small())
    content[0x100:0x108] = struct.pack("<Q", 4)  # no DT_STRTAB
    with pytest.raises(FormatError, match="the dynamic section names no string table"):
        elf.read(View.of(content))
    for address, inside in ((0x3FF, True), (0x400, False)):
        content = bytearray(small())
        content[0x108:0x110] = struct.pack("<Q", address)
        content[0x310:0x314] = bytes(4)
        with pytest.raises(FormatError) as problem:
            elf.read(View.of(content))
        assert (f"address {address:#x} is in no loaded segment" in problem.value.why) != inside


def test_versions_end_where_they_say_so() -> None:
    """Whatever is counted: the last one has no next (gABI, Elf64_Verneed and Elf64_Vernaux)."""
    facts = elf.read(View.of(small(verneednum=2, aux=2)))
    assert facts.versions_needed == {"libm.so.6": ("M_1",)}


def test_section_names_need_their_table() -> None:
    """A number of it beyond the sections gives no names; the symbols are found all the same."""
    sections = bytes(64) + struct.pack("<IIQQQQIIQQ", 1, 2, 0, 0, 0, 0, 0, 0, 0, 0)
    sections += struct.pack("<IIQQQQIIQQ", 1, 3, 0, 0, 0x4C0, 16, 0, 0, 0, 0)
    names = b"\0.debug_info\0".ljust(16, b"\0")
    for which, debug in ((2, True), (3, False)):
        head = small(shoff=0x400, shnum=3, shstrndx=which)
        facts = elf.read(View.of(head + sections + names))
        assert (facts.has_symtab, facts.has_debug, facts.doubts) == (True, debug, ())


@pytest.mark.parametrize(("at", "value"), [(0, 0), (4, 3), (5, 0)])
def test_a_wrong_identification_is_refused(at: int, value: int) -> None:
    content = bytearray(small())
    content[at] = value
    assert elf.match(View.of(content)) < Match.GOOD
    with pytest.raises(FormatError) as caught:
        elf.read(View.of(content))
    assert caught.value.offset == at


@given(st.binary(max_size=600))
def test_any_bytes_are_read_or_refused(content: bytes) -> None:
    for stored in (content, b"\x7fELF" + content, b"\x7fELF\x01\x02\x01" + content):
        assert elf.match(View.of(stored)) in Match
        try:
            facts = elf.read(View.of(stored))
        except FormatError:
            continue
        assert len(facts.summary()) <= 60


@given(st.data())
def test_a_damaged_file_is_read_or_refused(data: st.DataObject) -> None:
    content = bytearray(data.draw(st.sampled_from([small(), sample()])))
    for _ in range(data.draw(st.integers(1, 12))):
        at = data.draw(st.integers(0, 0x420) | st.integers(0, len(content) - 1)) % len(content)
        content[at : at + 4] = data.draw(
            st.sampled_from([b"\0\0\0\0", b"\xff\xff\xff\xff", b"\1\0\0\0"])
            | st.binary(min_size=4, max_size=4)
        )
    del content[data.draw(st.integers(0, len(content))) :]
    try:
        facts = elf.read(View.of(content))
    except FormatError as problem:
        why = problem.why
    else:
        why = facts.summary()
    assert why

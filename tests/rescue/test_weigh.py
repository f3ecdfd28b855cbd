from __future__ import annotations

import bz2
import gzip
import lzma
import random
import stat
import subprocess
import sys
from collections.abc import Callable, Mapping
from functools import cache
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.contents.reader import Loader
from imgaudit.formats import cpio
from imgaudit.formats.view import View
from imgaudit.rescue import weigh as weighing
from imgaudit.rescue.spare import spare
from imgaudit.rescue.weigh import Cut, Weighing
from imgaudit.units import MIB, Span
from tests.formats._cpio import archive, folder, link, member, program
from tests.formats._pieces import tool
from tests.rescue._elf import elf, module
from tests.rescue._ramdisk import INSTALLERS, busybox_text, members
from tests.rescue.test_stage import kernel_with

if sys.version_info >= (3, 14):
    from compression import zstd
else:
    from backports import zstd

LOADER = "lib/ld-linux-aarch64.so.1"
SHELL = elf(interpreter=f"/{LOADER}", needed=("libc.so.6",), tail=busybox_text(("ash", "sh")))
FILES: dict[str, bytes | str] = {
    "init": b"#!/bin/sh\nexec /sbin/helper -x\n",
    "bin/busybox": SHELL,
    "bin/sh": "busybox",
    LOADER: elf(soname="ld-linux-aarch64.so.1"),
    "lib/libc.so.6": elf(soname="libc.so.6"),
    "sbin/helper": elf(tail=b"helper" * 200),
}
NEEDS = ("shell",)


def noise(size: int, seed: int = 1) -> bytes:
    return random.Random(seed).randbytes(size)


def weighed(data: bytes, needs: tuple[str, ...] = NEEDS) -> Weighing:
    with Loader() as loader:
        return weighing.weigh(loader.memory("ramdisk", data), needs=needs)


def tree(more: Mapping[str, bytes | str]) -> bytes:
    return archive(*members(FILES | dict(more)))


def packed(more: Mapping[str, bytes | str]) -> bytes:
    return lzma.compress(tree(more), check=lzma.CHECK_CRC32)


def cuts(data: bytes, limit: int = 0) -> dict[str, Cut]:
    steps = weighing.fit(weighed(data), limit).steps
    return {step.cut.paths[0] if step.cut.paths else "": step.cut for step in steps}


PACKERS: dict[str, Callable[[bytes], bytes]] = {
    "plain": bytes,
    "gzip": lambda data: gzip.compress(data, mtime=0),
    "bzip2": bz2.compress,
    "xz": lambda data: lzma.compress(data, check=lzma.CHECK_CRC32),
    "lzma": lambda data: lzma.compress(data, lzma.FORMAT_ALONE),
    "zstd": zstd.compress,
}


@pytest.mark.parametrize("form", PACKERS)
def test_a_file_costs_what_it_takes_in_the_stream(form: str) -> None:
    files = {"opt/noise": noise(60_000), "opt/zeros": bytes(60_000)}
    found = weighed(PACKERS[form](tree(files)))
    by_path = {item.path: item.weight for item in found.items}
    assert by_path["/opt/noise"].unpacked == by_path["/opt/zeros"].unpacked == 60_000
    # Random bytes do not compress; of zeros little is left, a block of bzip2 being shared by size.
    assert abs(by_path["/opt/noise"].stored - 60_000) < 2_000
    if form != "plain":
        assert by_path["/opt/zeros"].stored < 2_000


def whole(found: Weighing) -> None:
    """Everything adds up, to the byte."""
    assert sum(part.size for part in found.parts) == found.size
    for weights in (found.kinds, found.groups):
        assert sum(weight.unpacked for weight in weights.values()) == found.total.unpacked
        assert sum(weight.stored for weight in weights.values()) == found.total.stored
        assert all(weight.stored >= 0 for weight in weights.values())


ENTRIES = st.lists(
    st.tuples(
        st.sampled_from(["init", "bin/sh", "lib/a.so", "lib/modules/1/a.ko", "opt/x", "../y", ""]),
        st.binary(max_size=300) | st.sampled_from([SHELL, bytes(40_000), noise(20_000)]),
    ),
    max_size=12,
)


@pytest.mark.oracle
@pytest.mark.parametrize("line", ["lzop -c", "lz4 -l -c"])
def test_block_compressors_are_shared_by_size(line: str) -> None:
    found = weighed(tool(line, tree({"opt/noise": noise(60_000), "opt/zeros": bytes(60_000)})))
    whole(found)
    by_path = {item.path: item.weight.stored for item in found.items}
    assert abs(by_path["/opt/noise"] - 60_000) < 2_000
    assert by_path["/opt/zeros"] < 2_000


@pytest.mark.parametrize("outer", [bytes, lambda data: gzip.compress(data, mtime=0)])
def test_a_bundled_ramdisk_is_weighed_inside_its_kernel(outer: Callable[[bytes], bytes]) -> None:
    # Stored by the kernel's compressor where it is not compressed itself.
    found = weighed(outer(kernel_with(tree({"opt/noise": noise(60_000)}))))
    whole(found)
    assert {part.name.rpartition("/")[2] for part in found.parts} == {"bundled ramdisk", "kernel"}
    stored = next(item.weight.stored for item in found.items if item.path == "/opt/noise")
    assert abs(stored - 60_000) < 2_000


@given(ENTRIES, st.sampled_from(sorted(PACKERS)), st.integers(0, 3))
def test_everything_adds_up(entries: list[tuple[str, bytes]], form: str, padding: int) -> None:
    made = [folder(name) for name in ("bin", "lib", "opt", "lib/modules", "lib/modules/1")]
    made += [program(name, data) for name, data in entries]
    found = weighed(PACKERS[form](archive(*made)) + bytes(4 * padding))
    whole(found)
    assert found.total.unpacked == sum(len(item) for item in made) + len(archive())


@given(st.binary(max_size=600), st.integers(0, 600))
def test_damaged_ramdisks_are_weighed_or_not_found(noise: bytes, at: int) -> None:
    data = bytearray(tree({}))
    data[at : at + len(noise)] = noise
    whole(weighed(bytes(data)))


@given(st.binary(max_size=400), st.integers(0, 400))
def test_damaged_elf_files_give_spans_inside_the_file(noise: bytes, at: int) -> None:
    data = bytearray(module({"name": "a"}, symtab=True))
    data[at : at + len(noise)] = noise
    spans = spare(View.of(data))
    assert all(span.end <= len(data) for span in spans)
    assert all(one.end <= two.start for one, two in pairwise(spans))


def test_kinds_are_told_apart() -> None:
    found = weighed(
        packed(
            {
                "lib/modules/1/a.ko": module({"name": "a"}),
                "lib/firmware/a.bin": noise(300),
                "opt/one": noise(3000, 2),
                "opt/two": noise(3000, 2),
            }
        )
    )
    kinds = {item.path: item.kind for item in found.items}
    assert kinds["/init"] == "script"
    assert kinds["/bin/busybox"] == "program"
    assert kinds["/lib/libc.so.6"] == kinds[f"/{LOADER}"] == "library"
    assert kinds["/lib/modules/1/a.ko"] == "module"
    assert kinds["/lib/firmware/a.bin"] == "firmware"
    assert (kinds["/opt/one"], kinds["/opt/two"]) == ("data", "duplicate")


def test_a_replaced_member_is_weighed_and_can_go() -> None:
    old = program("opt/x", noise(5000))
    data = archive(*members(FILES), folder("opt"), old, program("opt/x", noise(100, 3)))
    found = weighed(data)
    assert [item.kind for item in found.items if item.path == "/opt/x"] == ["replaced", "data"]
    cut = cuts(data)["/opt/x"]
    assert (cut.kind, cut.gain, cut.loses) == ("replaced", 5000, False)


def test_hard_links_are_weighed_once() -> None:
    link_data = member("bin/b", noise(4000), stat.S_IFREG | 0o755, ino=7, nlink=2)
    names = [member("bin/a", b"", stat.S_IFREG | 0o755, ino=7, nlink=2), link_data]
    found = weighed(archive(folder("bin"), *names, link("bin/c", "b")))
    assert [(item.path, item.weight.unpacked) for item in found.items] == [("/bin/a", 4000)]


def test_groups_share_their_libraries() -> None:
    found = weighed(packed({}))
    groups = {item.path: item.groups for item in found.items}
    assert set(groups["/lib/libc.so.6"]) == set(groups["/bin/busybox"])
    assert "init" in groups["/lib/libc.so.6"]
    assert groups["/sbin/helper"] == ("boot scripts",)
    assert found.groups["shared"].stored > 0


def test_what_is_needed_is_never_cut() -> None:
    offered = cuts(packed({"sbin/spare": elf(tail=noise(3000))}))
    assert offered["/sbin/spare"].kind == "program"
    assert offered["/sbin/spare"].loses
    assert not {f"/{path}" for path in FILES} & offered.keys()


@pytest.mark.parametrize("lost", ["sbin/helper", "bin/sh"])
def test_without_its_user_a_file_can_go(lost: str) -> None:
    script = b"#!/bin/sh\n" if lost == "sbin/helper" else b"\x7fELF"
    offered = cuts(packed({"init": script, "sbin/helper": elf(tail=noise(3000))}))
    assert "/sbin/helper" in offered


def test_a_library_goes_with_the_only_program_that_loads_it() -> None:
    needs = elf(interpreter=f"/{LOADER}", needed=("libtide.so.1",), tail=noise(900))
    library = elf(soname="libtide.so.1", tail=noise(3000))
    files: dict[str, bytes | str] = {"sbin/gauge": needs, "lib/libtide.so.1": library}
    assert cuts(packed(files))["/sbin/gauge"].paths == ("/sbin/gauge", "/lib/libtide.so.1")
    plugin = elf(needed=("libtide.so.1",), tail=b"libtide.so.1\0")
    again = cuts(packed(files | {"lib/plugin.so": plugin}))
    assert again["/sbin/gauge"].paths == ("/sbin/gauge",)
    assert "/lib/libtide.so.1" not in again


def test_what_is_named_somewhere_is_kept() -> None:
    data = noise(3000)
    assert cuts(packed({"opt/charts.bin": data}))["/opt/charts.bin"].kind == "data"
    mentioned = {"opt/charts.bin": data, "etc/rc": b"cat /opt/charts.bin\n"}
    assert "/opt/charts.bin" not in cuts(packed(mentioned))
    in_program = {"opt/charts.bin": data, "sbin/helper": elf(tail=b"charts.bin\0")}
    assert "/opt/charts.bin" not in cuts(packed(in_program))


def test_modules_that_another_needs_are_kept() -> None:
    offered = cuts(
        packed(
            {
                "lib/modules/1/low.ko": module({"name": "low", "x": noise(900).hex()}),
                "lib/modules/1/top.ko": module(
                    {"name": "top", "depends": "low", "x": noise(900, 2).hex()}
                ),
            }
        )
    )
    assert "/lib/modules/1/low.ko" not in offered
    assert offered["/lib/modules/1/top.ko"].loses


def test_documentation_and_duplicates_lose_nothing() -> None:
    offered = cuts(
        tree(
            {
                "usr/share/man/a": noise(2000),
                "usr/share/locale/de": noise(2000, 2),
                "opt/one": noise(2000, 3),
                "opt/two": noise(2000, 3),
            }
        )
    )
    assert offered["/usr/share/man/a"].gain == 2000
    assert not offered["/usr/share/man/a"].loses
    assert offered["/usr/share/locale/de"].loses
    assert (offered["/opt/two"].kind, offered["/opt/two"].loses) == ("hard link", False)


def test_a_cut_names_the_files_that_go_and_no_other() -> None:
    offered = cuts(
        tree(
            {
                "usr/lib/libtide.a": noise(2000),
                "usr/lib/gauge.la": noise(900, 2),
                "usr/lib/libtide.so.1": noise(3000, 3),
            }
        )
    )
    both = offered["/usr/lib/gauge.la"]
    assert both.paths == ("/usr/lib/gauge.la", "/usr/lib/libtide.a")
    assert (both.kind, both.loses, both.gain) == ("development files", False, 2900)


def test_what_a_layout_asks_for_is_no_cut() -> None:
    data = tree({"usr/bin/i2cget": noise(3000), "usr/bin/tide": noise(3000, 2)})
    asked = weighed(data)
    free = {path for step in weighing.fit(asked, 0).steps for path in step.cut.paths}
    assert "/usr/bin/tide" in free
    with Loader() as loader:
        kept = weighing.weigh(loader.memory("ramdisk", data), kept=("i2cget",))
    stays = {path for step in weighing.fit(kept, 0).steps for path in step.cut.paths}
    assert free - stays == {"/usr/bin/i2cget"}


def test_nothing_is_called_unused_where_not_all_was_followed() -> None:
    many: dict[str, bytes | str] = {f"opt/{number}": b"#!/bin/sh\n" for number in range(4096)}
    offered = cuts(tree(many | {"opt/noise": noise(3000)}))
    assert all(not cut.loses or cut.kind == "recompress" for cut in offered.values())


def test_a_better_compressor_is_really_tried() -> None:
    data = tree({"opt/a": noise(40_000), "opt/b": noise(40_000)})
    cut = cuts(data)[""]
    real = len(data) - len(lzma.compress(data, check=lzma.CHECK_CRC32))
    assert (cut.kind, cut.gain) == ("recompress", real)
    assert "CONFIG_RD_XZ" in cut.why
    assert "" not in cuts(lzma.compress(data, check=lzma.CHECK_CRC32))


def test_steps_tell_when_it_is_enough() -> None:
    data = packed({"usr/share/man/a": noise(3000), "opt/loose": noise(9000, 2)})
    found = weighed(data)
    assert weighing.fit(found, len(data)).fits
    assert weighing.fit(found, len(data)).steps == ()
    easy = weighing.fit(found, len(data) - 2000)
    assert (easy.missing, easy.enough(loses=False), easy.enough(loses=True)) == (2000, 1, 1)
    hard = weighing.fit(found, len(data) - 10_000)
    assert (hard.enough(loses=False), hard.enough(loses=True)) == (None, 2)
    assert weighing.fit(found, 0).enough(loses=True) is None


def test_changes_are_named() -> None:
    old = weighed(packed({"opt/a": noise(900), "opt/b": noise(900, 2), "opt/c": noise(900, 3)}))
    new = weighed(packed({"opt/a": noise(2900), "usr/b": noise(900, 2), "opt/d": noise(900, 4)}))
    changes = weighing.compare(old, new)
    found = {(item.kind, item.path, item.before): item.by.unpacked for item in changes.files}
    assert found == {
        ("grew", "/opt/a", ""): 2000,
        ("moved", "/usr/b", "/opt/b"): 0,
        ("added", "/opt/d", ""): 900,
        ("removed", "/opt/c", ""): -900,
    }
    assert changes.files[0].kind == "grew"
    effect = sum(item.by.unpacked for item in changes.files) + changes.rest.unpacked
    assert effect == new.total.unpacked - old.total.unpacked
    assert weighing.compare(old, old).files == ()


@pytest.mark.oracle
def test_symbols_and_debugging_data_are_what_strip_removes(tmp_path: Path) -> None:
    source = tmp_path / "a.c"
    source.write_text(
        "int tide(int level) { return level * 3; }\nint main(void) { return tide(2); }"
    )
    built = tmp_path / "a"
    subprocess.run(["gcc", "-g", "-o", built, source], check=True)
    data = built.read_bytes()
    spans = spare(View.of(data))
    table = subprocess.run(
        ["readelf", "-SW", built], check=True, capture_output=True, text=True
    ).stdout
    listed = set()
    for line in table.splitlines():
        words = line.partition("]")[2].split()
        if words and (words[0].startswith(".debug_") or words[0] in {".symtab", ".strtab"}):
            listed.add(Span.sized(int(words[3], 16), int(words[4], 16)))
    assert set(spans) == listed
    assert len(spans) > 4


@pytest.mark.oracle
def test_an_installer_weighs_what_cpio_lists() -> None:
    # Debian package debian-installer-12-netboot-armhf.
    data = gzip.decompress(INSTALLERS["arm"].read_bytes())
    listing = subprocess.run(
        ["cpio", "-tv", "--quiet"], input=data, capture_output=True, check=True
    ).stdout.decode()
    files = [line.split() for line in listing.splitlines() if line.startswith("-")]
    with Loader() as loader:
        found = weighing.weigh(loader.file(str(INSTALLERS["arm"])))
    assert sum(item.weight.unpacked for item in found.items) == sum(
        int(words[4]) for words in files
    )
    assert found.total.unpacked == len(data)
    whole(found)


@pytest.mark.oracle
@pytest.mark.parametrize("form", ["gzip", "xz", "zstd"])
def test_removing_files_saves_their_shares(form: str) -> None:
    """The shares' error as the report states it, against compressing what is left again."""
    data = gzip.decompress(INSTALLERS["arm"].read_bytes())
    kept = [
        entry
        for entry in cpio.read(View.of(data)).entries
        if not entry.name.endswith(".ko") and "/info/" not in entry.name
    ]
    parts = {entry.name: data[entry.offset : entry.end] for entry in kept}
    room, chosen = 6 << 20, {}
    for name, part in parts.items():
        if len(part) <= room:
            room -= len(part)
            chosen[name] = part
    stored = PACKERS[form](archive(*chosen.values()))
    found = weighed(stored)
    large = sorted(found.items, key=lambda item: -item.weight.stored)[:12]
    for gone in (large[:1], large[2:3], large[4:12:2]):
        names = {item.path for item in gone}
        left = [part for name, part in chosen.items() if f"/{name}" not in names]
        saved = len(stored) - len(PACKERS[form](archive(*left)))
        share = sum(item.weight.stored for item in gone)
        assert abs(share - saved) < 0.10 * saved, names


SPARE: dict[str, bytes | str] = {
    "usr/share/doc/tide/notes": noise(30_000, 2),
    "usr/share/man/man1/tide.1": noise(20_000, 3),
    "sbin/idle": elf(tail=noise(60_000, 4)),
    "usr/lib/tide.a": noise(25_000, 5),
}


@pytest.mark.parametrize("form", PACKERS)
@pytest.mark.parametrize("room", [20_000, 60_000, 110_000])
def test_a_plan_has_the_size_that_carrying_it_out_gives(form: str, room: int) -> None:
    stored = PACKERS[form](tree(SPARE))
    fit = weighing.fit(weighed(stored), len(stored) - room)
    assert fit.plan is not None
    assert fit.plan.measured
    chosen = [step.cut for step in fit.steps[: fit.plan.count]]
    gone = {path for cut in chosen for path in cut.paths}
    left = {name: data for name, data in (FILES | SPARE).items() if f"/{name}" not in gone}
    pack = PACKERS[form]
    if any(not cut.paths for cut in chosen):
        pack = PACKERS["xz"]
    # The plan names files: their folders stay, empty.
    assert -40 <= fit.plan.size - len(pack(archive(*members(left)))) <= 1000
    assert fit.plan.size <= fit.limit


def test_a_plan_that_is_not_enough_when_packed_takes_more() -> None:
    # Two files that are nearly alike: the stream pays for the first of them only.
    same = noise(40_000, 6)
    more: dict[str, bytes | str] = {
        "usr/share/doc/a/notes": same,
        "usr/share/info/b": same + noise(600, 8),
        "usr/share/man/c": noise(9_000, 7),
    }
    stored = PACKERS["xz"](tree(more))
    fit = weighing.fit(weighed(stored), len(stored) - 30_000)
    assert fit.plan is not None
    assert fit.enough(loses=False) == 1
    assert fit.plan.count > 1
    assert fit.plan.size <= fit.limit


def test_what_cannot_be_packed_again_is_an_estimate() -> None:
    lzop = tool("lzop -c", tree(SPARE))
    fit = weighing.fit(weighed(lzop), len(lzop) - 20_000)
    assert fit.plan is not None
    assert not fit.plan.measured
    assert fit.plan.why == "no packer for lzo is at hand"


@cache
def some_of_an_installer() -> Mapping[str, bytes]:
    """Give 2 MiB of files of Debian's package debian-installer-12-netboot-armhf, as members."""
    data = gzip.decompress(INSTALLERS["arm"].read_bytes())
    room, chosen = 2 << 20, {}
    for entry in cpio.read(View.of(data)).entries:
        part = data[entry.offset : entry.end]
        if entry.name != "TRAILER!!!" and len(part) <= room and not entry.name.endswith(".ko"):
            room -= len(part)
            chosen[f"/{entry.name.lstrip('./')}"] = part
    return chosen


@pytest.mark.oracle
@pytest.mark.parametrize("line", ["gzip -9n", "xz --check=crc32", "zstd -19"])
def test_a_plan_of_an_installer_is_what_the_tools_make_of_it(line: str) -> None:
    chosen = some_of_an_installer()
    stored = tool(line, archive(*chosen.values()))
    fit = weighing.fit(weighed(stored), len(stored) - 100_000)
    assert fit.plan is not None
    assert fit.plan.measured, fit.plan.why
    cuts = [step.cut for step in fit.steps[: fit.plan.count]]
    assert {cut.kind for cut in cuts} <= {"program", "library", "data", "locales", "recompress"}
    gone = {path for cut in cuts for path in cut.paths}
    packer = "xz --check=crc32" if any(not cut.paths for cut in cuts) else line
    made = len(tool(packer, archive(*(part for path, part in chosen.items() if path not in gone))))
    assert abs(fit.plan.size - made) < made // 100


def test_a_file_goes_with_the_links_that_lead_to_it() -> None:
    """Else they lead nowhere, and the next audit says so."""
    more: dict[str, bytes | str] = {
        "sbin/idle": elf(tail=noise(60_000, 4)),
        "sbin/idler": "idle",
        "usr/bin/idle": "/sbin/idler",
    }
    stored = gzip.compress(tree(more), mtime=0)
    fit = weighing.fit(weighed(stored), len(stored) - 30_000)
    cut = next(step.cut for step in fit.steps if step.cut.kind == "program")
    assert set(cut.paths) == {"/sbin/idle", "/sbin/idler", "/usr/bin/idle"}
    assert cut.paths[0] == "/sbin/idle"
    left = {name: data for name, data in (FILES | more).items() if f"/{name}" not in cut.paths}
    assert fit.plan is not None
    assert fit.plan.measured
    assert abs(fit.plan.size - len(gzip.compress(archive(*members(left)), mtime=0))) < 100


def test_a_file_that_is_needed_by_another_name_stays() -> None:
    """The helper that init runs has a first name, which nothing knows."""
    mode = stat.S_IFREG | 0o755
    data = elf(tail=noise(60_000, 4))
    names = [
        member("sbin/a", b"", mode, ino=7, nlink=2),
        member("sbin/helper", data, mode, ino=7, nlink=2),
    ]
    kept = members({name: it for name, it in FILES.items() if name != "sbin/helper"})
    stored = gzip.compress(archive(*kept, folder("sbin"), *names), mtime=0)
    fit = weighing.fit(weighed(stored), len(stored) - 30_000)
    assert not any(step.cut.kind == "program" for step in fit.steps)


@pytest.mark.oracle
@pytest.mark.parametrize("line", ["lz4 -l -9 -c", "lz4 -l -c"])
def test_levels_are_told_apart_where_the_first_bytes_tell_them_wrongly(line: str) -> None:
    """The first MiB packs to nothing, the rest of its block hardly: the block has one size."""
    lines = b"".join(f"gauge {at * at % 7919}, level {at % 613}\n".encode() for at in range(90_000))
    files = {"opt/zeros": bytes(2 * MIB), "opt/lines": lines, "opt/noise": noise(3 * MIB)}
    stored = tool(line, tree(files | SPARE))
    fit = weighing.fit(weighed(stored), len(stored) - 60_000)
    assert fit.plan is not None
    assert fit.plan.measured, fit.plan.why


@pytest.mark.oracle
@pytest.mark.parametrize("line", ["lz4 -l -9 -c", "lz4 -l -c"])
def test_a_plan_for_lz4_is_packed_too(line: str) -> None:
    """As the kernel's own ramdisk has it (Linux usr/Makefile: lz4 -l -9)."""
    stored = tool(line, tree(SPARE))
    fit = weighing.fit(weighed(stored), len(stored) - 60_000)
    assert fit.plan is not None
    assert fit.plan.measured, fit.plan.why
    gone = {path for step in fit.steps[: fit.plan.count] for path in step.cut.paths}
    left = {name: data for name, data in (FILES | SPARE).items() if f"/{name}" not in gone}
    packer = line
    if any(not step.cut.paths for step in fit.steps[: fit.plan.count]):
        packer = "xz --check=crc32"
    assert abs(fit.plan.size - len(tool(packer, archive(*members(left))))) <= 1000

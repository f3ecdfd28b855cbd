from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.boot.rammap import (
    Command,
    Images,
    Kernel,
    Loaded,
    Overlap,
    Ram,
    RamMap,
    Range,
    RangeKind,
    booti_place,
    bootm_too_large,
    comp_size_short,
    initrd_window,
    outside,
    overlaps,
    plan,
    relocated,
)
from imgaudit.units import GIB, MIB, Span


def used(name: str, start: int, size: int, since: int = 0, until: int = 1) -> Range:
    return Range(
        name=name,
        span=Span.sized(start, size),
        kind=RangeKind.LOAD,
        step=f"load {name}",
        since=since,
        until=until,
    )


def named(result: RamMap, name: str) -> Span:
    return next(each.span for each in result.ranges if each.name == name)


def pairs(found: list[Overlap]) -> set[tuple[str, str, int]]:
    return {(each.first.name, each.second.name, each.size) for each in found}


# Examples with published numbers ------------------------------------------------------------------

SMALL = Images(
    # U-Boot doc/usage/cmd/booti.rst
    command=Command.BOOTI,
    kernel=Kernel(at=0x8080000, file_size=26990448, image_size=0x1A60000),
    loads=(
        Loaded(name="dtb", span=Span.sized(0x8008000, 27530)),
        Loaded(name="vmlinuz", span=Span.sized(0x8080000, 26990448)),
        Loaded(name="initrd.img", span=Span.sized(0x13000000, 27421776)),
    ),
    fdt=Span.sized(0x8008000, 27530),
    ramdisk=Span.sized(0x13000000, 27421776),
)
# where U-Boot's own memory starts follows from where the example's ramdisk ends
SMALL_RAM = Ram(banks=(Span(0, 0x7C000000),), loader=Span(0x7BF51000, 0x7C000000))


def test_the_example_of_booti() -> None:
    result = plan(SMALL, SMALL_RAM)
    kernel = named(result, "kernel with its BSS")
    assert kernel == Span(0x8200000, 0x9C60000)
    assert kernel.size - 26990448 == 665744
    assert named(result, "ramdisk") == Span(0x7A52A000, 0x7BF50C50)
    # the log gives the last byte, 7a529b89
    assert named(result, "device tree, padded") == Span(0x7A520000, 0x7A529B8A)
    assert named(result, "device tree, padded").size == 39818 == 27530 + 0x3000
    assert overlaps(result.ranges) == []
    assert result.steps[result.start] == "the kernel starts"
    assert [each.name for each in result.at(result.start)] == [
        "kernel with its BSS",
        "device tree, padded",
        "ramdisk",
    ]


def test_the_compressed_example_of_booti() -> None:
    # the same kernel, gzipped to 9267730 bytes; kernel_comp_addr_r 0x50000000
    images = replace(
        SMALL,
        kernel=replace(SMALL.kernel, file_size=9267730, compressed=True, unpacked_size=26990448),
        loads=(
            SMALL.loads[0],
            Loaded(name="vmlinuz.gz", span=Span.sized(0x8080000, 9267730)),
            SMALL.loads[2],
        ),
        kernel_comp_addr_r=0x50000000,
        kernel_comp_size=0x4000000,
    )
    result = plan(images, SMALL_RAM)
    assert named(result, "unpacking buffer") == Span.sized(0x50000000, 26990448)
    assert named(result, "kernel with its BSS") == Span(0x8200000, 0x9C60000)
    assert overlaps(result.ranges) == []
    guess = plan(replace(images, kernel=replace(images.kernel, unpacked_size=None)), SMALL_RAM)
    # cmd/booti.c: at most ten times kernel_comp_size
    assert named(guess, "unpacking buffer").size == 0x28000000


def test_the_example_of_bootz() -> None:
    # U-Boot doc/usage/cmd/bootz.rst; bootm_size is the board's 0xa000000
    result = plan(
        Images(
            command=Command.BOOTZ,
            kernel=Kernel(at=0x42000000, file_size=5079552),
            loads=(
                Loaded(name="dtb", span=Span.sized(0x43000000, 23093)),
                Loaded(name="vmlinuz", span=Span(0x42000000, 0x424D8200)),
                Loaded(name="initrd.img", span=Span.sized(0x43300000, 23854965)),
            ),
            fdt=Span.sized(0x43000000, 23093),
            ramdisk=Span.sized(0x43300000, 23854965),
            bootm_size=0xA000000,
        ),
        Ram(banks=(Span.sized(0x40000000, GIB),), bits=32),
    )
    # the log's [ 0x000000 - 0x4d8200 ] is the file's 5079552 bytes
    assert named(result, "vmlinuz").size == 5079552
    assert named(result, "ramdisk") == Span(0x48940000, 0x49FFFF75)
    assert named(result, "device tree, padded") == Span(0x48937000, 0x4893FA35)
    assert named(result, "device tree, padded").size == 35381
    assert named(result, "unpacked kernel").start == 0x40008000


@pytest.mark.parametrize(
    ("first", "second", "shared"),
    [  # public threads; the name is what each is about
        (used("fdt", 0x90000000, 37888), used("kernel", 0x90009000, MIB), 37888 - 36864),
        (used("fdt", 0x90000000, 38912), used("kernel", 0x90009000, MIB), 38912 - 36864),
        (used("kernel", 0x42200000, 48523776), used("ramdisk", 0x45000000, MIB), 0x46A00),
        (used("kernel", 0x40400000, 38783552), used("reserved", 0x42000000, 0x200000), 0x200000),
        (used("a", 0x40000000, 0x200010), used("b", 0x40200000, MIB), 16),
        (used("fdt", 0x43000000, 0x8000), used("next", 0x43008000, MIB), 0),
        (used("unpacked", 0x3000000, 0x2000000), used("ramdisk", 0x3000000, MIB), MIB),
        (used("FIT", 0x40400000, 10833548), used("kernel", 0x40480000, 32 * MIB), 10309260),
        (used("ramdisk", 0x480CD000, MIB), used("BL31", 0x48000000, 0x1000000), MIB),
    ],
)
def test_published_overlaps(first: Range, second: Range, shared: int) -> None:
    expected = {first.name, second.name} if shared else set()
    for order in ([first, second], [second, first]):
        found = overlaps(order)
        assert {name for each in found for name in (each.first.name, each.second.name)} == expected
        assert [each.size for each in found] == ([shared] if shared else [])


def test_published_ends() -> None:
    # public threads; in the second the text gives 0x446fca40, the end for another base
    assert 0x42200000 + 48523776 == 0x45046A00
    assert Span.sized(0x40400000, 38783552).end == 0x428FCA40
    assert Span.sized(0x42200000, 38783552).end == 0x446FCA40


def test_an_unpacked_kernel_larger_than_bootm_allows() -> None:
    # a thread, from memory: 8559752 bytes, CONFIG_SYS_BOOTM_LEN 0x800000
    assert bootm_too_large(8559752, 0x800000) == 171144
    assert bootm_too_large(0x800000, 0x800000) == 0


# Rules --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kernel", "place"),
    [  # Linux booting.rst, U-Boot arch/arm/lib/image.c
        (Kernel(at=0x40400000, file_size=1, image_size=MIB), Span.sized(0x40400000, MIB)),
        (
            Kernel(at=0x40480000, file_size=1, image_size=MIB, text_offset=0x80000),
            Span.sized(0x40480000, MIB),
        ),
        (
            Kernel(at=0x40400000, file_size=1, image_size=MIB, text_offset=0x80000),
            Span.sized(0x40480000, MIB),
        ),
        (
            Kernel(at=0x48000000, file_size=1, image_size=MIB, anywhere=False),
            Span.sized(0x40000000, MIB),
        ),
        (Kernel(at=0x48000000, file_size=1), Span.sized(0x40080000, 16 * MIB)),
    ],
)
def test_where_booti_runs_a_kernel(kernel: Kernel, place: Span) -> None:
    assert booti_place(kernel, 0x40000000) == place


BOARD = Ram(banks=(Span.sized(0x40000000, GIB),), loader=relocated(Span.sized(0x40000000, GIB)))


FIT_KERNEL = Kernel(
    at=0x48000100, file_size=8 * MIB, compressed=True, unpacked_size=20 * MIB, load=0x40200000
)


def fit(kernel: Kernel = FIT_KERNEL) -> Images:
    return Images(
        command=Command.BOOTM,
        kernel=kernel,
        loads=(Loaded(name="FIT", span=Span.sized(0x48000000, 12 * MIB)),),
        fdt=Span.sized(0x48900000, 0x8000),
        ramdisk=Span.sized(0x48A00000, MIB),
    )


def test_a_fit_that_fits() -> None:
    result = plan(fit(), BOARD)
    assert named(result, "kernel") == Span.sized(0x40200000, 20 * MIB)
    assert overlaps(result.ranges) == []
    assert outside(result.ranges, BOARD.banks) == []
    assert BOARD.loader is not None
    assert named(result, "ramdisk").end <= BOARD.loader.start


def test_a_kernel_unpacked_over_its_own_fit() -> None:
    # a thread, from memory: FIT at 0x40400000, kernel load 0x40480000
    images = Images(
        command=Command.BOOTM,
        kernel=Kernel(
            at=0x40400100,
            file_size=10833548 - 0x100,
            compressed=True,
            unpacked_size=30 * MIB,
            load=0x40480000,
        ),
        loads=(Loaded(name="FIT", span=Span.sized(0x40400000, 10833548)),),
    )
    found = overlaps(plan(images, BOARD).ranges)
    assert pairs(found) == {("FIT", "unpacked kernel", 10309260)}
    assert found[0].second.step == "bootm unpacks the kernel"


def test_a_kernel_moved_onto_its_own_image_is_refused_only_by_bootm() -> None:
    moved = fit(replace(FIT_KERNEL, compressed=False, unpacked_size=None, load=0x48100000))
    assert pairs(overlaps(plan(moved, BOARD).ranges)) >= {("FIT", "kernel", 8 * MIB)}
    booti = replace(
        SMALL,
        kernel=replace(SMALL.kernel, image_size=0x1A60000),
        loads=SMALL.loads[1:2],
        fdt=None,
        ramdisk=None,
    )
    assert overlaps(plan(booti, SMALL_RAM).ranges) == []


def test_the_kernels_bss_over_the_device_tree() -> None:
    images = Images(
        command=Command.BOOTI,
        kernel=Kernel(at=0x40200000, file_size=24 * MIB, image_size=26 * MIB),
        loads=(
            Loaded(name="Image", span=Span.sized(0x40200000, 24 * MIB)),
            Loaded(name="dtb", span=Span.sized(0x41A00000, 0x8000)),
        ),
        fdt=Span.sized(0x41A00000, 0x8000),
    )
    # the file ends where the tree starts, so only the BSS reaches it
    assert pairs(overlaps(plan(images, BOARD).ranges)) == {("dtb", "kernel with its BSS", 0x8000)}


def test_decompression_onto_the_ramdisk() -> None:
    # a thread, from memory: kernel_comp_addr_r and ramdisk_addr_r are both 0x03000000
    images = replace(
        SMALL,
        kernel=replace(SMALL.kernel, compressed=True, unpacked_size=None),
        loads=(SMALL.loads[1], Loaded(name="initrd", span=Span.sized(0x3000000, MIB))),
        fdt=None,
        ramdisk=Span.sized(0x3000000, MIB),
        kernel_comp_addr_r=0x3000000,
        kernel_comp_size=0x2000000,
    )
    found = pairs(overlaps(plan(images, SMALL_RAM).ranges))
    assert ("initrd", "unpacking buffer", MIB) in found


def test_a_compressed_kernel_without_a_place_to_unpack() -> None:
    images = replace(SMALL, kernel=replace(SMALL.kernel, compressed=True))
    assert plan(images, SMALL_RAM).unplaced == (
        "kernel_comp_addr_r or kernel_comp_size is not set",
    )


def test_all_ones_leave_things_in_place() -> None:
    ones = (1 << 64) - 1
    images = replace(fit(), fdt_high=ones, initrd_high=ones)
    result = plan(images, BOARD)
    assert named(result, "ramdisk") == images.ramdisk
    assert named(result, "device tree, padded") == Span.sized(0x48900000, 0x8000 + 0x3000)
    assert overlaps(result.ranges) == []
    # 32 ones are an address on a 64-bit board
    other = plan(replace(images, fdt_high=0xFFFFFFFF, initrd_high=0xFFFFFFFF), BOARD)
    assert named(other, "ramdisk") != images.ramdisk
    # padding of a tree that stays reaches what lies behind it
    tight = replace(images, ramdisk=Span.sized(0x48908000, MIB))
    (found,) = overlaps(plan(tight, BOARD).ranges)
    assert {found.first.name, found.second.name} == {"ramdisk", "device tree, padded"}
    assert found.size == 0x3000


def test_limits_of_relocation() -> None:
    images = replace(fit(), initrd_high=0x50000000, fdt_high=0x44000000)
    result = plan(images, BOARD)
    assert named(result, "ramdisk") == Span(0x4FF00000, 0x50000000)
    assert named(result, "device tree, padded").end <= 0x44000000
    full = plan(replace(images, ramdisk=Span.sized(0x48A00000, 2 * GIB)), BOARD)
    assert full.unplaced == ("no room for the ramdisk",)
    assert plan(images, Ram(banks=())).unplaced == (
        "no room for the ramdisk",
        "no room for the device tree, padded",
    )


def test_relocation_avoids_what_is_reserved() -> None:
    reserved = Span(0x4FF80000, 0x50000000)
    ram = replace(BOARD, reserved=(("secure monitor", reserved),))
    result = plan(replace(fit(), initrd_high=0x50000000), ram)
    assert named(result, "ramdisk") == Span(0x4FE80000, 0x4FF80000)
    assert overlaps(result.ranges) == []


def test_a_load_over_reserved_memory() -> None:
    ram = replace(BOARD, reserved=(("secure monitor", Span(0x48000000, 0x48100000)),))
    found = overlaps(plan(fit(), ram).ranges)
    assert ("secure monitor", "FIT", MIB) in pairs(found) or (
        "FIT",
        "secure monitor",
        MIB,
    ) in pairs(found)


def test_load_addresses_of_a_fit() -> None:
    images = replace(fit(), fdt_load=0x41000000, ramdisk_load=0x40300000)
    result = plan(images, BOARD)
    # bootm takes the ramdisk out before it unpacks the kernel over it
    found = pairs(overlaps(result.ranges))
    assert ("ramdisk at its load address", "unpacked kernel", MIB) in found
    assert ("device tree at its load address", "unpacked kernel", 0x8000) in found


def test_a_zimage_in_a_uimage_unpacks_itself() -> None:
    images = Images(
        command=Command.BOOTM,
        kernel=Kernel(
            at=0x42000040, file_size=5 * MIB, load=0x41000000, zimage=True, unpacked_size=15 * MIB
        ),
        loads=(Loaded(name="uImage", span=Span.sized(0x42000000, 5 * MIB + 64)),),
    )
    result = plan(images, replace(BOARD, bits=32))
    assert named(result, "unpacked kernel") == Span.sized(0x40008000, 15 * MIB)
    assert overlaps(result.ranges) == []


def test_what_is_not_in_ram() -> None:
    banks = (Span(0, MIB), Span(MIB, 2 * MIB), Span(4 * MIB, 5 * MIB))
    across, past = used("across", MIB - 1, 2), used("past", 5 * MIB - 1, 2)
    assert outside([across, past], banks) == [past]


def test_ranges_at_different_times_do_not_overlap() -> None:
    assert overlaps([used("a", 0, 10, 0, 3), used("b", 5, 10, 3, 9)]) == []
    assert [each.first.name for each in overlaps([used("b", 5, 10, 2, 9), used("a", 0, 10)])] == []
    found = overlaps([used("late", 0, 10, 2, 9), used("early", 5, 10, 0, 3)])
    assert (found[0].first.name, found[0].second.name) == ("early", "late")


def test_the_window_of_an_arm64_ramdisk() -> None:
    # Linux booting.rst section 4: one 1 GiB-aligned window of at most 32 GiB
    kernel = Span.sized(GIB, 32 * MIB)
    assert initrd_window(kernel, Span.sized(32 * GIB, MIB))
    assert not initrd_window(kernel, Span.sized(33 * GIB, MIB))


@given(
    st.lists(
        st.tuples(st.integers(0, 60), st.integers(0, 20), st.integers(0, 4), st.integers(1, 4)),
        max_size=12,
    )
)
def test_overlaps_are_those_of_a_naive_count(
    numbers: list[tuple[int, int, int, int]],
) -> None:
    ranges = [
        used(str(number), start, size, since, since + length)
        for number, (start, size, since, length) in enumerate(numbers)
    ]
    naive = {
        frozenset((one.name, other.name))
        for one in ranges
        for other in ranges
        if one is not other
        and set(range(one.span.start, one.span.end)) & set(range(other.span.start, other.span.end))
        and set(range(one.since, one.until)) & set(range(other.since, other.until))
    }
    found = overlaps(ranges)
    assert {frozenset((each.first.name, each.second.name)) for each in found} == naive
    assert len(found) == len(naive)


# Edges --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("given", "packed", "unpacked", "said"),
    [  # U-Boot cmd/booti.c, booti_start: it reads comp_len bytes, and writes 10 * comp_len
        (1000, 1000, 10_000, ""),
        (1000, 1000, None, ""),
        (1000, 1001, None, "kernel_comp_size is 1,000 bytes, and the packed kernel has 1,001"),
        (
            1000,
            1000,
            10_001,
            "with kernel_comp_size booti unpacks 10,000 bytes, and the kernel has 10,001",
        ),
    ],
)
def test_what_booti_unpacks(given: int, packed: int, unpacked: int | None, said: str) -> None:
    assert comp_size_short(given, packed, unpacked) == said


@pytest.mark.parametrize(("end", "fits"), [(33 * GIB, True), (33 * GIB + 1, False)])
def test_the_last_byte_of_the_window(end: int, fits: bool) -> None:
    assert initrd_window(Span.sized(GIB, MIB), Span(end - MIB, end)) == fits
    assert initrd_window(Span(end - MIB, end), Span.sized(GIB, MIB)) == fits


@pytest.mark.parametrize(("size", "fits"), [(MIB, True), (MIB + 1, False)])
def test_a_ramdisk_that_fills_the_memory_of_bootm(size: int, fits: bool) -> None:
    images = replace(
        fit(), ramdisk=Span.sized(0x48A00000, size), bootm_low=0x7F000000, bootm_size=MIB, fdt=None
    )
    result = plan(images, replace(BOARD, loader=None))
    places = [each.span for each in result.ranges if each.name == "ramdisk"]
    assert places == ([Span.sized(0x7F000000, MIB)] if fits else [])
    assert result.unplaced == (() if fits else ("no room for the ramdisk",))


@pytest.mark.parametrize(("step", "names"), [(0, ["b"]), (1, ["a", "b"]), (2, ["a"]), (3, [])])
def test_what_is_needed_at_a_step(step: int, names: list[str]) -> None:
    ranges = (used("b", 5, 10, 0, 2), used("a", 0, 10, 1, 3))
    found = RamMap(ranges=ranges, steps=("load b", "load a", "start")).at(step)
    assert [each.name for each in found] == names

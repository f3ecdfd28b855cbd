from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from imgaudit.contents.reader import Loader
from imgaudit.contents.tree import Content
from imgaudit.formats.arm64_image import Arm64ImageFacts
from imgaudit.formats.fit import FitFacts
from imgaudit.rules import checks
from imgaudit.rules import samples as sample
from imgaudit.rules._containers import compressor, ram_size
from imgaudit.rules.built import subject_of
from imgaudit.rules.engine import Severity
from imgaudit.rules.examples import nor
from imgaudit.rules.subject import Subject
from imgaudit.tasks import audit
from imgaudit.units import KIB, MIB
from imgaudit.writers.fip import BL31, BL33, fip
from tests.rules._containers import MODULES, alone

KERNEL = sample.arm64_kernel()


def content_of(data: bytes) -> Content:
    with Loader() as loader:
        return loader.memory("lone.bin", data).content


@pytest.mark.parametrize(
    ("data", "label", "size"),
    [
        (b"tide" * 10, "none", 40),
        (sample.packed(bytes(5 * KIB)), "gzip", 5 * KIB),
        (sample.packed(bytes(5 * KIB)), "none", len(sample.packed(bytes(5 * KIB)))),
        (sample.arm64_kernel(2 * KIB, image_size=3 * KIB), "none", 3 * KIB),
        (sample.arm64_kernel(2 * KIB, image_size=KIB), "none", 2 * KIB),
        (sample.packed(sample.arm64_kernel(image_size=3 * KIB)), "gzip", 3 * KIB),
        (sample.arm64_kernel(image_size=0), None, 16 * MIB),
        (sample.riscv_kernel(7 * KIB), "none", 7 * KIB),
    ],
)
def test_size_in_ram(data: bytes, label: str | None, size: int) -> None:
    assert ram_size(content_of(data), label) == size


def test_compression_is_named_only_where_it_is_sure() -> None:
    assert compressor(content_of(sample.packed(b"tide"))) == "gzip"
    assert compressor(content_of(KERNEL)) is None
    # The reserved flag bits of RFC 1952 leave a doubt.
    assert compressor(content_of(b"\x1f\x8b\x08\xe0" + bytes(32))) is None


def test_offsets_are_the_chips_down_to_where_something_is_unpacked() -> None:
    packed = sample.kernel({"compression": "gzip"}, payload=sample.packed(KERNEL))
    data = sample.fit({"plain": sample.kernel(), "packed": packed})
    example = nor(
        "name: recovery, at: 64 KiB, size: 64 KiB, file-at: 0x400, holds: fit, file: recovery.itb",
        files={"recovery.itb": lambda: data},
    )
    subject = subject_of(example)
    start = 64 * KIB + 0x400
    assert [found.start for found in subject.of(FitFacts)] == [start]
    bases = {found.content.name: found.start for found in subject.of(Arm64ImageFacts)}
    assert bases == {
        "recovery.itb/plain": start + data.index(KERNEL),
        "recovery.itb/packed/unpacked": None,
    }


def test_offsets_of_a_lone_artifact_are_its_own() -> None:
    (finding,) = alone(sample.fit(default="conf-9"), "fit-default-configuration-missing")
    assert (finding.region, finding.chip, finding.where) == (None, None, None)
    assert finding.artifact == "lone.bin"
    assert sample.fit(default="conf-9")[finding.offset :].startswith(b"conf-9\0")


def test_the_image_of_a_whole_chip_is_not_taken_for_its_first_artifact() -> None:
    data = sample.fit()
    example = nor(
        "name: recovery, at: 0, size: 64 KiB, holds: fit, file: recovery.itb",
        chip="size: 1 MiB, erase-block: 64 KiB, image: nor.img",
        files={"recovery.itb": lambda: data, "nor.img": lambda: data.ljust(MIB, b"\xff")},
    )
    found = [item.content.name for item in subject_of(example).of(FitFacts)]
    assert found == ["recovery.itb"]


def test_every_message_can_be_said_without_a_region() -> None:
    seen = set()
    for check in checks().values():
        if check.run.__module__.rpartition(".")[2] in MODULES:
            with Loader() as loader:
                others = {
                    path: loader.memory(path, make()) for path, make in check.rule.bad.files.items()
                }
            subject = Subject(layout=None, others=others)
            for finding in audit.run(subject, only=[check]).findings:
                assert finding.message
                assert finding.effect
                assert finding.fix
                seen.add(check.rule.name)
    assert len(seen) > 30


WHOLE = (
    sample.fit({"kernel": sample.kernel(), "fdt": sample.image({"type": "flat_dt"})}),
    sample.uimage(bytes(3) + b"\4" + bytes(4) + b"tide", kind=4),
    fip({BL31: KERNEL, BL33: sample.board_tree()}),
    sample.zimage() + sample.board_tree(),
    sample.board_tree(),
    KERNEL,
)


@settings(max_examples=30)
@given(
    whole=st.sampled_from(WHOLE),
    changes=st.lists(
        st.tuples(st.integers(0, 1 << 12), st.binary(min_size=1, max_size=8)), max_size=4
    ),
    cut=st.integers(0, 1 << 12),
)
def test_damaged_containers_give_findings_and_no_exception(
    whole: bytes, changes: list[tuple[int, bytes]], cut: int
) -> None:
    data = bytearray(whole)
    for at, piece in changes:
        start = at % len(data)
        data[start : start + len(piece)] = piece
    for finding in alone(bytes(data[: max(1, len(data) - cut % len(data))])):
        assert finding.message
        assert finding.severity in Severity

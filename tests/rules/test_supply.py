from __future__ import annotations

import gzip
from dataclasses import replace

import pytest

from imgaudit.contents import reader
from imgaudit.rules.engine import Severity
from imgaudit.units import KIB
from imgaudit.writers.elf import program
from tests._audits import audited, emmc, found, nor, one, unchecked

REGION = "name: recovery, at: 64 KiB, size: 128 KiB, file-at: 512, file: recovery.bin"
START = 64 * KIB + 512


def holding(kind: str) -> str:
    return f"{REGION}, holds: {kind}"


def test_missing() -> None:
    finding = one("artifact-missing", nor(REGION))
    assert finding.message == "recovery.bin is not in the artifacts folder"
    assert (finding.offset, finding.artifact) == (START, None)
    assert not found("artifact-missing", nor("name: settings, at: 0, size: 64 KiB"))
    assert not found("artifact-not-usable", nor(REGION))


def test_refused() -> None:
    for path in ("../recovery.bin", "/recovery.bin", "a/../b"):
        example = nor(f"name: recovery, at: 0, size: 128 KiB, file: {path}")
        assert one("artifact-not-usable", example).message == f"{path} leaves the artifacts folder"
        assert not found("artifact-missing", example)


def test_empty() -> None:
    finding = one("artifact-empty", nor(REGION), {"recovery.bin": b""})
    assert (finding.offset, finding.severity) == (START, Severity.ERROR)
    names = {item.rule.name for item in audited(nor(REGION), {"recovery.bin": b""}).findings}
    assert names == {"artifact-empty"}


@pytest.mark.parametrize(
    ("data", "value"),
    [
        (b"\0", 0),
        (b"\xff", 255),
        (b"\0" * 100_000, 0),
        (b"\xff" * 100_000, 255),
        (b"\0" * 99_999 + b"\1", None),
        (b"\xff" * 70_000 + b"\xfe" + b"\xff" * 70_000, None),
        (b"\x5a" * 100, None),
    ],
)
def test_blank(data: bytes, value: int | None) -> None:
    files = {"recovery.bin": data}
    findings = found("artifact-blank", nor(REGION), files)
    assert [item.values["value"] for item in findings] == [value] * (value is not None)
    assert all(item.offset == START for item in findings)
    meant = nor(holding("blank"))
    assert not found("artifact-blank", meant, files)
    assert bool(found("artifact-not-blank", meant, files)) == (value is None)


def test_not_blank_says_where() -> None:
    finding = one("artifact-not-blank", nor(holding("blank")), {"recovery.bin": b"tide"})
    assert (finding.offset, finding.length) == (START, 4)
    assert not found("artifact-not-blank", nor(holding("blank")), {"recovery.bin": b""})


@pytest.mark.parametrize(
    ("holds", "data", "says"),
    [
        ("squashfs", b"tide" * KIB, "no format that is known"),
        ("squashfs", gzip.compress(b"tide" * KIB, mtime=0), "no format that is known"),
        ("squashfs", b"hsqs" + bytes(92), None),
        ("gzip", gzip.compress(b"tide", mtime=0), None),
        ("xz", gzip.compress(b"tide", mtime=0), "should be xz but is no format that is known"),
        ("xz", b"hsqs" + bytes(92), "should be xz but is Squashfs"),
        ("raw", b"tide", None),
        ("blank", b"tide", None),
        ("squashfs", b"\xff" * KIB, None),
        ("squashfs", b"", None),
    ],
)
def test_another_format(holds: str, data: bytes, says: str | None) -> None:
    example = nor(holding(holds))
    files = {"recovery.bin": data}
    if says is None:
        assert not found("artifact-not-what-it-claims", example, files)
    else:
        assert says in one("artifact-not-what-it-claims", example, files).message


def test_damaged_payload_is_placed_on_the_chip() -> None:
    stream = gzip.compress(bytes(range(256)) * 100)[:-30]
    finding = one("artifact-damaged", nor(holding("gzip")), {"recovery.bin": stream})
    assert finding.values["at"] == len(stream)
    assert finding.offset == START + len(stream)
    assert finding.where is not None


def test_damage_that_lies_nowhere_on_the_chip() -> None:
    stream = gzip.compress(bytes(range(256)) * 100)[:-30]
    example = emmc("name: root, at: 64 KiB, size: 1 MiB, file: root.gz, holds: squashfs")
    assert one("artifact-damaged", example, {"root.gz": stream}).offset is None
    inner = gzip.compress(stream)
    assert one("artifact-damaged", nor(holding("gzip")), {"recovery.bin": inner}).offset is None


def test_a_damaged_part_is_placed_by_its_container() -> None:
    inner = b"\x1f\x8b\x08" + bytes(6) + b"\x03tide"
    archive = _cpio({"inner.gz": inner})
    findings = found("artifact-damaged", nor(holding("cpio")), {"recovery.bin": archive})
    assert not [item for item in findings if item.offset is not None and item.offset < START]


def _cpio(files: dict[str, bytes]) -> bytes:
    out = b""
    for name, data in [*files.items(), ("TRAILER!!!", b"")]:
        fields = (1, 0o100644, 0, 0, 1, 0, len(data), 0, 0, 0, 0, len(name) + 1, 0)
        head = b"070701" + b"".join(b"%08X" % field for field in fields) + name.encode() + b"\0"
        out += head + bytes(-len(head) % 4) + data + bytes(-len(data) % 4)
    return out


@pytest.mark.parametrize(
    ("data", "what"),
    [
        (b"version https://git-lfs.github.com/spec/v1\n", "a Git LFS pointer"),
        (b"\n <!DOCTYPE HTML><html>", "an HTML page"),
        (b"<HTML>", "an HTML page"),
        (b"<?xml version='1.0'?><Error/>", "an XML answer"),
        (b"tide", None),
    ],
)
def test_placeholder(data: bytes, what: str | None) -> None:
    findings = found("artifact-is-a-placeholder", nor(REGION), {"recovery.bin": data})
    assert [item.values["what"] for item in findings] == [what] * (what is not None)
    assert all(item.offset == START for item in findings)


SAME = (
    "name: a, at: 0, size: 64 KiB, file: a.bin",
    "name: b, at: 64 KiB, size: 64 KiB, file: b.bin",
)


_SLOT = "{{variables: {{s: {}}}, regions: [{}]}}"


def test_identical_artifacts() -> None:
    finding = one("artifacts-identical", nor(*SAME), {"a.bin": b"tide", "b.bin": b"tide"})
    assert finding.message == "b.bin for b has the same bytes as a.bin for a"
    assert not found("artifacts-identical", nor(*SAME), {"a.bin": b"tide", "b.bin": b"gauge"})
    for data in (b"", b"\xff" * 10):
        assert not found("artifacts-identical", nor(*SAME), {"a.bin": data, "b.bin": data})


def test_what_may_be_identical() -> None:
    files = {"a.bin": b"tide", "b.bin": b"tide"}
    twice = (SAME[0], SAME[1].replace("b.bin", "a.bin"))
    assert not found("artifacts-identical", nor(*twice), files)
    copies = tuple(f"{region}, holds: uboot-env" for region in SAME)
    assert not found("artifacts-identical", nor(*copies), files)
    slots = [
        f"name: {name}, at: {at} MiB, size: 1 MiB, file: {name}.bin, partition: {at}, type: {kind}"
        for name, at, kind in (("a", 1, "linux-root-arm64"), ("b", 2, "linux-root-arm64"))
    ]
    assert not found("artifacts-identical", emmc(*slots), files)
    other = slots[1].replace("linux-root-arm64", "esp")
    assert found("artifacts-identical", emmc(slots[0], other), files)


@pytest.mark.parametrize(
    ("slots", "told"),
    [
        (
            "slots: {x: {variables: {s: x}, regions: [a]}, y: {variables: {s: y}, regions: [b]}}",
            False,
        ),
        ("entry: bootcmd", True),
    ],
)
def test_slots_of_one_stage_may_be_identical(slots: str, told: bool) -> None:
    example = nor(*SAME)
    stages = f"stages:\n  main:\n    regions: [a, b]\n    {slots}\n"
    example = replace(example, layout=example.layout + stages)
    files = {"a.bin": b"tide", "b.bin": b"tide"}
    assert bool(found("artifacts-identical", example, files)) is told


def test_what_was_not_looked_into_is_said() -> None:
    data = b"tide"
    for _ in range(20):
        data = gzip.compress(data)
    result = audited(nor(holding("gzip")), {"recovery.bin": data})
    (placement,) = result.subject.placements
    assert placement.artifact is not None
    deepest = list(placement.artifact.content.walk())[-1]
    assert deepest.why == f"not looked into: more than {reader._DEPTH} levels"


def test_damage_is_not_looked_for_where_nothing_was_read(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reader, "MEASURE", 1000)
    example = nor(holding("gzip"))
    data = gzip.compress(bytes(range(256)) * 100)
    ((subject, why),) = unchecked("artifact-damaged", example, {"recovery.bin": data})
    assert subject == "recovery.bin"
    assert why.startswith("unpacks to more than ")


def test_what_a_reader_is_not_sure_of_is_not_checked() -> None:
    whole = program()
    # ELF64's e_shoff, far behind the end
    doubtful = whole[:40] + (1 << 40).to_bytes(8, "little") + whole[48:]
    region = "name: firmware, at: 0, size: 64 KiB, holds: elf, file: bl31.elf"
    example = nor(region, files={"bl31.elf": lambda: whole})
    assert unchecked("artifact-damaged", example) == []
    ((subject, why),) = unchecked("artifact-damaged", example, {"bl31.elf": doubtful})
    assert subject == "bl31.elf"
    assert why == "The section headers cannot be read"

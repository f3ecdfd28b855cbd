"""Time grows as its input does: of 32, 64 and 128 of a thing, the last step makes twice the calls.

Calls of functions are counted and not seconds, so that what else the machine does cannot matter. Of
what grows in proportion the second step costs twice the first, of what grows with the square four
times.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from imgaudit.errors import AuditError
from imgaudit.report import render
from imgaudit.rules.samples import fit, kernel
from imgaudit.tasks import audit, board, opened
from imgaudit.tasks.folder import draft_folder
from imgaudit.tasks.readback import compare
from imgaudit.tasks.seal import seal
from imgaudit.tasks.sections import Report
from imgaudit.units import KIB
from imgaudit.writers.env import environment
from imgaudit.writers.fdt import Tree, fdt

SMALLEST = 32
MOST = 2.3
_ONE_ENV = "holds: uboot-env, writer: runtime, env: {size: 4 KiB}"
_SCRIPTS = {
    "bootcmd": "run one || run two",
    "one": "sf probe && sf read 0x90000000 0x100000 0x10000 && bootm 0x90000000",
    "two": "echo tide",
}


def layout(folder: Path, count: int, region: str, more: str = "") -> None:
    """Write a layout with so many regions of 64 KiB on one NOR; `{n}` is the number of each."""
    regions = "".join(
        f"  - {{name: r-{n}, chip: nor, at: {n * 64} KiB, size: 64 KiB, "
        + region.replace("{n}", str(n))
        + "}\n"
        for n in range(count)
    )
    (folder / "board.yaml").write_text(
        "layout: 1\nboard: tide\narch: arm64\nchips:\n"
        f"  nor: {{kind: spi-nor, size: {count * 64} KiB, erase-block: 64 KiB, address-bytes: 4}}\n"
        f"regions:\n{regions}{more}"
    )


def audited(folder: Path, *, artifacts: bool = True) -> Report:
    subject = opened.subject(str(folder / "board.yaml"), str(folder) if artifacts else None)
    return board.audit(audit.run(subject), ())


def whole(folder: Path) -> None:
    report = audited(folder)
    for form in ("text", "json", "html", "junit"):
        render(form, report)


def regions(folder: Path, count: int) -> Callable[[], object]:
    layout(folder, count, "holds: raw, writer: release, file: 'f{n}'")
    for number in range(count):
        (folder / f"f{number}").write_bytes(b"tide %d" % number * 99)
    return lambda: whole(folder)


def on_paper(folder: Path, count: int) -> Callable[[], object]:
    layout(folder, count, "holds: raw, writer: release")
    return lambda: audited(folder, artifacts=False)


def missing_files(folder: Path, count: int) -> Callable[[], object]:
    layout(folder, count, "holds: raw, writer: release, file: 'g{n}'")
    for number in range(count):
        (folder / f"f{number}").write_bytes(b"tide")
    return lambda: whole(folder)


def environments(folder: Path, count: int) -> Callable[[], object]:
    layout(folder, count, f"{_ONE_ENV}, file: 'e{{n}}'")
    for number in range(count):
        (folder / f"e{number}").write_bytes(environment(_SCRIPTS, 4 * KIB, None))
    return lambda: whole(folder)


def waivers(folder: Path, count: int) -> Callable[[], object]:
    waived = "".join(
        f"    - {{finding: artifact-exceeds-region, region: r-{n}, reason: tide}}\n"
        for n in range(count)
    )
    more = f"policy:\n  waive:\n{waived}"
    layout(folder, count, "holds: raw, writer: release, file: 'f{n}'", more)
    for number in range(count):
        (folder / f"f{number}").write_bytes(b"tide%4d" % number * (9 * KIB))
    return lambda: whole(folder)


def map_entries(folder: Path, count: int) -> Callable[[], object]:
    entries: Tree = {
        f"partition@{n * 0x10000:x}": {"reg": (n * 0x10000, 0x10000), "label": f"r-{n}"}
        for n in range(count)
    }
    cells: Tree = {"#address-cells": 1, "#size-cells": 1}
    table: Tree = {"compatible": ["fixed-partitions"], **cells, **entries}
    flash: Tree = {"compatible": ["jedec,spi-nor"], "reg": 0, "partitions": table}
    bus: Tree = {"#address-cells": 1, "#size-cells": 0, "flash@0": flash}
    tree: Tree = {"compatible": ["example,gauge"], **cells, "spi": bus}
    (folder / "tree.dtb").write_bytes(fdt(tree))
    more = "written-elsewhere: {device-tree: tree.dtb}\n"
    layout(folder, count, "holds: raw, writer: release", more)
    return lambda: whole(folder)


def commands(folder: Path, count: int) -> Callable[[], object]:
    steps = "; ".join(f"sf read {0x90000000 + n * 0x1000:#x} 0 0x1000" for n in range(count))
    variables = {"bootcmd": f"sf probe; {steps}; setenv a 1; bootm 0x90000000"}
    (folder / "env").write_bytes(environment(variables, 16 * KIB, None))
    more = "stages: {main: {regions: [r-0], entry: bootcmd}}\n"
    layout(folder, 1, f"{_ONE_ENV.replace('4 KiB', '16 KiB')}, file: env", more)
    return lambda: whole(folder)


def dumped(folder: Path, count: int) -> Callable[[], object]:
    """Hold a dump against a build where each region has what belongs into the next."""
    regions(folder, count)
    data = [bytes(range(n % 7, 128 + n % 5)) + b"%d" % n * 99 for n in range(count)]
    for number in range(count):
        (folder / f"f{number}").write_bytes(data[number])
    dump = b"".join(data[n - 1].ljust(64 * KIB, b"\xff") for n in range(count))
    (folder / "nor.bin").write_bytes(dump)
    at = str(folder / "board.yaml"), {"nor": str(folder / "nor.bin")}
    return lambda: compare(*at, artifacts=str(folder))


def sealed(folder: Path, count: int) -> Callable[[], object]:
    """Hold the same dump against the manifest of such a build, whose files all differ in size."""
    regions(folder, count)
    data = [b"tide %d" % n * (99 + n) for n in range(count)]
    for number in range(count):
        (folder / f"f{number}").write_bytes(data[number])
    dump = b"".join(data[n - 1].ljust(64 * KIB, b"\xff") for n in range(count))
    (folder / "nor.bin").write_bytes(dump)
    text = seal(str(folder / "board.yaml"), str(folder)).document
    assert text is not None
    (folder / "release.json").write_text(text)
    at = str(folder / "board.yaml"), {"nor": str(folder / "nor.bin")}
    return lambda: compare(*at, manifest=str(folder / "release.json"))


def images(folder: Path, count: int) -> Callable[[], object]:
    """Judge a FIT of so many kernels and configurations, each with a wrong checksum."""
    wrong: Tree = {"hash-1": {"algo": "crc32", "value": b"tide"}}
    kernels: Tree = {f"kernel-{n}": kernel(wrong) for n in range(count)}
    choices: Tree = {f"conf-{n}": {"kernel": f"kernel-{n}"} for n in range(count)}
    (folder / "recovery.itb").write_bytes(
        fit(
            {"kernel": kernel(), **kernels},
            configurations={"conf": {"kernel": "kernel"}, **choices},
        )
    )
    size = (folder / "recovery.itb").stat().st_size
    layout(folder, 1, "holds: fit, writer: release, file: recovery.itb")
    path = folder / "board.yaml"
    path.write_text(
        path.read_text().replace("size: 64 KiB", f"size: {size // KIB // 64 * 64 + 64} KiB")
    )
    return lambda: whole(folder)


def drafted(folder: Path, count: int) -> Callable[[], object]:
    """Look for sources in texts of which none is one."""
    for number in range(count):
        (folder / f"note-{number}").write_text(f"tide {number}\n" * 9)

    def work() -> None:
        with pytest.raises(AuditError, match="nothing to draft"):
            draft_folder(str(folder))

    return work


CASES = (
    *(regions, on_paper, missing_files, environments, waivers, map_entries, commands),
    *(dumped, sealed, images, drafted),
)


def calls(work: Callable[[], object]) -> int:
    count = 0

    def tick(_: object, event: str, __: object) -> None:
        nonlocal count
        count += event in {"call", "c_call"}

    sys.setprofile(tick)
    try:
        work()
    finally:
        sys.setprofile(None)
    return count


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.__name__)
def test_twice_as_much_takes_twice_the_calls(
    case: Callable[[Path, int], Callable[[], object]], tmp_path: Path
) -> None:
    found = []
    for number, count in enumerate((2, SMALLEST, 2 * SMALLEST, 4 * SMALLEST)):
        folder = tmp_path / f"{number}"
        folder.mkdir()
        found.append(calls(case(folder, count)))  # the first makes what is made once
    _, one, two, four = found
    assert four - two <= MOST * (two - one), found

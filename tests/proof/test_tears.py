"""A FIT that is torn at an erase block: which images that breaks, and which stage reads them."""

from __future__ import annotations

import hashlib
import subprocess
from pathlib import Path

import pytest

from imgaudit.chips import SPI_NOR
from imgaudit.contents.reader import Loader
from imgaudit.formats.fit import FitFacts
from imgaudit.model import Chip, EraseRun, Where
from imgaudit.proof.cuts import Cut
from imgaudit.proof.tears import tears
from imgaudit.rules._boot import scripted
from imgaudit.rules.built import subject_of
from imgaudit.rules.engine import Example
from imgaudit.rules.samples import arm64_kernel, board_tree, fit, image, kernel
from imgaudit.units import KIB, Span
from imgaudit.writers.cpio import cpio
from imgaudit.writers.elf import program
from imgaudit.writers.fdt import Tree
from imgaudit.writers.tree import file

_SMALL = 4 * KIB


def chip(*runs: EraseRun) -> Chip:
    return Chip(
        where=Where("tide.yaml", 1, 1),
        name="nor",
        kind=SPI_NOR,
        sizes=(1 << 20,),
        erase_map=runs or (EraseRun(256, _SMALL),),
    )


def external(*names: str, size: int = 20 * KIB, summed: bool = True) -> bytes:
    """Write a FIT with its data behind the tree; a configuration for each kernel, by its name."""
    root = cpio({"init": file(program(), 0o755)}, 0)
    made = {"tree": board_tree(), "root": root}
    made |= {name: arm64_kernel(size) + name.encode() for name in names}
    images: Tree = {}
    data = b""
    for name in (*names, "tree", "root"):
        kind: Tree = {"type": "flat_dt"} if name == "tree" else {}
        changes: Tree = {**kind, "data": (), "data-offset": len(data), "data-size": len(made[name])}
        if not summed:
            changes |= {"hash-1": ()}
        make = kernel if name in names else image
        images[name] = make(changes, payload=made[name])
        data += made[name].ljust(-(-len(made[name]) // 4) * 4, b"\0")
    choices: Tree = {
        f"for-{name}": {"kernel": name, "fdt": "tree", "ramdisk": "root"} for name in names
    }
    head = fit(images, configurations=choices, default=f"for-{names[0]}")
    return head.ljust(-(-len(head) // 4) * 4, b"\0") + data


def facts(data: bytes) -> FitFacts:
    with Loader() as loader:
        found = loader.memory("tide.itb", data, expects="fit").content.facts
    assert isinstance(found, FitFacts)
    return found


def broken_at(data: bytes, one: Chip, start: int, number: int) -> set[str] | None:
    """Look up what tears() says of a block."""
    with Loader() as loader:
        content = loader.memory("tide.itb", data, expects="fit").content
    whole = one.erased_by(Span.sized(start, len(data)))
    found = None
    for at, names in tears(content, one, whole, start):
        if at <= number:
            found = set(names)
    return found


@pytest.mark.parametrize(
    ("runs", "start"),
    [((), 0), ((), 64 * KIB), ((EraseRun(9, _SMALL), EraseRun(60, 16 * KIB)), 24 * KIB)],
)
def test_what_is_said_whole_is_whole(runs: tuple[EraseRun, ...], start: int) -> None:
    """Hold it against the sums of an image whose rest was never written, at every block."""
    data, one = external("up", "down"), chip(*runs)
    whole = one.erased_by(Span.sized(start, len(data)))
    told = 0
    edges = [whole.start]
    while edges[-1] < whole.end:
        edges.append(one.erased_by(Span.sized(edges[-1], 1)).end)
    for number, edge in enumerate(edges[:-1]):
        cut = data[: max(0, edge - start)].ljust(len(data), b"\xff")
        said = broken_at(data, one, start, number)
        if said is None:
            continue
        told += 1
        sums = facts(cut).checksums
        assert said == {sum_.name.partition("/")[0] for sum_ in sums if not sum_.matches}
    assert told >= 4


def test_data_inside_the_tree_is_not_told_apart() -> None:
    data = fit({"kernel": kernel(payload=arm64_kernel(40 * KIB))})
    assert broken_at(data, chip(), 0, 3) is None
    assert broken_at(data, chip(), 0, 200) == set()


@pytest.mark.oracle
def test_mkimage_writes_the_tree_before_external_data(tmp_path: Path) -> None:
    parts = {"one": b"tide" * 5000, "two": b"ebb" * 9000}
    for name, data in parts.items():
        (tmp_path / name).write_bytes(data)
    nodes = "".join(
        f'{name} {{ data = /incbin/("{name}"); type = "firmware"; compression = "none";'
        f' arch = "arm64"; hash-1 {{ algo = "sha256"; }}; }};'
        for name in parts
    )
    (tmp_path / "a.its").write_text(
        f'/dts-v1/; / {{ description = "tide"; images {{ {nodes} }}; }};'
    )
    command = ["mkimage", "-E", "-f", "a.its", "a.itb"]
    subprocess.run(command, cwd=tmp_path, check=True, capture_output=True)
    data = (tmp_path / "a.itb").read_bytes()
    found = facts(data)
    for number in range(len(data) // _SMALL):
        said = broken_at(data, chip(), 0, number)
        written = data[: number * _SMALL].ljust(len(data), b"\xff")
        lost = set()
        for item in found.images:
            assert item.data_offset is not None
            assert item.data_size is not None
            piece = written[item.data_offset : item.data_offset + item.data_size]
            if hashlib.sha256(piece).hexdigest() != item.hashes[0].value:
                lost.add(item.name)
        assert said in ({*lost}, None)
        assert said is not None or number * _SMALL < found.totalsize + _SMALL


# Which stage reads it -----------------------------------------------------------------------------

_SF = "sf probe && sf read 0x88000000 0x20000 0x40000 && bootm 0x88000000#for-"


def cuts(steps: str, data: bytes) -> tuple[Cut, ...]:
    """Walk the update of one FIT that two stages start from."""
    plain = scripted(
        _SF + "up",
        bootcmd="run down || run recovery",
        more={"down": _SF + "down"},
        chip="size: 1 MiB, erase-block: 4 KiB",
        stage="  down: {regions: [env, recovery], entry: down, ramdisk: recovery}\n",
        itb=lambda: data,
        rest=f"updates:\n  field: {{by: down, steps: [{steps}]}}\n",
    )
    (walked,) = subject_of(Example(plain.layout, plain.files)).updates
    return walked.cuts


def test_the_stage_whose_image_is_torn_is_named() -> None:
    found = cuts("{write: recovery}", external("up", "down"))
    told = [(cut.images, cut.without, cut.starts) for cut in found]
    assert told[0][1:] == (("recovery", "down"), ())
    # behind the first kernel only what follows is torn: but both need tree and root, at the end
    assert all(without == ("recovery", "down") for _, without, _ in told)
    assert {name for images, _, _ in told for name in images} == {"up", "down", "tree", "root"}


def test_a_stage_before_the_tear_starts() -> None:
    root = cpio({"init": file(program(), 0o755)}, 0)
    parts = {"tree": board_tree(), "root": root, "up": arm64_kernel(20 * KIB)}
    parts["down"] = arm64_kernel(20 * KIB) + b"down"
    images: Tree = {}
    data = b""
    for name, payload in parts.items():
        kind: Tree = {"type": "flat_dt"} if name == "tree" else {}
        changes: Tree = {**kind, "data": (), "data-offset": len(data), "data-size": len(payload)}
        make = kernel if name in {"up", "down"} else image
        images[name] = make(changes, payload=payload)
        data += payload.ljust(-(-len(payload) // 4) * 4, b"\0")
    choices: Tree = {
        f"for-{name}": {"kernel": name, "fdt": "tree", "ramdisk": "root"} for name in ("up", "down")
    }
    head = fit(images, configurations=choices, default="for-up")
    found = cuts("{write: recovery}", head.ljust(-(-len(head) // 4) * 4, b"\0") + data)
    last = found[-1]
    assert last.images == ("down",)
    assert last.without == ("down",)
    assert "recovery" in (last.starts or ())
    assert not last.fails
    assert found[0].starts == ()
    # the first block of which all that goes before is whole lies behind the first kernel
    whole = -(-(len(head) + len(data) - len(parts["down"])) // _SMALL)
    assert [(cut.place, cut.images) for cut in found] == [
        (f"block 0 to {whole - 1}", ("down", "root", "tree", "up")),
        (f"block {whole} to 10", ("down",)),
    ]

"""What is fuzzed: each takes any bytes and must end in a result or in one of our own errors."""

from __future__ import annotations

import contextlib
import tempfile
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path

from imgaudit.boot import shell
from imgaudit.boot.extlinux import parse_extlinux
from imgaudit.contents.build import MemoryStore
from imgaudit.contents.reader import Loader
from imgaudit.errors import ImgauditError
from imgaudit.formats import flat_tree, readers
from imgaudit.formats.view import View
from imgaudit.layout.load import parse as parse_layout
from imgaudit.maps import (
    alternates,
    binman,
    command_line,
    fw_env_config,
    genimage,
    gpt_write,
    kickstart,
    mtdparts,
    uboot_config,
)
from imgaudit.maps.descriptions import described
from imgaudit.release import manifest
from imgaudit.release.dumps import dump_of
from imgaudit.report import render
from imgaudit.rescue import sh
from imgaudit.rules import checks
from imgaudit.rules.built import subject_of
from imgaudit.rules.engine import Example
from imgaudit.rules.subject import Subject, gather
from imgaudit.tasks import audit, board, readback
from imgaudit.tasks.folder import draft_folder
from imgaudit.writers.env import environment

LAYOUT = b"""\
layout: 1
board: example
arch: arm64
chips: {nor: {kind: spi-nor, size: 16 MiB, erase-block: 64 KiB}}
regions:
  - {name: env, chip: nor, at: 0, size: 1 MiB, holds: uboot-env, file: it, writer: runtime,
     env: {size: 16 KiB}}
  - {name: recovery, chip: nor, at: 2 MiB, size: 8 MiB, holds: fit, file: it, writer: release}
  - {name: tree, chip: nor, at: 12 MiB, size: 1 MiB, holds: fdt, file: it, writer: release}
stages: {main: {regions: [env, recovery], entry: bootcmd, ramdisk: recovery}}
"""
_OUT = 64 << 20  # bytes that a decompressor is followed for


def _reader(name: str) -> Callable[[bytes], None]:
    def read(data: bytes) -> None:
        reader = readers()[name]
        view = View.of(data)
        reader.match(view)
        facts = reader.read(view)
        for part in facts.parts():
            facts.open(view, part)
        if reader.unpack is not None:
            done = 0
            for piece in reader.unpack(view.chunks()):
                done += len(piece)
                if done > _OUT:
                    break

    return read


def _text(act: Callable[[str], object]) -> Callable[[bytes], None]:
    return lambda data: (act(data.decode("utf-8", "replace")), None)[1]


def _maps(text: str) -> None:
    for consumer in mtdparts.Consumer:
        mtdparts.parse(text, consumer)
    mtdparts.parse_ids(text)
    command_line.parse(text)
    command_line.parse_root(text)
    for parse in (
        fw_env_config.parse,
        uboot_config.parse,
        alternates.copies,
        gpt_write.copies,
        genimage.copies,
        kickstart.copies,
        described,
        parse_extlinux,
    ):
        # What one of them refuses, the others may take.
        with contextlib.suppress(ImgauditError):
            parse(text)


def _binman(data: bytes) -> None:
    tuple(binman.copies(flat_tree.parse(View.of(data))))


def _shell(text: str) -> None:
    for modern in (False, True):
        shell.parse(text, "fuzzed", modern=modern)


def _walk(data: bytes) -> None:
    """Follow a script from power-on, and prove what it starts."""
    text = data.replace(b"\0", b"\n")[:12_000].decode("latin-1")
    names = {"bootcmd": "run x", "x": text, "a": "1", "loadaddr": "0x82000000"}
    _whole(environment(names, 16 << 10, None))


def _inspect(data: bytes) -> None:
    """Audit a file alone, and render it."""
    with Loader() as loader:
        subject = Subject(layout=None, others={"it": loader.memory("it", data)})
    result = audit.run(subject)
    for form in ("text", "json"):
        render(form, board.audit(result))


def _whole(data: bytes) -> None:
    """Audit a whole board whose every artifact is these bytes: maps, scripts, proof and all."""
    with Loader() as loader:
        store = MemoryStore({"it": lambda: data}, loader)
        result = audit.run(gather(parse_layout(LAYOUT, "layout.yaml"), store))
    for form in ("text", "json", "html", "sarif"):
        render(form, board.audit(result))


@cache
def _example(name: str) -> Example | None:
    rule, _, word = name.partition(" ")
    check = checks().get(rule)
    return None if check is None else getattr(check.rule, word, None)


def _changed(data: bytes) -> Example | None:
    """Take the first line for a rule's example and a file of it, and the rest for that file."""
    name, _, rest = data.partition(b"\n")
    which, _, file = name.decode("latin-1").partition("/")
    example = _example(which)
    if example is None:
        return None
    if not file:
        return replace(example, layout=rest.decode("utf-8", "replace"))
    return replace(example, files={**example.files, file: lambda: rest})


def _build(data: bytes) -> None:
    """Audit a rule's example in which one file, or the layout, is other bytes."""
    example = _changed(data)
    if example is None:
        return
    result = audit.run(subject_of(example))
    for form in ("text", "json"):
        render(form, board.audit(result))


def _draft(data: bytes) -> None:
    """Draft a layout from the files of such an example."""
    example = _changed(data)
    if example is None:
        return
    with tempfile.TemporaryDirectory() as place:
        for name, make in example.files.items():
            if "/" not in name:
                Path(place, name).write_bytes(make())
        draft_folder(place)


@cache
def _sealed() -> manifest.Manifest:
    """Give a manifest of one region."""
    payload = manifest.SealedPayload(size=4096, sha256="00" * 32)
    region = manifest.SealedRegion(
        name="recovery", chip="nor", offset=2 << 20, size=8 << 20, payload=payload
    )
    return manifest.Manifest(
        file="manifest.json", board="example", layout_sha256="00" * 32, regions=(region,)
    )


def _readback(data: bytes) -> None:
    """Hold a dump against a manifest, and what may be a manifest against dumps."""
    layout = parse_layout(LAYOUT, "layout.yaml")
    told, dumps = _sealed(), [data, data * 2]
    with contextlib.suppress(ImgauditError):
        told = manifest.parse(data, "manifest.json")
        dumps.append(b"\xff" * (16 << 20))
    for dump in dumps:
        found = {"nor": dump_of("nor.bin", View.of(dump))}
        render("json", readback.readback(readback.run(layout, found, told)))


TARGETS: dict[str, Callable[[bytes], None]] = {
    "layout": lambda data: (parse_layout(data, "layout.yaml"), None)[1],
    "manifest": lambda data: (manifest.parse(data, "manifest.json"), None)[1],
    "maps": _text(_maps),
    "shell": _text(_shell),
    "sh": _text(sh.parse),
    "binman": _binman,
    "walk": _walk,
    "readback": _readback,
    "inspect": _inspect,
    "audit": _whole,
    "build": _build,
    "draft": _draft,
    **{f"reader-{name}": _reader(name) for name in readers()},
}


def run(target: str, data: bytes) -> None:
    """Run a target; our own errors are answers, all others are faults."""
    try:
        TARGETS[target](data)
    except ImgauditError as problem:
        str(problem)

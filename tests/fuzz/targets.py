"""What is fuzzed: each takes any bytes and must end in a result or in one of our own errors."""

from __future__ import annotations

from collections.abc import Callable

from imgaudit.boot import shell
from imgaudit.contents.build import MemoryStore
from imgaudit.contents.reader import Loader
from imgaudit.errors import ImgauditError
from imgaudit.formats import readers
from imgaudit.formats.view import View
from imgaudit.layout.load import parse as parse_layout
from imgaudit.maps import command_line, fw_env_config, mtdparts, uboot_config
from imgaudit.release import manifest
from imgaudit.report import render
from imgaudit.rules.subject import Subject, gather
from imgaudit.tasks import audit, board

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
    fw_env_config.parse(text)
    command_line.parse(text)
    command_line.parse_root(text)
    uboot_config.parse(text)


def _shell(text: str) -> None:
    for modern in (False, True):
        shell.parse(text, "fuzzed", modern=modern)


def _inspect(data: bytes) -> None:
    """Audit a file alone, and render it."""
    with Loader() as loader:
        subject = Subject(layout=None, others={"it": loader.memory("it", data)})
    result = audit.run(subject)
    for form in ("text", "json"):
        render(form, board.audit(result))


def _audit(data: bytes) -> None:
    """Audit a whole board whose every artifact is these bytes: maps, scripts, proof and all."""
    with Loader() as loader:
        store = MemoryStore({"it": lambda: data}, loader)
        result = audit.run(gather(parse_layout(LAYOUT, "layout.yaml"), store))
    for form in ("text", "json", "html", "sarif"):
        render(form, board.audit(result))


TARGETS: dict[str, Callable[[bytes], None]] = {
    "layout": lambda data: (parse_layout(data, "layout.yaml"), None)[1],
    "manifest": lambda data: (manifest.parse(data, "manifest.json"), None)[1],
    "maps": _text(_maps),
    "shell": _text(_shell),
    "inspect": _inspect,
    "audit": _audit,
    **{f"reader-{name}": _reader(name) for name in readers()},
}


def run(target: str, data: bytes) -> None:
    """Run a target; our own errors are answers, all others are faults."""
    try:
        TARGETS[target](data)
    except ImgauditError as problem:
        str(problem)

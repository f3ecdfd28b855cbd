"""What the kernel tries as its first program; the same ramdisks are started under qemu."""

from __future__ import annotations

import functools
from pathlib import Path

import pytest

from imgaudit.rescue.first import First, first_program
from imgaudit.rescue.runnable import Runner
from imgaudit.writers import elf
from imgaudit.writers.cpio import cpio
from imgaudit.writers.tree import Entry, Root, character_device, directory, file, link
from tests.rescue._kernel import agree, boot
from tests.rescue._ramdisk import installer, root

ENDS = file(elf.program(), 0o755)
LOADER = elf.LOADER.lstrip("/")
CONSOLE: Root = {"dev/console": character_device(5, 1, 0o600)}


@functools.cache
def packaged(name: str) -> Entry:
    """Take a file of the packaged installer's ramdisk."""
    node = installer("arm64")[1].lookup(f"/{name}")
    assert node is not None
    return file(node.data().upto(0, node.size), 0o755)


def with_busybox(*left_out: str) -> Root:
    names = ("bin/busybox", "lib/aarch64-linux-gnu/libc.so.6", LOADER)
    return {name: packaged(name) for name in names if name not in left_out}


CASES: dict[str, tuple[Root, dict[str, str]]] = {
    "a program": ({"init": ENDS}, {}),
    "a script": ({"init": file("#!/bin/sh\n", 0o755), "bin/sh": ENDS}, {}),
    "a loader": (
        {
            "init": file(elf.dynamic_program(("libc.so.6",)), 0o755),
            LOADER: file(elf.library("ld-linux-aarch64.so.1"), 0o755),
            "lib/libc.so.6": file(elf.library("libc.so.6")),
        },
        {},
    ),
    "none": ({"etc/motd": file("")}, {}),
    "a dangling link": ({"init": link("sbin/none"), "sbin/init": ENDS}, {}),
    "links in a circle": ({"init": link("again"), "again": link("init")}, {}),
    "no x bit": ({"init": file(elf.program())}, {}),
    "no x bit, and a stand-in": ({"init": file(elf.program()), "bin/init": ENDS}, {}),
    "a directory": ({"init": directory(), "bin/sh": ENDS}, {}),
    "no interpreter": ({"init": file("#!/bin/bash\n", 0o755), "bin/sh": ENDS}, {}),
    "an interpreter with CR": ({"init": file("#!/bin/sh\r\n", 0o755), "bin/sh": ENDS}, {}),
    "an interpreter without x": (
        {"init": file("#!/bin/sh\n", 0o755), "bin/sh": file(elf.program())},
        {},
    ),
    "no loader": ({"init": file(elf.dynamic_program(("libc.so.6",)), 0o755)}, {}),
    "a loader without x": (
        {
            "init": file(elf.dynamic_program(("libc.so.6",)), 0o755),
            LOADER: file(elf.library("ld-linux-aarch64.so.1")),
        },
        {},
    ),
    "a loader of another machine": (
        {
            "init": file(elf.dynamic_program(("libc.so.6",)), 0o755),
            LOADER: file(elf.program(machine=elf.X86_64), 0o755),
        },
        {},
    ),
    "another machine": ({"init": file(elf.program(machine=elf.X86_64), 0o755)}, {}),
    "neither ELF nor script": ({"init": file("exec sh\n", 0o755), "etc/init": ENDS}, {}),
    "empty": ({"init": file("", 0o755)}, {}),
    "rdinit=": ({"init": file(""), "bin/rescue": ENDS}, {"rdinit": "/bin/rescue"}),
    "rdinit= of nothing": ({"init": ENDS}, {"rdinit": "/bin/rescue"}),
    "init= behind a broken /init": (
        {"init": file(elf.program()), "bin/rescue": ENDS},
        {"init": "/bin/rescue"},
    ),
    "init= of nothing": ({"init": file(elf.program()), "bin/sh": ENDS}, {"init": "/bin/rescue"}),
    "a packaged program without its library": (
        with_busybox("lib/aarch64-linux-gnu/libc.so.6") | {"init": link("bin/busybox")},
        {},
    ),
    "an applet that is not built in": (
        with_busybox() | {"init": link("bin/busybox"), "tide": link("bin/busybox")},
        {"rdinit": "/tide"},
    ),
}


def archive(tree: Root) -> bytes:
    return cpio(CONSOLE | tree, 0)


def first(tree: Root, named: dict[str, str]) -> First:
    runner = Runner(root(archive(tree)), "arm64")
    return first_program(runner, named.get("rdinit", "/init"), init=named.get("init"))


@pytest.mark.oracle
@pytest.mark.parametrize("name", CASES)
def test_a_running_kernel_agrees(name: str, tmp_path: Path) -> None:
    tree, named = CASES[name]
    arguments = " ".join(f"{key}={value}" for key, value in named.items())
    agree(first(tree, named), boot(archive(tree), tmp_path, arguments))

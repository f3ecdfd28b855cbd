"""The first program in a root: which it is, and why the kernel executes none."""

from __future__ import annotations

from dataclasses import replace
from uuid import UUID

import pytest

from imgaudit.contents.reader import Loader
from imgaudit.contents.tree import Content
from imgaudit.formats.files import Files, FileSystem
from imgaudit.proof.init import BARE, Init, init_of
from imgaudit.units import MIB
from imgaudit.writers.elf import program
from imgaudit.writers.ext4 import ext4
from imgaudit.writers.tree import Entry, directory, file, link

_X86 = 62
# The head of an ELF program: 32 bits, little-endian, ET_EXEC, EM_ARM.
_ARM = b"\x7fELF\1\1\1".ljust(16, b"\0") + bytes((2, 0, 40, 0)) + bytes(40)
_GOOD = file(program(), 0o755)


def root(files: dict[str, Entry], *, whole: bool = True) -> Content:
    """Give a root with these files; where it is not `whole`, some of it was not listed."""
    data = ext4(16 * MIB, files, label="root", uuid=UUID(int=1), epoch=0).whole()
    with Loader() as loader:
        content = loader.memory("root.img", data).content
    facts = content.facts
    assert isinstance(facts, FileSystem)
    assert facts.files is not None
    if whole:
        return content
    return replace(content, facts=replace(facts, files=Files(facts.files.entries, complete=False)))


# Linux init/main.c, kernel_init: init= alone where it is given, else /sbin/init, /etc/init,
# /bin/init and /bin/sh.
@pytest.mark.parametrize(
    ("files", "named", "path", "why"),
    [
        ({"sbin/init": _GOOD}, None, "/sbin/init", ""),
        ({"etc/init": _GOOD}, None, "/etc/init", ""),
        ({"bin/init": _GOOD, "bin/sh": _GOOD}, None, "/bin/init", ""),
        ({"opt/tide": _GOOD}, "/opt/tide", "/opt/tide", ""),
        ({"opt/tide": _GOOD, "sbin/init": link("../opt/tide")}, None, "/sbin/init", ""),
        ({"bin/sh": _GOOD}, "/bin/sh", "/bin/sh", ""),
        ({"bin/sh": _GOOD}, None, None, BARE),
        (
            {"sbin/init": _GOOD},
            "/opt/tide",
            None,
            "root.img has no /opt/tide",
        ),
        ({}, None, None, "root.img has no /sbin/init, /etc/init, /bin/init, /bin/sh"),
        ({"sbin/init": directory()}, None, None, "/sbin/init is no file"),
        ({"sbin/init": file(program(), 0o644)}, None, None, "/sbin/init is not executable"),
        ({"sbin/init": file(b"", 0o755)}, None, None, "/sbin/init is empty"),
        (
            {"sbin/init": file(b"", 0o755), "bin/init": file(program(), 0o600)},
            None,
            None,
            "/sbin/init is empty; /bin/init is not executable",
        ),
        ({"sbin/init": file(b"", 0o755), "bin/init": _GOOD}, None, "/bin/init", ""),
        (
            {"sbin/init": file(program(machine=_X86), 0o755)},
            None,
            None,
            "/sbin/init is for x86-64 (64-bit, little-endian), the board is arm64",
        ),
        # what is no ELF at all may be a script
        ({"sbin/init": file("#!/bin/sh\n", 0o755)}, None, "/sbin/init", ""),
    ],
)
def test_what_the_kernel_executes(
    files: dict[str, Entry], named: str | None, path: str | None, why: str
) -> None:
    assert init_of(root(files), named, "arm64") == Init(path, why, bare=why == BARE)


@pytest.mark.parametrize(
    ("files", "named", "why"),
    [
        ({}, None, "whether root.img has /sbin/init, /etc/init, /bin/init, /bin/sh is not known"),
        ({}, "/opt/tide", "whether root.img has /opt/tide is not known"),
        ({"bin/sh": _GOOD}, None, "whether root.img has another init is not known"),
    ],
)
def test_what_was_not_listed_is_not_missing(
    files: dict[str, Entry], named: str | None, why: str
) -> None:
    assert init_of(root(files, whole=False), named, "arm64") == Init(None, why, known=False)


def test_a_root_that_is_not_listed_at_all() -> None:
    content = root({})
    assert isinstance(content.facts, FileSystem)
    unlisted = replace(content, facts=replace(content.facts, files=None))
    found = init_of(unlisted, None, "arm64")
    assert found == Init(None, "the files of root.img are not listed", known=False)


@pytest.mark.parametrize(
    ("config", "path"),
    [
        (None, "/sbin/init"),
        ({"CONFIG_COMPAT": "y"}, "/sbin/init"),
        ({"CONFIG_COMPAT": "n"}, None),
        ({}, None),
    ],
)
def test_a_32_bit_init_needs_its_option(config: dict[str, str] | None, path: str | None) -> None:
    content = root({"sbin/init": file(_ARM, 0o755)})
    found = init_of(content, None, "arm64", config)
    assert found.path == path
    assert found.why == (
        ""
        if path
        else "/sbin/init is for ARM (32-bit, little-endian), and the kernel has no CONFIG_COMPAT"
    )

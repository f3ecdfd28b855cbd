from __future__ import annotations

import pytest

from imgaudit.rules._rescue import archive, tree
from imgaudit.rules.start import _MOUNTS, _PROMPT, _TOOLS, _init
from imgaudit.writers import elf
from imgaudit.writers.kernel import RELEASE
from imgaudit.writers.tree import Root, file
from tests._audits import found
from tests.rules._rescue import audited, rescued
from tests.rules.test_ramdisk import packed_fit

AT = f"lib/modules/{RELEASE}"
LOADER: Root = {"sbin/modprobe": file(elf.program(), 0o755)}


def modules(files: Root, *options: str) -> list[tuple[str, str]]:
    survey = rescued(packed_fit(archive(LOADER | files), "MODULES", *options), needs=["integrity"])
    return [
        (item.severity.value, item.rule.name)
        for item in audited(survey).findings
        if item.rule.name.startswith("module")
    ]


def one(name: str = "tide", **info: str) -> bytes:
    return elf.module(**({"name": name, "vermagic": f"{RELEASE} SMP mod_unload aarch64"} | info))


def test_a_sound_set() -> None:
    files = {
        f"{AT}/tide.ko": file(one(depends="gauge")),
        f"{AT}/gauge.ko": file(one("gauge")),
        f"{AT}/modules.dep": file("tide.ko: gauge.ko\ngauge.ko:\n"),
    }
    assert modules(files) == []


def test_one_module_of_another_build() -> None:
    files = {
        f"{AT}/tide.ko": file(one()),
        f"{AT}/gauge.ko": file(one("gauge", vermagic="6.1.0-old SMP")),
        f"{AT}/modules.dep": file("tide.ko:\ngauge.ko:\n"),
    }
    assert modules(files) == [("error", "module-vermagic-mismatch")]
    # Linux kernel/module/version.c, same_magic: with sums of symbols the release does not count.
    assert modules(files, "MODVERSIONS") == [("warning", "module-vermagic-mismatch")]
    elsewhere = {name.replace(RELEASE, "6.1.0-old"): entry for name, entry in files.items()}
    assert modules(elsewhere, "MODVERSIONS") == [("error", "module-vermagic-mismatch")]


def test_a_second_release_beside_the_right_one_is_let_be() -> None:
    files = {
        f"{AT}/tide.ko": file(one()),
        f"{AT}/modules.dep": file("tide.ko:\n"),
        "lib/modules/6.1.0-old/tide.ko": file(one(vermagic="6.1.0-old SMP")),
        "lib/modules/6.1.0-old/modules.dep": file("tide.ko:\n"),
    }
    assert modules(files) == []


def test_what_modules_dep_names() -> None:
    files = {
        f"{AT}/tide.ko": file(one()),
        f"{AT}/modules.dep": file("tide.ko: kernel/gauge.ko\n"),
    }
    assert modules(files) == [("warning", "module-dependency-missing")]


def test_compressed_modules() -> None:
    files = {f"{AT}/tide.ko.xz": file(b"\xfd7zXZ\0"), f"{AT}/modules.dep": file("tide.ko.xz:\n")}
    found = audited(rescued(archive(LOADER | files), needs=["integrity"]))
    assert "module-compression-unreadable" in {item.rule for item in found.not_checked}
    box = elf.program(b"\0BusyBox v1.36.1\0ash\0cat\0init\0modprobe\0\0")
    weak = files | {"sbin/modprobe": file(box, 0o755)}
    assert ("error", "module-compression-unreadable") in modules(weak)
    assert modules(weak, "MODULE_DECOMPRESS") == []


def test_one_of_several_firmware_files_is_enough() -> None:
    module = elf.module(name="tide", vermagic=f"{RELEASE} SMP", firmware="tide/a.bin")
    files = {f"{AT}/tide.ko": file(module), f"{AT}/modules.dep": file("tide.ko:\n")}
    assert modules(files) == [("warning", "module-firmware-missing")]
    assert modules(files | {"lib/firmware/tide/a.bin.xz": file(b"x")}) == []


def test_the_release_is_not_known() -> None:
    files = {f"{AT}/tide.ko": file(one()), f"{AT}/modules.dep": file("tide.ko:\n")}
    result = audited(rescued(archive(files), needs=["integrity"]))
    assert "module-vermagic-mismatch" in {item.rule for item in result.not_checked}
    plain = audited(rescued(archive(), needs=["integrity"]))
    assert "module-vermagic-mismatch" not in {item.rule for item in plain.not_checked}


@pytest.mark.parametrize(("word", "told"), [("net-pf-10", []), ("net_pf_10", []), ("gauge", [1])])
def test_a_script_may_name_a_module_by_its_alias(word: str, told: list[int]) -> None:
    """modprobe(8) resolves aliases; modules carry theirs in .modinfo."""
    tide = elf.module(name="tide", vermagic="6.12.30 SMP", alias="net-pf-10")
    more = {"lib/modules/6.12.30/tide.ko": file(tide)}
    lines = _init(*_MOUNTS, f"modprobe {word}", _PROMPT)
    assert len(found("start-module-missing", tree({**_TOOLS, **lines, **more}))) == sum(told)

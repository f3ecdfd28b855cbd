"""Kernel modules of the rescue: for its kernel, complete, and readable by its own loader."""

from __future__ import annotations

from imgaudit.rescue.stage import Rescue
from imgaudit.rules import samples as sample
from imgaudit.rules._rescue import (
    archive,
    example,
    listed,
    on_rescue,
    said,
    surveyed,
    tree,
    unknown,
)
from imgaudit.rules.cited import in_busybox, in_kmod, in_linux, manual
from imgaudit.rules.engine import Example, Outcome, Rule, Severity
from imgaudit.writers import elf
from imgaudit.writers.kernel import RELEASE, image
from imgaudit.writers.tree import Root, file

_AT = f"lib/modules/{RELEASE}"
_LOADER: Root = {"sbin/modprobe": file(elf.program(), 0o755)}


def _modules(files: Root, *, folder: str = _AT) -> Example:
    """Give the small ramdisk with modules, in a FIT with the kernel that they should be for."""
    inside = {f"{folder}/{name}": entry for name, entry in files.items()}
    return example(
        lambda: sample.fit(
            {
                "kernel": sample.kernel(payload=image({"MODULES": "y"})),
                "ramdisk": sample.image(payload=archive(_LOADER | inside)),
            },
            configurations={"conf": {"kernel": "kernel", "ramdisk": "ramdisk"}},
        ),
        room="8 MiB",
    )


def _set(depends: str = "", firmware: str = "", dep: str | None = "tide.ko:\n") -> Root:
    more = {"firmware": firmware} if firmware else {}
    tide = elf.module(name="tide", vermagic=f"{RELEASE} SMP", depends=depends, **more)
    files = {"tide.ko": file(tide)}
    return files if dep is None else files | {"modules.dep": file(dep)}


def _vermagic_values(*, names: str, modules: list[str], found: str, release: str) -> None: ...


VERMAGIC = Rule(
    name="module-vermagic-mismatch",
    severity=Severity.ERROR,
    values=_vermagic_values,
    message="{names} of {ramdisk} are for Linux {found}; the recovery's kernel is {release}",
    effect='The kernel says "version magic ... should be ...", and the driver is not there.',
    fix="Build kernel and modules together, and pack the modules of {release}.",
    computed="the folder under /lib/modules, or the first word of vermagic, is not what uname -r"
    " prints",
    sources=(
        in_linux("kernel/module/main.c", "check_modinfo", "%s: version magic '%s' should be '%s'"),
        in_linux("include/linux/vermagic.h", "VERMAGIC_STRING"),
    ),
    bad=_modules(_set(), folder="lib/modules/6.1.0-other"),
    good=_modules(_set()),
)


@on_rescue(VERMAGIC)
def vermagic(rescue: Rescue) -> Outcome:
    releases = surveyed(rescue).modules
    if not any(item.modules for item in releases):
        return
    if rescue.release is None:
        yield unknown(VERMAGIC, rescue, "the kernel's release is unknown")
        return
    others: dict[str, list[str]] = {}
    own = [item for item in releases if item.release == rescue.release]
    for item in own or releases:
        for module in item.modules:
            found = module.vermagic.partition(" ")[0] or item.release
            found = found if own else item.release
            if found != rescue.release:
                others.setdefault(found, []).append(module.name)
    for found, names in others.items():
        yield said(
            VERMAGIC(names=listed(names), modules=names, found=found, release=rescue.release),
            rescue,
        )


def _dependency_values(
    *, pairs: str, missing: dict[str, list[str]], kernel_release: str
) -> None: ...


DEPENDENCY = Rule(
    name="module-dependency-missing",
    severity=Severity.WARNING,
    values=_dependency_values,
    message="{pairs} of {ramdisk} are missing",
    effect='The loader says "Unknown symbol in module", or finds no such file.',
    fix="Pack the modules that they need as well, and run depmod on the tree.",
    computed="a file that modules.dep names, or a module in depends= of .modinfo that is not in"
    " modules.builtin, is not there",
    sources=(
        manual("modules.dep(5)"),
        in_linux("scripts/mod/modpost.c", "add_depends"),
        in_kmod("tools/insmod.c", "mod_strerror", "Unknown symbol in module"),
    ),
    bad=_modules(_set(depends="gauge")),
    good=_modules(_set()),
)


@on_rescue(DEPENDENCY)
def module_dependency(rescue: Rescue) -> Outcome:
    for item in surveyed(rescue).modules:
        lacking: dict[str, list[str]] = {}
        for of, missing in item.depends_missing:
            lacking.setdefault(missing, []).append(of)
        for of, missing in item.dep_missing:
            lacking.setdefault(missing, []).append("modules.dep" if of == missing else of)
        if lacking:
            pairs = [f"{name} (for {listed(users)})" for name, users in lacking.items()]
            yield said(
                DEPENDENCY(pairs=listed(pairs), missing=lacking, kernel_release=item.release),
                rescue,
            )


def _no_dep_values(*, kernel_release: str) -> None: ...


NO_DEP = Rule(
    name="modules-dep-missing",
    severity=Severity.WARNING,
    values=_no_dep_values,
    message="/lib/modules/{kernel_release} of {ramdisk} has modules and no modules.dep",
    effect="A modprobe finds no module by its name; insmod with a whole path still works.",
    fix="Run depmod -b on the tree before it is packed.",
    computed="there are .ko files and no modules.dep beside them",
    sources=(
        manual("modules.dep(5)"),
        manual("modprobe(8)"),
    ),
    bad=_modules(_set(dep=None)),
    good=_modules(_set()),
)


@on_rescue(NO_DEP)
def modules_dep(rescue: Rescue) -> Outcome:
    for item in surveyed(rescue).modules:
        if item.modules and not item.has_dep:
            yield said(NO_DEP(kernel_release=item.release), rescue)


def _unreadable_values(compression: str, *, count: int, loader: str) -> None: ...


UNREADABLE = Rule(
    name="module-compression-unreadable",
    severity=Severity.ERROR,
    values=_unreadable_values,
    message="{count} modules of {ramdisk} are {compression}, which {loader} cannot unpack",
    effect='The loader says "invalid module format" of each of them.',
    fix="Pack the modules uncompressed, or give the loader the library or option for them.",
    computed="the ending of the modules against the libraries that kmod loads, or the applets of"
    " BusyBox that unpack; kernels with MODULE_DECOMPRESS may do it themselves",
    sources=(
        in_kmod("libkmod/libkmod-file.c"),
        in_kmod("tools/insmod.c", says="Invalid module format"),
        in_busybox("modutils/modutils.c", "moderror", "invalid module format"),
    ),
    bad=tree(
        {
            f"{_AT}/tide.ko.xz": file(b"\xfd7zXZ\0"),
            "sbin/modprobe": file(elf.program(b"\0BusyBox v1.36.1\0ash\0cat\0init\0modprobe\0\0")),
        }
    ),
    good=tree({f"{_AT}/tide.ko": file(elf.module(name="tide"))}),
)


@on_rescue(UNREADABLE)
def module_compression(rescue: Rescue) -> Outcome:
    facts = surveyed(rescue)
    reads = facts.module_loader_reads
    if rescue.config is not None and rescue.config.get("CONFIG_MODULE_DECOMPRESS") == "y":
        return
    packed: dict[str, int] = {}
    for item in facts.modules:
        for module in item.modules:
            if module.compression:
                packed[module.compression] = packed.get(module.compression, 0) + 1
    if packed and reads is None:
        loader = facts.module_loader or "a loader"
        yield unknown(UNREADABLE, rescue, f"what {loader} unpacks cannot be told")
        return
    for compression, count in packed.items():
        if compression not in (reads or ()):
            yield said(
                UNREADABLE(
                    count=count, compression=compression, loader=facts.module_loader or "modprobe"
                ),
                rescue,
            )


def _firmware_values(*, names: str, missing: dict[str, list[str]], kernel_release: str) -> None: ...


FIRMWARE = Rule(
    name="module-firmware-missing",
    severity=Severity.WARNING,
    values=_firmware_values,
    message="no firmware in {ramdisk} for {names}",
    effect="The driver loads and its device does not start.",
    fix="Pack the files that the board's own devices need.",
    computed="a file in firmware= of .modinfo is not where the kernel looks, compressed or not",
    sources=(in_linux("drivers/base/firmware_loader/main.c", "fw_get_filesystem_firmware"),),
    bad=_modules(_set(firmware="tide.bin")),
    good=_modules(_set()),
)


@on_rescue(FIRMWARE)
def module_firmware(rescue: Rescue) -> Outcome:
    for item in surveyed(rescue).modules:
        wanted: dict[str, list[str]] = {}
        for module, name in item.firmware_missing:
            wanted.setdefault(module, []).append(name)
        # A driver names the files of every chip that it knows: one of them is enough.
        lacking = {
            module.name: wanted[module.name]
            for module in item.modules
            if module.name in wanted and len(wanted[module.name]) == len(module.firmware)
        }
        if lacking:
            yield said(
                FIRMWARE(names=listed(lacking), missing=lacking, kernel_release=item.release),
                rescue,
            )

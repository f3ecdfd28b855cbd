"""What a proof takes from the Linux that is started: its drivers, and the root that it mounts."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace

from imgaudit.boot.found import Boots
from imgaudit.boot.signatures import Signed, keys_of
from imgaudit.contents.starts import configuration_of
from imgaudit.maps.command_line import parse
from imgaudit.model import Layout
from imgaudit.proof.init import BARE
from imgaudit.proof.records import Fault, Proof, Step, Verdict
from imgaudit.rescue.drivers import State
from imgaudit.rescue.first import BARE_SHELL
from imgaudit.rescue.mainroot import MainRoot
from imgaudit.rescue.started import Started

_DISKS = {"mmc": (("MMC_BLOCK", "makes a disk of an eMMC or a card"),)}
_MODULES = frozenset({"MMC_BLOCK", "MTD_UBI"})
_TABLES = {
    "gpt": (("EFI_PARTITION", "reads a GPT"),),
    "mbr": (("MSDOS_PARTITION", "reads an MBR"),),
}
"""The options that a root needs, by its chip and by what divides it (block/partitions/Kconfig)."""


def with_linux(
    proofs: Iterable[Proof],
    started: Mapping[str, Started],
    roots: Mapping[str, MainRoot],
    layout: Layout,
) -> tuple[Proof, ...]:
    """Refute what U-Boot starts and Linux cannot go on with.

    Only what is known to be missing counts: a driver that cannot be told leaves a proof as it is,
    and is reported as not checked by its rule. `started` is by stage, `roots` by region.
    """
    return tuple(_held(proof, started, roots, layout) for proof in proofs)


def with_signatures(
    proofs: Iterable[Proof], signed: Iterable[Signed], boots: Boots
) -> tuple[Proof, ...]:
    """Refute a stage whose FIT U-Boot refuses to start for want of a signature that is good."""
    told = boots.options.off("FIT_SIGNATURE") if boots.options is not None else ""
    refused = [item for item in signed if item.refused and not told]
    return tuple(_verified(proof, refused, boots) for proof in proofs) if refused else (*proofs,)


def _verified(proof: Proof, refused: list[Signed], boots: Boots) -> Proof:
    kernels = {link.region for link in proof.chain if link.role == "kernel"}
    entry = boots.followed.get(proof.stage.entry or "")
    asked = {boot.config for boot in entry.walk.boots} if entry is not None else {None}
    for item in refused:
        region, facts = item.fit.region, item.fit.facts
        if proof.verdict is not Verdict.PROVEN or region is None or region.name not in kernels:
            continue
        chosen = (configuration_of(facts, name) for name in asked)
        parts = {
            name
            for choice in chosen
            if choice is not None
            for name in (choice.name, choice.kernel, choice.ramdisk, *choice.fdt)
        }
        if item.name in parts and not _spoken_for(item, refused):
            why = f"the key {item.key.name} is demanded: {item.seal.value}"
            command = f"bootm {item.fit.content.name}"
            step = Step(command, item.name, 0, why)
            then = "U-Boot refuses the image"
            return replace(proof, verdict=Verdict.REFUTED, step=step, then=then, told=True)
    return proof


def _spoken_for(item: Signed, refused: list[Signed]) -> bool:
    """Tell whether another of the keys, of which any is enough, verifies this part."""
    if not item.key.any_is_enough or item.holder is None:
        return False
    keys = [key for tree in item.holder.trees for key in keys_of(tree.tree) if key.required]
    same = [one for one in refused if one.fit is item.fit and one.name == item.name]
    return len(same) < len([key for key in keys if key.required == item.key.required])


def _held(
    proof: Proof,
    started: Mapping[str, Started],
    roots: Mapping[str, MainRoot],
    layout: Layout,
) -> Proof:
    linux = started.get(proof.stage.name)
    if proof.verdict is not Verdict.PROVEN or linux is None:
        return proof
    step = next(_lacking(linux, proof, roots, layout), None)
    if step is None:
        return proof
    then = "Linux starts, and does not get to what the stage is for"
    # What has a fault is told by the stage itself, unless its rule does.
    told = step.fault is None
    return replace(proof, verdict=Verdict.REFUTED, step=step, then=then, told=told)


def _options(linux: Started, proof: Proof, layout: Layout) -> Iterator[tuple[str, str]]:
    """Give the options without which the kernel does not come to its first program, and why."""
    yield "BINFMT_ELF", "executes programs"
    rescue = linux.rescue
    if any(link.role == "ramdisk" for link in proof.chain):
        yield "BLK_DEV_INITRD", "takes a ramdisk"
    if rescue is not None and rescue.facts is not None:
        init = rescue.facts.init.path
        if any(it.symbol == "BINFMT_SCRIPT" and init in it.users for it in rescue.facts.kernel):
            yield "BINFMT_SCRIPT", f"executes the script {init}"
    for link in proof.chain:
        region = layout.region(link.region) if link.role == "root" and link.region else None
        if region is not None and region.holder is not None:
            yield "MTD_UBI", "attaches a UBI"
        elif region is not None:
            chip = layout.area(region.area).chip
            yield from _DISKS.get(chip.kind.device, ())
            if region.partition is not None:
                yield from _TABLES.get(chip.table, ())


def _lacking(
    linux: Started, proof: Proof, roots: Mapping[str, MainRoot], layout: Layout
) -> Iterator[Step]:
    for driver in linux.drivers.found:
        if driver.role in linux.vital and driver.vital and driver.good is False:
            yield Step(
                command=next(iter(driver.compatible), driver.node),
                variable=driver.node,
                at=0,
                why=f"{driver.role}: {driver.state.value}",
            )
    # A ramdisk before the root may bring what is a module.
    before = any(link.role == "ramdisk" for link in proof.chain)
    for symbol, does in _options(linux, proof, layout):
        have = {"y", "m"} if before and symbol in _MODULES else {"y"}
        if linux.config is not None and linux.config.get(f"CONFIG_{symbol}") not in have:
            why = f"it was built without what {does}"
            yield Step(f"CONFIG_{symbol}", "the kernel", 0, why, fault=Fault.KERNEL)
    built = (linux.config or {}).get("CONFIG_CMDLINE", "").strip('"')
    if (linux.config or {}).get("CONFIG_CMDLINE_FORCE") == "y" and built:
        lines = (parse(text).root for text in linux.arguments)
        asked = {line.text for line in lines if line is not None}
        own = parse(built).root
        if asked - ({own.text} if own is not None else set()):
            why = "it was built to take another root="
            yield Step(command=built, variable="the kernel", at=0, why=why)
    yield from _unmounted(linux, proof, layout)
    mounted = {link.region for link in proof.chain if link.role == "root"}
    for root in roots.values():
        if root.region.name in mounted and root.driver is State.MISSING:
            yield Step(
                command=f"root={root.region.name}",
                variable="the kernel command line",
                at=0,
                why=f"the kernel has no {root.region.holds} built in",
            )
        first = root.first if root.region.name in mounted else None
        if first is None or not first.certain:
            continue
        if first.reached is None:
            why = f"nothing in {root.region.name} can be the first program"
            yield Step(command=first.panic, variable="the kernel", at=0, why=why)
        elif first.stands_in == BARE_SHELL:
            step = Step(command=BARE_SHELL, variable="the kernel", at=0, why=BARE)
            yield replace(step, fault=Fault.ROOT_CONTENT, region=root.region.name)


def _unmounted(linux: Started, proof: Proof, layout: Layout) -> Iterator[Step]:
    """Name what the ramdisk before a root mounts, and neither kernel nor ramdisk can."""
    switch = linux.switch
    if switch is None:
        return
    roots = (link.region for link in proof.chain if link.role == "root" and link.region)
    kinds = dict.fromkeys((*switch.kinds, *(layout.region(name).holds for name in roots)))
    for kind in kinds:
        state = linux.file_system(kind)
        if state in {State.MISSING, State.IDLE}:
            why = f"the kernel has no {kind} built in, and its ramdisk no module of it"
            if state is State.IDLE:
                why = f"the kernel has {kind} as a module, and nothing loads it: the ramdisk has no"
                why += " /sbin/modprobe for the kernel to ask"
            yield Step(f"mount -t {kind}", switch.step.path, 0, why, fault=Fault.KERNEL)

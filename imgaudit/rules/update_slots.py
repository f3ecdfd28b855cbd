"""The slots that the main system's updater writes: each is there, and no two are one."""

from __future__ import annotations

from collections import defaultdict

from imgaudit.rescue.mainroot import MainRoot
from imgaudit.rules._rescue import listed
from imgaudit.rules.cited import in_rauc
from imgaudit.rules.engine import Example, Outcome, Rule, Severity, check
from imgaudit.rules.main_root import ROOTS, by_label, system
from imgaudit.writers.tree import file

_REFERENCE = in_rauc("docs/reference.rst", says="The slot's device path. This one is mandatory.")


def _slots(first: str, second: str) -> Example:
    """Give a main system whose updater has two slots."""
    text = (
        "[system]\ncompatible=gauge\nbootloader=uboot\n\n"
        f"[slot.rootfs.0]\ndevice={first}\ntype=ext4\nbootname=A\n\n"
        f"[slot.rootfs.1]\ndevice={second}\ntype=ext4\nbootname=B\n"
    )
    return system({"etc/rauc/system.conf": file(text)})


_GOOD = _slots("/dev/disk/by-partlabel/rootfs", "/dev/mmcblk0p2")


def _missing_values(slot: str, *, device: str, line: int, why: str) -> None: ...


MISSING = Rule(
    name="update-slot-missing",
    severity=Severity.ERROR,
    values=_missing_values,
    message="{slot} in /etc/rauc/system.conf:{line} of {region} is {device}, but {why}",
    effect="The updater does not find the device and installs nothing: units in the field keep the"
    " release that they have.",
    fix="Name the partition of the slot, by its label or its number.",
    computed="the device of a slot in RAUC's system.conf is in no partition table and no region",
    sources=(_REFERENCE,),
    bad=_slots("/dev/mmcblk0p1", "/dev/mmcblk0p7"),
    good=_GOOD,
)


@check(MISSING, over=ROOTS)
def slot_missing(root: MainRoot) -> Outcome:
    for slot, _, why in root.slots:
        if why:
            case = MISSING(slot=slot.name, device=slot.device, line=slot.line, why=why)
            causes = by_label(slot.device)
            yield case.at(region=root.region, artifact=root.artifact, key="file", causes=causes)


def _same_values(slots: str, *, place: str) -> None: ...


SAME = Rule(
    name="update-slots-are-one",
    severity=Severity.ERROR,
    values=_same_values,
    message="{slots} in /etc/rauc/system.conf of {region} are all {place}",
    effect="An update is refused, because the device is mounted, or is written over the system that"
    " runs it: nothing is left to fall back on.",
    fix="Give each slot a partition of its own.",
    computed="the devices of two slots in RAUC's system.conf lead to one region",
    sources=(
        _REFERENCE,
        in_rauc(
            "src/install.c",
            "pre_install_check_slot_mount_status",
            "Destination device '%s' already mounted",
        ),
    ),
    bad=_slots("/dev/mmcblk0p2", "/dev/disk/by-partlabel/data"),
    good=_GOOD,
)


@check(SAME, over=ROOTS)
def slots_are_one(root: MainRoot) -> Outcome:
    found: dict[str, list[str]] = defaultdict(list)
    for slot, region, _ in root.slots:
        if region is not None:
            found[region].append(slot.name)
    for region, names in found.items():
        if len(names) > 1:
            case = SAME(slots=listed(names), place=region)
            yield case.at(region=root.region, artifact=root.artifact, key="file")

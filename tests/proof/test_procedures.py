"""Procedures that nobody describes: scripts of U-Boot and of a root that write to the chips."""

from __future__ import annotations

from uuid import UUID

import pytest

from imgaudit.contents.build import MemoryStore
from imgaudit.contents.reader import Loader
from imgaudit.layout.load import parse
from imgaudit.model import Act, UpdateStep
from imgaudit.proof.cuts import U_BOOT, Walked
from imgaudit.rules import updates as family
from imgaudit.rules.engine import Check
from imgaudit.rules.samples import arm64_kernel, board_tree
from imgaudit.rules.subject import Subject, gather
from imgaudit.tasks import audit
from imgaudit.units import KIB, MIB
from imgaudit.writers.elf import program
from imgaudit.writers.env import environment
from imgaudit.writers.ext4 import ext4
from imgaudit.writers.fat import fat16
from imgaudit.writers.tree import file
from tests.proof import test_boards as heron
from tests.proof.test_cuts import _BY_SLOT

_LAYOUT = heron._LAYOUT.replace(
    "  - {name: boot, ",
    "  - {name: splash, chip: nor, at: 128 KiB, size: 128 KiB, holds: raw, writer: release}\n"
    "  - {name: boot, ",
    1,
)
_UPDATE = """#!/bin/sh
slot=$(fw_printenv -n slot)
if [ "$slot" = a ]; then
  dd if=$1 of=/dev/mmcblk0p3 bs=1M conv=fsync || exit 1
  fw_setenv slot b
else
  dd if=$1 of=/dev/mmcblk0p2 bs=1M conv=fsync || exit 1
  fw_setenv slot a
fi
reboot
"""


def board(
    scripts: dict[str, str] | None = None,
    files: dict[str, bytes] | None = None,
    **variables: str,
) -> Subject:
    """Give the board with scripts in its roots, and variables of its environment."""
    tree = {"sbin/init": file(program(), 0o755)}
    tree |= {name: file(text, 0o755) for name, text in (scripts or {}).items()}
    given = {"Image": arm64_kernel(), "board.dtb": board_tree(), **(files or {})}

    def root(number: int) -> bytes:
        return ext4(16 * MIB, tree, label="root", uuid=UUID(int=number), epoch=0).whole()

    made = {
        "env": lambda: environment({**_BY_SLOT, **variables}, 16 * KIB, None),
        "boot": lambda: fat16(16 * MIB, given, "BOOT", 1).whole(),
        "root": lambda: root(1),
        "other": lambda: root(2),
    }
    layout = parse((_LAYOUT + heron._SLOTS).encode(), "heron.yaml")
    with Loader() as loader:
        return gather(layout, MemoryStore(made, loader))


def steps(walked: Walked) -> list[tuple[Act, str]]:
    return [(step.act, step.target) for step in walked.update.steps]


def findings(subject: Subject) -> dict[str, str]:
    only = [item for item in vars(family).values() if isinstance(item, Check)]
    found = audit.run(subject, only=only)
    return {item.rule.name: item.message for item in found.findings}


def test_a_board_without_scripts_that_write_has_no_updates() -> None:
    assert board().updates == ()


def test_scripts_of_u_boot() -> None:
    writes = (
        "tftpboot 0x90000000 x && sf probe && sf erase 0x20000 0x20000"
        " && sf write 0x90000000 0x20000 ${filesize}"
    )
    subject = board(
        put_splash=writes,
        put_all="sf probe; sf update 0x90000000 0x0 0x100000",
        put_root="mmc dev 0; mmc write 0x90000000 0x14000 0x10000",
        put_table="gpt write mmc 0 ${partitions}; mmc write 0x90000000 0x0 1",
    )
    found = {walked.update.name: walked for walked in subject.updates}
    assert {walked.update.by for walked in found.values()} == {U_BOOT}
    # how much comes over the network is not known
    assert steps(found["put_splash"]) == [(Act.ERASE, "splash"), (Act.UNKNOWN, "")]
    assert steps(found["put_all"]) == [(Act.WRITE, "env"), (Act.WRITE, "splash")]
    assert steps(found["put_root"]) == [(Act.WRITE, "root-a")]
    assert steps(found["put_table"])[0] == (Act.TABLE, "emmc")
    unknown = [cut for cut in found["put_splash"].cuts if cut.starts is None]
    assert [cut.what for cut in unknown] == [
        "sf write 0x90000000 0x20000 ${filesize}",
    ]


def test_what_u_boot_saves_is_what_it_set_before() -> None:
    subject = board(
        bootlimit="3",
        altbootcmd="setenv slot b; setenv more ${other}; saveenv; run bootcmd",
        more="quiet",
    )
    (walked,) = subject.updates
    (step,) = walked.update.steps
    assert step == UpdateStep(
        where=step.where, act=Act.SET, variables={"slot": "b", "more": None}, said="saveenv"
    )
    assert walked.cuts[0].hole
    assert "switch-not-atomic" in findings(subject)


@pytest.mark.parametrize(
    ("script", "variables"),
    [
        ("env set slot b; env save", {"slot": "b"}),
        ("env set -f slot b; saveenv", {"slot": "b"}),
        ("env delete slot; saveenv", {"slot": None}),
        ("setexpr tries ${tries} + 1; saveenv", {"tries": "3"}),
        ("setenv next b; setenv slot ${next}; saveenv", {"next": "b", "slot": "b"}),
        # what is set back is no change, and what a load sets by the way is none of ours
        ("setenv slot b; setenv slot a; setenv tries 3; saveenv", {"tries": "3"}),
        ("mmc dev 0; load mmc 0:1 0x82000000 Image; setenv slot b; saveenv", {"slot": "b"}),
        # a script that is run sets as well, and a branch that is not known leaves it open
        ("run other; saveenv", {"slot": "b"}),
        ("if gpio input 3; then setenv slot b; fi; setenv tries 3; saveenv", {"tries": "3"}),
        (
            "load mmc 0:1 0x82000000 vars.txt; env import -t 0x82000000 ${filesize} slot; saveenv",
            {"slot": "b"},
        ),
    ],
)
def test_what_feeds_a_save(script: str, variables: dict[str, str | None]) -> None:
    subject = board(
        files={"vars.txt": b"slot=b\ntries=7\n"},
        bootlimit="3",
        altbootcmd=f"{script}; run bootcmd",
        other="setenv slot b",
        tries="2",
    )
    (step,) = subject.updates[0].update.steps
    assert step.variables == variables


def test_a_save_of_the_defaults() -> None:
    subject = board(bootlimit="3", altbootcmd="env default -a; saveenv")
    (step,) = subject.updates[0].update.steps
    assert step.variables == {}  # what is compiled in is not known here


def test_a_script_that_writes_the_other_slot_holds() -> None:
    subject = board({"usr/sbin/update": _UPDATE})
    (walked,) = subject.updates
    assert walked.update.by == "main"
    assert walked.update.name == "/usr/sbin/update, way 1"
    assert steps(walked) == [(Act.WRITE, "root-b"), (Act.SET, ""), (Act.REBOOT, "")]
    assert walked.cuts[0].starts == ("main a",)
    assert (walked.under, walked.early) == ((), ())
    # one copy of the environment is all that is wrong
    assert set(findings(subject)) == {"switch-not-atomic"}


def test_a_script_that_does_not_flush() -> None:
    text = _UPDATE.replace(" conv=fsync", "")
    subject = board({"usr/sbin/update": text})
    assert subject.updates[0].early == ((2, "root-b"),)
    assert "update-order" in findings(subject)


def test_a_script_that_writes_its_own_root() -> None:
    subject = board({"usr/sbin/update": "#!/bin/sh\ndd if=$1 of=/dev/mmcblk0p2 conv=fsync\n"})
    (walked,) = subject.updates
    assert walked.under == ((1, "root-a"),)
    assert "update-overwrites-what-it-runs-from" in findings(subject)


def test_what_is_not_known_is_said() -> None:
    subject = board({"usr/sbin/update": "#!/bin/sh\nflashcp $1 $2\n"})
    only = [item for item in vars(family).values() if isinstance(item, Check)]
    (open_one,) = audit.run(subject, only=only).not_checked
    assert open_one.subject == "/usr/sbin/update: flashcp $1 $2"
    assert "not known" in open_one.why


_FILES = """#!/bin/sh
mount /dev/mmcblk0p1 /mnt
cp $1 /mnt/Image
sync
echo done >> /data/log
"""


def test_a_kernel_that_is_copied_over_itself_is_torn() -> None:
    subject = board({"usr/sbin/update": _FILES, "etc/fstab": "/dev/mmcblk0p9 /data ext4\n"})
    (walked,) = subject.updates
    assert steps(walked) == [(Act.WRITE, "boot")]
    assert "torn-image-would-start" in findings(subject)


def test_what_is_renamed_into_place_is_not_known() -> None:
    text = _FILES.replace("/mnt/Image\n", "/mnt/Image.new\n") + "mv /mnt/Image.new /mnt/Image\n"
    subject = board({"usr/sbin/update": text})
    assert "torn-image-would-start" not in findings(subject)
    assert [(one.act, one.said) for one in subject.updates[0].update.steps] == [
        (Act.UNKNOWN, "mv /mnt/Image.new /mnt/Image")
    ]


_PATHS = {
    "dd if=$1 of=/dev/mmcblk0p3 bs=1M conv=fsync": [(Act.WRITE, "root-b")],
    "dd if=$1 of=/dev/disk/by-partlabel/root-b": [(Act.WRITE, "root-b")],
    "dd if=$1 of=/dev/disk/by-partlabel/nothing": [(Act.UNKNOWN, "")],
    "dd if=$1 of=/dev/disk/by-partuuid/00000000-0000-0000-0000-00000000ffff": [(Act.UNKNOWN, "")],
    "dd if=$1 of=/dev/mmcblk0p9": [(Act.UNKNOWN, "")],
    # which number it has is looked up by its name
    "N=$(grep '\"splash\"' /proc/mtd | cut -d: -f1); flashcp $1 /dev/$N": [(Act.WRITE, "splash")],
    "N=`sed -n 's/^mtd\\([0-9]*\\):.*\"splash\"$/\\1/p' /proc/mtd`; flashcp $1 /dev/mtd$N": [
        (Act.WRITE, "splash")
    ],
    "N=`sed -n 's/^mtd\\([0-9]*\\):.*\"splash\"$/\\1/p' /proc/mtd`; dd if=$1 of=/dev/mtdblock$N": [
        (Act.WRITE, "splash")
    ],
    "N=$(grep '\"nothing\"' /proc/mtd | cut -d: -f1); flashcp $1 /dev/$N": [(Act.UNKNOWN, "")],
    # nothing tells the order of the partitions
    "flashcp $1 /dev/mtd7": [(Act.UNKNOWN, "")],
    "sfdisk /dev/mmcblk0 < map": [(Act.TABLE, "emmc")],
    "sfdisk /dev/sda < map": [(Act.UNKNOWN, "")],
    "fw_setenv slot b; reboot": [(Act.SET, ""), (Act.REBOOT, "")],
}


def test_what_the_path_of_a_device_means() -> None:
    names = {f"usr/bin/put-{number}": line for number, line in enumerate(_PATHS)}
    scripts = {name: f"#!/bin/sh\n{line}\n" for name, line in names.items()}
    found = {walked.update.name: walked for walked in board(scripts).updates}
    assert {line: steps(found[f"/{name}"]) for name, line in names.items()} == _PATHS


def test_files_and_media_that_u_boot_writes() -> None:
    root = "mmc dev 0; mmc write 0x90000000 0x14000 0x10000"
    subject = board(
        put_file=f"fatwrite mmc 0:1 0x90000000 Image 0x1000; {root}",
        put_lost=f"fatwrite mmc 0:9 0x90000000 Image 0x1000; {root}",
        put_stick=f"usb start; usb write 0x90000000 0 1; {root}",
        put_watched=f"wdt start 60000; {root}",
        put_outside="mmc write 0x90000000 0x14000 ${filesize}",
        put_table=f"gpt write mmc 0 name=a,size=1MiB; gpt write ubi 0 name=a,size=1MiB; {root}",
    )
    found = {walked.update.name: walked.update for walked in subject.updates}
    told = {name: [(one.act, one.target) for one in it.steps] for name, it in found.items()}
    last = (Act.WRITE, "root-a")
    assert told == {
        "put_file": [(Act.WRITE, "boot"), last],
        "put_lost": [(Act.UNKNOWN, ""), last],
        # what is on no chip of the layout is no update
        "put_stick": [last],
        "put_watched": [last],
        "put_outside": [(Act.UNKNOWN, "")],
        # a UBI takes no partition table
        "put_table": [(Act.TABLE, "emmc"), last],
    }
    assert [name for name, update in found.items() if update.watched] == ["put_watched"]

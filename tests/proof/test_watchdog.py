"""Watchdogs: of U-Boot's own device tree, of its configuration, of scripts."""

from __future__ import annotations

from dataclasses import replace

import pytest

from imgaudit.boot.firmware import Firmware, Program
from imgaudit.contents.place import Node
from imgaudit.contents.reader import Loader
from imgaudit.formats.facts import Facts
from imgaudit.formats.fdt import FdtFacts
from imgaudit.maps.collect import Copies, Copy, Place
from imgaudit.maps.uboot_config import UBootConfig, parse
from imgaudit.model import Where
from imgaudit.proof.watchdog import starts_itself
from imgaudit.rescue.flashing import read
from imgaudit.rules.samples import board_tree
from imgaudit.writers.fdt import Tree
from tests.proof.test_procedures import board


def u_boot(*nodes: Tree) -> Firmware:
    """Give a U-Boot with these watchdogs in its own device tree."""
    tree = board_tree({f"watchdog@{number}000": node for number, node in enumerate(nodes)})
    with Loader() as loader:
        artifact = loader.memory("u-boot.dtb", tree)
    facts = artifact.content.facts
    assert isinstance(facts, FdtFacts)
    node: Node[Facts] = Node(content=artifact.content, artifact=artifact)
    return Firmware(
        node=node,
        holder=None,
        name="u-boot",
        program=Program.U_BOOT,
        version="2026.07",
        at=0,
        end=None,
        embedded=facts,
        beside=(),
    )


def built(*options: str) -> Copies:
    """Give what is known of a U-Boot that was built with these options."""
    text = "".join(f"CONFIG_{name}=y\n" for name in options)
    place = Place(carrier=".config", name=".config", where=Where("tide.yaml", 1, 1))
    return Copies(uboot_config=Copy(place=place, says=UBootConfig(parse(text))))


_PLAIN: Tree = {"compatible": "snps,dw-wdt"}


@pytest.mark.parametrize(
    ("nodes", "options", "runs"),
    [
        # the binding: without either property WATCHDOG_AUTOSTART decides
        ([_PLAIN], ["WATCHDOG_AUTOSTART"], True),
        ([_PLAIN], ["WDT"], False),
        ([{**_PLAIN, "u-boot,autostart": b""}], [], True),
        ([{**_PLAIN, "u-boot,noautostart": b""}], ["WATCHDOG_AUTOSTART"], False),
        ([{**_PLAIN, "u-boot,noautostart": b""}, _PLAIN], ["WATCHDOG_AUTOSTART"], True),
        ([{**_PLAIN, "u-boot,autostart": b"", "status": "disabled"}], [], False),
        ([{"compatible": "linux,wdt-gpio", "always-running": b""}], [], True),
        ([{"compatible": "linux,wdt-gpio"}], [], False),
        ([], ["WATCHDOG_AUTOSTART"], True),
        ([], [], False),
    ],
)
def test_whether_one_runs_by_itself(nodes: list[Tree], options: list[str], runs: bool) -> None:
    assert starts_itself([u_boot(*nodes)], built(*options)) is runs


def test_only_u_boot_s_own_tree_counts() -> None:
    other = replace(u_boot({**_PLAIN, "u-boot,autostart": b""}), program=Program.BL31)
    assert not starts_itself([other], Copies())


@pytest.mark.parametrize(
    ("text", "watched"),
    [
        ("watchdog -t 5 /dev/watchdog; flashcp x /dev/mtd1", True),
        ("exec 3> /dev/watchdog0; flashcp x /dev/mtd1", True),
        ("flashcp x /dev/mtd1; watchdogd", False),
        ("if [ $1 = y ]; then watchdogd; fi; flashcp x /dev/mtd1", False),
        ("flashcp x /dev/mtd1", False),
    ],
)
def test_a_script_that_hangs_is_ended(text: str, watched: bool) -> None:
    script = read("/x", text)
    assert script is not None
    assert script.watched is watched


def test_a_script_of_u_boot_that_hangs_is_ended() -> None:
    put = "sf probe; sf erase 0x20000 0x20000; sf write 0x90000000 0x20000 0x20000"
    subject = board(put_plain=put, put_watched=f"wdt start 30000; {put}")
    found = {walked.update.name: walked.update.watched for walked in subject.updates}
    assert found == {"put_plain": False, "put_watched": True}

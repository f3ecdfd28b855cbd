"""How each command ends on sound hardware, and what it depends on where that is not known."""

from __future__ import annotations

import pytest

from imgaudit.boot.call import Call
from imgaudit.boot.commands import known
from imgaudit.boot.records import Partition, World
from imgaudit.boot.state import State
from imgaudit.boot.values import Text
from imgaudit.boot.walk import walk
from imgaudit.proof.outcome import Outcome, outcome
from imgaudit.units import MIB, Span

WORLD = World(
    sizes={"nor": 16 * MIB, "mmc0": 64 * MIB},
    tables={"mmc0": (Partition(number=1, span=Span(MIB, 32 * MIB), name="boot"),)},
    partitions={("mmc0", "1"): Span(MIB, 32 * MIB)},
    systems={("mmc0", "1"): "fat"},
    files={("mmc0", "1", "Image"): 0x100},
    listed=frozenset({("mmc0", "1")}),
    closed=frozenset({"mmc"}),
    attachable={"ubi": "ubi0"},
    mtd={"ubi": ("nor", Span(0, MIB))},
)
PROBED = {"sf": "nor"}


def told(text: str, world: World = WORLD, selected: dict[str, str | None] | None = None) -> Outcome:
    operation = walk({"bootcmd": text}, "bootcmd", world).operations[-1]
    words = [Text.of(word) for word in text.split()]
    function = known(words[0].plain or "")
    assert function is not None
    done = function(Call(words, State({}), world))
    return outcome(operation, done, world, PROBED if selected is None else selected)


@pytest.mark.parametrize(
    ("text", "succeeds", "why"),
    [
        ("true", True, ""),
        ("false", False, "it always fails"),
        ("env exists gone", False, "it always fails"),
        ("setenv a=b", False, "it fails"),
        ("sf read 1000 0 1000", True, ""),
        ("sf read 1000 0 1000000", True, ""),
        ("sf read 1000 1 1000000", False, "nor ends at 0x1000000"),
        ("sf erase 0 1000000", True, ""),
        ("sf erase 10000 1000000", False, "nor ends at 0x1000000"),
        ("sf write 1000 10000 1000000", False, "nor ends at 0x1000000"),
        ("mmc read 1000 0 20000", True, ""),
        ("mmc read 1000 1 20000", False, "mmc0 ends at 0x4000000"),
        ("mmc write 1000 0 ${n}", True, ""),
        ("mmc dev 0", True, ""),
        ("mmc dev 1", False, "the board has no mmc1"),
        ("load mmc 0:1 1000 Image", True, ""),
        ("load mmc 0:1 1000 gone", False, "mmc0:1 has no file gone"),
        ("test -e mmc 0:1 Image", True, ""),
        ("test -e mmc 0:1 gone", False, "it always fails"),
        ("test -e mmc 1:1 gone", False, "it always fails"),
        ("ubi part ubi", True, ""),
        ("ubi read 1000 kernel", False, "no ubi part comes before it"),
        ("cp.b 1000 2000 10", True, ""),
        ("unzip 1000 2000", True, ""),
        ("fdt addr 1000", True, ""),
        ("saveenv", True, ""),
        ("run a", True, ""),
        ("led a on", True, ""),
        ("cmp.b 1000 2000 10", None, "how it ends is only known on the board"),
        ("gpio input 3", None, "how it ends is only known on the board"),
    ],
)
def test_how_a_command_ends(text: str, succeeds: bool | None, why: str) -> None:
    found = told(text)
    assert (found.succeeds, found.why) == (succeeds, why)
    assert (found.outside, found.medium) == ("", "")


@pytest.mark.parametrize(
    ("text", "outside", "medium"),
    [
        ("usb dev 0", "usb0", "usb0"),
        ("load usb 0:1 1000 Image", "usb0", "usb0"),
        ("test -e usb 0:1 Image", "usb0", "usb0"),
        ("tftpboot 1000 Image", "net", "net"),
    ],
)
def test_what_depends_on_what_the_layout_does_not_have(
    text: str, outside: str, medium: str
) -> None:
    found = told(text)
    assert (found.succeeds, found.outside, found.medium) == (None, outside, medium)


def test_what_depends_on_what_was_not_read() -> None:
    unread = World(sizes={"mmc0": 64 * MIB}, partitions={("mmc0", "1"): Span(MIB, 2 * MIB)})
    found = told("load mmc 0:1 1000 Image", unread)
    assert (found.succeeds, found.outside) == (None, "")
    assert found.medium.startswith("mmc0:1")
    other = told("load mmc 0:7 1000 Image", World(sizes={"mmc0": 64 * MIB}))
    assert (other.succeeds, other.medium) == (None, "some partition of mmc0")


def test_a_nor_that_was_not_probed_and_one_that_is_silent() -> None:
    assert told("sf read 1000 0 10", selected={}) == Outcome(False, "no sf probe comes before it")
    silent = World(sizes={"nor": MIB}, dead=frozenset({"nor"}))
    found = told("sf read 1000 0 10", silent)
    assert found.succeeds is False
    assert "nor" in found.why
    unsure = World(sizes={"mmc0": MIB}, assumed=frozenset({"mmc0"}))
    assert told("mmc read 1000 0 10", unsure).succeeds is None


@pytest.mark.parametrize("text", ["sf read 1000 ${n} 10", "mmc read 1000 ${n} 10"])
def test_a_read_from_a_place_that_is_not_known(text: str) -> None:
    start = f"setexpr n *1000; {text}"
    operation = walk({"bootcmd": start}, "bootcmd", WORLD).operations[-1]
    words = [Text.unknown("n") if word == "${n}" else Text.of(word) for word in text.split()]
    function = known(words[0].plain or "")
    assert function is not None
    done = function(Call(words, State({}), WORLD))
    found = outcome(operation, done, WORLD, PROBED)
    assert (found.succeeds, found.why) == (None, "which bytes it reads is not known")
    where = [Text.of("mmc"), Text.of("dev"), Text.unknown("n")]
    operation = walk({"bootcmd": "setexpr n *1000; mmc dev ${n}"}, "bootcmd", WORLD).operations[-1]
    select = known("mmc")
    assert select is not None
    found = outcome(operation, select(Call(where, State({}), WORLD)), WORLD, PROBED)
    assert (found.succeeds, found.why) == (None, "which device it means is not known")

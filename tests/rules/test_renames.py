"""Names that are told are tried: written where the advice says, they mend it."""

from __future__ import annotations

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from imgaudit.rules import checks
from imgaudit.rules.engine import Example, Finding
from imgaudit.units import KIB
from imgaudit.writers.env import environment
from tests._audits import audited, nor

SCRIPTS = ("echo none", "mtd read settings 0x80000000", "mtd read env 0x80000000")
NAMES = ("settings", "env", "boot", "recovery", "logs")


def board(names: tuple[str, ...], labels: tuple[str, ...], script: str) -> Example:
    """A NOR whose regions have these labels in the layout, and those names in the environment."""
    boot, kept, last = names
    text = f"mtdparts=spi0.0:64k({boot}),64k({kept}),64k(uenv),832k({last})"
    variables = {"mtdids": "nor0=spi0.0", "mtdparts": text, "bootcmd": script}
    return nor(
        f"name: boot, at: 0, size: 64 KiB, label: {labels[0]}",
        f"name: settings, at: 64 KiB, size: 64 KiB, label: {labels[1]}",
        "name: uenv, at: 128 KiB, size: 64 KiB, writer: runtime, holds: uboot-env,"
        " file: u-boot.env, env: {size: 8 KiB}",
        f"name: recovery, at: 192 KiB, size: 832 KiB, label: {labels[2]}",
        files={"u-boot.env": lambda: environment(variables, 8 * KIB, None)},
    )


def ways(finding: Finding) -> list[str]:
    """Give the ways that are told, each of which alone should mend it."""
    told = finding.advice.removeprefix("Tried on this build: ").removesuffix(".")
    return told.split("; or ") if told else []


def followed(
    way: str, names: tuple[str, ...], labels: tuple[str, ...]
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Do what a way says, by its words: to the list in the environment, or to the layout."""
    for new, old in re.findall(r"write (\w+) for (\w+) in mtdparts \(u-boot\.env, variable", way):
        assert old in names
        names = tuple(new if name == old else name for name in names)
    for line, new, old in re.findall(r"example\.yaml:(\d+): label: (\w+), was (\w+)", way):
        number = {7: 0, 8: 1, 10: 2}[int(line)]
        assert labels[number] == old
        labels = tuple(new if it == number else label for it, label in enumerate(labels))
    return names, labels


def keys(found: tuple[Finding, ...]) -> dict[tuple[str, ...], int]:
    return {item.identity: item.severity.rank for item in found}


@given(
    st.permutations(NAMES).map(lambda names: tuple(names[:3])),
    st.permutations(NAMES).map(lambda names: tuple(names[:3])),
    st.sampled_from(SCRIPTS),
)
@settings(max_examples=25)
def test_what_is_told_mends_and_breaks_nothing(
    names: tuple[str, ...], labels: tuple[str, ...], script: str
) -> None:
    found = audited(board(names, labels, script)).findings
    ranks = keys(found)
    for finding in found:
        if not finding.rule.renames:
            continue
        for way in ways(finding):
            changed = followed(way, names, labels)
            assert changed != (names, labels), way
            after = keys(audited(board(*changed, script)).findings)
            assert finding.identity not in after, (finding.message, way)
            assert all(rank >= ranks.get(key, rank + 1) for key, rank in after.items())


def advice(example: Example, rule: str) -> str:
    (finding,) = (item for item in audited(example).findings if item.rule.name == rule)
    return finding.advice


IN_LAYOUT = ("boot", "settings", "recovery")


def test_what_nothing_looks_up_may_be_called_either_way() -> None:
    told = advice(board(("boot", "env", "recovery"), IN_LAYOUT, SCRIPTS[0]), "map-label-differs")
    assert told == (
        "Tried on this build: write settings for env in mtdparts (u-boot.env, variable mtdparts);"
        " or call settings env (example.yaml:8: label: env, was settings)."
    )


def test_what_a_script_looks_up_keeps_its_name() -> None:
    """The layout's name is the one that is looked up: to change it there would break the script."""
    told = advice(board(("boot", "env", "recovery"), IN_LAYOUT, SCRIPTS[1]), "map-label-differs")
    assert told == (
        "Tried on this build: write settings for env in mtdparts (u-boot.env, variable mtdparts)."
    )


def test_several_are_renamed_at_once() -> None:
    """One finding for all that nothing looks up; one name alone would not mend it."""
    told = advice(board(("b", "env", "r"), IN_LAYOUT, SCRIPTS[0]), "map-label-differs")
    assert told.count("write ") == told.count("call ") == 3


@pytest.mark.parametrize(
    ("rule", "told"),
    [
        ("gpt-label-differs", "call data logs (example.yaml:8: add label: logs)"),
        ("volume-missing", "call rootfs system (example.yaml:8: add label: system)"),
        (
            "root-dangling",
            "write root=PARTLABEL=rootfs-a for root=PARTLABEL=rootfs-c in arguments (u-boot.env)",
        ),
    ],
)
def test_other_names(rule: str, told: str) -> None:
    assert advice(checks()[rule].rule.bad, rule) == f"Tried on this build: {told}."


@pytest.mark.parametrize("count", [4, 5])
def test_many_are_not_listed_one_by_one(count: int) -> None:
    parts = ",".join(f"64k(x{number})" for number in range(count))
    regions = (f"name: r{it}, at: {it * 64} KiB, size: 64 KiB" for it in range(count))
    rest = f"written-elsewhere: {{mtdparts: 'spi0.0:{parts}'}}\n"
    told = advice(nor(*regions, rest=rest), "map-label-differs")
    all_at_once = "Tried on this build: write the layout's labels in mtdparts (example.yaml)."
    assert (told == all_at_once) is (count == 5)
    assert told.count("call ") == (4 if count == 4 else 0)

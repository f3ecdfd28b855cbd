"""The read-back's reports: what the table and the JSON say about each region."""

from __future__ import annotations

import json
import re

import pytest

from imgaudit.report import PLAIN, Style, render
from imgaudit.tasks import readback
from imgaudit.tasks.audit import Result
from tests._dumps import Board, broken
from tests._emmc import Emmc

BOARD = Board()


def text_of(result: Result, style: Style = PLAIN) -> str:
    return render("text", readback.readback(result), style)


def json_of(result: Result) -> str:
    return render("json", readback.readback(result))


def row(text: str, region: str) -> str:
    (line,) = (line for line in text.splitlines() if re.match(rf"  {region} +0x", line))
    return re.sub(" {2,}", " | ", line.strip())


def test_a_clean_dump() -> None:
    text = text_of(BOARD.read_back(BOARD.dump()))
    assert text.startswith(
        "PASS  5 of 5 regions as they should be, 1 not compared, nothing found\n"
    )
    assert "dump of nor: 5 of 5 regions as they should be, 1 not compared\n" in text
    assert row(text, "firmware") == "firmware | 0x0 | 512 KiB | as built"
    assert row(text, "data").endswith("not compared | written at run time")
    assert "do:" not in text


def test_a_difference_shows_offset_and_erase_block() -> None:
    text = text_of(BOARD.read_back(broken(BOARD, "two bytes")))
    assert text.startswith("FAIL  4 of 5 regions as they should be, 1 not compared, 1 error\n")
    assert "4 of 5 regions" in text
    assert row(text, "recovery") == (
        "recovery | 0xa0000 | 896 KiB | differs | 0xa5555, erase block 10"
    )
    assert "chip-image-differs" in text
    assert text.count("keep a backup of the chip") == 1


@pytest.mark.parametrize(
    ("fault", "region", "state"),
    [
        ("another region's file", "recovery", "holds devicetree"),
        ("64 bytes late", "recovery", "shifted"),
        ("one region swapped", "recovery", "byte-swapped"),
        ("one region's bits reversed", "devicetree", "bit-reversed"),
        ("programmed without erase", "recovery", "programmed without erase"),
        ("a stuck bit", "recovery", "one bit wrong"),
        ("a hole", "recovery", "erased"),
        ("a saved environment", "env-a", "saved at run time"),
        ("no environment", "env-b", "no valid environment"),
        ("cut off", "devicetree", "cut off"),
        ("half repeated", "recovery", "not compared | it lies where the image"),
    ],
)
def test_a_state_is_a_word_of_the_trade(fault: str, region: str, state: str) -> None:
    text = text_of(BOARD.read_back(broken(BOARD, fault)))
    assert f" | {state}" in row(text, region)


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        ("swapped in pairs", "bytes swapped: regions"),
        ("bits reversed", "bits reversed: regions"),
        ("halves exchanged", "halves exchanged: regions"),
        ("a partition's dump", "starts at 0xa0000 of the chip: regions"),
        ("a header in front", "starts 512 B before the chip: regions"),
    ],
)
def test_what_was_undone_is_said(fault: str, words: str) -> None:
    assert words in text_of(BOARD.read_back(broken(BOARD, fault)))


def test_a_manifest_tells_no_place() -> None:
    text = text_of(BOARD.read_back(broken(BOARD, "two bytes"), BOARD.manifest()))
    assert row(text, "recovery").endswith("differs | unknown: compared by SHA-256")


def test_an_emmc_has_no_erase_blocks() -> None:
    board = Emmc()
    chip = board.dump()
    chip[board.boot_at + 70000] ^= 1
    text = text_of(board.read_back(chip))
    assert row(text, "boot") == "boot | 0x100000 | 1 MiB | differs | 0x111170"


def test_a_waived_finding_is_still_shown() -> None:
    board = Board()
    waiver = "{finding: chip-image-differs, reason: a trial, until: 2999-01-01}"
    board.text += f"policy:\n  waive:\n  - {waiver}\n"
    result = board.read_back(broken(BOARD, "two bytes"))
    assert not result.failed
    assert "Waived: chip-image-differs recovery: a trial" in text_of(result)


def test_colour_follows_the_state() -> None:
    text = text_of(BOARD.read_back(broken(BOARD, "two bytes")), Style(colour=True))
    assert "\x1b[31;1mrecovery" in text
    assert "\x1b[32mfirmware" in text


def test_json_has_the_same_facts() -> None:
    result = BOARD.read_back(broken(BOARD, "two bytes"))
    text = json_of(result)
    assert text == json_of(BOARD.read_back(broken(BOARD, "two bytes")))
    found = json.loads(text)
    assert found["verdict"] == "fail"
    assert found["findings"][0]["finding"] == "chip-image-differs"
    (dump,) = found["dumps"]
    assert (dump["chip"], dump["path"], dump["size"]) == ("nor", "nor.bin", BOARD.size)
    regions = {region["name"]: region for region in dump["regions"]}
    assert regions["recovery"]["first-difference"] == BOARD.recovery_at + 0x5555
    assert regions["recovery"]["erase-block"] == 10
    assert regions["recovery"]["differing"] == 2
    assert regions["firmware"]["state"] == "as built"
    assert regions["data"]["why"] == "written at run time"
    assert "manifest" not in found


def test_json_names_the_manifest() -> None:
    found = json.loads(json_of(BOARD.read_back(BOARD.dump(), BOARD.manifest())))
    assert found["manifest"] == "manifest.json"
    assert found["verdict"] == "pass"

"""What the shell does otherwise than meant. Sources: U-Boot cmd/sf.c, cmd/test.c, cli_hush.c."""

from __future__ import annotations

import pytest

from imgaudit.rules._boot import RECOVERY, scripted
from imgaudit.rules.engine import Example, Severity
from tests._audits import found, one, unchecked

BARE = RECOVERY.removeprefix("sf probe && ")


def modern(bootcmd: str) -> Example:
    """Give a board whose configuration has the newer parser."""
    return scripted(
        bootcmd=bootcmd,
        rest="written-elsewhere: {uboot-config: u-boot.config}\n",
        files={"u-boot.config": lambda: b"CONFIG_HUSH_PARSER=y\nCONFIG_HUSH_MODERN_PARSER=y\n"},
    )


class TestProbe:
    RULE = "flash-not-probed"

    def test_is_told_once_for_a_script(self) -> None:
        again = f"sf read 0x90000000 0x20000 0x40000 && {BARE}"
        finding = one(self.RULE, scripted(again))
        assert finding.values["command"] == "sf read 0x90000000 0x20000 0x40000"
        assert finding.severity is Severity.ERROR
        assert finding.identity == (self.RULE, "env", "", "recovery")

    @pytest.mark.parametrize(
        "example",
        [
            scripted(),
            scripted(BARE, bootcmd="sf probe && run recovery"),
            scripted(BARE, more={"preboot": "sf probe 0:0"}),
        ],
        ids=["itself", "who runs it", "preboot"],
    )
    def test_whoever_probes_it(self, example: Example) -> None:
        assert found(self.RULE, example) == []

    def test_a_preboot_that_probes_nothing_does_not_help(self) -> None:
        assert found(self.RULE, scripted(BARE, more={"preboot": "mmc dev 0"}))

    def test_what_one_of_two_ways_probed_is_let_be(self) -> None:
        bootcmd = "if test -e mmc 0:1 a; then sf probe; fi; run recovery"
        assert found(self.RULE, scripted(BARE, bootcmd=bootcmd)) == []

    def test_an_operator_sees_it(self) -> None:
        finding = one(self.RULE, scripted(more={"update": "sf erase 0x20000 0x40000"}))
        assert finding.severity is Severity.WARNING


class TestFallback:
    RULE = "fallback-skipped"

    def test_or_behind_and(self) -> None:
        finding = one(self.RULE, scripted(bootcmd="mmc dev 1 && bootm 80000000 || run recovery"))
        assert finding.message.endswith("what follows || does not run when what comes first fails")

    def test_and_behind_or(self) -> None:
        finding = one(self.RULE, scripted(bootcmd="mmc dev 1 || mmc dev 0 && run recovery"))
        assert finding.message.endswith(
            "what follows && does not run when what comes first succeeds"
        )

    @pytest.mark.parametrize(
        "bootcmd",
        [
            "mmc dev 1 && mmc dev 0 && run recovery",
            "mmc dev 1 || mmc dev 0 || run recovery",
            "mmc dev 1 || run recovery",
            "mmc dev 1 && bootm 80000000; run recovery",
        ],
    )
    def test_chains_of_one_kind_are_as_written(self, bootcmd: str) -> None:
        assert found(self.RULE, scripted(bootcmd=bootcmd)) == []

    def test_the_modern_parser_goes_on(self) -> None:
        bootcmd = "mmc dev 1 && bootm 80000000 || run recovery"
        assert found(self.RULE, modern(bootcmd)) == []

    def test_a_recovery_that_is_lost_by_it_is_told_once(self) -> None:
        example = scripted(bootcmd="mmc dev 1 || mmc dev 0 && run missing || run recovery")
        assert found(self.RULE, example)
        assert found("recovery-not-reached", example) == []


def test_two_equals_signs() -> None:
    assert found("test-without-comparison", scripted(f"test a = b || {RECOVERY}")) == []
    finding = one("test-without-comparison", scripted(f"test a == b && {RECOVERY}"))
    assert finding.values["command"] == "test a == b"


def test_a_loop_variable_that_the_environment_hides() -> None:
    loop = f"for slot in a b; do {RECOVERY}; done"
    assert found("loop-variable-in-environment", scripted(loop)) == []
    finding = one("loop-variable-in-environment", scripted(loop, more={"slot": "a"}))
    assert (finding.values["script"], finding.values["name"]) == ("recovery", "slot")


def test_a_script_that_does_not_parse_says_where() -> None:
    finding = one("script-syntax-error", scripted(f"{RECOVERY} && if true; then"))
    assert finding.values["script"] == "recovery"
    assert unchecked("script-reads-too-little", scripted(f"{RECOVERY} && if true; then")) == []


def test_without_an_environment_nothing_is_said() -> None:
    example = scripted()
    bare = Example(example.layout, {**example.files, "u-boot.env": lambda: bytes(8192)})
    assert found("flash-not-probed", bare) == []
    ((subject, why),) = set(unchecked("flash-not-probed", bare))
    assert subject == "run recovery"
    assert "no environment was found" in why

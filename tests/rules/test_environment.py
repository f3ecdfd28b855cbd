from __future__ import annotations

import subprocess
import zlib
from collections.abc import Mapping
from pathlib import Path

import pytest

from imgaudit.rules import environment as env
from imgaudit.rules.engine import Example, Finding, Severity
from imgaudit.rules.examples import nor
from imgaudit.units import KIB
from imgaudit.writers.sparse import patched
from tests.rules._storage import alone, findings, made, names

HERE = "environment"


def single(data: bytes, *, size: str = "8 KiB", at: int = 0) -> Example:
    shape = f"holds: uboot-env, file: u-boot.env, env: {{size: {size}}}"
    return nor(f"name: env, at: {at:#x}, size: 64 KiB, {shape}", files={"u-boot.env": lambda: data})


def pair(one: bytes, other: bytes) -> Example:
    return env._pair({"env-a.env": lambda: one, "env-b.env": lambda: other})


def only(example: Example) -> Finding:
    (finding,) = findings(example, HERE)
    return finding


class TestChecksum:
    def test_place_and_stored_value(self) -> None:
        good = env._env()
        finding = only(single(patched(good, 20, b"M"), at=0x20000))
        assert finding.rule.name == "environment-checksum"
        assert finding.severity is Severity.ERROR
        assert (finding.offset, finding.length) == (0x20000, 4)
        assert finding.values["stored"] == f"{zlib.crc32(good[4:]):08x}"

    def test_one_bit_of_the_padding(self) -> None:
        assert names(single(patched(env._env(), 8191, b"\x01")), HERE) == ["environment-checksum"]

    @pytest.mark.parametrize(("size", "severity"), [(8, Severity.WARNING), (4, Severity.ERROR)])
    def test_of_two_copies_the_good_one_is_taken(self, size: int, severity: Severity) -> None:
        """U-Boot env/common.c, env_check_redund: one whose CRC holds at CONFIG_ENV_SIZE."""
        broken = patched(env._env(flag=1), 20, b"M")
        told = findings(pair(broken, env._env(size=size * KIB, flag=0)), HERE)
        kinds = {item.rule.name: item.severity for item in told}
        assert kinds["environment-checksum"] is severity

    def test_blank_is_not_a_wrong_checksum(self) -> None:
        assert findings(single(b"\xff" * 8192), HERE) == []

    def test_alone(self) -> None:
        (finding,) = alone({"u-boot.env": patched(env._env(), 20, b"M")}, HERE)
        assert finding.rule.name == "environment-checksum"
        assert finding.region is None


class TestShape:
    @pytest.mark.parametrize("size", [4 * KIB, 16 * KIB, 8 * KIB - 512])
    def test_other_size(self, size: int) -> None:
        finding = only(single(env._env(size=size)))
        assert finding.rule.name == "environment-size-differs"
        assert (finding.values["size"], finding.values["wanted"]) == (size, 8192)

    @pytest.mark.parametrize("fill", [b"\0", b"\xff"])
    def test_file_padded_to_the_region_is_silent(self, fill: bytes) -> None:
        assert findings(single(env._env().ljust(64 * KIB, fill)), HERE) == []

    def test_single_where_two_are_kept(self) -> None:
        (found,) = findings(pair(env._env(), env._env()), HERE)
        assert [(f.rule.name, f.region) for f in (found, *found.leads_to)] == [
            ("environment-redundancy-differs", "env-a"),
            ("environment-redundancy-differs", "env-b"),
        ]
        assert found.fix.startswith("Make it with mkenvimage -r")

    def test_flag_byte_where_one_is_kept(self) -> None:
        finding = only(single(env._env(flag=1)))
        assert finding.rule.name == "environment-redundancy-differs"
        assert "has no copy" in finding.message

    def test_copy_without_a_shape_of_its_own(self) -> None:
        example = nor(
            "name: a, at: 0, size: 64 KiB, holds: uboot-env, env: {size: 8 KiB, copy: b}",
            "name: b, at: 0x10000, size: 64 KiB, holds: uboot-env, file: b.env",
            files={"b.env": lambda: env._env(size=4 * KIB)},
        )
        assert sorted(names(example, HERE)) == [
            "environment-redundancy-differs",
            "environment-size-differs",
        ]

    def test_region_without_a_shape_is_not_compared(self) -> None:
        example = nor(
            "name: env, at: 0, size: 64 KiB, holds: uboot-env, file: e.env",
            files={"e.env": lambda: env._env(size=4 * KIB, flag=1)},
        )
        assert findings(example, HERE) == []

    def test_exactly_full_region(self) -> None:
        shape = "holds: uboot-env, env: {size: 65537}"
        finding = only(nor(f"name: env, at: 0, size: 64 KiB, {shape}"))
        assert finding.rule.name == "environment-does-not-fit"
        assert (finding.offset, finding.length) == (0x10000, 1)


class TestFlags:
    @pytest.mark.parametrize(("one", "other"), [(1, 0), (0, 1), (255, 0), (7, 8)])
    def test_different_flags(self, one: int, other: int) -> None:
        assert findings(pair(env._env(flag=one), env._env(flag=other)), HERE) == []

    def test_same_flag_is_told_once_at_the_copy(self) -> None:
        finding = only(pair(env._env(flag=3), env._env({"a": "b"}, flag=3)))
        assert finding.rule.name == "environment-copies-same-flag"
        assert (finding.region, finding.offset) == ("env-b", 0x10004)
        assert finding.values["flag"] == 3

    @pytest.mark.parametrize(("flags", "told"), [((2, 1), "warning"), ((1, 2), "error")])
    def test_no_autoboot_in_the_copy_that_is_not_taken(
        self, flags: tuple[int, int], told: str
    ) -> None:
        stops = env._env({"bootcmd": "run main", "main": "bootm", "bootdelay": "-1"}, flag=flags[1])
        read = pair(env._env(flag=flags[0]), stops)
        (found,) = [
            item for item in findings(read, HERE) if item.rule.name == "autoboot-switched-off"
        ]
        assert (found.region, found.severity) == ("env-b", told)

    def test_a_damaged_copy_has_no_say(self) -> None:
        bad = patched(env._env(flag=1), 100, b"x")
        assert names(pair(env._env(flag=1), bad), HERE) == ["environment-checksum"]


class TestStrings:
    def test_repeated(self) -> None:
        finding = only(single(env._raw(b"a=1\0b=2\0a=3\0b=4\0")))
        assert finding.values["names"] == "a, b"
        assert finding.offset == 4 + 8

    def test_stray_and_comment(self) -> None:
        found = findings(single(env._raw(b"a=1\0# note=1\0lost\0")), HERE)
        assert [(f.values["text"], f.offset) for f in found] == [("# note=1", 8), ("lost", 17)]

    def test_a_long_stray_is_cut(self) -> None:
        finding = only(single(env._raw(b"a=1\0" + b"x" * 100)))
        assert finding.values["text"] == "x" * 37 + "..."
        assert finding.length == 100

    def test_full_to_the_last_byte_with_its_end(self) -> None:
        assert findings(single(env._raw(b"a=".ljust(8192 - 4 - 2, b"x") + b"\0\0")), HERE) == []
        finding = only(single(env._raw(b"a=".ljust(8192 - 4 - 1, b"x") + b"\0")))
        assert finding.rule.name == "environment-not-terminated"
        assert finding.offset == 8191

    @pytest.mark.parametrize(
        ("variables", "name"),
        [
            ({"ethaddr": "02:00:5e:10:00:01"}, "ethaddr"),
            ({"eth1addr": "02:00:5e:10:00:02"}, "eth1addr"),
            ({"serial#": "0042"}, "serial#"),
            ({"usbethaddr": "02:00:5e:10:00:03"}, "usbethaddr"),
        ],
    )
    def test_per_unit_values(self, variables: Mapping[str, str], name: str) -> None:
        finding = only(single(env._env(variables)))
        assert finding.rule.name == "environment-has-fixed-address"
        assert finding.values["name"] == name

    @pytest.mark.parametrize(
        "name", ["ethact", "ipaddr", "kernel_addr_r", "fdt_addr_r", "loadaddr"]
    )
    def test_other_addresses_are_silent(self, name: str) -> None:
        assert findings(single(env._env({name: "0x80000000"})), HERE) == []


@pytest.mark.parametrize(
    ("fill", "single_crc", "redundant_crc"),
    [(b"\0", 0x0BDE672B, 0x0AD27AE9), (b"\xff", 0x31520254, 0x33E6CB77)],
)
def test_precomputed_checksums(fill: bytes, single_crc: int, redundant_crc: int) -> None:
    # CRCs of an 8 KiB environment with these two variables, computed by hand for both paddings.
    text = b"bootcmd=run recovery\0bootdelay=2\0\0"
    plain = single_crc.to_bytes(4, "little") + text.ljust(8192 - 4, fill)
    copy = redundant_crc.to_bytes(4, "little") + b"\1" + text.ljust(8192 - 5, fill)
    other = redundant_crc.to_bytes(4, "little") + b"\0" + text.ljust(8192 - 5, fill)
    assert findings(single(plain), HERE) == []
    assert findings(pair(copy, other), HERE) == []


@pytest.mark.oracle
def test_mkenvimage(tmp_path: Path) -> None:
    (tmp_path / "u.txt").write_text("bootcmd=run main || run recovery\nbootdelay=2\n")
    command = ("mkenvimage", "-s", "0x2000", "-o", "u.env")
    plain = made(tmp_path / "u.env", *command, "u.txt")()
    assert findings(single(plain), HERE) == []
    assert names(single(plain, size="16 KiB"), HERE) == ["environment-size-differs"]
    big = made(tmp_path / "u.env", *command, "-b", "u.txt")()
    assert names(single(big), HERE) == ["environment-byte-order"]
    copy = made(tmp_path / "u.env", *command, "-r", "u.txt")()
    # mkenvimage always writes flag 1: its one file in both places leaves neither copy newer.
    assert names(pair(copy, copy), HERE) == ["environment-copies-same-flag"]
    assert findings(pair(copy, patched(copy, 4, b"\0")), HERE) == []


@pytest.mark.oracle
def test_fw_printenv_refuses_the_same(tmp_path: Path) -> None:
    def refused(data: bytes) -> bool:
        (tmp_path / "u.env").write_bytes(data)
        config = tmp_path / "fw_env.config"
        config.write_text(f"{tmp_path}/u.env 0x0 0x2000\n")
        command = ["fw_printenv", "-c", str(config), "bootdelay"]
        result = subprocess.run(command, check=False, capture_output=True, text=True)
        return "Cannot read environment" in result.stderr

    good = env._env()
    for data in (good, patched(good, 20, b"M"), env._env(size=4 * KIB).ljust(8192, b"\0")):
        assert refused(data) == bool(findings(single(data), HERE))


class TestNameless:
    """U-Boot lib/hashtable.c, himport_r: an empty key ends the import; `=` alone is passed over."""

    @pytest.mark.parametrize(
        ("text", "told"), [(b"=x", 1), (b" =x", 1), (b"=", 0), (b"x=", 0), (b"#=x", 0)]
    )
    def test_a_value_without_a_name(self, text: bytes, told: int) -> None:
        data = env._raw(b"bootdelay=2\0" + text + b"\0bootcmd=run main\0\0")
        rule = "environment-value-without-name"
        assert names(single(data), HERE).count(rule) == told

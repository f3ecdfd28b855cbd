"""Devices that `dm-mod.create=` maps.

The first two lines are after the examples of Linux Documentation/admin-guide/device-mapper,
dm-init.rst and verity.rst (from memory, shortened).
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit import bounds
from imgaudit.maps.command_line import parse
from imgaudit.maps.mapped import MAX_DEVICES, Mapped, mapped

_VERITY = "0 1638400 verity 1 {} 8:2 4096 4096 204800 1 sha256 fb1a5a0f ac87db56"


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("lroot,,,rw, 0 4096 linear 98:16 0, 4096 4096 linear 98:32 0", []),
        (f"vroot,,,ro,{_VERITY.format('8:1')}", [Mapped(0, "vroot", "8:1", True)]),
        (
            f"a,,,rw,0 32768 linear 8:1 0;b,,3,ro,{_VERITY.format('/dev/sda1')}",
            [
                Mapped(0, "a", "8:1"),
                Mapped(3, "b", "/dev/sda1", True),
            ],
        ),
        (
            f"v,,,ro,{_VERITY.format('8:1')} 1 restart_on_corruption",
            [Mapped(0, "v", "8:1", True, True)],
        ),
        (
            f"v,,,ro,{_VERITY.format('8:1')} 1 ignore_corruption",
            [Mapped(0, "v", "8:1")],
        ),
        ("", []),
        ("v,,,ro,0 1 verity 1", []),
        ("v,,,ro,0 1 crypt 8:1", []),
    ],
)
def test_what_is_mapped(text: str, found: list[Mapped]) -> None:
    assert list(mapped(text)) == found


@given(st.text(alphabet="a,;0 verity1/"))
def test_any_text_is_read(text: str) -> None:
    assert len(list(mapped(text))) <= MAX_DEVICES


def test_a_root_is_what_it_is_mapped_from() -> None:
    table = f'dm-mod.create="v,,,ro,{_VERITY.format("PARTLABEL=root-a")}"'
    root = parse(f"root=/dev/dm-0 {table}").root
    assert root is not None
    assert (root.id, root.verified, root.text) == ("root-a", True, "/dev/dm-0")
    other = parse(f"root=/dev/dm-1 {table}").root
    assert other is not None
    assert (other.id, other.verified) == (None, False)


_TARGET = (
    "v,,,ro,0 8 verity {version} 8:1 8:2 {data} {hashes} {blocks} {start}"
    " {algorithm} {digest} {salt}"
)
_GOOD = {
    "version": "1",
    "data": "4096",
    "hashes": "1024",
    "blocks": "20",
    "start": "3",
    "algorithm": "sha256",
    "digest": "fb1a",
    "salt": "ac87",
}


def test_a_target_says_where_its_hashes_are() -> None:
    """Linux Documentation/admin-guide/device-mapper/verity.rst, "Construction Parameters"."""
    (found,) = mapped(_TARGET.format(**_GOOD))
    target = found.target
    assert target is not None
    assert (target.data, target.hashes, target.start) == ("8:1", "8:2", 3 * 1024)
    assert target.digest == b"\xfb\x1a"
    assert target.tree is not None
    assert (target.tree.salt, target.tree.data_size) == (b"\xac\x87", 20 * 4096)
    (bare,) = mapped(_TARGET.format(**_GOOD | {"salt": "-"}))
    assert bare.target is not None
    assert bare.target.tree is not None
    assert bare.target.tree.salt == b""
    (other,) = mapped(_TARGET.format(**_GOOD | {"data": "4095"}))
    assert other.target is not None
    assert other.target.tree is None


@pytest.mark.parametrize(
    ("field", "value"),
    [
        *(("start", "-1"), ("blocks", "x"), ("blocks", "9" * 5000)),
        *(("digest", "xy"), ("digest", "abc"), ("salt", "z")),
    ],
)
def test_a_target_that_cannot_be_is_none(field: str, value: str) -> None:
    (found,) = mapped(_TARGET.format(**_GOOD | {field: value}))
    assert (found.device, found.target) == ("8:1", None)


def test_only_the_first_devices_are_looked_at() -> None:
    text = ";".join(f"d{number},,,rw,0 8 linear 8:1 0" for number in range(MAX_DEVICES + 1))
    with bounds.listening() as heard:
        assert len(list(mapped(text))) == MAX_DEVICES
    assert list(heard) == [
        ("dm-mod.create", f"only the first {MAX_DEVICES:,} devices are looked at")
    ]


@pytest.mark.parametrize(
    ("old", "new", "first"),
    [
        ("fb1a5a0f", "fb1a5a0f", 4096),
        (" 1 sha256", " 0 sha256", 0),
        (" 1 sha256", " -1 sha256", None),
        ("204800", "-204800", None),
        ("204800", "many", None),
        ("fb1a5a0f", "fb1a5a0", None),
        ("ac87db56", "-", 4096),
        ("ac87db56", "salt", None),
        (" ac87db56", "", None),
    ],
)
def test_a_verity_target_has_numbers_and_digests(old: str, new: str, first: int | None) -> None:
    """Linux Documentation/admin-guide/device-mapper/verity.rst: none of them is below 0."""
    (found,) = mapped(f"v,,,ro,{_VERITY.format('8:1')}".replace(old, new))
    assert (found.target.start if found.target is not None else None) == first
    if found.target is not None:
        assert found.target.digest == bytes.fromhex("fb1a5a0f")

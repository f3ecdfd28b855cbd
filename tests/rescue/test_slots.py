from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.rescue.slots import LINES, Slot, slots_in

TEXT = """\
[system]
compatible=gauge
device=/dev/mmcblk0

[keyring]
path=/etc/rauc/keyring.pem

# device=/dev/mmcblk0p1
[slot.rootfs.0]
#device=/dev/mmcblk0p9
device = /dev/mmcblk0p2
bootname=A
[slot.appfs.0]
parent=rootfs.0
device=/dev/disk/by-partlabel/app=0
[slot.rootfs]
device=/dev/mmcblk0p3
[slot.rootfs.1]
device=
"""


def test_the_slots_of_a_configuration() -> None:
    """After the example in RAUC's reference, from memory."""
    assert tuple(slots_in(TEXT)) == (
        Slot("slot.rootfs.0", "/dev/mmcblk0p2", 11),
        Slot("slot.appfs.0", "/dev/disk/by-partlabel/app=0", 15),
    )


@pytest.mark.parametrize("more", [0, 1])
def test_only_so_many_lines_are_read(more: int) -> None:
    text = "[slot.a.0]\n" + "\n" * (LINES - 2 + more) + "device=/dev/sda1\n"
    assert len(list(slots_in(text))) == 1 - more


@given(st.text(alphabet="[]slot.a01=dev ice\n#\r\0", max_size=200))
def test_any_text_gives_slots_of_lines_that_are_there(text: str) -> None:
    lines = text.splitlines()
    for slot in slots_in(text):
        assert slot.device in lines[slot.line - 1]

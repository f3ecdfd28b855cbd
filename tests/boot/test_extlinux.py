from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from imgaudit.boot.extlinux import MAX_LABELS, Label, Menu, beside, parse_extlinux

# the form of U-Boot doc/README.pxe and of u-boot-menu
TEXT = """\
## comment
default l0
menu title U-Boot menu
prompt 0
timeout 50

label l0
\tmenu label Linux 6.1
\tlinux /boot/vmlinuz#conf-1
\tinitrd /boot/initrd.img
\tfdtdir /boot/dtbs/
\tfdtoverlays /a.dtbo /b.dtbo
\tappend root=UUID=1 ro quiet

label l0r
  KERNEL ../Image
  fdt board.dtb
  surprise x
"""


def test_a_menu() -> None:
    menu = parse_extlinux(TEXT)
    assert menu.default == "l0"
    assert menu.labels == (
        Label(
            "l0",
            7,
            kernel="/boot/vmlinuz",
            config="conf-1",
            initrd="/boot/initrd.img",
            fdtdir="/boot/dtbs/",
            overlays=("/a.dtbo", "/b.dtbo"),
            append="root=UUID=1 ro quiet",
        ),
        Label("l0r", 15, kernel="../Image", fdt="board.dtb"),
    )


def test_the_default_label_is_tried_first() -> None:
    text = "label a\nlabel b\n menu default\nlabel c\n"
    assert [label.name for label in parse_extlinux(text).ordered()] == ["b", "a", "c"]
    assert [label.name for label in parse_extlinux("label a\nlabel b").ordered()] == ["a", "b"]
    assert parse_extlinux("ontimeout b\nlabel b").default == "b"


def test_paths_are_beside_the_file() -> None:
    assert beside("/Image", "boot/extlinux/extlinux.conf") == "Image"
    assert beside("Image", "boot/extlinux/extlinux.conf") == "boot/extlinux/Image"
    assert beside("Image", "extlinux.conf") == "Image"


def test_odd_values() -> None:
    menu = parse_extlinux("timeout soon\nkernel early\nlabel\n")
    assert menu == Menu((Label("", 3),), None)
    assert len(parse_extlinux("label a\n" * 1000).labels) == MAX_LABELS


@given(st.text(st.sampled_from("labelkrnfdt \t\n#/") | st.characters()))
def test_any_text_is_a_menu(text: str) -> None:
    assert len(parse_extlinux(text).ordered()) == len(parse_extlinux(text).labels)

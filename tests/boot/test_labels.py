"""The labels of an extlinux.conf, scripts in RAM, and the ends of a script."""

from __future__ import annotations

import pytest

from imgaudit.boot.state import State
from imgaudit.boot.values import Text
from imgaudit.boot.walk import Kind, Walk, World, fdt_file, walk
from imgaudit.units import Span

FROM = ("mmc0", "1")


def follow(text: str, world: World | None = None, /, **variables: str) -> Walk:
    return walk({"bootcmd": text, **variables}, "bootcmd", world)


def noted(result: Walk, kind: str) -> list[str]:
    return [note.what for note in result.unresolved if note.kind == kind]


def echoed(result: Walk) -> list[str]:
    return [each.command for each in result.operations if each.command.startswith("echo")]


# U-Boot boot/pxe_utils.c, label_boot: fdtfile, or soc and board, in the folder that fdtdir names.
@pytest.mark.parametrize(
    ("folder", "variables", "file"),
    [
        ("/dtbs", {"fdtfile": "tide.dtb"}, "/dtbs/tide.dtb"),
        ("/dtbs/", {"fdtfile": "tide.dtb"}, "/dtbs/tide.dtb"),
        ("", {"fdtfile": "tide.dtb"}, "./tide.dtb"),
        ("/dtbs", {"soc": "imx8", "board": "tide"}, "/dtbs/imx8-tide.dtb"),
        ("/dtbs", {"board": "tide"}, "/dtbs/${fdtfile}"),
        ("/dtbs", {"soc": "imx8"}, "/dtbs/${fdtfile}"),
        ("/dtbs", {"fdtfile": "t.dtb", "soc": "imx8", "board": "tide"}, "/dtbs/t.dtb"),
    ],
)
def test_the_tree_in_a_folder(folder: str, variables: dict[str, str], file: str) -> None:
    state = State({name: Text.of(value) for name, value in variables.items()})
    assert str(fdt_file(folder, state)) == file


def sysboot(label: str, world: World | None = None, /, **variables: str) -> Walk:
    """Follow a menu with one label, whose files are all there."""
    text = f"label tide\n{label}"
    made = world or World(
        scripts={(*FROM, "extlinux.conf"): text},
        files={(*FROM, name): 0x100 for name in ("extlinux.conf", "Image", "root", "tide.dtb")},
        listed=frozenset({FROM}),
    )
    return follow("sysboot mmc 0:1 any 100 extlinux.conf; echo back", made, **variables)


ADDRESSES = {"kernel_addr_r": "2000", "ramdisk_addr_r": "3000", "fdt_addr_r": "4000"}


@pytest.mark.parametrize(
    ("label", "variables", "command"),
    [
        ("kernel Image", ADDRESSES, "booti 2000 - ${fdtcontroladdr}"),
        ("kernel Image", {**ADDRESSES, "fdtcontroladdr": "5000"}, "booti 2000 - 5000"),
        ("kernel Image", {**ADDRESSES, "fdt_addr": "6000"}, "booti 2000 - 6000"),
        ("kernel Image\nfdt tide.dtb", ADDRESSES, "booti 2000 - 4000"),
        ("kernel Image\ninitrd root", ADDRESSES, "booti 2000 3000:100 ${fdtcontroladdr}"),
        ("kernel Image\ninitrd root\nfdt tide.dtb", ADDRESSES, "booti 2000 3000:100 4000"),
        ("kernel Image#conf-1", ADDRESSES, "bootm 2000#conf-1"),
        ("kernel Image#conf-1\nfdt tide.dtb", ADDRESSES, "bootm 2000#conf-1 - 4000"),
        ("kernel Image\nfdt Image", ADDRESSES, "booti 2000 - 2000"),
    ],
)
def test_how_a_label_is_started(label: str, variables: dict[str, str], command: str) -> None:
    result = sysboot(label, **variables)
    assert [boot.command for boot in result.boots] == [command]
    assert echoed(result) == ["echo back"]


def test_a_fit_and_a_32_bit_kernel_of_a_label() -> None:
    text = "label tide\nkernel Image"
    files = {(*FROM, "extlinux.conf"): 1, (*FROM, "Image"): 0x100}
    scripts = {(*FROM, "extlinux.conf"): text}
    fit = World(scripts=scripts, files=files, formats={(*FROM, "Image"): "fit"})
    assert [boot.command for boot in sysboot("", fit, **ADDRESSES).boots] == ["bootm 2000"]
    small = World(scripts=scripts, files=files, bits=32)
    assert [boot.command for boot in sysboot("", small, **ADDRESSES).boots] == [
        "bootz 2000 - ${fdtcontroladdr}"
    ]


@pytest.mark.parametrize(
    ("label", "missing"),
    [
        ("kernel Image", "kernel_addr_r"),
        ("kernel Image\ninitrd root", "ramdisk_addr_r"),
        ("kernel Image\nfdt tide.dtb", "fdt_addr_r"),
        ("kernel Image\nfdtdir /", "fdt_addr_r"),
    ],
)
def test_an_address_that_a_label_needs(label: str, missing: str) -> None:
    variables = {name: value for name, value in ADDRESSES.items() if name != missing}
    assert noted(sysboot(label, **variables), "undefined variable")[:1] == [missing]


@pytest.mark.parametrize("label", ["append quiet", "kernel gone", "kernel Image\ninitrd gone"])
def test_a_label_that_cannot_be_started_gives_way(label: str) -> None:
    result = sysboot(f"{label}\nlabel other\nkernel Image", **ADDRESSES)
    assert [boot.kernel for boot in result.boots] == [0x2000]
    assert sysboot(label, **ADDRESSES).boots == ()
    # cmd/sysboot.c: it comes back with success all the same
    assert echoed(sysboot(label, **ADDRESSES)) == ["echo back"]


def test_a_menu_on_a_device_that_is_not_known() -> None:
    result = follow("setexpr n *100; sysboot mmc ${n}:1 any 100 extlinux.conf")
    assert noted(result, "script not known")
    assert [boot.kernel for boot in result.boots] == [None]


# Scripts in RAM ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "formats", "kind"),
    [
        # cmd/source.c: what is neither uImage nor FIT is refused
        ("load mmc 0:1 100 a && source 100", {(*FROM, "a"): "arm64-image"}, "no script"),
        ("load mmc 0:1 100 a && source 100", {(*FROM, "a"): "uimage"}, "no script"),
        ("load mmc 0:1 100 a && source 100", {(*FROM, "a"): "fit"}, "script not known"),
        ("load mmc 0:1 100 a && source 100", {}, "script not known"),
        ("mw.b 100 0 10; source 100", {}, "no script"),
        ("loady 100 && source 100", {}, "script not known"),
        ("source 100", {}, "script not known"),
    ],
)
def test_what_is_no_script(text: str, formats: dict[tuple[str, str, str], str], kind: str) -> None:
    world = World(files={(*FROM, "a"): 0x100}, listed=frozenset({FROM}), formats=formats)
    result = follow(f"{text} || echo refused", world)
    assert {note.kind for note in result.unresolved} == {kind}
    certain = follow(f"{text}; if test $? = 0; then echo ran; fi", world)
    assert ("echo ran" in echoed(certain)) == (kind != "no script")


def test_a_script_of_a_region_runs() -> None:
    world = World(sizes={"nor": 1 << 20}, raw_scripts={("nor", 0x100): "echo from the region\n"})
    text = "sf probe && sf read 100 100 40 && source 100 && echo after"
    result = follow(text, world)
    assert echoed(result) == ["echo from the region", "echo after"]
    (read,) = (one for one in result.operations if one.kind is Kind.READ)
    assert read.span == Span.sized(0x100, 0x40)


def test_what_is_run_after_one_that_fails() -> None:
    scripts = {"good": "echo good", "bad": "echo bad; false", "last": "echo last"}
    assert echoed(follow("run good bad last", **scripts)) == ["echo good", "echo bad"]
    assert echoed(follow("run good last", **scripts)) == ["echo good", "echo last"]
    assert echoed(follow("run bad last || echo failed", **scripts)) == ["echo bad", "echo failed"]


@pytest.mark.parametrize(
    ("how", "said"),
    [
        ("exit", ["echo on"]),
        ("exit 0", ["echo on"]),
        ("exit 3", ["echo failed", "echo on"]),
    ],
)
def test_an_exit_out_of_a_variable_leaves_its_own_command(how: str, said: list[str]) -> None:
    """common/cli_hush.c reads a command again whose words came out of a variable."""
    result = follow("$how || echo failed; echo on", how=how)
    assert echoed(result) == said


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("echo a; exit 0; echo b", ["echo a", "echo after"]),
        ("echo a; exit 1; echo b", ["echo a"]),
        # cmd/exit.c, simple_strtoul: a sign is no digit
        ("echo a; exit -2; echo b", ["echo a", "echo after"]),
    ],
)
def test_an_exit_leaves_its_script(text: str, said: list[str]) -> None:
    assert echoed(follow("run inner && echo after", inner=text)) == said


# What the shell takes for something else ---------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "said"),
    [  # common/cli_hush.c, parse_stream: a `#` behind an empty word starts a comment as well
        ("echo a#b", ["echo a#b"]),
        ("echo ''#b; echo c\necho d", ["echo ", "echo d"]),
        ("echo #b; echo c\necho d", ["echo", "echo d"]),
        # "syntax error", of which it takes no notice where an operator stands right behind
        ("fi; echo a", ["echo a"]),
        ("echo a; done; echo b", ["echo a", "echo b"]),
        ("then && echo a", []),
        ("fi echo a", []),
        ("if true; then fi; echo a; fi", []),
        ("echo a; if true; then echo b", []),
    ],
)
def test_what_the_shell_takes_for_something_else(text: str, said: list[str]) -> None:
    assert echoed(follow(text)) == said


def test_a_quote_that_is_not_closed() -> None:
    """The old parser takes all that follows, with the newline that U-Boot puts at the end."""
    assert echoed(follow('echo "a; echo b')) == ["echo a; echo b\n"]
    # hush of busybox, as in U-Boot's CONFIG_HUSH_MODERN_PARSER: a syntax error
    modern = follow('echo "a; echo b', World(modern_shell=True))
    assert echoed(modern) == []
    assert [note.kind for note in modern.unresolved] == ["syntax error"]

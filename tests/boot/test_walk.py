from __future__ import annotations

import subprocess
from collections.abc import Mapping
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.boot import walk as module
from imgaudit.boot.walk import Kind, Operation, Outcome, Walk, World, entries, walk
from imgaudit.formats.environment import find_default_environment, imported
from imgaudit.formats.view import View
from imgaudit.units import MIB, Span

GOOD = "true"
BAD = "false"


def follow(text: str, world: World | None = None, **variables: str) -> Walk:
    return walk({"bootcmd": text, **variables}, "bootcmd", world)


def echoed(result: Walk) -> list[str]:
    return [each.command for each in result.operations if each.command.startswith("echo")]


def only(result: Walk, kind: Kind) -> Operation:
    found = [each for each in result.operations if each.kind is kind]
    assert len(found) == 1
    return found[0]


def noted(result: Walk, kind: str) -> list[str]:
    return [note.what for note in result.unresolved if note.kind == kind]


# The shell ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("chain", "succeeds"),
    [  # U-Boot test/hush/list.c, the tables of the old parser
        ("false; false", False),
        ("false; true", True),
        ("true; false", False),
        ("false && true", False),
        ("true && true", True),
        ("true && false", False),
        ("false || false", False),
        ("false || true", True),
        ("true || false", True),
        ("false && false || false", False),
        ("false && false || true", False),
        ("false && true || true", False),
        ("false && true || false", False),
        ("true && true || false", True),
        ("true && false || false", False),
        ("true && false || true", True),
        ("true && true || true", True),
        ("false || false && false", False),
        ("false || false && true", False),
        ("false || true && true", True),
        ("false || true && false", False),
        ("true || true && false", True),
        ("true || false && false", True),
        ("true || false && true", True),
        ("true || true && true", True),
    ],
)
def test_chains_of_the_old_parser(chain: str, succeeds: bool) -> None:
    result = follow("if run chain; then echo yes; else echo no; fi", chain=chain)
    assert echoed(result) == ["echo yes" if succeeds else "echo no"]


@pytest.mark.parametrize(
    ("chain", "succeeds"),
    [  # POSIX 2.9.3, which the modern parser follows
        ("false && false || true", True),
        ("false && true || true", True),
        ("true || true && false", False),
        ("true || false && false", False),
        ("false || true && true", True),
        ("true && false || true", True),
    ],
)
def test_chains_of_the_modern_parser(chain: str, succeeds: bool) -> None:
    result = follow(
        "if run chain; then echo yes; else echo no; fi", World(modern_shell=True), chain=chain
    )
    assert echoed(result) == ["echo yes" if succeeds else "echo no"]


def test_the_old_parser_skips_an_or_behind_a_failed_and() -> None:
    text = "load mmc 0:1 100 a && bootm 100 || run recovery"
    old = follow(text, recovery="echo saved")
    dead = follow(text, World(dead=frozenset({"mmc0"})), recovery="echo saved")
    modern = follow(text, World(dead=frozenset({"mmc0"}), modern_shell=True), recovery="echo saved")
    assert [note.kind for note in old.oddities] == ["|| after && does not run"]
    assert old.reaches("recovery")
    assert not dead.reaches("recovery")
    assert modern.reaches("recovery")
    assert modern.oddities == ()


@pytest.mark.parametrize(
    ("text", "lines"),
    [
        ("if true; then echo a; else echo b; fi", ["echo a"]),
        ("if false; then echo a; elif true; then echo b; else echo c; fi", ["echo b"]),
        ("if false; then echo a; fi; echo b", ["echo b"]),
        ("if true; false; then echo a; else echo b; fi", ["echo b"]),
        ("for i in a b; do echo $i; done", ["echo a", "echo b"]),
        ("list='a b'; for i in x ${list}; do echo $i; done", ["echo x", "echo a", "echo b"]),
        ("for i in; do echo $i; done; echo z", ["echo z"]),
        # setexpr sets the environment, which hides the shell variable
        (
            "n=3; while itest $n > 0; do echo $n; setexpr n $n - 1; done",
            ["echo 3", "echo 2", "echo 1"],
        ),
        ("until true; do echo a; done; echo b", ["echo b"]),
        ("false; echo $?; true; echo $?", ["echo 1", "echo 0"]),
        ("x=1 y=2; echo $x$y", ["echo 12"]),
        ("x=1 echo a; echo $x", ["echo a", "echo 1"]),
        ("setenv x a b; echo $x; setenv x; echo [$x]", ["echo a b", "echo []"]),
        ("env set x a; echo ${x:-b} ${y:-b} ${z:=c} ${z}", ["echo a b c c"]),
        ("env delete x; env exists x || echo none", ["echo none"]),
        ("run one two; echo c", ["echo 1", "echo 2", "echo c"]),
        ("echo a\necho b # c\necho d", ["echo a", "echo b", "echo d"]),
        ("setexpr x 10 * 10; echo $x; setexpr y $x / 3; echo $y", ["echo 100", "echo 55"]),
        ("setexpr x 0 - 1; echo $x", ["echo ffffffffffffffff"]),
        ('test -n "$none" || echo empty', ["echo empty"]),
    ],
)
def test_control_flow(text: str, lines: list[str]) -> None:
    assert echoed(follow(text, one="echo 1", two="echo 2")) == lines


def test_an_if_without_a_branch_to_take_fails_in_the_old_parser() -> None:
    text = "run check || echo failed"
    check = "if test a = b; then echo no; fi"
    assert echoed(follow(text, check=check)) == ["echo failed"]
    assert echoed(follow(text, World(modern_shell=True), check=check)) == []


def test_both_ways_are_followed_and_what_differs_is_unknown() -> None:
    result = follow("if gpio input 5; then setenv x a; else setenv x b; fi; setenv y c; echo $x $y")
    assert echoed(result) == ["echo ${x} c"]
    sets = [each for each in result.operations if each.kind is Kind.SET]
    assert [each.conditions[0].outcome for each in sets[:2]] == [Outcome.SUCCEEDS, Outcome.FAILS]
    assert sets[2].conditions == ()


def test_exit_leaves_the_innermost_script() -> None:
    result = follow("run inner; echo after", inner="echo a; if true; then exit; fi; echo never")
    assert echoed(result) == ["echo a", "echo after"]
    failed = follow("run inner || echo failed", inner="exit 1")
    assert echoed(failed) == ["echo failed"]


def test_a_loop_variable_is_hidden_by_the_environment() -> None:
    result = follow("for i in a b; do echo $i; done", i="z")
    assert echoed(result) == ["echo z", "echo z"]
    assert [note.what for note in result.oddities] == ["i"]


def test_a_command_that_vanishes_keeps_the_status() -> None:
    result = follow("false; if ${none}; then echo yes; else echo no; fi")
    assert echoed(result) == ["echo no"]
    assert [note.what for note in result.oddities] == ["${none}"]


def test_a_syntax_error_stops_a_variable_and_is_said() -> None:
    result = follow("run broken; echo after", broken="echo a; if b")
    assert echoed(result) == ["echo after"]
    assert [(n.kind, n.variable) for n in result.unresolved] == [("syntax error", "broken")]


def programs() -> st.SearchStrategy[str]:
    """Scripts of which every outcome is known, in what U-Boot and POSIX have in common."""
    simple = st.sampled_from(
        ["true", "false", "echo a", "echo b", "test a = a", "test a = b", "echo $?", "echo $i"]
    )

    def compound(inner: st.SearchStrategy[str]) -> st.SearchStrategy[str]:
        chain = st.tuples(inner, st.sampled_from(["; ", " && ", " || ", "\n"]), inner).map("".join)
        when = st.tuples(inner, inner, inner).map("if {0[0]}; then {0[1]}; else {0[2]}; fi".format)
        bare = st.tuples(inner, inner).map("if {0[0]}; then {0[1]}; fi".format)
        elif_ = st.tuples(inner, inner, inner, inner).map(
            "if {0[0]}; then {0[1]}; elif {0[2]}; then {0[3]}; fi".format
        )
        each = inner.map("for i in x y; do {0}; done".format)
        until = inner.map("until true; do {0}; done".format)
        return chain | when | bare | elif_ | each | until

    return st.recursive(simple, compound, max_leaves=12)


@pytest.mark.oracle
@given(programs())
def test_the_modern_parser_agrees_with_a_posix_shell(text: str) -> None:
    script = f"i=z\n{text}\necho $?"
    expected = subprocess.run(["sh", "-c", script], capture_output=True, text=True, check=True)
    result = follow(script, World(modern_shell=True))
    assert [line.removeprefix("echo ") for line in echoed(result)] == expected.stdout.split("\n")[
        :-1
    ]


# What is missing ----------------------------------------------------------------------------------


def test_what_is_missing_is_named() -> None:
    result = follow("load mmc 0:1 ${addr} ${file}; run nothing; frobnicate a; bootm ${addr}")
    assert noted(result, "undefined variable") == ["addr", "file"]
    assert noted(result, "missing script") == ["nothing"]
    assert noted(result, "unknown command") == ["frobnicate"]
    unknown = only(result, Kind.UNKNOWN)
    assert unknown.arguments == ("frobnicate", "a")
    note = next(note for note in result.unresolved if note.what == "file")
    assert (note.variable, note.at) == ("bootcmd", 21)


def test_an_unset_variable_that_is_only_asked_for_is_no_fault() -> None:
    result = follow('test -n "${a}" && setenv b 1; setenv c ${b}; setenv c; echo ${c}')
    assert noted(result, "undefined variable") == []
    assert noted(result, "variable without a value") == ["a", "b", "c"]


def test_variables_of_the_board_are_known_to_be_set() -> None:
    result = follow("echo ${slot} ${ethaddr} ${dtb}", World(variables={"slot": "a", "dtb": None}))
    assert echoed(result) == ["echo a ${ethaddr} ${dtb}"]
    assert noted(result, "set at run time") == ["ethaddr"]


@pytest.mark.parametrize(
    ("text", "modern", "line"),
    [
        # cli_hush.c `lookup_param`: `:+` gives its text where the variable is empty
        ("echo ${set:+other} ${unset:+other}", False, "echo other"),
        ("echo ${set:+other} ${unset:+other}", True, "echo other"),
        ("echo ${set:+a}", False, "echo"),
        ("echo ${ethact:-a} ${ethact:+b}", False, "echo ${ethact} ${ethact}"),
        ("gpio input 1; echo $?", False, "echo ${?}"),
        ("a=${set}x; echo $a", False, "echo yesx"),
    ],
)
def test_expansion(text: str, modern: bool, line: str) -> None:
    result = follow(text, World(modern_shell=modern, variables={"ethact": None}), set="yes")
    assert echoed(result) == [line]


def test_commands_and_scripts_of_which_the_text_is_unknown() -> None:
    result = follow("fdt get value x /a b; run x && ${x} 1")
    assert noted(result, "script not known") == ["x"]
    assert noted(result, "command not known") == ["${x} 1"]
    assert result.operations[-1].kind is Kind.UNKNOWN


def test_an_entry_that_is_missing() -> None:
    result = walk({}, "recovery")
    assert noted(result, "missing script") == ["recovery"]
    assert result.falls_through
    assert not result.boots


def test_a_name_built_from_what_is_unknown_is_followed_to_all_that_match() -> None:
    result = follow(
        "mmc partconf 0 part; run boot_${part}", boot_a="echo a", boot_b="echo b", other="echo c"
    )
    assert echoed(result) == ["echo a", "echo b"]
    assert result.reaches("boot_b")
    nothing = follow("run ${ethact}")
    assert noted(nothing, "name of what to run is not known") == ["run ${ethact}"]


# Bounds -------------------------------------------------------------------------------------------


def test_a_variable_that_runs_itself_ends() -> None:
    result = follow("echo a; run bootcmd")
    assert noted(result, "runs itself") == ["bootcmd"]
    assert [end.how for end in result.ends] == ["loop"]
    assert not result.falls_through


def test_a_loop_without_an_end_ends() -> None:
    result = follow("while true; do sleep 1; done; echo never")
    assert echoed(result) == []
    assert [end.how for end in result.ends] == ["loop"]
    open_loop = follow("while gpio input 1; do setenv x ${x}a; done; echo after")
    assert echoed(open_loop) == ["echo after"]
    counter = follow("setenv n 0; while itest $n < ffff; do setexpr n $n + 1; done; echo after")
    assert noted(counter, "loop not followed to its end")
    assert echoed(counter) == ["echo after"]


def test_growth_is_bounded() -> None:
    result = follow("setenv a xxxxxxxx; while true; do setenv a ${a}${a}; done")
    assert len(result.operations) < module.MAX_OPERATIONS
    assert max(len(each.command) for each in result.operations) < 3 * module.MAX_ASSIGNED
    many = follow(
        " ".join(f"for v{i} in 1 2 3 4 5 6 7 8 9; do" for i in range(9)) + " true;" + " done;" * 9
    )
    assert not many.complete


@pytest.mark.parametrize("more", [0, 1])
def test_as_many_commands_are_followed_as_there_is_room_for(more: int) -> None:
    result = follow("; ".join(["echo a"] * (module.MAX_OPERATIONS + more)))
    assert len(result.operations) == module.MAX_OPERATIONS
    assert result.complete is not bool(more)


@pytest.mark.parametrize("more", [0, 1])
def test_as_many_runs_inside_each_other_are_followed(more: int) -> None:
    last = module.MAX_DEPTH - 1 + more
    chain = {f"v{i}": f"run v{i + 1}" for i in range(last)} | {f"v{last}": "echo end"}
    assert walk(chain, "v0").complete is not bool(more)


def test_deep_runs_are_bounded() -> None:
    chain = {f"v{i}": f"if true; then run v{i + 1}; fi" for i in range(200)}
    result = walk(chain, "v0")
    assert not result.complete
    assert noted(result, "too deep to follow")


VOCABULARY = """
if then elif else fi for while until in do done true false exit && || ; ' " \\ $x ${x} $? # x x=1
x=$x$x setenv run a b bootcmd source 100 bootm load mmc 0:1 sf probe read write erase update itest
setexpr test -n -e = + env import default -a dev part start gpt ubi bootz booti - cp.b mw fdt addr
sysboot any mtd reset saveenv usb tftpboot unzip nor0
"""
TOKENS = st.sampled_from([*VOCABULARY.split(), "\n"])


@given(
    st.lists(TOKENS, max_size=40).map(" ".join),
    st.lists(TOKENS, max_size=20).map(" ".join),
    st.booleans(),
)
def test_the_walk_ends_on_every_script(first: str, second: str, modern: bool) -> None:
    environment = {"bootcmd": first, "a": second, "b": second[::-1], "x": "1"}
    world = World(
        modern_shell=modern,
        scripts={("mmc0", "1", "x"): second},
        mtd={"nor0": ("nor", Span(0, MIB))},
    )
    result = walk(environment, "bootcmd", world)
    assert len(result.operations) <= module.MAX_OPERATIONS
    assert [each.index for each in result.operations] == list(range(len(result.operations)))
    for each in result.operations:
        assert each.variable in {*environment, "x"}
    assert result.falls_through or result.boots or result.ends


# Bytes --------------------------------------------------------------------------------------------


def test_a_read_from_the_nor() -> None:
    # a thread, from memory: 2684 KiB are read
    result = follow("sf probe; sf read 2000000 60200 29f000 && bootm 2000000")
    read = only(result, Kind.READ)
    assert read.device == "nor"
    assert read.span == Span(0x60200, 0x60200 + 2748416)
    assert read.ram == Span(0x2000000, 0x2000000 + 2748416)
    boot = result.boots[0]
    assert boot.loaded == {"kernel": (read.index,)}
    assert boot.stale == ()


@pytest.mark.parametrize(
    ("blocks", "needed"),
    [  # public threads: too few blocks for the file; the right count is 0x518b and 0x434
        ("5000", 10687710),
        (f"{656:x}", 550886),
    ],
)
def test_a_read_of_blocks_that_is_too_short(blocks: str, needed: int) -> None:
    read = only(follow(f"mmc dev 0; mmc read 42000000 0 {blocks}"), Kind.READ)
    assert read.span is not None
    assert read.span.size == int(blocks, 16) * 512 < needed
    right = {10687710: 0x518B, 550886: 0x434}[needed]
    assert (right - 1) * 512 < needed <= right * 512


def test_a_short_read_in_bytes() -> None:
    # a thread, from memory: 0x22000 bytes are read, 138.4 KiB (141721 bytes) are needed
    read = only(follow("sf probe; sf read 1000000 40000 22000"), Kind.READ)
    assert read.span is not None
    assert read.span.size == 139264


def test_the_example_of_mmc_read() -> None:
    # U-Boot doc/usage/cmd/mmc.rst: block 20480, 256 blocks
    read = only(follow("mmc dev 1 1; mmc read 40000000 5000 100"), Kind.READ)
    assert read.device == "mmc1.boot0"
    assert read.span == Span.sized(20480 * 512, 256 * 512)
    assert read.ram == Span.sized(0x40000000, 131072)


@pytest.mark.parametrize(
    ("text", "kind", "device", "span"),
    [
        ("sf probe 0; sf erase 100000 +10001", Kind.ERASE, "nor", Span(0x100000, 0x120000)),
        ("sf probe 1:0; sf erase 0 10000", Kind.ERASE, "nor", Span(0, 0x10000)),
        ("sf probe; sf update 1000 40000 2000", Kind.UPDATE, "nor", Span(0x40000, 0x42000)),
        ("sf probe; sf write 1000 env 10", Kind.WRITE, "nor", Span(0x100000, 0x100010)),
        ("sf probe; sf read 1000 recovery", Kind.READ, "nor", Span(0x110000, 0x1000000)),
        ("sf probe; sf protect lock 0 80000", Kind.PROTECT, "nor", Span(0, 0x80000)),
        ("mtd read env 1000", Kind.READ, "nor", Span(0x100000, 0x110000)),
        ("mtd erase nor0 10000 20000", Kind.ERASE, "nor", Span(0x10000, 0x30000)),
        ("mtd write fw 1000 100 200", Kind.WRITE, "nor", Span(0x100, 0x300)),
        ("mtd read extra 0", Kind.READ, "nor", Span(5, 9)),
        ("nand read 1000 0 200", Kind.READ, "nand0", Span(0, 0x200)),
        ("nand erase 0 20000", Kind.ERASE, "nand0", Span(0, 0x20000)),
        ("mmc dev 0 2; mmc write 1000 0 8", Kind.WRITE, "mmc0.boot1", Span(0, 0x1000)),
        ("mmc erase 10 10", Kind.ERASE, "mmc0", Span(0x2000, 0x4000)),
        ("usb dev 1; usb read 1000 1 1", Kind.READ, "usb1", Span(512, 1024)),
        ("gzwrite mmc 0 1000 500 100000 200", Kind.WRITE, "mmc0", None),
    ],
)
def test_bytes_on_a_device(text: str, kind: Kind, device: str, span: Span | None) -> None:
    world = World(
        sizes={"nor": 16 * MIB}, erase={"nor": 0x10000}, mtd={"extra": ("nor", Span(5, 9))}
    )
    result = follow(text, world, mtdparts="mtdparts=nor0:1m(fw)ro,64k(env),-(recovery)")
    operation = only(result, kind)
    assert (operation.device, operation.span) == (device, span)


def test_files_of_known_size() -> None:
    world = World(files={("mmc0", "2", "boot/Image"): 0x1234}, listed=frozenset({("mmc0", "2")}))
    result = follow(
        "load mmc 0:2 1000 /boot/Image; setenv size ${filesize};"
        " load mmc 0:2 9000 none || echo $size",
        world,
    )
    load = next(each for each in result.operations if each.kind is Kind.LOAD)
    assert (load.device, load.partition, load.path) == ("mmc0", "2", "boot/Image")
    assert load.ram == Span.sized(0x1000, 0x1234)
    assert echoed(result) == ["echo 1234"]
    part = only(follow("ext4load mmc 0:2 1000 /boot/Image 100 1200", world), Kind.LOAD)
    assert part.ram == Span.sized(0x1000, 0x34)


@pytest.mark.parametrize(
    ("text", "device", "partition"),
    [
        ("load mmc 1:a 0 f", "mmc1", "a"),
        ("load mmc 0#rootfs 0 f", "mmc0", "rootfs"),
        ("load mmc 0.1:0 0 f", "mmc0.boot0", "0"),
        ("load mmc 0 0 f", "mmc0", "1"),
        ("load ubi ubi0:boot 0 f", "ubi0", "boot"),
        ("ubifsmount ubi0:root; ubifsload 0 f", "ubi0", "root"),
        ("tftpboot 1000 f", "net", None),
        ("tftpboot image", "net", None),
        ("loady 1000", "serial", None),
    ],
)
def test_where_files_come_from(text: str, device: str, partition: str | None) -> None:
    load = only(follow(text, loadaddr="1000"), Kind.LOAD)
    assert (load.device, load.partition) == (device, partition)
    assert load.ram_at in {0, 0x1000}


def test_partition_starts_are_in_blocks() -> None:
    world = World(partitions={("mmc0", "3"): Span(64 * MIB, 96 * MIB)})
    result = follow(
        "part start mmc 0 3 start; part size mmc 0 3 count; mmc read 1000 ${start} ${count}", world
    )
    assert only(result, Kind.READ).span == Span(64 * MIB, 96 * MIB)


def test_a_read_without_a_probe_is_an_oddity() -> None:
    result = follow("sf read 1000 0 100")
    assert [note.kind for note in result.oddities] == ["no sf probe before"]


# Boot ---------------------------------------------------------------------------------------------


def test_a_fit_with_a_configuration_and_three_arguments() -> None:
    result = follow(
        "setenv bootargs console=ttyS0; bootm 48000000#conf-1 49000000:1000 4a000000",
        initrd_high="ffffffff",
    )
    boot = result.boots[0]
    assert (boot.kernel, boot.config) == (0x48000000, "conf-1")
    assert (boot.ramdisk, boot.ramdisk_size, boot.fdt) == (0x49000000, 0x1000, 0x4A000000)
    assert boot.arguments == "console=ttyS0"
    assert boot.settings == {"initrd_high": "ffffffff"}
    assert set(boot.stale) == {"kernel", "ramdisk", "fdt"}
    assert all(not sources for sources in boot.loaded.values())


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("bootm", (0x100, None, None)),
        ("bootm 200 - 300", (0x200, None, 0x300)),
        ("bootm ${loadaddr}#${ethact} - 300", (0x100, None, 0x300)),
        ("booti 200 300:10 400", (0x200, 0x300, 0x400)),
        ("bootz 200 - 400", (0x200, None, 0x400)),
        ("bootefi 200 400", (0x200, None, 0x400)),
        ("bootefi bootmgr 400", (None, None, 0x400)),
        ("go 200", (0x200, None, None)),
        ("bootflow scan -lb", (None, None, None)),
        ("bootm start 200; bootm go", (None, None, None)),
    ],
)
def test_boot_commands(text: str, expected: tuple[int | None, int | None, int | None]) -> None:
    result = follow(text, loadaddr="100")
    boot = result.boots[0]
    assert (boot.kernel, boot.ramdisk, boot.fdt) == expected
    assert result.falls_through


def test_what_follows_a_boot_runs_only_if_it_returns() -> None:
    result = follow("bootm 100; echo back; bootm 200")
    echo = only(result, Kind.SHOW)
    assert [(c.text, c.outcome, c.failure) for c in echo.conditions] == [
        ("bootm 100", Outcome.RETURNS, True)
    ]
    assert len(result.boots) == 2
    assert [end.how for end in result.ends] == ["prompt"]


def test_a_load_that_nobody_checks() -> None:
    result = follow("load mmc 0:1 100 a; load mmc 0:1 200 b && bootm 100 - 200")
    first, second = (each for each in result.operations if each.kind is Kind.LOAD)
    assert (first.checked, first.ignored) == (False, True)
    assert (second.checked, second.ignored) == (True, False)
    assert result.boots[0].stale == ("kernel",)


def test_a_second_source_checks_the_first() -> None:
    checked = follow("load mmc 0:1 100 a || load mmc 1:1 100 a || reset; bootm 100")
    assert all(each.checked for each in checked.operations)
    assert checked.boots[0].loaded == {"kernel": (0, 1)}
    assert [end.how for end in checked.ends] == ["reset", "prompt"]
    unchecked = follow("load mmc 0:1 100 a || echo failed; bootm 100")
    assert not unchecked.operations[0].checked


def test_content_is_followed_through_copies() -> None:
    result = follow("load mmc 0:1 100 a; cp.b 100 200 10; bootm 200")
    assert result.boots[0].stale == ("kernel",)
    assert result.boots[0].loaded == {"kernel": (1,)}
    inside = follow("load mmc 0:1 100 a && bootm 140", World(files={("mmc0", "1", "a"): 0x80}))
    assert inside.boots[0].loaded == {"kernel": (0,)}


# Reachability -------------------------------------------------------------------------------------

MAIN = "load mmc 0:1 ${addr} fit && bootm ${addr}"
RECOVERY = "sf probe && sf read ${addr} 200000 d00000 && bootm ${addr}"


def two_stages(bootcmd: str, world: World | None = None) -> Walk:
    return walk(
        {"bootcmd": bootcmd, "main": MAIN, "recovery": RECOVERY, "addr": "48000000"},
        "bootcmd",
        world,
    )


def reaches_working(result: Walk, variable: str) -> bool:
    """Tell whether `run variable` is reached with every device working."""
    return any(
        variable in operation.runs
        for operation in result.operations
        if not any(condition.failure for condition in operation.conditions)
    )


@pytest.mark.parametrize(
    ("bootcmd", "always", "failing"),
    [
        ("run main", False, False),
        ("run main; run recovery", False, True),
        ("run main || run recovery", False, True),
        ("if run main; then true; else run recovery; fi", False, True),
        ("for s in main recovery; do run ${s}; done", False, True),
        ("if gpio input 7; then run recovery; fi; run main", False, True),
        ('if test "${wanted}" = recovery; then run recovery; fi; run main', False, False),
        ("run main && run recovery", False, False),
        ("run recovery", True, True),
        ("while true; do run main; done; run recovery", False, False),
    ],
)
def test_recovery_is_reached(bootcmd: str, always: bool, failing: bool) -> None:
    result = two_stages(bootcmd)
    assert reaches_working(result, "recovery") == (always or "gpio" in bootcmd)
    assert result.reaches("recovery") == failing
    assert result.reaches("bootcmd")


def test_a_dead_chip_shows_what_recovery_needs() -> None:
    dead = World(dead=frozenset({"mmc0"}))
    result = two_stages("run main; run recovery", dead)
    assert len(result.boots) == 1
    sources = {result.operations[i].device for i in result.boots[0].loaded["kernel"]}
    assert sources == {"nor"}
    assert not two_stages("run main", dead).boots
    both = two_stages("run main || run recovery", World(dead=frozenset({"mmc0", "nor"})))
    assert not both.boots
    assert both.falls_through


def test_the_entries_that_u_boot_runs() -> None:
    assert entries({"bootcmd": "a", "altbootcmd": "b", "preboot": ""}) == ("bootcmd", "altbootcmd")


# Scripts from elsewhere ---------------------------------------------------------------------------


def test_a_script_from_a_file() -> None:
    world = World(scripts={("mmc0", "1", "boot.scr"): "echo one\nif true\nthen echo two\nfi\n"})
    result = follow("load mmc 0:1 1000 boot.scr && source 1000; echo after", world)
    assert echoed(result) == ["echo one", "echo two", "echo after"]
    assert result.operations[2].variable == "boot.scr"


def test_a_script_from_the_nor() -> None:
    world = World(raw_scripts={("nor", 0x40000): "echo here"})
    result = follow("sf probe; sf read 1000 40000 1000; source 1000", world)
    assert echoed(result) == ["echo here"]
    assert not only(result, Kind.READ).checked
    assert noted(follow("source 1000"), "script not known") == ["source 1000"]


def test_a_script_that_sources_itself_ends() -> None:
    world = World(scripts={("mmc0", "1", "s"): "load mmc 0:1 1000 s && source 1000"})
    result = follow("load mmc 0:1 1000 s && source 1000", world)
    assert noted(result, "runs itself") == ["s"]
    assert result.complete


def test_an_environment_from_a_file() -> None:
    world = World(scripts={("mmc0", "1", "uEnv.txt"): "# comment\na=1\nb=2\n"})
    text = "load mmc 0:1 1000 uEnv.txt; env import -t 1000 ${filesize}; echo $a $b"
    assert echoed(follow(text, world)) == ["echo 1 2"]
    assert noted(follow(text), "imported environment not known")
    assert echoed(follow(text.replace("; echo", " a; echo"), world, b="3")) == ["echo 1 3"]


def test_env_default() -> None:
    world = World(default_environment={"a": "default"})
    assert echoed(follow("env default -a; echo $a $b", world, a="stored", b="mine")) == [
        "echo default"
    ]
    assert echoed(follow("env default a; echo $a $b", world, a="stored", b="mine")) == [
        "echo default mine"
    ]


EXTLINUX = """\
default second
timeout 30
label first
  kernel /Image
label second
  linux Image-2
  initrd /initrd.img
  fdt dtb/board.dtb
  append root=/dev/mmcblk0p2
"""


def test_an_extlinux_menu() -> None:
    world = World(
        scripts={("mmc0", "1", "extlinux/extlinux.conf"): EXTLINUX},
        files={("mmc0", "1", "extlinux/Image-2"): 0x100},
    )
    result = follow(
        "sysboot mmc 0:1 any 1000 /extlinux/extlinux.conf",
        world,
        kernel_addr_r="2000",
        ramdisk_addr_r="3000",
        fdt_addr_r="4000",
    )
    assert [each.path for each in result.operations if each.kind is Kind.LOAD] == [
        "extlinux/Image-2",
        "initrd.img",
        "extlinux/dtb/board.dtb",
        "Image",
    ]
    first, second = result.boots
    assert (first.kernel, first.ramdisk, first.fdt) == (0x2000, 0x3000, 0x4000)
    assert first.arguments == "root=/dev/mmcblk0p2"
    assert first.stale == ()
    assert second.kernel == 0x2000
    assert second.ramdisk is None


def test_labels_that_cannot_be_loaded() -> None:
    world = World(
        scripts={("mmc0", "1", "extlinux.conf"): "label a\nkernel a\nlabel b\nkernel b\n"},
        files={("mmc0", "1", "b"): 1, ("mmc0", "1", "extlinux.conf"): 1},
        listed=frozenset({("mmc0", "1")}),
    )
    text = "sysboot mmc 0:1 any 100 extlinux.conf; echo failed"
    result = follow(text, world, kernel_addr_r="2000")
    assert [boot.loaded["kernel"] for boot in result.boots] == [(2,)]
    assert [each.path for each in result.operations[1:3]] == ["a", "b"]
    assert noted(follow(text, world), "undefined variable") == ["kernel_addr_r"]
    gone = follow(text.replace("extlinux.conf", "other"), world)
    assert not gone.boots
    assert echoed(gone) == ["echo failed"]
    unknown = follow("sysboot mmc 0:2 any 100 extlinux.conf; echo failed", world)
    assert noted(unknown, "script not known")
    assert len(unknown.boots) == 1


# Default environments -----------------------------------------------------------------------------

DISTRO: Mapping[str, str] = {
    # the idiom of U-Boot include/config_distro_bootcmd.h
    "bootcmd": "run distro_bootcmd",
    "distro_bootcmd": "for target in ${boot_targets}; do run bootcmd_${target}; done",
    "boot_targets": "mmc0 usb0 nor",
    "bootcmd_mmc0": "devnum=0; run mmc_boot",
    "mmc_boot": "if mmc dev ${devnum}; then devtype=mmc; run scan_dev_for_boot_part; fi",
    "bootcmd_usb0": "devnum=0; run usb_boot",
    "usb_boot": "usb start; if usb dev ${devnum}; then devtype=usb; run scan_dev_for_boot_part; fi",
    "scan_dev_for_boot_part": "part list ${devtype} ${devnum} -bootable devplist; env exists"
    " devplist || setenv devplist 1; for distro_bootpart in ${devplist}; do if fstype ${devtype}"
    " ${devnum}:${distro_bootpart} bootfstype; then run boot_it; fi; done; setenv devplist",
    "boot_it": "load ${devtype} ${devnum}:${distro_bootpart} ${kernel_addr_r} Image && booti"
    " ${kernel_addr_r} - ${fdt_addr_r}",
    "bootcmd_nor": "sf probe && sf read ${kernel_addr_r} 200000 d00000 && bootm ${kernel_addr_r}",
    "kernel_addr_r": "0x40400000",
    "fdt_addr_r": "0x44000000",
}


def test_the_distro_idiom() -> None:
    result = walk(DISTRO, "bootcmd")
    assert result.complete
    assert [result.operations[boot.operation].device for boot in result.boots] == [None] * 3
    devices = [result.operations[boot.loaded["kernel"][-1]].device for boot in result.boots]
    assert devices == ["mmc0", "usb0", "nor"]
    assert reaches_working(result, "bootcmd_mmc0")
    assert not reaches_working(result, "bootcmd_nor")
    assert result.reaches("bootcmd_nor")
    assert noted(result, "undefined variable") == []


def packaged() -> list[Path]:
    return sorted(Path("/usr/lib/u-boot").glob("*/u-boot.bin"))


def compiled_in(path: Path) -> dict[str, str]:
    found = find_default_environment(View.of(path.read_bytes()))
    if found is None:
        return {}
    return {variable.name: imported(variable.value) for variable in found.variables}


@pytest.mark.oracle
def test_packaged_default_environments_are_walked_to_the_end() -> None:
    found = {path.parent.name: compiled_in(path) for path in packaged()}
    walked = {
        name: walk(environment, "bootcmd") for name, environment in found.items() if environment
    }
    assert len(walked) >= 5
    for result in walked.values():
        assert result.complete
        assert result.falls_through
        assert not noted(result, "unknown command")
        assert not noted(result, "syntax error")
    assert len(walked["qemu_arm64"].boots) > 20
    assert noted(walked["qemu_arm64"], "undefined variable")[:1] == ["fdtfile"]
    assert noted(walked["qemu-ppce500"], "variable without a value") == ["qemu_kernel_addr"]

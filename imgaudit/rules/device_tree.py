"""The device trees that a kernel or U-Boot is started with: whole, a base, and this board's."""

from __future__ import annotations

from collections.abc import Callable, Container, Iterator

from imgaudit.contents.place import Node
from imgaudit.contents.starts import configuration_of
from imgaudit.contents.tree import Content
from imgaudit.data import dataclass
from imgaudit.formats.fdt import FdtFacts
from imgaudit.formats.fip import Fip
from imgaudit.formats.fit import Configuration, FitFacts
from imgaudit.rules import samples as sample
from imgaudit.rules.cited import BOARD_NAMES, PRACTICE, in_linux, in_u_boot, standard
from imgaudit.rules.engine import Example, Kind, Missing, Outcome, Rule, Severity, check, nothing
from imgaudit.rules.examples import nor
from imgaudit.rules.kinds import board_arch, contents_of, unread, whole
from imgaudit.rules.subject import Subject
from imgaudit.units import MIB

_LIMIT = 2 * MIB
_SHOWN = 4


def _one(data: bytes | Callable[[], bytes], rest: str = "") -> Example:
    return nor(
        "name: tree, at: 0, size: 4 MiB, holds: fdt, file: gauge.dtb",
        chip="size: 8 MiB, erase-block: 64 KiB",
        rest=rest,
        files={"gauge.dtb": data if callable(data) else lambda: data},
    )


_GOOD = _one(sample.board_tree())


@dataclass(frozen=True, slots=True)
class _Tree:
    """A device tree and the part that it plays.

    `base` tells a tree that is booted with; `default` one that is booted with unless something
    else is asked for. `placed` is false for a lone file, of which no use is known.
    """

    found: Node[FdtFacts]
    base: bool
    default: bool
    placed: bool


def _trees(subject: Subject) -> Iterator[_Tree | Missing]:
    """Give the boards' device trees; the trees by which TF-A configures itself are left out."""
    yield from unread(subject, "fdt", "fit")
    bases: dict[int, tuple[bool, bool]] = {}
    started = {
        id(piece.content.unwrapped())
        for followed in subject.boots.followed.values()
        for start in followed.starts
        for piece in start.pieces
        if piece.role == "fdt" and piece.content is not None
    }
    for fit in subject.of(FitFacts):
        bases |= _fit_trees(fit, started, _compatible(subject))
    for found in subject.of(FdtFacts):
        holder = found.holder
        if holder is not None and isinstance(holder.facts, Fip):
            hardware = found.content.name.endswith("/HW_CONFIG")
            if hardware:
                yield _Tree(found, base=True, default=True, placed=True)
        elif id(found.content) in bases:
            base, default = bases[id(found.content)]
            yield _Tree(found, base=base, default=default, placed=True)
        elif holder is None and found.region is None:
            elsewhere = subject.layout.elsewhere if subject.layout is not None else None
            named = elsewhere is not None and found.artifact.path == elsewhere.device_tree
            yield _Tree(found, base=named, default=named, placed=named)
        else:
            # Where scripts tell what is booted with, another one may be an overlay that they apply.
            base = not started or id(found.content) in started
            yield _Tree(found, base=base, default=True, placed=True)


def _fit_trees(
    fit: Node[FitFacts], started: Container[int], board: str | None
) -> dict[int, tuple[bool, bool]]:
    """Tell which trees of a FIT are booted with: the first one of each configuration.

    By default it is the one that scripts start, else the one of the FIT's own default. Before
    that SPL looks for the configuration of the board that it runs on.
    Source: U-Boot boot/common_fit.c, fit_find_config_node.
    """
    # Contents are told apart by identity: two images may well hold equal bytes.
    trees = (fit.content.part(image.name) for image in fit.facts.images)
    roles = {id(tree.unwrapped()): (False, False) for tree in trees if tree is not None}
    starting = [choice for choice in fit.facts.configurations if choice.kernel or choice.firmware]
    only = configuration_of(fit.facts, None)
    if len(starting) == 1:
        only = starting[0]
    chosen = {choice.name: tree for choice in starting if (tree := _tree_of(fit, choice))}
    for choice in starting:
        facts = chosen[choice.name].facts if choice.name in chosen else None
        if choice.first_stage and isinstance(facts, FdtFacts) and board in facts.compatible:
            only = choice
            break
    for choice in starting:
        if choice.name in chosen:
            key = id(chosen[choice.name])
            roles[key] = True, roles[key][1] or choice is only
    if any(tree in started for tree in roles):
        return {tree: (base, tree in started) for tree, (base, _) in roles.items()}
    return roles


def _tree_of(fit: Node[FitFacts], choice: Configuration) -> Content | None:
    image = fit.facts.image(choice.fdt[0]) if choice.fdt else None
    content = fit.content.part(image.name) if image is not None else None
    return None if content is None else content.unwrapped()


TREES = contents_of(FdtFacts)
BOARD_TREES = Kind(_trees, lambda tree: tree.found.content.name)


def _cut_values(*, size: int, wanted: int, short: int) -> None: ...


CUT = Rule(
    name="device-tree-cut",
    stops=True,
    severity=Severity.ERROR,
    values=_cut_values,
    message="{content} is {size:bytes}, but its header says {wanted:bytes}",
    effect="U-Boot refuses it, or the kernel finds no board in it and stops before its first"
    " message.",
    fix="Copy the file again; it was cut by {short:bytes}.",
    computed="the tree's totalsize is above the size of the file",
    sources=(
        standard(
            "Devicetree Specification 0.4",
            "5.2",
            copy=in_u_boot("scripts/dtc/libfdt/fdt.h", "totalsize", "total size of DT block"),
        ),
        PRACTICE,
    ),
    bad=_one(sample.board_tree()[:4] + (4096).to_bytes(4, "big") + sample.board_tree()[8:]),
    good=_GOOD,
)


@check(CUT, over=TREES)
def device_tree_cut(found: Node[FdtFacts]) -> Outcome:
    size, wanted = found.content.size, found.facts.totalsize
    if wanted > size:
        yield CUT(size=size, wanted=wanted, short=wanted - size).inside(found, at=4, length=4)


def _too_large_values(*, size: int, limit: int) -> None: ...


TOO_LARGE = Rule(
    name="device-tree-too-large",
    stops=True,
    severity=Severity.ERROR,
    values=_too_large_values,
    message="{content} is {size:bytes}, arm64 kernels take at most {limit:bytes}",
    effect=(
        "The kernel takes it for no device tree at all and stands still: only an early console"
        " shows why."
    ),
    fix="Drop padding and nodes; compile it with a smaller dtc -p or -S.",
    computed="totalsize is above 2 MiB, on arm64",
    sources=(
        in_linux(
            "Documentation/arm64/booting.rst",
            says="The device tree blob (dtb) must be placed on an 8-byte boundary and "
            "must not exceed 2 megabytes in size.",
        ),
        in_linux(
            "arch/arm64/kernel/setup.c", "setup_machine_fdt", "Error: invalid device tree blob"
        ),
        in_linux("arch/arm64/mm/mmu.c", "fixmap_remap_fdt", "if (*size > MAX_FDT_SIZE)"),
    ),
    bad=_one(lambda: sample.board_tree({"padding": bytes(_LIMIT)})),
    good=_GOOD,
)


@check(TOO_LARGE, over=BOARD_TREES, given=whole)
def device_tree_too_large(tree: _Tree, build: Subject) -> Outcome:
    size = tree.found.facts.totalsize
    if size > _LIMIT and board_arch(build) in {None, "arm64"}:
        yield TOO_LARGE(size=size, limit=_LIMIT).inside(tree.found, at=4, length=4)


COMPATIBLE = Rule(
    name="device-tree-without-compatible",
    severity=Severity.WARNING,
    values=nothing,
    message="{content}: the root node has no compatible",
    effect="Linux starts without what asks for the board by its name, on 32-bit ARM as a generic"
    " one, and a U-Boot that chooses a FIT's configuration by it finds none. As a rule it is no"
    " board's tree at all.",
    fix="Give the root node the board's compatible, then the SoC's.",
    computed="a tree that is no overlay has no compatible in its root node; a note for a lone file,"
    " which may be no board's tree",
    sources=(
        in_linux("arch/arm/kernel/devtree.c", "setup_machine_fdt", "Generic DT based system"),
        in_u_boot("boot/image-fit.c", "fit_conf_find_compat"),
        standard(
            "Devicetree Specification 0.4",
            "3.2",
            copy=in_linux(
                "Documentation/devicetree/usage-model.rst",
                "compatible",
                "a sorted list of strings starting with the exact name of the machine",
            ),
        ),
    ),
    bad=_one(sample.board_tree({"compatible": ()})),
    good=_GOOD,
)


@check(COMPATIBLE, over=BOARD_TREES)
def device_tree_compatible(tree: _Tree) -> Outcome:
    facts = tree.found.facts
    if not facts.compatible and not facts.overlay:
        yield COMPATIBLE().inside(
            tree.found,
            at=facts.header.off_dt_struct,
            length=0,
            severity=None if tree.placed else Severity.NOTE,
        )


MEMORY = Rule(
    name="device-tree-without-memory",
    severity=Severity.NOTE,
    values=nothing,
    message="{content} has no memory node that the kernel looks at",
    effect="The kernel knows of no RAM unless U-Boot adds the node before it starts the kernel.",
    fix="Add a memory node with device_type and reg, or be sure that U-Boot fills it in.",
    computed="no node at the root of a tree (no overlay) has device_type memory and a range in"
    " reg or linux,usable-memory, and is not disabled; the name alone does not count",
    sources=(
        standard(
            "Devicetree Specification 0.4",
            "3.4",
            copy=in_linux(
                "drivers/of/fdt.c",
                "early_init_dt_scan_memory",
                'We are scanning "memory" nodes only',
            ),
        ),
        in_u_boot("common/fdt_support.c", "fdt_fixup_memory_banks"),
    ),
    bad=_one(sample.board_tree({"memory@80000000": ()})),
    good=_GOOD,
)


@check(MEMORY, over=BOARD_TREES)
def device_tree_memory(tree: _Tree) -> Outcome:
    facts = tree.found.facts
    known = any(
        node.text("device_type") == "memory"
        and node.enabled()
        and (node.regs(facts.tree.root) or "linux,usable-memory" in node.properties)
        for node in facts.tree.root.children
    )
    if not known and facts.compatible and not facts.overlay:
        yield MEMORY().inside(tree.found, at=facts.header.off_dt_struct, length=0)


OVERLAY = Rule(
    name="device-tree-unresolved-overlay",
    stops=True,
    severity=Severity.ERROR,
    values=nothing,
    message="{content} is an overlay, but is booted with as the board's device tree",
    effect="An overlay holds changes to a board's tree, and not the board: no processor, no"
    " interrupt controller, no console. The kernel does not get to its first message.",
    fix="Ship the base tree, with the overlay applied by fdtoverlay or by U-Boot.",
    computed="a tree in a region of its own (of several, one that a script boots with), or the"
    " first of a configuration that starts a kernel, has __fixups__ or __overlay__ nodes",
    sources=(
        in_linux(
            "Documentation/devicetree/overlay-notes.rst",
            says="A Devicetree's overlay purpose is to modify the kernel's live tree",
        ),
        in_u_boot("boot/image-fit.c", "boot_get_fdt_fit", "we need to apply overlays"),
        PRACTICE,
    ),
    bad=_one(sample.board_tree({"__fixups__": {"uart0": "/fragment@0:target:0"}})),
    good=_GOOD,
)


@check(OVERLAY, over=BOARD_TREES)
def device_tree_overlay(tree: _Tree) -> Outcome:
    facts = tree.found.facts
    if tree.base and facts.overlay:
        yield OVERLAY().inside(tree.found, at=facts.header.off_dt_struct, length=0)


def _board_values(*, found: str, wanted: str) -> None: ...


BOARD = Rule(
    name="device-tree-for-another-board",
    stops=True,
    severity=Severity.ERROR,
    values=_board_values,
    message="{content} is for {found}, the board is {wanted}",
    effect="Pins, clocks and regulators are set up for another board: at best it does not boot.",
    fix="Ship the device tree of {wanted}, or correct compatible: in the layout.",
    computed="the layout's compatible is not in the root node's list; of a FIT, the first tree of"
    " the configuration that a script starts, else of its default one, is asked",
    sources=(
        BOARD_NAMES,
        PRACTICE,
    ),
    bad=_one(sample.board_tree(), rest="compatible: example,other\n"),
    good=_one(sample.board_tree(), rest="compatible: example,gauge\n"),
)


def _compatible(subject: Subject) -> str | None:
    return subject.layout.compatible if subject.layout is not None else None


@check(BOARD, over=BOARD_TREES, given=_compatible)
def device_tree_board(tree: _Tree, wanted: str) -> Outcome:
    facts = tree.found.facts
    if tree.default and facts.compatible and wanted not in facts.compatible:
        yield BOARD(found=", ".join(facts.compatible[:_SHOWN]), wanted=wanted).inside(
            tree.found, at=facts.offsets["compatible"], length=0
        )

"""Which kernel, ramdisk, device trees, and script a FIT or a uImage means.

Source: U-Boot boot/image-fit.c, fit_conf_get_node() and fit_conf_get_prop_node();
boot/image-board.c, image_locate_script(); boot/image.c for the places in a multi-file uImage.
"""

from __future__ import annotations

from collections.abc import Iterator

from imgaudit.contents.tree import Content
from imgaudit.data import dataclass
from imgaudit.formats.arm64_image import Arm64ImageFacts
from imgaudit.formats.fit import Configuration, FitFacts, Image
from imgaudit.formats.riscv_image import RiscvImageFacts
from imgaudit.formats.uimage import UimageFacts
from imgaudit.formats.zimage import ZimageFacts


@dataclass(frozen=True, slots=True)
class Named:
    """One thing that a container means.

    `name` is what it is called there. `image` is the FIT's node, None where there is none of that
    name and in a uImage. `content` is the data as stored, None where not all of it is in the file.
    """

    name: str
    image: Image | None = None
    content: Content | None = None


@dataclass(frozen=True, kw_only=True)
class Start:
    """What one configuration of a FIT, or a uImage, brings; `name` is the configuration's own."""

    name: str = ""
    kernel: Named | None = None
    ramdisk: Named | None = None
    trees: tuple[Named, ...] = ()
    script: Named | None = None


def start_of(content: Content, configuration: str | None = None) -> Start | None:
    """Say what a container means.

    Args:
        content: a FIT or a uImage.
        configuration: of a FIT, as a boot command names it; its default unless given.

    Returns:
        None where the FIT has no such configuration, and for any other content.

    """
    facts = content.facts
    if isinstance(facts, UimageFacts):
        return _of_uimage(content, facts)
    if not isinstance(facts, FitFacts):
        return None
    chosen = configuration_of(facts, configuration)
    return None if chosen is None else _of_fit(content, facts, chosen)


def likely_start_of(content: Content) -> Start | None:
    """Say what a container means where nothing asks it: its default, or the only one there is."""
    start = start_of(content)
    if start is None:
        starts = list(starts_of(content))
        start = starts[0] if len(starts) == 1 else None
    return start


def starts_of(content: Content) -> Iterator[Start]:
    """Give all that a container can mean: each configuration of a FIT, its default first."""
    facts = content.facts
    if isinstance(facts, FitFacts):
        first = configuration_of(facts, None)
        for chosen in sorted(facts.configurations, key=lambda choice: choice is not first):
            yield _of_fit(content, facts, chosen)
    elif isinstance(facts, UimageFacts):
        yield _of_uimage(content, facts)


def configuration_of(facts: FitFacts, name: str | None) -> Configuration | None:
    """Find a configuration: the default where no name is given; overlays follow a '#'."""
    wanted = name or facts.default
    return facts.configuration(wanted.partition("#")[0]) if wanted is not None else None


def script_of(content: Content) -> Named | None:
    """Give the script that `source` runs: the configuration's, the default image, or the only one.

    A command may also name a script's node; where there is one only, it means that.
    """
    start, facts = start_of(content), content.facts
    if start is not None and start.script is not None:
        return start.script
    if not isinstance(facts, FitFacts):
        return None
    if facts.default_image is not None:
        return _named(content, facts, facts.default_image)
    scripts = [image for image in facts.images if image.type == "script"]
    return _named(content, facts, scripts[0].name) if len(scripts) == 1 else None


def kernel_in(content: Content) -> Content | None:
    """Peel a kernel: compression, uImage, the default of a FIT, the stream of a zImage."""
    facts = content.facts
    if content.inside is not None or isinstance(facts, Arm64ImageFacts | RiscvImageFacts):
        return content
    inner = content.inner
    if isinstance(facts, ZimageFacts):
        stream = content.part("kernel")
        return (kernel_in(stream) if stream is not None else None) or content
    if isinstance(facts, UimageFacts | FitFacts):
        start = likely_start_of(content)
        kernel = start.kernel if start is not None else None
        inner = kernel.content if kernel is not None else None
    return None if inner is None else kernel_in(inner)


def _of_fit(content: Content, facts: FitFacts, chosen: Configuration) -> Start:
    def named(name: str | None) -> Named | None:
        return None if name is None else _named(content, facts, name)

    return Start(
        name=chosen.name,
        kernel=named(chosen.kernel),
        ramdisk=named(chosen.ramdisk),
        trees=tuple(_named(content, facts, name) for name in chosen.fdt),
        script=named(chosen.script),
    )


def _named(content: Content, facts: FitFacts, name: str) -> Named:
    image = facts.image(name)
    return Named(name, image, content.part(image.name) if image is not None else None)


def _of_uimage(content: Content, facts: UimageFacts) -> Start:
    def at(index: int) -> Named | None:
        name = f"image-{index}"
        there = index < len(facts.members)
        return Named(facts.name or name, None, content.part(name)) if there else None

    if facts.type == "multi":
        tree = at(2)
        return Start(kernel=at(0), ramdisk=at(1), trees=() if tree is None else (tree,))
    if facts.type == "script":
        return Start(script=at(0))
    data = Named(facts.name or "data", None, content.part("data"))
    if facts.type in {"kernel", "kernel_noload"}:
        return Start(kernel=data)
    if facts.type == "ramdisk":
        return Start(ramdisk=data)
    return Start(trees=(data,)) if facts.type == "flat_dt" else Start()

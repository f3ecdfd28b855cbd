"""Every copy of the map that a build carries, each with the place where it is written.

The layout itself is no copy: it is what the copies are held against.
"""

from __future__ import annotations

import fnmatch
import os
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import field, replace
from typing import Generic, TypeVar

from imgaudit import bounds
from imgaudit.contents.build import Build
from imgaudit.contents.tree import Artifact, Content
from imgaudit.data import dataclass
from imgaudit.errors import FormatError
from imgaudit.formats import fdt
from imgaudit.formats.environment import Variable, find_default_environment, parse_text
from imgaudit.formats.fdt import FdtFacts
from imgaudit.formats.fit import FitFacts
from imgaudit.formats.flat_tree import STARTS
from imgaudit.formats.uboot_env import UbootEnv, active
from imgaudit.formats.uimage import UimageFacts
from imgaudit.maps import (
    alternates,
    binman,
    command_line,
    device_tree,
    fw_env_config,
    gpt_write,
    mtdparts,
    uboot_config,
)
from imgaudit.maps.command_line import CommandLine
from imgaudit.maps.descriptions import described
from imgaudit.maps.entry import MapCopy, Written
from imgaudit.maps.fw_env_config import FlashToolConfig
from imgaudit.maps.uboot_config import UBootConfig
from imgaudit.maps.uboot_options import Options, words_of
from imgaudit.model import FIRMWARE, FIRST_STAGES, Region, Where
from imgaudit.patterns import regex
from imgaudit.ramdisk.find import file_in

T = TypeVar("T")

_CARRIER = "the device tree"
OWN_TREE = "U-Boot's own device tree"
"""The carrier of the tree that U-Boot itself goes by, which no kernel is given."""
_TREES = 64  # places where firmware has the magic; a FIP with all its trees has a handful
_TEXT = 1 << 20  # bytes of a configuration or an environment's text that are read
# A list in a longer text ends at a space or a quote; one that a script composes is not known here.
_LIST = regex(r"""(?<![\w.])mtdparts=[^\s"'$]+(?![^\s"'])""")


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where a copy is written.

    `carrier` is what it stands in, in the trade's words, `name` the artifact's name or that of the
    content inside it, `spot` narrows it down: a variable, a node, a line. `artifact` is None where
    the layout file itself says it; `region` is the one that the artifact goes to. `where` is the
    key of the layout that names it.
    """

    carrier: str
    name: str
    where: Where
    spot: str = ""
    artifact: str | None = None
    region: Region | None = None

    def at(self, spot: str) -> Place:
        """Give a place inside this one."""
        return replace(self, spot=spot)

    def of(self, written: Written) -> Place:
        """Give the place of one entry: by its line or the last name of its node."""
        if written.line is not None:
            return self.at(f"line {written.line}")
        if written.text.startswith("/"):
            return self.at(written.text.rpartition("/")[2])
        return self

    @property
    def inside(self) -> str:
        """The name and the spot, without the carrier."""
        return f"{self.name}, {self.spot}" if self.spot else self.name

    def __str__(self) -> str:
        return self.inside if self.name == self.carrier else f"{self.carrier} ({self.inside})"


@dataclass(frozen=True, slots=True, kw_only=True)
class Copy(Generic[T]):
    """Something that a copy of the map says, and where."""

    place: Place
    says: T


@dataclass(frozen=True, slots=True, kw_only=True)
class Environment:
    """A U-Boot environment: the last value of each variable.

    `stored` tells one in flash from one that is compiled in; `taken` the one that U-Boot starts
    with, `sound` those that it could. `offsets` is where each value starts: on the chip if there is
    one, else in the artifact.
    """

    variables: Mapping[str, str]
    stored: bool
    taken: bool
    sound: bool = True
    offsets: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Copies:
    """All copies of the map.

    `device_trees` are the trees of this board without overlays. `maps` are the partition tables of
    all enabled flash nodes and of all mtdparts lists, `ids` the mtdids. `command_lines` are those
    that stand somewhere as they are; what scripts compose is for the boot walk. `refused` has the
    mtdparts lists that the kernel refuses, with its reason. `options` is what U-Boot was built
    with.
    """

    device_trees: tuple[Copy[FdtFacts], ...] = ()
    maps: tuple[Copy[MapCopy], ...] = ()
    ids: tuple[Copy[Mapping[str, str]], ...] = ()
    environments: tuple[Copy[Environment], ...] = ()
    flash_tool_config: Copy[FlashToolConfig] | None = None
    uboot_config: Copy[UBootConfig] | None = None
    command_lines: tuple[Copy[CommandLine], ...] = ()
    refused: tuple[Copy[str], ...] = ()
    options: Options = field(default_factory=Options)

    @property
    def counts_starts(self) -> bool:
        """Whether U-Boot counts failed starts, unless it was built not to."""
        config = self.uboot_config
        return config is None or config.says.config.enabled("BOOTCOUNT_LIMIT")


def collect(build: Build) -> Copies:
    """Find every copy; a build without a layout has none."""
    return _Collecting(build).copies() if build.layout is not None else Copies()


@dataclass(slots=True)
class _Collecting:
    build: Build
    maps: list[Copy[MapCopy]] = field(default_factory=list)
    ids: list[Copy[Mapping[str, str]]] = field(default_factory=list)
    lines: list[Copy[CommandLine]] = field(default_factory=list)
    refused: list[Copy[str]] = field(default_factory=list)

    def copies(self) -> Copies:
        trees = tuple(self.device_trees())
        for tree in trees:
            self.tree(tree)
        elsewhere = self.build.layout.elsewhere if self.build.layout else None
        if elsewhere is not None and elsewhere.mtdparts is not None:
            where = elsewhere.at_key("mtdparts")
            self.mtdparts(
                elsewhere.mtdparts, Place(carrier="mtdparts", name=where.file, where=where)
            )
        environments = tuple(self.environments())
        for environment in environments:
            self.environment(environment)
        config = self.uboot_config()
        self.disk_description()
        return Copies(
            device_trees=trees,
            maps=tuple(self.maps),
            ids=tuple(self.ids),
            environments=environments,
            flash_tool_config=self.flash_tool_config(),
            uboot_config=config,
            command_lines=tuple(self.lines),
            refused=tuple(self.refused),
            options=self.options(config),
        )

    def options(self, config: Copy[UBootConfig] | None) -> Options:
        """Say what U-Boot was built with, by its configuration and the first binary that tells."""
        name, names = "", None
        for region, artifact, _ in self.build.placed():
            view = artifact.content.view
            if names is None and region.holds in FIRMWARE and view is not None:
                name, names = artifact.path, words_of(view)
        if config is None:
            return Options(names=names, binary=name)
        return Options(config.says.config, config.place.inside, names, name)

    def elsewhere(self, key: str) -> tuple[str, Where] | None:
        """Give what `written-elsewhere` names under a key, and the key's place."""
        elsewhere = self.build.layout.elsewhere if self.build.layout else None
        name = getattr(elsewhere, key.replace("-", "_"), None)
        return (name, elsewhere.at_key(key)) if elsewhere is not None and name else None

    def artifact(self, name: str) -> tuple[Region | None, Artifact] | None:
        """Give the artifact that a name or glob means, and the region it goes to."""
        return next(
            (
                (region, artifact)
                for region, artifact in self.build.artifacts()
                if fnmatch.fnmatch(artifact.path, name)
            ),
            None,
        )

    def images(self) -> set[str]:
        """Name the chips' images: they are compared with the artifacts byte by byte."""
        return {image.artifact.path for image in self.build.images if image.artifact is not None}

    def place(self, carrier: str, region: Region | None, path: str, content: Content) -> Place:
        named = (
            where
            for key in ("device-tree", "environment", "uboot-config", "disk-description")
            if (found := self.elsewhere(key))
            for name, where in (found,)
            if fnmatch.fnmatch(path, name)
        )
        anywhere = self.build.layout.where if self.build.layout else Where(path, 1, 1)
        where = region.at_key("file") if region else next(named, anywhere)
        return Place(carrier=carrier, name=content.name, artifact=path, region=region, where=where)

    def device_trees(self) -> Iterator[Copy[FdtFacts]]:
        """Give the trees of this board: a FIT may hold those of others too."""
        images = self.images()
        found = [
            Copy(
                place=self.place(_CARRIER, node.region, node.artifact.path, node.content),
                says=node.facts,
            )
            for node in self.build.of(FdtFacts)
            if not node.facts.overlay and node.artifact.path not in images
        ]
        found += self.appended(
            {(node.artifact.path, node.content.offset) for node in self.build.of(FdtFacts)}
        )
        board = self.build.layout.compatible if self.build.layout else None
        named = self.elsewhere("device-tree")
        if board is None and named is not None:
            main = (copy.says for copy in found if copy.place.artifact == named[0])
            board = next((name for facts in main for name in facts.compatible[:1]), None)
        for copy in found:
            if board is None or not copy.says.compatible or board in copy.says.compatible:
                yield copy

    def appended(self, known: set[tuple[str, int]]) -> Iterator[Copy[FdtFacts]]:
        """Find the trees that follow U-Boot's own code (CONFIG_OF_SEPARATE), as in u-boot.bin."""
        for region, artifact, _ in self.build.placed():
            view = artifact.content.view
            if not _may_be_u_boot(region, artifact.content) or view is None:
                continue
            at = view.find(STARTS)
            for _ in range(_TREES):
                if at < 0:
                    break
                # In a container U-Boot may lie anywhere, and its tree with it.
                if (artifact.path, at) not in known:
                    try:
                        facts = fdt.read(view.sub(at))
                    except FormatError:  # the magic is in code that looks for it, too
                        pass
                    else:
                        where = self.place(OWN_TREE, region, artifact.path, artifact.content)
                        name = f"{artifact.path} at {at:#x}"
                        yield Copy(place=replace(where, name=name), says=facts)
                at = view.find(STARTS, at + 4)
            if at >= 0:
                why = f"only {_TREES} places that may be a device tree are looked at"
                bounds.left_out(artifact.path, why)

    def tree(self, copy: Copy[FdtFacts]) -> None:
        self.maps += [
            Copy(place=copy.place, says=table)
            for flash in device_tree.flash_nodes(copy.says.tree)
            if flash.disabled_by is None
            for table in device_tree.copies_of(flash)
            if table.entries
        ]
        self.maps += [Copy(place=copy.place, says=table) for table in binman.copies(copy.says.tree)]
        if copy.says.bootargs is not None:
            self.command_line(copy.says.bootargs, copy.place.at("bootargs"))

    def command_line(self, text: str, place: Place) -> None:
        place = replace(place, carrier="the kernel command line")
        self.lines.append(Copy(place=place, says=command_line.parse(text)))
        self.lists(text, place)

    def lists(self, text: str, place: Place) -> None:
        for found in _LIST.finditer(text):
            self.mtdparts(found.group().rstrip(";"), place)

    def mtdparts(self, text: str, place: Place) -> None:
        place = replace(place, carrier="mtdparts")
        try:
            tables = mtdparts.parse(text).copies()
        except FormatError as problem:
            self.refused.append(Copy(place=place, says=f"{problem.why}: {text[problem.offset :]}"))
            return
        self.maps += [Copy(place=place, says=table) for table in tables]

    def mtdids(self, text: str, place: Place) -> None:
        try:
            self.ids.append(Copy(place=place, says=mtdparts.parse_ids(text)))
        except FormatError as problem:
            self.refused.append(Copy(place=place, says=problem.why))

    def environments(self) -> Iterator[Copy[Environment]]:
        """Give the stored ones, then what is compiled in."""
        images = self.images()
        stored = [
            node
            for node in self.build.of(UbootEnv)
            if node.facts.blank is None and node.artifact.path not in images
        ]
        taken = self.taken([(node.region, node.facts) for node in stored])
        if taken is not None and taken.dropped:
            taken = None
        for node in stored:
            place = self.place("the environment", node.region, node.artifact.path, node.content)
            facts, here = node.facts, node.facts is taken
            found = _environment(facts.variables, place, stored=True, taken=here, start=node.start)
            sound = facts.valid and not facts.dropped
            yield found if sound else replace(found, says=replace(found.says, sound=False))
        text = self.environment_text({node.artifact.path for node in stored})
        if text is not None:
            yield text
        compiled = []
        for region, artifact, _ in self.build.placed():
            view = artifact.content.view
            if not _may_be_u_boot(region, artifact.content) or view is None:
                continue
            with bounds.inside(artifact.path):
                default = find_default_environment(view)
            if default is not None:
                compiled.append((region, artifact, default))
        # SPL may have one as well, but has no command line (U-Boot, from memory).
        alone = all(region.holds in FIRST_STAGES for region, _, _ in compiled)
        for region, artifact, default in compiled:
            if alone or region.holds not in FIRST_STAGES:
                place = self.place("the environment", region, artifact.path, artifact.content)
                place = place.at("compiled in")
                first = taken is None and text is None
                start = region.at + region.file_at
                yield _environment(default.variables, place, stored=False, taken=first, start=start)

    def taken(self, stored: list[tuple[Region | None, UbootEnv]]) -> UbootEnv | None:
        """Give the copy that U-Boot would choose."""
        by_region = {region.name: facts for region, facts in stored if region is not None}
        for region, facts in stored:
            copy = region.env.copy if region is not None and region.env is not None else None
            second = by_region.get(copy or "")
            if second is not None:
                chosen = active(facts, second)
                if chosen is not None:
                    return facts if chosen == 1 else second
        return next((facts for _, facts in stored if facts.valid), None)

    def environment_text(self, known: set[str]) -> Copy[Environment] | None:
        named = self.elsewhere("environment")
        found = self.artifact(named[0]) if named else None
        if found is None or found[1].path in known:
            return None
        region, artifact = found
        variables = parse_text(_text(artifact)).variables
        place = self.place("the environment", region, artifact.path, artifact.content)
        if not variables:
            return None
        start = 0 if region is None else region.at + region.file_at
        return _environment(variables, place, stored=True, taken=not known, start=start)

    def environment(self, copy: Copy[Environment]) -> None:
        for name, value in copy.says.variables.items():
            inside = f"{copy.place.spot}, " if copy.place.spot else ""
            place = copy.place.at(f"{inside}variable {name}")
            if name == "bootargs":
                self.command_line(value, place)
            elif name == "mtdids" and value:
                self.mtdids(value, place)
            elif name == "mtdparts" and value and "$" not in value:
                self.mtdparts(value, place)
            elif name == "dfu_alt_info" and "$" not in value:
                self.tables("dfu_alt_info", alternates.copies(value), place)
            elif "$" not in value and gpt_write.is_list(value):
                self.tables("the partition list", gpt_write.copies(value), place)
            elif name != "mtdparts":
                self.lists(value, place)

    def tables(self, carrier: str, found: Iterable[MapCopy], place: Place) -> None:
        place = replace(place, carrier=carrier)
        self.maps += [Copy(place=place, says=table) for table in found]

    def disk_description(self) -> None:
        """Read what assembles the image; a file that is neither form is told as such."""
        named = self.elsewhere("disk-description")
        found = self.artifact(named[0]) if named else None
        if found is None:
            return
        region, artifact = found
        place = self.place("the disk description", region, artifact.path, artifact.content)
        sizes = {os.path.basename(item.path): item.size for _, item in self.build.artifacts()}
        try:
            text = _text(artifact).decode("utf-8", "replace")
            tables = described(text, sizes, self.included(artifact.path))
        except FormatError as problem:
            self.refused.append(Copy(place=place, says=problem.why))
            return
        self.tables("the disk description", tables, place)

    def included(self, path: str) -> Callable[[str], str | None]:
        """Give what reads a file by its name beside another."""
        others = self.build.others

        def read(name: str) -> str | None:
            there = others.get(os.path.normpath(os.path.join(os.path.dirname(path), name)))
            return None if there is None else _text(there).decode("utf-8", "replace")

        return read

    def flash_tool_config(self) -> Copy[FlashToolConfig] | None:
        named = self.elsewhere("flash-tool-config")
        if named is None:
            return None
        name, where = named
        region_name, inside, path = name.partition(":/")
        data: bytes | None = None
        region: Region | None = None
        if inside:
            placed = next(
                (item for item in self.build.placed() if item[0].name == region_name), None
            )
            if placed is not None:
                region, artifact, payload = placed
                data = file_in(payload, f"/{path}")
        else:
            found = self.artifact(name)
            if found is None:
                return None
            artifact = found[1]
            data = _text(artifact)
        if data is None:
            return None
        place = Place(
            carrier=f"/{path}" if inside else "fw_env.config",
            name=artifact.path,
            artifact=artifact.path,
            region=region,
            where=where,
        )
        return Copy(place=place, says=fw_env_config.parse(data.decode("utf-8", "replace")))

    def uboot_config(self) -> Copy[UBootConfig] | None:
        named = self.elsewhere("uboot-config")
        found = self.artifact(named[0]) if named else None
        if found is None:
            return None
        region, artifact = found
        place = self.place("U-Boot's configuration", region, artifact.path, artifact.content)
        text = _text(artifact).decode("utf-8", "replace")
        config = UBootConfig(uboot_config.parse(text))
        for name, text_of, use in (
            ("MTDPARTS_DEFAULT", config.mtdparts, self.mtdparts),
            ("MTDIDS_DEFAULT", config.mtdids, self.mtdids),
            ("BOOTARGS", config.boot_arguments, self.command_line),
        ):
            symbol = config.config.find(name)
            if text_of and symbol is not None:
                use(text_of, place.of(symbol.at))
        return Copy(place=place, says=config)


def _environment(
    variables: Iterable[Variable], place: Place, *, stored: bool, taken: bool, start: int | None
) -> Copy[Environment]:
    values: dict[str, str] = {}
    offsets: dict[str, int] = {}
    for variable in variables:
        values[variable.name] = variable.value
        if start is not None:
            offsets[variable.name] = start + variable.offset + len(variable.name.encode()) + 1
    says = Environment(variables=values, stored=stored, taken=taken, offsets=offsets)
    return Copy(place=place, says=says)


def _may_be_u_boot(region: Region, content: Content) -> bool:
    """Tell whether something may be U-Boot, and not a kernel that U-Boot starts."""
    facts = content.facts
    if isinstance(facts, FitFacts):
        return not any(image.type in {"kernel", "ramdisk"} for image in facts.images)
    if isinstance(facts, UimageFacts):
        return facts.type in {"firmware", "standalone"}
    return region.holds in FIRMWARE


def _text(artifact: Artifact) -> bytes:
    view = artifact.content.view
    return b"" if view is None else view.upto(0, _TEXT)

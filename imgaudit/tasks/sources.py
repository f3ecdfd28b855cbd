"""Read what a layout can be drafted from."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import TypeVar

from imgaudit import bounds
from imgaudit.contents.reader import Loader
from imgaudit.contents.tree import Artifact, Content
from imgaudit.data import dataclass
from imgaudit.errors import AuditError, FormatError, ImgauditError
from imgaudit.files import Folder, open_regular
from imgaudit.formats import fdt, identify
from imgaudit.formats.environment import find_default_environment, parse_text
from imgaudit.formats.ext import Ext
from imgaudit.formats.ext_csd import ExtCsdFacts
from imgaudit.formats.facts import Facts
from imgaudit.formats.fdt import FdtFacts
from imgaudit.formats.flat_tree import STARTS
from imgaudit.formats.gpt import Gpt
from imgaudit.formats.mbr import Mbr
from imgaudit.formats.sfdp import SfdpFacts
from imgaudit.formats.uboot_env import UbootEnv
from imgaudit.formats.view import FileSource, View
from imgaudit.maps import command_line, device_tree, gpt_write, mtdparts, uboot_config
from imgaudit.maps.descriptions import described
from imgaudit.maps.entry import MapCopy, Medium
from imgaudit.maps.uboot_config import UBootConfig
from imgaudit.model import HOLDS
from imgaudit.units import Span

F = TypeVar("F", bound=Facts)
_TEXT = 1 << 20  # bytes of a text that are read


@dataclass(frozen=True, slots=True, kw_only=True)
class Sources:
    """What to draft from: a list, and paths of files; each may be None.

    Where there is a `folder`, the paths are names in it.
    """

    device_tree: str | None = None
    mtdparts: str | None = None
    disk: str | None = None
    environment: str | None = None
    uboot_config: str | None = None
    sfdp: str | None = None
    ext_csd: str | None = None
    disk_description: str | None = None
    folder: Folder | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """What the sources say.

    `maps` are the tables with what to call their source, the surest first; `unused` says why a
    table or a flash is none. `holds` gives the format found in each partition of the disk.
    `description` is what assembles or partitions the disk, with what to call it.
    """

    tree: FdtFacts | None
    maps: tuple[tuple[str, MapCopy], ...]
    unused: tuple[str, ...]
    flash: tuple[device_tree.FlashNode, ...]
    disk: Gpt | Mbr | None
    holds: Mapping[int, str]
    environment_size: int | None
    config: UBootConfig | None
    sfdp: SfdpFacts | None
    ext_csd: ExtCsdFacts | None
    description: tuple[str, MapCopy] | None = None


def read(sources: Sources) -> Said:
    """Read every source.

    Raises:
        AuditError: one cannot be read, or is not what it should be.

    """
    with Loader() as loader, bounds.listening() as heard:
        reading = _Reading(loader, sources.folder)
        tree = reading.main_tree(sources.device_tree)
        flash = device_tree.flash_nodes(tree.tree) if tree is not None else ()
        if tree is not None:
            reading.tree(tree, flash, sources.device_tree or "")
        if sources.mtdparts is not None:
            reading.list("the mtdparts given", sources.mtdparts, strict=True)
        reading.describe(sources.disk_description)
        size = reading.environment(sources.environment)
        disk, holds = reading.disk(sources.disk)
        config = reading.config(sources.uboot_config)
        sfdp = reading.facts(sources.sfdp, SfdpFacts, "SFDP dump", "sfdp")
        ext_csd = reading.facts(sources.ext_csd, ExtCsdFacts, "EXT_CSD dump", "ext-csd")
        return Said(
            tree=tree,
            config=config,
            maps=tuple(reading.maps),
            unused=(*reading.unused, *(f"{where}: {why}" for where, why in heard)),
            flash=flash,
            disk=disk,
            holds=holds,
            environment_size=size,
            sfdp=sfdp,
            ext_csd=ext_csd,
            description=reading.description,
        )


class _Reading:
    def __init__(self, loader: Loader, folder: Folder | None) -> None:
        self.loader = loader
        self.folder = folder
        self.maps: list[tuple[str, MapCopy]] = []
        self.unused: list[str] = []
        self.description: tuple[str, MapCopy] | None = None

    def _file(self, path: str, *, expects: str | None = None) -> Artifact:
        if self.folder is None:
            return self.loader.file(path, expects=expects)
        return self.loader.in_folder(self.folder, path, expects=expects)[0]()

    @contextmanager
    def _view(self, path: str) -> Iterator[View]:
        descriptor, size = open_regular(path) if self.folder is None else self.folder.open(path)
        try:
            yield View(FileSource(descriptor, size))
        finally:
            os.close(descriptor)

    def facts(
        self, path: str | None, kind: type[F], what: str, expects: str | None = None
    ) -> F | None:
        """Give the first content of a kind in a file: a FIT holds device trees, for one."""
        if path is None:
            return None
        artifact = self._file(path, expects=expects)
        for content in artifact.content.walk():
            if isinstance(content.facts, kind):
                return content.facts
        raise AuditError(f"{path} is no {what}: {_why(artifact)}")

    def main_tree(self, path: str | None) -> FdtFacts | None:
        """Read a tree at once where it is one: to tell what else a file may be takes longer."""
        if path is None:
            return None
        with self._view(path) as view:
            if view.upto(0, 4) == STARTS:
                try:
                    facts = fdt.read(view)
                except FormatError as problem:
                    raise AuditError(f"{path} is no device tree: {problem}") from problem
                if facts.tree.get("/images") is None:
                    return facts
        return self.facts(path, FdtFacts, "device tree")

    def tree(self, facts: FdtFacts, flash: tuple[device_tree.FlashNode, ...], path: str) -> None:
        name = os.path.basename(path)
        for item in flash:
            for copy in device_tree.copies_of(item):
                if copy.in_use and copy.entries:
                    self.maps.append((name, copy))
                else:
                    why = "; ".join(copy.notes) or "it has no partitions"
                    self.unused.append(f"{copy.device} in {name}: {why}")
        value = command_line.parse(facts.bootargs or "").value("mtdparts")
        if value:
            self.list(f"the command line in {name}", value)

    def list(self, source: str, text: str, *, strict: bool = False) -> None:
        if not strict and "$" in text:
            return
        try:
            self.maps += [(source, copy) for copy in mtdparts.parse(text).copies()]
        except FormatError as problem:
            if strict:
                raise AuditError(f"{source}: {problem}") from problem
            self.unused.append(f"{source}: mtdparts is refused: {problem.why}")

    def environment(self, path: str | None) -> int | None:
        """Read an environment, its text, or a boot loader with one; give its size, if it tells."""
        if path is None:
            return None
        artifact = self._file(path)
        size = None
        view = artifact.content.view
        facts = artifact.content.facts
        if isinstance(facts, UbootEnv) and facts.blank is None:
            variables, size = facts.variables, facts.size if facts.valid else None
        elif view is None:
            raise AuditError(f"{path} is too large for an environment")
        elif (default := find_default_environment(view)) is not None:
            variables = default.variables
        else:
            variables = parse_text(view.upto(0, _TEXT)).variables
        values = {variable.name: variable.value for variable in variables}
        if not values:
            raise AuditError(f"{path} has no environment: {_why(artifact)}")
        for name, value in values.items():
            if "$" not in value and gpt_write.is_list(value) and self.description is None:
                found = gpt_write.copies(value)
                said = f"{name} in {os.path.basename(path)}"
                self.description = (said, found[0]) if found else None
        if values.get("mtdparts"):
            self.list(f"mtdparts in {os.path.basename(path)}", values["mtdparts"])
        return size

    def describe(self, path: str | None) -> None:
        """Read a genimage.cfg or a .wks file; it counts before what the environment says."""
        if path is None:
            return
        view = self._file(path).content.view
        text = b"" if view is None else view.upto(0, _TEXT)
        name = os.path.basename(path)
        try:
            found = described(text.decode("utf-8", "replace"), read=self.beside(path))
        except FormatError as problem:
            raise AuditError(f"{path} describes no disk: {problem}") from problem
        disks = [copy for copy in found if copy.medium is Medium.MMC and copy.table]
        if disks:
            self.description = name, max(disks, key=lambda copy: len(copy.entries))
        self.maps += [(name, copy) for copy in found if copy.medium is not Medium.MMC]

    def beside(self, path: str) -> Callable[[str], str | None]:
        """Give what reads files by their names from the folder of another; None for no text."""

        def read(name: str) -> str | None:
            try:
                if os.path.isabs(name) or os.pardir in name.split("/"):
                    raise AuditError(f"{name} is not below the folder")
                with self._view(os.path.join(os.path.dirname(path), name)) as view:
                    return view.upto(0, _TEXT).decode()
            except (ImgauditError, UnicodeDecodeError):
                self.unused.append(f"{os.path.basename(path)} includes {name}: it cannot be read")
                return None

        return read

    def config(self, path: str | None) -> UBootConfig | None:
        if path is None:
            return None
        artifact = self._file(path)
        view = artifact.content.view
        text = b"" if view is None else view.upto(0, _TEXT)
        config = UBootConfig(uboot_config.parse(text.decode("utf-8", "replace")))
        if not config.config.symbols:
            raise AuditError(f"{path} is no configuration: it sets no CONFIG_ symbol")
        if config.mtdparts:
            self.list(f"MTDPARTS_DEFAULT in {os.path.basename(path)}", config.mtdparts)
        return config

    def disk(self, path: str | None) -> tuple[Gpt | Mbr | None, Mapping[int, str]]:
        """Read the table of a disk image, and the start of each partition: not the data."""
        if path is None:
            return None, {}
        with self._view(path) as view:
            known = identify(view)
            table = bool(known) and known[0][1].name in {"gpt", "mbr"}
            facts = known[0][1].read(view) if table else None
            if isinstance(facts, Gpt | Mbr):
                return facts, dict(_holds(facts, view))
        artifact = self._file(path)
        for content in artifact.content.walk():
            if isinstance(content.facts, Gpt | Mbr):
                return content.facts, dict(_held(content))
        raise AuditError(f"{path} has no partition table: {_why(artifact)}")


def _why(artifact: Artifact) -> str:
    content = artifact.content
    return content.why or f"it is {content.called}"


def partitions(disk: Gpt | Mbr) -> Iterator[tuple[int, Span]]:
    """Give the number and place of every partition that holds something itself."""
    if isinstance(disk, Mbr):
        yield from ((it.number, it.span) for it in disk.partitions if not it.extended)
    elif disk.table is not None:
        yield from ((entry.number, disk.table.span(entry)) for entry in disk.table.entries)


def _holds(disk: Gpt | Mbr, view: View) -> Iterator[tuple[int, str]]:
    for number, span in partitions(disk):
        if span.size > 0 and span.end <= view.size:
            known = identify(view.sub(span.start, span.size))
            if known:
                reader = known[0][1]
                try:
                    facts = reader.read(view.sub(span.start, span.size))
                except FormatError:
                    continue
                yield number, word(facts)


def _held(content: Content) -> Iterator[tuple[int, str]]:
    if not isinstance(content.facts, Gpt | Mbr):
        return
    for number, span in partitions(content.facts):
        inner = content.at(span.start)
        if inner is not None and inner.facts is not None:
            yield number, word(inner.facts)


def word(facts: Facts) -> str:
    """Give the word that a layout's `holds:` uses."""
    return facts.kind if isinstance(facts, Ext) and facts.kind in HOLDS else facts.format

"""A build folder's files, each read once and sorted by what it is good for."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import field
from itertools import accumulate

from imgaudit.arches import of_kernel
from imgaudit.contents.reader import Loader
from imgaudit.contents.tree import Artifact, Content
from imgaudit.data import dataclass
from imgaudit.errors import FormatError, ImgauditError
from imgaudit.files import ArtifactError, Folder
from imgaudit.formats.environment import find_default_environment
from imgaudit.formats.fdt import FdtFacts
from imgaudit.formats.files import OS_RELEASE, FileSystem
from imgaudit.formats.fit import FitFacts
from imgaudit.formats.gpt import Gpt
from imgaudit.formats.mbr import Mbr
from imgaudit.formats.uboot_env import UbootEnv
from imgaudit.maps import fw_env_config, uboot_config
from imgaudit.maps.descriptions import described
from imgaudit.maps.device_tree import copies
from imgaudit.maps.uboot_config import UBootConfig
from imgaudit.model import FIRMWARE, FIRST_STAGES, HOLDS
from imgaudit.patterns import regex
from imgaudit.tasks.sources import word
from imgaudit.units import MIB, counted

_MOST_FILES = 400
_KEPT = 96 * MIB  # bytes of files that are compared byte by byte; others are by their digests
_DEEP = 3  # folders below the one that is given
_TEXT = 1 << 20
_PROGRAM = 16 * MIB  # a boot loader is no larger
PROBE = 1 * MIB
_EXT_CSD = 512
_SKIPPED = regex(r".*\.(?:ya?ml|json|md|txt\.gz|manifest|spdx|sha256|md5|bmap|html)", re.IGNORECASE)


@dataclass(slots=True, eq=False)
class Item:
    """A file of the folder, read."""

    path: str
    artifact: Artifact
    contents: tuple[Content, ...] = field(repr=False)

    @property
    def payload(self) -> Content:
        """What ends up on a chip."""
        return self.artifact.content.unwrapped()

    @property
    def identity(self) -> str:
        """Tell it from others by its bytes, whatever it is called."""
        return self.artifact.sha256 or self.artifact.data_sha256 or self.path

    @property
    def kernel(self) -> bool:
        """Whether it is a kernel, or is one with what goes with it."""
        inside = any(of_kernel(content.format) for content in self.contents)
        return inside and not isinstance(self.payload.facts, FileSystem)

    @property
    def system(self) -> bool:
        """Whether it is a file system with a first program."""
        facts = self.payload.facts
        files = facts.files if isinstance(facts, FileSystem) else None
        known = ("sbin/init", "usr/sbin/init", *OS_RELEASE)
        return files is not None and any(files.find(path) is not None for path in known)

    def has(self, kind: type) -> bool:
        """Tell whether it is of a format itself, unpacked or not."""
        return isinstance(self.payload.facts, kind)


@dataclass(slots=True)
class Found:
    """The files of a folder by what they are good for."""

    items: list[Item]
    unread: list[str] = field(default_factory=list)
    heard: Iterable[tuple[str, str]] = ()  # what was left out of them, so far
    tree: Item | None = None
    disk: Item | None = None
    environments: list[Item] = field(default_factory=list)
    program: Item | None = None  # a boot loader with an environment compiled in
    config: Item | None = None
    tool: Item | None = None
    sfdp: Item | None = None
    ext_csd: Item | None = None
    description: Item | None = None


def items_of(folder: Folder, loader: Loader, unread: list[str]) -> Iterator[Item]:
    """Read every file once; of a file and links to it, the one with the shortest name counts.

    What is not looked at, and why, goes to `unread`.
    """
    real: dict[tuple[int, int], tuple[str, int]] = {}
    named = (name for name in folder.names(_DEEP) if not _SKIPPED.fullmatch(os.path.basename(name)))
    for name in sorted(named, key=lambda name: (len(name), name)):
        status = folder.status(name)
        if status is None:
            unread.append(f"not looked at: {_why_not(folder, name)}")
        else:
            real.setdefault((status.st_dev, status.st_ino), (name, status.st_size))
    looked = sorted(real.values())[:_MOST_FILES]
    if len(real) > _MOST_FILES:
        unread.append(
            f"not looked at: {counted(len(real) - _MOST_FILES, 'file')} beyond {_MOST_FILES}"
        )
    smallest = sorted(looked, key=lambda it: it[1])
    held = accumulate(size for _, size in smallest)
    keep = {name for (name, _), size in zip(smallest, held, strict=True) if size <= _KEPT}
    for name, _ in looked:
        try:
            reading, _ = folder_reading(folder, loader, name, keep=name in keep)
            artifact = reading()
        except (ArtifactError, ImgauditError) as problem:
            unread.append(f"not looked at: {problem}")
            continue
        if artifact.size:
            yield Item(name, artifact, tuple(artifact.content.walk()))


def _why_not(folder: Folder, name: str) -> str:
    """Say why a name leads to nothing: it is a link out of the folder, or to what is not there."""
    try:
        os.close(folder.open(name)[0])
    except ArtifactError as problem:
        return str(problem)
    return f"{name} was not there when it was looked for"


def folder_reading(
    folder: Folder, loader: Loader, name: str, expects: str | None = None, *, keep: bool = True
) -> tuple[Callable[[], Artifact], int]:
    """Begin to read a file with its block digests, and keep what fits into memory."""
    return loader.in_folder(folder, name, expects=expects, blocks=True, keep=keep)


def sorted_out(items: list[Item], loader: Loader, folder: Folder) -> Found:
    """Tell what each file is for; of several, the choice goes by their bytes."""
    items = sorted(items, key=lambda item: item.identity)
    found = Found(items)
    trees = [item for item in items if any(_usable_tree(it) for it in item.contents)]
    found.tree = min(trees, key=_tree_order, default=None)
    disks = [item for item in items if item.has(Gpt) or item.has(Mbr)]
    found.disk = max(disks, key=lambda item: item.payload.size, default=None)
    stored = [item for item in items if _stored(item) is not None]
    found.environments = sorted(stored, key=_environment_order)
    texts: dict[str, str] = {}
    found.program = next(iter(sorted(filter(has_environment, items), key=_program_order)), None)
    for item in items:
        text = _text(item)
        if text is None:
            continue
        if found.config is None and _is_uboot_config(text):
            found.config = item
        elif found.tool is None and _is_tool_config(text):
            found.tool = item
        else:
            texts[item.path] = text
    describing = set(_descriptions(texts))
    found.description = next((item for item in items if item.path in describing), None)
    for item in items:
        for kind, name in (("sfdp", "sfdp"), ("ext-csd", "ext_csd")):
            small = item.artifact.content.format is None or item.artifact.content.format == kind
            if getattr(found, name) is None and small and _is(loader, folder, item, kind):
                setattr(found, name, item)
    return found


def _is(loader: Loader, folder: Folder, item: Item, kind: str) -> bool:
    """Tell whether a file is a dump of a chip's registers: such have no magic that is sure."""
    head = item.artifact.head
    if kind == "sfdp" and not head.startswith(b"SFDP"):
        return False
    if kind == "ext-csd" and item.artifact.size != _EXT_CSD:
        return False
    reading, _ = folder_reading(folder, loader, item.path, kind)
    return reading().content.format == kind


def _usable_tree(content: Content) -> bool:
    facts = content.facts
    return isinstance(facts, FdtFacts) and not facts.overlay and bool(facts.compatible)


def _tree_order(item: Item) -> tuple[bool, bool, str]:
    """Order trees: with a map of flash before without, alone before in a container."""
    mapped = any(
        isinstance(content.facts, FdtFacts) and any(copies(content.facts.tree))
        for content in item.contents
    )
    return (not mapped, not item.has(FdtFacts), item.identity)


def _stored(item: Item) -> UbootEnv | None:
    facts = item.artifact.content.facts
    return facts if isinstance(facts, UbootEnv) and facts.valid and facts.blank is None else None


def _environment_order(item: Item) -> tuple[int, str]:
    """Order environments as U-Boot prefers them: the flag byte of a copy counts up."""
    facts = _stored(item)
    flag = getattr(facts, "flags", None) or 0
    return (-int(flag), item.identity)


def has_environment(item: Item) -> bool:
    """Tell whether it is a boot loader with an environment compiled in."""
    view = item.artifact.content.view
    known = word_of(item.payload) or "raw"
    if view is None or view.size > _PROGRAM or known not in FIRMWARE or not known:
        return False
    default = find_default_environment(view)
    return default is not None and any(it.name == "bootcmd" for it in default.variables)


def _program_order(item: Item) -> tuple[int, bool, int, str]:
    """Order what may be the boot loader: as a FIT, with its tree, with the least beside."""
    whole = any(isinstance(content.facts, FdtFacts) for content in item.contents)
    facts = item.payload.facts
    images = len(facts.images) if isinstance(facts, FitFacts) else 0
    return (-images, not whole, item.artifact.size, item.identity)


def _text(item: Item) -> str | None:
    view = item.artifact.content.view
    if view is None or item.artifact.content.format is not None or view.size > _TEXT:
        return None
    data = view.bytes(0, view.size)
    return None if b"\0" in data else data.decode("utf-8", "replace")


def _is_uboot_config(text: str) -> bool:
    config = UBootConfig(uboot_config.parse(text))
    return config.environment_size is not None or config.boot_command is not None


def _descriptions(texts: Mapping[str, str]) -> list[str]:
    """Name the texts that describe a disk or a flash, but not what others of them include."""
    found: list[str] = []
    included: set[str] = set()
    for path, text in texts.items():
        taken: list[str] = []

        def read(name: str, path: str = path, taken: list[str] = taken) -> str | None:
            taken.append(os.path.normpath(os.path.join(os.path.dirname(path), name)))
            return texts.get(taken[-1])

        try:
            if any(copy.entries for copy in described(text, read=read)):
                found.append(path)
                included.update(taken)
        except FormatError:
            continue
    return [path for path in found if path not in included]


def _is_tool_config(text: str) -> bool:
    says = fw_env_config.parse(text)
    return bool(says.locations) and not says.passed_over


def word_of(content: Content) -> str | None:
    """Give the word that `holds:` uses; None where a layout has none for it."""
    facts = content.facts
    if facts is None:
        return None
    found = content.format if content.format in FIRST_STAGES else word(facts)
    return found if found in HOLDS else None

"""FIT: U-Boot's container of kernels, device trees and ramdisks, itself a device tree.

Source: Flat Image Tree Specification (fitspec.osfw.foundation), chapter "Flattened Image Tree
(FIT) Format"; U-Boot boot/image-fit.c for where external data starts.
"""

from __future__ import annotations

import binascii
import hashlib
import zlib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import field
from functools import cached_property
from typing import ClassVar, Literal, Protocol, TypeVar

from imgaudit.data import dataclass
from imgaudit.errors import FormatError
from imgaudit.formats import flat_tree
from imgaudit.formats.facts import Checksum, Facts, Match, Part, Reader
from imgaudit.formats.uimage import U_BOOT_UNPACKS
from imgaudit.formats.view import View
from imgaudit.units import Span, counted, human, round_up

_HEAD = 16
_DIGESTS = {"md5", "sha1", "sha256", "sha384", "sha512"}
_CRC_DIGITS = {"crc16-ccitt": 4, "crc32": 8}
_HASHED_AGAIN = 4  # images may share data; a file that makes us hash it more often is hostile


@dataclass(frozen=True, kw_only=True, slots=True)
class Hash:
    """A hash node: `value` in lowercase hex and its offset; where missing, None and the node's."""

    name: str
    offset: int
    algo: str | None
    value: str | None


@dataclass(frozen=True, kw_only=True, slots=True)
class Signature:
    """A signature node of an image or a configuration; `value_size` is None where unsigned."""

    name: str
    offset: int
    offsets: Mapping[str, int]
    algo: str | None
    key_name_hint: str | None
    padding: str | None
    sign_images: tuple[str, ...]
    hashed_nodes: tuple[str, ...]
    hashed_strings: tuple[int, ...]
    value_size: int | None


@dataclass(frozen=True, kw_only=True, slots=True)
class Image:
    """An image node.

    `location` says where the data is: in the property `data`, after the tree (`data-offset`), at a
    position in the file (`data-position`), or nowhere. `data_offset` counts from the start of the
    file; `data_present` is how many of the `data_size` bytes are inside it. `load_cells` and
    `entry_cells` count the 32-bit cells given. `cipher` is the algorithm where the data is
    encrypted. `missing` names the properties that the specification demands for this type and that
    are not there.
    """

    name: str
    offset: int
    offsets: Mapping[str, int]
    description: str | None
    type: str | None
    arch: str | None
    os: str | None
    compression: str | None
    phase: str | None
    compatible: tuple[str, ...]
    load: int | None
    load_cells: int
    entry: int | None
    entry_cells: int
    location: Literal["data", "data-offset", "data-position"] | None
    data_offset: int | None
    data_size: int | None
    data_present: int
    head: bytes
    cipher: str | None
    hashes: tuple[Hash, ...]
    signatures: tuple[Signature, ...]
    missing: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Reference:
    """A configuration's property `role` names `image`; `offset` is that of the property."""

    role: str
    image: str
    offset: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Configuration:
    """A configuration node; `references` gives everything it names, in the order of `ROLES`."""

    name: str
    offset: int
    offsets: Mapping[str, int]
    description: str | None
    kernel: str | None
    firmware: str | None
    fdt: tuple[str, ...]
    ramdisk: str | None
    loadables: tuple[str, ...]
    script: str | None
    cmdline: str | None
    compatible: tuple[str, ...]
    load_only: bool
    references: tuple[Reference, ...]
    signatures: tuple[Signature, ...]

    @property
    def first_stage(self) -> bool:
        """Whether SPL reads it, which goes by `firmware` and `loadables`; bootm needs a kernel.

        Source: U-Boot common/spl/spl_fit.c, spl_load_simple_fit(); boot/bootm.c.
        """
        return self.kernel is None and (self.firmware is not None or bool(self.loadables))


N = TypeVar("N", Image, Configuration)
ROLES = ("kernel", "firmware", "fdt", "ramdisk", "loadables", "script", "fpga", "setup")


@dataclass(frozen=True, kw_only=True)
class FitFacts(Facts):
    """A FIT: its images, the configurations that combine them, and the recomputed hashes.

    `length` reaches to the end of the last external data, inside the file or not. `external_base`
    is where `data-offset` counts from; `default` names a configuration and `default_image` what
    `source` runs without one. Each checksum is named `image/hash-node`.
    """

    format: ClassVar[str] = "fit"

    header: flat_tree.Header
    totalsize: int
    used: int
    external_base: int
    description: str | None
    timestamp: int | None
    address_cells: int | None
    default: str | None
    default_image: str | None
    images: tuple[Image, ...]
    configurations: tuple[Configuration, ...]
    missing: tuple[str, ...]
    tree: flat_tree.Tree = field(repr=False, compare=False)

    def image(self, name: str) -> Image | None:
        """Find the image that a name means, as U-Boot does; see `_by_name`."""
        return self._images.get(name)

    def configuration(self, name: str) -> Configuration | None:
        """Find the configuration that a name means, as U-Boot does; see `_by_name`."""
        return self._choices.get(name)

    @cached_property
    def _images(self) -> dict[str, Image]:
        return _by_name(self.images)

    @cached_property
    def _choices(self) -> dict[str, Configuration]:
        return _by_name(self.configurations)

    def first_stage_only(self, image: str) -> bool:
        """Tell whether an image is named by configurations of SPL, and by no other."""
        return self._users.get(image) == {True}

    @cached_property
    def _users(self) -> dict[str, set[bool]]:
        found: dict[str, set[bool]] = {}
        for choice in self.configurations:
            for reference in choice.references:
                found.setdefault(reference.image, set()).add(choice.first_stage)
        return found

    def parts(self) -> Iterable[Part]:
        """Give each image whose data is all there, in stored order."""
        found = [
            Part(image.name, image.data_offset, image.data_size, _expects(image))
            for image in self.images
            if image.data_offset is not None
            and image.data_size
            and image.data_present == image.data_size
        ]
        return sorted(found, key=lambda part: part.offset)

    def summary(self) -> str:
        """Count the images and configurations, and say the size."""
        images = counted(len(self.images), "image")
        configurations = counted(len(self.configurations), "configuration")
        return f"{images}, {configurations}, {human(self.length or self.totalsize)}"


def _by_name(nodes: tuple[N, ...]) -> dict[str, N]:
    """Index nodes: a name without unit address means the first with it or with a unit address.

    Source: libfdt, fdt_ro.c, fdt_nodename_eq_().
    """
    found: dict[str, N] = {}
    for node in nodes:
        found.setdefault(node.name, node)
        found.setdefault(node.name.partition("@")[0], node)
    return found


def _match(view: View) -> Match:
    if not flat_tree.has_magic(view):
        return Match.NO
    found = flat_tree.has_images(view)
    if found is None:
        return Match.WEAK
    return Match.SURE if found else Match.NO


def read(view: View) -> FitFacts:
    """Read a FIT and recompute the hash of every image that is in the file.

    Raises:
        FormatError: the tree cannot be read, or has no `/images`.

    """
    tree = flat_tree.parse(view)
    root, holder = tree.root, tree.get("/images")
    if holder is None:
        raise FormatError(root.offset, "not a FIT: the tree has no /images")
    base = round_up(tree.header.totalsize, 4)
    images = tuple(_image(view, node, base) for node in holder.children)
    choices = root.child("configurations")
    configurations = tuple(map(_configuration, choices.children)) if choices else ()
    cells = root.u32s("#address-cells")
    missing = {
        "timestamp": "timestamp" not in root.properties,
        "#address-cells": not cells and any(i.load_cells or i.entry_cells for i in images),
        "configurations": choices is None,
    }
    default = choices.offsets.get("default") if choices else None
    return FitFacts(
        length=max(
            [tree.header.totalsize]
            + [i.data_offset + (i.data_size or 0) for i in images if i.data_offset is not None]
        ),
        offsets=flat_tree.HEADER_OFFSETS
        | root.offsets
        | {"images": holder.offset}
        | ({"configurations": choices.offset} if choices else {})
        | ({"default": default} if default is not None else {}),
        checksums=tuple(_checksums(view, images)),
        header=tree.header,
        totalsize=tree.header.totalsize,
        used=tree.used,
        external_base=base,
        description=root.text("description"),
        timestamp=root.number("timestamp"),
        address_cells=cells[0] if cells else None,
        default=choices.text("default") if choices else None,
        default_image=holder.text("default"),
        images=images,
        configurations=configurations,
        missing=tuple(name for name, absent in missing.items() if absent),
        tree=tree,
    )


def _expects(image: Image) -> str | None:
    if image.cipher is not None:
        return None
    if image.compression in U_BOOT_UNPACKS:
        return image.compression
    return "fdt" if image.type == "flat_dt" else None


def _image(view: View, node: flat_tree.Node, base: int) -> Image:
    location, at, size = _data(node, base)
    present = 0 if at is None else max(0, min(size or 0, view.size - at))
    cipher = next(_named(node, "cipher"), None)
    return Image(
        name=node.name,
        offset=node.offset,
        offsets=node.offsets,
        description=node.text("description"),
        type=node.text("type"),
        arch=node.text("arch"),
        os=node.text("os"),
        compression=node.text("compression"),
        phase=node.text("phase"),
        compatible=node.texts("compatible"),
        load=node.number("load"),
        load_cells=len(node.u32s("load")),
        entry=node.number("entry"),
        entry_cells=len(node.u32s("entry")),
        location=location,
        data_offset=at,
        data_size=size,
        data_present=present,
        head=view.bytes(at, min(present, _HEAD)) if at is not None and present else b"",
        cipher=(cipher.text("algo") or "") if cipher else None,
        hashes=tuple(map(_stored_hash, _named(node, "hash"))),
        signatures=_signatures(node),
        missing=tuple(_missing(node)),
    )


def _named(node: flat_tree.Node, start: str) -> Iterator[flat_tree.Node]:
    """Find subnodes as U-Boot does, by the start of their name."""
    return (child for child in node.children if child.name.startswith(start))


def _stored_hash(node: flat_tree.Node) -> Hash:
    value = node.properties.get("value")
    return Hash(
        name=node.name,
        offset=value.offset if value else node.offset,
        algo=node.text("algo"),
        value=value.value.hex() if value else None,
    )


def _data(
    node: flat_tree.Node, base: int
) -> tuple[Literal["data", "data-offset", "data-position"] | None, int | None, int | None]:
    """Find an image's data in the order in which U-Boot looks: position, offset, property."""
    size = node.number("data-size")
    position, offset = node.number("data-position"), node.number("data-offset")
    if position is not None:
        return "data-position", position, size
    if offset is not None:
        return "data-offset", base + offset, size
    data = node.properties.get("data")
    return ("data", data.offset, data.size) if data else (None, None, size)


def _missing(node: flat_tree.Node) -> Iterator[str]:
    """Name the mandatory properties that are not there.

    These are the specification's, and what U-Boot does not go on without: os of a ramdisk
    (boot/image-fit.c, fit_image_load), load and entry of a kernel that is not moved (boot/bootm.c,
    bootm_find_os).
    """
    kind = node.text("type")
    wanted = ["description", "type", "compression"]
    if kind in {"standalone", "kernel", "firmware", "ramdisk", "flat_dt"}:
        wanted.append("arch")
    if kind in {"kernel", "kernel_noload", "ramdisk"}:
        wanted.append("os")
    if kind in {"kernel", "kernel_noload", "firmware"}:
        wanted += ["load", "entry"]
    if kind == "fpga":
        wanted.append("compatible")
    if "data-position" in node.properties or "data-offset" in node.properties:
        wanted.append("data-size")
    else:
        wanted.append("data")
    return (name for name in wanted if name not in node.properties)


def _signatures(node: flat_tree.Node) -> tuple[Signature, ...]:
    return tuple(
        Signature(
            name=child.name,
            offset=child.offset,
            offsets=child.offsets,
            algo=child.text("algo"),
            key_name_hint=child.text("key-name-hint"),
            padding=child.text("padding"),
            sign_images=child.texts("sign-images"),
            hashed_nodes=child.texts("hashed-nodes"),
            hashed_strings=child.u32s("hashed-strings"),
            value_size=child.properties["value"].size if "value" in child.properties else None,
        )
        for child in _named(node, "signature")
    )


def _configuration(node: flat_tree.Node) -> Configuration:
    return Configuration(
        name=node.name,
        offset=node.offset,
        offsets=node.offsets,
        description=node.text("description"),
        kernel=node.text("kernel"),
        firmware=node.text("firmware"),
        fdt=node.texts("fdt"),
        ramdisk=node.text("ramdisk"),
        loadables=node.texts("loadables"),
        script=node.text("script"),
        cmdline=node.text("cmdline"),
        compatible=node.texts("compatible"),
        load_only="load-only" in node.properties,
        references=tuple(
            Reference(role, image, node.offsets[role])
            for role in ROLES
            for image in node.texts(role)
        ),
        signatures=_signatures(node),
    )


class _Digest(Protocol):
    def update(self, data: bytes, /) -> None: ...
    def hexdigest(self) -> str: ...


class _Crc:
    """A checksum of `binascii` or `zlib` as a digest, stored most significant byte first."""

    def __init__(self, digits: int) -> None:
        self._digits = digits
        self._value = 0

    def update(self, data: bytes, /) -> None:
        # U-Boot's CRC-16 is that of XMODEM: polynomial 0x1021, starting at 0.
        step = zlib.crc32 if self._digits == 8 else binascii.crc_hqx
        self._value = step(data, self._value)

    def hexdigest(self) -> str:
        return f"{self._value:0{self._digits}x}"


def _digest(algorithm: str) -> _Digest | None:
    if algorithm in _DIGESTS:
        return hashlib.new(algorithm, usedforsecurity=False)
    return _Crc(_CRC_DIGITS[algorithm]) if algorithm in _CRC_DIGITS else None


def _checksums(view: View, images: tuple[Image, ...]) -> Iterator[Checksum]:
    budget = _HASHED_AGAIN * view.size
    for image in images:
        size = image.data_size or 0
        covers = Span.sized(image.offset if image.data_offset is None else image.data_offset, size)
        digests: dict[str, str] = {}
        why = ""
        if image.data_offset is None or image.data_size is None:
            why = "the image has no data"
        elif image.data_present < size:
            why = f"the data ends {covers.end - view.size:,} bytes past the end of the file"
        elif size > budget:
            why = "the images claim the file's bytes too many times over"
        elif image.hashes:
            digests = _hash(view, covers, {found.algo or "" for found in image.hashes})
            budget -= size
        for found in image.hashes:
            algorithm = found.algo or ""
            yield Checksum(
                name=f"{image.name}/{found.name}",
                algorithm=algorithm,
                stored=found.value or "",
                computed=digests.get(algorithm),
                offset=found.offset,
                covers=covers,
                why="" if algorithm in digests else why or "the algorithm is not known",
            )


def _hash(view: View, covers: Span, algorithms: set[str]) -> dict[str, str]:
    digests = {name: digest for name in algorithms if (digest := _digest(name)) is not None}
    for piece in view.chunks(covers.start, covers.end):
        for digest in digests.values():
            digest.update(piece)
    return {name: digest.hexdigest() for name, digest in digests.items()}


READER = Reader(
    name="fit",
    title="FIT image",
    source="Flat Image Tree Specification",
    match=_match,
    read=read,
)

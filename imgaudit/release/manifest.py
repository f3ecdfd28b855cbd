"""The manifest: what a release is, sealed as JSON, and what `audit` and `readback` hold against it.

    {
      "manifest": 1,                      version of this format
      "board": "whimbrel",
      "layout-sha256": "…",               of the layout file's bytes
      "regions": [                        as in the layout, each
        {
          "name": "firmware",
          "chip": "nor",                  or an eMMC's boot area: "emmc/boot0"
          "offset": 0, "size": 1048576,   from the start of the chip or boot area, in bytes
          "file-at": 0,                   where in the region the payload starts
          "artifact": {                   the file; null where the build has none for the region
            "path": "fip.bin",            relative to the artifacts folder
            "size": 527360,
            "sha256": "…",
            "data-sha256": null           the same data for the block digests below: files > 64 MiB,
                                          and volumes for an eMMC > 8 MiB
          },
          "payload": {                    what lands in the region, once unpacked; or null
            "size": 527360,
            "sha256": "…",                null for an unpacked eMMC image that was not kept
            "data-sha256": null,          eMMC: see below
            "used": 527360                a file system: without what is free in it; may be left out
          },
          "versions": {"u-boot": ["U-Boot 2026.07 (…)"]}
        }
      ]
    }

`data-sha256` is the SHA-256 of, for every 64 KiB block that is not all zero, its number in eight
bytes, little-endian, and its SHA-256; then the size in eight bytes. It is the same for equal data,
however the holes are stored, and holes cost nothing to check.

The keys of `versions` are words such as `u-boot`, `linux`, `trusted-firmware`, `fit`, `system`
(os-release) and `environment-crc32`; a reader takes any.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import field
from functools import cached_property
from typing import Any, NoReturn

from imgaudit.data import dataclass
from imgaudit.errors import AuditError, ImgauditError
from imgaudit.files import read_regular
from imgaudit.patterns import regex

VERSION = 1
MOST_BYTES = 4 << 20
# A board has a few dozen regions; a version is a line of text.
_MOST_REGIONS = 4096
_MOST_TEXT = 1024
_MOST_VERSIONS = 64
_LARGEST = 1 << 63
_SHA256 = regex(r"[0-9a-f]{64}")


@dataclass(frozen=True, slots=True, kw_only=True)
class SealedFile:
    """An artifact as a file: its path in the artifacts folder, size in bytes and digests."""

    path: str
    size: int
    sha256: str | None
    data_sha256: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SealedPayload:
    """What lands in a region: its size in bytes and digests, of which one may be unknown.

    `used` is the size without what is free in a file system; None in a manifest from before it.
    """

    size: int
    sha256: str | None
    data_sha256: str | None = None
    used: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SealedRegion:
    """A region with its place and what was built for it; `chip` may name a boot area."""

    name: str
    chip: str
    offset: int
    size: int
    file_at: int = 0
    artifact: SealedFile | None = None
    payload: SealedPayload | None = None
    versions: Mapping[str, tuple[str, ...]] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class Manifest:
    """A manifest; `file` is the path that messages use."""

    file: str
    board: str
    layout_sha256: str
    regions: tuple[SealedRegion, ...]

    def region(self, name: str) -> SealedRegion | None:
        """Give a region by its name, None where it was not sealed."""
        return self._named.get(name)

    @cached_property
    def _named(self) -> dict[str, SealedRegion]:
        return {region.name: region for region in self.regions}


def dump(manifest: Manifest) -> str:
    """Write a manifest: the same bytes for the same build, ASCII only."""
    value = {
        "manifest": VERSION,
        "board": manifest.board,
        "layout-sha256": manifest.layout_sha256,
        "regions": [_region(region) for region in manifest.regions],
    }
    return json.dumps(value, indent=2, ensure_ascii=True) + "\n"


def _region(region: SealedRegion) -> dict[str, Any]:
    artifact, payload = region.artifact, region.payload
    return {
        "name": region.name,
        "chip": region.chip,
        "offset": region.offset,
        "size": region.size,
        "file-at": region.file_at,
        "artifact": None if artifact is None else {"path": artifact.path} | _digests(artifact),
        "payload": None
        if payload is None
        else _digests(payload) | ({} if payload.used is None else {"used": payload.used}),
        "versions": {name: list(region.versions[name]) for name in sorted(region.versions)},
    }


def _digests(item: SealedFile | SealedPayload) -> dict[str, Any]:
    return {"size": item.size, "sha256": item.sha256, "data-sha256": item.data_sha256}


def load(path: str) -> Manifest:
    """Read a manifest file.

    Raises:
        AuditError: it cannot be read, or is no manifest.

    """
    try:
        data = read_regular(path, MOST_BYTES)
    except ImgauditError as problem:
        raise AuditError(str(problem)) from problem
    if len(data) > MOST_BYTES:
        raise AuditError(f"{path}: longer than any manifest: the most is {MOST_BYTES:,} bytes")
    return parse(data, path)


def parse(data: bytes, file: str) -> Manifest:
    """Read a manifest from its bytes; `file` is its name in messages.

    Raises:
        AuditError: no JSON, or no manifest; says where and why.

    """
    try:
        value = json.loads(
            data.decode("utf-8"), object_pairs_hook=_once, parse_constant=_no_constant
        )
    except json.JSONDecodeError as problem:
        why = f"{file}:{problem.lineno}:{problem.colno}: not JSON: {problem.msg}"
        raise AuditError(why) from problem
    except UnicodeDecodeError as problem:
        raise AuditError(f"{file}: not UTF-8 from byte {problem.start}") from problem
    except RecursionError as problem:
        raise AuditError(f"{file}: nested deeper than any manifest") from problem
    except ValueError as problem:
        raise AuditError(f"{file}: {problem}") from problem
    return _manifest(_Node(file, "", value))


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for key, value in pairs:
        if key in found:
            raise ValueError(f"{_short(key)} is given twice")
        found[key] = value
    return found


def _no_constant(word: str) -> NoReturn:
    raise ValueError(f"{word} is not a value of a manifest")


def _short(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:59] + "…"


class _Node:
    """A JSON value with its place, which every message names."""

    def __init__(self, file: str, at: str, value: Any) -> None:
        self.file = file
        self.at = at
        self.value = value

    def stop(self, wanted: str) -> NoReturn:
        at = f"{self.at}: " if self.at else ""
        raise AuditError(f"{self.file}: {at}expected {wanted}, not {_short(self.value)}")

    def keys(self, *names: str, maybe: str | None = None) -> dict[str, _Node]:
        """Take an object with exactly these keys; one may be missing."""
        if not isinstance(self.value, dict):
            self.stop("an object")
        for name in names:
            if name not in self.value:
                raise AuditError(f"{self.file}: {self.at or 'the manifest'} has no {name!r}")
        if maybe is not None and maybe in self.value:
            names = (*names, maybe)
        for name in self.value:
            if name not in names:
                raise AuditError(
                    f"{self.file}: {self.at or 'the manifest'} has an unknown key {_short(name)}"
                )
        dot = f"{self.at}." if self.at else ""
        return {name: _Node(self.file, dot + name, self.value[name]) for name in names}

    def items(self, most: int, what: str) -> list[_Node]:
        if not isinstance(self.value, list) or len(self.value) > most:
            self.stop(f"a list of at most {most} {what}")
        return [
            _Node(self.file, f"{self.at}[{number}]", item) for number, item in enumerate(self.value)
        ]

    def text(self) -> str:
        if not isinstance(self.value, str) or not 0 < len(self.value) <= _MOST_TEXT:
            self.stop(f"a text of 1 to {_MOST_TEXT} characters")
        return self.value

    def number(self) -> int:
        if type(self.value) is not int or not 0 <= self.value < _LARGEST:
            self.stop("a number of bytes")
        return self.value

    def digest(self) -> str:
        if not isinstance(self.value, str) or _SHA256.fullmatch(self.value) is None:
            self.stop("a SHA-256 of 64 hex digits in lower case")
        return self.value

    def maybe(self, read: Callable[[], Any]) -> Any:
        return None if self.value is None else read()


def _manifest(node: _Node) -> Manifest:
    if isinstance(node.value, dict) and node.value.get("manifest", VERSION) != VERSION:
        version = _short(node.value["manifest"])
        raise AuditError(
            f"{node.file}: its version is {version}; this imgaudit reads version {VERSION}"
        )
    keys = node.keys("manifest", "board", "layout-sha256", "regions")
    regions = tuple(_read_region(item) for item in keys["regions"].items(_MOST_REGIONS, "regions"))
    names: set[str] = set()
    for number, region in enumerate(regions):
        if region.name in names:
            name = _short(region.name)
            raise AuditError(f"{node.file}: regions[{number}].name: {name} is sealed twice")
        names.add(region.name)
    return Manifest(
        file=node.file,
        board=keys["board"].text(),
        layout_sha256=keys["layout-sha256"].digest(),
        regions=regions,
    )


def _read_region(node: _Node) -> SealedRegion:
    keys = node.keys("name", "chip", "offset", "size", "file-at", "artifact", "payload", "versions")
    return SealedRegion(
        name=keys["name"].text(),
        chip=keys["chip"].text(),
        offset=keys["offset"].number(),
        size=keys["size"].number(),
        file_at=keys["file-at"].number(),
        artifact=keys["artifact"].maybe(lambda: _read_file(keys["artifact"])),
        payload=keys["payload"].maybe(lambda: _read_payload(keys["payload"])),
        versions=_read_versions(keys["versions"]),
    )


def _read_file(node: _Node) -> SealedFile:
    keys = node.keys("path", "size", "sha256", "data-sha256")
    return SealedFile(
        path=keys["path"].text(),
        size=keys["size"].number(),
        sha256=keys["sha256"].maybe(keys["sha256"].digest),
        data_sha256=keys["data-sha256"].maybe(keys["data-sha256"].digest),
    )


def _read_payload(node: _Node) -> SealedPayload:
    keys = node.keys("size", "sha256", "data-sha256", maybe="used")
    return SealedPayload(
        size=keys["size"].number(),
        sha256=keys["sha256"].maybe(keys["sha256"].digest),
        data_sha256=keys["data-sha256"].maybe(keys["data-sha256"].digest),
        used=keys["used"].number() if "used" in keys else None,
    )


def _read_versions(node: _Node) -> dict[str, tuple[str, ...]]:
    if not isinstance(node.value, dict) or len(node.value) > _MOST_VERSIONS:
        node.stop(f"an object of at most {_MOST_VERSIONS} versions")
    found = {}
    for name, value in node.value.items():
        listed = _Node(node.file, f"{node.at}.{name}"[:_MOST_TEXT], value)
        found[name] = tuple(item.text() for item in listed.items(_MOST_VERSIONS, "versions"))
    return found


def schema() -> dict[str, Any]:
    """Give the manifest's JSON Schema."""
    size = {"type": "integer", "minimum": 0, "exclusiveMaximum": _LARGEST}
    text = {"type": "string", "minLength": 1, "maxLength": _MOST_TEXT}
    digest = {"type": "string", "pattern": f"^{_SHA256.pattern}$"}
    maybe = {"oneOf": [digest, {"type": "null"}]}
    digests = {"size": size, "sha256": maybe, "data-sha256": maybe}
    versions = {
        "type": "object",
        "maxProperties": _MOST_VERSIONS,
        "additionalProperties": {"type": "array", "items": text, "maxItems": _MOST_VERSIONS},
    }
    region = _record(
        {
            "name": text,
            "chip": text,
            "offset": size,
            "size": size,
            "file-at": size,
            "artifact": {"oneOf": [_record({"path": text} | digests), {"type": "null"}]},
            "payload": {"oneOf": [_record(digests, {"used": size}), {"type": "null"}]},
            "versions": versions,
        }
    )
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "imgaudit manifest",
        **_record(
            {
                "manifest": {"const": VERSION},
                "board": text,
                "layout-sha256": digest,
                "regions": {"type": "array", "items": region, "maxItems": _MOST_REGIONS},
            }
        ),
    }


def _record(properties: dict[str, Any], also: Mapping[str, Any] | None = None) -> dict[str, Any]:
    """Describe an object with all of these keys, and perhaps some of the others."""
    return {
        "type": "object",
        "properties": properties | dict(also or {}),
        "required": list(properties),
        "additionalProperties": False,
    }

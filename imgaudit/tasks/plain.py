"""Turn facts into plain JSON values: every field by its name, with its offset where it has one."""

from __future__ import annotations

import dataclasses
import enum
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from imgaudit.formats.facts import Checksum, Facts
from imgaudit.formats.view import View
from imgaudit.units import Span

if TYPE_CHECKING:
    from imgaudit.contents.tree import Artifact, Content

# Trees and bytes that a reader keeps for other readers, not for people.
_INTERNAL = frozenset({"offsets", "checksums", "doubts", "length"})


def plain(value: Any) -> Any:
    """Give a JSON value; bytes become hex, spans their start and size."""
    if value is None or isinstance(value, str | bool | int | float):
        return value.value if isinstance(value, enum.Enum) else value
    if isinstance(value, Span):
        return {"start": value.start, "size": value.size}
    if isinstance(value, bytes):
        return value.hex()
    if isinstance(value, enum.Enum):
        return value.value
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        items = sorted(value) if isinstance(value, set | frozenset) else value
        return [plain(item) for item in items]
    if dataclasses.is_dataclass(value):
        return _record(value)
    return str(value)


def as_key(name: str) -> str:
    """Give the key of a JSON object for a name of the program: words are joined with hyphens."""
    return name.replace("_", "-")


def _record(value: Any) -> dict[str, Any]:
    offsets = getattr(value, "offsets", {})
    found: dict[str, Any] = {}
    for field in dataclasses.fields(value):
        item = getattr(value, field.name)
        if field.name in _INTERNAL or not field.repr or isinstance(item, View):
            continue
        key = as_key(field.name)
        if field.name in offsets:
            found[key] = {"value": plain(item), "offset": offsets[field.name]}
        else:
            found[key] = plain(item)
    return found


def checksum(value: Checksum) -> dict[str, Any]:
    """Give a checksum with its verdict: true, false, or null where it could not be computed."""
    return {
        "name": value.name,
        "algorithm": value.algorithm,
        "stored": value.stored,
        "computed": value.computed,
        "matches": value.matches,
        "offset": value.offset,
        "covers": plain(value.covers),
    } | ({"why": value.why} if value.why else {})


def facts(value: Facts) -> dict[str, Any]:
    """Give a reader's facts."""
    return {
        "summary": value.summary(),
        "length": value.length,
        "fields": _record(value),
        "checksums": [checksum(item) for item in value.checksums],
        "doubts": list(value.doubts),
    }


def content(value: Content) -> dict[str, Any]:
    """Give a content and all inside it."""
    found: dict[str, Any] = {
        "name": value.name,
        "offset": value.offset if value.offset >= 0 else None,
        "size": value.size,
        "format": value.format,
        "title": value.title or None,
        "certainty": value.match.name.lower() if value.format else None,
        "could-also-be": list(value.alternatives),
    }
    if value.unpacked is not None:
        found["unpacked"] = {"size": value.unpacked, "complete": value.complete}
    if value.why:
        found["not-read"] = {"why": value.why, "offset": value.damaged_at}
    if value.facts is not None:
        found["facts"] = facts(value.facts)
    if value.inside is not None:
        found["kernel"] = {
            "release": value.inside.release,
            "configuration": plain(value.inside.config),
        }
    found["contents"] = [content(child) for child in value.children]
    return found


def artifact(value: Artifact) -> dict[str, Any]:
    """Give an artifact: path, size, digests and what it holds."""
    return {
        "path": value.path,
        "size": value.size,
        "sha256": value.sha256,
        "data-sha256": value.data_sha256,
        "content": content(value.content),
    }

"""The JSON Schema of a layout, from the same tables as the loader."""

from __future__ import annotations

from typing import Any

from imgaudit.layout.tables import WHOLE, types_of


def schema() -> dict[str, Any]:
    """Give the layout's JSON Schema (draft 2020-12)."""
    # Made here, since it needs the tables of two formats.
    whole = WHOLE.schema() | {"allOf": [types_of("gpt"), types_of("mbr")]}
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "imgaudit layout",
        "description": "Where everything on a board's flash chips lives, and what it must be.",
    } | _said_once(whole)


_LONG = 400  # characters of a part of the schema that are worth a name of their own


def _said_once(whole: dict[str, Any]) -> dict[str, Any]:
    """Give a schema in which what repeats stands once, under `$defs`."""
    import json

    counts: dict[str, int] = {}

    def bare(part: Any) -> str:
        """Give a part without its description, which is its place's own."""
        if isinstance(part, dict) and _is_schema(part):
            part = {key: value for key, value in part.items() if key != "description"}
        return json.dumps(part)

    def count(part: Any) -> None:
        for key, inner in part.items() if isinstance(part, dict) else enumerate(part):
            # What keys ask of one another says nothing of its own.
            if isinstance(inner, dict | list) and key != "allOf":
                text = bare(inner)
                # A map of properties may have one that is called type.
                if isinstance(inner, dict) and len(text) > _LONG and _is_schema(inner):
                    counts[text] = counts.get(text, 0) + 1
                count(inner)

    count(whole)
    names = {
        text: f"part-{number}"
        for number, text in enumerate((text for text, times in counts.items() if times > 1), 1)
    }

    def short(part: Any) -> Any:
        if isinstance(part, list):
            return [short(inner) for inner in part]
        if not isinstance(part, dict):
            return part
        name = names.get(bare(part))
        if name is None:
            return inside(part)
        said = {"description": part["description"]} if "description" in part else {}
        return said | {"$ref": f"#/$defs/{name}"}

    def inside(part: dict[str, Any]) -> dict[str, Any]:
        return {key: inner if key == "allOf" else short(inner) for key, inner in part.items()}

    parts = {name: inside(json.loads(text)) for text, name in names.items()}
    return inside(whole) | ({"$defs": parts} if parts else {})


def _is_schema(part: dict[str, Any]) -> bool:
    return isinstance(part.get("type"), str) or isinstance(part.get("anyOf"), list)

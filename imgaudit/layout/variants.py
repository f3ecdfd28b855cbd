"""Variants of a board in one file: what a variant says lies over what the file says."""

from __future__ import annotations

from collections.abc import Container
from typing import Any

import yaml

from imgaudit.errors import close
from imgaudit.layout.keys import Kind, Reading, Table, pairs

KEY = "variants"
_GUESSED = "guessed"
_NOT_OVER = frozenset({"layout", KEY})  # what a variant cannot change
_INSTEAD = ({"size", "sectors"}, {"erase-block", "erase-map"}, {"at", "after"}, {"label", "labels"})


class Overlay:
    """What a variant may say: any key of the layout, none of them needed; `without` drops regions.

    It is read as part of the whole layout that it makes; see `chosen`.
    """

    def __init__(self, layout: tuple[Any, ...], without: Kind) -> None:
        self.keys = tuple(key for key in layout if key.name not in _NOT_OVER)
        self.without = without

    def read(self, node: yaml.Node, reading: Reading) -> bool | None:
        """Look at the keys only."""
        if not isinstance(node, yaml.MappingNode):
            reading.problem(node, "expected a mapping of keys to values")
            return None
        known = [*(key.name for key in self.keys), "without"]
        for name, key_node, _ in pairs(node, reading):
            if name not in known:
                reading.problem(key_node, f"unknown key {name!r}{close(name, known)}")
        return True

    def schema(self) -> dict[str, Any]:
        """Describe the layout's keys, of which none is needed."""
        found: dict[str, Any] = _loosened(Table(self.keys).schema())
        found["properties"]["without"] = {
            "description": "Regions that this variant does not have."
        } | self.without.schema()
        return found


def _loosened(schema: Any) -> Any:
    """Drop what is required: the rest stands in the layout that the variant lies over."""
    if isinstance(schema, dict):
        keep = {
            key: _loosened(value)
            for key, value in schema.items()
            if key not in {"required", "oneOf", "allOf"} or key in schema.get("properties", {})
        }
        if "name" in schema.get("properties", {}) and "required" in schema:
            keep["required"] = ["name"]
        return keep
    return [_loosened(item) for item in schema] if isinstance(schema, list) else schema


def names_of(layout: yaml.Node, reading: Reading) -> dict[str, yaml.MappingNode]:
    """Give what each variant says, by its name."""
    node = _get(layout, KEY)
    if not isinstance(node, yaml.MappingNode):
        return {}
    quiet = Reading(reading.file)  # the layout's own table tells what is wrong with the names
    return {
        name: value for name, _, value in pairs(node, quiet) if isinstance(value, yaml.MappingNode)
    }


def chosen(layout: yaml.MappingNode, variant: yaml.MappingNode, reading: Reading) -> yaml.Node:
    """Give the layout with a variant laid over it; every node keeps its place in the file."""
    without = _get(variant, "without")
    dropped: dict[str, yaml.Node] = {}
    for item in without.value if isinstance(without, yaml.SequenceNode) else ():
        dropped[str(item.value)] = item
    whole = _over(layout, variant)
    values = []
    for key, value in whole.value:
        if key.value in {KEY, "without"}:
            continue
        if key.value == "regions" and isinstance(value, yaml.SequenceNode):
            kept = [item for item in value.value if _name(item) not in dropped]
            for name, item in dropped.items():
                if name not in map(_name, value.value):
                    reading.problem(item, f"no region is called {name!r}")
            values.append((key, _like(value, kept)))
        else:
            values.append((key, value))
    return _like(whole, values)


def _over(base: yaml.Node, upper: yaml.Node) -> yaml.Node:
    if isinstance(base, yaml.MappingNode) and isinstance(upper, yaml.MappingNode):
        above = {_word(key): (key, value) for key, value in upper.value}
        gone = {key for pair in _INSTEAD if pair & above.keys() for key in pair - above.keys()}
        said = above.keys() | gone
        values = []
        for key, value in base.value:
            word = _word(key)
            if word == _GUESSED:
                left = _guesses(value, said) + _guesses(above.pop(word, (0, None))[1])
                if left:
                    values.append((key, _sequence(value, left)))
            elif word in above:
                values.append((key, _over(value, above.pop(word)[1])))
            elif word not in gone:
                values.append((key, value))
        return _like(base, [*values, *above.values()])
    if isinstance(base, yaml.SequenceNode) and isinstance(upper, yaml.SequenceNode):
        named = {_name(item): item for item in upper.value}
        if None not in named and all(_name(item) for item in base.value):
            merged = [
                _over(item, named.pop(_name(item))) if _name(item) in named else item
                for item in base.value
            ]
            return _like(base, [*merged, *named.values()])
    return upper


def _guesses(node: yaml.Node | None, said: Container[str] = ()) -> list[yaml.Node]:
    """Give the keys that are guesses, but for those that a variant says or takes out."""
    items = node.value if isinstance(node, yaml.SequenceNode) else [node] if node else []
    return [item for item in items if _word(item) not in said]


def _sequence(node: yaml.Node, items: list[yaml.Node]) -> yaml.Node:
    return yaml.SequenceNode("tag:yaml.org,2002:seq", items, node.start_mark, node.end_mark)


def _word(key: yaml.Node) -> str:
    return str(key.value)


def _name(item: yaml.Node) -> str | None:
    found = _get(item, "name")
    return str(found.value) if isinstance(found, yaml.ScalarNode) else None


def _get(node: yaml.Node, key: str) -> yaml.Node | None:
    for name, value in node.value if isinstance(node, yaml.MappingNode) else ():
        if name.value == key:
            found: yaml.Node = value
            return found
    return None


def _like(node: yaml.Node, value: Any) -> yaml.Node:
    return type(node)(node.tag, value, node.start_mark, node.end_mark)

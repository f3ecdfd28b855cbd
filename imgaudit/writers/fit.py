"""Write a flattened image tree with embedded data (Flat Image Tree Specification, chapter 2)."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping

from imgaudit.data import dataclass
from imgaudit.writers.fdt import Property, Tree, fdt


@dataclass(frozen=True, kw_only=True)
class Payload:
    """One image node: its data as stored and what the boot loader is told about it."""

    description: str
    type: str
    data: bytes
    compression: str = "none"
    os: str | None = None
    load: int | None = None
    entry: int | None = None


def fit(
    description: str,
    epoch: int,
    payloads: Mapping[str, Payload],
    default: str,
    configurations: Mapping[str, Mapping[str, Property]],
) -> bytes:
    """Write a FIT for arm64; every image carries a SHA-256 of its data as stored."""
    images: Tree = {name: _image(payload) for name, payload in payloads.items()}
    choices: Tree = {"default": default}
    choices.update({name: dict(choice) for name, choice in configurations.items()})
    return fdt(
        {
            "timestamp": epoch,
            "description": description,
            "#address-cells": 1,
            "images": images,
            "configurations": choices,
        }
    )


def _image(payload: Payload) -> Tree:
    node: Tree = {
        "description": payload.description,
        "data": payload.data,
        "type": payload.type,
        "arch": "arm64",
        "compression": payload.compression,
    }
    for key, value in (("os", payload.os), ("load", payload.load), ("entry", payload.entry)):
        if value is not None:
            node[key] = value
    node["hash-1"] = {"algo": "sha256", "value": hashlib.sha256(payload.data).digest()}
    return node

"""Small layouts for the rules' examples: one chip and the regions under test."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from imgaudit.rules.engine import Example

Files = Mapping[str, Callable[[], bytes]]

_HEAD = "layout: 1\nboard: example\narch: arm64\nchips:\n"


def nor(
    *regions: str,
    chip: str = "size: 1 MiB, erase-block: 64 KiB",
    rest: str = "",
    files: Files | None = None,
) -> Example:
    """Give a build on a SPI-NOR; a region is `name, at, size, more keys` in flow style."""
    return _example(f"  nor: {{kind: spi-nor, {chip}}}\n", "nor", regions, rest, files)


def emmc(
    *regions: str,
    chip: str = "sectors: 65536, boot-area: 2 MiB",
    rest: str = "",
    files: Files | None = None,
) -> Example:
    """Give a build on an eMMC; see `nor`. The chip has 32 MiB unless told otherwise."""
    return _example(f"  emmc: {{kind: emmc, {chip}}}\n", "emmc", regions, rest, files)


def nand(
    *regions: str,
    chip: str = "size: 1 MiB, erase-block: 64 KiB",
    rest: str = "",
    files: Files | None = None,
) -> Example:
    """Give a build on a NAND; see `nor`."""
    return _example(f"  nand: {{kind: nand, {chip}}}\n", "nand", regions, rest, files)


def _example(
    chip: str, name: str, regions: tuple[str, ...], rest: str, files: Files | None
) -> Example:
    lines = []
    for region in regions:
        text = region if "chip:" in region else f"chip: {name}, {region}"
        text += "" if "holds:" in text else ", holds: raw"
        text += "" if "writer:" in text else ", writer: release"
        lines.append(f"  - {{{text}}}\n")
    body = "".join(lines) or "  []\n"
    return Example(_HEAD + chip + "regions:\n" + body + rest, files or {})

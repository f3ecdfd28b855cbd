"""Fill in a draft as a person does: look up what is guessed, correct it, delete the mark."""

from __future__ import annotations

import re
from collections.abc import Iterator

from imgaudit.layout.load import parse
from imgaudit.model import SECTOR, Chip, Layout

_MARK = re.compile(r"\s+guessed: \[?([a-z, -]+?)\]?(?:\s+#.*)?")


def filled(text: str, board: Layout) -> str:
    """Put in the numbers of the board itself, chip by chip, and delete every mark."""
    draft = parse(text.encode(), "draft.yaml")
    lines = text.splitlines()
    for name, chip in draft.chips.items():
        real = next(it for it in board.chips.values() if it.kind is chip.kind)
        values = dict(_values(real))
        start = lines.index(f"  {name}:")
        end = next(at for at, line in enumerate(lines) if at > start and not line[:4].isspace())
        for at in range(start, end):
            key = lines[at].strip().partition(":")[0]
            if key in chip.guessed:
                lines[at] = f"    {values.get(key, key)}"
    return "".join(f"{line}\n" for line in lines if not _MARK.fullmatch(line))


def _values(chip: Chip) -> Iterator[tuple[str, str]]:
    runs = ", ".join(f"{{count: {run.count}, size: {run.size}}}" for run in chip.erase_map)
    yield "kind", f"kind: {chip.kind}"
    yield "size", f"size: [{', '.join(map(str, chip.sizes))}]"
    yield "sectors", f"sectors: [{', '.join(str(size // SECTOR) for size in chip.sizes)}]"
    yield "erase-block", f"erase-map: [{runs}]"
    yield "page", f"page: {chip.page}"
    yield "align", f"align: {chip.align}"
    yield "boot-area", f"boot-area: {chip.boot_area}"

"""extlinux.conf, as `sysboot` and `pxe` read it.

Source: U-Boot doc/README.pxe, boot/pxe_utils.c.
"""

from __future__ import annotations

from dataclasses import replace

from imgaudit import bounds
from imgaudit.data import dataclass

MAX_LABELS = 256


@dataclass(frozen=True, slots=True)
class Label:
    """One entry; paths are as written, relative ones to the folder of the file."""

    name: str
    line: int
    kernel: str | None = None
    config: str | None = None
    initrd: str | None = None
    fdt: str | None = None
    fdtdir: str | None = None
    overlays: tuple[str, ...] = ()
    append: str | None = None


@dataclass(frozen=True, slots=True)
class Menu:
    """The whole file; keywords that are not known are passed over, as U-Boot does."""

    labels: tuple[Label, ...]
    default: str | None

    def ordered(self) -> tuple[Label, ...]:
        """Give the labels in the order in which U-Boot tries them: the default one first."""
        first = [label for label in self.labels if label.name == self.default]
        return (*first, *(label for label in self.labels if label not in first))


def parse_extlinux(text: str) -> Menu:
    """Read a file; nothing in it is an error, as U-Boot skips what it does not know."""
    labels: list[Label] = []
    default: str | None = None
    for line, content in enumerate(text.splitlines(), 1):
        keyword, _, value = content.strip().partition(" ")
        keyword, tab, rest = keyword.partition("\t")
        value = (rest + " " + value if tab else value).strip()
        word = keyword.lower()
        if not word or word.startswith("#"):
            continue
        if word == "label":
            if len(labels) >= MAX_LABELS:
                why = f"only the first {MAX_LABELS} labels are looked at"
                bounds.left_out("extlinux.conf", why)
                break
            labels.append(Label(value, line))
        elif word == "default" or (word == "ontimeout" and default is None):
            default = value
        elif labels:
            labels[-1] = label = _with(labels[-1], word, value)
            if word == "menu" and value.lower().split(None, 1)[:1] == ["default"]:
                default = label.name
    return Menu(tuple(labels), default)


def _with(label: Label, word: str, value: str) -> Label:
    """Add one line to a label."""
    if word in {"kernel", "linux", "fit"}:
        path, mark, config = value.partition("#")
        return replace(label, kernel=path, config=config if mark else None)
    if word in {"fdt", "devicetree"}:
        return replace(label, fdt=value)
    if word in {"fdtdir", "devicetreedir"}:
        return replace(label, fdtdir=value)
    if word in {"fdtoverlays", "devicetree-overlay"}:
        return replace(label, overlays=tuple(value.split()))
    if word == "initrd":
        return replace(label, initrd=value)
    if word == "append":
        return replace(label, append=value)
    return label


def beside(path: str, file: str) -> str:
    """Resolve a path of the file: absolute, or relative to the folder that the file is in."""
    if path.startswith("/"):
        return path.lstrip("/")
    folder, slash, _ = file.rpartition("/")
    return f"{folder}{slash}{path}".lstrip("/")

"""What a U-Boot was built without: by its configuration, and by the command table in its binary.

Source: U-Boot cmd/Makefile, cmd/Kconfig and the U_BOOT_CMD lines in cmd/*.c; fs/fs.c; boot/image.c
(`image_decomp`); common/Makefile (the shells).
"""

from __future__ import annotations

from collections.abc import Iterator

from imgaudit.contents.starts import Start, start_of
from imgaudit.contents.tree import Content
from imgaudit.data import dataclass
from imgaudit.formats.fit import FitFacts
from imgaudit.formats.uimage import U_BOOT_UNPACKS, UimageFacts
from imgaudit.formats.view import View
from imgaudit.maps.uboot_config import Kconfig
from imgaudit.patterns import regex

_OPTIONS = {
    "CMD_ASKENV": "askenv",
    "CMD_BOOTCOUNT": "bootcount",
    "CMD_BOOTD": "boot bootd",
    "CMD_BOOTEFI": "bootefi",
    "CMD_BOOTFLOW": "bootflow",
    "CMD_BOOTI": "booti",
    "CMD_BOOTM": "bootm",
    "CMD_BOOTMENU": "bootmenu",
    "CMD_BOOTZ": "bootz",
    "CMD_CRC32": "crc32",
    "CMD_DFU": "dfu",
    "CMD_DHCP": "dhcp",
    "CMD_ECHO": "echo",
    "CMD_ELF": "bootelf",
    "CMD_EROFS": "erofsls erofsload",
    "CMD_EXT2": "ext2ls ext2load",
    "CMD_EXT4": "ext4ls ext4load ext4size",
    "CMD_FASTBOOT": "fastboot",
    "CMD_FAT": "fatload fatls fatsize fatinfo",
    "CMD_FDT": "fdt",
    "CMD_FLASH": "flinfo",
    "CMD_FS_GENERIC": "load ls size",
    "CMD_GO": "go",
    "CMD_GPIO": "gpio",
    "CMD_GPT": "gpt",
    "CMD_HASH": "hash",
    "CMD_I2C": "i2c",
    "CMD_IMI": "iminfo",
    "CMD_ITEST": "itest",
    "CMD_LED": "led",
    "CMD_LZMADEC": "lzmadec",
    "CMD_MEMORY": "cmp cp md mw",
    "CMD_MMC": "mmc",
    "CMD_MTD": "mtd",
    "CMD_MTDPARTS": "mtdparts chpart",
    "CMD_NAND": "nand",
    "CMD_NVME": "nvme",
    "CMD_PART": "part",
    "CMD_PING": "ping",
    "CMD_PXE": "pxe",
    "CMD_SATA": "sata",
    "CMD_SAVEENV": "saveenv",
    "CMD_SCSI": "scsi",
    "CMD_SETEXPR": "setexpr",
    "CMD_SF": "sf",
    "CMD_SLEEP": "sleep",
    "CMD_SOURCE": "source",
    "CMD_SQUASHFS": "sqfsls sqfsload",
    "CMD_SYSBOOT": "sysboot",
    "CMD_TFTPBOOT": "tftpboot",
    "CMD_UBI": "ubi",
    "CMD_UBIFS": "ubifsmount ubifsload",
    "CMD_UNLZ4": "unlz4",
    "CMD_UNZIP": "unzip gzwrite",
    "CMD_USB": "usb",
    "CMD_USB_MASS_STORAGE": "ums",
    "CMD_VIRTIO": "virtio",
    "CMD_WDT": "wdt",
    "CMD_XIMG": "imxtract",
}
COMMANDS = {name: option for option, names in _OPTIONS.items() for name in names.split()}
"""The option that brings each command."""
_PARTS = {
    "env exists": "CMD_ENV_EXISTS",
    "env export": "CMD_EXPORTENV",
    "env import": "CMD_IMPORTENV",
    "env save": "CMD_SAVEENV",
}
_SYSTEMS = {
    "btrfs": "FS_BTRFS",
    "erofs": "FS_EROFS",
    "ext4": "FS_EXT4",
    "fat": "FS_FAT",
    "squashfs": "FS_SQUASHFS",
}
_UNPACKS = {name: name.upper() for name in U_BOOT_UNPACKS}
_SHELLS = ("HUSH_PARSER", "HUSH_OLD_PARSER", "HUSH_MODERN_PARSER")
# Set in every whole configuration and in no list of deviations: it has no prompt (arch/Kconfig).
_WHOLE = ("SYS_ARCH",)
_USAGE = b"run commands in an environment variable\0"  # cmd/nvedit.c, of `run`
_WORD = regex(rb"[!-~]{1,16}\0")
_LARGEST = 16 << 20
_ALWAYS = ("printenv", "setenv", "run", "reset", "version")


@dataclass(frozen=True, slots=True)
class Lack:
    """Something that U-Boot was built without, and who says so."""

    what: str
    option: str
    told: str

    def __str__(self) -> str:
        """Say it in a sentence without its full stop."""
        return f"U-Boot was built without {self.what} ({self.told})"


@dataclass(frozen=True)
class Options:
    """What U-Boot was built with, as far as its configuration or its binary tells.

    `config` is its `.config` and `place` what to call that; `names` are the words of its binary
    that end with a NUL, where that has a command table to be read, and `binary` its name.
    """

    config: Kconfig | None = None
    place: str = ""
    names: frozenset[str] | None = None
    binary: str = ""

    def off(self, *options: str) -> str:
        """Tell where it is said that none of the options is set; empty where nobody says so."""
        if self.config is None or self.config.enabled(*options):
            return ""
        said = [name for name in options if name in self.config.symbols]
        # What a whole configuration does not mention cannot be chosen: something it needs is off.
        whole = all(symbol in self.config.symbols for symbol in _WHOLE)
        return self.place if said or whole else ""

    def command(self, words: tuple[str, ...]) -> Lack | None:
        """Tell that a command is not there; `words` are itself and its first argument."""
        name = words[0].partition(".")[0] if words else ""
        option = COMMANDS.get(name, "")
        whole = " ".join(words[:2])
        part = _PARTS.get(whole)
        if part is not None and (told := self.off(part)):
            return Lack(f"the command {whole}", f"CONFIG_{part}", told)
        if not option:
            return None
        told = self.off(option)
        if not told and self.names is not None and not self.has_word(name):
            told = f"{self.binary} has no command of that name"
        return Lack(f"the command {name}", f"CONFIG_{option}", told) if told else None

    def has_word(self, name: str) -> bool:
        """Tell whether a word may be in the binary; a linker lets one string end another."""
        return self.names is None or any(word.endswith(name) for word in self.names)

    def system(self, name: str) -> Lack | None:
        """Tell that a file system, as `fstype` calls it, cannot be read."""
        option = _SYSTEMS.get(name)
        told = self.off(option) if option is not None else ""
        return Lack(f"the file system {name}", f"CONFIG_{option}", told) if told else None

    def shell(self) -> Lack | None:
        """Tell that there is only the simple command line, without `&&`, `||` and `if`."""
        told = self.off(*_SHELLS)
        return Lack("a shell that knows && || if", "CONFIG_HUSH_PARSER", told) if told else None

    def unpacks(self, compression: str) -> Lack | None:
        """Tell that `bootm` cannot unpack a compression."""
        option = _UNPACKS.get(compression)
        told = self.off(option) if option is not None else ""
        return Lack(f"{compression}", f"CONFIG_{option}", told) if told else None

    def image(self, content: Content, start: Start | None = None) -> Iterator[Lack]:
        """Give what it lacks for `bootm` of a FIT or a uImage."""
        facts = content.facts
        if isinstance(facts, FitFacts):
            if told := self.off("FIT"):
                yield Lack("FIT images", "CONFIG_FIT", told)
            start = start or start_of(content)
            kernel = start.kernel if start is not None else None
            compression = kernel.image.compression if kernel and kernel.image else None
        elif isinstance(facts, UimageFacts):
            if told := self.off("LEGACY_IMAGE_FORMAT"):
                yield Lack("uImages", "CONFIG_LEGACY_IMAGE_FORMAT", told)
            compression = facts.compression
        else:
            return
        lack = self.unpacks(compression or "")
        if lack is not None:
            yield lack


def words_of(view: View) -> frozenset[str] | None:
    """Read the words that end with a NUL in a U-Boot; None where it shows no command table."""
    if view.size > _LARGEST or view.find(_USAGE) < 0:
        return None
    data = view.upto(0, view.size)
    words = frozenset(word[:-1].decode("ascii") for word in _WORD.findall(data))
    there = all(any(word.endswith(name) for word in words) for name in _ALWAYS)
    return words if there else None

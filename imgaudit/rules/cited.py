"""Who says what a rule relies on: one record a source, so that a test can look each of them up.

What stands in a project's tree is declared by `in_u_boot`, `in_linux`, `in_busybox` and so on: the
file, the symbol in it and, where the rule leans on its words, the sentence as it stands. The tests
find each of them in Debian's source package of the version below. The rest says what it is.
"""

from __future__ import annotations

import enum
from dataclasses import replace
from functools import partial

from imgaudit.data import dataclass


class Basis(enum.StrEnum):
    """What a source is, and so how far it has been looked up."""

    TREE = "source tree"
    STANDARD = "standard, from memory"
    MANUAL = "manual page"
    SEEN = "seen"
    MEMORY = "from memory"
    PRACTICE = "common practice, no source"


@dataclass(frozen=True, slots=True)
class Source:
    """One source.

    Of a tree it has the project, its version, the file, the symbol that does it and the sentence as
    it stands there; of a manual page the page and the sentence. Of a standard `file` is the clause;
    of what was seen it is what it was seen on. `standard` names the one, and its clause, of which a
    tree or a page has the words.
    """

    basis: Basis
    project: str = ""
    version: str = ""
    file: str = ""
    symbol: str = ""
    says: str = ""
    standard: str = ""

    def __str__(self) -> str:
        if self.basis is Basis.PRACTICE:
            return self.basis.value
        head = f"{self.project} {self.version}".strip()
        if self.standard:
            head = f"{self.standard}, as {head} has it"
        parts = [part for part in (head, self.file, self.symbol) if part]
        text = ", ".join(parts)
        if self.says:
            text += f': "{self.says}"'
        if self.basis is Basis.SEEN:
            return f"seen with {text}"
        return text + (" (from memory)" if "memory" in self.basis.value else "")


# As Debian 12 has them, whose packages the tests take.
VERSIONS = {
    "U-Boot": "2023.01",
    "Linux": "6.1",
    "BusyBox": "1.35.0",
    "Trusted Firmware-A": "2.8",
    "e2fsprogs": "1.47.0",
    "kmod": "30",
    "glibc": "2.36",
    "Dropbear": "2022.83",
    "EDK II": "2022.11",
    "Git LFS": "3.3.0",
    "RAUC": "1.8",
    "LVM2": "2.03.16",
    "cryptsetup": "2.6.1",
    "dosfstools": "4.2",
    "OpenSSH": "9.2p1",
}


def _tree(project: str, file: str, symbol: str = "", says: str = "") -> Source:
    return Source(Basis.TREE, project, VERSIONS[project], file, symbol, says)


in_u_boot = partial(_tree, "U-Boot")
in_linux = partial(_tree, "Linux")
in_busybox = partial(_tree, "BusyBox")
in_trusted_firmware = partial(_tree, "Trusted Firmware-A")
in_e2fsprogs = partial(_tree, "e2fsprogs")
in_kmod = partial(_tree, "kmod")
in_glibc = partial(_tree, "glibc")
in_dropbear = partial(_tree, "Dropbear")
in_edk2 = partial(_tree, "EDK II")
in_git_lfs = partial(_tree, "Git LFS")
in_rauc = partial(_tree, "RAUC")
in_lvm2 = partial(_tree, "LVM2")
in_cryptsetup = partial(_tree, "cryptsetup")
in_dosfstools = partial(_tree, "dosfstools")
in_openssh = partial(_tree, "OpenSSH")


def standard(title: str, clause: str = "", *, copy: Source | None = None) -> Source:
    """Give a specification, with its version in the title.

    The text of most is not at hand for the tests: it is from memory then. `copy` is the tree or the
    manual page that has what it says here, where the tests look it up.
    """
    if copy is None:
        return Source(Basis.STANDARD, title, file=clause)
    return replace(copy, standard=", ".join(filter(None, (title, clause))))


def in_uefi(
    clause: str, symbol: str, says: str = "", file: str = "MdePkg/Include/Uefi/UefiGpt.h"
) -> Source:
    """Give a clause of the UEFI specification by what EDK II has of it."""
    return standard("UEFI 2.10", clause, copy=in_edk2(file, symbol, says))


def manual(page: str, says: str = "") -> Source:
    """Give a manual page of Debian 12, its section in parentheses, and a sentence of it."""
    return Source(Basis.MANUAL, page, says=says)


def seen(on: str) -> Source:
    """Give what was seen to happen, on what."""
    return Source(Basis.SEEN, file=on)


def memory(project: str, file: str = "", symbol: str = "") -> Source:
    """Give what is known and was not looked up in that version."""
    return Source(Basis.MEMORY, project, file=file, symbol=symbol)


PRACTICE = Source(Basis.PRACTICE)

# What several rules go by.
BOARD_NAMES = standard(
    "Devicetree Specification 0.4",
    "2.3.1",
    copy=in_linux(
        "Documentation/devicetree/usage-model.rst",
        "compatible",
        "a sorted list of strings starting with the exact name of the machine",
    ),
)
PASSWORDS_IN_CLEAR = (
    manual("curl(1)", "file in the user's home directory for login name and password."),
    manual(
        "git-credential-store(1)",
        "Using this helper will store your passwords unencrypted on disk",
    ),
    manual("wpa_supplicant.conf(5)", "psk=very secret passphrase"),
    PRACTICE,
)
PRIVATE_KEYS = (
    standard(
        "RFC 7468",
        copy=manual(
            "openssl-format-options(1ssl)",
            "lines used to mark the start and end:",
        ),
    ),
    standard(
        "RFC 8017",
        copy=in_dropbear(
            "keyimport.c", says="For RSA, we expect the integers to be 0, n, e, d, p, q,"
        ),
    ),
    standard(
        "RFC 5958",
        copy=manual("openssl-pkcs8(1ssl)", "This command processes private keys in PKCS#8 format."),
    ),
    standard("RFC 5915"),
    in_openssh("PROTOCOL.key", "AUTH_MAGIC", 'AUTH_MAGIC "openssh-key-v1"'),
)

"""Keys and passwords that a file system of the image keeps, and so every unit that gets it."""

from __future__ import annotations

from collections.abc import Iterator
from uuid import UUID

from imgaudit.rescue.secrets import Kept
from imgaudit.rules._rescue import listed
from imgaudit.rules.access import KEY_TEXT
from imgaudit.rules.cited import PASSWORDS_IN_CLEAR, PRIVATE_KEYS
from imgaudit.rules.engine import Example, Kind, Missing, Outcome, Rule, Severity, check
from imgaudit.rules.examples import emmc
from imgaudit.rules.subject import Subject
from imgaudit.units import MIB
from imgaudit.writers.ext4 import ext4
from imgaudit.writers.tree import Root, file


def _each(subject: Subject) -> Iterator[Kept | Missing]:
    for kept in subject.secrets:
        if kept.why:
            yield Missing(kept.region.name, kept.why)
        if kept.looked:
            yield kept


KEPT = Kind(_each, lambda kept: kept.region.name)
"""The file systems whose files were looked through."""


def _disk(tree: Root) -> Example:
    return emmc(
        "name: rootfs, partition: 1, at: 4 MiB, size: 8 MiB, holds: ext4, file: rootfs.ext4",
        files={
            "rootfs.ext4": lambda: ext4(
                8 * MIB, tree, label="rootfs", uuid=UUID(int=1), epoch=0
            ).whole()
        },
    )


_GOOD = _disk({"root/.ssh/id_ed25519.pub": file("ssh-ed25519 AAAA tide\n")})


def _secret_values(what: str, *, names: str, paths: list[str]) -> None: ...


KEY = Rule(
    name="private-key-in-file-system",
    severity=Severity.ERROR,
    values=_secret_values,
    message="{names} of {region}: private key ({what})",
    effect="Whoever reads one image has the key, and whatever it opens; all units share it.",
    fix="Take the key out of the image, and replace it wherever it is trusted; let each unit make"
    " its own.",
    computed="a file of at most 16 KiB holds a private key in PEM, DER, or in SSH's encoding; of a"
    " file system with more than 512 such files those under /etc, /root, /home, /var and the like,"
    " and those that are named like keys",
    sources=PRIVATE_KEYS,
    bad=_disk({"root/.ssh/id_ed25519": file(KEY_TEXT, 0o600)}),
    good=_GOOD,
)
PASSWORD = Rule(
    name="credentials-in-file-system",
    severity=Severity.ERROR,
    values=_secret_values,
    message="{names} of {region}: a password in clear",
    effect="Whoever reads one image has the password.",
    fix="Take it out of the image; give each unit its own when it is set up.",
    computed="a file with contents under a name that holds passwords by convention, or a passphrase"
    " in a configuration of wpa_supplicant (a warning)",
    sources=PASSWORDS_IN_CLEAR,
    bad=_disk({"root/.netrc": file("machine tides.example login gauge password low\n", 0o600)}),
    good=_GOOD,
)


@check(KEY, over=KEPT)
def private_keys(kept: Kept) -> Outcome:
    for what, paths in _by_what(kept, "private-key", "host-key").items():
        case = KEY(what=what, names=listed(paths), paths=paths)
        yield case.at(region=kept.region, artifact=kept.artifact, key="file")


@check(PASSWORD, over=KEPT)
def credentials(kept: Kept) -> Outcome:
    for kind, severity in (("credentials", None), ("wifi-passphrase", Severity.WARNING)):
        for what, paths in _by_what(kept, kind).items():
            case = PASSWORD(what=what, names=listed(paths), paths=paths)
            yield case.at(region=kept.region, artifact=kept.artifact, key="file", severity=severity)


def _by_what(kept: Kept, *kinds: str) -> dict[str, list[str]]:
    found: dict[str, dict[str, None]] = {}
    for secret in kept.secrets:
        if secret.kind in kinds:
            found.setdefault(secret.what, {})[secret.path] = None
    return {what: list(paths) for what, paths in found.items()}

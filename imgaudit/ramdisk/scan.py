"""Keys and credentials in the files of the root, and the busyboxes among them; one pass over all.

Sources: RFC 7468 (PEM), RFC 8017 and RFC 5958 (DER keys), RFC 5915 (EC keys), RFC 4253 section 6.6
(the fields of an SSH key, which dropbear stores as they are).
"""

from __future__ import annotations

import posixpath
import re
import struct
from collections.abc import Iterator
from typing import Literal

from imgaudit import bounds
from imgaudit.data import dataclass
from imgaudit.formats.view import View
from imgaudit.patterns import regex
from imgaudit.ramdisk.applets import MARK

OVERLAP = 256  # a marker cut by the border of two pieces is seen in the second
SECRETS = 1000
_KEYS = "keys and passwords"
DER_SIZE = 16 << 10  # an RSA key of 16,384 bits has 9.4 KiB

_PEM_MARK = b"PRIVATE KEY-----"
# What follows must be a header or base64: programs that read keys hold the first line as text.
_PEM = regex(
    rb"-----BEGIN ([A-Z0-9 ]{0,32}?)PRIVATE KEY-----[ \t]*\r?\n"
    rb"(?:[A-Za-z-]{1,32}: |[A-Za-z0-9+/]{16})"
)
_SSH_FIELDS = {
    b"ssh-rsa": 3,
    b"ssh-dss": 5,
    b"ecdsa-sha2-nistp256": 3,
    b"ecdsa-sha2-nistp384": 3,
    b"ecdsa-sha2-nistp521": 3,
}  # fewer fields make a public key
_CREDENTIAL_NAMES = {".netrc", ".git-credentials", ".pgpass", ".htpasswd", "htpasswd"}
_WIFI = regex(rb"^[ \t]*(?:psk|password|wep_key[0-3])[ \t]*=[ \t]*\S", re.MULTILINE)

SecretKind = Literal["private-key", "host-key", "credentials", "wifi-passphrase"]


@dataclass(frozen=True, slots=True)
class Secret:
    """A key or credential: where it is, and what it is (`RSA`, `OpenSSH`, `PKCS #8`)."""

    path: str
    offset: int
    kind: SecretKind
    what: str


def scan(path: str, view: View) -> tuple[list[Secret], bool]:
    """Look through one file; tell also whether it bears busybox's mark."""
    found: list[Secret] = []
    busybox = False
    held = b""
    at = 0
    for piece in view.chunks():
        data = held + piece if held else piece
        start = at - len(held)
        busybox = busybox or MARK in data
        if _PEM_MARK in data:
            matches = bounds.within(
                _PEM.finditer(data), SECRETS - min(SECRETS, len(found)), path, _KEYS
            )
            found += (_pem(path, start + match.start(), match[1]) for match in matches)
        at += len(piece)
        held = data[-OVERLAP:] if at < view.size else b""
    if view.size <= DER_SIZE:
        found += _small(path, view.upto(0, DER_SIZE))
    secrets = sorted(set(found), key=lambda secret: secret.offset)
    return bounds.within(secrets, SECRETS, path, _KEYS), busybox


def _pem(path: str, offset: int, label: bytes) -> Secret:
    what = {"": "PKCS #8", "ENCRYPTED": "encrypted PKCS #8", "OPENSSH": "OpenSSH"}
    words = label.decode("ascii").strip()
    return Secret(path, offset, _key_kind(path), what.get(words, words))


def _key_kind(path: str) -> SecretKind:
    name = posixpath.basename(path)
    return "host-key" if "host_key" in name or name.startswith("ssh_host_") else "private-key"


def _small(path: str, data: bytes) -> Iterator[Secret]:
    name = posixpath.basename(path)
    ssh = _ssh_key(data)
    if ssh:
        yield Secret(path, 0, "host-key" if "host" in name else "private-key", f"dropbear {ssh}")
    der = _der_key(data)
    if der:
        yield Secret(path, 0, _key_kind(path), der)
    if name in _CREDENTIAL_NAMES and data.strip():
        yield Secret(path, 0, "credentials", name)
    if name.endswith(".conf") and b"network={" in data:
        match = _WIFI.search(data)
        if match is not None:
            yield Secret(path, match.start(), "wifi-passphrase", name)


def _ssh_key(data: bytes) -> str:
    """Name the algorithm of a private key in SSH's own encoding; empty for anything else."""
    fields: list[bytes] = []
    at = 0
    while at + 4 <= len(data) and len(fields) < 12:
        (size,) = struct.unpack_from(">I", data, at)
        if size > len(data) - at - 4:
            return ""
        fields.append(data[at + 4 : at + 4 + size])
        at += 4 + size
    if not fields:
        return ""
    name = fields[0]
    if name == b"ssh-ed25519":
        return "ssh-ed25519" if len(fields) > 1 and len(fields[1]) == 64 else ""
    need = _SSH_FIELDS.get(name)
    return name.decode("ascii") if need is not None and len(fields) > need else ""


def _der_key(data: bytes) -> str:
    """Name the structure of a private key in DER; empty for anything else."""
    if len(data) < 16 or data[0] != 0x30:
        return ""
    at, size = 2, data[1]
    if size & 0x80:
        count = size & 0x7F
        if count > 2:
            return ""
        at, size = 2 + count, int.from_bytes(data[2 : 2 + count], "big")
    if at + size != len(data):
        return ""
    version, then = data[at : at + 3], data[at + 3]
    if version == b"\x02\x01\x01" and then == 0x04:
        return "EC"
    if version in {b"\x02\x01\x00", b"\x02\x01\x01"} and then == 0x30:
        return "PKCS #8"
    return "RSA" if version == b"\x02\x01\x00" and then == 0x02 else ""

"""dm-verity: the root hash on the command line, against what is written onto the chip."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import replace

from imgaudit.rescue.verified import Verified
from imgaudit.rules.cited import in_linux
from imgaudit.rules.engine import Example, Kind, Missing, Outcome, Rule, Severity, check
from imgaudit.rules.main_root import system
from imgaudit.rules.subject import Subject
from imgaudit.units import MIB

_BLOCK = 4096


def _each(subject: Subject) -> Iterator[Verified | Missing]:
    for item in subject.verified:
        name = item.region.name if item.region is not None else item.stage
        yield Missing(name, item.why) if item.why else item


VERIFIED = Kind(_each, lambda item: item.stage)


def _levels(image: bytes) -> list[bytes]:
    """Give the levels of the tree over an image, the root's first."""
    found: list[bytes] = []
    level = [image[at : at + _BLOCK] for at in range(0, len(image), _BLOCK)]
    while len(level) > 1:
        sums = b"".join(hashlib.sha256(block).digest() for block in level)
        level = [sums[at : at + _BLOCK].ljust(_BLOCK, b"\0") for at in range(0, len(sums), _BLOCK)]
        found.insert(0, b"".join(level))
    return found


def _root(digest: str = "") -> Example:
    """Give the main system with a root behind dm-verity, its tree in a partition of its own."""
    plain = system()
    image = plain.files["rootfs.ext4"]
    blocks = 8 * MIB // _BLOCK

    def told() -> bytes:
        top = digest or hashlib.sha256(_levels(image())[0]).hexdigest()
        table = (
            f"0 {blocks * 8} verity 1 /dev/mmcblk0p1 /dev/mmcblk0p2 {_BLOCK} {_BLOCK} {blocks} 0"
            f" sha256 {top} -"
        )
        said = f"console=ttyS0 root=/dev/dm-0 rootwait 'dm-mod.create=\"root,,0,ro,{table}\"'"
        return system(arguments=said).files["u-boot.env"]()

    layout = plain.layout.replace("holds: ext4, file: data.ext4, writer: runtime", "holds: raw")
    layout = layout.replace("name: data,", "name: data, file: root.hashes, writer: release,")
    hashes = {"root.hashes": lambda: b"".join(_levels(image())), "u-boot.env": told}
    return replace(plain, layout=layout, files={**plain.files, **hashes})


def _hash_values(digest: str, *, stage: str, where: str, at: int) -> None: ...


ROOT_HASH = Rule(
    name="verity-root-hash-differs",
    stops=True,
    values=_hash_values,
    severity=Severity.ERROR,
    message="{artifact} does not give the root hash {digest} that the kernel of {stage} is told:"
    " the first wrong block is {where} at {at:place}",
    effect="The kernel refuses the block: every read of it fails. Where the tree or the"
    " superblock is meant, the root is not mounted; with restart_on_corruption the board"
    " restarts, again and again.",
    fix="Write hash tree, data and command line of one build together; sign the command line, too.",
    computed="the hashes of all blocks of the tree and of the data, from the root hash that"
    " dm-mod.create= or roothash= names, with its algorithm and salt",
    sources=(
        in_linux(
            "Documentation/admin-guide/device-mapper/verity.rst",
            "restart_on_corruption",
            "Restart the system when a corrupted block is discovered.",
        ),
        in_linux("Documentation/admin-guide/device-mapper/dm-init.rst", "dm-mod"),
    ),
    bad=_root("00" * 32),
    good=_root(),
)


@check(ROOT_HASH, over=VERIFIED)
def root_hash(item: Verified) -> Outcome:
    if item.wrong is not None:
        case = ROOT_HASH(
            digest=f"{item.digest[:16]}…",
            stage=item.stage,
            where="in its hash tree" if item.of_tree else "of the data",
            at=item.wrong,
        )
        region = item.hashes if item.of_tree else item.region
        start = (region.at + region.file_at) if region is not None else 0
        yield case.at(
            region=region,
            artifact=item.artifact,
            key="file",
            offset=start + item.wrong,
            length=4096,
        )

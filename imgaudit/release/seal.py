"""Seal a build: put down in a manifest what its artifacts are and where they belong."""

from __future__ import annotations

import hashlib
import re
import stat
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace

from imgaudit.contents.build import Build, Placement
from imgaudit.contents.chip_digests import own_blocks
from imgaudit.contents.tree import KERNELS, Artifact, Content
from imgaudit.errors import AuditError, ImgauditError
from imgaudit.formats import kernel
from imgaudit.formats.cpio import CpioFacts
from imgaudit.formats.files import MAX_TEXT, OS_RELEASE, FileSystem
from imgaudit.formats.fit import FitFacts
from imgaudit.formats.uboot_env import UbootEnv
from imgaudit.formats.view import View
from imgaudit.patterns import regex
from imgaudit.release.manifest import Manifest, SealedFile, SealedPayload, SealedRegion

_OVERLAP = 256  # longer than any of the texts below
_MOST = 8
# U-Boot include/version.h, U_BOOT_VERSION_STRING; Trusted Firmware-A, Makefile, VERSION_STRING.
_TEXTS = {
    "u-boot": regex(rb"U-Boot (?:SPL |TPL )?\d{4}\.\d\d[\x20-\x7e]{0,120}"),
    "trusted-firmware": regex(
        rb"v\d{1,3}\.\d{1,3}(?:\.\d{1,3})?\((?:release|debug)\):[\x21-\x7e]{1,80}"
    ),
}


def seal(build: Build) -> Manifest:
    """Seal a build whose artifacts were read with full digests.

    Raises:
        AuditError: an artifact is missing or cut: half a release is not sealed.

    """
    layout = build.layout
    if layout is None or not build.given:
        raise AuditError("there are no artifacts to seal")
    return Manifest(
        file="",
        board=layout.board,
        layout_sha256=layout.sha256,
        regions=tuple(_region(placement) for placement in build.placements),
    )


def _region(placement: Placement) -> SealedRegion:
    region, artifact, payload = placement.region, placement.artifact, placement.payload
    sealed = SealedRegion(
        name=region.name,
        chip=region.area,
        offset=region.at,
        size=region.size,
        file_at=region.file_at,
    )
    if artifact is None or payload is None:
        if placement.given:
            raise AuditError(f"nothing was sealed: {region.name}: {placement.missing}")
        return sealed
    if not placement.complete:
        why = f"{artifact.path} cannot be unpacked to its end"
        raise AuditError(f"nothing was sealed: {region.name}: {why}")
    blocks = own_blocks(payload)
    return replace(
        sealed,
        artifact=SealedFile(
            path=artifact.path,
            size=artifact.size,
            sha256=artifact.sha256,
            data_sha256=artifact.data_sha256,
        ),
        payload=SealedPayload(
            size=payload.size,
            sha256=_payload_sha256(artifact, payload),
            data_sha256=None if blocks is None else blocks.sha256(),
            used=placement.used,
        ),
        versions=versions(payload),
    )


def _payload_sha256(artifact: Artifact, payload: Content) -> str | None:
    if payload.name == artifact.content.name:
        return artifact.sha256
    if payload.view is None:
        return None
    digest = hashlib.sha256()
    try:
        for piece in payload.view.chunks():
            digest.update(piece)
    except ImgauditError:
        return None
    return digest.hexdigest()


def versions(payload: Content) -> Mapping[str, tuple[str, ...]]:
    """Find what a payload says that it is, by kind; only what was kept in memory is searched."""
    found: dict[str, tuple[str, ...]] = {}
    if payload.view is not None:
        for kind, pattern in _TEXTS.items():
            found[kind] = _first(_search(payload.view, pattern))
    contents = list(payload.walk())
    found["linux"] = _first(_releases(contents))
    found["fit"] = _first(
        content.facts.description
        for content in contents
        if isinstance(content.facts, FitFacts) and content.facts.description
    )
    found["system"] = _first(_systems(contents))
    found["environment-crc32"] = _first(
        checksum.stored
        for content in contents
        if isinstance(content.facts, UbootEnv)
        for checksum in content.facts.checksums
    )
    return {kind: texts for kind, texts in found.items() if texts}


def _systems(contents: Iterable[Content]) -> Iterator[str]:
    """Give what systems in file systems and in ramdisks call themselves (os-release(5))."""
    for content in contents:
        facts, text = content.facts, None
        if isinstance(facts, FileSystem) and facts.files is not None:
            entries = map(facts.files.find, OS_RELEASE)
            text = next((entry.text for entry in entries if entry is not None and entry.text), None)
        elif isinstance(facts, CpioFacts) and content.view is not None:
            text = _in_archive(facts, content.view)
        if text is not None:
            yield from _called(text)


def _in_archive(facts: CpioFacts, view: View) -> bytes | None:
    for entry in facts.entries:
        name = entry.name.removeprefix("./").removeprefix("/")
        if name in OS_RELEASE and stat.S_ISREG(entry.mode) and 0 < entry.size <= MAX_TEXT:
            try:
                return view.upto(entry.data, entry.size)
            except ImgauditError:
                return None
    return None


def _called(text: bytes) -> Iterator[str]:
    """Read the name and the version out of an os-release."""
    pairs = (line.partition("=") for line in text.decode("utf-8", "replace").splitlines())
    said = {name.strip(): value.strip().strip("\"'") for name, equals, value in pairs if equals}
    name = said.get("NAME") or said.get("ID", "")
    version = said.get("VERSION") or said.get("VERSION_ID") or said.get("BUILD_ID", "")
    called = said.get("PRETTY_NAME") or f"{name} {version}".strip()
    if called:
        yield called if not version or version in called else f"{called} ({version})"


def _first(texts: Iterable[str]) -> tuple[str, ...]:
    """Keep the first few that differ, in their order, without what would end a line."""
    kept: dict[str, None] = {}
    for text in texts:
        if len(kept) == _MOST:
            break
        kept[text[:1024]] = None
    return tuple(kept)


def _search(view: View, pattern: re.Pattern[bytes]) -> Iterator[str]:
    tail = b""
    done = 0
    try:
        for piece in view.chunks():
            window = tail + piece
            done += len(piece)
            for match in pattern.finditer(window):
                # What reaches the end may be cut: it comes again with the next piece.
                if match.end() < len(window) or done == view.size:
                    yield match[0].decode("ascii").rstrip()
            tail = window[-_OVERLAP:]
    except ImgauditError:
        return


def _releases(contents: Iterable[Content]) -> Iterator[str]:
    for content in contents:
        if content.format in KERNELS and content.view is not None:
            try:
                release = kernel.scan(content.view).release
            except ImgauditError:
                continue
            if release:
                yield release

"""FIT signatures: the keys that a boot program's tree demands, and whether a FIT satisfies them.

Source: U-Boot doc/usage/fit/signature.rst; boot/image-fit-sig.c (`fit_config_check_sig`,
`fit_config_verify_required_keys`, `fit_image_verify_required_sigs`); lib/rsa/rsa-mod-exp.c and
lib/ecdsa for the keys' properties.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator
from enum import StrEnum
from typing import TYPE_CHECKING

from imgaudit import bounds
from imgaudit.boot.firmware import Firmware, Program
from imgaudit.contents.build import Build
from imgaudit.contents.place import Node
from imgaudit.data import dataclass
from imgaudit.errors import ImgauditError
from imgaudit.formats import flat_tree
from imgaudit.formats.fit import Configuration, FitFacts, Image, Signature
from imgaudit.formats.view import View

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.hashes import HashAlgorithm

# What a signature over a configuration leaves out: hashes stand for the data (exc_prop).
_WITHOUT = frozenset({"data", "data-size", "data-position", "data-offset"})
_MOST = 4096  # signatures of one build that are verified; a FIT has a handful


class Seal(StrEnum):
    """What became of a signature, held against a key."""

    GOOD = "verifies"
    BAD = "does not verify"
    MISSING = "there is none by that key"
    UNKNOWN = "cannot be verified here"


@dataclass(frozen=True, slots=True)
class Key:
    """A public key in a boot program's device tree.

    `required` says of what it is demanded, `any_is_enough` whether one of the required is enough.
    """

    name: str
    algorithm: str
    required: str | None
    any_is_enough: bool
    node: flat_tree.Node


@dataclass(frozen=True, slots=True, kw_only=True)
class Signed:
    """A configuration or an image of a FIT, and one key: what its signatures are worth.

    `signature` is the one that was tried, `why` says why it cannot be verified here. `holder` is
    the boot program with the key, None where the key was found alone.
    """

    fit: Node[FitFacts]
    part: Configuration | Image
    key: Key
    holder: Firmware | None
    seal: Seal
    signature: Signature | None
    why: str = ""

    @property
    def name(self) -> str:
        """The configuration or the image."""
        return self.part.name

    @property
    def refused(self) -> bool:
        """Whether the boot program does not start it for that."""
        return bool(self.key.required) and self.seal in {Seal.BAD, Seal.MISSING}


def keys_of(tree: flat_tree.Tree) -> tuple[Key, ...]:
    """Read the keys of a control device tree: the children of /signature."""
    holder = tree.get("/signature")
    if holder is None:
        return ()
    return tuple(
        Key(
            node.text("key-name-hint") or node.name.removeprefix("key-"),
            node.text("algo") or "",
            node.text("required"),
            holder.text("required-mode") == "any",
            node,
        )
        for node in holder.children
        if "rsa,modulus" in node.properties or "ecdsa,x-point" in node.properties
    )


def signed_of(build: Build, firmware: tuple[Firmware, ...]) -> tuple[Signed, ...]:
    """Hold every FIT's configurations against the keys of the program that reads them."""
    found: list[Signed] = []
    for holder in firmware:
        keys = [key for tree in holder.trees for key in keys_of(tree.tree)]
        for node in build.of(FitFacts) if keys else ():
            for signed in _by(node, keys, holder):
                found.append(signed)
                if len(found) > _MOST:
                    why = f"only {_MOST:,} pairs of signatures and keys are verified"
                    bounds.left_out(node.content.name, why)
                    return tuple(found)
    return tuple(found)


def unread_of(
    build: Build, firmware: tuple[Firmware, ...]
) -> Iterator[tuple[Node[FitFacts], Configuration | Image, Signature, Firmware | None]]:
    """Give the signatures that no key is held against, each with the boot program that reads it.

    Without the program, or without its device tree, nothing tells which keys there are: None.
    """
    for node in build.of(FitFacts):
        parts: list[Configuration | Image] = [*node.facts.configurations, *node.facts.images]
        for part in parts:
            first = isinstance(part, Configuration) and part.first_stage
            reads = Program.SPL if first else Program.U_BOOT
            programs = [item for item in firmware if item.program is reads and item.trees]
            keys = [key for item in programs for tree in item.trees for key in keys_of(tree.tree)]
            if any(key.required for key in keys):
                continue  # what it demands is there or missed, and `signed_of` says so
            for signature in part.signatures:
                if all(signature.key_name_hint not in {None, key.name} for key in keys):
                    yield node, part, signature, programs[0] if programs else None


def signed_with(build: Build, keys: Iterable[Key]) -> Iterator[Signed]:
    """Hold what is signed in a build against keys that were found alone, in a device tree."""
    for node in build.of(FitFacts):
        signed = _by(node, list(keys), None)
        for item in bounds.within(signed, _MOST, node.content.name, "signatures"):
            if item.signature is not None:
                yield item


def _by(node: Node[FitFacts], keys: list[Key], holder: Firmware | None) -> Iterator[Signed]:
    """Hold what a boot program reads of a FIT against its keys, each of what it is for."""
    facts = node.facts
    for choice in facts.configurations:
        reads = Program.SPL if choice.first_stage else Program.U_BOOT
        mine = holder is None or holder.program is reads
        if mine and (choice.kernel or choice.first_stage):
            yield from _held(node, choice, holder, [k for k in keys if k.required != "image"])
    images = (facts.image(name) for name in _read(facts, holder))
    for image in images:
        if image is not None:
            yield from _held(node, image, holder, [k for k in keys if k.required == "image"])


def _read(facts: FitFacts, holder: Firmware | None) -> Iterable[str]:
    """Name the images that `bootm` looks at, whichever configuration is chosen."""
    if holder is not None and holder.program is not Program.U_BOOT:
        return ()
    choices = [choice for choice in facts.configurations if choice.kernel]
    named = (
        name
        for choice in choices
        for name in (choice.kernel, choice.ramdisk, *choice.fdt, *choice.loadables)
    )
    return [name for name in dict.fromkeys(named) if name is not None]


def _held(
    node: Node[FitFacts], part: Configuration | Image, holder: Firmware | None, keys: list[Key]
) -> Iterator[Signed]:
    for key in keys:
        seal, why, signature = Seal.MISSING, "", None
        for tried in part.signatures:
            named = tried.key_name_hint in {None, key.name}
            # U-Boot tries a required key on every signature, whatever its hint (rsa_verify_hash).
            if not tried.value_size or not (named or key.required):
                continue
            result, said = _verify(node, part, tried, key)
            if named or result is Seal.GOOD:
                seal, why, signature = result, said, tried
            if result is Seal.GOOD:
                break
        yield Signed(
            fit=node, part=part, key=key, holder=holder, seal=seal, signature=signature, why=why
        )


def _verify(
    node: Node[FitFacts], part: Configuration | Image, signature: Signature, key: Key
) -> tuple[Seal, str]:
    """Verify one signature of a configuration, or of an image's data, with one key."""
    view, facts = node.content.view, node.facts
    if view is None:
        return Seal.UNKNOWN, "the FIT's bytes were not kept"
    folder = "images" if isinstance(part, Image) else "configurations"
    found = facts.tree.get(f"/{folder}/{part.name}/{signature.name}")
    value = found.properties.get("value") if found is not None else None
    # The signature says how it was made; of the key only its kind counts (lib/ecdsa, lib/rsa).
    digest, _, scheme = (signature.algo or "").partition(",")
    curve = "ecdsa,x-point" in key.node.properties
    if value is None or scheme.startswith("ecdsa") is not curve:
        return Seal.BAD, ""
    if digest not in {"sha1", "sha256", "sha384", "sha512"}:
        return Seal.UNKNOWN, f"the digest {digest} is not known here"
    hashed = hashlib.new(digest, usedforsecurity=False)
    try:
        whole = isinstance(part, Image)
        for piece in _data(view, part) if whole else _covered(view, facts, signature):
            hashed.update(piece)
    except ImgauditError:
        return Seal.BAD, ""
    try:
        return _check(key, signature, value.value, hashed.digest())
    except ImportError:
        return Seal.UNKNOWN, "the package cryptography is not installed (imgaudit[signatures])"


def _data(view: View, part: Configuration | Image) -> Iterator[bytes]:
    """Give an image's data, which is all that its own signature covers."""
    if isinstance(part, Image) and part.data_offset is not None and part.data_size:
        yield view.bytes(part.data_offset, part.data_size)


def _covered(view: View, facts: FitFacts, signature: Signature) -> Iterator[bytes]:
    """Give the bytes that a configuration's signature covers."""
    spans = flat_tree.signed_spans(view, facts.tree, frozenset(signature.hashed_nodes), _WITHOUT)
    for span in spans:
        yield view.bytes(span.start, span.size)
    if len(signature.hashed_strings) >= 2:
        size = min(signature.hashed_strings[1], facts.header.size_dt_strings)
        yield view.bytes(facts.header.off_dt_strings, size)


def _check(key: Key, signature: Signature, value: bytes, hashed: bytes) -> tuple[Seal, str]:
    """Verify a digest's signature; the digest is one of those named below."""
    from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
    from cryptography.hazmat.primitives import hashes
    from cryptography.hazmat.primitives.asymmetric import ec, padding, rsa
    from cryptography.hazmat.primitives.asymmetric.utils import Prehashed, encode_dss_signature

    algorithms: dict[str, HashAlgorithm] = {
        "sha1": hashes.SHA1(),  # noqa: S303 - what a FIT was signed with is a fact
        "sha256": hashes.SHA256(),
        "sha384": hashes.SHA384(),
        "sha512": hashes.SHA512(),
    }
    digest, _, scheme = (signature.algo or "").partition(",")
    algorithm = algorithms[digest]
    try:
        if scheme.startswith("rsa"):
            numbers = rsa.RSAPublicNumbers(
                int.from_bytes(key.node.properties["rsa,exponent"].value, "big")
                if "rsa,exponent" in key.node.properties
                else 65537,
                int.from_bytes(key.node.properties["rsa,modulus"].value, "big"),
            )
            how: padding.AsymmetricPadding = padding.PKCS1v15()
            if signature.padding == "pss":
                how = padding.PSS(padding.MGF1(algorithm), padding.PSS.AUTO)
            numbers.public_key().verify(value, hashed, how, Prehashed(algorithm))
        elif scheme.startswith("ecdsa"):
            half = len(value) // 2
            named = key.node.text("ecdsa,curve")
            wide = named == "secp384r1" or (named is None and scheme == "ecdsa384")
            curve: ec.EllipticCurve = ec.SECP384R1() if wide else ec.SECP256R1()
            point = ec.EllipticCurvePublicNumbers(
                int.from_bytes(key.node.properties["ecdsa,x-point"].value, "big"),
                int.from_bytes(key.node.properties["ecdsa,y-point"].value, "big"),
                curve,
            )
            both = (int.from_bytes(value[:half], "big"), int.from_bytes(value[half:], "big"))
            point.public_key().verify(
                encode_dss_signature(*both), hashed, ec.ECDSA(Prehashed(algorithm))
            )
        else:
            return Seal.UNKNOWN, f"the scheme {scheme} is not known here"
    except InvalidSignature:
        return Seal.BAD, ""
    except (ValueError, KeyError, UnsupportedAlgorithm):
        return Seal.UNKNOWN, f"the key {key.name} cannot be read"
    return Seal.GOOD, ""

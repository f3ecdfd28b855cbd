"""Signatures of FITs, held against the keys that the boot program before carries."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from imgaudit.boot.firmware import Firmware
from imgaudit.boot.signatures import Seal, Signed, keys_of, unread_of
from imgaudit.contents.place import Node
from imgaudit.formats import flat_tree
from imgaudit.formats.fit import FitFacts
from imgaudit.formats.fit import Signature as FitSignature
from imgaudit.formats.view import View
from imgaudit.rules import samples as sample
from imgaudit.rules.cited import PRACTICE, in_u_boot
from imgaudit.rules.engine import Example, NotChecked, Outcome, Rule, Severity, check
from imgaudit.rules.examples import nor
from imgaudit.rules.firmware import FIRMWARE, U_BOOTS, u_boot
from imgaudit.rules.subject import Subject
from imgaudit.writers import signature
from imgaudit.writers.fdt import Tree

_ELSEWHERE = "written-elsewhere: {uboot-config: u-boot.config}\n"
_NODES = ("/", "/configurations/conf", "/images/kernel", "/images/kernel/hash-1")


def signed_fit(*, hint: str = signature.NAME, sign: bool = True, entry: int = 0) -> bytes:
    """Write a FIT whose one configuration is signed with the examples' key."""
    node: Tree = {
        "algo": signature.ALGORITHM,
        "key-name-hint": hint,
        "sign-images": ["kernel"],
        "hashed-nodes": list(_NODES),
        "hashed-strings": (0, 0),
        "value": bytes(signature.SIZE),
    }
    if not sign:
        del node["value"]
    kernel = sample.kernel({"entry": sample.KERNEL_AT + entry})
    data = sample.fit(
        {"kernel": kernel}, configurations={"conf": {"kernel": "kernel", "signature-1": node}}
    )
    if not sign:
        return data
    tree = flat_tree.parse(View.of(data))
    covered = b"".join(
        data[span.start : span.end]
        for span in flat_tree.signed_spans(View.of(data), tree, _NODES, {"data"})
    )
    place = tree.root.child("configurations")
    found = tree.get("/configurations/conf/signature-1") if place else None
    at = found.offsets["value"] if found else 0
    return data[:at] + signature.sign(covered) + data[at + signature.SIZE :]


def _demanding(
    fit: Callable[[], bytes],
    required: str | None = "conf",
    config: str = "",
    *,
    keyed: bool = True,
) -> Example:
    """Give a board whose U-Boot has the examples' key, or none."""
    made = {"u-boot.config": config.encode} if config else {}

    def program() -> bytes:
        keys: Tree = {"signature": {"key-tide": signature.key(required)}} if keyed else {}
        return u_boot(tree=sample.board_tree(keys))

    return nor(
        "name: u-boot, at: 0, size: 64 KiB, file: u-boot.bin",
        "name: recovery, at: 64 KiB, size: 64 KiB, holds: fit, file: recovery.itb",
        rest=_ELSEWHERE if config else "",
        files={"u-boot.bin": program, "recovery.itb": fit, **made},
    )


_SIGNED = _demanding(signed_fit)


def _required_values(key: str, *, parts: str, program: str, content: str | None = None) -> None: ...


MISSING = Rule(
    name="fit-not-signed-as-required",
    values=_required_values,
    severity=Severity.ERROR,
    message="{content}: {program} demands a signature by the key {key}; {parts} has none",
    effect='U-Boot says "Failed to verify required signature" and does not boot it.',
    fix="Sign it with mkimage -F -k KEYS -K u-boot.dtb -r, with the key that this U-Boot carries.",
    computed="a key of the boot program's device tree has required = conf, and of the"
    " configuration's signatures none verifies with it or has its name as key-name-hint; with"
    " required = image the same of each image that is loaded",
    sources=(
        in_u_boot(
            "boot/image-fit-sig.c",
            "fit_config_verify_required_keys",
            "Failed to verify required signature",
        ),
        in_u_boot("doc/uImage.FIT/signature.txt", "required"),
    ),
    bad=_demanding(sample.fit),
    good=_SIGNED,
)


@check(MISSING)
def fit_signature_missing(subject: Subject) -> Outcome:
    for first, names in _grouped(subject, Seal.MISSING):
        if first.key.required:
            yield MISSING(key=first.key.name, parts=names, program=_program(first)).inside(
                first.fit, at=first.part.offset, length=0
            )


def _bad_values(key: str, *, parts: str, program: str, content: str | None = None) -> None: ...


BAD = Rule(
    name="fit-signature-does-not-verify",
    values=_bad_values,
    severity=Severity.ERROR,
    message="{content}: the signature of {parts} does not verify with the key {key} of {program}",
    effect='Where the key is required U-Boot says "Verification failed" and does not boot it; else'
    " it verifies nothing.",
    fix="Sign the finished FIT again, with the key that this U-Boot carries; change nothing"
    " afterwards.",
    computed="the RSA or ECDSA signature over the nodes in hashed-nodes does not verify with the"
    " key of the same name. A warning where the key is not required",
    sources=(
        in_u_boot("boot/image-fit-sig.c", "fit_config_verify_required_keys"),
        in_u_boot("boot/image-fit-sig.c", says="Verification failed"),
        in_u_boot("doc/uImage.FIT/signature.txt", "hashed-nodes"),
    ),
    bad=_demanding(lambda: signed_fit().replace(b"sample\0", b"simple\0", 1)),
    good=_SIGNED,
)


@check(BAD)
def fit_signature_bad(subject: Subject) -> Outcome:
    for first, names in _grouped(subject, Seal.BAD):
        tried = first.signature
        yield BAD(key=first.key.name, parts=names, program=_program(first)).inside(
            first.fit,
            at=tried.offset if tried is not None else first.part.offset,
            length=0,
            severity=None if first.key.required else Severity.WARNING,
        )
    for first, _ in _grouped(subject, Seal.UNKNOWN):
        yield NotChecked(BAD.name, first.fit.content.name, first.why)


def _unasked_values(key: str, *, told: str, program: str) -> None: ...


UNASKED = Rule(
    name="signatures-not-asked-for",
    severity=Severity.WARNING,
    values=_unasked_values,
    message="the device tree of {program} demands a signature by the key {key}, and it was built"
    " without CONFIG_FIT_SIGNATURE ({told})",
    effect="Nothing is verified: an image that anybody made boots.",
    fix="Set CONFIG_FIT_SIGNATURE=y in U-Boot's configuration, or take the key out.",
    computed="a key with required in /signature of U-Boot's tree, and CONFIG_FIT_SIGNATURE not set",
    sources=(
        in_u_boot("boot/Kconfig", "FIT_SIGNATURE"),
        in_u_boot("doc/uImage.FIT/signature.txt", "required"),
    ),
    bad=_demanding(signed_fit, config="# CONFIG_FIT_SIGNATURE is not set\n"),
    good=_demanding(signed_fit, config="CONFIG_FIT_SIGNATURE=y\n"),
)


def _not_asked(subject: Subject) -> str:
    """Say what tells that U-Boot looks at no signature; "" where nothing does."""
    return subject.copies.options.off("FIT_SIGNATURE") if subject.copies is not None else ""


@check(UNASKED, over=U_BOOTS, given=_not_asked)
def signatures_not_asked_for(holder: Firmware, told: str) -> Outcome:
    keys = [key for tree in holder.trees for key in keys_of(tree.tree) if key.required]
    if keys and told:
        yield UNASKED(
            key=", ".join(dict.fromkeys(key.name for key in keys)),
            told=told,
            program=holder.program.value,
        ).at(region=holder.node.region, artifact=holder.node.artifact.path, key="file")


def _unread_values(key: str, *, parts: str, program: str, content: str | None = None) -> None: ...


UNREAD = Rule(
    name="signature-that-nothing-verifies",
    severity=Severity.WARNING,
    values=_unread_values,
    message="{content}: {parts} is signed for the key {key}, and {program} carries no such key",
    effect="Nothing is verified, whatever the signature holds: an image that anybody made boots.",
    fix="Put the key into U-Boot's device tree, with required = conf (mkimage -K u-boot.dtb -r), or"
    " take the signature out.",
    computed="the program's device tree has no key of the name in key-name-hint, and none that is"
    " required",
    sources=(
        in_u_boot(
            "boot/image-fit-sig.c", "fit_config_verify_required_keys", "No signature node found"
        ),
        in_u_boot("doc/uImage.FIT/signature.txt", "required"),
    ),
    bad=_demanding(signed_fit, keyed=False),
    good=_SIGNED,
)


@check(UNREAD)
def signature_unread(subject: Subject) -> Outcome:
    if subject.layout is None:
        return
    groups: dict[tuple[int, str], list[str]] = {}
    first: dict[tuple[int, str], tuple[Node[FitFacts], FitSignature, Firmware]] = {}
    for node, part, tried, holder in unread_of(subject, subject.firmware):
        if holder is None:
            why = "no device tree of the program that verifies its signatures is at hand"
            yield NotChecked(UNREAD.name, node.content.name, why)
            continue
        key = id(node), tried.key_name_hint or ""
        groups.setdefault(key, []).append(part.name)
        first.setdefault(key, (node, tried, holder))
    for key, (node, tried, holder) in first.items():
        names = groups[key]
        case = UNREAD(
            key=tried.key_name_hint or "of no name",
            parts=", ".join(names[:4]),
            program=holder.program.value,
        )
        yield case.inside(node, at=tried.offset, length=0)


def _program(signed: Signed) -> str:
    return signed.holder.program.value if signed.holder is not None else ""


def _grouped(subject: Subject, seal: Seal) -> Iterator[tuple[Signed, str]]:
    """Give each FIT and key once, with the configurations that have this fault.

    Where any one of the required keys is enough, those that verify speak for the others.
    """
    enough = {
        (id(item.fit), item.name)
        for item in subject.signed
        if item.seal is Seal.GOOD and item.key.any_is_enough
    }
    groups: dict[tuple[int, str], list[Signed]] = {}
    for item in subject.signed:
        if item.seal is seal and (id(item.fit), item.name) not in enough:
            groups.setdefault((id(item.fit), item.key.name), []).append(item)
    for items in groups.values():
        yield items[0], ", ".join(item.name for item in items[:4])


def _example_key_values(key: str, *, program: str) -> None: ...


_EXAMPLES = frozenset({"dev", "test", "demo", "example", "sample", "snakeoil", "testkey", "devkey"})


def _keyed(hint: str) -> Example:
    def program() -> bytes:
        return u_boot(tree=sample.board_tree({"signature": {f"key-{hint}": _named(hint)}}))

    return nor("name: u-boot, at: 0, size: 64 KiB, file: u-boot.bin", files={"u-boot.bin": program})


def _named(hint: str) -> Tree:
    return {**signature.key("conf"), "key-name-hint": hint}


EXAMPLE_KEY = Rule(
    name="signing-key-named-as-an-example",
    values=_example_key_values,
    severity=Severity.WARNING,
    message="{program} demands signatures by a key that is called {key!r}, as in the examples of"
    " the documentation",
    effect="Where it is the key of an example or of a developer's machine, many can sign what the"
    " board starts.",
    fix="Make a key for this product, keep it where only the release can use it, and name it so.",
    computed="the name of a required key in the device tree of a boot program, without digits and"
    " signs, is one that examples use: dev, test, demo and the like",
    sources=(in_u_boot("doc/uImage.FIT/signature.txt", says='key-name-hint = "dev";'), PRACTICE),
    bad=_keyed("dev"),
    good=_keyed("gauge-release"),
)


@check(EXAMPLE_KEY, over=FIRMWARE)
def example_key(item: Firmware) -> Outcome:
    for key in (key for tree in item.trees for key in keys_of(tree.tree)):
        if key.required and key.name.lower().strip("0123456789-_.") in _EXAMPLES:
            case = EXAMPLE_KEY(key=key.name, program=item.node.content.name)
            yield case.inside(item.node, at=0, length=0)

"""FIT signatures that mkimage made (Debian's u-boot-tools), and what changes do to them."""

from __future__ import annotations

import subprocess
from functools import partial
from pathlib import Path

import pytest

from imgaudit.boot.signatures import Seal, keys_of
from imgaudit.formats import fdt, flat_tree
from imgaudit.formats.view import View
from imgaudit.proof.records import Verdict
from imgaudit.report.text import render
from imgaudit.rules import checks
from imgaudit.rules import samples as sample
from imgaudit.rules._boot import scripted, whole_fit
from imgaudit.rules.built import subject_of
from imgaudit.rules.engine import Example, Finding, NotChecked
from imgaudit.rules.firmware import u_boot
from imgaudit.rules.signatures import _demanding, signed_fit
from imgaudit.tasks import audit
from imgaudit.tasks.inspect import inspect
from imgaudit.units import KIB
from imgaudit.writers import signature

SOURCE = """/dts-v1/;
/ {{
  description = "signed"; #address-cells = <1>;
  images {{
    kernel {{ description = "k"; data = /incbin/("kernel.bin"); type = "kernel"; arch = "arm64";
      os = "linux"; compression = "none"; load = <0x80200000>; entry = <0x80200000>;
      hash-1 {{ algo = "sha256"; }}; }};
    fdt-1 {{ description = "f"; data = /incbin/("board.dtb"); type = "flat_dt"; arch = "arm64";
      compression = "none"; hash-1 {{ algo = "sha256"; }}; }};
  }};
  configurations {{
    default = "conf-1";
    conf-1 {{ description = "c"; kernel = "kernel"; fdt = "fdt-1";
      signature-1 {{ algo = "{algorithm}"; key-name-hint = "{hint}"; {padding}
        sign-images = "kernel", "fdt"; }}; }};
  }};
}};
"""


def run(folder: Path, *words: str) -> None:
    ran = subprocess.run(words, cwd=folder, capture_output=True, text=True, check=False)
    assert ran.returncode == 0, ran.stdout + ran.stderr


def signed(
    folder: Path, algorithm: str, *, padding: str = "", hint: str = "dev", source: str = ""
) -> bytes:
    """Let mkimage sign a FIT and write the key into board.dtb's copy, u-boot.dtb."""
    (folder / "kernel.bin").write_bytes(sample.arm64_kernel())
    (folder / "board.dtb").write_bytes(sample.board_tree())
    # For a curve mkimage wants the node to be there (lib/ecdsa/ecdsa-libcrypto.c).
    (folder / "u-boot.dtb").write_bytes(sample.board_tree({"signature": {}}))
    keys = folder / "keys"
    keys.mkdir(exist_ok=True)
    curve = {"ecdsa256": "prime256v1", "ecdsa384": "secp384r1"}.get(algorithm.partition(",")[2])
    source = (source or SOURCE).format(algorithm=algorithm, padding=padding, hint=hint)
    (folder / "image.its").write_text(source)
    run(folder, "mkimage", "-D", "-I dts -O dtb -p 4096", "-f", "image.its", "image.itb")
    if curve is not None:
        words = ("openssl", "ecparam", "-genkey", "-noout", "-name", curve)
        run(folder, *words, "-out", f"keys/{hint}.pem")
    elif not (keys / f"{hint}.key").exists():
        run(folder, "openssl", "genrsa", "-out", f"keys/{hint}.key", algorithm.partition("rsa")[2])
        subject = ("-subj", "/CN=example")
        run(
            folder,
            *("openssl", "req", "-batch", "-new", "-x509", "-key", f"keys/{hint}.key"),
            *("-out", f"keys/{hint}.crt", *subject),
        )
    run(folder, "mkimage", "-F", "-k", "keys", "-K", "u-boot.dtb", "-r", "image.itb")
    return (folder / "image.itb").read_bytes()


def board(fit: bytes, tree: bytes) -> Example:
    return Example(
        "layout: 1\nboard: example\narch: arm64\n"
        "chips: {nor: {kind: spi-nor, size: 1 MiB, erase-block: 64 KiB}}\nregions:\n"
        "  - {name: u-boot, chip: nor, at: 0, size: 64 KiB, holds: raw, file: u-boot.bin,"
        " writer: release}\n"
        "  - {name: recovery, chip: nor, at: 64 KiB, size: 128 KiB, holds: fit,"
        " file: recovery.itb, writer: release}\n",
        {"u-boot.bin": lambda: u_boot(tree=tree), "recovery.itb": lambda: fit},
    )


def seals(fit: bytes, tree: bytes) -> list[Seal]:
    return [item.seal for item in subject_of(board(fit, tree)).signed]


@pytest.mark.oracle
@pytest.mark.parametrize("algorithm", ["sha256,rsa2048", "sha1,rsa2048", "sha256,rsa4096"])
@pytest.mark.parametrize("padding", ["", 'padding = "pss";'])
def test_what_mkimage_signs_verifies(tmp_path: Path, algorithm: str, padding: str) -> None:
    fit = signed(tmp_path, algorithm, padding=padding)
    tree = (tmp_path / "u-boot.dtb").read_bytes()
    (key,) = keys_of(fdt.read(View.of(tree)).tree)
    assert (key.name, key.algorithm, key.required) == ("dev", algorithm, "conf")
    assert seals(fit, tree) == [Seal.GOOD]


@pytest.mark.oracle
@pytest.mark.parametrize("algorithm", ["sha256,ecdsa256", "sha384,ecdsa256"])
def test_what_mkimage_signs_with_a_curve_verifies(tmp_path: Path, algorithm: str) -> None:
    fit = signed(tmp_path, algorithm)
    tree = (tmp_path / "u-boot.dtb").read_bytes()
    (key,) = keys_of(fdt.read(View.of(tree)).tree)
    # mkimage 2023.01 writes neither algo nor required beside the point of a curve.
    assert (key.name, key.node.text("ecdsa,curve")) == ("dev", "prime256v1")
    assert seals(fit, tree) == [Seal.GOOD]
    places = {node.path: node.offsets for node in flat_tree.parse(View.of(fit)).root.walk()}
    value = places["/configurations/conf-1/signature-1"]["value"]
    for at in (value, value + 63, places["/images/kernel/hash-1"]["value"]):
        changed = fit[:at] + bytes([fit[at] ^ 1]) + fit[at + 1 :]
        assert seals(changed, tree) == [Seal.BAD], hex(at)
    other = tmp_path / "other"
    other.mkdir()
    assert seals(signed(other, algorithm), tree) == [Seal.BAD]
    assert seals(signed(other, algorithm, hint="field"), tree) == [Seal.MISSING]


OF_IMAGES = SOURCE.replace(
    """hash-1 {{ algo = "sha256"; }}; }};""",
    """hash-1 {{ algo = "sha256"; }};
      signature-1 {{ algo = "{algorithm}"; key-name-hint = "{hint}"; {padding} }}; }};""",
).replace(
    """
      signature-1 {{ algo = "{algorithm}"; key-name-hint = "{hint}"; {padding}
        sign-images = "kernel", "fdt"; }}; }};""",
    " }};",
)


@pytest.mark.oracle
def test_a_key_that_is_demanded_of_each_image(tmp_path: Path) -> None:
    fit = signed(tmp_path, "sha256,rsa2048", source=OF_IMAGES)
    tree = (tmp_path / "u-boot.dtb").read_bytes()
    (key,) = keys_of(fdt.read(View.of(tree)).tree)
    assert key.required == "image"
    assert seals(fit, tree) == [Seal.GOOD, Seal.GOOD]
    places = {node.path: node.offsets for node in flat_tree.parse(View.of(fit)).root.walk()}
    at = places["/images/fdt-1"]["data"]
    assert seals(fit[:at] + bytes([fit[at] ^ 1]) + fit[at + 1 :], tree) == [Seal.GOOD, Seal.BAD]
    assert seals(sample.fit(), tree) == [Seal.MISSING]


@pytest.mark.oracle
def test_a_foreign_key_and_changed_bytes_do_not(tmp_path: Path) -> None:
    fit = signed(tmp_path, "sha256,rsa2048")
    tree = (tmp_path / "u-boot.dtb").read_bytes()
    other = tmp_path / "other"
    other.mkdir()
    foreign = signed(other, "sha256,rsa2048")
    assert seals(foreign, tree) == [Seal.BAD]
    unnamed = signed(other, "sha256,rsa2048", hint="field")
    assert seals(unnamed, tree) == [Seal.MISSING]
    places = {node.path: node.offsets for node in flat_tree.parse(View.of(fit)).root.walk()}
    value = places["/configurations/conf-1/signature-1"]["value"]
    hashed = places["/images/kernel/hash-1"]["value"]
    data = places["/images/kernel"]["data"]
    kernel = places["/configurations/conf-1"]["kernel"]
    for at in (value, value + 255, hashed, kernel):
        changed = fit[:at] + bytes([fit[at] ^ 1]) + fit[at + 1 :]
        assert seals(changed, tree) == [Seal.BAD], hex(at)
    # The data itself is what the hash stands for: that is another finding.
    changed = fit[:data] + bytes([fit[data] ^ 1]) + fit[data + 1 :]
    assert seals(changed, tree) == [Seal.GOOD]


def findings(name: str, example: Example) -> tuple[list[Finding], list[NotChecked]]:
    result = audit.run(subject_of(example), only=[checks()[name]])
    return list(result.findings), list(result.not_checked)


def test_a_key_that_is_not_required_warns_only() -> None:
    changed = signed_fit().replace(b"sample\0", b"simple\0", 1)
    found, _ = findings("fit-signature-does-not-verify", _demanding(lambda: changed, None))
    assert [item.severity.value for item in found] == ["warning"]
    found, _ = findings("fit-not-signed-as-required", _demanding(sample.fit, None))
    assert found == []


def test_a_required_key_is_tried_whatever_the_hint() -> None:
    # Source: U-Boot lib/rsa/rsa-verify.c, rsa_verify_hash: "See if we must use a particular key".
    other = partial(signed_fit, hint="harbour")
    for name in ("fit-not-signed-as-required", "fit-signature-does-not-verify"):
        assert findings(name, _demanding(other)) == ([], [])
    changed = other().replace(b"sample\0", b"simple\0", 1)
    found, _ = findings("fit-not-signed-as-required", _demanding(lambda: changed))
    assert len(found) == 1


def test_without_the_library_nothing_passes(monkeypatch: pytest.MonkeyPatch) -> None:
    import sys

    monkeypatch.setitem(sys.modules, "cryptography.exceptions", None)
    found, open_ = findings("fit-signature-does-not-verify", _demanding(signed_fit))
    assert found == []
    assert ["not installed" in item.why for item in open_] == [True]


@pytest.mark.parametrize("at", range(0, 4 * KIB, 61))
def test_damage_never_raises(at: int) -> None:
    fit = signed_fit()
    at %= len(fit)
    subject_of(_demanding(lambda: fit[:at] + b"\xff" + fit[at + 1 :]))


@pytest.mark.parametrize(
    ("required", "verdict"), [("conf", Verdict.REFUTED), (None, Verdict.PROVEN)]
)
def test_a_stage_that_lacks_a_demanded_signature_is_refuted(
    required: str | None, verdict: Verdict
) -> None:
    tree = sample.board_tree({"signature": {"key-tide": signature.key(required)}})
    where = "name: u-boot, at: 0, size: 64 KiB, file: u-boot.bin"
    example = scripted(
        itb=whole_fit, regions=(where,), files={"u-boot.bin": lambda: u_boot(tree=tree)}
    )
    assert verdicts(example) == [verdict]


def verdicts(example: Example) -> list[Verdict]:
    return [item.verdict for item in subject_of(example).proofs if item.taken]


@pytest.mark.oracle
def test_inspect_shows_keys_and_what_verifies(tmp_path: Path) -> None:
    (tmp_path / "image.itb").write_bytes(signed(tmp_path, "sha256,rsa2048"))
    names = [str(tmp_path / name) for name in ("image.itb", "u-boot.dtb")]
    report = inspect(names)
    assert report.status == 0
    shown = render(report)
    assert "signature-1 of conf-1: sha256,rsa2048 by the key dev, over kernel, fdt" in shown
    assert "key dev: sha256,rsa2048, demanded of each configuration" in shown
    assert "with the key dev of" in shown
    assert "u-boot.dtb: verifies" in " ".join(shown.split())
    other = tmp_path / "other"
    other.mkdir()
    signed(other, "sha256,rsa2048")
    report = inspect([names[0], str(other / "u-boot.dtb")])
    assert report.status == 1
    assert "does not verify" in " ".join(render(report).split())

from __future__ import annotations

import hashlib
import re
import subprocess
import zlib
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.errors import FormatError
from imgaudit.formats import fdt, fit
from imgaudit.formats.facts import Match, Part
from imgaudit.formats.view import View
from imgaudit.rules import samples as sample
from imgaudit.units import Span
from tests.formats.device_trees import Nodes, damaged, write

KERNEL, TREE, RAMDISK = b"\x1f\x8b kernel" * 9, write({"model": "Whimbrel"}), b"070701 ramdisk"


def image(kind: str, data: bytes, **more: object) -> dict[str, object]:
    digest = hashlib.sha256(data).digest()
    return {
        "description": "a part",
        "data": data,
        "type": kind,
        "arch": "arm64",
        "os": "linux",
        "compression": "none",
        "hash-1": {"algo": "sha256", "value": digest},
        **more,
    }


def fit_nodes(**images: object) -> dict[str, object]:
    load = (0, 0x8020_0000)
    return {
        "description": "Whimbrel recovery",
        "timestamp": 1_700_000_000,
        "#address-cells": 2,
        "images": images
        or {
            "kernel": image("kernel", KERNEL, compression="gzip", load=load, entry=load),
            "fdt-1": image("flat_dt", TREE),
            "ramdisk": image("ramdisk", RAMDISK),
        },
        "configurations": {
            "default": "conf-1",
            "conf-1": {
                "description": "board 1",
                "kernel": "kernel",
                "fdt": ["fdt-1", "overlay"],
                "ramdisk": "ramdisk",
                "loadables": ["kernel", "ramdisk"],
                "compatible": ["whimbrel,logger"],
                "cmdline": "quiet",
                "signature-1": {
                    "algo": "sha256,rsa2048",
                    "key-name-hint": "release",
                    "sign-images": ["kernel", "fdt"],
                    "value": bytes(256),
                    "hashed-nodes": ["/", "/configurations/conf-1"],
                    "hashed-strings": (0, 99),
                    "padding": "pss",
                },
            },
        },
    }


FIT = write(fit_nodes())


def read(data: bytes) -> fit.FitFacts:
    return fit.read(View.of(data))


def one(nodes: Nodes, *, tail: bytes = b"") -> tuple[fit.FitFacts, fit.Image]:
    facts = read(write(fit_nodes(it=nodes)) + tail)
    return facts, facts.images[0]


def test_images_are_told_with_their_data() -> None:
    facts = read(FIT)
    assert facts.description == "Whimbrel recovery"
    assert facts.timestamp == 1_700_000_000
    assert facts.address_cells == 2
    assert facts.length == facts.totalsize == len(FIT)
    kernel = facts.image("kernel")
    assert kernel is not None
    assert (kernel.type, kernel.arch, kernel.os, kernel.compression) == (
        "kernel",
        "arm64",
        "linux",
        "gzip",
    )
    assert (kernel.load, kernel.load_cells) == (0x8020_0000, 2)
    assert (kernel.entry, kernel.entry_cells) == (0x8020_0000, 2)
    assert kernel.location == "data"
    assert kernel.data_offset is not None
    assert FIT[kernel.data_offset :].startswith(KERNEL)
    assert kernel.data_size == kernel.data_present == len(KERNEL)
    assert kernel.head == KERNEL[:16]
    assert kernel.missing == facts.missing == ()
    assert facts.image("absent") is None
    assert facts.summary() == f"3 images, 1 configuration, {len(FIT) / 1024:.1f} KiB"


def test_parts_promise_what_the_properties_say() -> None:
    facts = read(FIT)
    assert [(part.name, part.expects) for part in facts.parts()] == [
        ("kernel", "gzip"),
        ("fdt-1", "fdt"),
        ("ramdisk", None),
    ]
    for part, data in zip(facts.parts(), (KERNEL, TREE, RAMDISK), strict=True):
        assert FIT[part.offset : part.offset + part.size] == data


def test_configurations_keep_every_reference() -> None:
    facts = read(FIT)
    assert facts.default == "conf-1"
    assert FIT[facts.offsets["default"] :].startswith(b"conf-1\0")
    found = facts.configuration("conf-1")
    assert found is not None
    assert found.fdt == ("fdt-1", "overlay")
    assert found.loadables == ("kernel", "ramdisk")
    assert (found.kernel, found.ramdisk, found.firmware) == ("kernel", "ramdisk", None)
    assert (found.compatible, found.cmdline) == (("whimbrel,logger",), "quiet")
    assert [(r.role, r.image) for r in found.references] == [
        ("kernel", "kernel"),
        ("fdt", "fdt-1"),
        ("fdt", "overlay"),
        ("ramdisk", "ramdisk"),
        ("loadables", "kernel"),
        ("loadables", "ramdisk"),
    ]
    assert FIT[found.references[1].offset :].startswith(b"fdt-1\0overlay\0")
    (signature,) = found.signatures
    assert (signature.algo, signature.key_name_hint) == ("sha256,rsa2048", "release")
    assert (signature.value_size, signature.padding) == (256, "pss")
    assert signature.sign_images == ("kernel", "fdt")
    assert signature.hashed_nodes == ("/", "/configurations/conf-1")
    assert signature.hashed_strings == (0, 99)
    assert facts.configuration("conf@1") is None


def test_a_fit_without_configurations_says_so() -> None:
    facts = read(write({"images": {"a": image("ramdisk", b"x", load=1)}}))
    assert facts.missing == ("timestamp", "#address-cells", "configurations")
    assert facts.default is None
    assert facts.configurations == ()


@pytest.mark.parametrize(
    ("algo", "value"),
    [
        # Check values of the public catalogue of CRC algorithms for b"123456789": CRC-32/ISO-HDLC
        # and CRC-16/XMODEM, which is what U-Boot calls crc16-ccitt.
        ("crc32", "cbf43926"),
        ("crc16-ccitt", "31c3"),
        ("md5", hashlib.md5(b"123456789", usedforsecurity=False).hexdigest()),
        ("sha1", hashlib.sha1(b"123456789", usedforsecurity=False).hexdigest()),
        ("sha256", hashlib.sha256(b"123456789").hexdigest()),
        ("sha384", hashlib.sha384(b"123456789").hexdigest()),
        ("sha512", hashlib.sha512(b"123456789").hexdigest()),
    ],
)
def test_every_hash_is_recomputed(algo: str, value: str) -> None:
    # Flat Image Tree Specification, chapter 2, "Hash nodes".
    good = {"algo": algo, "value": bytes.fromhex(value)}
    bad = {"algo": algo, "value": bytes.fromhex(value)[:-1] + b"\x55"}
    facts, found = one(image("ramdisk", b"123456789", **{"hash-1": good, "hash-2": bad}))
    first, second = facts.checksums
    assert (first.name, first.algorithm) == ("it/hash-1", algo)
    assert first.matches
    assert first.computed == second.computed == value
    assert second.matches is False
    assert found.data_offset is not None
    assert first.covers == Span.sized(found.data_offset, 9)
    assert found.hashes[0].value == value


def test_a_hash_that_cannot_be_recomputed_says_why() -> None:
    facts, _ = one(
        image(
            "ramdisk",
            b"x",
            **{
                "hash-1": {"algo": "sha3-256", "value": b"1"},
                "hash-2": {"value": b"1"},
                "hash-3": {"algo": "crc32"},
                "hash-4": {"algo": "crc64", "value": b"1"},
            },
        )
    )
    unknown, nameless, without, crc64 = facts.checksums
    assert unknown.computed is nameless.computed is crc64.computed is None
    assert unknown.why == nameless.why == crc64.why == "the algorithm is not known"
    assert without.stored == ""
    assert without.matches is False


def external(where: str, at: int, size: object, digest: bytes = b"") -> dict[str, object]:
    nodes = image("ramdisk", b"")
    del nodes["data"]
    nodes |= {where: at, "hash-1": {"algo": "sha256", "value": digest}}
    return nodes if size is None else nodes | {"data-size": size}


def test_external_data_counts_from_the_aligned_end_of_the_tree() -> None:
    digest = hashlib.sha256(RAMDISK).digest()
    facts, found = one(external("data-offset", 5, len(RAMDISK), digest), tail=b"p" * 8 + RAMDISK)
    assert facts.external_base == (facts.totalsize + 3) // 4 * 4
    shift = facts.totalsize + 8 - facts.external_base
    facts, found = one(
        external("data-offset", shift, len(RAMDISK), digest), tail=b"p" * 8 + RAMDISK
    )
    assert found.location == "data-offset"
    assert found.data_offset == facts.totalsize + 8
    assert facts.checksums[0].matches
    assert facts.length == facts.totalsize + 8 + len(RAMDISK)
    assert [*facts.parts()] == [Part("it", facts.totalsize + 8, len(RAMDISK), None)]


def test_a_position_counts_from_the_start_of_the_file() -> None:
    digest = hashlib.sha256(RAMDISK).digest()
    facts, _ = one(external("data-position", 0x1000, len(RAMDISK), digest))
    tail = bytes(0x1000 - facts.totalsize) + RAMDISK
    facts, found = one(external("data-position", 0x1000, len(RAMDISK), digest), tail=tail)
    assert (found.location, found.data_offset) == ("data-position", 0x1000)
    assert facts.checksums[0].matches


def test_external_data_past_the_end_is_a_fact() -> None:
    facts, found = one(external("data-offset", 0, 100), tail=b"\0\0\0short")
    assert found.data_size == 100
    assert found.data_present == facts.totalsize + 8 - facts.external_base
    assert facts.length == facts.external_base + 100
    (checksum,) = facts.checksums
    assert checksum.computed is None
    assert checksum.why == (
        f"the data ends {100 - found.data_present} bytes past the end of the file"
    )
    assert [*facts.parts()] == []


def test_external_data_without_a_size_is_a_fact() -> None:
    facts, found = one(external("data-position", 0x1000, None))
    assert (found.data_offset, found.data_size, found.data_present) == (0x1000, None, 0)
    assert "data-size" in found.missing
    assert facts.checksums[0].why == "the image has no data"


def test_an_image_without_data_is_a_fact() -> None:
    # Seen in shipped FITs: a node whose data was never included.
    facts, found = one({"description": "x", "type": "flat_dt", "hash-1": {"algo": "crc32"}})
    assert found.location is None
    assert found.missing == ("compression", "arch", "data")
    assert facts.checksums[0].why == "the image has no data"
    assert [*facts.parts()] == []


@pytest.mark.parametrize(
    ("kind", "missing"),
    [
        ("kernel", ("arch", "os", "load", "entry")),
        ("kernel_noload", ("os", "load", "entry")),
        ("firmware", ("arch", "load", "entry")),
        ("standalone", ("arch",)),
        ("ramdisk", ("arch", "os")),
        ("flat_dt", ("arch",)),
        ("fpga", ("compatible",)),
        ("script", ()),
    ],
)
def test_what_is_mandatory_depends_on_the_type(kind: str, missing: tuple[str, ...]) -> None:
    # Flat Image Tree Specification, chapter 2, "(Conditionally) mandatory properties"; os of a
    # ramdisk: U-Boot boot/image-fit.c, fit_image_load; kernel_noload: boot/bootm.c, bootm_find_os.
    _, found = one({"description": "x", "type": kind, "compression": "none", "data": b"x"})
    assert found.missing == missing


def test_encrypted_data_promises_nothing() -> None:
    facts, found = one(image("kernel", b"x", compression="gzip", cipher={"algo": "aes256"}))
    assert found.cipher == "aes256"
    assert [part.expects for part in facts.parts()] == [None]


@pytest.mark.parametrize(("more", "hashed"), [(0, True), (-1, False)])
def test_data_is_hashed_up_to_the_last_byte_of_what_may_be(
    monkeypatch: pytest.MonkeyPatch, more: int, hashed: bool
) -> None:
    data = write(fit_nodes(i=external("data-position", 0, 100)))
    monkeypatch.setattr(fit, "_HASHED_AGAIN", Fraction(100 + more, len(data)))
    (checksum,) = read(data).checksums
    assert (checksum.computed is not None) is hashed


def test_data_claimed_over_and_over_is_hashed_a_few_times_only() -> None:
    nodes = {f"i{at}": external("data-position", at, 4096) for at in range(40)}
    facts = read(write(fit_nodes(**nodes)) + bytes(4096))
    computed = [found.computed is not None for found in facts.checksums]
    assert True in computed
    assert False in computed
    assert sum(computed) * 4096 <= 4 * (facts.totalsize + 4096)
    assert "too many times" in facts.checksums[-1].why


def test_a_fit_is_told_from_a_plain_tree() -> None:
    plain, cut = View.of(TREE), View.of(FIT[:300])
    assert fit.READER.match(View.of(FIT)) is Match.SURE
    assert fit.READER.match(View.of(FIT)) > fdt.READER.match(View.of(FIT))
    assert fit.READER.match(plain) is Match.NO
    assert fit.READER.match(cut) is Match.WEAK
    assert fit.READER.match(View.of(b"")) is Match.NO
    with pytest.raises(FormatError, match="no /images"):
        fit.read(plain)


@given(st.one_of(st.binary(max_size=99), damaged(FIT), damaged(FIT)))
def test_any_bytes_give_facts_or_a_format_error(data: bytes) -> None:
    view = View.of(data)
    fit.READER.match(view)
    try:
        facts = fit.read(view)
    except FormatError:
        return
    facts.summary()
    assert all(0 <= p.offset <= p.offset + p.size <= len(data) for p in facts.parts())


SOURCE = """/dts-v1/;
/ {
    description = "Whimbrel recovery"; #address-cells = <2>;
    images {
        kernel {
            description = "k"; data = /incbin/("kernel"); type = "kernel"; arch = "arm64";
            os = "linux"; compression = "gzip"; load = <0 0x80200000>; entry = <1 0x80200004>;
            hash-1 { algo = "crc32"; }; hash-2 { algo = "md5"; }; hash-3 { algo = "sha1"; };
            hash-4 { algo = "sha256"; }; hash-5 { algo = "sha384"; }; hash-6 { algo = "sha512"; };
            hash-7 { algo = "crc16-ccitt"; };
        };
        fdt-1 {
            description = "d"; data = /incbin/("tree"); type = "flat_dt"; arch = "arm64";
            compression = "none"; hash-1 { algo = "sha256"; };
        };
        ramdisk {
            description = "r"; data = /incbin/("ramdisk"); type = "ramdisk"; arch = "arm64";
            os = "linux"; compression = "none"; hash-1 { algo = "sha1"; };
        };
    };
    configurations {
        default = "conf-1";
        conf-1 {
            description = "c"; kernel = "kernel"; fdt = "fdt-1"; ramdisk = "ramdisk";
            loadables = "ramdisk", "kernel";
        };
    };
};
"""


@pytest.mark.oracle
@pytest.mark.parametrize(
    ("options", "location"),
    [
        ((), "data"),
        (("-E",), "data-offset"),
        (("-E", "-B", "0x200"), "data-offset"),
        (("-E", "-p", "0x4000"), "data-position"),
    ],
)
def test_it_agrees_with_mkimage_and_dumpimage(
    tmp_path: Path, options: tuple[str, ...], location: str
) -> None:
    contents = {"kernel": KERNEL, "fdt-1": TREE, "ramdisk": RAMDISK}
    for name, data in {"kernel": KERNEL, "tree": TREE, "ramdisk": RAMDISK}.items():
        (tmp_path / name).write_bytes(data)
    (tmp_path / "a.its").write_text(SOURCE)
    command = ["mkimage", "-f", "a.its", *options, "a.itb"]
    subprocess.run(command, cwd=tmp_path, check=True, capture_output=True)
    image_bytes = (tmp_path / "a.itb").read_bytes()
    facts = read(image_bytes)

    assert [found.location for found in facts.images] == [location] * 3
    assert facts.length is not None
    assert facts.length <= len(image_bytes) < facts.length + 0x200
    for part in facts.parts():
        assert image_bytes[part.offset : part.offset + part.size] == contents[part.name]
    assert len(facts.checksums) == 9
    assert all(found.matches for found in facts.checksums)
    assert facts.missing == ()
    assert not any(found.missing for found in facts.images)
    assert facts.images[0].entry == 0x1_8020_0004

    command = ["dumpimage", "-l", "a.itb"]
    told = subprocess.run(command, cwd=tmp_path, check=True, capture_output=True).stdout.decode()
    assert re.findall(r"Hash value: +(\w+)", told) == [c.stored for c in facts.checksums]
    assert re.findall(r"Image \d+ \(([^)]+)\)", told) == [found.name for found in facts.images]
    assert re.findall(r"Data Size: +(\d+)", told) == [str(f.data_size) for f in facts.images]
    assert "Default Configuration: 'conf-1'" in told
    assert zlib.crc32(KERNEL) == int(facts.checksums[0].stored, 16)


@pytest.mark.oracle
def test_one_changed_byte_of_data_is_one_wrong_image(tmp_path: Path) -> None:
    for name, data in {"kernel": KERNEL, "tree": TREE, "ramdisk": RAMDISK}.items():
        (tmp_path / name).write_bytes(data)
    (tmp_path / "a.its").write_text(SOURCE)
    command = ["mkimage", "-f", "a.its", "-E", "a.itb"]
    subprocess.run(command, cwd=tmp_path, check=True, capture_output=True)
    image_bytes = bytearray((tmp_path / "a.itb").read_bytes())
    ramdisk = read(bytes(image_bytes)).image("ramdisk")
    assert ramdisk is not None
    assert ramdisk.data_offset is not None
    image_bytes[ramdisk.data_offset] ^= 1
    wrong = [found.name for found in read(bytes(image_bytes)).checksums if not found.matches]
    assert wrong == ["ramdisk/hash-1"]


@pytest.mark.oracle
def test_signatures_of_mkimage_are_told(tmp_path: Path) -> None:
    for name, data in {"kernel": KERNEL, "tree": TREE, "ramdisk": RAMDISK}.items():
        (tmp_path / name).write_bytes(data)
    last = 'loadables = "ramdisk", "kernel";'
    signature = (
        ' signature-1 { algo = "sha256,rsa2048"; key-name-hint = "release"; '
        'sign-images = "kernel", "fdt"; };'
    )
    (tmp_path / "a.its").write_text(SOURCE.replace(last, last + signature))
    key = ["openssl", "genrsa", "-out", "release.key", "2048"]
    subprocess.run(key, cwd=tmp_path, check=True, capture_output=True)
    request = ["openssl", "req", "-batch", "-new", "-x509", "-key", "release.key"]
    subprocess.run([*request, "-out", "release.crt"], cwd=tmp_path, check=True, capture_output=True)
    command = ["mkimage", "-f", "a.its", "-k", ".", "a.itb"]
    subprocess.run(command, cwd=tmp_path, check=True, capture_output=True)
    found = read((tmp_path / "a.itb").read_bytes()).configurations[0].signatures[0]
    assert (found.algo, found.key_name_hint) == ("sha256,rsa2048", "release")
    assert found.value_size == 256
    assert found.sign_images == ("kernel", "fdt")
    assert {"/", "/images/kernel", "/images/fdt-1"} <= set(found.hashed_nodes)
    assert "/images/ramdisk" not in found.hashed_nodes


@pytest.mark.parametrize("more", range(5))
def test_external_data_start_at_the_next_word_behind_the_tree(more: int) -> None:
    """U-Boot boot/image-fit.c, fit_image_get_data(): data start at ALIGN(totalsize, 4)."""
    kernel = sample.kernel({"data": (), "data-offset": 0, "data-size": 4})
    tree = sample.fit({"kernel": kernel})
    tree += bytes(-len(tree) % 4)
    data = tree[:4] + (len(tree) + more).to_bytes(4, "big") + tree[8:] + b"tide" * 4
    found = fit.read(View.of(data))
    assert found.external_base == len(tree) + (0, 4, 4, 4, 4)[more]
    assert found.images[0].data_offset == found.external_base

from __future__ import annotations

import binascii
import hashlib
import os
import subprocess
from pathlib import Path

import pytest

from imgaudit.contents.reader import Loader
from imgaudit.rules import checks
from imgaudit.rules import samples as sample
from imgaudit.rules._boot import scripted
from imgaudit.rules.built import subject_of
from imgaudit.rules.engine import Severity
from imgaudit.rules.subject import Subject
from imgaudit.tasks import audit
from imgaudit.units import KIB, MIB
from imgaudit.writers.fdt import Tree
from tests.rules._containers import AT, alone, in_region, of_files

LOAD = sample.KERNEL_AT
KERNEL = sample.arm64_kernel()
DATA_BEHIND: sample.Changes = {"data": (), "data-offset": 0, "data-size": len(KERNEL)}


def test_a_sound_fit_is_silent() -> None:
    assert alone(sample.fit()) == []


def test_hash_mismatch_gives_both_digests_and_the_place_on_the_chip() -> None:
    data = sample.fit()
    at = data.index(KERNEL)
    broken = data[: at + 100] + b"\0" + data[at + 101 :]
    (finding,) = in_region("fit-hash-mismatch", "fit", broken)
    assert finding.offset == AT + at
    assert finding.length == len(KERNEL)
    assert finding.chip == "nor"
    assert finding.values["hash"] == "kernel/hash-1"
    assert finding.values["stored"] == hashlib.sha256(KERNEL).hexdigest()
    wrong = hashlib.sha256(KERNEL[:100] + b"\0" + KERNEL[101:]).hexdigest()
    assert finding.values["computed"] == wrong
    assert wrong[:16] in finding.message
    assert wrong[:17] not in finding.message


def test_hash_without_value_is_a_missing_property_and_no_mismatch() -> None:
    # A source compiled by dtc alone has hash nodes that nobody filled in.
    data = sample.fit({"kernel": sample.kernel({"hash-1": {"algo": "sha256"}})})
    (finding,) = alone(data)
    assert finding.rule.name == "fit-property-missing"
    assert finding.severity is Severity.ERROR
    assert finding.values["missing"] == "hash-1/value"


def test_a_hash_of_an_unknown_kind_is_not_checked() -> None:
    node = sample.kernel({"hash-1": {"algo": "whirlpool", "value": bytes(64)}})
    with Loader() as loader:
        artifact = loader.memory("lone.bin", sample.fit({"kernel": node}))
    subject = Subject(layout=None, others={"lone.bin": artifact})
    result = audit.run(subject, only=[checks()["fit-hash-mismatch"]])
    assert result.findings == ()
    (unchecked,) = result.not_checked
    assert (unchecked.subject, unchecked.why) == (
        "lone.bin/kernel/hash-1",
        "the algorithm is not known",
    )


@pytest.mark.parametrize("algorithm", ["crc32", "md5", "sha1"])
def test_weak_hashes(algorithm: str) -> None:
    value = (
        0
        if algorithm == "crc32"
        else hashlib.new(algorithm, KERNEL, usedforsecurity=False).digest()
    )
    node: sample.Changes = {"hash-1": {"algo": algorithm, "value": value}}
    (finding,) = in_region("fit-hash-weak", "fit", sample.fit({"kernel": sample.kernel(node)}))
    assert finding.severity is Severity.NOTE
    assert finding.values["algorithms"] == algorithm


def _digests(*algorithms: str) -> Tree:
    """Give a kernel's node with the right digests of these kinds."""
    sums: Tree = {
        f"hash-{n}": {
            "algo": algorithm,
            "value": binascii.crc32(KERNEL)
            if algorithm == "crc32"
            else binascii.crc_hqx(KERNEL, 0)
            if algorithm == "crc16-ccitt"
            else hashlib.new(algorithm, KERNEL, usedforsecurity=False).digest(),
        }
        for n, algorithm in enumerate(algorithms, 1)
    }
    return sample.kernel({"hash-1": (), **sums})


@pytest.mark.parametrize(
    ("algorithms", "said"),
    [
        (("sha1", "md5"), "md5 and sha1"),
        (("crc16-ccitt", "crc32", "md5", "sha1"), "crc16-ccitt and crc32 and md5 and sha1"),
        (("crc16-ccitt", "crc32", "md5", "sha1", "sha256"), None),
        (("sha1", "sha512"), None),
        ((), None),
    ],
)
def test_a_strong_hash_beside_weak_ones(algorithms: tuple[str, ...], said: str | None) -> None:
    findings = alone(sample.fit({"kernel": _digests(*algorithms)}), "fit-hash-weak")
    assert [item.values["algorithms"] for item in findings] == ([said] if said else [])


@pytest.mark.parametrize(("count", "said"), [(4, "b, c, d, e"), (5, "b, c, d, e, …")])
def test_of_many_images_four_are_named(count: int, said: str) -> None:
    data = sample.fit(
        {name: sample.kernel() for name in "bcdef"[:count]},
        configurations={"conf": {"kernel": "gone"}},
    )
    (finding,) = alone(data, "fit-configuration-dangling")
    assert finding.values["names"] == said


def test_of_nested_images_each_is_told_with_the_first_that_reaches_furthest() -> None:
    """All three end at one byte; each starts inside the first."""
    size = len(KERNEL)
    images: Tree = {
        name: sample.image({"load": LOAD + at}, payload=bytes([1]) * (3 * size - at))
        for name, at in (("one", 0), ("two", size), ("three", 2 * size))
    }
    images["kernel"] = sample.kernel({"load": LOAD - MIB, "entry": LOAD - MIB})
    parts: Tree = {"conf": {"kernel": "kernel", "loadables": ["one", "two", "three"]}}
    findings = alone(sample.fit(images, configurations=parts), "fit-load-ranges-overlap")
    assert [(item.values["one"], item.values["other"]) for item in findings] == [
        ("one", "two"),
        ("one", "three"),
    ]
    assert [item.values["size"] for item in findings] == [2 * size, size]


def test_a_strong_hash_beside_a_weak_one_is_enough() -> None:
    node = sample.kernel({"hash-2": {"algo": "crc32", "value": 0}})
    assert in_region("fit-hash-weak", "fit", sample.fit({"kernel": node})) == []


def test_header_that_says_more_than_the_file() -> None:
    data = sample.fit()
    longer = data[:4] + (len(data) + 1).to_bytes(4, "big") + data[8:]
    (finding,) = in_region("fit-cut", "fit", longer)
    assert finding.values["short"] == 1
    assert finding.offset == AT + 4


@pytest.mark.parametrize(("cut", "short"), [(0, None), (1, 1), (len(KERNEL), len(KERNEL))])
def test_external_data_up_to_the_last_byte(cut: int, short: int | None) -> None:
    tree = sample.fit({"kernel": sample.kernel(DATA_BEHIND)})
    data = (tree + KERNEL)[: len(tree) + len(KERNEL) - cut]
    findings = in_region("fit-external-data-missing", "fit", data)
    assert [finding.values["short"] for finding in findings] == ([] if short is None else [short])
    assert all(finding.offset == AT + len(tree) for finding in findings)


def test_image_without_data_is_told_once() -> None:
    (finding,) = alone(sample.fit({"kernel": sample.kernel({"data": (), "hash-1": ()})}))
    assert finding.rule.name == "fit-image-without-data"


def test_no_default_is_a_warning_and_a_wrong_one_an_error() -> None:
    rule = "fit-default-configuration-missing"
    (absent,) = in_region(rule, "fit", sample.fit(default=None))
    (wrong,) = in_region(rule, "fit", sample.fit(default="conf@1"))
    assert absent.severity is Severity.WARNING
    assert wrong.severity is Severity.ERROR
    assert wrong.fix == "Let default name one of: conf."


def test_no_configuration_needs_no_default() -> None:
    data = sample.fit(configurations={}, default=None)
    assert in_region("fit-default-configuration-missing", "fit", data) == []


def test_a_name_without_unit_address_finds_the_node_that_has_one() -> None:
    # libfdt, fdt_subnode_offset(): the unit address may be left out.
    data = sample.fit(
        {"kernel@1": sample.kernel()},
        configurations={"conf@1": {"kernel": "kernel"}},
        default="conf",
    )
    (finding,) = alone(data)
    assert finding.rule.name == "fit-node-name-with-at-sign"
    assert finding.values["count"] == 2
    assert finding.values["names"] == "kernel@1, conf@1"


def test_dangling_references_are_told_once_for_all_configurations() -> None:
    data = sample.fit(
        configurations={
            name: {"kernel": "kernel", "loadables": ["kernel", "monitor"]}
            for name in ("conf", "conf-2", "conf-3", "conf-4", "conf-5")
        }
    )
    (finding,) = in_region("fit-configuration-dangling", "fit", data)
    assert finding.values["configurations"] == "conf, conf-2, conf-3, conf-4, …"
    assert finding.values["role"] == "loadables"
    assert data[(finding.offset or 0) - AT :].startswith(b"kernel\0monitor\0")


@pytest.mark.parametrize(
    ("name", "kind", "severity"),
    [
        ("arch", "kernel", Severity.ERROR),
        ("load", "kernel", Severity.ERROR),
        ("compression", "kernel", Severity.ERROR),
        ("description", "kernel", Severity.WARNING),
        ("compression", "ramdisk", Severity.WARNING),
        ("arch", "ramdisk", Severity.ERROR),
        ("os", "ramdisk", Severity.ERROR),
        ("arch", "firmware", Severity.WARNING),
        ("type", "ramdisk", Severity.ERROR),
    ],
)
def test_missing_properties_by_what_uboot_needs(name: str, kind: str, severity: Severity) -> None:
    changes: sample.Changes = {"type": kind, name: ()}
    data = sample.fit({"kernel": sample.kernel(changes)})
    (finding,) = in_region("fit-property-missing", "fit", data)
    assert (finding.values["missing"], finding.severity) == (name, severity)


def test_root_description_is_needed_and_the_timestamp_is_not() -> None:
    rule = "fit-property-missing"
    (error,) = in_region(rule, "fit", sample.fit(changes={"description": ()}))
    (warning,) = in_region(rule, "fit", sample.fit(changes={"timestamp": ()}))
    assert (error.severity, warning.severity) == (Severity.ERROR, Severity.WARNING)


@pytest.mark.parametrize(("cells", "count"), [((0, LOAD), 1), (LOAD, 0)])
def test_cells(cells: int | tuple[int, ...], count: int) -> None:
    data = sample.fit({"kernel": sample.kernel({"load": cells})})
    assert len(in_region("fit-address-cells-mismatch", "fit", data)) == count


XZ = bytes.fromhex("fd377a585a000004e6d6b446")
LZ4_LEGACY = bytes.fromhex("02214c1804000000") + b"\x30abc"


@pytest.mark.parametrize(
    ("kind", "label", "payload", "severity", "advice"),
    [
        ("kernel", "none", sample.packed(KERNEL), Severity.ERROR, '"gzip"'),
        ("kernel", "gzip", KERNEL, Severity.ERROR, '"none"'),
        ("kernel", "gzip", sample.packed(KERNEL), None, ""),
        ("kernel", "lz4", LZ4_LEGACY, Severity.ERROR, "with gzip, lzma"),
        ("kernel", "xz", XZ, Severity.ERROR, "with gzip, lzma"),
        ("flat_dt", "none", sample.packed(sample.board_tree()), Severity.ERROR, '"gzip"'),
        ("ramdisk", "none", XZ, None, ""),
        ("ramdisk", "none", sample.packed(b"tide"), None, ""),
        ("ramdisk", "gzip", sample.packed(b"tide"), Severity.WARNING, '"none"'),
        ("ramdisk", "gzip", XZ, Severity.WARNING, '"none"'),
        ("filesystem", "none", sample.packed(b"tide"), None, ""),
    ],
)
def test_compression_labels(
    kind: str, label: str, payload: bytes, severity: Severity | None, advice: str
) -> None:
    node = sample.image({"type": kind, "compression": label}, payload=payload)
    findings = in_region("fit-compression-mislabelled", "fit", sample.fit({"kernel": node}))
    assert [finding.severity for finding in findings] == ([severity] if severity else [])
    assert all(advice in finding.fix for finding in findings)


def test_encrypted_data_is_not_judged() -> None:
    node = sample.kernel({"compression": "gzip", "cipher": {"algo": "aes256"}}, payload=b"\7" * 64)
    findings = alone(sample.fit({"kernel": node}))
    assert findings == []


def test_what_is_no_device_tree() -> None:
    node = sample.image({"type": "flat_dt"}, payload=b"tide" * 32)
    (finding,) = in_region("fit-image-not-its-type", "fit", sample.fit({"fdt": node}))
    assert finding.values["wanted"] == "Device tree blob"
    assert finding.values["found"] == "no format that is known"


def test_a_damaged_stream_is_judged_by_its_hash_alone() -> None:
    packed = sample.packed(KERNEL)
    node = sample.kernel({"compression": "gzip"}, payload=packed)
    data = sample.fit({"kernel": node})
    broken = data.replace(packed, packed[:30] + b"\xff" * (len(packed) - 30))
    assert [finding.rule.name for finding in alone(broken)] == ["fit-hash-mismatch"]


def test_an_arm_kernel_under_an_arm64_label() -> None:
    node = sample.kernel(payload=sample.zimage())
    (finding,) = in_region("fit-image-not-its-type", "fit", sample.fit({"kernel": node}))
    assert finding.values["found"] == "arm Linux kernel (zImage)"


def overlapping(load: int, payload: bytes = b"tide", **kernel: int) -> list[str]:
    images: Tree = {
        "kernel": sample.kernel(payload=sample.arm64_kernel(**kernel)),
        "ramdisk": sample.image({"load": load}, payload=payload),
    }
    configurations: Tree = {"conf": {"kernel": "kernel", "ramdisk": "ramdisk"}}
    data = sample.fit(images, configurations=configurations)
    return [item.message for item in in_region("fit-load-ranges-overlap", "fit", data)]


def test_load_ranges_by_image_size_and_not_by_the_file() -> None:
    # From memory: kernel at 0x42200000 of 48523776 bytes, ramdisk at 0x45000000: 0x46a00 in.
    load = LOAD + 0x45000000 - 0x42200000
    (message,) = overlapping(load, bytes(0x46A00), image_size=48523776)
    assert f"{LOAD + 48523776:#x}" in message
    assert overlapping(LOAD + 48523776, image_size=48523776) == []


def test_a_kernel_that_does_not_say_takes_16_mib() -> None:
    # U-Boot arch/arm/lib/image.c, booti_setup().
    assert len(overlapping(LOAD + 16 * MIB - 1, image_size=0)) == 1
    assert overlapping(LOAD + 16 * MIB, image_size=0) == []


def test_a_ramdisk_loaded_to_zero_is_left_to_uboot() -> None:
    # U-Boot boot/image-fit.c, FIT_LOAD_OPTIONAL_NON_ZERO.
    assert overlapping(0) == []


def test_a_compressed_kernel_is_measured_unpacked() -> None:
    packed = sample.packed(bytes(64 * KIB))
    images: Tree = {
        "kernel": sample.kernel({"compression": "gzip", "arch": "arm"}, payload=packed),
        "fdt": sample.image({"type": "flat_dt", "load": LOAD + 64 * KIB - 4}),
    }
    choices: Tree = {name: {"kernel": "kernel", "fdt": "fdt"} for name in ("conf", "conf-2")}
    data = sample.fit(images, configurations=choices)
    (finding,) = in_region("fit-load-ranges-overlap", "fit", data)
    assert finding.values["size"] == 4


@pytest.mark.parametrize(
    ("banks", "count"),
    [
        ("{at: 0x80000000, size: 0x210000}", 0),
        ("{at: 0x80000000, size: 0x20ffff}", 1),
        ("{at: 0x80000000, size: 0x201000}, {at: 0x80201000, size: 1 MiB}", 0),
        ("{at: 0x80000000, size: 0x201000}, {at: 0x80202000, size: 1 MiB}", 1),
        ("{at: 0x40000000, size: 1 GiB}", 1),
    ],
)
def test_ram_banks_to_the_byte(banks: str, count: int) -> None:
    rest = f"ram: {{banks: [{banks}]}}\n"
    findings = in_region("fit-load-outside-ram", "fit", sample.fit(), rest=rest)
    assert len(findings) == count


def test_firmware_in_sram_is_no_fault() -> None:
    rest = "ram: {banks: [{at: 0x80000000, size: 16 MiB}]}\n"
    node = sample.image({"type": "firmware", "load": 0xFF3B0000, "entry": 0xFF3B0000})
    assert in_region("fit-load-outside-ram", "fit", sample.fit({"atf": node}), rest=rest) == []


@pytest.mark.parametrize(("entry", "count"), [(-1, 1), (0, 0), (1, 1), (0xFFFF, 1)])
def test_entry_to_the_byte(entry: int, count: int) -> None:
    data = sample.fit({"kernel": sample.kernel({"entry": LOAD + entry})})
    assert len(in_region("fit-entry-outside-kernel", "fit", data)) == count


@pytest.mark.parametrize(
    ("kind", "word", "board", "severity"),
    [
        ("kernel", "arm64", "arm64", None),
        ("kernel", "arm", "arm64", Severity.WARNING),
        ("kernel", "arm64", "arm", Severity.ERROR),
        ("ramdisk", "ppc", "arm64", Severity.ERROR),
        ("firmware", "arm64", "arm", Severity.WARNING),
        ("script", "ppc", "arm64", None),
        ("kernel", "riscv", "riscv64", None),
        ("kernel", "x86_64", "x86", None),
        ("kernel", "aarch64", "arm64", Severity.ERROR),
    ],
)
def test_architectures(kind: str, word: str, board: str, severity: Severity | None) -> None:
    data = sample.fit({"kernel": sample.kernel({"type": kind, "arch": word})})
    findings = in_region("fit-wrong-architecture", "fit", data, arch=board)
    assert [finding.severity for finding in findings] == ([severity] if severity else [])


def test_signatures_that_leave_something_open() -> None:
    filled: Tree = {"algo": "sha256,rsa2048", "value": bytes(256)}
    nodes: Tree = {"hashed-nodes": ["/", "/images/kernel", "/images/kernel/hash-1"]}
    choice: Tree = {"kernel": "kernel", "ramdisk": "ramdisk", "signature-1": filled | nodes}
    images: Tree = {"kernel": sample.kernel(), "ramdisk": sample.image()}
    rule = "fit-signature-incomplete"
    data = sample.fit(images, configurations={"conf": choice})
    (uncovered,) = in_region(rule, "fit", data)
    assert uncovered.values["what"] == "conf/signature-1 does not cover ramdisk"
    choice["signature-1"] = filled
    assert in_region(rule, "fit", sample.fit(images, configurations={"conf": choice})) == []
    data = sample.fit({"kernel": sample.kernel({"signature-1": filled})})
    (mixable,) = in_region(rule, "fit", data)
    assert "no configuration is" in mixable.message


def test_a_fit_inside_another_artifact_is_named_with_its_path() -> None:
    nested = sample.fit({"inner": sample.image(payload=sample.fit(default="conf-9"))})
    findings = [item for item in alone(nested) if item.rule.name.startswith("fit-default")]
    assert [item.values["content"] for item in findings] == ["lone.bin/inner"]
    assert "conf-9" in findings[0].message


SOURCE = """
/dts-v1/;
/ {
    description = "Whimbrel recovery";
    #address-cells = <1>;
    images {
        kernel {
            description = "kernel"; data = /incbin/("Image.gz"); type = "kernel"; arch = "arm64";
            os = "linux"; compression = "gzip"; load = <0x80200000>; entry = <0x80200000>;
            hash-1 { algo = "sha256"; };
        };
        fdt {
            description = "tree"; data = /incbin/("gauge.dtb"); type = "flat_dt"; arch = "arm64";
            compression = "none"; hash-1 { algo = "sha256"; };
        };
        ramdisk {
            description = "rescue"; data = /incbin/("rescue.xz"); type = "ramdisk"; arch = "arm64";
            os = "linux"; compression = "none"; hash-1 { algo = "sha256"; };
        };
    };
    configurations {
        default = "conf";
        conf { description = "all"; kernel = "kernel"; fdt = "fdt"; ramdisk = "ramdisk"; };
    };
};
"""


@pytest.mark.oracle
@pytest.mark.parametrize("external", [[], ["-E"], ["-E", "-p", "0x4000"]])
def test_what_mkimage_makes_is_clean(tmp_path: Path, external: list[str]) -> None:
    (tmp_path / "Image.gz").write_bytes(sample.packed(KERNEL))
    (tmp_path / "gauge.dtb").write_bytes(sample.board_tree())
    (tmp_path / "rescue.xz").write_bytes(XZ + bytes(20))
    (tmp_path / "recovery.its").write_text(SOURCE)
    subprocess.run(
        ["mkimage", *external, "-f", "recovery.its", "recovery.itb"],
        cwd=tmp_path,
        check=True,
        capture_output=True,
        env=os.environ | {"SOURCE_DATE_EPOCH": "1783332000"},
    )
    assert of_files(str(tmp_path / "recovery.itb")) == []


SPL: Tree = {
    "uboot": sample.image({"type": "standalone", "os": "u-boot", "entry": ()}),
    "fdt-1": sample.image({"type": "flat_dt", "arch": ()}, payload=sample.board_tree()),
}


def test_what_spl_does_not_read_is_not_asked_for() -> None:
    """U-Boot's binman writes no arch for the trees of its u-boot.itb (Debian's u-boot-rockchip)."""
    data = sample.fit(SPL, configurations={"conf": {"firmware": "uboot", "fdt": "fdt-1"}})
    assert in_region("fit-property-missing", "fit", data) == []
    # As soon as a configuration for bootm names the tree, its architecture counts.
    both = sample.fit(
        SPL | {"kernel": sample.kernel()},
        configurations={
            "conf": {"firmware": "uboot", "fdt": "fdt-1"},
            "linux": {"kernel": "kernel", "fdt": "fdt-1"},
        },
    )
    (finding,) = in_region("fit-property-missing", "fit", both)
    assert finding.values["missing"] == "arch"


def test_spl_goes_on_without_the_type_of_an_image() -> None:
    """The fdt-1 of Debian's u-boot-starfive 2025.01; U-Boot common/spl/spl_fit.c."""
    images: Tree = {**SPL, "fdt-1": sample.image({"type": ()}, payload=sample.board_tree())}
    data = sample.fit(images, configurations={"conf": {"firmware": "uboot", "fdt": "fdt-1"}})
    (finding,) = in_region("fit-property-missing", "fit", data)
    assert (finding.values["missing"], finding.severity) == ("type", Severity.WARNING)


_COPROCESSOR: Tree = {"type": "firmware", "arch": "or1k", "os": (), "data": ()}


@pytest.mark.parametrize(
    ("changes", "named", "severity"),
    [
        ({}, "loadables", Severity.WARNING),
        ({"os": "u-boot"}, "loadables", Severity.ERROR),
        ({"type": "standalone"}, "loadables", Severity.ERROR),
        ({}, "firmware", Severity.ERROR),
    ],
)
def test_an_empty_firmware_that_spl_loads_beside_u_boot(
    changes: Tree, named: str, severity: Severity
) -> None:
    """Binman writes it so where a build lacks an optional blob (Debian's u-boot-sunxi 2025.01)."""
    scp = sample.image({**_COPROCESSOR, "data": b"", **changes})
    choice: Tree = {"firmware": "uboot", "fdt": "fdt-1", named: "scp"}
    data = sample.fit({**SPL, "scp": scp}, configurations={"conf": choice})
    (finding,) = in_region("fit-image-without-data", "fit", data)
    assert finding.severity is severity
    odd = in_region("fit-wrong-architecture", "fit", data)
    assert bool(odd) is (severity is Severity.ERROR)
    absent = sample.fit({**SPL, "scp": sample.image(_COPROCESSOR)}, configurations={"conf": choice})
    (finding,) = in_region("fit-image-without-data", "fit", absent)
    assert finding.severity is Severity.ERROR


@pytest.mark.parametrize(("role", "told"), [("firmware", 0), ("kernel", 1)])
def test_only_commands_ask_for_a_timestamp(role: str, told: int) -> None:
    """U-Boot boot/image-fit.c, fit_check_format; binman writes none."""
    tree = sample.fit({"uboot": sample.kernel()}, configurations={"conf": {role: "uboot"}})
    data = tree.replace(b"timestamp\0", b"timestomp\0")
    assert data != tree
    assert len(in_region("fit-property-missing", "fit", data)) == told


@pytest.mark.parametrize(
    ("choice", "found"),
    [
        ({"ramdisk": "ramdisk"}, 1),
        ({"loadables": "ramdisk"}, 0),
        ({"kernel": "kernel"}, 0),
    ],
)
def test_the_default_configuration_needs_a_kernel(choice: Tree, found: int) -> None:
    data = sample.fit(
        {"kernel": sample.kernel(), "ramdisk": sample.image()},
        configurations={"conf": choice, "whole": {"kernel": "kernel"}},
    )
    assert len(in_region("fit-default-configuration-without-kernel", "fit", data)) == found


def test_a_kernel_of_another_architecture_than_it_says() -> None:
    data = sample.fit({"kernel": sample.kernel({"arch": "arm"})})
    (finding,) = in_region("fit-image-not-its-type", "fit", data)
    assert "arm64" in finding.values["found"]
    zimage = sample.fit({"kernel": sample.kernel({"arch": "arm"}, payload=sample.zimage())})
    assert in_region("fit-image-not-its-type", "fit", zimage) == []


# One cause, one finding ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("ram", "ramdisk_at", "wanted"),
    [
        ("{at: 0x88000000, size: 128 MiB}", None, "load-outside-ram"),
        ("{at: 0x80000000, size: 256 MiB}", sample.KERNEL_AT + 0xFF00, "loads-overlap"),
    ],
)
def test_a_wrong_load_that_a_script_starts_is_told_once(
    ram: str, ramdisk_at: int | None, wanted: str
) -> None:
    images: Tree = {"kernel": sample.kernel()}
    choice: Tree = {"kernel": "kernel"}
    if ramdisk_at is not None:
        images["ramdisk"] = sample.image({"load": ramdisk_at})
        choice["ramdisk"] = "ramdisk"
    data = sample.fit(images, configurations={"conf": choice})
    example = scripted(itb=lambda: data, ram=f"ram: {{banks: [{ram}]}}\n")
    result = audit.run(subject_of(example))
    about = {"fit-load-outside-ram", "fit-load-ranges-overlap", "load-outside-ram", "loads-overlap"}
    assert [item.rule.name for item in result.findings if item.rule.name in about] == [wanted]


# Each side of an edge -----------------------------------------------------------------------------


@pytest.mark.parametrize(("kind", "found"), [("ramdisk", 0), ("kernel", 1)])
def test_load_0_is_no_address_for_a_ramdisk(kind: str, found: int) -> None:
    """U-Boot boot/image-fit.c, fit_image_load(): load = <0> of a ramdisk is as none."""
    images: Tree = {"kernel": sample.kernel(), "other": sample.image({"type": kind, "load": 0})}
    ram = f"ram: {{banks: [{{at: {LOAD}, size: 4 MiB}}]}}\n"
    findings = in_region("fit-load-outside-ram", "fit", sample.fit(images), rest=ram)
    assert [finding.values["image"] for finding in findings] == ["other"] * found


@pytest.mark.parametrize("over", [0, 1])
def test_a_load_range_may_end_with_its_bank(over: int) -> None:
    size = len(KERNEL)
    image = sample.image({"type": "ramdisk", "load": LOAD + 4 * MIB - size + over}, payload=KERNEL)
    ram = f"ram: {{banks: [{{at: {LOAD}, size: 4 MiB}}]}}\n"
    data = sample.fit({"kernel": sample.kernel(), "ramdisk": image})
    assert len(in_region("fit-load-outside-ram", "fit", data, rest=ram)) == over


@pytest.mark.parametrize("over", [0, 1])
def test_the_entry_is_the_last_byte_of_a_kernel_or_past_it(over: int) -> None:
    end = LOAD + 64 * KIB
    kernel = b"tide" * 16 * KIB
    data = sample.fit({"kernel": sample.kernel({"entry": end - 1 + over}, payload=kernel)})
    assert len(in_region("fit-entry-outside-kernel", "fit", data)) == over

"""The manifest: sealed from a build, written, read back, and refused where it is not one."""

from __future__ import annotations

import contextlib
import copy
import hashlib
import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgaudit.contents.build import FolderStore, read
from imgaudit.contents.reader import IN_MEMORY, Loader
from imgaudit.contents.tree import Content
from imgaudit.demo.build import build
from imgaudit.errors import AuditError
from imgaudit.files import Folder
from imgaudit.formats.view import View
from imgaudit.layout.load import load as load_layout
from imgaudit.layout.load import parse as parse_layout
from imgaudit.release.dumps import regions_only
from imgaudit.release.manifest import (
    MOST_BYTES,
    Manifest,
    SealedFile,
    SealedPayload,
    SealedRegion,
    dump,
    load,
    parse,
    schema,
)
from imgaudit.release.seal import seal, versions
from tests._dumps import Board
from tests._emmc import Emmc

SHA = "5eed" * 16
GOOD: dict[str, Any] = json.loads(dump(Board().manifest()))


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return build(tmp_path_factory.mktemp("whimbrel"))


def sealed(layout: Path) -> Manifest:
    with Loader(full_digests=True) as loader:
        store = FolderStore(Folder(str(layout.parent)), loader)
        return seal(read(regions_only(load_layout(str(layout))), store))


class TestSeal:
    def test_a_manifest_says_what_the_release_is(self, demo: Path) -> None:
        manifest = sealed(demo)
        assert manifest.board == "whimbrel"
        assert manifest.layout_sha256 == hashlib.sha256(demo.read_bytes()).hexdigest()
        layout = load_layout(str(demo))
        assert [region.name for region in manifest.regions] == [
            region.name for region in layout.regions
        ]
        for region in manifest.regions:
            if region.artifact is None:
                assert region.name == "factory"
                continue
            path = demo.parent / region.artifact.path
            digest = hashlib.sha256(path.read_bytes()).hexdigest()
            assert region.artifact.size == path.stat().st_size
            assert region.artifact.sha256 == digest
            assert region.payload is not None
            assert region.payload.sha256 == digest
            assert (region.payload.data_sha256 is not None) == (region.chip == "emmc")

    def test_inner_versions_are_found(self, demo: Path) -> None:
        manifest = sealed(demo)
        versions = {region.name: region.versions for region in manifest.regions}
        assert versions["firmware"] == {
            "u-boot": ("U-Boot 2026.07 (Jul 06 2026 - 12:00:00 +0000) whimbrel",),
            "trusted-firmware": ("v2.15.0(release):whimbrel",),
        }
        assert versions["recovery"]["fit"] == ("Whimbrel recovery 1.0.0",)
        assert len(versions["recovery"]["linux"]) == 1
        assert versions["recovery"]["linux"][0][0].isdigit()
        stored = (demo.parent / "uboot.env").read_bytes()[:4]
        crc = f"{int.from_bytes(stored, 'little'):08x}"
        assert versions["env-a"] == {"environment-crc32": (crc,)}

    def test_the_same_build_gives_the_same_bytes(self, demo: Path) -> None:
        assert dump(sealed(demo)) == dump(sealed(demo))

    def test_the_schema_describes_it(self, demo: Path) -> None:
        jsonschema.Draft202012Validator.check_schema(schema())
        jsonschema.validate(json.loads(dump(sealed(demo))), schema())

    def test_an_incomplete_release_is_not_sealed(self) -> None:
        board = Board()
        del board.files["recovery.bin"]
        with Loader() as loader, pytest.raises(AuditError, match=r"recovery: recovery\.bin is not"):
            seal(read(board.layout, board.store(loader)))
        with pytest.raises(AuditError, match="no artifacts"):
            seal(read(board.layout, None))

    def test_a_cut_stream_is_not_sealed(self) -> None:
        import gzip

        board = Board()
        board.files["recovery.bin"] = gzip.compress(os.urandom(5000))[:-900]
        with Loader() as loader, pytest.raises(AuditError, match="to its end"):
            seal(read(board.layout, board.store(loader)))

    def test_what_lands_in_the_region_is_sealed_unpacked(self) -> None:
        import gzip

        emmc = Emmc()
        # What holds `raw` is written as it is; a file system is unpacked on the way.
        emmc.text = emmc.text.replace("holds: raw, file: boot", "holds: ext4, file: boot")
        plain = emmc.files["boot.bin"]
        whole = emmc.manifest().region("boot")
        emmc.files["boot.bin"] = gzip.compress(plain, mtime=0)
        packed = emmc.manifest().region("boot")
        assert whole is not None
        assert packed is not None
        assert packed.payload == whole.payload
        assert packed.artifact != whole.artifact

    def test_what_is_written_compressed_is_sealed_so(self) -> None:
        import gzip

        emmc = Emmc()
        emmc.files["boot.bin"] = gzip.compress(emmc.files["boot.bin"], mtime=0)
        region = emmc.manifest().region("boot")
        assert region is not None
        assert region.artifact is not None
        assert region.payload is not None
        assert region.payload.sha256 == region.artifact.sha256
        assert region.payload.data_sha256 is None
        chip = emmc.dump()
        assert emmc.read_back(chip, emmc.manifest()).findings == ()
        chip[emmc.boot_at + 9] ^= 1
        (finding,) = emmc.read_back(chip, emmc.manifest()).findings
        assert finding.rule.name == "chip-image-differs-from-manifest"

    def test_a_text_across_pieces_is_found_once(self) -> None:
        # Views are read in pieces of 1 MiB.
        banner = b"U-Boot 2026.07-00012-gabcdef (Jul 06 2026 - 12:00:00 +0000)"
        for start in range((1 << 20) - len(banner) - 2, (1 << 20) + 2, 7):
            data = b"\1" * start + banner + b"\0" + b"\2" * 600_000
            payload = Content(name="f", offset=0, size=len(data), view=View.of(data))
            assert versions(payload) == {"u-boot": (banner.decode(),)}

    def test_files_above_64_mib_are_sealed_exactly(self, tmp_path: Path) -> None:
        text = (
            "layout: 1\nboard: b\narch: arm64\nchips: {emmc: {kind: emmc, sectors: 409600}}\n"
            "regions: [{name: r, chip: emmc, partition: 1, at: 1 MiB, size: 128 MiB, holds: raw,"
            " file: big.bin, writer: release}]\n"
        )
        with (tmp_path / "big.bin").open("wb") as file:
            file.write(b"start")
            file.seek(IN_MEMORY + 5000)
            file.write(b"end")
        with Loader(full_digests=True) as loader:
            store = FolderStore(Folder(str(tmp_path)), loader)
            manifest = seal(read(parse_layout(text.encode(), "l.yaml"), store))
        region = manifest.regions[0]
        digest = hashlib.sha256((tmp_path / "big.bin").read_bytes()).hexdigest()
        assert region.artifact is not None
        assert region.payload is not None
        assert region.artifact.sha256 == region.payload.sha256 == digest
        assert region.artifact.data_sha256 == region.payload.data_sha256


def test_the_data_digest_is_what_the_format_says() -> None:
    region = Emmc().manifest().region("rootfs-a")
    data = Emmc().files["rootfs-a.bin"]
    digest = hashlib.sha256()
    for number in range(-(-len(data) // 65536)):
        block = data[number * 65536 : (number + 1) * 65536]
        if block.strip(b"\0"):
            digest.update(number.to_bytes(8, "little") + hashlib.sha256(block).digest())
    digest.update(len(data).to_bytes(8, "little"))
    assert region is not None
    assert region.payload is not None
    assert region.payload.data_sha256 == digest.hexdigest()


def changed(change: Callable[[dict[str, Any]], object]) -> bytes:
    value = copy.deepcopy(GOOD)
    change(value)
    return json.dumps(value).encode()


def put(key: str, value: object, *path: str) -> Callable[[dict[str, Any]], object]:
    """Set a key of the first region, or of something inside it."""

    def change(manifest: dict[str, Any]) -> None:
        item = manifest["regions"][0]
        for step in path:
            item = item[step]
        item[key] = value

    return change


WRONG: dict[str, tuple[bytes, str]] = {
    "no JSON": (b'{\n  "manifest": ,', r"m\.json:2:15: not JSON"),
    "no object": (b"[]", "expected an object, not \\[\\]"),
    "no UTF-8": (b'{"\xff": 1}', "not UTF-8 from byte 2"),
    "empty": (b"", r"m\.json:1:1: not JSON"),
    "deep": (b"[" * 100_000, "nested deeper"),
    "a key twice": (b'{"manifest": 1, "manifest": 1}', "'manifest' is given twice"),
    "no number": (b'{"manifest": NaN}', "NaN is not a value"),
    "a long number": (b'{"manifest": ' + b"9" * 5000 + b"}", r"m\.json: "),
    "a later version": (
        changed(lambda m: m.update(manifest=2)),
        "its version is 2; this imgaudit reads version 1",
    ),
    "no version": (changed(lambda m: m.pop("manifest")), "the manifest has no 'manifest'"),
    "no board": (changed(lambda m: m.pop("board")), "the manifest has no 'board'"),
    "an unknown key": (changed(lambda m: m.update(extra=1)), "unknown key 'extra'"),
    "a board of no text": (changed(lambda m: m.update(board=["x"])), "board: expected a text"),
    "a short digest": (
        changed(lambda m: m.update({"layout-sha256": SHA[:-1]})),
        "layout-sha256: expected a SHA-256",
    ),
    "regions of no list": (changed(lambda m: m.update(regions={})), "regions: expected a list"),
    "a region twice": (
        changed(lambda m: m["regions"].append(m["regions"][0])),
        r"regions\[6\]\.name: 'firmware' is sealed twice",
    ),
    "a negative place": (
        changed(put("offset", -1)),
        r"regions\[0\]\.offset: expected a number of bytes, not -1",
    ),
    "a fraction": (changed(put("size", 1.5)), r"regions\[0\]\.size: expected a number"),
    "a truth": (changed(put("size", value=True)), r"regions\[0\]\.size: expected a number"),
    "too large": (changed(put("size", 1 << 63)), r"regions\[0\]\.size: expected a number"),
    "upper case": (
        changed(put("sha256", SHA.upper(), "artifact")),
        r"regions\[0\]\.artifact\.sha256: expected a SHA-256",
    ),
    "an artifact of no object": (
        changed(put("artifact", "fip.bin")),
        r"regions\[0\]\.artifact: expected an object",
    ),
    "a payload without its size": (
        changed(lambda m: m["regions"][0]["payload"].pop("size")),
        r"regions\[0\]\.payload has no 'size'",
    ),
    "a version of no list": (
        changed(put("u-boot", "U-Boot", "versions")),
        r"regions\[0\]\.versions\.u-boot: expected a list",
    ),
    "versions of no object": (
        changed(put("versions", [])),
        r"regions\[0\]\.versions: expected an object",
    ),
    "an endless text": (changed(put("name", "x" * 2000)), r"expected a text of 1 to 1024"),
}


class TestRead:
    @pytest.mark.parametrize("name", WRONG)
    def test_what_is_no_manifest_is_refused_with_its_place(self, name: str) -> None:
        data, why = WRONG[name]
        with pytest.raises(AuditError, match=why) as refused:
            parse(data, "m.json")
        assert len(str(refused.value)) < 300

    def test_what_the_reader_takes_the_schema_takes(self) -> None:
        jsonschema.validate(GOOD, schema())
        for name, (data, _) in WRONG.items():
            try:
                value = json.loads(data)
            except (ValueError, RecursionError):
                continue
            if name in {"a region twice", "a key twice"}:
                continue  # JSON Schema cannot say so
            with pytest.raises(jsonschema.ValidationError):
                jsonschema.validate(value, schema())

    def test_a_file_is_read(self, tmp_path: Path) -> None:
        path = tmp_path / "m.json"
        path.write_text(json.dumps(GOOD))
        assert load(str(path)).file == str(path)

    def test_what_is_no_file_is_refused(self, tmp_path: Path) -> None:
        os.mkfifo(tmp_path / "fifo")
        for path in (tmp_path / "none.json", tmp_path, tmp_path / "fifo", Path("/dev/null")):
            with pytest.raises(AuditError, match=path.name):
                load(str(path))

    def test_a_long_file_is_refused_unread(self, tmp_path: Path) -> None:
        with (tmp_path / "m.json").open("wb") as file:
            file.truncate(MOST_BYTES + 1)
        with pytest.raises(AuditError, match="longer than any manifest"):
            load(str(tmp_path / "m.json"))


texts = st.text(min_size=1, max_size=20)
sizes = st.integers(0, (1 << 63) - 1)
digests = st.none() | st.from_regex(r"[0-9a-f]{64}", fullmatch=True)
regions = st.builds(
    SealedRegion,
    name=texts,
    chip=texts,
    offset=sizes,
    size=sizes,
    file_at=sizes,
    artifact=st.none()
    | st.builds(SealedFile, path=texts, size=sizes, sha256=digests, data_sha256=digests),
    payload=st.none() | st.builds(SealedPayload, size=sizes, sha256=digests, data_sha256=digests),
    versions=st.dictionaries(texts, st.lists(texts, max_size=3).map(tuple), max_size=3),
)
manifests = st.builds(
    Manifest,
    file=st.just("m.json"),
    board=texts,
    layout_sha256=st.from_regex(r"[0-9a-f]{64}", fullmatch=True),
    regions=st.lists(regions, max_size=4, unique_by=lambda region: region.name).map(tuple),
)


@given(manifests)
def test_a_manifest_survives_the_round_trip(manifest: Manifest) -> None:
    text = dump(manifest)
    assert text.isascii()
    assert parse(text.encode(), "m.json") == manifest


@given(st.binary(max_size=300))
def test_any_bytes_are_a_manifest_or_refused(data: bytes) -> None:
    with pytest.raises(AuditError):
        parse(data, "m.json")


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner),
    max_leaves=5,
)


@given(st.sampled_from(sorted(GOOD["regions"][0])), json_values)
def test_any_value_is_taken_or_refused(key: str, value: object) -> None:
    data = changed(put(key, value))
    with contextlib.suppress(AuditError):
        parse(data, "m.json")

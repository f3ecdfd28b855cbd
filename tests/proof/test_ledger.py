"""What an audit says of what it did not look at: the edits are our own."""

from __future__ import annotations

import gzip
import random
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from uuid import UUID

import pytest

from imgaudit.contents.build import FolderStore
from imgaudit.contents.reader import Loader
from imgaudit.contents.tree import NO_FORMAT, Content
from imgaudit.demo.build import build
from imgaudit.errors import LayoutError
from imgaudit.files import Folder
from imgaudit.layout.load import load, load_policy, parse
from imgaudit.model import KeepFree, Layout
from imgaudit.proof import ledger
from imgaudit.proof.ledger import Line, Seen
from imgaudit.rules.built import subject_of
from imgaudit.rules.examples import nor
from imgaudit.rules.subject import gather
from imgaudit.tasks import audit
from imgaudit.tasks.audit import Result, Verdict
from imgaudit.units import KIB, MIB
from imgaudit.writers.env import environment
from imgaudit.writers.ext4 import ext4
from imgaudit.writers.tree import directory

Change = Callable[[str], str]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    build(tmp_path)
    return tmp_path


def audited(folder: Path, change: Change = str, layout: Layout | None = None) -> Result:
    path = folder / "whimbrel.yaml"
    # without images: what stands in them again would be compared as well
    text = change(re.sub(r"(?m)^    image: .*\n", "", path.read_text()))
    layout = layout or parse(text.encode(), str(path))
    with Loader() as loader:
        return audit.run(gather(layout, FolderStore(Folder(str(folder)), loader)))


def line(result: Result, kind: str, name: str) -> Line:
    return next(
        item.line for item in result.coverage if (item.line.kind, item.line.name) == (kind, name)
    )


def noise(size: int) -> bytes:
    return random.Random(9).randbytes(size)


def without(region: str, key: str) -> Change:
    pattern = rf"(?m)(^  - name: {region}\n(?:    .*\n)*?)    {key}: .*\n"
    return lambda text: re.sub(pattern, r"\1", text)


def test_the_sound_build_passes_and_nothing_is_open(folder: Path) -> None:
    result = audited(folder)
    assert result.verdict is Verdict.PASSED
    assert [item.line.name for item in result.coverage if item.open] == []
    assert line(result, "region", "env-a").seen is Seen.FOLLOWED
    assert line(result, "region", "recovery").size[Seen.VERIFIED] > 1 << 20
    assert line(result, "region", "factory").state == "unseen"
    assert line(result, "stage", "main").state == "proven"
    assert sum(line(result, "region", "recovery").size.values()) == (
        (folder / "recovery.itb").stat().st_size
    )


@pytest.mark.parametrize("region", ["firmware", "rootfs-a", "recovery", "env-a", "boot"])
def test_a_region_without_its_file_is_open(region: str, folder: Path) -> None:
    result = audited(folder, without(region, "file"))
    assert line(result, "region", region).open
    assert result.verdict is not Verdict.PASSED


@pytest.mark.parametrize("told", ["first", "second"])
def test_an_environment_whose_copy_alone_has_a_file_is_open(told: str) -> None:
    shapes = {"first": "env: {size: 8 KiB, copy: second}", "second": "env: {size: 8 KiB}"}
    kept = {
        name: shape + (", file: u-boot.env" if name == told else "")
        for name, shape in shapes.items()
    }
    result = audit.run(
        subject_of(
            nor(
                *(
                    f"name: {name}, at: {at} KiB, size: 64 KiB, holds: uboot-env, writer: runtime,"
                    f" {kept[name]}"
                    for name, at in (("first", 0), ("second", 64))
                ),
                files={"u-boot.env": lambda: environment({"bootcmd": "echo"}, 8 * KIB, 1)},
            )
        )
    )
    other = line(result, "region", "second" if told == "first" else "first")
    assert other.open
    assert other.why == f"the layout names no file for it, but one for its copy {told}"


def test_noise_in_a_fip_is_open(folder: Path) -> None:
    path = folder / "fip.bin"
    data = path.read_bytes()
    path.write_bytes(data[:512] + noise(len(data) - 512))
    result = audited(folder)
    assert line(result, "region", "firmware").open
    assert result.verdict is not Verdict.PASSED


def test_noise_for_kernel_and_tree_refutes_main(folder: Path) -> None:
    path = folder / "boot.vfat"
    data = bytearray(path.read_bytes())
    image = audited(folder).subject.placement("boot").payload
    assert image is not None
    for child in image.children:
        data[child.offset : child.offset + child.size] = noise(child.size)
    path.write_bytes(data)
    result = audited(folder)
    assert line(result, "stage", "main").state == "refuted"
    assert result.verdict is Verdict.FAILED


def test_raw_noise_is_size_only(folder: Path) -> None:
    (folder / "fip.bin").write_bytes(noise(1 << 19))
    result = audited(folder, lambda text: text.replace("holds: fip", "holds: raw"))
    assert line(result, "region", "firmware").seen is Seen.SIZE
    assert result.verdict is Verdict.INCOMPLETE


@pytest.mark.parametrize("name", ["recovery.itb", "fip.bin", "whimbrel.dtb", "uboot.env"])
def test_what_is_packed_in_the_nor_is_an_error(name: str, folder: Path) -> None:
    path = folder / name
    path.write_bytes(gzip.compress(path.read_bytes(), mtime=0))
    result = audited(folder)
    assert "packed-where-read-raw" in {item.rule.name for item in result.findings}
    region = {"recovery.itb": "recovery", "fip.bin": "firmware"}.get(name)
    if region is not None:
        told = audited(
            folder,
            lambda text: text.replace(
                f"    file: {name}\n", f"    file: {name}\n    writer-unpacks: gzip\n"
            ),
        )
        assert told.verdict is Verdict.PASSED


def test_what_is_encrypted_is_not_judged_as_raw_either(folder: Path) -> None:
    # The magic and version of a LUKS2 header (cryptsetup's LUKS2 on-disk format, section 2.1).
    (folder / "rootfs-b.ext4").write_bytes(b"LUKS\xba\xbe\0\2" + noise(1 << 19))
    raw = re.compile(r"(?m)(^  - name: rootfs-b\n(?:    .*\n)*?    holds: )ext4")
    result = audited(folder, lambda text: raw.sub(r"\1raw", text))
    assert line(result, "region", "rootfs-b").state != Seen.FOLLOWED.value
    assert result.verdict is not Verdict.PASSED


def test_no_stages_is_open(folder: Path) -> None:
    result = audited(folder, lambda text: re.sub(r"(?ms)^stages:.*?(?=^# The same)", "", text))
    assert line(result, "stage", "none").open
    assert result.verdict is Verdict.INCOMPLETE


def test_a_stage_without_entry_or_ramdisk_is_open(folder: Path) -> None:
    bare = audited(folder, lambda text: text.replace("    entry: bootcmd\n", ""))
    assert line(bare, "stage", "main").open
    assert bare.verdict is Verdict.INCOMPLETE
    result = audited(folder, lambda text: re.sub(r"    ramdisk: recovery.*\n", "", text))
    assert line(result, "stage", "recovery needs").open
    assert result.verdict is Verdict.INCOMPLETE


def test_what_stands_behind_the_end_is_said(folder: Path) -> None:
    path = folder / "recovery.itb"
    path.write_bytes(path.read_bytes() + noise(256))
    result = audited(folder)
    assert line(result, "region", "recovery").size[Seen.UNSEEN] == 256
    assert "data-behind-the-end" in {item.rule.name for item in result.findings}
    path.write_bytes(path.read_bytes()[:-256] + b"\xff" * 256)
    assert audited(folder).verdict is Verdict.PASSED


@pytest.mark.parametrize(("behind", "size"), [(b"", 0), (bytes(4096), 0), (b"tide" * 512, 2048)])
def test_what_stands_behind_a_volume_in_its_last_block(
    behind: bytes, size: int, folder: Path
) -> None:
    """A file system of 9 MiB and 4 KiB ends in the middle of a block of which a digest is taken."""
    path = folder / "data.ext4"
    made = path.stat().st_size
    end = 9 * MIB + 4 * KIB
    image = ext4(end, {"lost+found": directory()}, label="data", uuid=UUID(int=7), epoch=0)
    data = bytearray(end)
    for at, piece in image.pieces:
        data[at : at + len(piece)] = piece
    path.write_bytes(bytes(data) + behind)
    assert made > 8 * MIB
    found = line(audited(folder), "region", "data")
    assert found.size.get(Seen.UNSEEN, 0) == size
    assert found.open is bool(size)


def test_a_copy_that_is_not_there_is_open(folder: Path) -> None:
    result = audited(
        folder, lambda text: text.replace("device-tree: whimb", "uboot-config: .config #")
    )
    assert line(result, "copy", "uboot-config").open
    assert result.verdict is not Verdict.PASSED


def test_a_silenced_finding_does_not_make_it_whole(folder: Path) -> None:
    for path in folder.glob("rootfs-*.ext4"):
        path.unlink()
    quiet = "  fail-on: error\n  severity: {artifact-missing: note, stage-does-not-start: note}\n"
    result = audited(folder, lambda text: text.replace("  fail-on: error\n", quiet))
    assert result.verdict is Verdict.INCOMPLETE


ACCEPT = "    - {{{}, reason: it is on loan, owner: the boot team{}}}\n"


def test_what_is_accepted_may_stay_open(folder: Path) -> None:
    def accepted(what: str, more: str = "") -> Result:
        text = ACCEPT.format(what, more)
        cut = without("rootfs-b", "file")
        return audited(folder, lambda old: re.sub("(  accept:.*\n)", rf"\1{text}", cut(old)))

    result = accepted("region: rootfs-b")
    assert result.verdict is Verdict.PASSED
    assert [item.accepted.owner for item in result.coverage if item.accepted] == ["the boot team"]
    assert accepted("region: rootfs-b", ", until: 2020-01-01").verdict is Verdict.INCOMPLETE
    other = accepted("region: rootfs-a")
    assert other.verdict is Verdict.INCOMPLETE
    assert "accept-matches-nothing" in {item.rule.name for item in other.findings}


def test_a_trusted_policy_only_tightens(folder: Path) -> None:
    path = folder / "trusted.yaml"
    path.write_text("policy: {fail-on: warning}\n")
    layout = load(str(folder / "whimbrel.yaml"))
    loose = replace(layout.policy, severity={"artifact-missing": "note", "fit-hash-weak": "error"})
    tight = loose.tightened(load_policy(str(path)))
    assert tight.fail_on == "warning"
    assert tight.severity == {"fit-hash-weak": "error"}
    assert tight.waivers == ()
    assert tight.accepts == ()
    text = "policy:\n  accept:\n" + ACCEPT.format("region: rootfs-b", "")
    path.write_text(text)
    assert [item.name for item in loose.tightened(load_policy(str(path))).accepts] == ["rootfs-b"]


def trusted(folder: Path, text: str, change: Change = str) -> Result:
    """Audit an edited layout under a trusted policy, with the layout's own accepts beside it."""
    path = folder / "trusted.yaml"
    own = (folder / "whimbrel.yaml").read_text()
    accepts = "".join(re.findall(r"(?m)^  accept:.*\n(?:    .*\n)*", own))
    path.write_text(f"policy:\n{text}{accepts}")
    edited = change(re.sub(r"(?m)^    image: .*\n", "", own))
    layout = parse(edited.encode(), str(folder / "whimbrel.yaml"))
    policy = layout.policy.tightened(load_policy(str(path)))
    return audited(folder, layout=replace(layout, policy=policy))


JUDGE = "  judge: [{region: env-a}, {stage: main}, {stage: recovery}, {copy: device-tree}]\n"


def test_what_a_trusted_policy_asks_for_is_judged_in_the_sound_build(folder: Path) -> None:
    assert trusted(folder, JUDGE).verdict is Verdict.PASSED


@pytest.mark.parametrize("holder", ["factory", "runtime"])
def test_a_region_is_not_hidden_behind_who_writes_it(folder: Path, holder: str) -> None:
    def hidden(text: str) -> str:
        text = without("env-b", "file")(without("env-a", "file")(text))
        for name in ("env-a", "env-b"):
            text = without(name, "writer")(text)
            text = text.replace(f"- name: {name}\n", f"- name: {name}\n    writer: {holder}\n")
        return text

    assert not line(trusted(folder, "  fail-on: error\n", hidden), "region", "env-a").open
    result = trusted(folder, JUDGE, hidden)
    assert line(result, "region", "env-a").open
    assert result.verdict is not Verdict.PASSED


@pytest.mark.parametrize("kind", ["region", "stage", "copy"])
def test_what_the_layout_does_not_name_is_open(folder: Path, kind: str) -> None:
    result = trusted(folder, f"  judge: [{{{kind}: spare-one}}]\n")
    found = line(result, kind, "spare-one")
    assert found.open
    assert found.where is not None
    assert found.where.file.endswith("trusted.yaml")
    assert result.verdict is Verdict.INCOMPLETE


def test_no_region_goes_below_the_least_that_stays_free(folder: Path) -> None:
    layout = load(str(folder / "whimbrel.yaml"))
    region = replace(layout.region("recovery"), keep_free=KeepFree(size=1))
    path = folder / "trusted.yaml"
    path.write_text("policy: {least-free: 10 %}\n")
    policy = layout.policy.tightened(load_policy(str(path)))
    assert policy.room(region) == KeepFree(percent=10)
    least = region.room // 10
    more, less = (replace(region, keep_free=KeepFree(size=least + by)) for by in (1, -1))
    assert policy.room(more) == more.keep_free
    assert policy.room(less) == KeepFree(percent=10)
    assert layout.policy.room(region) == KeepFree(size=1)


def test_the_stricter_of_two_policies_is_told_region_by_region(folder: Path) -> None:
    """A share and a size: which is more depends on the region, not on one size for all."""
    layout = load(str(folder / "whimbrel.yaml"))
    path = folder / "trusted.yaml"
    path.write_text("policy: {keep-free: 128 KiB}\n")
    policy = layout.policy.tightened(load_policy(str(path)))
    tree, recovery = layout.region("devicetree"), layout.region("recovery")
    large = replace(recovery, keep_free=None)
    assert policy.room(tree) == KeepFree(size=128 * KIB)
    assert policy.room(large) == KeepFree(percent=5)
    assert policy.room(layout.region("rootfs-a")) is None


def test_the_least_that_stays_free_reaches_a_file_system_that_fills_its_region(
    folder: Path,
) -> None:
    layout = load(str(folder / "whimbrel.yaml"))
    for share, found in ((93, False), (94, True)):
        path = folder / "trusted.yaml"
        path.write_text(f"policy: {{least-free: {share} %}}\n")
        policy = layout.policy.tightened(load_policy(str(path)))
        with Loader() as loader:
            store = FolderStore(Folder(str(folder)), loader)
            result = audit.run(gather(replace(layout, policy=policy), store))
        low = {item.region for item in result.findings if item.rule.name == "headroom-low"}
        assert ("boot" in low) is found
        assert low.isdisjoint({"env-a", "env-b"})


def test_a_group_that_must_be_judged_is_not_relaxed(folder: Path) -> None:
    def groups(text: str) -> dict[str, set[str]]:
        result = trusted(folder, text, relaxed)
        return {
            group.name: {need.level for need in group.needs}
            for rescue in result.subject.rescues.values()
            if rescue.facts is not None
            for group in rescue.facts.groups
        }

    def relaxed(text: str) -> str:
        return re.sub(r"(?m)^(    needs:) \{?.*\n(?:      .*\n)*", r"\1 {relax: [flash]}\n", text)

    assert groups("  fail-on: error\n")["flash"] == {"should"}
    assert "must" in groups("  judge: [{group: flash}]\n")["flash"]
    with pytest.raises(LayoutError, match="no group is called 'flesh'"):
        groups("  judge: [{group: flesh}]\n")


def test_an_item_of_judge_names_one_thing(folder: Path) -> None:
    for item in ("{}", "{region: env-a, stage: main}"):
        with pytest.raises(LayoutError, match="say one of region, stage, copy and group"):
            trusted(folder, f"  judge: [{item}]\n")


@pytest.mark.parametrize(
    ("why", "seen"), [(NO_FORMAT, Seen.SIZE), ("", Seen.UNSEEN), ("it is cut", Seen.UNSEEN)]
)
def test_what_was_looked_at_and_is_nothing_known_is_not_unseen(why: str, seen: Seen) -> None:
    """Of a large volume bytes are not kept: Debian's /boot has an extlinux.conf."""
    content = Content(name="boot.ext4/extlinux.conf", offset=0, size=100, title="", why=why)
    assert ledger._alone(content, None, ())[0] is seen

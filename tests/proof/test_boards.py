"""The proof on other boards than the Whimbrel: distro boot, slots, losses. All are made up here.

The scripts are written after U-Boot's include/config_distro_bootcmd.h (names and order).
"""

from __future__ import annotations

import lzma
from collections.abc import Callable, Mapping
from uuid import UUID

import pytest

from imgaudit.contents.build import MemoryStore
from imgaudit.contents.reader import Loader
from imgaudit.layout.load import parse
from imgaudit.proof.init import init_of
from imgaudit.proof.records import Proof, Verdict
from imgaudit.release.manifest import Manifest
from imgaudit.rules.samples import arm64_kernel, board_tree, fit, image, kernel, packed, uimage
from imgaudit.rules.subject import Subject, gather
from imgaudit.units import KIB, MIB
from imgaudit.writers.cpio import cpio
from imgaudit.writers.elf import X86_64, program
from imgaudit.writers.env import environment
from imgaudit.writers.ext4 import ext4
from imgaudit.writers.fat import fat16
from imgaudit.writers.kernel import CONFIG
from imgaudit.writers.kernel import image as image_of
from imgaudit.writers.sparse import Sparse
from imgaudit.writers.tree import Entry, Root, directory, file

_LAYOUT = """\
layout: 1
board: heron
arch: arm64
chips:
  nor: {kind: spi-nor, size: 1 MiB, erase-block: 64 KiB}
  emmc: {kind: emmc, sectors: 524288, number: 0}
regions:
  - {name: env, chip: nor, at: 0, size: 64 KiB, holds: uboot-env, writer: runtime, file: env,
     env: {size: 16 KiB}}
  - {name: boot, chip: emmc, partition: 1, at: 1 MiB, size: 32 MiB, holds: fat, writer: release,
     file: boot}
  - {name: root-a, chip: emmc, partition: 2, at: 40 MiB, size: 32 MiB, holds: ext4,
     writer: release, file: root}
  - {name: root-b, chip: emmc, partition: 3, at: 80 MiB, size: 32 MiB, holds: ext4,
     writer: release, file: other}
stages:
  main:
    regions: [env, boot, root-a, root-b]
    entry: bootcmd
"""
_SLOTS = """\
    slots:
      a: {variables: {slot: a}, regions: [root-a]}
      b: {variables: {slot: b}, regions: [root-b]}
"""
_ADDRESSES = {
    "kernel_addr_r": "0x80200000",
    "fdt_addr_r": "0x88000000",
    "ramdisk_addr_r": "0x88100000",
    "scriptaddr": "0x87000000",
    "pxefile_addr_r": "0x87100000",
}
_DISTRO = {
    **_ADDRESSES,
    "boot_targets": "usb0 mmc0 dhcp",
    "boot_prefixes": "/ /boot/",
    "boot_scripts": "boot.scr.uimg boot.scr",
    "boot_syslinux_conf": "extlinux.conf",
    "bootcmd": "run distro_bootcmd",
    "distro_bootcmd": "for target in ${boot_targets}; do run bootcmd_${target}; done",
    "bootcmd_mmc0": "devnum=0; run mmc_boot",
    "mmc_boot": "if mmc dev ${devnum}; then devtype=mmc; run scan_dev_for_boot_part; fi",
    "bootcmd_usb0": "devnum=0; run usb_boot",
    "usb_boot": "usb start; if usb dev ${devnum}; then devtype=usb; run scan_dev_for_boot_part; fi",
    "bootcmd_dhcp": "if dhcp ${scriptaddr} boot.scr.uimg; then source ${scriptaddr}; fi",
    "scan_dev_for_boot_part": (
        "for distro_bootpart in 1 2; do"
        " if fstype ${devtype} ${devnum}:${distro_bootpart} bootfstype;"
        " then run scan_dev_for_boot; fi; done"
    ),
    "scan_dev_for_boot": (
        "for prefix in ${boot_prefixes}; do run scan_dev_for_extlinux; run scan_dev_for_scripts;"
        " done"
    ),
    "scan_dev_for_extlinux": (
        "if test -e ${devtype} ${devnum}:${distro_bootpart} ${prefix}${boot_syslinux_conf};"
        " then run boot_extlinux; echo SCRIPT FAILED: continuing...; fi"
    ),
    "boot_extlinux": (
        "sysboot ${devtype} ${devnum}:${distro_bootpart} any ${scriptaddr}"
        " ${prefix}${boot_syslinux_conf}"
    ),
    "scan_dev_for_scripts": (
        "for script in ${boot_scripts}; do"
        " if test -e ${devtype} ${devnum}:${distro_bootpart} ${prefix}${script};"
        " then run boot_a_script; fi; done"
    ),
    "boot_a_script": (
        "load ${devtype} ${devnum}:${distro_bootpart} ${scriptaddr} ${prefix}${script};"
        " source ${scriptaddr}"
    ),
}
_CONF = (
    "default first\nlabel first\n  kernel /Image\n  fdt /board.dtb\n"
    "  append root=/dev/mmcblk0p2 rootwait console=ttyS0\n"
)


def _bytes(image: Sparse) -> bytes:
    data = bytearray(image.size)
    for at, piece in image.pieces:
        data[at : at + len(piece)] = piece
    return bytes(data)


def _root(number: int, *, init: bool = True, modules: str = "") -> bytes:
    tree = {"etc/os-release": file("ID=heron\n"), "dev": directory()}
    if modules:
        tree[f"lib/modules/{modules}/modules.dep"] = file("")
    if init:
        tree["sbin/init"] = file(program(), 0o755)
    return _bytes(ext4(16 * MIB, tree, label="root", uuid=UUID(int=number), epoch=0))


def board(
    variables: dict[str, str],
    *,
    conf: str = _CONF,
    layout: str = _LAYOUT,
    files: dict[str, bytes] | None = None,
    other: bool = True,
    made: Mapping[str, Callable[[], bytes]] | None = None,
    olds: Mapping[str, Mapping[str, Callable[[], bytes]] | Manifest] | None = None,
) -> Subject:
    """Read a board with an environment, and an extlinux.conf on its boot partition.

    `made` are other files than these, `olds` what was otherwise in releases before.
    """
    found = {"Image": arm64_kernel(), "board.dtb": board_tree(), "extlinux.conf": conf.encode()}
    given: dict[str, Callable[[], bytes]] = {
        "env": lambda: environment(variables, 16 * KIB, None),
        "boot": lambda: _bytes(fat16(16 * MIB, found | (files or {}), "BOOT", 1)),
        "root": lambda: _root(1),
        "other": lambda: _root(2, init=other),
        **(made or {}),
    }
    with Loader() as loader:
        before = {
            name: old if isinstance(old, Manifest) else MemoryStore({**given, **old}, loader)
            for name, old in (olds or {}).items()
        }
        return gather(parse(layout.encode(), "heron.yaml"), MemoryStore(given, loader), before)


def boot_partition(**files: bytes) -> bytes:
    """Write a boot partition with these files; `_` in a name stands for a dot."""
    named = {name.replace("_", "."): data for name, data in files.items()}
    return _bytes(fat16(16 * MIB, named, "BOOT", 1))


def proofs(subject: Subject) -> dict[str, Proof]:
    return {proof.name: proof for proof in subject.proofs if proof.taken}


def test_distro_boot_is_proven_and_followed_in_few_paths() -> None:
    proof = proofs(board(_DISTRO))["main"]
    assert proof.verdict is Verdict.PROVEN, proof.line()
    assert [link.what for link in proof.chain][1:] == [
        "Image (arm64)",
        "board.dtb",
        "root root-a (ext4)",
        "/sbin/init",
    ]
    assert proof.outside == ("usb0",)
    assert proof.paths < 40


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (("/Image", "/Imagee"), "Imagee"),
        (("/board.dtb", "/broad.dtb"), "broad.dtb"),
        (("kernel /Image", "kernel /board.dtb"), "takes"),
        (("mmcblk0p2", "mmcblk0p7"), "mmcblk0p7"),
        (("rootwait", "init=/sbin/inti"), "/sbin/inti"),
    ],
)
def test_a_wrong_extlinux_conf_is_not_proven(change: tuple[str, str], says: str) -> None:
    subject = board({**_DISTRO, "boot_targets": "mmc0"}, conf=_CONF.replace(*change))
    proof = proofs(subject)["main"]
    assert proof.verdict is Verdict.REFUTED, proof.line()
    assert says in proof.line()


@pytest.mark.parametrize("there", [True, False])
def test_nobody_can_test_what_sysboot_goes_on_without(there: bool) -> None:
    """Source: U-Boot boot/pxe_utils.c, label_boot: a label is tried without what fdtdir lacks."""
    variables = {**_DISTRO, "boot_targets": "mmc0", "fdtfile": "board.dtb" if there else "a.dtb"}
    subject = board(variables, conf=_CONF.replace("fdt /board.dtb", "fdtdir /"))
    walk = subject.boots.followed["bootcmd"].walk if subject.boots is not None else None
    assert walk is not None
    loads = [it for it in walk.operations if it.arguments[-1].endswith(".dtb")]
    assert loads
    assert all(it.checked for it in loads)
    proof = proofs(subject)["main"]
    assert proof.verdict is Verdict.PROVEN, proof.line()
    assert ("board.dtb" if there else "U-Boot's own") in proof.line()


def test_paths_of_an_extlinux_conf_may_go_up() -> None:
    """Source: U-Boot boot/pxe_utils.c, get_relfile: the folder of the file comes before them."""
    tree = {
        "Image": file(arm64_kernel()),
        "boot/board.dtb": file(board_tree()),
        "boot/extlinux/extlinux.conf": file(
            _CONF.replace("/Image", "../../Image").replace("/board.dtb", ".././board.dtb")
        ),
        "sbin/init": file(program(), 0o755),
        "dev": directory(),
    }
    root = _bytes(ext4(16 * MIB, tree, label="root", uuid=UUID(int=1), epoch=0))
    script = {**_DISTRO, "boot_targets": "mmc0", "boot_syslinux_conf": "extlinux/extlinux.conf"}
    proof = proofs(board(script, made={"root": lambda: root}))["main"]
    assert proof.verdict is Verdict.PROVEN, proof.line()


def test_a_root_whose_files_are_not_read_is_neither_proven_nor_refuted() -> None:
    """Source of the fields: btrfs documentation, On-disk Format, Superblock."""
    root = bytearray(16 * MIB)
    for at, field in ((0x30, 64 * KIB), (0x70, len(root)), (0x88, 1)):
        root[64 * KIB + at : 64 * KIB + at + 8] = field.to_bytes(8, "little")
    root[64 * KIB + 0x40 : 64 * KIB + 0x48] = b"_BHRfS_M"
    holds = _LAYOUT.replace("size: 32 MiB, holds: ext4", "size: 32 MiB, holds: btrfs")
    targets = {**_DISTRO, "boot_targets": "mmc0"}
    for held, verdict in ((root, Verdict.UNPROVEN), (bytes(16 * MIB), Verdict.REFUTED)):
        made = {"root": lambda held=held: bytes(held)}
        proof = proofs(board(targets, made=made, layout=holds))["main"]
        assert proof.verdict is verdict, proof.line()


def test_a_bare_shell_is_no_system() -> None:
    """Source: Linux init/main.c, kernel_init: /bin/sh is tried last."""
    tree = {"bin/sh": file(program(), 0o755), "dev": directory()}
    root = _bytes(ext4(16 * MIB, tree, label="root", uuid=UUID(int=1), epoch=0))
    targets = {**_DISTRO, "boot_targets": "mmc0"}
    proof = proofs(board(targets, made={"root": lambda: root}))["main"]
    assert proof.verdict is Verdict.REFUTED, proof.line()
    assert "only /bin/sh is there" in proof.line()
    wanted = _CONF.replace("rootwait", "rootwait init=/bin/sh")
    assert (
        proofs(board(targets, made={"root": lambda: root}, conf=wanted))["main"].verdict
        is Verdict.PROVEN
    )


@pytest.mark.parametrize(
    ("config", "says"),
    [
        ({}, ""),
        ({"CONFIG_COMPAT": "y"}, ""),
        (
            {"CONFIG_COMPAT": "n"},
            "ARM (32-bit, little-endian), and the kernel has no CONFIG_COMPAT",
        ),
    ],
)
def test_a_root_of_32_bit_programs_hangs_on_the_kernel(config: dict[str, str], says: str) -> None:
    """Source: Linux arch/arm64/Kconfig, COMPAT: 64-bit kernels that run 32-bit ARM programs."""
    init = b"\x7fELF\1\1\1".ljust(16, b"\0") + bytes((2, 0, 40, 0)) + bytes(40)
    root = ext4(16 * MIB, {"sbin/init": file(init, 0o755)}, label="root", uuid=UUID(int=1), epoch=0)
    with Loader() as loader:
        content = loader.memory("root", _bytes(root)).content
    assert content is not None
    found = init_of(content, None, "arm64", config or None)
    assert (found.path, says in found.why) == (None if says else "/sbin/init", True)
    assert init_of(content, None, "riscv64", config).path is None


@pytest.mark.parametrize(
    ("default", "path"),
    [('"/bin/tide"', "/bin/tide"), ('"/bin/none"', "/sbin/init"), ('""', "/sbin/init")],
)
def test_the_kernel_s_own_first_program_comes_before_the_usual_ones(
    default: str, path: str
) -> None:
    """Source: Linux init/main.c, kernel_init(): CONFIG_DEFAULT_INIT, and on where it fails."""
    program = b"\x7fELF\2\1\1".ljust(16, b"\0") + bytes((2, 0, 183, 0)) + bytes(44)
    tree = dict.fromkeys(("sbin/init", "bin/tide"), file(program, 0o755))
    root = ext4(16 * MIB, tree, label="root", uuid=UUID(int=1), epoch=0)
    with Loader() as loader:
        content = loader.memory("root", _bytes(root)).content
    config = {"CONFIG_DEFAULT_INIT": default}
    assert init_of(content, None, "arm64", config).path == path
    assert init_of(content, "/bin/none", "arm64", config).path is None


_NODE: Root = {"dev/mmcblk0p2": Entry(0o60600, device=(179, 2))}
_ASKS = (
    "#!/bin/sh\n"
    "for it in $(cat /proc/cmdline); do case $it in root=*) root=${it#root=};; esac; done\n"
    'mount "$(findfs "$root")" /mnt\nexec switch_root /mnt /sbin/init\n'
)
_TAKES = _ASKS.replace("/sbin/init", '"$init"')
_SWITCHES = "#!/bin/sh\nmount /dev/mmcblk0p2 /mnt\nexec switch_root /mnt /sbin/init\n"


@pytest.mark.parametrize(
    ("init", "conf", "says"),
    [
        (file(_SWITCHES, 0o755), {}, ""),
        (file(_SWITCHES, 0o644), {}, "/init"),
        (file("#!/bin/bash\n", 0o755), {}, "/bin/bash"),
        (file(program(machine=X86_64), 0o755), {}, "/init is for"),
        (file("#!/bin/sh\necho done\n", 0o755), {}, "its own start ends"),
        (None, {}, ""),  # the kernel passes such a ramdisk over, and mounts root= itself
        (None, {"mmcblk0p2": "mmcblk0p7"}, "mmcblk0p7"),
        (file(_SWITCHES, 0o755), {"mmcblk0p2": "mmcblk0p7"}, ""),  # its script does not ask
        (file(_SWITCHES.replace("p2", "p7"), 0o755), {}, "/init:2 of the ramdisk mounts /dev/mmc"),
        (file(_SWITCHES.replace("/sbin/init", "/sbin/inti"), 0o755), {}, "/sbin/inti"),
        (
            file(_SWITCHES.replace("p2 /mnt", "p7 /mnt || mount /dev/mmcblk0p2 /mnt"), 0o755),
            {},
            "which root",
        ),
        (file(_SWITCHES, 0o755), {"root=/dev/mmcblk0p2": f"root=UUID={UUID(int=1)}"}, ""),
        (file(_SWITCHES, 0o755), {"root=/dev/mmcblk0p2": "root=UUID=9"}, ""),
        (file(_ASKS, 0o755), {}, ""),
        (file(_ASKS, 0o755), {"root=/dev/mmcblk0p2": "root=UUID=9"}, "no file system has"),
        # A script that names the program itself does not look at init=.
        (file(_SWITCHES, 0o755), {"rootwait": "init=/sbin/inti"}, ""),
        (file(_SWITCHES.replace("mount", "mont"), 0o755), {}, "which root /init:3 of initrd"),
        (file(_SWITCHES.replace("switch_root", "run-init"), 0o755), {}, "run-init is neither"),
        (file(_SWITCHES.replace("p2 /mnt", "p2 /mnt || exec sh"), 0o755), {}, ""),
        (file(_SWITCHES.replace("p2 /mnt", "p7 /mnt || exec sh"), 0o755), {}, "mounts /dev/mmc"),
    ],
)
def test_a_ramdisk_before_the_root_is_looked_into(
    init: Entry | None, conf: dict[str, str], says: str
) -> None:
    """Source: Linux init/main.c, kernel_init_freeable: without its program it mounts root=."""
    tree: Root = {"bin/sh": file(program(), 0o755), "mnt": directory(), **_NODE}
    if init is not None:
        tree["init"] = init
    proof = _behind(tree, conf)
    found = Verdict.UNPROVEN if says.startswith("which root") else Verdict.REFUTED
    assert proof.verdict is (found if says else Verdict.PROVEN), proof.line()
    assert says in proof.line()


def _behind(
    tree: Root, conf: dict[str, str], made: Mapping[str, Callable[[], bytes]] | None = None
) -> Proof:
    """Prove the main system behind a ramdisk of these files, and of what it needs to go on."""
    tools = dict.fromkeys(("sbin/switch_root", "bin/mount", "bin/cat"), file(program(), 0o755))
    text = _CONF.replace("  fdt", "  initrd /initrd\n  fdt")
    for old, new in conf.items():
        text = text.replace(old, new)
    files = {"initrd": packed(cpio({**tools, **tree}, 0))}
    subject = board({**_DISTRO, "boot_targets": "mmc0"}, conf=text, files=files, made=made)
    return proofs(subject)["main"]


_OVERLAY = (
    "#!/bin/sh\nmount -o ro /dev/mmcblk0p2 /low\n"
    "mount -t overlay o -o lowerdir=/low,upperdir=/up/a,workdir=/up/b /mnt\n"
    "exec switch_root /mnt /sbin/init\n"
)


@pytest.mark.parametrize(
    ("script", "root", "verdict", "says"),
    [
        (_SWITCHES, "", "proven", "root-a"),
        (_SWITCHES.replace("mmcblk0p2", "sda2"), "", "unproven", "what that is, is not known"),
        (_SWITCHES.replace("/dev/mmcblk0p2", "LABEL=none"), "", "refuted", "no file system has"),
        (_SWITCHES.replace("/dev/mmcblk0p2", "$a"), "", "unproven", "which root"),
        (_OVERLAY, "root=/dev/ram0", "proven", "root-a"),
        (_OVERLAY.replace("mmcblk0p2", "mmcblk0p9"), "", "refuted", "the partitions 1, 2, 3"),
        (_OVERLAY.replace("=/low", "=/low:/mid"), "", "unproven", "which root"),
        (_SWITCHES.replace("p2 /mnt", "p2 /low\nmount --bind /low /mnt"), "", "proven", "root-a"),
        (_SWITCHES.replace("p2 /mnt", "p9 /mnt\nmount /dev/mmcblk0p2 /mnt"), "", "proven", ""),
        (_ASKS, "root=/dev/mapper/vg-root", "unproven", "what root=/dev/mapper/vg-root leads to"),
        (_ASKS, "", "unproven", "root= is not known"),
        (_TAKES, "root=/dev/mmcblk0p2", "proven", "root-a"),
        (_TAKES, "root=/dev/mmcblk0p2 init=/sbin/inti", "unproven", "has no /sbin/inti"),
        ("#!/bin/sh\nexec sh\n", "", "proven", "/init"),
        (
            _SWITCHES.replace("p2 /mnt", "p2 /low\nmount -t none -o bind /low /mnt"),
            "",
            "proven",
            "",
        ),
        (
            _SWITCHES.replace(" /dev/mm", " -t nfs 10.0.0.1:/x /mnt\n#"),
            "",
            "unproven",
            "which root",
        ),
        (
            _SWITCHES.replace(" /dev/mm", " -t ubifs ubi0:root /mnt\n#"),
            "",
            "unproven",
            "which root",
        ),
        (
            _ASKS.replace('mount "', 'mount -t jffs2 mtd3 /mnt\n#"'),
            "root=/dev/mmcblk0p2",
            "unproven",
            "which root",
        ),
    ],
)
def test_where_the_script_of_a_ramdisk_goes_on(
    script: str, root: str, verdict: str, says: str
) -> None:
    """Source: BusyBox util-linux/switch_root.c; Linux Documentation/filesystems/overlayfs.rst."""
    tree: Root = {"bin/sh": file(program(), 0o755), "init": file(script, 0o755)}
    tree |= _NODE | {name: directory() for name in ("mnt", "low", "up", "proc")}
    proof = _behind(tree, {"root=/dev/mmcblk0p2 ": f"{root} "})
    assert proof.verdict.value == verdict, proof.line()
    assert says in proof.line()


@pytest.mark.parametrize(
    ("change", "lost", "says"),
    [
        ({}, (), ""),
        ({}, ("mnt",), "mounts on /mnt, which is not there"),
        ({"mount -t d d /dev\n": ""}, (), "nothing mounts /dev"),
        ({"mount -t d d /dev\n": "mdev -s\n"}, (), ""),
        ({"mount /dev/mm": "mount -t ext3 /dev/mm"}, (), ""),
        (
            {"mount /dev/mm": "mount -t f2fs /dev/mm"},
            (),
            "mounts root-a as f2fs, and it holds ext4",
        ),
        ({"mount /dev/mm": "mount -t auto /dev/mm"}, (), ""),
        ({"mount /dev/mm": "mount -t squashfs,ext4 /dev/mm"}, (), ""),
        ({"mount /dev/mm": "mount -t noext3 /dev/mm"}, (), ""),
        ({"mount /dev/mm": "mount -t squashfs,vfat /dev/mm"}, (), "root-a as squashfs,vfat"),
    ],
)
def test_what_keeps_a_ramdisk_from_its_root(
    change: dict[str, str], lost: tuple[str, ...], says: str
) -> None:
    """Source: Linux Documentation/filesystems/ramfs-rootfs-initramfs.rst: nothing is mounted."""
    script = _SWITCHES.replace("mount", "mount -t d d /dev\nmount", 1)
    for old, new in change.items():
        assert old in script
        script = script.replace(old, new)
    tree: Root = {"bin/sh": file(program(), 0o755), "init": file(script, 0o755)}
    tree["bin/mdev"] = file(program(), 0o755)
    tree |= {name: directory() for name in ("mnt", "dev") if name not in lost}
    proof = _behind(tree, {})
    assert proof.verdict is (Verdict.REFUTED if says else Verdict.PROVEN), proof.line()
    assert says in proof.line()


@pytest.mark.parametrize(
    ("mounts", "says"),
    [
        ("/dev/mmcblk0p2", "nothing mounts /dev"),
        ("$root", "something that is not known, and nothing mounts /dev"),
        ("-t nfs 10.0.0.1:/tide", "which root /init:3 of initrd goes on to"),
        ("-t ubifs ubi0:root", "which root /init:3 of initrd goes on to"),
        ("-t jffs2 mtd3", "which root /init:3 of initrd goes on to"),
    ],
)
def test_what_needs_no_node_is_mounted_without_dev(mounts: str, says: str) -> None:
    """Source: Linux drivers/mtd/mtdsuper.c and fs/ubifs/super.c take names without a path."""
    script = _SWITCHES.replace("/dev/mmcblk0p2", mounts)
    tree: Root = {"bin/sh": file(program(), 0o755), "init": file(script, 0o755)}
    proof = _behind({**tree, "mnt": directory(), "dev": directory()}, {})
    certain = mounts.startswith("/dev")
    assert proof.verdict is (Verdict.REFUTED if certain else Verdict.UNPROVEN), proof.line()
    assert says in proof.line()


@pytest.mark.parametrize(
    ("files", "says"),
    [
        ({}, ""),  # what the kernel has is not known
        ({"modules.builtin": "kernel/fs/ext4/ext4.ko\n"}, ""),
        ({"modules.builtin": "kernel/fs/fat/vfat.ko\n"}, "its ramdisk no module of it"),
        ({"modules.builtin": "kernel/fs/fat/vfat.ko\n", "kernel/fs/ext4/ext4.ko": "x"}, ""),
        ({"modules.builtin": "kernel/fs/fat/vfat.ko\n", "kernel/fs/ext4.ko": "x"}, ""),
        ({"kernel/fs/ext4.ko": "x", "no loader": ""}, "no /sbin/modprobe for the kernel to ask"),
        ({"kernel/fs/ext4.ko": "x", "no loader": "", "named": "modprobe ext4\n"}, ""),
        ({"kernel/fs/ext4.ko": "x", "no loader": "", "named": "modprobe $fs\n"}, ""),
    ],
)
def test_a_ramdisk_brings_what_mounts_the_root(files: dict[str, str], says: str) -> None:
    """mount(2) asks for a file system's module by /sbin/modprobe (Linux kernel/module/kmod.c)."""
    script = _SWITCHES.replace("\n", "\n" + files.get("named", ""), 1)
    tree: Root = {"bin/sh": file(program(), 0o755), "init": file(script, 0o755)}
    tree |= {"mnt": directory(), "bin/modprobe": file(program(), 0o755), **_NODE}
    if "no loader" not in files:
        tree["sbin/modprobe"] = file(program(), 0o755)
    tree |= {f"lib/modules/6.12/{name}": file(text) for name, text in files.items()}
    proof = _behind(tree, {})
    assert proof.verdict is (Verdict.REFUTED if says else Verdict.PROVEN), proof.line()
    assert says in proof.line()


@pytest.mark.parametrize(
    ("script", "builtin", "says"),
    [
        (_SWITCHES.replace("mount", "mount -t ext4,squashfs"), "ext4/ext4", ""),
        (_OVERLAY, "ext4/ext4", "the kernel has no overlay built in"),
        (_OVERLAY, "ext4/ext4.ko\nkernel/fs/overlayfs/overlay", ""),
        (_OVERLAY.replace("-t overlay", "-t overlayfs"), "ext4/ext4", ""),  # a name of its own
    ],
)
def test_what_a_script_mounts_is_in_the_kernel(script: str, builtin: str, says: str) -> None:
    """Source: mount(8), of -t: more than one type may be said."""
    tree: Root = {"bin/sh": file(program(), 0o755), "init": file(script, 0o755), **_NODE}
    tree |= {name: directory() for name in ("mnt", "low", "up")}
    tree["lib/modules/6.12/modules.builtin"] = file(f"kernel/fs/{builtin}.ko\n")
    proof = _behind(tree, {})
    assert proof.verdict is (Verdict.REFUTED if says else Verdict.PROVEN), proof.line()
    assert says in proof.line()


def test_a_label_may_be_that_of_what_is_not_understood() -> None:
    tree: Root = {"bin/sh": file(program(), 0o755), "mnt": directory(), **_NODE}
    tree["init"] = file(_SWITCHES.replace("/dev/mmcblk0p2", "LABEL=tides"), 0o755)
    assert _behind(tree, {}).verdict is Verdict.REFUTED
    proof = _behind(tree, {}, {"other": lambda: b"tide" * 4096})
    assert proof.verdict is Verdict.UNPROVEN, proof.line()


def test_the_root_behind_a_script_is_surveyed() -> None:
    tree: Root = {"bin/sh": file(program(), 0o755), "mnt": directory(), **_NODE}
    tree["init"] = file(_SWITCHES, 0o755)
    inner: Root = {"dev": directory(), "sbin/init": file("#!/bin/none\n", 0o755)}
    made = _bytes(ext4(16 * MIB, inner, label="root", uuid=UUID(int=1), epoch=0))
    proof = _behind(tree, {"mmcblk0p2": "mmcblk0p3"}, {"root": lambda: made})
    assert proof.verdict is Verdict.REFUTED, proof.line()
    assert "/sbin/init" in proof.line()


@pytest.mark.parametrize(
    ("part", "changes", "says"),
    [
        ("kernel", {"type": "standalone"}, "says type standalone, and is taken as kernel"),
        ("kernel", {"type": "firmware"}, "says type firmware"),
        ("kernel", {"os": "u-boot"}, "says os u-boot, not linux"),
        ("kernel", {"os": "netbsd"}, "says os netbsd, not linux"),
        ("fdt", {"type": "kernel"}, "says type kernel, and is taken as fdt"),
        ("kernel", {"type": "kernel_noload"}, ""),
        ("fdt", {"os": "linux"}, ""),
    ],
)
def test_what_bootm_takes_of_a_fit(part: str, changes: dict[str, str], says: str) -> None:
    """Source: U-Boot boot/image-fit.c, fit_image_load; boot/bootm_os.c."""
    tree = image({"type": "flat_dt", **(changes if part == "fdt" else {})}, payload=board_tree())
    first = kernel(changes if part == "kernel" else {}, payload=arm64_kernel())
    data = fit(
        {"kernel": first, "fdt": tree},
        configurations={"conf": {"kernel": "kernel", "fdt": "fdt"}},
    )
    script = "load mmc 0:1 0x90000000 main.itb && setenv bootargs root=/dev/mmcblk0p2 && bootm"
    variables = {"bootcmd": f"{script} 0x90000000"}
    proof = proofs(board(variables, files={"main.itb": data}))["main"]
    assert proof.verdict is (Verdict.REFUTED if says else Verdict.PROVEN), proof.line()
    assert says in proof.line()


def test_a_chip_whose_number_nobody_says_is_not_assumed() -> None:
    subject = board(_DISTRO, layout=_LAYOUT.replace(", number: 0", ""))
    proof = proofs(subject)["main"]
    assert proof.verdict is Verdict.UNPROVEN
    assert "mmc0" in proof.line()


_BY_SLOT = {
    **_ADDRESSES,
    "slot": "a",
    "bootlimit": "3",
    "root": "2",
    "bootcmd": (
        "if test ${slot} = b; then setenv root 3; else setenv root 2; fi;"
        " mmc dev 0 && load mmc 0:1 ${kernel_addr_r} Image && load mmc 0:1 ${fdt_addr_r} board.dtb"
        " && setenv bootargs root=/dev/mmcblk0p${root} panic=5"
        " && booti ${kernel_addr_r} - ${fdt_addr_r}"
    ),
    "altbootcmd": (
        "if test ${slot} = a; then setenv slot b; else setenv slot a; fi; saveenv; run bootcmd"
    ),
}


def test_each_slot_is_proven_and_the_switch_is_followed() -> None:
    found = proofs(board(_BY_SLOT, layout=_LAYOUT + _SLOTS))
    assert {name: proof.verdict for name, proof in found.items()} == {
        "main a": Verdict.PROVEN,
        "main b": Verdict.PROVEN,
        "main after 3 failed starts": Verdict.PROVEN,
    }
    assert found["main after 3 failed starts"].line() == (
        "altbootcmd: main b → boot: Image (arm64), board.dtb"
        " → root-b: root root-b (ext4), /sbin/init"
    )


def test_a_slot_that_cannot_start_is_refuted_alone() -> None:
    found = proofs(board(_BY_SLOT, layout=_LAYOUT + _SLOTS, other=False))
    assert found["main a"].verdict is Verdict.PROVEN
    assert found["main b"].verdict is Verdict.REFUTED
    assert "no init" in found["main b"].line()
    stuck = {**_BY_SLOT, "bootcmd": _BY_SLOT["bootcmd"].replace("root 3", "root 2")}
    found = proofs(board(stuck, layout=_LAYOUT + _SLOTS))
    assert found["main b"].verdict is Verdict.REFUTED
    assert "root-a" in found["main b"].line()


def test_a_switch_that_starts_the_same_slot_again_is_refuted() -> None:
    found = proofs(board({**_BY_SLOT, "altbootcmd": "run bootcmd"}, layout=_LAYOUT + _SLOTS))
    switch = found["main after 3 failed starts"]
    assert switch.verdict is Verdict.REFUTED
    assert "it starts main a again" in switch.line()


def test_losses_are_followed_to_what_starts() -> None:
    subject = board(_BY_SLOT, layout=_LAYOUT + _SLOTS)
    told = {str(loss): (loss.starts, loss.how) for loss in subject.losses}
    assert told["(nothing)"] == (("main a",), "bootcmd")
    assert told["root-a"] == (("main b",), "after 3 failed starts altbootcmd")
    assert told["root-b"] == (("main a",), "bootcmd")
    assert told["emmc silent"] == ((), "U-Boot waits at its prompt")
    assert told["boot"] == ((), "U-Boot waits at its prompt")
    # nothing is compiled in that is known here
    assert told["env"][0] is None
    still = board(
        {**_BY_SLOT, "bootcmd": _BY_SLOT["bootcmd"].replace(" panic=5", "")},
        layout=_LAYOUT + _SLOTS,
    )
    stays = next(loss for loss in still.losses if loss.name == "root-a")
    assert stays.starts == ()
    assert "without panic=" in stays.how


@pytest.mark.parametrize(
    ("built", "arguments", "stays"),
    [
        ("0", "", True),
        ("10", "", False),
        ("-1", "", False),
        ("10", " panic=0", True),
        ("0", " panic=0 panic=5", False),  # the last one counts
        ("0", " panic=5 panic=0", True),
    ],
)
def test_a_kernel_may_be_built_to_restart(built: str, arguments: str, stays: bool) -> None:
    """Source: Linux lib/Kconfig.debug, PANIC_TIMEOUT; kernel/panic.c takes panic= over it."""
    boot = _BY_SLOT["bootcmd"].replace(" panic=5", arguments)
    made = image_of({**CONFIG, "PANIC_TIMEOUT": built})
    subject = board({**_BY_SLOT, "bootcmd": boot}, layout=_LAYOUT + _SLOTS, files={"Image": made})
    lost = next(loss for loss in subject.losses if loss.name == "root-a")
    assert (lost.starts == ()) == stays, lost.how
    assert ("without panic=" in lost.how) == stays


@pytest.mark.parametrize(
    ("config", "counts"),
    [
        ("CONFIG_BOOTCOUNT_LIMIT=y\n", True),
        ("CONFIG_BOOTDELAY=2\n", False),
        ("CONFIG_BOOTCOUNT_LIMIT=y\nCONFIG_BOOTCOUNT_ENV=y\n", False),  # no upgrade_available
    ],
)
def test_a_u_boot_that_counts_no_start_does_not_switch(config: str, counts: bool) -> None:
    """Source: U-Boot common/autoboot.c, bootdelay_process: under CONFIG_BOOTCOUNT_LIMIT only."""
    layout = f"{_LAYOUT}{_SLOTS}written-elsewhere: {{uboot-config: config}}\n"
    subject = board(_BY_SLOT, layout=layout, made={"config": config.encode})
    lost = next(loss for loss in subject.losses if loss.name == "root-a")
    assert lost.starts == (("main b",) if counts else ())
    assert "altbootcmd" in lost.how or "resets without an end" in lost.how
    switched = "main after 3 failed starts" in proofs(subject)
    assert switched == ("BOOTCOUNT_LIMIT" in config)


def test_a_stick_without_anything_must_not_keep_the_board() -> None:
    script = (
        "if usb start && usb dev 0; then load usb 0:1 ${scriptaddr} boot.scr && source; else"
        f" {_BY_SLOT['bootcmd'].partition('; fi; ')[2]}; fi"
    )
    proof = proofs(board({**_BY_SLOT, "bootcmd": script}))["main"]
    assert proof.verdict is Verdict.UNPROVEN, proof.line()
    assert "usb" in proof.line()


@pytest.mark.parametrize(
    ("ramdisk", "argument", "says"),
    [
        ("raw", ":${size}", ""),
        ("raw", "", "no header of U-Boot's, and no size is given"),
        ("raw", ":10", "it gives the kernel 16 bytes"),
        ("raw", ":", ""),  # no bytes are no ramdisk: the kernel mounts root= itself
        ("ramdisk linux arm64", "", ""),
        ("ramdisk linux arm", "", "a uImage of type ramdisk for linux on arm"),
        ("kernel linux arm64", "", "a uImage of type kernel"),
        ("ramdisk netbsd arm64", "", "for netbsd"),
    ],
)
def test_what_is_taken_for_a_ramdisk(ramdisk: str, argument: str, says: str) -> None:
    """Source: U-Boot boot/image-board.c, select_ramdisk."""
    tree: Root = {"init": file(program(), 0o755), "dev": directory()}
    data = packed(cpio(tree, 0))
    if ramdisk != "raw":
        kind, system, arch = (_NUMBERS[word] for word in ramdisk.split())
        data = uimage(data, kind=kind, system=system, arch=arch)
    script = (
        "load mmc 0:1 ${kernel_addr_r} Image && load mmc 0:1 ${fdt_addr_r} board.dtb"
        " && load mmc 0:1 ${ramdisk_addr_r} rd && setenv size ${filesize}"
        " && setenv bootargs root=/dev/mmcblk0p2"
        f" && booti ${{kernel_addr_r}} ${{ramdisk_addr_r}}{argument} ${{fdt_addr_r}}"
    )
    proof = proofs(board({**_ADDRESSES, "bootcmd": script}, files={"rd": data}))["main"]
    assert proof.verdict is (Verdict.REFUTED if says else Verdict.PROVEN), proof.line()
    assert says in proof.line()


@pytest.mark.parametrize(
    ("options", "pack", "says"),
    [
        ({}, packed, ""),
        ({"RD_GZIP": "n"}, packed, "it has no CONFIG_RD_GZIP"),
        ({}, lambda data: lzma.compress(data, check=lzma.CHECK_CRC32), ""),
        ({}, lambda data: lzma.compress(data, check=lzma.CHECK_CRC64), "xz with such a check"),
    ],
)
def test_a_ramdisk_that_the_kernel_cannot_unpack(
    options: dict[str, str], pack: Callable[[bytes], bytes], says: str
) -> None:
    tree: Root = {"init": file(program(), 0o755), "dev": directory()}
    started = image_of({**CONFIG, **options})
    files = {"initrd": pack(cpio(tree, 0)), "Image": started}
    text = _CONF.replace("  fdt", "  initrd /initrd\n  fdt")
    proof = proofs(board({**_DISTRO, "boot_targets": "mmc0"}, conf=text, files=files))["main"]
    assert proof.verdict is (Verdict.REFUTED if says else Verdict.PROVEN), proof.line()
    assert says in proof.line()


_NUMBERS = {"kernel": 2, "ramdisk": 3, "linux": 5, "netbsd": 2, "arm": 2, "arm64": 22}
"""Of U-Boot's include/image.h."""
_UNZIPS = {
    **_ADDRESSES,
    "bootcmd": (
        "load mmc 0:1 0x85000000 Image.gz && unzip 0x85000000 ${kernel_addr_r}"
        " && load mmc 0:1 ${fdt_addr_r} board.dtb && setenv bootargs root=/dev/mmcblk0p2"
        " && booti ${kernel_addr_r} - ${fdt_addr_r}"
    ),
}


def test_what_a_script_unpacks_is_followed() -> None:
    files = {"Image.gz": packed(arm64_kernel())}
    proof = proofs(board(_UNZIPS, files=files))["main"]
    assert proof.verdict is Verdict.PROVEN, proof.line()
    plain = proofs(board(_UNZIPS, files={"Image.gz": arm64_kernel()}))["main"]
    assert plain.verdict is Verdict.REFUTED
    assert "`unzip 0x85000000 0x80200000`" in plain.line()

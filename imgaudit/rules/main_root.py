"""The main system's root: whether it starts, and finds what its own configuration names."""

from __future__ import annotations

import struct
from collections.abc import Iterator, Mapping
from dataclasses import replace
from uuid import UUID

from imgaudit.arches import ARCHES
from imgaudit.rescue.drivers import FILE_SYSTEMS, State
from imgaudit.rescue.mainroot import MainRoot, Mount
from imgaudit.rules import samples as sample
from imgaudit.rules._rescue import listed
from imgaudit.rules.cited import PRACTICE, in_busybox, in_glibc, in_linux, in_u_boot, manual, seen
from imgaudit.rules.engine import (
    Case,
    Cause,
    Example,
    Finding,
    Kind,
    Missing,
    NotChecked,
    Outcome,
    Rule,
    Severity,
    check,
)
from imgaudit.rules.examples import emmc
from imgaudit.rules.subject import Subject
from imgaudit.units import KIB, MIB
from imgaudit.writers import elf
from imgaudit.writers.env import environment
from imgaudit.writers.ext4 import ext4
from imgaudit.writers.fdt import Tree
from imgaudit.writers.kernel import RELEASE, image
from imgaudit.writers.tree import Entry, Root, directory, file

_SURE = frozenset({"busybox", "sysvinit", "openrc", "a program"})


def _each(subject: Subject) -> Iterator[MainRoot | Missing]:
    for root in subject.roots.values():
        yield Missing(root.region.name, root.why) if root.why else root


ROOTS = Kind(_each, lambda root: root.region.name)
"""The root file systems of main systems whose files are listed."""
_ALL_ROOTS: Kind[MainRoot] = Kind(
    lambda subject: subject.roots.values(), lambda root: root.region.name
)


def _said(case: Case, root: MainRoot, severity: Severity | None = None) -> Finding:
    return case.at(region=root.region, artifact=root.artifact, key="file", severity=severity)


_FSTAB_GOOD = "PARTLABEL=data /data ext4 defaults 0 2\n"
_TREE: Root = {
    "sbin/init": file(elf.program(), 0o755),
    "etc/fstab": file(_FSTAB_GOOD),
    **{name: directory() for name in ("data", "dev", "proc", "sys")},
}
_BUSYBOX = file(elf.program(b"\0BusyBox v1.36.1\0ash\0cat\0init\0true\0\0"), 0o755)


def system(
    changes: Mapping[str, Entry | None] | None = None,
    kernel: tuple[str, ...] = ("EXT4_FS",),
    *,
    config: Mapping[str, str] | None = None,
    arguments: str = "console=ttyS0 root=PARTLABEL=rootfs rootwait",
    nodes: Tree | None = None,
) -> Example:
    """Give a build whose main system is started from the first partition of an eMMC."""
    tree = {**_TREE, **(changes or {})}
    entries: Root = {path: entry for path, entry in tree.items() if entry is not None}
    variables = {
        "bootcmd": "mmc dev 0; mmc read ${kernel_addr_r} 0x10000 0x4000;"
        " mmc read ${fdt_addr_r} 0x14000 0x80; run arguments;"
        " booti ${kernel_addr_r} - ${fdt_addr_r}",
        "arguments": f"setenv bootargs {arguments}",
        "kernel_addr_r": "0x80200000",
        "fdt_addr_r": "0x88000000",
    }
    disk = "partition: {}, at: {} MiB, size: 8 MiB, holds: ext4"
    env = "name: env, at: 1 MiB, size: 64 KiB, holds: uboot-env, writer: runtime, file: u-boot.env"
    stage = "stages: {main: {regions: [env, kernel, tree, rootfs, data], entry: bootcmd}}\n"
    uuids = {name: UUID(int=number) for number, name in enumerate(("rootfs", "data"), 1)}
    return emmc(
        f"{env}, env: {{size: 8 KiB}}",
        f"name: rootfs, {disk.format(1, 4)}, file: rootfs.ext4",
        f"name: data, {disk.format(2, 12)}, file: data.ext4, writer: runtime",
        "name: kernel, at: 32 MiB, size: 8 MiB, holds: arm64-image, file: Image",
        "name: tree, at: 40 MiB, size: 64 KiB, holds: fdt, file: board.dtb",
        chip="sectors: 131072, boot-area: 2 MiB",
        rest=stage,
        files={
            "u-boot.env": lambda: environment(variables, 8 * KIB, None),
            "Image": lambda: image({**dict.fromkeys(kernel, "y"), **(config or {})}),
            "board.dtb": lambda: sample.board_tree(nodes or {}),
            "rootfs.ext4": lambda: _written(entries, "rootfs", uuids["rootfs"]),
            "data.ext4": lambda: _written({}, "data", uuids["data"]),
        },
    )


def _written(entries: Root, label: str, uuid: UUID) -> bytes:
    return ext4(8 * MIB, entries, label=label, uuid=uuid, epoch=0).whole()


_GOOD = system()


def _stage_values(*, stage: str) -> None: ...


EMPTY = Rule(
    name="main-root-empty",
    stops=True,
    values=_stage_values,
    severity=Severity.ERROR,
    message="the root file system of {stage}, {region}, has no file in it",
    effect="The kernel mounts it, finds no init, and panics.",
    fix="Give the image builder the tree that was built; an empty folder makes an empty image.",
    computed="the file system lists nothing but folders",
    sources=(
        in_linux("init/main.c", "kernel_init", "No working init found."),
        seen("Linux 6.1 under qemu"),
    ),
    bad=system(dict.fromkeys(("sbin/init", "etc/fstab"))),
    good=_GOOD,
)


@check(EMPTY, over=ROOTS)
def main_root_empty(root: MainRoot) -> Outcome:
    if not root.files:
        yield _said(EMPTY(stage=root.started.name), root)


def _init_values(*, stage: str, tried: str, happens: str) -> None: ...


INIT = Rule(
    name="main-init-cannot-run",
    stops=True,
    values=_init_values,
    severity=Severity.ERROR,
    message="nothing in {region} can be the first program of {stage}: {tried}",
    effect='The kernel panics: "{happens}".',
    fix="Put the init that was built for this board at /sbin/init, with all that it needs.",
    computed="what init= names, else /sbin/init, /etc/init, /bin/init and /bin/sh: each is missing,"
    " not executable, of another machine, or lacks its interpreter, loader or a library",
    sources=(
        in_linux(
            "init/main.c",
            "kernel_init",
            "No working init found. Try passing init= option to kernel.",
        ),
        in_linux("init/main.c", "kernel_init", "Requested init %s failed (error %d)."),
        seen("Linux 6.1 under qemu"),
    ),
    bad=system({"sbin/init": file(elf.program(machine=elf.X86_64), 0o755)}),
    good=_GOOD,
)


@check(INIT, over=ROOTS, after=(main_root_empty,))
def main_init(root: MainRoot) -> Outcome:
    first = root.first
    if first is not None and first.certain and first.reached is None:
        tried = [attempt.ends or attempt.why for attempt in first.attempts]
        case = INIT(stage=root.started.name, tried="; ".join(tried), happens=first.panic)
        yield _said(case, root)


def _driver_values(*, stage: str, holds: str, option: str) -> None: ...


DRIVER = Rule(
    name="root-file-system-not-in-kernel",
    stops=True,
    values=_driver_values,
    severity=Severity.ERROR,
    message="the kernel of {stage} cannot mount {region}: {holds} is not built in",
    effect=(
        "The kernel panics: 'No filesystem could mount root, tried:', or, where "
        "rootfstype= names it, 'VFS: Cannot open root device … error -19'; then 'VFS: "
        "Unable to mount root fs'."
    ),
    fix="Build CONFIG_{option}=y into it; a module lies in the very file system that it is for.",
    computed="the option is not y where the configuration is known; else neither the name nor the"
    " messages of the driver are in the uncompressed kernel",
    sources=(
        in_linux("init/do_mounts.c", "mount_block_root", "No filesystem could mount root, tried:"),
        in_linux(
            "init/do_mounts.c",
            "mount_block_root",
            'VFS: Cannot open root device "%s" or %s: error %d',
        ),
        in_linux("init/do_mounts.c", "mount_block_root", "VFS: Unable to mount root fs on %s"),
        in_linux("fs/filesystems.c", "list_bdev_fs_names"),
        in_linux("fs/namespace.c", "do_new_mount"),
        seen("Debian's packaged arm64 kernel"),
    ),
    bad=system(kernel=()),
    good=_GOOD,
)


@check(DRIVER, over=ROOTS)
def root_driver(root: MainRoot) -> Outcome:
    stage, holds = root.started.name, root.region.holds
    if root.driver is State.MISSING:
        option = FILE_SYSTEMS[holds][0] if holds in FILE_SYSTEMS else "the file system"
        said = _said(DRIVER(stage=stage, holds=holds, option=option), root)
        # The roots of all slots wait for the same driver.
        same = Cause(
            frozenset({DRIVER.name}), anywhere=True, values={"stage": stage, "holds": holds}
        )
        yield replace(said, causes=(*said.causes, same))
    elif root.driver is State.UNKNOWN:
        why = f"whether the kernel of {stage} has {holds} built in cannot be told from it"
        yield NotChecked(DRIVER.name, root.region.name, why)


def _packing_values(compressor: str, *, stage: str, holds: str, option: str) -> None: ...


def packed_root(*options: str) -> Example:
    """Give the main system on a squashfs in xz, of which there is but the superblock."""
    example = system(kernel=("SQUASHFS", *options))
    head = struct.pack("<4sIIIIHHHHHH", b"hsqs", 1, 0, 1 << 17, 0, 4, 17, 0x10, 1, 4, 0)
    absent = (1 << 64) - 1
    places = (0, 4000, 3990, absent, 96, 2000, absent, absent)
    image_ = (head + struct.pack("<8Q", *places)).ljust(4096, b"\0")
    layout = example.layout.replace("holds: ext4, file: rootfs", "holds: squashfs, file: rootfs")
    return replace(example, layout=layout, files={**example.files, "rootfs.ext4": lambda: image_})


PACKING = Rule(
    name="root-compression-not-in-kernel",
    stops=True,
    values=_packing_values,
    severity=Severity.ERROR,
    message="{region} is {holds} packed with {compressor}, and the kernel of {stage} was built"
    " without CONFIG_{option}",
    effect="The kernel refuses the mount, and panics.",
    fix="Build CONFIG_{option}=y into the kernel, or pack the root with what it has.",
    computed="the compressor that the superblock names, and the option for it in the kernel's own"
    " configuration, where that is known",
    sources=(
        in_linux("fs/squashfs/Kconfig", "SQUASHFS_XZ"),
        in_linux(
            "fs/squashfs/super.c",
            "supported_squashfs_filesystem",
            'Filesystem uses "%s" compression. This is not supported',
        ),
        in_linux("fs/erofs/Kconfig", "EROFS_FS_ZIP_LZMA"),
    ),
    bad=packed_root("SQUASHFS_ZLIB"),
    good=packed_root("SQUASHFS_XZ"),
)
_PACKINGS = {
    ("squashfs", "gzip"): "SQUASHFS_ZLIB",
    ("squashfs", "lz4"): "SQUASHFS_LZ4",
    ("squashfs", "lzo"): "SQUASHFS_LZO",
    ("squashfs", "xz"): "SQUASHFS_XZ",
    ("squashfs", "zstd"): "SQUASHFS_ZSTD",
    ("erofs", "deflate"): "EROFS_FS_ZIP_DEFLATE",
    ("erofs", "lz4"): "EROFS_FS_ZIP",
    ("erofs", "lzma"): "EROFS_FS_ZIP_LZMA",
    ("erofs", "zstd"): "EROFS_FS_ZIP_ZSTD",
}


@check(PACKING, over=_ALL_ROOTS)
def root_packing(root: MainRoot) -> Outcome:
    config, holds = root.started.config, root.region.holds
    for compressor in root.compressors if config is not None else ():
        option = _PACKINGS.get((holds, compressor.lower()))
        if option is not None and config is not None and config.get(f"CONFIG_{option}") != "y":
            case = PACKING(
                compressor=compressor, stage=root.started.name, holds=holds, option=option
            )
            yield _said(case, root)


def _foreign_values(machine: str, *, programs: str, count: int, wanted: str) -> None: ...


FOREIGN = Rule(
    name="main-programs-wrong-machine",
    values=_foreign_values,
    severity=Severity.WARNING,
    message="{region} has {count:+program} of another machine, {machine}: {programs}",
    effect='The shell says "Exec format error" of each{wanted}.',
    fix="Build the root for the board's own machine.",
    computed="machine, class and byte order of the ELF files in /bin, /sbin, /usr/bin and /usr/sbin"
    " against the layout's arch",
    sources=(
        in_linux("fs/binfmt_elf.c", "elf_check_arch"),
        in_linux("arch/arm64/Kconfig", "COMPAT"),
        in_glibc("sysdeps/gnu/errlist.h", "ENOEXEC", "Exec format error"),
    ),
    bad=system({"usr/bin/gauge": file(elf.program(machine=elf.X86_64), 0o755)}),
    good=_GOOD,
)


@check(FOREIGN, over=ROOTS, after=(main_root_empty, main_init))
def main_foreign(root: MainRoot) -> Outcome:
    config = root.started.config
    for machine, programs in root.foreign.items():
        target = ARCHES[root.arch]
        compat, option = machine == f"32-bit {target.compat}", target.compat_option
        if compat and config is not None and config.get(option) == "y":
            continue
        note = f", unless the kernel has {option}" if compat and config is None else ""
        case = FOREIGN(machine=machine, programs=listed(programs), count=len(programs), wanted=note)
        yield _said(case, root)


def _module_values(*, stage: str, release: str, found: str) -> None: ...


MODULES = Rule(
    name="main-modules-for-another-kernel",
    values=_module_values,
    severity=Severity.ERROR,
    message="{region} has modules for Linux {found}; {stage} starts Linux {release}",
    effect="No module is loaded: modprobe looks below /lib/modules/{release} alone, and the kernel"
    " refuses a module of another release. Whatever is not built in does not work.",
    fix="Pack the modules of {release}, or ship the kernel that was built with them.",
    computed="no folder of /lib/modules is called like the release in the kernel's banner; or a"
    " module in the one that is says another release in its vermagic: a warning where the kernel"
    " has CONFIG_MODVERSIONS and compares the sums of the symbols instead",
    sources=(
        manual(
            "modprobe(8)",
            "looks in the module directory /lib/modules/`uname -r` for all the modules and other"
            " files",
        ),
        in_linux("kernel/module/main.c", "check_modinfo"),
        in_linux("kernel/module/version.c", "same_magic"),
    ),
    bad=system({"lib/modules/6.1.0-other/modules.dep": file("")}),
    good=system({f"lib/modules/{RELEASE}/modules.dep": file("")}),
)


@check(MODULES, over=ROOTS)
def main_modules(root: MainRoot) -> Outcome:
    release = root.started.release
    if release is not None and root.releases and release not in root.releases:
        case = MODULES(stage=root.started.name, release=release, found=listed(root.releases))
        yield _said(case, root)
    elif release is not None and root.vermagic is not None:
        module, said = root.vermagic
        case = MODULES(stage=root.started.name, release=release, found=f"{said} ({module})")
        # Such a kernel leaves the release out of the comparison (same_magic).
        sums = (root.started.config or {}).get("CONFIG_MODVERSIONS") == "y"
        yield _said(case, root, Severity.WARNING if sums else None)


def _points_values(*, stage: str, points: str) -> None: ...


POINTS = Rule(
    name="main-root-without-mount-points",
    values=_points_values,
    severity=Severity.ERROR,
    message="{region} has no {points}",
    effect="The kernel cannot mount devtmpfs on /dev, and init cannot mount the others: programs"
    " find no device and no process.",
    fix="Make the empty folders when the image is built; version control keeps none.",
    computed="/dev, /proc or /sys is no folder of the root file system",
    sources=(
        in_linux("drivers/base/devtmpfs.c", "devtmpfs_mount"),
        manual("hier(7)", "This is a mount point for the proc filesystem"),
    ),
    bad=system({"proc": None}),
    good=_GOOD,
)


@check(POINTS, over=ROOTS, after=(main_root_empty,))
def main_points(root: MainRoot) -> Outcome:
    if root.points:
        yield _said(POINTS(stage=root.started.name, points=listed(root.points)), root)


def _mount_values(device: str, point: str, *, line: int, why: str, happens: str) -> None: ...


DEVICE = Rule(
    name="fstab-device-missing",
    values=_mount_values,
    severity=Severity.ERROR,
    message="/etc/fstab:{line} of {region} mounts {device} on {point}, but {why}",
    effect="{happens}.",
    fix="Name a partition or file system that is there, or add nofail.",
    computed="PARTLABEL, PARTUUID, LABEL, UUID or mmcblkXpN is in no partition table, no file"
    " system's own identity and no region; a warning with noauto or nofail",
    sources=(
        manual(
            "fstab(5)",
            "This field describes the block special device, remote filesystem or filesystem image",
        ),
        manual("mount(8)", "Do not report errors for this device if it does not exist."),
        manual("systemd.mount(5)", "nofail"),
        manual("systemd-system.conf(5)", "default to 90s"),
    ),
    bad=system({"etc/fstab": file("PARTLABEL=records /data ext4 defaults 0 2\n")}),
    good=_GOOD,
)


def by_label(device: str) -> tuple[Cause, ...]:
    """Give what would be the cause where a partition is not found by its label."""
    sought = device.startswith(("PARTLABEL=", "/dev/disk/by-partlabel/"))
    return (Cause(frozenset({"gpt-duplicate-label"})),) if sought else ()


def _happens(root: MainRoot) -> str:
    if root.init_system == "systemd":
        return "systemd waits 90 seconds for it, and drops to its emergency shell"
    return "mount fails, and the start goes on without it or stops at a shell"


def _weight(mount: Mount) -> Severity:
    return Severity.WARNING if mount.optional else Severity.ERROR


@check(DEVICE, over=ROOTS)
def fstab_device(root: MainRoot) -> Outcome:
    for mount in root.mounts:
        if mount.why:
            case = DEVICE(
                device=mount.device,
                point=mount.point,
                line=mount.line,
                why=mount.why,
                happens=_happens(root),
            )
            said = _said(case, root, _weight(mount))
            yield replace(said, causes=by_label(mount.device))


def _type_values(device: str, point: str, *, line: int, kind: str, at: str, holds: str) -> None: ...


TYPE = Rule(
    name="fstab-type-differs",
    values=_type_values,
    severity=Severity.ERROR,
    message="/etc/fstab:{line} of {region} mounts {device} as {kind}, but {at} holds {holds}",
    effect="The file system is not mounted: wrong fs type, bad superblock.",
    fix="Write the type that it has.",
    computed="the third field is not the type of the file system in the region that the device"
    " leads to; a warning with noauto or nofail",
    sources=(
        manual("fstab(5)", "This field describes the type of the filesystem."),
        in_linux("fs/namespace.c", "do_new_mount"),
    ),
    bad=system({"etc/fstab": file("PARTLABEL=data /data vfat defaults 0 2\n")}),
    good=_GOOD,
)


@check(TYPE, over=ROOTS)
def fstab_type(root: MainRoot) -> Outcome:
    for mount in root.mounts:
        if mount.holds and mount.region is not None:
            case = TYPE(
                device=mount.device,
                point=mount.point,
                line=mount.line,
                kind=mount.type,
                at=mount.region,
                holds=mount.holds,
            )
            yield _said(case, root, _weight(mount))


POINT = Rule(
    name="fstab-mount-point-missing",
    values=_mount_values,
    severity=Severity.ERROR,
    message="/etc/fstab:{line} of {region} mounts {device} on {point}, but {why}",
    effect="{happens}.",
    fix="Make the empty folder when the image is built.",
    computed="the second field is no folder of the root file system, and no other line mounts above"
    " it; a warning for systemd, which makes it where the root can be written",
    sources=(
        manual("fstab(5)", "This field describes the mount point (target) for the filesystem."),
        manual(
            "mount(8)", "Allow to make a target directory (mountpoint) if it does not exist yet."
        ),
        manual(
            "systemd.mount(5)",
            "If the mount point does not exist at the time of mounting, it is created as either a"
            " directory or a file.",
        ),
    ),
    bad=system({"data": None}),
    good=_GOOD,
)


@check(POINT, over=ROOTS)
def fstab_point(root: MainRoot) -> Outcome:
    for mount in root.mounts:
        if mount.no_point:
            case = POINT(
                device=mount.device,
                point=mount.point,
                line=mount.line,
                why=f"there is no folder {mount.point}",
                happens="mount fails: mount point does not exist",
            )
            sure = root.init_system in _SURE and not mount.optional
            yield _said(case, root, Severity.ERROR if sure else Severity.WARNING)


def _tool_values(tools: str) -> None: ...


TOOLS = Rule(
    name="main-environment-tool-without-config",
    values=_tool_values,
    severity=Severity.WARNING,
    message="{region} has {tools} and no /etc/fw_env.config",
    effect="The main system cannot read or set the boot loader's variables: no slot is switched, no"
    " boot counter reset.",
    fix="Pack /etc/fw_env.config with the places of the environment.",
    computed="fw_printenv or fw_setenv is there and /etc/fw_env.config is not",
    sources=(
        in_u_boot("tools/env/README", "fw_env.config"),
        in_u_boot("tools/env/fw_env.c", "parse_config"),
    ),
    bad=system({"usr/bin/fw_setenv": file(elf.program(), 0o755)}),
    good=_GOOD,
)


@check(TOOLS, over=ROOTS)
def main_tools(root: MainRoot) -> Outcome:
    if root.bare_tools:
        yield _said(TOOLS(tools=listed(root.bare_tools)), root)


LOGIN = Rule(
    name="main-without-login",
    values=_stage_values,
    severity=Severity.WARNING,
    message="nothing in {region} gives a prompt on a console of {stage}",
    effect="Where the network does not come up, nobody can look into the running system.",
    fix="Start a getty on the console in inittab, or waive this with the reason.",
    computed="init is BusyBox's or sysvinit's, and neither inittab nor the scripts that it runs"
    " start a getty, a login or a shell; units of systemd and openrc are not followed",
    sources=(
        in_busybox("init/init.c", "askfirst"),
        manual(
            "inittab(5)",
            "describes which processes are started at bootup and during normal operation",
        ),
        PRACTICE,
    ),
    bad=system({"sbin/init": _BUSYBOX, "etc/inittab": file("::sysinit:/bin/true\n")}),
    good=_GOOD,
)


@check(LOGIN, over=ROOTS, after=(main_root_empty, main_init))
def main_login(root: MainRoot) -> Outcome:
    if root.prompts is False:
        yield _said(LOGIN(stage=root.started.name), root)


_ACCOUNT = "root:x:0:0:root:/root:/bin/sh\n"

OPEN = Rule(
    name="main-root-password-open",
    values=_stage_values,
    severity=Severity.WARNING,
    message="root has no password in {region}, the root file system of {stage}",
    effect="Whoever reaches a login prompt, as on a serial console, is root, on every unit. SSH"
    " servers refuse an empty password unless they are told otherwise.",
    fix="Set a password hash in /etc/shadow, lock it with *, or let keys in only.",
    computed="the password field of the first account with user id 0 is empty, in /etc/shadow where"
    " /etc/passwd says x",
    sources=(
        manual(
            "passwd(5)",
            "then the encrypted password is actually stored in the shadow(5) file instead",
        ),
        manual(
            "shadow(5)",
            "in which case no passwords are required to authenticate as the specified login name",
        ),
    ),
    bad=system({"etc/passwd": file(_ACCOUNT), "etc/shadow": file("root::20640:0:99999:7:::\n")}),
    good=system({"etc/passwd": file(_ACCOUNT), "etc/shadow": file("root:*:20640:0:99999:7:::\n")}),
)


@check(OPEN, over=ROOTS)
def main_root_open(root: MainRoot) -> Outcome:
    if root.open_root:
        yield _said(OPEN(stage=root.started.name), root)

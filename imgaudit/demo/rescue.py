"""The recovery ramdisk and the main root file system of the Whimbrel, as trees."""

from __future__ import annotations

from imgaudit.writers import elf
from imgaudit.writers.kernel import RELEASE
from imgaudit.writers.sparse import filler
from imgaudit.writers.tree import Root, character_device, directory, file, link

_APPLETS = {
    "bin": """ash cat chmod chown cp date dd df dmesg echo false grep gunzip gzip hostname kill ln
        login ls mkdir mknod mount mv pidof ping ps rm rmdir sed sh sleep stat stty sync tar touch
        true umount uname vi zcat""",
    "sbin": """blockdev getty halt hwclock ifconfig init ip mdev poweroff reboot route syslogd
        udhcpc watchdog""",
    "usr/bin": """[ [[ awk basename bunzip2 bzcat cmp cpio cut dirname du env expr find free head
        hexdump id killall less md5sum nc od passwd printf readlink rx seq sha256sum sort
        tail tee test tftp time top tr uniq wc wget which xargs xxd""",
    "usr/sbin": "chroot devmem ntpd",
}
_COMMON = ("libc.so.6",)
_EXT2 = ("libext2fs.so.2", "libcom_err.so.2", *_COMMON)
# The file system features that e2fsprogs knows by name (its lib/e2p/feature.c).
_FEATURES = b"""has_journal ext_attr resize_inode dir_index filetype needs_recovery extent 64bit
    flex_bg sparse_super large_file huge_file dir_nlink extra_isize metadata_csum"""
_BLKID = ("libblkid.so.1", *_COMMON)
_TOOLS = {
    "sbin/mke2fs": _EXT2,
    "sbin/e2fsck": _EXT2,
    "sbin/resize2fs": _EXT2,
    "sbin/tune2fs": _EXT2,
    "sbin/blkid": _BLKID,
    "sbin/sfdisk": ("libfdisk.so.1", *_COMMON),
    "usr/sbin/dropbear": ("libcrypt.so.1", *_COMMON),
}
_STATIC_TOOLS = """sbin/partprobe sbin/mkfs.fat sbin/fsck.fat usr/bin/mmc usr/sbin/flashcp
    usr/sbin/flash_erase usr/sbin/flash_lock usr/sbin/flash_unlock usr/sbin/mtdinfo
    usr/sbin/nandwrite usr/bin/fw_printenv usr/bin/xz usr/bin/zstd usr/bin/lz4 usr/sbin/i2cdetect
    usr/sbin/i2cget usr/sbin/i2cset usr/sbin/i2ctransfer usr/bin/spidev_test usr/bin/gpioset
    usr/bin/gpioget usr/bin/gpiodetect"""
_LIBRARIES = {
    "libc.so.6": ("ld-linux-aarch64.so.1",),
    "libext2fs.so.2": ("libcom_err.so.2", *_COMMON),
    "libcom_err.so.2": _COMMON,
    "libuuid.so.1": _COMMON,
    "libblkid.so.1": _COMMON,
    "libfdisk.so.1": ("libblkid.so.1", "libuuid.so.1", *_COMMON),
    "libcrypt.so.1": _COMMON,
}
_LINKS = {
    "sbin/mkfs.ext4": "mke2fs",
    "sbin/fsck.ext4": "e2fsck",
    "sbin/mkfs.vfat": "mkfs.fat",
    "sbin/fsck.vfat": "fsck.fat",
    "usr/bin/fw_setenv": "fw_printenv",
    "usr/bin/unxz": "xz",
    "usr/sbin/dropbearkey": "dropbear",
    "usr/bin/scp": "../sbin/dropbear",
}

_INIT = """#!/bin/sh
# The kernel starts this first: give the shell its file systems, then hand over.
mount -t proc proc /proc
mount -t sysfs sysfs /sys
mount -t devtmpfs devtmpfs /dev
mkdir -p /dev/pts
mount -t devpts devpts /dev/pts
exec /sbin/init
"""
_INITTAB = """::sysinit:/etc/init.d/rcS
::respawn:/sbin/watchdog -F -t 5 /dev/watchdog
ttyS0::respawn:/sbin/getty -L ttyS0 115200 vt100
::ctrlaltdel:/sbin/reboot
::shutdown:/bin/umount -a -r
"""
_RCS = """#!/bin/sh
# Nothing here may wait for the eMMC: it may be what is broken.
hostname whimbrel-recovery
mount -t tmpfs tmpfs /run
hwclock -s -u
ip link set lo up
ip link set eth0 up
udhcpc -b -i eth0 -s /usr/share/udhcpc/default.script
/usr/sbin/dropbear -R
"""
_DHCP = """#!/bin/sh
case "$1" in
deconfig)
    ip addr flush dev "$interface"
    ;;
bound | renew)
    ip addr flush dev "$interface"
    ip addr add "$ip/$mask" dev "$interface"
    for gateway in $router; do
        ip route add default via "$gateway" dev "$interface"
    done
    : > /etc/resolv.conf
    for server in $dns; do
        echo "nameserver $server" >> /etc/resolv.conf
    done
    ;;
esac
"""
_MKE2FS = """[defaults]
\tbase_features = sparse_super,large_file,filetype,dir_index,ext_attr
\tdefault_mntopts = acl,user_xattr
\tblocksize = 4096
\tinode_size = 256

[fs_types]
\text4 = {
\t\tfeatures = has_journal,extent,flex_bg,dir_nlink,extra_isize
\t}
"""
_FW_ENV = """# Device    Offset  Environment size  Erase block
/dev/mtd1   0x0     0x4000            0x10000
/dev/mtd2   0x0     0x4000            0x10000
"""
# The hash of a random password that was thrown away; a product sets its own.
_ROOT_HASH = (
    "$6$tidegauge$HeGo7L.rTghX52m3e3nIzU5HgMSzJSk2JsG2v/nGlq0kLA3RGACveS0WpaA.i53sunLQfQfWdNwO3"
    "/u1zcPTl."
)
_OS_RELEASE = """ID=whimbrel
NAME="Whimbrel"
VERSION_ID=1.0.0
PRETTY_NAME="Whimbrel {what} 1.0.0"
"""


def busybox(left_out: tuple[str, ...] = ()) -> bytes:
    """Write a program that carries the table of its applets, as BusyBox does."""
    names = sorted(name for names in _APPLETS.values() for name in names.split())
    table = b"".join(name.encode() + b"\0" for name in names if name not in left_out)
    banner = b"BusyBox v1.37.0 (2026-07-06 12:00:00 UTC) multi-call binary.\0"
    return elf.program(banner + table + b"\0" + filler("busybox", 600 << 10))


def ramdisk() -> Root:
    """Give the recovery ramdisk."""
    root: Root = {
        "init": file(_INIT, 0o755),
        "bin/busybox": file(busybox(), 0o755),
        "dev/console": character_device(5, 1, 0o600),
        "dev/null": character_device(1, 3, 0o666),
        "proc": directory(0o555),
        "sys": directory(0o555),
        "run": directory(),
        "mnt": directory(),
        "root": directory(0o700),
        "tmp": directory(0o1777),
        "var/lock": directory(),
        "etc/dropbear": directory(0o700),
        "etc/inittab": file(_INITTAB),
        "etc/init.d/rcS": file(_RCS, 0o755),
        "etc/passwd": file("root:x:0:0:root:/root:/bin/sh\n"),
        "etc/group": file("root:x:0:\ntty:x:5:\n"),
        "etc/shadow": file(f"root:{_ROOT_HASH}:20640:0:99999:7:::\n", 0o600),
        "etc/shells": file("/bin/sh\n"),
        "etc/hostname": file("whimbrel-recovery\n"),
        "etc/fw_env.config": file(_FW_ENV),
        "etc/mke2fs.conf": file(_MKE2FS),
        "etc/os-release": file(_OS_RELEASE.format(what="recovery")),
        "usr/share/udhcpc/default.script": file(_DHCP, 0o755),
        elf.LOADER.lstrip("/"): file(elf.library("ld-linux-aarch64.so.1"), 0o755),
    }
    for folder, names in _APPLETS.items():
        up = "../" * (folder.count("/") + 1)
        target = "busybox" if folder == "bin" else f"{up}bin/busybox"
        root |= {f"{folder}/{name}": link(target) for name in names.split()}
    for path, needed in _TOOLS.items():
        features = b"\0".join([*_FEATURES.split(), b""]) if needed == _EXT2 else b""
        root[path] = file(elf.dynamic_program(needed, features + filler(path, 8 << 10)), 0o755)
    for path in _STATIC_TOOLS.split():
        root[path] = file(elf.program(filler(path, 8 << 10)), 0o755)
    for soname, needed in _LIBRARIES.items():
        root[f"lib/{soname}"] = file(elf.library(soname, needed), 0o755)
    root |= {path: link(target) for path, target in _LINKS.items()}
    return root


def rootfs(slot: str) -> Root:
    """Give the main system of slot `a` or `b`."""
    fstab = (
        f"PARTLABEL=rootfs-{slot}  /      ext4  defaults,noatime  0  1\n"
        "PARTLABEL=boot      /boot  vfat  defaults,ro       0  2\n"
        "PARTLABEL=data      /data  ext4  defaults,noatime  0  2\n"
    )
    return {
        "sbin/init": file(elf.program(filler("init", 64 << 10)), 0o755),
        "bin/sh": file(elf.program(filler("sh", 64 << 10)), 0o755),
        "etc/os-release": file(_OS_RELEASE.format(what="logger")),
        "etc/fstab": file(fstab),
        "etc/fw_env.config": file(_FW_ENV),
        "etc/mtab": link("../proc/self/mounts"),
        # All drivers are built in, so modules.builtin is all that there is.
        f"lib/modules/{RELEASE}/modules.builtin": file("kernel/fs/ext4/ext4.ko\n"),
        "usr/bin/fw_printenv": file(elf.program(filler("fw_printenv", 16 << 10)), 0o755),
        "usr/bin/fw_setenv": link("fw_printenv"),
        **{name: directory() for name in ("boot", "data", "dev", "proc", "run", "sys")},
        "tmp": directory(0o1777),
    }

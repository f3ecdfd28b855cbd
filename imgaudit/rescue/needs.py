"""What a recovery system must be able to do, and the tools that do it.

Each group is a list of needs, and each need a list of alternatives: sets of tools of which one set
has to run. The choice of groups and tools is common practice, no source; what a tool reads beside
itself is from its manual page, and what it asks of the kernel from the help texts in Linux Kconfig.
"""

from __future__ import annotations

from typing import Literal

from imgaudit.data import dataclass

Level = Literal["must", "should"]


@dataclass(frozen=True, slots=True)
class Need:
    """One thing to be able to do: all tools of at least one alternative."""

    what: str
    alternatives: tuple[tuple[str, ...], ...]
    level: Level = "must"


@dataclass(frozen=True, slots=True)
class Support:
    """A file that each of `tools` reads, at one of `paths`.

    A path that ends in `/` is a directory with something in it.
    """

    tools: tuple[str, ...]
    paths: tuple[str, ...]
    why: str
    executable: bool = False


@dataclass(frozen=True, slots=True)
class Kernel:
    """A kernel option, without `CONFIG_`, that one of `tools` cannot do without."""

    symbol: str
    tools: tuple[str, ...]
    why: str


@dataclass(frozen=True, slots=True)
class Group:
    """A group of needs under the word that a layout's `needs:` uses."""

    name: str
    why: str
    needs: tuple[Need, ...]
    support: tuple[Support, ...] = ()
    kernel: tuple[Kernel, ...] = ()

    @property
    def tools(self) -> tuple[str, ...]:
        """Every tool that is named in a need, once, in order."""
        named = (tool for need in self.needs for tools in need.alternatives for tool in tools)
        return tuple(dict.fromkeys(named))


def _each(words: str, level: Level = "must") -> tuple[Need, ...]:
    """Make one need of every word; `a|b` are alternatives, `a+b` go together."""
    return tuple(
        _need(word.replace("|", " or ").replace("+", " and "), word, level)
        for word in words.split()
    )


def _need(what: str, tools: str, level: Level = "must") -> Need:
    return Need(what, tuple(tuple(set_.split("+")) for set_ in tools.split("|")), level)


_MAKE_EXT = ("mke2fs", "mkfs.ext4", "mkfs.ext2", "mkfs.ext3")
_EXT4 = (
    _need("make an ext4 file system", "mke2fs|mkfs.ext4"),
    _need("check an ext4 file system", "e2fsck|fsck.ext4"),
    _need("change an ext4 file system", "resize2fs+tune2fs", "should"),
)
_EXT4_SUPPORT = (
    Support(_MAKE_EXT, ("/etc/mke2fs.conf",), "without it the features differ from the factory's"),
)
_EXT4_KERNEL = (Kernel("EXT4_FS", (*_MAKE_EXT, "e2fsck", "fsck.ext4"), "mounts ext4"),)
_MAKE_FAT = ("mkfs.vfat", "mkfs.fat", "mkdosfs")
_FAT = (
    _need("make a FAT file system", "mkfs.vfat|mkfs.fat|mkdosfs"),
    _need("check a FAT file system", "fsck.vfat|fsck.fat|dosfsck"),
)
_FAT_KERNEL = (
    Kernel("VFAT_FS", _MAKE_FAT, "mounts FAT"),
    Kernel("NLS_CODEPAGE_437", _MAKE_FAT, "the default code page of FAT"),
    Kernel("NLS_ISO8859_1", _MAKE_FAT, "the default character set of FAT"),
)

WEAK_APPLETS = {
    "fdisk": "the applet of busybox shows a GPT but cannot write one",
    "mke2fs": "the applet of busybox makes ext2 only",
    "mkfs.ext2": "the applet of busybox makes ext2 only",
    "tune2fs": "the applet of busybox changes the label and the check intervals only",
}
"""Applets that do not count for a need though a program of that name does; why is from memory."""

GROUPS: tuple[Group, ...] = (
    Group(
        "shell",
        "Nobody can do anything without a shell and its basic commands.",
        _each(
            "sh|ash|bash|dash cat cp mv rm ls dd sync mount umount mkdir grep sed ps kill dmesg df"
            " head tail hexdump|xxd|od|hd sha256sum|md5sum cmp"
        ),
    ),
    Group(
        "console",
        "Someone at the serial port needs a prompt, device nodes, and a way to restart.",
        (
            _need("a prompt on the console", "getty|agetty|cttyhack|init"),
            _need("restart", "reboot"),
            _need("switch off", "poweroff", "should"),
            _need("device nodes", "mdev|udevd|systemd-udevd|mount"),
        ),
        (Support(("agetty", "getty"), ("/etc/passwd",), "login looks the user up there"),),
        (
            Kernel("DEVTMPFS", ("mount", "udevd", "systemd-udevd"), "fills /dev"),
            Kernel("TTY", ("getty", "agetty", "cttyhack", "init"), "the console is a terminal"),
        ),
    ),
    Group(
        "networking",
        "A new image usually comes over the network.",
        (
            _need("bring a link up", "ip|ifconfig+route"),
            _need("get an address", "udhcpc|dhclient|dhcpcd"),
        ),
        (
            Support(
                ("udhcpc",),
                ("/usr/share/udhcpc/default.script", "/etc/udhcpc/default.script"),
                "udhcpc gets a lease and leaves setting the address to this script",
                executable=True,
            ),
            Support(
                ("dhclient",),
                ("/sbin/dhclient-script", "/usr/sbin/dhclient-script"),
                "dhclient gets a lease and leaves setting the address to this script",
                executable=True,
            ),
        ),
        (
            Kernel("INET", ("ip", "ifconfig", "udhcpc", "dhclient", "dhcpcd"), "TCP/IP"),
            Kernel("PACKET", ("udhcpc", "dhclient", "dhcpcd"), "DHCP before there is an address"),
        ),
    ),
    Group(
        "transfer",
        "The new image has to reach the board.",
        (
            _need(
                "fetch a file",
                "tftp|wget|curl|scp|sftp-server|dropbear|nc|rsync|mount.nfs|ftpget|rz|lrz|rx",
            ),
            _need("fetch a file over the serial line", "rx|rz|lrz", "should"),
        ),
        (
            Support(
                ("curl",),
                ("/etc/ssl/certs/", "/etc/ssl/cert.pem", "/etc/pki/tls/certs/"),
                "https fails without certificates",
            ),
        ),
        (Kernel("INET", ("tftp", "wget", "curl", "nc", "rsync"), "TCP/IP"),),
    ),
    Group(
        "remote-login",
        "A unit in the field is rarely within reach of a serial cable.",
        (_need("log in over the network", "dropbear|sshd|telnetd", "should"),),
        (
            Support(("dropbear", "sshd", "telnetd"), ("/etc/passwd",), "says who may log in"),
            Support(("dropbear",), ("/etc/shells",), "a user whose shell is not in it is refused"),
            Support(("sshd",), ("/etc/ssh/sshd_config",), "sshd does not start without it"),
        ),
        (Kernel("UNIX98_PTYS", ("dropbear", "sshd", "telnetd"), "a terminal for each login"),),
    ),
    Group(
        "filesystems",
        "A damaged file system has to be checked or made anew.",
        (
            *_EXT4,
            *(Need(need.what, need.alternatives, "should") for need in _FAT),
        ),
        _EXT4_SUPPORT,
        (*_EXT4_KERNEL, *_FAT_KERNEL),
    ),
    Group(
        "filesystems-ext4",
        "A damaged ext4 file system has to be checked or made anew.",
        _EXT4,
        _EXT4_SUPPORT,
        _EXT4_KERNEL,
    ),
    Group(
        "filesystems-fat",
        "A damaged FAT file system has to be checked or made anew.",
        _FAT,
        (),
        _FAT_KERNEL,
    ),
    Group(
        "filesystems-f2fs",
        "A damaged F2FS file system has to be checked or made anew.",
        (
            _need("make an F2FS file system", "mkfs.f2fs"),
            _need("check an F2FS file system", "fsck.f2fs"),
        ),
        (),
        (Kernel("F2FS_FS", ("mkfs.f2fs", "fsck.f2fs"), "mounts F2FS"),),
    ),
    Group(
        "filesystems-btrfs",
        "A damaged Btrfs file system has to be checked or made anew.",
        (
            _need("make a Btrfs file system", "mkfs.btrfs"),
            _need("check a Btrfs file system", "btrfs"),
        ),
        (),
        (Kernel("BTRFS_FS", ("mkfs.btrfs", "btrfs"), "mounts Btrfs"),),
    ),
    Group(
        "filesystems-ubi",
        "UBI volumes have to be made anew when the flash was erased.",
        _each("ubiformat ubiattach ubimkvol ubiupdatevol"),
        (),
        (Kernel("MTD_UBI", ("ubiattach",), "UBI"),),
    ),
    Group(
        "partitioning",
        "A lost partition table has to be written again and read by the kernel.",
        (
            _need("write a partition table", "sfdisk|sgdisk|parted|fdisk"),
            _need("make the kernel read it", "partprobe|blockdev|sfdisk|hdparm"),
        ),
        (),
        (
            Kernel("EFI_PARTITION", ("sfdisk", "sgdisk", "parted", "fdisk"), "reads a GPT"),
            Kernel("MMC_BLOCK", ("sfdisk", "sgdisk", "parted", "fdisk"), "the eMMC as a disk"),
        ),
    ),
    Group(
        "block-identification",
        "Partitions are found by label or UUID.",
        (_need("tell what a partition holds", "blkid|lsblk|findfs"),),
    ),
    Group(
        "emmc",
        "Boot areas and write protection of an eMMC are set by its own commands.",
        (_need("talk to the eMMC", "mmc", "should"),),
        (),
        (Kernel("MMC_BLOCK", ("mmc",), "the device that takes the commands"),),
    ),
    Group(
        "flash",
        "The NOR has to be erased and written.",
        (
            _need(
                "write the flash",
                "flashcp|flash_erase+nandwrite|flash_erase+dd|flash_eraseall+nandwrite"
                "|flash_eraseall+dd|mtd_debug|mtd",
            ),
            _need("ask for its geometry", "mtdinfo|mtd_debug", "should"),
            _need("lift its write protection", "flash_unlock", "should"),
        ),
        (),
        (
            Kernel("MTD", ("flashcp", "flash_erase", "flash_eraseall", "mtd_debug"), "/dev/mtd*"),
            Kernel(
                "MTD_SPI_NOR", ("flashcp", "flash_erase", "flash_eraseall", "mtd_debug"), "SPI-NOR"
            ),
        ),
    ),
    Group(
        "boot-environment",
        "The variables that choose what boots have to be read and set.",
        (_need("read and set the boot loader's environment", "fw_printenv+fw_setenv"),),
        (
            Support(
                ("fw_printenv", "fw_setenv"),
                ("/etc/fw_env.config",),
                "says where the environment is",
            ),
        ),
        (Kernel("MTD", ("fw_printenv", "fw_setenv"), "/dev/mtd*"),),
    ),
    Group(
        "compression",
        "Images come compressed.",
        (
            _need("unpack gzip", "gzip|gunzip|zcat"),
            _need("unpack tar", "tar"),
            _need("unpack xz", "xz|unxz|xzcat", "should"),
            _need("unpack zstd", "zstd|unzstd|zstdcat", "should"),
            _need("unpack bzip2", "bzip2|bunzip2|bzcat", "should"),
            _need("unpack lz4", "lz4|unlz4|lz4cat", "should"),
            _need("unpack cpio", "cpio", "should"),
        ),
    ),
    Group(
        "integrity",
        "A damaged image must not be written.",
        (_need("verify an image", "sha256sum|openssl|usign|signify|gpg|gpgv|minisign"),),
    ),
    Group(
        "devices",
        "Sensors and buses have to be looked at when the main system is gone.",
        (
            _need("talk to an I2C device", "i2cget+i2cset|i2ctransfer", "should"),
            _need("list an I2C bus", "i2cdetect", "should"),
            _need("talk to an SPI device", "spi-config|spidev_test|spi-pipe", "should"),
            _need("read and set a GPIO line", "gpioget+gpioset", "should"),
            _need("read and write registers", "devmem|devmem2", "should"),
        ),
        (),
        (
            Kernel("I2C_CHARDEV", ("i2cget", "i2cset", "i2ctransfer", "i2cdetect"), "/dev/i2c-*"),
            Kernel("SPI_SPIDEV", ("spi-config", "spidev_test", "spi-pipe"), "/dev/spidev*"),
            Kernel("GPIO_CDEV", ("gpioget", "gpioset"), "/dev/gpiochip*"),
            Kernel("DEVMEM", ("devmem", "devmem2"), "/dev/mem"),
        ),
    ),
    Group(
        "modules",
        "Drivers built as modules have to be loaded.",
        (_need("load a module", "modprobe|insmod"),),
        (),
        (Kernel("MODULES", ("modprobe", "insmod"), "loads modules"),),
    ),
    Group(
        "watchdog-and-time",
        "A running watchdog must be fed, and certificates need the date.",
        (
            _need("feed the watchdog", "watchdog|watchdogd", "should"),
            _need("read the clock", "hwclock", "should"),
            _need("set the time", "ntpd|ntpdate|chronyd|sntp|rdate|date", "should"),
        ),
        (),
        (
            Kernel("WATCHDOG", ("watchdog", "watchdogd"), "/dev/watchdog"),
            Kernel("RTC_CLASS", ("hwclock",), "/dev/rtc*"),
        ),
    ),
    Group(
        "editor",
        "A configuration is fixed with an editor.",
        (
            _need("edit a file", "vi|vim|nano|ed", "should"),
            _need("page through a file", "less|more", "should"),
        ),
        (
            Support(
                ("nano", "vim"),
                ("/etc/terminfo/", "/lib/terminfo/", "/usr/share/terminfo/"),
                "the screen cannot be drawn without it",
            ),
        ),
    ),
)

OPTION_MODULES = {
    "BINFMT_SCRIPT": "binfmt_script",
    "BTRFS_FS": "btrfs",
    "EXT4_FS": "ext4",
    "F2FS_FS": "f2fs",
    "I2C_CHARDEV": "i2c_dev",
    "MMC_BLOCK": "mmc_block",
    "MTD": "mtd",
    "MTD_SPI_NOR": "spi_nor",
    "MTD_UBI": "ubi",
    "NLS_CODEPAGE_437": "nls_cp437",
    "NLS_ISO8859_1": "nls_iso8859_1",
    "PACKET": "af_packet",
    "SPI_SPIDEV": "spidev",
    "VFAT_FS": "vfat",
}
"""The modules that the options above make where they are `=m`; the others are never modules."""

BY_NAME = {group.name: group for group in GROUPS}
DEFAULT = (
    "shell",
    "console",
    "networking",
    "transfer",
    "filesystems",
    "partitioning",
    "block-identification",
    "flash",
    "boot-environment",
    "compression",
    "integrity",
)
"""The groups that a recovery is measured by where nothing else is asked."""

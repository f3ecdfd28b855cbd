"""Write what looks like a Linux kernel for arm64 (Linux, Documentation/arch/arm64/booting.rst)."""

from __future__ import annotations

import gzip
import struct
from collections.abc import Mapping

from imgaudit.writers.sparse import filler

RELEASE = "6.12.30-whimbrel"
_BANNER = (
    f"Linux version {RELEASE} (build@whimbrel) (aarch64-linux-gnu-gcc 14.2.0, GNU ld 2.44)"
    " #1 SMP PREEMPT Mon Jul  6 12:00:00 UTC 2026\n"
)
_CODE, _BSS = 900 << 10, 640 << 10
_SIZE = 4 << 20
_BRANCH_PAST_HEADER = 0x14000010
_LITTLE_ENDIAN_4K_ANYWHERE = 0xA

_OPTIONS = """
    64BIT ARM64 SMP BLK_DEV_INITRD RD_GZIP RD_XZ RD_ZSTD DEVTMPFS DEVTMPFS_MOUNT TMPFS PROC_FS SYSFS
    BINFMT_ELF BINFMT_SCRIPT IKCONFIG IKCONFIG_PROC SERIAL_8250 SERIAL_8250_CONSOLE SERIAL_8250_DW
    TTY UNIX98_PTYS NET INET PACKET UNIX NETDEVICES STMMAC_ETH STMMAC_PLATFORM SPI SPI_MASTER
    SPI_SPIDEV SPI_DESIGNWARE SPI_DW_MMIO MTD MTD_SPI_NOR MTD_BLOCK MTD_OF_PARTS MMC MMC_BLOCK
    MMC_DW MMC_DW_PLTFM PARTITION_ADVANCED MSDOS_PARTITION EFI_PARTITION EXT4_FS FAT_FS VFAT_FS
    NLS_CODEPAGE_437 NLS_ISO8859_1 NLS_UTF8 I2C I2C_CHARDEV I2C_DESIGNWARE_PLATFORM GPIOLIB
    GPIO_CDEV GPIO_DWAPB DEVMEM WATCHDOG WATCHDOG_HANDLE_BOOT_ENABLED DW_WATCHDOG RTC_CLASS
    RTC_HCTOSYS RTC_DRV_PCF8523 ARM_PSCI_FW
"""
CONFIG = dict.fromkeys(_OPTIONS.split(), "y")
"""Options that are set, without their `CONFIG_`."""

_ALWAYS = ("fixed-clock", "arm,gic-400", "arm,armv8-timer", "simple-bus")
_COMPATIBLES = {
    "SERIAL_8250_DW": ("snps,dw-apb-uart",),
    "SPI_DW_MMIO": ("snps,dw-apb-ssi",),
    "MTD_SPI_NOR": ("jedec,spi-nor",),
    "MMC_DW_PLTFM": ("snps,dw-mshc",),
    "STMMAC_PLATFORM": ("snps,dwmac-4.20a", "snps,dwmac"),
    "DW_WATCHDOG": ("snps,dw-wdt",),
    "I2C_DESIGNWARE_PLATFORM": ("snps,designware-i2c",),
    "GPIO_DWAPB": ("snps,dw-apb-gpio",),
}
_MESSAGES = {"EXT4_FS": b"EXT4-fs (%s): \0ext4\0", "VFAT_FS": b"FAT-fs (%s): \0vfat\0"}


def image(config: Mapping[str, str]) -> bytes:
    """Write an `Image` of 4 MiB whose `image_size` adds 640 KiB for the zeroed data."""
    header = struct.pack(
        "<IIQQQQQQ4sI",
        *(_BRANCH_PAST_HEADER, 0, 0, _SIZE + _BSS, _LITTLE_ENDIAN_4K_ANYWHERE, 0, 0, 0),
        *(b"ARM\x64", 0),
    )
    text = "#\n# Linux/arm64 6.12.30 Kernel Configuration\n#\n"
    text += "".join(f"CONFIG_{name}={value}\n" for name, value in config.items())
    kept = b"IKCFG_ST" + gzip.compress(text.encode(), mtime=0) + b"IKCFG_ED"
    content = header + filler("kernel", _CODE) + _BANNER.encode() + b"\0" + kept
    content += b"".join(text for name, text in _MESSAGES.items() if config.get(name) == "y")
    content += _match_tables(config)
    return content.ljust(_SIZE, b"\0")


def _match_tables(config: Mapping[str, str]) -> bytes:
    """Write the `struct of_device_id` of the drivers that are built in, each table ended by one."""
    names = [*_ALWAYS]
    for option, compatibles in _COMPATIBLES.items():
        names += compatibles if config.get(option) == "y" else ()
    empty = bytes(64 + 128 + 8)
    return b"".join(
        bytes(64) + name.encode().ljust(128, b"\0") + bytes(8) + empty for name in names
    )

"""U-Boot's commands by their names, each with the function that says what it does."""

from __future__ import annotations

import functools

from imgaudit.boot import devices, loading, settings, starting
from imgaudit.boot.call import Function, always
from imgaudit.boot.records import Kind

_LOOKS = """
    bdinfo version help md mtdparts coninfo showvar printf iminfo ls fatls ext2ls ext4ls
    sqfsls ubifsls date timer crc32 hash sha1sum md5sum mmcinfo fatinfo dcache icache cls
    lcdputs bmp base time fsinfo erofsls tree
"""
"""What looks, waits or prints."""
_TOUCHES_NOTHING = """
    pci i2c gpio button led pmic regulator wdt mii mdio phy ping dns fuse efuse tpm tpm2 dm
    clk adc spi sspi chpart mux rng rtc virtio_scan usb_start bcb ab_select bootcount bootdev
    bootmeth bootstage dfu fastboot ums axi fpga efidebug eficonfig optee_rpmb avb kaslrseed
    osd video remoteproc rproc lsblk mtest protect erase flinfo ubifsumount log setcurs nm mm
    random extension blkcache
"""
"""What is known by its name; it touches no artifact."""
COMMANDS: dict[str, Function] = {
    **settings.COMMANDS,
    **devices.COMMANDS,
    **loading.COMMANDS,
    **starting.COMMANDS,
    **dict.fromkeys(_LOOKS.split(), always(Kind.SHOW, succeeds=None)),
    **dict.fromkeys(("echo", "sleep"), always(Kind.SHOW)),
    **dict.fromkeys(_TOUCHES_NOTHING.split(), always(Kind.OTHER, succeeds=None, choice=False)),
}


def known(name: str) -> Function | None:
    """Find what a command does; a width suffix (`cp.b`) is not part of its name."""
    return COMMANDS.get(name) or COMMANDS.get(name.partition(".")[0])


@functools.lru_cache(maxsize=1024)
def abbreviates(name: str) -> bool:
    """Tell whether U-Boot may take a word for a longer command (common/command.c, `find_cmd_tbl`).

    It does where only one command of the build starts so; which ones there are is not known.
    """
    short = name.partition(".")[0]
    return bool(short) and any(command.startswith(short) for command in COMMANDS)

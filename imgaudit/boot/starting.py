"""U-Boot's commands that start something."""

from __future__ import annotations

from imgaudit.boot import flows
from imgaudit.boot.call import Call, Done, Function, Start
from imgaudit.boot.loading import volume_of
from imgaudit.boot.media import find_file
from imgaudit.boot.records import Cause, Gap, Kind, Reason
from imgaudit.boot.values import Text, number


def _bootm(call: Call) -> Done:
    """`bootm [address[#configuration|:part]] [ramdisk|-] [fdt]`; `bootm start|…|go` in steps."""
    if call.text(1) in {"start", "loados", "ramdisk", "fdt", "cmdline", "bdt", "prep", "fake"}:
        return Done(kind=Kind.OTHER)
    if call.text(1) == "go":
        return Done(kind=Kind.BOOT, start=Start())
    config = None
    kernel = call.value("loadaddr")
    if len(call.words) > 1:
        kernel, config = image_of(call, 1)
    ramdisk, size = _ramdisk(call, 2)
    fdt, _ = image_of(call, 3)
    return Done(
        kind=Kind.BOOT,
        start=Start(kernel=kernel, config=config, ramdisk=ramdisk, ramdisk_size=size, fdt=fdt),
    )


def image_of(call: Call, index: int) -> tuple[int | None, str | None]:
    """Read `address`, `address#configuration` or `address:part`."""
    if index >= len(call.words):
        return None, None
    pieces = call.words[index].pieces
    first = pieces[0] if pieces else ""
    if not isinstance(first, str) or first == "-":
        return None, None
    for mark in "#:":
        if mark in first:
            address = first.partition(mark)[0]
            config = str(call.words[index]).partition(mark)[2]
            return Text.of(address).number() if address else call.value("loadaddr"), config
    return call.number(index), None


def _ramdisk(call: Call, index: int) -> tuple[int | None, int | None]:
    """Read `address[:size]` or `-`."""
    if index >= len(call.words):
        return None, None
    first = call.words[index].pieces[0] if call.words[index].pieces else ""
    if not isinstance(first, str) or first == "-":
        return None, None
    address, colon, size = first.partition(":")
    whole = call.text(index)
    known_size = number(size) if colon and whole is not None else None
    if not colon and whole is None:
        return None, None
    return Text.of(address).number(), known_size


def _boot_image(call: Call) -> Done:
    """`booti` and `bootz`: `[address [ramdisk[:size]|-] [fdt]]`."""
    kernel = call.number(1) if len(call.words) > 1 else call.value("loadaddr")
    ramdisk, size = _ramdisk(call, 2)
    fdt, _ = image_of(call, 3)
    return Done(
        kind=Kind.BOOT,
        start=Start(kernel=kernel, ramdisk=ramdisk, ramdisk_size=size, fdt=fdt),
    )


def _bootefi(call: Call) -> Done:
    if call.text(1) in {"bootmgr", "hello", "selftest"}:
        return Done(kind=Kind.BOOT, start=Start(fdt=call.number(2)))
    return Done(kind=Kind.BOOT, start=Start(kernel=call.number(1), fdt=call.number(2)))


def _boot_address(call: Call) -> Done:
    """`go`, `bootelf`, `bootvx`: an address, if any."""
    kernel = call.number(1) if len(call.words) > 1 else call.value("loadaddr")
    return Done(kind=Kind.BOOT, start=Start(kernel=kernel))


def _boot_unknown(_: Call) -> Done:
    return Done(kind=Kind.BOOT, start=Start(), unresolved=Gap.WHAT_STARTS)


def _bootflow(call: Call) -> Done:
    """`bootflow scan -b` looks for something to start, and starts it."""
    words = [word.plain or "" for word in call.words[2:]]
    options = "".join(word for word in words if word.startswith("-"))
    if call.text(1) != "scan" or "b" not in options:
        return _boot_unknown(call) if call.text(1) == "boot" else Done(kind=Kind.TEST)
    text = flows.script(call.world, call.state)
    return _boot_unknown(call) if text is None else Done(kind=Kind.RUN, script=text)


def _sysboot(call: Call) -> Done:
    """`sysboot [-p] interface device[:partition] any|fat|ext2 [address] [path]`."""
    first = 2 if call.text(1) == "-p" else 1
    device, partition = volume_of(call, first)
    path = call.words[first + 4] if len(call.words) > first + 4 else call.state.get("bootfile")
    if path is None:
        # cmd/sysboot.c: "Specify a filename or set the ${bootfile} environment"
        cause = Cause(Reason.NO_VARIABLE, {"name": "bootfile"})
        return Done(kind=Kind.RUN, succeeds=False, cause=cause)
    found = find_file(call.world, device, partition, path)
    return Done(
        kind=Kind.RUN,
        device=device,
        partition=partition,
        path=found.path,
        succeeds=found.there,
        breaks=True,
        cause=found.cause,
        fills=call.number(first + 3),
        fills_size=found.size,
        configuration=(device, partition),
    )


def _pxe(call: Call) -> Done:
    if call.text(1) == "boot":
        return _boot_unknown(call)
    return Done(kind=Kind.LOAD, device="net", fills=call.value("pxefile_addr_r"))


COMMANDS: dict[str, Function] = {
    "bootm": _bootm,
    **dict.fromkeys(("booti", "bootz", "zboot"), _boot_image),
    "bootefi": _bootefi,
    **dict.fromkeys(("go", "bootelf", "bootvx"), _boot_address),
    "bootflow": _bootflow,
    "sysboot": _sysboot,
    "pxe": _pxe,
    **dict.fromkeys(("bootmenu", "boot_android", "abootimg", "bootaux"), _boot_unknown),
}

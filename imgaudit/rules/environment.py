"""The U-Boot environment as it is stored: what U-Boot takes, and what must not be in it."""

from __future__ import annotations

import re
import zlib
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import NamedTuple

from imgaudit.arches import ARCHES
from imgaudit.contents.place import Node
from imgaudit.formats.uboot_env import UbootEnv
from imgaudit.model import EnvironmentShape, Layout, Region
from imgaudit.patterns import regex
from imgaudit.rules.cited import PRACTICE, in_u_boot
from imgaudit.rules.engine import Cause, Example, Kind, Missing, Outcome, Rule, Severity, check
from imgaudit.rules.examples import Files, nor
from imgaudit.rules.kinds import board_arch, contents_of, unread, whole
from imgaudit.rules.subject import Subject
from imgaudit.units import KIB
from imgaudit.writers.env import environment
from imgaudit.writers.sparse import patched

# U-Boot doc/usage/environment.rst: what tells one unit from another.
_PER_UNIT = regex(r"(eth\d*|usbeth|wifi|bt)addr|serial#")

_NUMBER = regex(r"-?\d{1,9}", re.ASCII)
_VARIABLES = {"bootcmd": "run main || run recovery", "bootdelay": "2"}
_SIZE = 8 * KIB


def _env(
    variables: Mapping[str, str] = _VARIABLES, size: int = _SIZE, flag: int | None = None
) -> bytes:
    return environment(variables, size, flag)


def _raw(text: bytes) -> bytes:
    """Write an environment whose strings are exactly these bytes."""
    data = text.ljust(_SIZE - 4, b"\0")
    return zlib.crc32(data).to_bytes(4, "little") + data


def _single(files: Files) -> Example:
    shape = "holds: uboot-env, file: u-boot.env, env: {size: 8 KiB}"
    return nor(f"name: env, at: 0, size: 64 KiB, {shape}", files=files)


def _pair(files: Files) -> Example:
    def region(name: str, at: int, other: str) -> str:
        shape = f"holds: uboot-env, file: {name}.env, env: {{size: 8 KiB, copy: {other}}}"
        return f"name: {name}, at: {at:#x}, size: 64 KiB, {shape}"

    return nor(region("env-a", 0, "env-b"), region("env-b", 0x10000, "env-a"), files=files)


_GOOD = _single({"u-boot.env": _env})
_GOOD_PAIR = _pair({"env-a.env": lambda: _env(flag=1), "env-b.env": lambda: _env(flag=0)})


def _as_its_copy(
    layout: Layout, region: Region, rule: Rule, values: dict[str, str]
) -> tuple[Cause, ...]:
    """Give the same fault of the other copy: both were made in one go."""
    return tuple(
        Cause(frozenset({rule.name}), twin.name, values=values)
        for twin in layout.twins(region.name)
    )


class Placed(NamedTuple):
    """An environment that is not blank, in its region."""

    layout: Layout
    region: Region
    path: str
    facts: UbootEnv


def _placed(subject: Subject) -> Iterator[Placed | Missing]:
    yield from unread(subject, UbootEnv.format)
    for region, artifact, payload in subject.placed():
        facts = payload.facts
        if subject.layout and isinstance(facts, UbootEnv) and facts.blank is None:
            yield Placed(subject.layout, region, artifact.path, facts)


def _pairs(subject: Subject) -> Iterator[tuple[Placed, Placed] | Missing]:
    """Give each two redundant copies of one environment, both of them valid."""
    valid: dict[str, Placed] = {}
    for item in _placed(subject):
        if isinstance(item, Missing):
            yield item
        elif item.facts.valid and item.facts.flag is not None:
            valid[item.region.name] = item
    told: set[frozenset[str]] = set()
    for item in valid.values():
        other = valid.get(item.region.env.copy or "") if item.region.env else None
        both = frozenset({item.region.name, other.region.name if other is not None else ""})
        if other is not None and both not in told:
            told.add(both)
            yield item, other


ENVIRONMENTS = contents_of(UbootEnv)
PLACED = Kind(_placed, lambda item: item.region.name)
PAIRS = Kind(_pairs, lambda both: both[1].region.name)


def _checksum_values(*, stored: str) -> None: ...


CHECKSUM = Rule(
    name="environment-checksum",
    severity=Severity.ERROR,
    values=_checksum_values,
    message=(
        "{content}: the environment's CRC {stored} fits none of its bytes, at no size and with or"
        " without a flag byte"
    ),
    effect='U-Boot says "bad CRC, using default environment" and boots by what is compiled in.'
    " Where the other of two copies is good, it takes that one and says nothing.",
    fix="Make it with mkenvimage; a changed byte needs a new CRC.",
    computed="CRC-32 of what follows it does not match for any whole file, power of two or multiple"
    " of 512 bytes, with either header and in either byte order; a warning where the other copy is"
    " good",
    sources=(
        in_u_boot("env/common.c", "env_import", "bad CRC"),
        in_u_boot("env/common.c", "env_check_redund", "else if (crc1_ok && !crc2_ok)"),
        in_u_boot("include/env_internal.h", "environment_s"),
        in_u_boot("env/common.c", "env_set_default", "*** Warning - %s, using default environment"),
    ),
    bad=_single({"u-boot.env": lambda: patched(_env(), 20, b"M")}),
    good=_GOOD,
)


@check(CHECKSUM, over=ENVIRONMENTS, given=whole)
def environment_checksum(found: Node[UbootEnv], subject: Subject) -> Outcome:
    facts = found.facts
    if facts.blank is None and not facts.valid:
        severity = Severity.WARNING if _other_is_good(subject, found.region) else None
        case = CHECKSUM(stored=facts.checksums[0].stored)
        yield case.inside(found, length=4, severity=severity)


def _other_is_good(subject: Subject, region: Region | None) -> bool:
    """Tell whether U-Boot takes the other copy of this environment."""
    if subject.layout is None or region is None:
        return False
    shape = subject.layout.shape(region)
    payloads = (subject.placement(twin.name).payload for twin in subject.layout.twins(region.name))
    others = (payload.facts for payload in payloads if payload is not None)
    return shape is not None and any(
        isinstance(other, UbootEnv)
        and other.valid
        and (other.size, other.kind) == (shape.size, "redundant")
        for other in others
    )


def _size_values(*, size: int, wanted: int) -> None: ...


SIZE = Rule(
    name="environment-size-differs",
    severity=Severity.ERROR,
    values=_size_values,
    message="{artifact} is an environment of {size:bytes}; {region} says {wanted:bytes}",
    effect=("U-Boot computes the CRC over another length: 'bad CRC, using default environment'."),
    fix="Make it with mkenvimage -s {wanted:place}, or correct env: in the layout.",
    computed="the size for which the stored CRC matches is not env: size; a warning where the other"
    " of two copies is good",
    sources=(
        in_u_boot("env/Kconfig", "ENV_SIZE"),
        in_u_boot("env/common.c", "env_import", "bad CRC"),
        in_u_boot("env/common.c", "env_set_default", "*** Warning - %s, using default environment"),
    ),
    bad=_single({"u-boot.env": lambda: _env(size=4 * KIB)}),
    good=_GOOD,
)


@check(SIZE, over=PLACED, given=whole)
def environment_size(placed: Placed, subject: Subject) -> Outcome:
    layout, region, path, facts = placed
    shape = layout.shape(region)
    if shape is None or not facts.valid or facts.size is None or facts.size == shape.size:
        return
    yield SIZE(size=facts.size, wanted=shape.size).at(
        region=region,
        severity=Severity.WARNING if _other_is_good(subject, region) else None,
        key="env",
        artifact=path,
        offset=region.at + region.file_at,
        length=facts.size,
        causes=_as_its_copy(layout, region, SIZE, {"size": str(facts.size)}),
    )


def _redundancy_values(option: str, *, found: str, wanted: str) -> None: ...


REDUNDANCY = Rule(
    name="environment-redundancy-differs",
    severity=Severity.ERROR,
    values=_redundancy_values,
    message="{artifact} is {found}; {region} {wanted}",
    effect=("U-Boot looks for the data one byte away: 'bad CRC, using default environment'."),
    fix="Make it with mkenvimage {option}, or correct env: in the layout.",
    computed="the CRC matches with a header of 4 bytes though the region has a copy, or with one of"
    " 5 though it has none; a warning where the other of two copies is good",
    sources=(
        in_u_boot("include/env_internal.h", "environment_s", "active/obsolete flags ENVF_REDUND_"),
        in_u_boot("env/Kconfig", "SYS_REDUNDAND_ENVIRONMENT"),
        in_u_boot("env/common.c", "env_import", "bad CRC"),
        in_u_boot("env/common.c", "env_set_default", "*** Warning - %s, using default environment"),
    ),
    bad=_pair({"env-a.env": _env, "env-b.env": lambda: _env(flag=0)}),
    good=_GOOD_PAIR,
)


@check(REDUNDANCY, over=PLACED, given=whole)
def environment_redundancy(placed: Placed, subject: Subject) -> Outcome:
    layout, region, path, facts = placed
    copied = bool(layout.twins(region.name))
    if not facts.valid or layout.shape(region) is None:
        return
    if copied == (facts.kind == "redundant"):
        return
    yield REDUNDANCY(
        found="a single environment" if copied else "one of two redundant copies",
        wanted="is one of two copies" if copied else "has no copy",
        option="-r" if copied else "without -r",
    ).at(
        region=region,
        severity=Severity.WARNING if copied and _other_is_good(subject, region) else None,
        key="env",
        artifact=path,
        offset=region.at + region.file_at,
        length=5,
        causes=_as_its_copy(layout, region, REDUNDANCY, {}),
    )


def _order_values(*, arch: str) -> None: ...


ORDER = Rule(
    name="environment-byte-order",
    severity=Severity.ERROR,
    values=_order_values,
    message="{content}: the environment's CRC is stored big-endian, {arch} is little-endian",
    effect="U-Boot reads another CRC: 'bad CRC, using default environment'.",
    fix="Make it with mkenvimage without -b.",
    computed="the CRC matches in big-endian order only, on a little-endian architecture",
    sources=(
        in_u_boot(
            "tools/mkenvimage.c", says="-b : the target is big endian (default is little endian)"
        ),
        in_u_boot("env/common.c", "env_import", "bad CRC"),
        in_u_boot("env/common.c", "env_set_default", "*** Warning - %s, using default environment"),
    ),
    bad=_single({"u-boot.env": lambda: _env()[3::-1] + _env()[4:]}),
    good=_GOOD,
)


@check(ORDER, over=ENVIRONMENTS, given=board_arch, after=(environment_checksum,))
def environment_order(found: Node[UbootEnv], arch: str) -> Outcome:
    facts = found.facts
    if facts.valid and facts.byte_order == "big" and arch in ARCHES and ARCHES[arch].little:
        yield ORDER(arch=arch).inside(found, length=4)


def _same_flag_values(other: str, *, flag: int | None) -> None: ...


SAME_FLAG = Rule(
    name="environment-copies-same-flag",
    severity=Severity.WARNING,
    values=_same_flag_values,
    message="{region} and {other} have the same flag, {flag}: neither copy is newer",
    effect=(
        "U-Boot and fw_setenv both take the first copy: a setting that only the second holds is"
        " not read, and the first to save writes over it."
    ),
    fix="Ship one copy with flag 1 and the other with flag 0, or leave the second one blank.",
    computed="both copies' CRCs match and their flag bytes are equal, as when one file is written"
    " twice",
    sources=(
        in_u_boot("env/common.c", "env_check_redund", "flags are equal - almost impossible"),
        in_u_boot("tools/env/fw_env.c", "fw_env_open", "else if (flag0 == flag1) {"),
    ),
    bad=_pair({"env-a.env": lambda: _env(flag=1), "env-b.env": lambda: _env(flag=1)}),
    good=_GOOD_PAIR,
)


@check(SAME_FLAG, over=PAIRS)
def same_flag(both: tuple[Placed, Placed]) -> Outcome:
    one, other = both
    if one.facts.flag == other.facts.flag:
        yield SAME_FLAG(other=one.region.name, flag=one.facts.flag).at(
            region=other.region,
            key="file",
            artifact=other.path,
            offset=other.region.at + other.region.file_at + 4,
            length=1,
        )


def _not_ended_values(*, size: int) -> None: ...


NOT_ENDED = Rule(
    name="environment-not-terminated",
    severity=Severity.WARNING,
    values=_not_ended_values,
    message="{content}: the variables run to the end of the environment without an empty string",
    effect=(
        "U-Boot takes it as it is, but fw_printenv and fw_setenv of the running system "
        'say "## Error: environment not terminated" and stop, or read on behind its end.'
    ),
    fix="Take variables out, or make the environment larger than {size:bytes}.",
    computed="no NUL follows the NUL of the last name=value",
    sources=(
        in_u_boot("lib/hashtable.c", "himport_r"),
        in_u_boot("tools/env/fw_env.c", "fw_getenv", "## Error: environment not terminated"),
    ),
    bad=_single({"u-boot.env": lambda: _raw(b"note=".ljust(_SIZE - 4, b"x"))}),
    good=_GOOD,
)


@check(NOT_ENDED, over=ENVIRONMENTS, after=(environment_checksum,))
def not_terminated(found: Node[UbootEnv]) -> Outcome:
    if found.facts.valid and not found.facts.terminated:
        size = found.facts.size or found.content.size
        yield NOT_ENDED(size=size).inside(found, at=size - 1, length=1)


def _repeated_values(*, names: str) -> None: ...


REPEATED = Rule(
    name="environment-variable-repeated",
    severity=Severity.WARNING,
    values=_repeated_values,
    message="{content} sets {names} more than once; the last one counts",
    effect="U-Boot takes the last one, and fw_printenv with the name gives the first: the running"
    " system reads what does not count.",
    fix="Keep one of each.",
    computed="a name stands before '=' in two strings",
    sources=(
        in_u_boot("lib/hashtable.c", "himport_r", "hsearch_r(e, ENV_ENTER, &rv, htab, flag);"),
        in_u_boot("tools/env/fw_env.c", "fw_getenv", "val = envmatch(name, env);"),
    ),
    bad=_single({"u-boot.env": lambda: _raw(b"bootdelay=2\0bootcmd=run main\0bootdelay=0\0")}),
    good=_GOOD,
)


@check(REPEATED, over=ENVIRONMENTS, after=(environment_checksum,))
def variable_repeated(found: Node[UbootEnv]) -> Outcome:
    names = found.facts.duplicates
    if found.facts.valid and names:
        again = [item for item in found.facts.variables if item.name == names[0]][1]
        yield REPEATED(names=", ".join(names)).inside(
            found, at=again.offset, length=len(again.name)
        )


def _stray_values(text: str) -> None: ...


STRAY = Rule(
    name="environment-string-without-value",
    severity=Severity.WARNING,
    values=_stray_values,
    message="{content}: {text!r} sets nothing: it has no '=', or starts with '#'",
    effect=(
        "U-Boot skips a comment, and takes a bare name for a variable to delete: what "
        "was meant is not there."
    ),
    fix="Write name=value, or take it out.",
    computed="a string of the environment has no '=' or is a comment",
    sources=(
        in_u_boot("lib/hashtable.c", "himport_r", "skip comment lines"),
        in_u_boot(
            "lib/hashtable.c", "himport_r", 'deal with "name" and "name=" entries (delete var)'
        ),
    ),
    bad=_single({"u-boot.env": lambda: _raw(b"bootdelay=2\0bootcmd run main\0")}),
    good=_GOOD,
)


@check(STRAY, over=ENVIRONMENTS, after=(environment_checksum,))
def stray_string(found: Node[UbootEnv]) -> Outcome:
    for stray in found.facts.strays if found.facts.valid else ():
        text = stray.text if len(stray.text) <= 40 else f"{stray.text[:37]}..."
        yield STRAY(text=text).inside(found, at=stray.offset, length=len(stray.text))


NAMELESS = Rule(
    name="environment-value-without-name",
    severity=Severity.ERROR,
    values=_stray_values,
    message="{content}: {text!r} has a value and no name",
    effect='U-Boot takes none of this environment, says "Cannot import environment", and boots by'
    " what is compiled in.",
    fix="Give the value its name, or take it out.",
    computed="a string of the environment begins with '=', and something follows it",
    sources=(
        in_u_boot("lib/hashtable.c", "himport_r", "INSERT: unable to use an empty key"),
        in_u_boot("env/common.c", "env_import", "Cannot import environment: errno = %d"),
    ),
    bad=_single({"u-boot.env": lambda: _raw(b"bootdelay=2\0=run main\0bootcmd=run main\0")}),
    good=_GOOD,
)


@check(NAMELESS, over=ENVIRONMENTS, after=(environment_checksum,))
def nameless_value(found: Node[UbootEnv]) -> Outcome:
    for variable in found.facts.variables if found.facts.valid else ():
        if not variable.name and variable.value:
            text = f"={variable.value}"
            short = text if len(text) <= 40 else f"{text[:37]}..."
            yield NAMELESS(text=short).inside(found, at=variable.offset, length=len(text))


def _off_values() -> None: ...


_DELAYED = "bootcmd=run main\0main=bootm\0bootdelay={}\0\0"

OFF = Rule(
    name="autoboot-switched-off",
    severity=Severity.ERROR,
    values=_off_values,
    message="{content} sets bootdelay to -1: U-Boot starts nothing by itself",
    effect="The board waits at U-Boot's prompt at each power-on, until someone types.",
    fix="Set bootdelay to the seconds that U-Boot waits for a key: 0 or more.",
    computed="bootdelay of an environment whose checksum holds is -1; a warning in a copy that"
    " U-Boot takes only when the other is lost",
    sources=(in_u_boot("common/autoboot.c", "autoboot_command", "stored_bootdelay != -1"),),
    bad=_single({"u-boot.env": lambda: _raw(_DELAYED.format(-1).encode())}),
    good=_single({"u-boot.env": lambda: _raw(_DELAYED.format(2).encode())}),
)


@check(OFF, over=ENVIRONMENTS, after=(environment_checksum,), given=whole)
def autoboot_off(found: Node[UbootEnv], subject: Subject) -> Outcome:
    delay = _delay(found.facts)
    if delay is not None and delay[0] == -1:
        place = subject.boots.place
        taken = place.region if place is not None and place.region != found.region else None
        told = OFF().inside(
            found,
            at=delay[1],
            length=len("bootdelay"),
            severity=Severity.WARNING if taken is not None else None,
        )
        # A copy has it from where the one has it that U-Boot takes.
        above = () if taken is None else (Cause(frozenset({OFF.name}), taken.name),)
        yield replace(told, causes=(*told.causes, *above))


def _delay(facts: UbootEnv) -> tuple[int, int] | None:
    """Give the last bootdelay, in decimal as U-Boot reads it, and where it stands."""
    said = [item for item in facts.variables if item.name == "bootdelay"] if facts.valid else []
    number = _NUMBER.match(said[-1].value) if said else None
    return (int(number.group()), said[-1].offset) if said and number is not None else None


FIXED_BOOT = Rule(
    name="autoboot-cannot-be-stopped",
    severity=Severity.NOTE,
    values=_off_values,
    message="{content} sets bootdelay to -2: no key stops the start",
    effect="Nobody gets to U-Boot's prompt unless bootcmd fails: what bootcmd does not lead to,"
    " nobody in the field can start.",
    fix="Keep a way to the recovery that bootcmd follows by itself: a button, or a boot count.",
    computed="bootdelay of an environment whose checksum holds is -2",
    sources=(in_u_boot("common/autoboot.c", "autoboot_command", "stored_bootdelay == -2"),),
    bad=_single({"u-boot.env": lambda: _raw(_DELAYED.format(-2).encode())}),
    good=_single({"u-boot.env": lambda: _raw(_DELAYED.format(2).encode())}),
)


@check(FIXED_BOOT, over=ENVIRONMENTS, after=(environment_checksum,))
def autoboot_fixed(found: Node[UbootEnv]) -> Outcome:
    delay = _delay(found.facts)
    if delay is not None and delay[0] == -2:
        yield FIXED_BOOT().inside(found, at=delay[1], length=len("bootdelay"))


def _fixed_values(name: str, *, value: str) -> None: ...


FIXED = Rule(
    name="environment-has-fixed-address",
    severity=Severity.ERROR,
    values=_fixed_values,
    message="{content} sets {name} to {value!r}",
    effect="All units that get this image share it: with one MAC address two of them on one network"
    " disturb each other, with one serial number nobody tells them apart. U-Boot refuses to change"
    " either unless it was built with CONFIG_ENV_OVERWRITE.",
    fix="Leave {name} out; give each unit its own at the end of the line, from its factory data.",
    computed="a MAC address (ethaddr, eth1addr ...) or serial# is set in the artifact",
    sources=(
        in_u_boot(
            "doc/usage/environment.rst",
            "ethaddr",
            "U-Boot refuses to delete or overwrite these variables once they have been set, unless"
            " CONFIG_ENV_OVERWRITE is enabled",
        ),
        PRACTICE,
    ),
    bad=_single({"u-boot.env": lambda: _env({"ethaddr": "02:00:5e:10:00:01", **_VARIABLES})}),
    good=_GOOD,
)


@check(FIXED, over=ENVIRONMENTS)
def fixed_address(found: Node[UbootEnv]) -> Outcome:
    for variable in found.facts.variables:
        if variable.value and _PER_UNIT.fullmatch(variable.name):
            yield FIXED(name=variable.name, value=variable.value).inside(
                found, at=variable.offset, length=len(variable.name) + 1 + len(variable.value)
            )


def _fits_values(*, have: int, size: int, over: int) -> None: ...


FITS = Rule(
    name="environment-does-not-fit",
    severity=Severity.ERROR,
    values=_fits_values,
    message="{region} has {have:bytes} for an environment of {size:bytes}: {over:bytes} too few",
    effect="saveenv writes past the region's end, over what follows.",
    fix="Grow {region} to {size:bytes} or more, or build U-Boot with a smaller CONFIG_ENV_SIZE.",
    computed="env: size is more than the region's size",
    sources=(
        in_u_boot("env/sf.c", "env_sf_save", "spi_flash_write(env_flash, CONFIG_ENV_OFFSET,"),
        in_u_boot("env/mmc.c", "env_mmc_save", "write_env(mmc, CONFIG_ENV_SIZE, offset"),
    ),
    bad=nor("name: env, at: 0, size: 64 KiB, holds: uboot-env, env: {size: 128 KiB}"),
    good=nor("name: env, at: 0, size: 64 KiB, holds: uboot-env, env: {size: 64 KiB}"),
)


def _shaped(subject: Subject) -> Iterator[tuple[Region, EnvironmentShape]]:
    """Give the regions whose environment has a shape, or is the copy of one that has."""
    layout = subject.layout
    for region in layout.regions if layout is not None else ():
        shape = layout.shape(region) if layout is not None else None
        if shape is not None:
            yield region, shape


@check(FITS, over=Kind(_shaped, lambda one: one[0].name))
def environment_fits(one: tuple[Region, EnvironmentShape]) -> Outcome:
    region, shape = one
    over = shape.size - region.size
    if over > 0:
        yield FITS(have=region.size, size=shape.size, over=over).at(
            region=region, key="env", offset=region.span.end, length=over
        )

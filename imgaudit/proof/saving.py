"""Which copy of U-Boot's environment counts when the power goes while it is saved.

A lone copy is erased and written: in between there is none. Of two copies the one that does not
count is erased and written; what then makes it count depends on the storage. On NOR both U-Boot and
fw_setenv mark the new one as active (1) and then, without an erase, the old one as obsolete (0);
while both are active, the first counts. Elsewhere the flag is a serial number, and the new one has
the higher.

Source: U-Boot env/sf.c (`env_sf_save`), env/mmc.c (`env_mmc_save`), env/common.c (`env_export`,
`env_check_redund`), tools/env/fw_env.c (`flash_write`, `flash_flag_obsolete`, `fw_env_open`);
libubootenv src/uboot_env.c (`libuboot_env_store`, `libuboot_load`). The flag lies outside the CRC:
an erase that is cut so early that it turns a flag alone is not considered.
"""

from __future__ import annotations

from enum import StrEnum

from imgaudit.data import dataclass


class Scheme(StrEnum):
    """How the copy that counts is told."""

    SINGLE = "single"
    FLAG = "flag"
    SERIAL = "serial"


class Counts(StrEnum):
    """Which environment counts at a power-on."""

    OLD = "old"
    NEW = "new"
    NONE = "none"


@dataclass(frozen=True, slots=True)
class Phase:
    """A part of saving, and what counts if the power goes during it.

    `what` is erase, write or mark; `target` the number of the copy that it works on.
    """

    what: str
    target: int
    counts: Counts


def phases(scheme: Scheme, current: int, *, erased: bool) -> tuple[Phase, ...]:
    """Give the parts of saving in their order.

    Args:
        scheme: how the copy that counts is told.
        current: the number of the copy that counts before, 0 for the first.
        erased: whether the storage is erased before it is written.

    """
    if scheme is Scheme.SINGLE:
        written = [Phase("write", current, Counts.NONE)]
        return (Phase("erase", current, Counts.NONE), *written) if erased else tuple(written)
    other = 1 - current
    found = [Phase("erase", other, Counts.OLD)] if erased else []
    found.append(Phase("write", other, Counts.OLD))
    if scheme is Scheme.FLAG:
        # both are active: the first one counts
        found.append(Phase("mark", current, Counts.NEW if other == 0 else Counts.OLD))
    return tuple(found)

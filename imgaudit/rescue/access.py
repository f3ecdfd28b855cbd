"""How one gets into the running ramdisk: consoles, accounts, network logins, and what starts them.

Sources: busybox init/init.c and examples/inittab; inittab(5) of sysvinit; passwd(5); shadow(5).
"""

from __future__ import annotations

import posixpath
import re
from collections.abc import Iterator
from typing import Literal

from imgaudit import bounds
from imgaudit.data import dataclass
from imgaudit.patterns import regex
from imgaudit.ramdisk.root import Root

SCRIPTS = 128
SCRIPT_SIZE = 64 << 10
CALLS = 5000
ACCOUNTS = 1000
KEY_FILES = 100
_SCRIPT_FOLDERS = (
    *("/etc/init.d", "/etc/rc.d", "/etc/rcS.d", "/lib/rc.d"),
    # initramfs-tools(7), in the order in which they run
    *("/scripts/init-top", "/scripts/init-premount", "/scripts/local-top", "/scripts/nfs-top"),
    *("/scripts/local-block", "/scripts/local-premount", "/scripts/nfs-premount"),
    *("/scripts/local-bottom", "/scripts/nfs-bottom", "/scripts/init-bottom"),
)
_SCRIPT_FILES = ("/etc/rc", "/etc/rc.local", "/etc/rcS")
_PROMPTS = regex(
    r"(?:^|[\s/=-])(getty|agetty|mingetty|login|sulogin|cttyhack|sh|ash|bash|dash)(?=\s|$)"
)
_LOGIN = {"getty", "agetty", "mingetty", "login", "sulogin"}
_TTY = regex(r"\b(tty[A-Za-z]*[0-9]+|console|hvc[0-9]+)\b")
_RUNNING = {"respawn", "askfirst", "wait", "once", "boot", "bootwait"}
_SCRIPT_PROMPT = regex(
    r"^\s*(?:exec\s+)?(?:[\w./-]*/)?(?:setsid\s+(?:-\S+\s+)?)?(?:[\w./-]*/)?"
    r"(getty|agetty|login|cttyhack|sulogin)\b"
    r"|^\s*(?:exec|setsid)\s+(?:[\w./-]*/)?(sh|ash|bash|dash)\b"
)
_INSTALL = regex(r"\bbusybox[\w.-]*\s+--install\b")
_CALL = regex(
    r"(?:^|[;|&(`'\"=!]|\b(?:exec|then|else|do|if|while))\s*(?:/[\w/]+/)?busybox\s+([a-z\[][\w.-]*)"
)
_PATH = regex(r"\bPATH=[\"']?(/[\w/:.-]*)")
_DROPBEAR_ARGUMENTS = ("/etc/default/dropbear", "/etc/conf.d/dropbear")
_DROPBEAR_BLANK = regex(r"""(?:\bdropbear\b|\bDROPBEAR\w*=)[^;|&]*?(?<![\w-])["']?-[A-Za-z]*B""")
_SSHD_CONFIGS = ("/etc/ssh/sshd_config", "/etc/sshd_config")
_SSHD_BLANK = regex(r"(?im)^\s*PermitEmptyPasswords[\s=]+(\w+)")
_NETWORK_LOGINS = ("dropbear", "sshd", "telnetd")

PasswordState = Literal["absent", "open", "locked", "set"]


@dataclass(frozen=True, slots=True)
class Account:
    """One line of /etc/passwd with its password's state."""

    name: str
    uid: int | None
    shell: str
    password: PasswordState


@dataclass(frozen=True, slots=True)
class Console:
    """A prompt that init or a script starts: on `device`, or on init's own where it is empty."""

    path: str
    line: int
    device: str
    command: str
    login: bool


@dataclass(frozen=True, slots=True)
class Call:
    """A script's line that calls `busybox APPLET`."""

    path: str
    line: int
    applet: str


@dataclass(frozen=True, slots=True)
class Access:
    """What was found of the ways in.

    `starts` are pairs of a network login's name and the script that mentions it, `blank` those that
    are told to take an empty password, with the file that does so; `calls` every
    `busybox APPLET` in the scripts; `installs` the scripts that run `busybox --install`; `folders`
    what scripts and the profile put on PATH.
    """

    accounts: tuple[Account, ...]
    consoles: tuple[Console, ...]
    starts: tuple[tuple[str, str], ...]
    authorized_keys: tuple[str, ...]
    calls: tuple[Call, ...]
    installs: tuple[str, ...]
    folders: tuple[str, ...]
    blank: tuple[tuple[str, str], ...] = ()

    @property
    def root_account(self) -> Account | None:
        """The first account with user id 0."""
        return next((account for account in self.accounts if account.uid == 0), None)


def read_access(root: Root, init: str, *, busybox_init: bool) -> Access:
    """Read inittab, init scripts and accounts.

    Args:
        root: where to look.
        init: the path of the first program.
        busybox_init: whether init is busybox's, which without an inittab asks on the console.

    """
    consoles = list(_inittab(root))
    if busybox_init and root.text("/etc/inittab") is None:
        consoles.append(Console(init, 0, "", "-/bin/sh", login=False))
    starts: list[tuple[str, str]] = []
    calls: list[Call] = []
    installs: list[str] = []
    folders: dict[str, None] = {}
    left = 0
    for path, text in scripts(root, init):
        starts += [(name, path) for name in _NETWORK_LOGINS if re.search(rf"\b{name}\b", text)]
        for number, line in enumerate(text.splitlines(), 1):
            bare = "" if line.lstrip().startswith("#") else line
            if _INSTALL.search(bare):
                installs.append(path)
            found = [Call(path, number, match[1]) for match in _CALL.finditer(bare)]
            left += max(0, len(calls) + len(found) - CALLS)
            calls += found[: CALLS - len(calls)]
            prompt = _SCRIPT_PROMPT.search(bare) if path == init else None
            if prompt is not None:
                tty = _TTY.search(bare)
                command = bare.strip()
                login = (prompt[1] or prompt[2]) in _LOGIN
                consoles.append(Console(path, number, tty[1] if tty else "", command, login))
            for match in _PATH.finditer(bare):
                folders.update(dict.fromkeys(match[1].split(":")))
    if left:
        why = f"of the calls of busybox in scripts {CALLS:,} are looked at, and {left:,} are not"
        bounds.left_out("/etc", why)
    return Access(
        accounts=tuple(_accounts(root)),
        consoles=tuple(consoles),
        starts=tuple(starts),
        authorized_keys=tuple(_key_files(root)),
        calls=tuple(calls),
        installs=tuple(dict.fromkeys(installs)),
        folders=tuple(folder.rstrip("/") for folder in folders if folder.strip("/")),
        blank=tuple(_blank(root, init)),
    )


def _blank(root: Root, init: str) -> Iterator[tuple[str, str]]:
    """Find what tells a network login to take an empty password.

    Source: dropbear(8), -B; sshd_config(5), PermitEmptyPasswords (the first line counts).
    """
    lists = ((path, root.text(path, SCRIPT_SIZE) or "") for path in _DROPBEAR_ARGUMENTS)
    for path, text in (*scripts(root, init), *lists):
        if any(_DROPBEAR_BLANK.search(line.partition("#")[0]) for line in text.splitlines()):
            yield "dropbear", path
            break
    for path in _SSHD_CONFIGS:
        said = _SSHD_BLANK.search(root.text(path, SCRIPT_SIZE) or "")
        if said is not None and said[1].lower() == "yes":
            yield "sshd", path


def scripts(root: Root, init: str) -> Iterator[tuple[str, str]]:
    """Give what runs at boot, as far as its place tells: paths and texts."""
    paths = [init, "/etc/inittab", "/etc/profile", *_SCRIPT_FILES]
    for folder in _SCRIPT_FOLDERS:
        paths += [f"{folder}/{name}" for name in root.names(folder)]
    for path in bounds.within(paths, SCRIPTS, "/etc", "scripts that run at boot"):
        node = root.lookup(path)
        if node is None or not node.is_file or node.is_elf:
            continue
        yield path, root.text(path, SCRIPT_SIZE) or ""


def _inittab(root: Root) -> Iterator[Console]:
    text = root.text("/etc/inittab", SCRIPT_SIZE) or ""
    for number, line in enumerate(text.splitlines(), 1):
        fields = line.split(":", 3)
        if line.lstrip().startswith("#") or len(fields) < 4 or fields[2] not in _RUNNING:
            continue
        prompt = _PROMPTS.search(fields[3])
        if prompt is None:
            continue
        tty = _TTY.search(fields[3])
        # busybox reads the first field as the terminal; sysvinit as any name of the line.
        named = fields[0] if fields[0] and _TTY.fullmatch(fields[0]) else ""
        device = tty[1] if tty else named
        command = fields[3].strip()
        yield Console("/etc/inittab", number, device, command, login=prompt[1] in _LOGIN)


def _accounts(root: Root) -> Iterator[Account]:
    shadow: dict[str, str] = {}
    for line in (root.text("/etc/shadow", SCRIPT_SIZE) or "").splitlines():
        name, _, rest = line.partition(":")
        shadow.setdefault(name, rest.partition(":")[0])
    lines = (root.text("/etc/passwd", SCRIPT_SIZE) or "").splitlines()
    for line in bounds.within(lines, ACCOUNTS, "/etc/passwd", "accounts"):
        fields = line.split(":")
        if len(fields) < 7:
            continue
        name, field, uid = fields[:3]
        if field == "x":
            # An account without its line in shadow cannot log in with a password.
            field = shadow.get(name, "*")
        state: PasswordState = "set"
        if not field:
            state = "open"
        elif field[0] in "*!" or len(field) < 13:
            state = "locked"
        yield Account(
            name=name,
            uid=int(uid) if uid.isascii() and uid.isdigit() and len(uid) < 12 else None,
            shell=fields[6] or "/bin/sh",
            password=state,
        )


def _key_files(root: Root) -> Iterator[str]:
    left = KEY_FILES
    for path, node in root.walk():
        name = posixpath.basename(path)
        if name in {"authorized_keys", "authorized_keys2"} and node.is_file and node.size:
            yield path
            left -= 1
            if not left:
                return

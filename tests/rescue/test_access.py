from __future__ import annotations

import pytest

from imgaudit import bounds
from imgaudit.rescue.access import CALLS, Access, read_access
from tests.rescue._ramdisk import tree


def access(files: dict[str, bytes | str], *, busybox: bool = False) -> Access:
    return read_access(tree(files), "/init", busybox_init=busybox)


@pytest.mark.parametrize(
    ("field", "shadow", "state"),
    [
        # shadow(5): an empty field needs no password, one that is no result of crypt(3) locks.
        (b"", None, "open"),
        (b"*", None, "locked"),
        (b"x", None, "locked"),
        (b"x", b"", "open"),
        (b"x", b"*", "locked"),
        (b"x", b"!$6$salt$hash-and-more", "locked"),
        (b"x", b"$6$salt$hash-and-more", "set"),
        (b"x", b"$y$j9T$hash-and-more", "set"),
        (b"abcdefghijklm", None, "set"),
        (b"abc", None, "locked"),
    ],
)
def test_passwords(field: bytes, shadow: bytes | None, state: str) -> None:
    files: dict[str, bytes | str] = {"etc/passwd": b"root:" + field + b":0:0::/root:/bin/sh\n"}
    if shadow is not None:
        files["etc/shadow"] = b"root:" + shadow + b":1::::::\n"
    account = access(files).root_account
    assert account is not None
    assert account.password == state
    assert account.shell == "/bin/sh"


def test_no_accounts() -> None:
    assert access({"etc/passwd": b"short:line\nu:x:many:0::/:\n"}).root_account is None
    assert access({}).accounts == ()


@pytest.mark.parametrize(
    ("uid", "number"),
    [("0", 0), ("9" * 11, 99_999_999_999), ("9" * 12, None), ("-1", None), ("\u0663", None)],
)
def test_numbers_of_accounts(uid: str, number: int | None) -> None:
    (account,) = access({"etc/passwd": f"root:x:{uid}:0::/root:\n".encode()}).accounts
    assert (account.uid, account.shell) == (number, "/bin/sh")


@pytest.mark.parametrize("more", [0, 2])
def test_calls_of_busybox_are_counted_to_an_end_and_it_is_said(more: int) -> None:
    text = "#!/bin/sh\n" + "busybox ls\n" * (CALLS + more)
    with bounds.listening() as heard:
        calls = access({"init": text.encode()}).calls
    assert len(calls) == CALLS
    assert (calls[-1].line, calls[-1].applet) == (CALLS + 1, "ls")
    assert [why.endswith("and 2 are not") for _, why in heard] == [True] * bool(more)


def test_a_login_that_a_script_of_initramfs_tools_starts() -> None:
    """initramfs-tools(7); the script of Debian's dropbear-initramfs."""
    script = "run_dropbear() { exec /sbin/dropbear -Fs; }\nrun_dropbear &\n"
    found = access({"scripts/init-premount/dropbear": f"#!/bin/sh\n{script}".encode()})
    assert ("dropbear", "/scripts/init-premount/dropbear") in found.starts


def test_inittab() -> None:
    text = b"""
# ttyS9::respawn:/sbin/getty
::sysinit:/etc/init.d/rcS
ttyS0::respawn:/sbin/getty -L 115200 vt100
::askfirst:-/bin/sh
T1:23:respawn:/sbin/getty -L ttyAMA1 115200
::respawn:/sbin/syslogd -n
::ctrlaltdel:/bin/sh
"""
    consoles = access({"etc/inittab": text}, busybox=True).consoles
    assert [(item.line, item.device, item.login) for item in consoles] == [
        (4, "ttyS0", True),
        (5, "", False),
        (6, "ttyAMA1", True),
    ]


def test_busybox_init_without_an_inittab_asks() -> None:
    assert [item.command for item in access({}, busybox=True).consoles] == ["-/bin/sh"]
    assert access({}).consoles == ()


def test_what_scripts_start() -> None:
    found = access(
        {
            "init": b"#!/bin/sh\n# busybox nothing\nPATH=/opt/bin:/bin\n/bin/busybox --install -s\n"
            b"busybox mount -a; exec busybox ip link\necho about busybox now\n"
            b"exec setsid cttyhack sh </dev/ttyS0\n",
            "etc/init.d/S50dropbear": b"#!/bin/sh\ndropbear -R\n",
            "etc/init.d/binary": b"\x7fELF sshd",
            "root/.ssh/authorized_keys": b"ssh-ed25519 A",
        }
    )
    assert found.installs == ("/init",)
    assert [(call.line, call.applet) for call in found.calls] == [(5, "mount"), (5, "ip")]
    assert found.starts == (("dropbear", "/etc/init.d/S50dropbear"),)
    assert found.authorized_keys == ("/root/.ssh/authorized_keys",)
    assert found.folders == ("/opt/bin", "/bin")
    assert [(item.line, item.device) for item in found.consoles] == [(7, "ttyS0")]


@pytest.mark.parametrize(
    ("files", "blank"),
    [
        ({"etc/init.d/S50": "#!/bin/sh\ndropbear -R -B\n"}, {"dropbear"}),
        ({"etc/init.d/S50": "#!/bin/sh\n/usr/sbin/dropbear -RB -p 22\n"}, {"dropbear"}),
        ({"etc/init.d/S50": "#!/bin/sh\n# dropbear -B\ndropbear -R\n"}, set()),
        ({"etc/init.d/S50": "#!/bin/sh\ndropbear -R; tool -B\n"}, set()),
        ({"etc/default/dropbear": 'DROPBEAR_ARGS="-B"\n'}, {"dropbear"}),
        ({"etc/default/dropbear": 'DROPBEAR_ARGS="-w -s"\n'}, set()),
        ({"etc/ssh/sshd_config": "PermitEmptyPasswords yes\n"}, {"sshd"}),
        ({"etc/ssh/sshd_config": "#PermitEmptyPasswords yes\n"}, set()),
        ({"etc/ssh/sshd_config": "permitemptypasswords no\nPermitEmptyPasswords yes\n"}, set()),
    ],
)
def test_what_takes_an_empty_password(files: dict[str, str], blank: set[str]) -> None:
    assert {
        name for name, _ in access({path: text.encode() for path, text in files.items()}).blank
    } == blank

"""The source trees and manual pages that the rules cite, from Debian: `python -m tests.trees DIR`.

Only the cited files are unpacked, below `DIR/PROJECT` and `DIR/manual pages`. It needs apt and
Debian's keyring, not root: the package lists are kept in a folder of its own.
"""

from __future__ import annotations

import gzip
import re
import subprocess
import sys
import tempfile
from collections import defaultdict
from pathlib import Path

from imgaudit.rules import checks
from imgaudit.rules.cited import VERSIONS, Basis

SUITE = "bookworm"
KEYS = "/usr/share/keyrings/debian-archive-keyring.gpg"
PACKAGES = {
    "U-Boot": "u-boot",
    "Linux": "linux",
    "BusyBox": "busybox",
    "Trusted Firmware-A": "arm-trusted-firmware",
    "e2fsprogs": "e2fsprogs",
    "kmod": "kmod",
    "glibc": "glibc",
    "Dropbear": "dropbear",
    "EDK II": "edk2",
    "Git LFS": "git-lfs",
    "RAUC": "rauc",
    "LVM2": "lvm2",
    "cryptsetup": "cryptsetup",
    "dosfstools": "dosfstools",
    "OpenSSH": "openssh",
}
MANUALS = "manual pages"
PAGES = {
    "curl(1)": "curl",
    "dash(1)": "dash",
    "fstab(5)": "mount",
    "git-credential-store(1)": "git-man",
    "hier(7)": "manpages",
    "inittab(5)": "sysvinit-core",
    "ld.so(8)": "manpages",
    "login(1)": "login",
    "mkfs.jffs2(1)": "mtd-utils",
    "modprobe(8)": "kmod",
    "modules.dep(5)": "kmod",
    "mount(2)": "manpages-dev",
    "mount(8)": "mount",
    "openssl-format-options(1ssl)": "openssl",
    "openssl-pkcs8(1ssl)": "openssl",
    "os-release(5)": "systemd",
    "passwd(5)": "passwd",
    "shadow(5)": "passwd",
    "ssh-keygen(1)": "openssh-client",
    "sshd(8)": "openssh-server",
    "sshd_config(5)": "openssh-server",
    "sysctl(8)": "procps",
    "systemd-udevd.service(8)": "udev",
    "systemd-gpt-auto-generator(8)": "systemd",
    "systemd-system.conf(5)": "systemd",
    "systemd.mount(5)": "systemd",
    "ubinize(8)": "mtd-utils",
    "wpa_supplicant.conf(5)": "wpasupplicant",
}
"""The package that has each manual page."""


def cited() -> dict[str, set[str]]:
    """Give the files that the rules cite, by project."""
    files = defaultdict(set)
    for check in checks().values():
        for source in check.rule.sources:
            if source.basis is Basis.TREE:
                files[source.project].add(source.file)
    return files


def mirror() -> str:
    """Give the address from which this machine has its own packages of the suite."""
    told = subprocess.run(
        ["apt-get", "indextargets", "--format", "$(SITE) $(RELEASE)", "Created-By: Packages"],
        check=True,
        capture_output=True,
        text=True,
    ).stdout
    sites = [line.split()[0] for line in told.splitlines() if line.split()[1:] == [SUITE]]
    if not sites:
        raise SystemExit(f"apt has no packages of Debian's {SUITE} here")
    return sites[0]


def fetch(folder: Path) -> None:
    """Download the source packages and unpack the cited files of each into its own folder."""
    with tempfile.TemporaryDirectory() as place:
        top = Path(place)
        for name in ("lists/partial", "cache/archives/partial"):
            top.joinpath(name).mkdir(parents=True)
        place_of_all = f"[signed-by={KEYS}] {mirror()} {SUITE} main\n"
        top.joinpath("list").write_text(f"deb-src {place_of_all}deb {place_of_all}")
        options = [
            *(
                "-o",
                f"Dir::Etc::SourceList={top / 'list'}",
                "-o",
                "Dir::Etc::SourceParts=/dev/null",
            ),
            *("-o", f"Dir::State::Lists={top / 'lists'}", "-o", f"Dir::Cache={top / 'cache'}"),
            *("-o", "APT::Sandbox::User=", "-q"),
        ]
        subprocess.run(["apt-get", *options, "update"], check=True, cwd=top)
        for project, files in sorted(cited().items()):
            package = PACKAGES[project]
            source = ["source", "--download-only", "--only-source", f"{package}/{SUITE}"]
            subprocess.run(["apt-get", *options, *source], check=True, cwd=top)
            (archive,) = top.glob(f"{package}_*.orig.tar.*[z2]")
            version = archive.name.removeprefix(f"{package}_")
            if not re.match(re.escape(VERSIONS[project]) + r"(?!\d)", version):
                raise SystemExit(f"{project} is not {VERSIONS[project]} but {archive.name}")
            place_of = folder / project
            place_of.mkdir(parents=True)
            names = [f"*/{name}" for name in sorted(files)]
            unpack = [
                "tar",
                "-xf",
                str(archive),
                "-C",
                str(place_of),
                "--strip-components=1",
                "--wildcards",
            ]
            subprocess.run([*unpack, "--no-wildcards-match-slash", *names], check=True)
            archive.unlink()
        for package in sorted(set(PAGES.values())):
            subprocess.run(
                ["apt-get", *options, "download", f"{package}/{SUITE}"], check=True, cwd=top
            )
        pages(top, folder / MANUALS)


def pages(packages: Path, folder: Path) -> None:
    """Unpack the manual pages that are cited from the packages in a folder."""
    folder.mkdir(parents=True)
    for page, package in PAGES.items():
        (archive,) = packages.glob(f"{package}_*.deb")
        name, section = page.removesuffix(")").split("(")
        inside = f"./usr/share/man/man{section[0]}/{name}.{section}.gz"
        unpacked = subprocess.run(
            ["dpkg-deb", "--fsys-tarfile", archive], check=True, capture_output=True
        ).stdout
        stored = subprocess.run(
            ["tar", "-xO", inside], input=unpacked, check=True, capture_output=True
        ).stdout
        folder.joinpath(page).write_bytes(gzip.decompress(stored))


if __name__ == "__main__":
    fetch(Path(sys.argv[1]))

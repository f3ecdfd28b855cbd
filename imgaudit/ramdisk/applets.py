"""The applets that a busybox binary was really built with, read from its bytes.

The build writes their names, sorted and each ended by NUL, as one string constant (busybox
applets/applet_tables.c), so it lies in the binary of any architecture, static or dynamic.
"""

from __future__ import annotations

from imgaudit.data import dataclass
from imgaudit.formats.view import View
from imgaudit.patterns import regex

SIZE = 16 << 20  # a busybox with everything in it has some 2 MiB
MARK = b"BusyBox v"
_VERSION = regex(rb"BusyBox v([0-9][\w.+~-]*)")
_NAMES = regex(rb"(?:[a-z0-9_\[][a-zA-Z0-9_.+\[-]{0,30}+\0)++")
_DHCP_SCRIPT = regex(rb"\0(/[\w/.+-]{1,200}/default\.script)\0")
_SHARE = 0.5  # the share of names known below which a sorted run is some other table

# Names of applets of busybox 1.20 to 1.36 (its include/applets.h), to tell the table of applets
# from the other sorted tables in the binary; one that is not here is still read from the table.
_KNOWN = frozenset(
    b"""
[ [[ acpid add-shell addgroup adduser adjtimex ar arch arp arping ascii ash awk base32 base64
basename bash bc bbconfig beep blkdiscard blkid blockdev bootchartd brctl bunzip2 busybox bzcat
bzip2 cal cat catv chat chattr chcon chgrp chmod chown chpasswd chpst chroot chrt chvt cksum clear
cmp comm conspy cp cpio crc32 crond crontab cryptpw cttyhack cut date dc dd deallocvt delgroup
deluser depmod devfsd devmem df dhcprelay diff dirname dmesg dnsd dnsdomainname dos2unix dpkg
dpkg-deb du dumpkmap dumpleases echo ed egrep eject env envdir envuidgid ether-wake expand expr
factor fakeidentd fallocate false fatattr fbset fbsplash fdflush fdformat fdisk fgconsole fgrep
find findfs flash_eraseall flash_lock flash_unlock flashcp flock fold free freeramdisk fsck
fsck.minix fsfreeze fstrim fsync ftpd ftpget ftpput fuser getenforce getfattr getopt getsebool
getty grep groups gunzip gzip halt hd hdparm head hexdump hexedit hostid hostname httpd hush hwclock
i2cdetect i2cdump i2cget i2cset i2ctransfer id ifconfig ifdown ifenslave ifplugd ifup inetd init
inotifyd insmod install ionice iostat ip ipaddr ipcalc ipcrm ipcs iplink ipneigh iproute iprule
iptunnel kbd_mode kill killall killall5 klogd last length less link linux32 linux64 linuxrc ln
load_policy loadfont loadkmap logger login logname logread losetup lpd lpq lpr ls lsattr lsmod lsof
lspci lsscsi lsusb lzcat lzma lzop lzopcat makedevs makemime man matchpathcon md5sum mdev mesg
microcom mim minips mkdir mkdosfs mke2fs mkfifo mkfs.ext2 mkfs.minix mkfs.reiser mkfs.vfat mknod
mkpasswd mkswap mktemp modinfo modprobe more mount mountpoint mpstat msh mt mv nameif nanddump
nandwrite nbd-client nc netstat nice nl nmeter nohup nologin nproc nsenter nslookup ntpd nuke od
openvt partprobe passwd paste patch pgrep pidof ping ping6 pipe_progress pivot_root pkill pmap
popmaildir poweroff powertop printenv printf ps pscan pstree pwd pwdx raidautorun rdate rdev
readahead readlink readprofile realpath reboot reformime remove-shell renice reset resize restorecon
resume rev rfkill rm rmdir rmmod route rpm rpm2cpio rtcwake run-init run-parts runcon runlevel runsv
runsvdir rx script scriptreplay sed seedrng selinuxenabled sendmail seq sestatus setarch setconsole
setenforce setfattr setfiles setfont setkeycodes setlogcons setpriv setsebool setserial setsid
setuidgid sh sha1sum sha256sum sha384sum sha3sum sha512sum showkey shred shuf slattach sleep
smemcap softlimit sort split ssl_client start-stop-daemon stat strings stty su sulogin sum sv svc
svlogd svok swapoff swapon switch_root sync sysctl syslogd tac tail tar taskset tc tcpsvd tee telnet
telnetd test tftp tftpd time timeout top touch tr traceroute traceroute6 tree true truncate ts tsort
tty ttysize tune2fs tunctl ubiattach ubidetach ubimkvol ubirename ubirmvol ubirsvol ubiupdatevol
udhcpc udhcpc6 udhcpd udpsvd uevent umount uname uncompress unexpand uniq unit unix2dos unlink
unlzma unlzop unshare unxz unzip uptime users usleep uudecode uuencode vconfig vi vlock volname w
wall watch watchdog wc wget which who whoami whois xargs xxd xz xzcat yes zcat zcip
""".split()
)


@dataclass(frozen=True, slots=True)
class Applets:
    """What a busybox binary has in it.

    `offset` is where the table of names starts; `installs` whether `busybox --install` is built
    in; `standalone` whether its shell runs the applets without a link for each; `dhcp_script` the
    path of the script that its udhcpc runs unless told another.
    """

    names: tuple[str, ...]
    offset: int
    installs: bool
    standalone: bool
    dhcp_script: str


def read_applets(view: View) -> Applets | None:
    """Find the table of applets; None where the bytes hold none or are no busybox."""
    data = view.upto(0, SIZE)
    if _VERSION.search(data) is None:
        return None
    best: tuple[int, list[bytes], int] = (0, [], 0)
    for run in _NAMES.finditer(data):
        if data[run.end() : run.end() + 1] != b"\0":
            continue  # the table ends with the constant's own NUL
        names = _sorted_end(run[0][:-1].split(b"\0"))
        known = sum(name in _KNOWN for name in names)
        if known > best[0] and known >= _SHARE * len(names):
            best = (known, names, run.end() - sum(len(name) + 1 for name in names))
    _, names, offset = best
    if not names:
        return None
    script = _DHCP_SCRIPT.search(data)
    return Applets(
        names=tuple(name.decode("ascii") for name in names),
        offset=offset,
        installs=b"--install [-s] [DIR]" in data,
        standalone=b"run built-in utilities without $PATH search" in data,
        dhcp_script="" if script is None else script[1].decode("ascii"),
    )


def _sorted_end(names: list[bytes]) -> list[bytes]:
    """Keep the sorted names at the end, from the first that is known as an applet on.

    Equal neighbours count as sorted: tables with a name twice exist.
    """
    start = len(names) - 1
    while start and names[start - 1] <= names[start]:
        start -= 1
    while start < len(names) and names[start] not in _KNOWN:
        start += 1
    return names[start:]

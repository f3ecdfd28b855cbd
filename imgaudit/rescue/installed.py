"""The links to its applets that a busybox makes as the first program runs.

Source: busybox libbb/appletlib.c (`install_links`: a link for each applet, where its folder is
there and nothing of that name); docs/busybox.net/FAQ.html of its sources.
"""

from __future__ import annotations

from imgaudit.patterns import regex
from imgaudit.ramdisk.root import Root
from imgaudit.rescue.runnable import Runner

_INSTALL = regex(r"(?:^|[;&|\s])(\S*busybox[\w.-]*)\s+--install(?:\s+-s)?(?:\s+(/[\w./-]*))?")
_BOXES = ("/bin/busybox", "/usr/bin/busybox", "/sbin/busybox")
_FOLDERS = ("/bin", "/sbin", "/usr/bin", "/usr/sbin")


def install(root: Root, runner: Runner, init: str) -> bool:
    """Add the links to a root, where its first program is a script that has them made.

    Without a folder busybox has one for each applet, which its binary does not tell in a form that
    can be read: the links are then in each of the four. Tells whether there are any.
    """
    for line in (root.text(init) or "").splitlines():
        said = None if line.lstrip().startswith("#") else _INSTALL.search(line)
        if said is None:
            continue
        for path in (said[1],) if said[1].startswith("/") else _BOXES:
            node = root.lookup(path)
            applets = runner.applets(node) if node is not None and node.is_file else None
            if applets is not None and applets.installs:
                root.link((said[2],) if said[2] else _FOLDERS, applets.names, path)
                return True
    return False

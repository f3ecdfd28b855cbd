"""`python -m tests._confined FOLDER NAME...`: read artifacts with little memory; say how much."""

from __future__ import annotations

import resource
import sys

from imgaudit.contents.reader import Loader
from imgaudit.files import Folder
from imgaudit.report import render
from imgaudit.rules.subject import Subject
from imgaudit.tasks import audit, board

ADDRESS_SPACE = 3 << 29


def peak() -> int:
    """Give the most bytes that were resident; `ru_maxrss` would count the parent's as well."""
    with open("/proc/self/status", encoding="ascii") as status:
        return next(int(line.split()[1]) << 10 for line in status if line.startswith("VmHWM"))


def main(folder: str, *names: str) -> None:
    resource.setrlimit(resource.RLIMIT_AS, (ADDRESS_SPACE, ADDRESS_SPACE))
    artifacts = {}
    with Loader() as loader:
        for name in names:
            # Kept as for a NOR and digested in blocks as for an eMMC: the most that is ever done.
            finish, _ = loader.in_folder(Folder(folder), name, blocks=True, keep=True)
            artifacts[name] = finish()
    result = audit.run(Subject(layout=None, others=artifacts))
    for form in ("json", "text"):
        render(form, board.audit(result))
    sys.stdout.write(f"{peak()}\n")


if __name__ == "__main__":
    main(*sys.argv[1:])

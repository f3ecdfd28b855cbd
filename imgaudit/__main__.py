"""The program `imgaudit`, which is `python -m imgaudit` too."""

from __future__ import annotations

import gc

_GARBAGE = 50_000
"""Objects that are made before it is looked for ones that nobody needs."""


def run() -> None:
    """Run what the command line asks for, and leave the process."""
    # What is loaded stays, and an audit lives for seconds: to look often finds nothing.
    gc.set_threshold(_GARBAGE)
    from imgaudit.cli import main

    main(prog_name="imgaudit")


if __name__ == "__main__":
    run()

"""The program `imgaudit`, which is `python -m imgaudit` too."""

from __future__ import annotations

import gc
import sys

_GARBAGE = 50_000
"""Objects that are made before it is looked for ones that nobody needs."""
_TURN = 0.0001
"""Seconds after which a thread that runs Python lets another one have its turn."""


def run() -> None:
    """Run what the command line asks for, and leave the process."""
    # What is loaded stays, and an audit lives for seconds: to look often finds nothing.
    gc.set_threshold(_GARBAGE)
    # One that digests blocks needs a turn for each, and takes a hundredth of the usual one.
    sys.setswitchinterval(_TURN)
    from imgaudit.cli import main

    main(prog_name="imgaudit")


if __name__ == "__main__":
    run()

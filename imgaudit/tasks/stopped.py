"""What is left to say when a run did not come to its end."""

from __future__ import annotations

from collections.abc import Sequence

from imgaudit.patterns import regex
from imgaudit.tasks import said
from imgaudit.tasks.sections import (
    BROKEN,
    Headline,
    Line,
    Lines,
    Report,
    Section,
    Unchecked,
    Verdict,
    heading,
)

_SHOWN = 20
_FRAME = regex(r'File "[^"]*?(imgaudit/[^"]+)", line (\d+) in (\w+)')


def stopped(why: str, opened: Sequence[str], about: str, trace: str) -> Report:
    """Say how far a run came.

    Args:
        why: how it ended, in a sentence without its end.
        opened: the files that it opened, in order.
        about: what it was doing; empty while it read.
        trace: what the fault handler wrote.

    """
    files = list(dict.fromkeys(opened))
    doing = about or (f"reading {files[-1]}" if files else "starting")
    frame = _FRAME.search(trace)
    place = f"{frame[1]}:{frame[2]}, {frame[3]}" if frame else ""
    whole = f"the run was stopped: {why}"
    lines = [Line(f"stopped while {doing}" + (f" ({place})" if place else ""))]
    lines += [Line(f"opened: {name}") for name in files[:_SHOWN]]
    if len(files) > _SHOWN:
        lines.append(Line(f"and {len(files) - _SHOWN:,} more files"))
    verdict = Verdict(word="STOPPED", role="bad", counts="nothing was judged", why=(whole,))
    return Report(
        command="stopped",
        title="a run that was stopped",
        status=BROKEN,
        verdict=verdict,
        sections=(
            Section(None, (Headline(verdict),)),
            Section(heading("How far it came"), (Lines(tuple(lines)),)),
        ),
        data=lambda: (
            said.head()
            | {
                "verdict": "stopped",
                "why": why,
                "during": doing,
                "at": place or None,
                "opened": files,
            }
        ),
        unchecked=(Unchecked(None, files[-1] if files else "the whole", whole),),
        warnings=(whole, "nothing was judged; what it was about stands in the report"),
    )

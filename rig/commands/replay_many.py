"""`nightrig replay --all`: every run below a folder judged again, a line each."""

from __future__ import annotations

import sys
from dataclasses import asdict
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING

from rig.commands.files import read_text
from rig.commands.folders import nearest
from rig.commands.saying import folded, say, say_json
from rig.errors import InputError

if TYPE_CHECKING:
    from rig.replay.one_of_many import Compared, Verdict


def replay_many(folder: Path, protocol: str | None, cluster: str | None, *, as_json: bool) -> int:
    """Judge all runs below a folder again, print what is found, and return the code.

    The code is 0 whatever the outcomes, else that of the worst that could not be judged: 6 where a
    record cannot be read, 2 where it keeps no protocol. `protocol` is a path. Raises InputError.
    """
    # Imported late: it takes numpy, and the worker processes import it for themselves.
    from rig.replay.many import replay_all, runs_below

    runs, closed = runs_below(folder)
    if not runs and not closed:
        raise InputError(
            f"{folder}: there is no run in it or below; name the folder that holds some"
        )
    found: list[Compared] = []
    for one in chain(closed, replay_all(runs, protocol, read_text, cluster)):
        found.append(one)
        if not as_json:
            say(folded(line_of(one), sys.stdout))
    if as_json:
        say_json({"runs": [asdict(one) for one in found], **_counts(found)})
    else:
        say(_summary(found))
    return max(one.code for one in found)


def line_of(one: Compared) -> str:
    """Return what is found of one run, in one line."""
    run, why = nearest(Path(one.run)), "; ".join(one.why)
    if one.recorded is None or one.replayed is None:
        return f"{run}: could not be judged: {why}"
    ends = f"recorded {_end(one.recorded)}, replayed {_end(one.replayed)}"
    return f"{run}: {ends}: agrees" if one.agrees else f"{run}: {ends}: differs: {why}"


def _end(verdict: Verdict) -> str:
    return f"{verdict.outcome or 'no end'} at {verdict.cycles:,}"


def _counts(found: list[Compared]) -> dict[str, int]:
    agree = sum(one.agrees for one in found)
    unread = sum(one.replayed is None for one in found)
    return {"agree": agree, "differ": len(found) - agree - unread, "unread": unread}


def _summary(found: list[Compared]) -> str:
    counts = _counts(found)
    return (
        f"{len(found)} recording{'' if len(found) == 1 else 's'}: "
        f"{counts['agree']} agree, {counts['differ']} differ, "
        f"{counts['unread']} could not be judged"
    )

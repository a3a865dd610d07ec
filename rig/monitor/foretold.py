"""When the specimen is expected to fail, by the clock; or why nothing is foretold."""

from __future__ import annotations

import math
from typing import Final

from rich.text import Text

from rig.monitor import words
from rig.monitor.glyphs import Glyphs
from rig.monitor.rows import FAINT, LABEL, Row, wrapped
from rig.monitor.view import View
from rig.record.status import Foreseen

SURE: Final = "(80 %)"


def failure(view: View, width: int, signs: Glyphs) -> list[Text]:
    """Return one line of what is foretold of the specimen; nothing where its test is over."""
    told = _told(view)
    if told is None:
        return []
    row = Row(signs, width, "failure")
    if told.why:
        first, *rest = wrapped(signs.safe(f"not foretold: {told.why}"), max(width - LABEL - 2, 1))
        return [row.put(first, FAINT).put(f" {signs.more}" if rest else "", FAINT).text]
    first, *more = expected(view)
    row.put(first, "bold")
    for piece in more:
        row.maybe(piece)
    return [row.text]


def expected(view: View) -> list[str]:
    """Return in pieces when a failure is expected, the first one first; nothing where silent."""
    told = _told(view)
    if told is None or told.why:
        return []
    low, high = words.number(told.low), words.number(told.high)
    if not math.isfinite(told.latest):
        return [f"expected at cycle {low} to {high} {SURE}", ", once it cycles"]
    latest = view.moment(told.latest)
    if told.soonest > 0:
        first = f"expected {view.moment(told.soonest)} to {latest} {SURE}"
    else:
        first = f"expected any time until {latest} {SURE}"
    waits = [", later by each wait for people"] if told.waits else []
    return [first, *waits, f", cycle {low} to {high}"]


def _told(view: View) -> Foreseen | None:
    """Return what is foretold; None of a test that is over, or that is played."""
    if view.over or view.playing is not None or not view.alive:
        return None
    return view.status.forecast

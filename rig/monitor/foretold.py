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


def failure(view: View, width: int, signs: Glyphs, *, most: int = 1) -> list[Text]:
    """Return in at most `most` lines what is foretold; nothing of a specimen whose test is over."""
    told = _told(view)
    if told is None:
        return []
    if told.why:
        return _silent(told.why, width, signs, most)
    first, *more = expected(view)
    rows = [Row(signs, width, "failure")]
    if most > 1 and not rows[0].fits(first):
        rows[0].put(first.removesuffix(f" {SURE}"), "bold")
        rows.append(_below(signs, width).put(SURE, "bold"))
    else:
        rows[0].put(first, "bold")
    for piece in more:
        if rows[-1].fits(piece):
            rows[-1].put(piece)
        elif len(rows) < most:
            rows.append(_below(signs, width).put(piece.removeprefix(", ")))
    return [row.text for row in rows]


def _below(signs: Glyphs, width: int) -> Row:
    return Row(signs, width).put(" " * LABEL)


def _silent(why: str, width: int, signs: Glyphs, most: int) -> list[Text]:
    text, room = signs.safe(f"not foretold: {why}"), max(width - LABEL, 1)
    parts = wrapped(text, room)
    if len(parts) > most:
        parts = wrapped(text, max(room - 2, 1))[:most]
        parts[-1] += f" {signs.more}"
    lines = [Row(signs, width, "failure").put(parts[0], FAINT).text]
    return lines + [_below(signs, width).put(part, FAINT).text for part in parts[1:]]


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

"""What a screen says of a recording that is played: that it is one, and where it stands."""

from __future__ import annotations

import math
from typing import Final

from rich.text import Text

from rig.monitor import words
from rig.monitor.call import Call, Level, call
from rig.monitor.glyphs import Glyphs
from rig.monitor.rows import GOOD, ODD, Row, bar
from rig.monitor.view import Playing, View

RECORDING: Final = "RECORDING"
HEADLINE: Final = f"{RECORDING}, NOT A RUNNING TEST"
_LEAST_BAR: Final = 10
_MOST_BAR: Final = 40


def called(view: View) -> Call:
    """Return the verdict on a view; of a recording nobody has to act on anything."""
    if view.playing is None:
        return call(view)
    return Call(Level.ENDED, HEADLINE, _why(view, view.playing))


def kind(view: View) -> str:
    """Return that a view is of a recording, and of what."""
    if view.header.imported:
        return f"{RECORDING}, IMPORTED"
    return f"{RECORDING} OF A REHEARSAL" if view.own_calendar else RECORDING


def pace(playing: Playing) -> str:
    """Return how a recording goes, in words."""
    if playing.paused:
        return "PAUSED"
    if math.isinf(playing.speed):
        return "as fast as it can be read"
    speed = words.number(playing.speed, 0 if playing.speed == round(playing.speed) else 2)
    return f"{speed} times as fast as recorded"


def _why(view: View, playing: Playing) -> tuple[str, ...]:
    if view.ending is not None:
        after = [view.ending.residual.words] if view.ending.residual is not None else []
        return (f"its end: {view.ending.outcome or 'none'}: {view.ending.why}", *after)
    if playing.over(view.status.time):
        return ("its end: it was cut off here",)
    return (f"{pace(playing)}; nothing on this screen happens now",)


def position(view: View, width: int, signs: Glyphs) -> list[Text]:
    """Return where a recording stands in its test time, and how fast it goes."""
    playing, time = view.playing, view.status.time
    if playing is None:
        return []
    share = time / playing.end if playing.end > 0 else 1.0
    row = Row(signs, width, "played").put(words.span(time), "bold")
    row.maybe(f" of {words.span(playing.end)}").maybe(f" = {words.per_cent(share)}", "bold")
    over = playing.over(time)
    told = "at its end" if over else pace(playing)
    room = width - row.used - len(told) - 4
    if room >= _LEAST_BAR:
        row.put("  ").put(bar(share, min(room, _MOST_BAR), signs), GOOD)
    row.maybe(f"  {told}", ODD if playing.paused or over else "")
    return [row.text]

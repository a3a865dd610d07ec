"""Causes found while a test goes on: troubles, supplies, inputs, limits near by, the forecast."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Final

from rig.monitor import words
from rig.monitor.alerts.cause import CALM, STANDING, Cause, found_key, goes_on
from rig.monitor.alerts.kinds import kind_of
from rig.monitor.bounds import close
from rig.monitor.call import nearness, supplies
from rig.monitor.foretold import expected
from rig.monitor.view import View
from rig.record.status import Foreseen

DAY: Final = 86400.0
HOLDS: Final = 10.0
"""How long [s] a limit must be near: one cycle may be by chance."""

_OF_SPECIMEN: Final = ("deflection", "midspan", "crack_opening", "strain_", "end_slip_")
_SHORT: Final = {
    "sensor": "SENSOR",
    "water": "WATER",
    "specimen": "SPECIMEN",
    "alert-only": "ALERT ONLY",
    "record": "RECORD",
    "message-way": "MESSAGES",
}


def found(view: View, heard: Mapping[str, str]) -> Iterator[Cause]:
    """Yield what is not as it should be on a live rig. `heard` has the kind of events' texts."""
    if view.over or not view.alive:
        return
    for text in dict.fromkeys(view.status.troubles):
        yield trouble(view, kind_of(heard.get(text, ""), text), text)
    for text in supplies(view):
        kind = "water" if text.startswith("the tank") else "rig"
        yield trouble(view, kind, text, key=f"supply:{kind}")
    if view.status.state not in STANDING:
        for text in view.status.inputs:
            if text not in view.status.why:
                yield trouble(view, "water" if text.startswith("water") else "rig", text)
    yield from _near(view)
    yield from _foretold(view)


def trouble(view: View, kind: str, text: str, *, key: str = "", seq: int = 0) -> Cause:
    """Return a cause that a text tells; one with a `seq` happened as that event."""
    return Cause(
        key=key or found_key(text),
        kinds=(kind,),
        headline=f"{_SHORT.get(kind, 'RIG')}: {text}",
        happened=text,
        did=goes_on(view),
        todo=tuple(filter(None, [view.status.asks])) or (_look(view),),
        lasting=seq == 0,
        calm=CALM,
        seq=seq,
    )


def _look(view: View) -> str:
    return (
        "look at it within the day"
        if view.status.state in STANDING
        else "look at it; it goes on meanwhile, or stops by its own limits"
    )


def _near(view: View) -> Iterator[Cause]:
    # Elsewhere it is as foreseen: an unloaded specimen is near the least load that is allowed.
    if view.status.state != "cycling":
        return
    for limit in view.status.limits:
        if close(limit):
            specimen = limit.channel.startswith(_OF_SPECIMEN)
            text = nearness(limit)
            name = words.channel_name(limit.channel)
            yield Cause(
                key=f"near:{limit.channel}",
                kinds=("specimen",) if specimen else ("rig",),
                headline=f"{name} is near its limit",
                happened=text,
                did=goes_on(view),
                todo=("look why; nothing has to be done to stop it: the limit does",),
                settle=HOLDS,
                calm=CALM,
            )


def _foretold(view: View) -> Iterator[Cause]:
    told = view.status.forecast
    if told is None or view.stale or view.status.state != "cycling":
        return
    if told.why or not _median(told) <= DAY:
        return
    yield Cause(
        key="forecast",
        kinds=("forecast",),
        headline="FAILURE IS FORETOLD within a day",
        happened=f"failure {''.join(expected(view))}",
        did=goes_on(view),
        todo=("see that somebody, and what is needed for the end, will be there",),
        settle=HOLDS,
        calm=CALM,
    )


def _median(told: Foreseen) -> float:
    """Return in how long [s] the median of a forecast comes, NaN where nobody can tell."""
    span = told.high - told.low
    share = (told.median - told.low) / span if span > 0 else math.nan
    return told.soonest + share * (told.latest - told.soonest)

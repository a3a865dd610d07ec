"""Causes that lie in a rig that stands, or that asks for people while it goes on."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Final

from rig.monitor import near, words
from rig.monitor.alerts.cause import Cause, found_key
from rig.monitor.alerts.kinds import kind_of
from rig.monitor.view import View

BY_PEOPLE: Final = 3600.0
"""How long [s] what people made stand stands until somebody is called; common practice, no
source."""
AT_START: Final = 900.0
"""The same [s] of a checklist: whoever starts the test is there; common practice, no source."""
BECAUSE: Final = "; it stood because: "

_STANDS: Final = frozenset({"pausing", "paused", "unloading", "unloaded"})
_BY_ITSELF: Final = {
    "no flow": (("pause", "water"), "no spray water came"),
    "unattended": (("pause",), "nobody had looked after it in time"),
}


def stands(view: View, heard: Mapping[str, str]) -> Iterator[Cause]:
    """Yield why a live rig stands for people. `heard` has the kind of each event's text."""
    status = view.status
    if view.ending is not None or not view.alive:
        return
    if status.state == "waiting":
        yield _inspection(view)
    elif status.state in _STANDS:
        yield _standing(view, heard)
    elif status.state == "locked":
        yield _waits(view, "HELD FOR PEOPLE", BY_PEOPLE)
    elif status.state == "checklist":
        yield _waits(view, "THE CHECKLIST WAITS", AT_START)
    elif status.asks.startswith("look after"):
        yield Cause(
            key="attendance",
            kinds=("waits",),
            headline="SOMEBODY HAS TO LOOK, or it pauses",
            happened="nobody has looked after it since it started",
            did=f"it goes on: {status.means}",
            todo=(status.asks, *_soon(view)),
            settle=0.0,
        )


def because(view: View) -> str:
    """Return why a rig stands that paused, "" where it does not, or nobody said why."""
    if view.status.state not in _STANDS:
        return ""
    before, told, why = view.status.why.partition(BECAUSE)
    return why if told else before


def _inspection(view: View) -> Cause:
    status = view.status
    alone = near.goes_on(view)
    ran_out = 0 < status.run_out <= status.cycles
    what = "RUN-OUT" if ran_out else "INSPECTION"
    waits = "it waits" if alone is None else "it goes on by itself"
    return Cause(
        key=f"inspection:{status.cycles}",
        kinds=("run-out",) if ran_out else ("inspection",),
        headline=f"{what} at cycle {status.cycles:,}, {waits}",
        happened=f"{what.lower()} at cycle {status.cycles:,}",
        did=f"stands: {status.means}",
        todo=(*_stay_out(view), status.asks or "you may look", *filter(None, [near.hold(view)])),
        mark=waits,
    )


def _standing(view: View, heard: Mapping[str, str]) -> Cause:
    status, why = view.status, because(view)
    told = words.asked(status.cause, why)
    if why.startswith("by ") or status.cause in ("pause", "unload"):
        return _waits(view, f"STANDS: {told or 'somebody asked for it'}", BY_PEOPLE)
    kinds, short = _BY_ITSELF.get(status.cause, (_found(why, heard), ""))
    return Cause(
        key=found_key(why or status.cause),
        kinds=kinds,
        headline=f"PAUSED: {short or told or status.cause}",
        happened=told or short or "it paused by itself",
        did=f"paused by itself; now: {status.means}",
        todo=(*_stay_out(view), *filter(None, [status.asks])),
        mark=status.state,
    )


def _found(why: str, heard: Mapping[str, str]) -> tuple[str, ...]:
    """Return the kinds of a pause for a finding; what nobody knows is no matter for the morning."""
    kind = kind_of(heard.get(why, ""), why)
    return ("pause", kind) if kind == "specimen" else (kind, "pause")


def _waits(view: View, headline: str, settle: float) -> Cause:
    status = view.status
    return Cause(
        key=f"waits:{status.state}",
        kinds=("waits",),
        headline=headline,
        happened=f"it stands since {view.clock(view.at(status.since))}, and nobody went on",
        did=f"stands: {status.means}",
        todo=(*_stay_out(view), *filter(None, [status.asks])),
        settle=settle,
    )


def _stay_out(view: View) -> tuple[str, ...]:
    """Return what keeps people away, by the clock: nobody knows how much later it is read."""
    headline, out = near.motion(view)
    alone = near.goes_on(view)
    if alone is not None and alone.within is not None:
        headline, out = f"STAY OUT from {view.moment(alone.within)} on: it moves by itself", True
    return tuple(filter(None, [headline if out else "", near.water(view)]))


def _soon(view: View) -> Iterator[str]:
    for item in view.status.coming:
        if item.within is not None and item.what.startswith("pauses unless"):
            yield f"it {item.what}: {view.moment(item.within)}"

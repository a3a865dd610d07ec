"""Causes that concern the run as a whole: its end, its program, its record, its silence."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from rig.monitor import words
from rig.monitor.alerts.cause import END, Cause
from rig.monitor.call import FULL_LOST, LOST, call, full_words, gone_words, pressure
from rig.monitor.view import View, state_words

LASTS: Final = 60.0
"""How long [s] a stop for a fault, or a record that cannot be read, lasts before it calls."""
AT_ZERO: Final = "before you go near: gauge and load at zero"
LOOK_NOW: Final = (
    "look at the rig now, from outside the guards: gauge and load at zero? if not, or if it moves: "
    "its emergency stop"
)

_ENDS: Final = {
    "failure": "FAILURE",
    "run-out": "RUN-OUT",
    "ultimate": "ULTIMATE LOAD",
    "limit": "STOPPED BY A LIMIT",
    "fault": "FAULT",
    "operator": "ENDED BY SOMEBODY",
}
_ALSO: Final = {"leak": "water", "record": "record"}
"""What a stop on some causes is about as well."""
_FORESEEN: Final = frozenset({"verdict", "stop"})


def whole(view: View) -> Iterator[Cause]:
    """Yield the causes of a live run as a whole; none or one of them holds as a rule."""
    if view.ending is not None:
        yield from _end(view)
    elif not view.alive:
        yield _gone(view)
    else:
        yield from _stopping(view)
        yield from _record(view)


def _end(view: View) -> Iterator[Cause]:
    ending = view.ending
    if ending is None or not ending.outcome:
        return
    told, count = pressure(view), f"{ending.cycles:,}"
    not_off = told.startswith("NOT")
    last = ending.last.outcome
    kind = last if last in ("limit", "fault", "operator") else ending.outcome
    after = [_ALSO[cause] for cause in [_stopped_on(view)] if cause in _ALSO]
    # Whoever ended it, pressure that may be on calls at any hour.
    also = [*after, *(["rig"] if not_off and kind == "operator" else [])]
    headline = f"{_ENDS[kind]} at cycle {count}" if ending.cycles else _ENDS[kind]
    said = [ending.why, ending.residual.words] if ending.residual else [ending.why]
    did = f"stopped the test; pressure {told}" if told else "stopped the test"
    why = [line for line in call(view).why if line not in (*said, f"pressure {told}", AT_ZERO)]
    yield Cause(
        key=f"{END}{kind}",
        kinds=(kind, *also),
        headline=f"PRESSURE NOT CONFIRMED OFF, {headline}" if not_off else headline,
        happened="; ".join(said),
        did=did,
        todo=tuple(why) if not_off else (AT_ZERO, *why),
        settle=0.0,
    )


def _stopped_on(view: View) -> str:
    """Return the cause of the state table on which the rig was stopped last, "" for none."""
    for event in reversed(view.events):
        if event.kind == "state":
            state, cause, _ = state_words(event.text)
            if state == "stopping":
                return cause
    return ""


def _gone(view: View) -> Cause:
    happened, did, *todo = gone_words(view)
    headline = "ITS PROGRAM IS GONE, look at the rig"
    return Cause("gone", ("gone",), headline, happened, did, (LOOK_NOW, *todo))


def _stopping(view: View) -> Iterator[Cause]:
    """Yield a stop for a fault that has no end yet, though it should have one by now."""
    status = view.status
    if view.over and status.cause not in _FORESEEN:
        kind = "limit" if status.cause == "limit" else "fault"
        on_the_way = status.state == "stopping"
        yield Cause(
            key=f"{END}{kind}",
            kinds=(kind, _ALSO[status.cause]) if status.cause in _ALSO else (kind,),
            headline=f"{'IT STOPS' if on_the_way else 'IT HAS STOPPED'}, no end is written yet",
            happened=status.why or status.cause or "nobody knows why it stops",
            did="it is being stopped" if on_the_way else "it was stopped",
            todo=(AT_ZERO,),
            settle=LASTS,
        )


def _record(view: View) -> Iterator[Cause]:
    status = view.status
    full = tuple(full_words(view))
    if full:
        lost = view.age > FULL_LOST
        yield Cause(
            key="record:room",
            kinds=("record",),
            headline="ITS DISK IS FULL",
            happened=f"no room on the disk: no new data for {words.span(view.age)}",
            did="stopped, or stops, by itself" if lost else full[1],
            todo=(full[0],),
        )
        return
    if view.age > LOST:
        yield Cause(
            key="silent",
            kinds=("silent",),
            headline=f"NO NEW DATA for {words.span(view.age)}",
            happened=f"no new data for {words.span(view.age)}; its program still runs",
            did=f"nobody knows; then it was in {status.state or 'an unknown state'}",
            todo=("look after the rig at the rig", "then at the computer and its disk"),
        )
    elif view.unreadable:
        yield Cause(
            key="record:unreadable",
            kinds=("record",),
            headline="its record cannot be read",
            happened=f"the record cannot be read just now: {view.unreadable}",
            did="nobody can tell from here",
            todo=("look after the rig, then at the disk",),
            settle=LASTS,
        )

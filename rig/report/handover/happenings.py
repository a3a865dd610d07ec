"""From the events of a period to what is told of it."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator
from typing import Final

from rig.judging.shadow import WOULD
from rig.monitor.happened import worth_telling
from rig.record.entries import Event
from rig.report.event_words import MISSED
from rig.report.handover.happening import Happening, Rank, joined
from rig.report.handover.period import Period
from rig.report.handover.states_told import StatesTold, Stood, in_words

_RETRIES: Final = 600.0
"""Time [s] between tries of one spray period, at most."""
_ACTED: Final = 120.0
"""Time [s] in which what somebody asked for shows as a state."""
_SILENT: Final = frozenset(
    {"state", "note", "static", "zero", "dead load", "seated", "contact", "on call", "checklist"}
    | {"catch can", "crack", "local input", "verdict", "recording", "corrected", "events"}
    | {"after the end"}
)
"""Kinds that are told elsewhere, or that only the record needs."""
_PLAIN_WATER: Final = (
    "spraying begins",
    "re-wetting begins",
    "re-wetting ends",
    "water:",
    "water ",
)
_RANKS: Final = {
    Rank.END: ("stop", "limit", "found", "record", "bug", "rig file"),
    Rank.SENSOR: (
        "sensor",
        "conflict",
        "support",
        "offset",
        "line",
        "doubt",
        "clock",
        "guide",
        "messages",
    ),
    Rank.WATER: ("water", "deviation"),
    Rank.SPECIMEN: (
        *("stiffness-loss", "stiffness-step", "residual-growth", "early-loss", "overload"),
        *("load-short", "off-target", "uneven-load", "pause"),
    ),
    Rank.REQUEST: ("request", "accepted"),
    Rank.CORRECTION: ("correction", "oil", "resume"),
    Rank.FORECAST: ("forecast",),
}
_RANK_OF: Final = {kind: rank for rank, kinds in _RANKS.items() for kind in kinds}
_WORDS: Final = {
    "stiffness-loss": "stiffness",
    "stiffness-step": "stiffness",
    "early-loss": "stiffness",
    "residual-growth": "residual",
    "load-short": "load",
    "off-target": "load",
    "uneven-load": "load",
    "overload": "load",
    "conflict": "channels",
    "correction": "load",
    "resume": "taken up",
    "first crack": "crack",
    "deviation": "water",
}


def happenings(
    events: tuple[Event, ...], period: Period, newest: float, stood: tuple[Stood, ...]
) -> tuple[Happening, ...]:
    """Return what happened in a period, the most important first.

    States are followed from the start of the test, so that a pause that began before the period
    and ended in it is told whole. `stood` are the interruptions as recorded.
    """
    upto = [event for event in events if event.time <= period.until]
    told = StatesTold(stood).follow(upto, min(newest, period.until))
    inside = [event for event in upto if event.time >= period.since]
    found = [*told, *_plain(inside), *_water(inside)]
    return joined(each for each in found if each.end >= period.since)


def _plain(events: list[Event]) -> Iterator[Happening]:
    """Yield what single events tell, but for what a state tells already."""
    states = [event for event in events if event.kind == "state"]
    times = [event.time for event in states]
    for event in events:
        if event.kind in _SILENT or event.kind == "water" or not worth_telling(event):
            continue
        near = slice(bisect_left(times, event.time), bisect_right(times, event.time + _ACTED))
        if _shown(event, states[near]):
            continue
        if event.kind == "pressure" and not event.text.startswith("NOT"):
            continue
        yield _told(event)


def _told(event: Event) -> Happening:
    rank = _RANK_OF.get(event.kind, Rank.OTHER)
    text = in_words(event)
    if event.kind == "pressure":
        rank = Rank.END
    if event.text.startswith(WOULD):
        rank, text = Rank.SPECIMEN, f"alert only: {text}"
    kind = _WORDS.get(event.kind, event.kind)
    return Happening(rank, kind, text, event.time, event.time, event.cycle)


def _shown(event: Event, states: list[Event]) -> bool:
    """Tell whether one of the states entered then says the same: an end, or a pause."""
    said = event.text
    if event.kind == "request":
        _, by, said = said.partition(" by ")
        if not by or " refused: " in event.text:
            return False
        said = f"by {said.partition(': ')[0]}"
    return any(said in state.text for state in states)


def _water(events: Iterable[Event]) -> Iterator[Happening]:
    """Yield what went wrong with the water: the tries of a period that was missed belong to it."""
    tries: list[Event] = []
    for event in (e for e in events if e.kind == "water"):
        if event.text.endswith("will try again"):
            tries.append(event)
        elif event.text.startswith(MISSED):
            after = event.time
            while tries and after - tries[-1].time <= _RETRIES:
                after = tries.pop().time
            yield _of_water(event, Rank.WATER)
        else:
            usual = event.text.startswith(_PLAIN_WATER)
            yield _of_water(event, Rank.OTHER if usual else Rank.WATER)
    for event in tries:
        yield _of_water(event, Rank.WATER)


def _of_water(event: Event, rank: Rank) -> Happening:
    return Happening(rank, "water", in_words(event), event.time, event.time, event.cycle)

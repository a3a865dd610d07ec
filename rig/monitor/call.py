"""Whether the rig calls for somebody: one plain verdict from what is known of a run."""

from __future__ import annotations

import math
import shlex
from collections.abc import Iterator
from dataclasses import dataclass, replace
from enum import IntEnum
from typing import Final

from rig.judging.shadow import WOULD
from rig.monitor import near, words
from rig.monitor.bounds import close, room
from rig.monitor.view import TOO_OLD, View
from rig.record.entries import AS_IT_STANDS, OF_AIR
from rig.record.status import Armed

OLD: Final = 5.0
"""Age of the newest data [s] from which it is told."""
LOST: Final = 300.0
"""Age [s] from which somebody has to come: nobody knows what the rig does."""
FULL_LOST: Final = 60.0
"""The same [s] where the disk is full: by then a stop under way has come to rest."""
LEAST_ROOM: Final = 500_000
"""Bytes left on a disk that is as good as full."""
TANK_SOON: Final = 12 * 3600.0
"""A tank that lasts less than a night [s] is worth a look; common practice, no source."""
OIL_WARM: Final = 323.15
"""Oil temperature [K] that is warm, 50 °C; common practice, no source."""

_WAITS: Final = frozenset({"checklist", "paused", "locked", "unloaded"})
_TO_REST: Final = frozenset({"pausing", "unloading"})
_WAITING_FOR: Final = {
    "checklist": "the checklist has to be confirmed before anything moves",
    "paused": "it stands still, power kept",
    "locked": "held for people at the rig",
    "unloaded": "the specimen is unloaded, pressure is off",
    "pausing": "it goes to rest and will stand still",
    "unloading": "it unloads and will stand still",
}
_BY: Final = {
    "pause": "somebody asked it to pause",
    "finding": "it found something about the specimen or a sensor",
    "no flow": "no spray water came",
    "unattended": "nobody had looked after it in time",
    "unload": "somebody asked it to unload",
}
_ALERTS: Final = (f"alert only: {WOULD}stopped", f"alert only: {WOULD}")
"""How a trouble begins that a criterion tells which is alert only, the worst first."""
_FORESEEN: Final = {"verdict": "it has ended", "stop": "somebody asked it to stop"}
"""Causes of a stop that call nobody."""


class Level(IntEnum):
    """How much the rig needs somebody, and whether it has ended."""

    NOTHING = 0
    LOOK = 1
    COME = 2
    ENDED = 3


@dataclass(frozen=True, slots=True)
class Call:
    """The verdict: its level, a headline, and why, the most important first.

    `loud` marks an end that nobody wished for, and a rig that moves at any moment.
    """

    level: Level
    headline: str
    why: tuple[str, ...]
    loud: bool = False


def call(view: View) -> Call:
    """Return the verdict on a view."""
    found = _call(view)
    if not view.another:
        return found
    # What was true of gauge and load is true no more.
    why = (each for each in found.why if not each.startswith(("before you go near", "pressure ")))
    return replace(found, why=(may_move(view.another), *why))


def may_move(another: str) -> str:
    """Return in words that another run has the rig by now."""
    return f"another run, {another}, has the rig now: it may move"


def _call(view: View) -> Call:
    if view.ending is not None and not view.ending.outcome:
        return Call(Level.ENDED, "IMPORTED", (view.ending.why, _judge(view)))
    if view.ending is not None:
        headline = f"ENDED: {view.ending.outcome.upper()}"
        not_off = pressure(view).startswith("NOT")
        if not_off:
            headline += ", PRESSURE NOT CONFIRMED OFF"
        loud = not_off or view.ending.last.outcome in ("limit", "fault")
        return Call(Level.ENDED, headline, tuple(_ended(view)), loud)
    gone = list(gone_words(view))
    full = [] if gone else list(full_words(view))
    if gone and not view.rehearsal:
        return Call(Level.COME, "COME: ITS PROGRAM IS GONE", tuple(gone))
    comes = gone or [*full, *_lost(view), *_comes(view)]
    looks = [*_old(view), *_looks(view)]
    first = [told for told in (near.water(view), near.hold(view)) if told]
    moves, out = near.motion(view)
    lost = view.age > (FULL_LOST if full else LOST) and not view.rehearsal
    if moves and not lost:
        ends = [_quiet(view)] if view.over else []
        why = [*first, *ends, *comes, *looks] or [near.before(view)]
        return Call(Level.COME if comes else Level.LOOK, moves, tuple(why), loud=out)
    if comes and not gone:
        headline = "COME: ITS DISK IS FULL" if full else _come(view)
        return Call(Level.COME, headline, tuple(first + comes + looks))
    if first or comes or looks:
        return Call(Level.LOOK, "LOOK WHEN YOU CAN", tuple(first + comes + looks))
    return Call(Level.NOTHING, "NOTHING TO DO", (_quiet(view),))


def _quiet(view: View) -> str:
    """Return words for a rig that needs nobody, and what it does next that people may see."""
    status = view.status
    if view.over:
        told = _FORESEEN[status.cause]
        if status.why:
            told = status.why if status.cause == "stop" else f"{told}: {status.why}"
        return f"{told}; {'being stopped' if status.state == 'stopping' else 'it stands stopped'}"
    well = "all is as it should be"
    if view.age >= OLD and not view.rehearsal:
        well = f"no new data for {words.span(view.age)}"
    for item in view.status.coming:
        if item.within is not None and math.isfinite(item.within):
            return f"{well}; {item.what} {view.moment(item.within)}"
    return well


def _come(view: View) -> str:
    status = view.status
    if view.age > LOST:
        return "COME: NO NEW DATA"
    if view.over:
        return "COME: IT STOPS" if status.state == "stopping" else "COME: IT HAS STOPPED"
    return "COME: IT WAITS FOR YOU"


def pressure(view: View) -> str:
    """Return what was said last of the pressure, or nothing."""
    return next((e.text for e in reversed(view.events) if e.kind == "pressure"), "")


def _ended(view: View) -> Iterator[str]:
    told = pressure(view)
    not_off = told.startswith("NOT")
    if not_off:
        yield f"CAUTION: pressure {told}"
    if view.ending is not None:
        yield view.ending.why
        if view.ending.residual is not None:
            yield view.ending.residual.words
    if not view.rehearsal and not not_off:
        yield f"pressure {told}" if told else "before you go near: gauge and load at zero"
    if wet := near.water(view):
        yield wet
    yield from troubles(view)
    closed = view.ending is None or view.ending.last.why.startswith((AS_IT_STANDS, OF_AIR))
    if view.ending is not None and not closed and not not_off:
        yield from _goes_on(view, view.ending.last.outcome)


def gone_words(view: View) -> Iterator[str]:
    """Tell that the program is gone: what happened, what the rig did, how to go on."""
    if view.alive:
        return
    ago = f"{words.span(view.age)} ago it was in {view.status.state or 'an unknown state'}"
    again = f"to go on: {_resume(view)}"
    if view.rehearsal:
        yield f"the rehearsal broke off without an end; {ago}; no rig is concerned"
        yield again
        return
    yield f"the program that runs it is gone, without an end; {ago}"
    yield "the controller should have stopped the rig by itself; only the rig itself can tell"
    yield f"after a look at the rig, {again}"


def _goes_on(view: View, outcome: str) -> Iterator[str]:
    """Tell how a test that ended goes on, nothing where its specimen has had it."""
    if outcome in ("limit", "fault"):
        yield f'once the cause is mended: {_resume(view)} --mended "WHAT WAS DONE"'
    elif outcome == "operator":
        yield f"to go on: {_resume(view)}"


def _judge(view: View) -> str:
    return f"to judge it: nightrig replay {shlex.quote(str(view.folder))} --protocol PROTOCOL"


def _resume(view: View) -> str:
    return f"nightrig resume {shlex.quote(str(view.folder))}"


def full_words(view: View) -> Iterator[str]:
    """Tell that new data stays away because there is no room for it."""
    if view.alive and view.ending is None and view.room < LEAST_ROOM:
        yield f"make room on the disk of {view.folder}: {view.room / 1e6:.1f} MB are left"
        yield "nothing is lost so far: it goes on in memory, and stops by itself when that is full"


def _lost(view: View) -> Iterator[str]:
    if view.age > LOST and not view.rehearsal:
        yield _no_data(view)


def _old(view: View) -> Iterator[str]:
    if view.alive and view.age > TOO_OLD and (view.rehearsal or view.age <= LOST):
        yield _no_data(view)
    if view.unreadable:
        yield f"the record cannot be read just now: {view.unreadable}"


def _no_data(view: View) -> str:
    told = f"NO NEW DATA for {words.span(view.age)}"
    return told if view.rehearsal else f"{told}: look after the rig at the rig"


def _comes(view: View) -> Iterator[str]:
    status = view.status
    if status.state == "waiting" and near.goes_on(view) is None:
        yield status.asks or "inspection: it stands at lower load until somebody comes"
    elif status.state in _WAITS or status.state in _TO_REST:
        yield _reason(view)
    elif view.over and status.cause not in _FORESEEN:
        told = "it is being stopped" if status.state == "stopping" else "it was stopped"
        yield f"{told}: {status.why or status.cause or 'nobody knows why'}"
    if status.asks and (status.state in _WAITS or _at_the_rig(view)):
        yield status.asks


def _reason(view: View) -> str:
    status = view.status
    by = words.asked(status.cause, status.why) or _BY.get(status.cause, "")
    waiting = _WAITING_FOR[status.state]
    return f"{by}; {waiting}" if by else waiting


def _at_the_rig(view: View) -> bool:
    """Tell whether the run waits for the button or key at the rig just now."""
    return bool(view.status.local_input) and " now" in view.status.asks


def _looks(view: View) -> Iterator[str]:
    status = view.status
    if not view.told and not view.rehearsal:
        yield "this run does not tell how it stands: only what it recorded is known"
    if near.goes_on(view) is not None:
        yield f"inspection: {status.asks or 'you may look'}"
    elif status.asks and status.state not in (*_WAITS, "waiting") and not _at_the_rig(view):
        yield status.asks
    yield from troubles(view)
    if status.state not in _WAITS:
        yield from (told for told in status.inputs if told not in status.why)
    if not view.over:
        yield from (nearness(limit) for limit in status.limits if close(limit))
    yield from supplies(view)


def troubles(view: View) -> list[str]:
    """Return what is not as it should be, each once, what would have ended the test before all."""
    found = dict.fromkeys(view.status.troubles)
    marked = (f"alert only: {told}" if told.startswith(WOULD) else told for told in found)
    return sorted(marked, key=_rank)


def _rank(told: str) -> int:
    return next((n for n, begin in enumerate(_ALERTS) if told.startswith(begin)), len(_ALERTS))


def nearness(limit: Armed) -> str:
    """Return how near a signal is to where it stops the rig."""
    value, bound, share = room(limit)
    unit, name = words.unit_of(limit.channel), words.channel_name(limit.channel)
    left = words.quantity(abs(bound - value), unit, difference=True)
    far = f"{left} from" if share >= 0 else f"{left} beyond"
    return f"{name} is {far} its limit {words.quantity(bound, unit)}, which stops the rig"


def supplies(view: View) -> Iterator[str]:
    """Tell that water runs short, then that the oil is warm."""
    water, oil = view.status.water, view.status.oil_temperature
    if water is not None and water.tank_lasts < min(TANK_SOON, _run_out_in(view)):
        when = view.moment(water.tank_lasts) if water.tank_lasts > 0 else "now"
        yield f"the tank is empty {when}"
    if oil > OIL_WARM:
        yield f"the oil is warm: {words.quantity(oil, 'K')}"


def _run_out_in(view: View) -> float:
    """Return in how long [s] run-out comes, infinite where nobody can tell."""
    for item in view.status.coming:
        if item.what == "run-out" and item.within is not None:
            return item.within
    return math.inf


def loss(view: View) -> float:
    """Return the stiffness lost against the baseline, a fraction, NaN where nobody knows."""
    status = view.status
    if not status.baseline > 0 or not math.isfinite(status.baseline):
        return math.nan
    return 1.0 - status.stiffness / status.baseline

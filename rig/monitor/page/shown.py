"""What the page shows of a run, as texts: the server renders them, the script renews them."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Final

from rich.text import Text

from rig.monitor import measured, panels, words
from rig.monitor.bounds import close, room
from rig.monitor.call import call
from rig.monitor.foretold import failure
from rig.monitor.glyphs import UTF8
from rig.monitor.happened import event_words, worth_telling
from rig.monitor.page.drawn import Drawing, drawing
from rig.monitor.rows import LABEL
from rig.monitor.view import View
from rig.record.entries import Event
from rig.record.status import Armed

EVENTS: Final = 15
"""Events on the page, the newest ones."""
_SIGNS: Final = replace(UTF8, warn="⚠\N{VARIATION SELECTOR-15}")
"""Signs of the screen; a reader of pages says "warning" to this one."""
_WIDE: Final = 2000
"""Cells of a line that the browser breaks where it likes."""
_PIECES: Final = re.compile(r"(?<!target)(?<!\s)\s{2,}")
"""What stands between the pieces of a line; a target is set in below another."""


@dataclass(frozen=True, slots=True)
class Fact:
    """A name, what it is just now, and more about it."""

    name: str
    value: str
    more: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Bound:
    """A limit in words: the channel, what it shows, how far that is from which bound."""

    name: str
    value: str
    room: str
    close: bool


@dataclass(frozen=True, slots=True)
class Happening:
    """An event in words, with its day (nothing for today) and clock time."""

    day: str
    clock: str
    kind: str
    text: str


@dataclass(frozen=True, slots=True)
class Shown:
    """A run in the texts of its page.

    `level` is that of the verdict, `mark` its sign; `loud` marks an end that nobody wished for.
    `clock` is the time of the test in words, with its zone. `data` says how old the newest data
    is, `as_of` when it was taken, and `old` that it tells nothing of now. `share` is how much of
    the run-out is reached, None where there is none.
    """

    specimen: str
    rig: str
    kind: str
    title: str
    clock: str
    level: str
    mark: str
    loud: bool
    headline: str
    why: tuple[str, ...]
    data: str
    as_of: str
    old: bool
    over: bool
    share: float | None
    now: tuple[Fact, ...]
    load: tuple[Fact, ...]
    supplies: tuple[Fact, ...]
    troubles: tuple[str, ...]
    bounds: tuple[Bound, ...]
    events: tuple[Happening, ...]
    drawing: Drawing


def shown(view: View) -> Shown:
    """Return what the page shows of a view."""
    verdict, safe = call(view), _SIGNS.safe
    status = view.status
    return Shown(
        specimen=safe(view.header.specimen_id) or "run",
        rig=safe(status.rig),
        kind=panels.kind(view),
        title=safe(view.header.title),
        clock=_clock(view),
        level=verdict.level.name.lower(),
        mark=_SIGNS.marks[verdict.level],
        loud=verdict.loud,
        headline=safe(verdict.headline),
        why=tuple(safe(why) for why in verdict.why),
        data=_data(view),
        as_of=_as_of(view),
        old=view.ending is None and (view.stale or not view.alive),
        over=view.ending is not None,
        share=_share(view),
        now=_now(view),
        load=_facts(measured.load(view, _WIDE, _SIGNS) + measured.stiffness(view, _WIDE, _SIGNS)),
        supplies=_supplies(view),
        troubles=tuple(map(safe, _troubles(view, verdict.why))),
        bounds=() if view.ending is not None else tuple(map(_bound, status.limits)),
        events=tuple(_happening(view, e) for e in reversed(view.events) if worth_telling(e))[
            :EVENTS
        ],
        drawing=drawing(view),
    )


def _clock(view: View) -> str:
    now = view.calendar
    zone = "by the rehearsal's calendar" if view.rehearsal else words.zone_name(now)
    return f"{words.date(now)} {now:%H:%M:%S} {zone}"


def _data(view: View) -> str:
    if view.unreadable and view.ending is None:
        return _SIGNS.safe(f"the record cannot be read just now: {view.unreadable}")
    return _facts(panels.freshness(view, _WIDE, _SIGNS))[0].value


def _as_of(view: View) -> str:
    when = view.at(view.status.time)
    return f"{words.day(when, view.calendar)} {when:%H:%M:%S}" if when else words.DASH


def _share(view: View) -> float | None:
    cycles = view.ending.cycles if view.ending is not None else view.status.cycles
    return min(cycles / view.status.run_out, 1.0) if view.status.run_out else None


def _now(view: View) -> tuple[Fact, ...]:
    lines = panels.doing(view, _WIDE, _SIGNS, brief=False)
    lines += panels.ahead(view, _WIDE, _SIGNS, most=3, brief=False)
    far = panels.far(view, _WIDE, _SIGNS)
    return (
        *_facts(lines),
        *([_progress(view)] if view.status.run_out else _facts(far[:1])),
        *_facts(far[1:] + failure(view, _WIDE, _SIGNS, most=2)),
        Fact("on call", _SIGNS.safe(view.status.on_call) or "nobody named"),
    )


def _progress(view: View) -> Fact:
    cycles = view.ending.cycles if view.ending is not None else view.status.cycles
    run_out = view.status.run_out
    told = f"{words.number(cycles)} of {words.number(run_out)}"
    return Fact("cycles", told, (words.per_cent(cycles / run_out, 2),))


def _troubles(view: View, why: tuple[str, ...]) -> Iterator[str]:
    """Return what is not as it should be and is not among the reasons of the verdict."""
    for told in dict.fromkeys((*view.status.troubles, *view.status.inputs)):
        if not any(told in reason for reason in why):
            yield told


def _supplies(view: View) -> tuple[Fact, ...]:
    lines = measured.water(view, _WIDE, _SIGNS, brief=False)
    lines += measured.warmth(view, _WIDE, _SIGNS, most=1)
    return _facts(lines)


def _facts(lines: Iterable[Text]) -> tuple[Fact, ...]:
    """Return the lines of a panel as facts: what stands below a label belongs to it."""
    facts: list[Fact] = []
    for line in lines:
        name = line.plain[:LABEL].strip()
        first, *more = _PIECES.split(line.plain[LABEL:].strip())
        first, more = first.rstrip(","), [" ".join(piece.split()) for piece in more]
        if name or not facts:
            facts.append(Fact(name, first, tuple(more)))
        else:
            facts[-1] = replace(facts[-1], more=(*facts[-1].more, first, *more))
    return tuple(facts)


def _bound(limit: Armed) -> Bound:
    unit = words.unit_of(limit.channel)
    name = words.channel_name(limit.channel)
    value, bound, share = room(limit)
    if not math.isfinite(share):
        return Bound(name, words.DASH, words.DASH, close=False)
    left = words.quantity(abs(bound - value), unit, difference=True)
    side = "below" if bound == limit.high else "above"
    learned = ", learned" if limit.learned else ""
    return Bound(
        name=name,
        value=words.quantity(value, unit),
        room=f"{left} {side if share >= 0 else 'BEYOND'} {words.quantity(bound, unit)}{learned}",
        close=close(limit),
    )


def _happening(view: View, event: Event) -> Happening:
    when = view.at(event.time)
    kind, text = event_words(event)
    today = when is None or when.date() == view.calendar.date()
    return Happening(
        day="" if today or when is None else words.date(when),
        clock=f"{when:%H:%M:%S}" if when else words.DASH,
        kind=_SIGNS.safe(kind),
        text=_SIGNS.safe(text),
    )

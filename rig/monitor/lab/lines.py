"""A lab in plain lines, where there is no terminal: each rig once, then what changes."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import timedelta
from typing import Any, Final

from rig.monitor import words
from rig.monitor.glyphs import Glyphs
from rig.monitor.lab.columns import NOT_FORETOLD, ends, expected
from rig.monitor.lab.need import Judged, Need, judged
from rig.monitor.lab.screen import sentence
from rig.monitor.lab.view import LabView

_WORDS = {
    Need.COME: "COME",
    Need.LOOK: "LOOK",
    Need.SILENT: "SILENT",
    Need.WELL: "runs well",
    Need.ENDED: "ended",
}


SETTLES: Final = timedelta(seconds=6)
"""A rig that is there tells all within this time, once somebody listens; then silence counts."""


class LabLines:
    """Turns looks into lines: the whole once, and then only what has changed."""

    def __init__(self, signs: Glyphs) -> None:
        self._signs = signs
        self._known: dict[str, Any] = {}
        self._broker: bool | None = None
        self._said = ""

    def news(self, view: LabView) -> list[str]:
        """Return what is new at a look, a line each."""
        found = judged(view)
        lines = [*self._of_broker(view), *self._of_rigs(view, found)]
        told = sentence(view, found).headline
        if told != self._said and _settled(view):
            self._said = told
            lines.append(f"{view.calendar:%H:%M:%S}  lab {view.lab}: {told}")
        return [self._signs.safe(line) for line in lines]

    def _of_broker(self, view: LabView) -> Iterator[str]:
        if self._broker is None:
            zone = words.zone_name(view.calendar)
            yield f"lab {view.lab}, broker {view.broker} (times: {zone})"
        if view.connected is not (self._broker in (None, True)):
            when = f"{view.calendar:%H:%M:%S}"
            yield f"{when}  {'broker is back' if view.connected else f'BROKER AWAY: {view.why}'}"
        self._broker = view.connected

    def _of_rigs(self, view: LabView, found: tuple[Judged, ...]) -> Iterator[str]:
        if not _settled(view):
            # Nobody is heard then: that is one line, and not one of each rig.
            return
        names = {one.rig.name for one in found}
        for name in sorted(self._known.keys() - names):
            del self._known[name]
            yield f"{view.calendar:%H:%M:%S}  {name}: forgotten by the broker"
        for one in found:
            if self._known.get(one.rig.name) != (key := _key(one)):
                self._known[one.rig.name] = key
                yield f"{view.calendar:%H:%M:%S}  {rig_line(one, view)}"


def _settled(view: LabView) -> bool:
    """Tell whether whoever is there had time to say so."""
    return view.connected and view.since is not None and view.now.utc - view.since >= SETTLES


def _key(one: Judged) -> tuple[object, ...]:
    """Return what has to change of a rig to be worth a line; numbers change all the time."""
    status = one.rig.status
    head = re.sub(r"[\d.,]+", "", status.call.headline) if status is not None else ""
    trouble = status.last_trouble.seq if status is not None and status.last_trouble else 0
    troubles = tuple(re.sub(r"[\d.,]+", "", told) for told in status.troubles) if status else ()
    state = status.state if status is not None else ""
    return (one.need, one.outcome, one.silent > 0, state, head, trouble, troubles)


def rig_line(one: Judged, view: LabView) -> str:
    """Return a rig in one line."""
    status = one.rig.status
    parts = [f"{one.rig.name}: {_WORDS[one.need]}"]
    if one.needs_somebody or one.outcome:
        parts.append("; ".join(dict.fromkeys(one.why)))
    if status is not None:
        parts += [status.specimen_id, one.outcome or status.state]
    parts += [*_progress(one, view)]
    return " | ".join(part for part in parts if part)


def _progress(one: Judged, view: LabView) -> Iterator[str]:
    status, cycles = one.rig.status, one.rig.cycles
    if status is None or cycles is None:
        return
    of = f" of {words.number(status.run_out)}" if status.run_out else ""
    yield f"{words.number(cycles)}{of} cycles"
    if one.outcome:
        return
    when, _ = ends(one)
    if when is not None:
        yield f"end {view.clock(when)}"
    if one.rig.forecast is not None:
        told = expected(one.rig.forecast, view)
        yield f"failure {told}" if told == NOT_FORETOLD else f"failure foretold {told}"
    if status.water is not None:
        yield f"water {status.water.doing}"
    if status.last_trouble is not None:
        yield f"last trouble {view.clock(status.last_trouble.at)}: {status.last_trouble.text}"

"""Which rigs of a lab need somebody, and why: from what each told last and how long ago."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from enum import IntEnum
from typing import Final

from rig.monitor import words
from rig.monitor.lab.rigs import RigTold, clashes
from rig.monitor.lab.view import LabView

SILENT: Final = 20.0
"""Seconds without a word after which a rig is silent: it speaks every second, tells all every 5."""
NOT_OFF: Final = "NOT CONFIRMED OFF"
_UNWISHED: Final = ("limit", "fault")
_SAYS_NO_MORE: Final = ("LOOK WHEN YOU CAN", "NOTHING TO DO")
"""Headlines that tell nothing beyond the level."""


class Need(IntEnum):
    """How much a rig needs somebody, the most first."""

    COME = 0
    LOOK = 1
    SILENT = 2
    WELL = 3
    ENDED = 4


_LEVELS: Final = {
    "come": Need.COME,
    "look": Need.LOOK,
    "nothing": Need.WELL,
    "ended": Need.ENDED,
}


@dataclass(frozen=True, slots=True)
class Judged:
    """A rig with what it needs, and why, the most important first.

    `silent` is for how long [s] it has been silent, 0 where it is not, and `since` from when on,
    None where nobody knows. `outcome` is that of a run that has ended.
    """

    rig: RigTold
    need: Need
    why: tuple[str, ...]
    silent: float = 0.0
    since: datetime | None = None
    outcome: str = ""

    @property
    def loud(self) -> bool:
        """Return whether it moves at any moment, or ended as nobody wished."""
        status = self.rig.status
        return status is not None and status.call.loud and not self.silent

    @property
    def is_past(self) -> bool:
        """Return whether what is told of it is only what was known last."""
        return self.silent > 0 or (self.rig.status is not None and self.rig.status.gone)

    @property
    def needs_somebody(self) -> bool:
        """Return whether people have to know of it now."""
        return self.need <= Need.SILENT


def judged(view: LabView) -> tuple[Judged, ...]:
    """Return every rig of a lab, those that need somebody first."""
    found = [judge(rig, view) for rig in view.rigs]
    return tuple(sorted(found, key=lambda one: (one.need, not one.loud, _natural(one.rig.name))))


def _natural(name: str) -> list[tuple[int, str]]:
    """Return a name by which frame-2 comes before frame-10."""
    return [(int(part) if part.isdigit() else -1, part) for part in re.split(r"(\d+)", name)]


def judge(rig: RigTold, view: LabView) -> Judged:
    """Return what a rig needs."""
    status, end = rig.status, rig.end
    outcome = (
        end.outcome if end is not None else status.outcome if status is not None else ""
    ) or ""
    if outcome:
        return _ended(rig, outcome)
    need, why = _told(rig)
    wrong = [*_wrong(rig, view)]
    if wrong:
        need, why = min(need, Need.LOOK), (*wrong, *why)
    quiet = _quiet(rig, view)
    if quiet > 0:
        was = why if need < Need.SILENT else ()
        silence = _silence(rig, view, quiet)
        return Judged(rig, min(need, Need.SILENT), (silence, *was), quiet, rig.heard_utc)
    return Judged(rig, need, why)


def _told(rig: RigTold) -> tuple[Need, tuple[str, ...]]:
    """Return what the rig's own computer says of it."""
    status = rig.status
    if status is None:
        return Need.SILENT, ("it has not told yet what it does",)
    return _LEVELS[status.call.level], _said(status.call.headline, status.call.why)


def _said(headline: str, why: tuple[str, ...]) -> tuple[str, ...]:
    """Return a headline and its reasons, the first of them in one with it."""
    if not why:
        return (headline,)
    return why if headline in _SAYS_NO_MORE else (f"{headline}: {why[0]}", *why[1:])


def _ended(rig: RigTold, outcome: str) -> Judged:
    status, end = rig.status, rig.end
    call = status.call if status is not None and status.call.level == "ended" else None
    headline = call.headline if call is not None else f"ENDED: {outcome.upper()}"
    reasons = call.why if call is not None else ((end.why,) if end is not None else ())
    need = Need.ENDED
    if NOT_OFF in headline:
        need = Need.COME
    elif outcome in _UNWISHED or (call is not None and call.loud):
        need = Need.LOOK
    return Judged(rig, need, _said(headline, reasons), outcome=outcome)


def _wrong(rig: RigTold, view: LabView) -> Iterator[str]:
    """Tell what is wrong with what it says."""
    if clashes(rig, view.now):
        yield "TWO RUNS SPEAK UNDER THIS NAME: give each rig a name of its own in its rig file"
    if rig.unread:
        yield f"NOT UNDERSTOOD, is it of another version? {rig.unread}"


def _quiet(rig: RigTold, view: LabView) -> float:
    """Return for how long [s] a rig has been silent, 0 where it speaks."""
    ago = view.now.seconds - rig.heard
    if rig.heard_utc is not None:
        # Monotonic time may stand still while the computer sleeps.
        ago = max(ago, (view.now.utc - rig.heard_utc).total_seconds())
    return max(ago, 1e-3) if rig.left or ago > SILENT else 0.0


def _silence(rig: RigTold, view: LabView, quiet: float) -> str:
    ago = f"since {view.clock(rig.heard_utc)} ({words.span(quiet)})" if rig.heard_utc else "so far"
    cause = rig.presence.cause if rig.left and rig.presence is not None else ""
    told = f"SILENT {ago}"
    if cause == "lost":
        told += ", the broker has lost it"
    elif rig.left:
        told += ", it left without an end"
    return f"{told}: nobody here knows what it does; the test may go on, look at the rig"


def counts(found: tuple[Judged, ...]) -> dict[Need, int]:
    """Return how many rigs need what."""
    return {need: sum(one.need is need for one in found) for need in Need}

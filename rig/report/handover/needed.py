"""What needs a person: what the verdict asks for, looks that are due, alerts that are open."""

from __future__ import annotations

import shlex
from collections.abc import Iterator
from typing import Final

from rig.monitor import words
from rig.monitor.call import Level
from rig.record.status import Coming
from rig.report.handover.telling import Handover

_UNLESS: Final = "pauses unless"
"""How a coming pause begins that somebody's look prevents."""


def needs(told: Handover) -> list[str]:
    """Return what needs a person beside the first reason of the verdict, one line each."""
    call, view = told.call, told.view
    found = dict.fromkeys(call.why[1:])
    if call.level is Level.ENDED:
        # What was odd while it ran is among what happened: nobody can mend it now.
        told_of = (*view.status.troubles, *(each.text for each in told.happened))
        found = dict.fromkeys(t for t in found if not any(t in text for text in told_of))
    for item in told.coming:
        if unless_looked(item):
            when = view.moment(item.within) if item.within is not None else "in time"
            found[f"{item.what}: {when}; nightrig note counts as a look"] = None
    found |= dict.fromkeys((*_alerts(told), *_silences(told)))
    return list(found)


def unless_looked(item: Coming) -> bool:
    """Tell whether what comes is a pause that somebody's look prevents."""
    return item.what.startswith(_UNLESS)


def _alerts(told: Handover) -> Iterator[str]:
    """Yield the alerts that are open, those first that nobody has acknowledged."""
    for alert in sorted(told.alerts, key=lambda a: bool(a.acknowledged)):
        when = words.moment(told.view.local(alert.opened), told.now)
        if alert.acknowledged:
            done = f"acknowledged by {alert.acknowledged}"
        else:
            run = shlex.quote(str(told.view.folder))
            done = (
                f"not acknowledged: nightrig alerts {run} --acknowledge {alert.number} "
                '--by "YOUR NAME"'
            )
        yield f"alert {alert.number}, {when}: {alert.headline}; {done}"


def _silences(told: Handover) -> Iterator[str]:
    for silence in told.silences:
        until = words.moment(told.view.local(silence.until), told.now)
        yield f"silenced until {until} by {silence.by}: alerts of {silence.kind}; {silence.why}"

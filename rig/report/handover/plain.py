"""The handover as one object of plain values, for programs; SI, null where nothing is known."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from typing import Any

from rig.monitor.alerts.desk import Alert
from rig.monitor.call import Level
from rig.record.entries import Event
from rig.report.handover.changes import Change
from rig.report.handover.happening import Happening
from rig.report.handover.needed import needs
from rig.report.handover.people import Visit
from rig.report.handover.telling import Handover


def plain(told: Handover) -> dict[str, Any]:
    """Return what the page tells, and what it has no room for."""
    view, period = told.view, told.period
    return {
        "folder": str(view.folder.resolve()),
        "run": view.header.run_id,
        "title": view.header.title,
        "specimen_id": view.header.specimen_id,
        "rehearsal": view.rehearsal,
        "running": view.ending is None and view.alive,
        "outcome": (view.ending.outcome or None) if view.ending else None,
        "now_utc": _utc(told.now),
        "since": {"time_s": period.since, "at_utc": _at(told, period.since), "why": period.why},
        "until": {"time_s": period.until, "at_utc": _at(told, period.until), "now": period.to_now},
        "said": [*period.said],
        "call": {
            "level": Level(told.call.level).name.lower(),
            "headline": told.call.headline,
            "why": [*told.call.why],
        },
        "happened": [_happening(told, each) for each in told.happened],
        "numbers": [_change(each) for each in told.changes],
        "coming": [
            {
                "what": item.what,
                "in_s": _number(item.within),
                "at_utc": None if item.within is None else _utc(view.within(item.within)),
                "cycle": item.cycle,
            }
            for item in told.coming
        ],
        "needs": needs(told),
        "quiet_until_utc": _utc(told.quiet),
        "asks": view.status.asks,
        "troubles": [*view.status.troubles],
        "alerts": [_alert(each) for each in told.alerts],
        "silences": [
            {"kind": s.kind, "until_utc": _utc(s.until), "by": s.by, "why": s.why}
            for s in told.silences
        ],
        "notes": [_note(told, event) for event in told.notes],
        "visits": [_visit(told, visit) for visit in told.visits],
        "from_afar": [_visit(told, visit) for visit in told.afar],
        "damage": [*told.damage],
    }


def _number(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None


def _utc(when: datetime | None) -> str | None:
    return None if when is None else when.astimezone(UTC).isoformat()


def _at(told: Handover, time: float) -> str | None:
    return _utc(told.at(time))


def _happening(told: Handover, each: Happening) -> dict[str, Any]:
    return {
        "importance": each.rank.name.lower(),
        "kind": each.kind,
        "text": each.text,
        "count": each.count,
        "begin_s": each.begin,
        "end_s": None if each.open else each.end,
        "begin_utc": _at(told, each.begin),
        "end_utc": None if each.open else _at(told, each.end),
        "lasted_s": each.lasted,
        "cycle": each.cycle,
    }


def _change(each: Change) -> dict[str, Any]:
    return {
        "name": each.name,
        "unit": each.unit,
        "then": _number(each.then),
        "now": _number(each.now),
        "change": _number(each.change),
        "least": _number(each.least),
        "most": _number(each.most),
        "target": _number(each.target),
    }


def _note(told: Handover, event: Event) -> dict[str, Any]:
    return {
        "kind": event.kind,
        "text": event.text,
        "time_s": event.time,
        "at_utc": _at(told, event.time),
        "cycle": event.cycle,
    }


def _alert(each: Alert) -> dict[str, Any]:
    return {
        "number": each.number,
        "kinds": [*each.kinds],
        "headline": each.headline,
        "happened": each.happened,
        "todo": [*each.todo],
        "opened_utc": _utc(each.opened),
        "acknowledged_by": each.acknowledged or None,
        "over_utc": _utc(each.over),
    }


def _visit(told: Handover, visit: Visit) -> dict[str, Any]:
    return {
        "names": [*visit.names],
        "begin_s": visit.begin,
        "end_s": visit.end,
        "begin_utc": _at(told, visit.begin),
        "end_utc": _at(told, visit.end),
        "doings": [{"what": d.what, "who": d.who or None, "time_s": d.time} for d in visit.doings],
    }

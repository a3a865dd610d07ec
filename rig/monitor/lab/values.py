"""A lab as plain values for other programs: SI, units in their names, None where nothing is."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from rig.monitor.lab.columns import ends
from rig.monitor.lab.need import Judged, counts, judged
from rig.monitor.lab.view import LabView
from rig.monitor.mqtt.told import Forecast, Status, Water


def lab_values(view: LabView) -> dict[str, Any]:
    """Return everything that is known of a lab as one object."""
    found = judged(view)
    return {
        "lab": view.lab,
        "broker": {
            "address": view.broker,
            "connected": view.connected,
            "since_utc": _instant(view.since),
            "why": view.why or None,
        },
        "at_utc": _instant(view.now.utc),
        "counts": {need.name.lower(): many for need, many in counts(found).items()},
        "not_understood": view.not_understood,
        "last_not_understood": view.newest or None,
        "beyond": view.beyond,
        "rigs": [_rig(one) for one in found],
    }


def _rig(one: Judged) -> dict[str, Any]:
    rig, status = one.rig, one.rig.status
    when, left = ends(one)
    trouble = status.last_trouble if status is not None else None
    return {
        "rig": rig.name,
        "need": one.need.name.lower(),
        "why": list(one.why),
        "silent_since_utc": _instant(one.since) if one.silent else None,
        "silent_s": one.silent or None,
        "heard_utc": _instant(rig.heard_utc),
        "run": rig.run or None,
        **_of_status(status),
        "cycles": rig.cycles,
        "outcome": one.outcome or None,
        "end_utc": _instant(rig.end.ended if rig.end is not None else when),
        "cycling_left_s": left,
        "forecast": _forecast(rig.forecast),
        "last_trouble": None
        if trouble is None
        else {"seq": trouble.seq, "at_utc": _instant(trouble.at), "text": trouble.text},
    }


def _of_status(status: Status | None) -> dict[str, Any]:
    names = ("title", "specimen_id", "state", "means", "run_out", "loss", "on_call")
    return {
        **{name: getattr(status, name, None) for name in names},
        "stamp_utc": _instant(status.stamp) if status is not None else None,
        "frequency_Hz": status.frequency if status is not None else None,
        "load_max_N": status.load_max if status is not None else None,
        "load_min_N": status.load_min if status is not None else None,
        "stiffness_N_per_m": status.stiffness if status is not None else None,
        "troubles": list(status.troubles) if status is not None else [],
        "water": _water(status.water) if status is not None else None,
    }


def _water(water: Water | None) -> dict[str, Any] | None:
    if water is None:
        return None
    return {
        "doing": water.doing,
        "on": water.on,
        "confirmed": water.confirmed,
        "missed": water.missed,
        "flow_m3_per_s": water.flow,
        "tank_m3": water.tank,
        "tank_lasts_s": water.tank_lasts,
        "dry_for_s": water.dry_for,
    }


def _forecast(told: Forecast | None) -> dict[str, Any] | None:
    if told is None:
        return None
    return {
        "low_cycles": told.low,
        "high_cycles": told.high,
        "soonest_utc": _instant(told.soonest),
        "latest_utc": _instant(told.latest),
        "why": told.why,
    }


def _instant(when: datetime | None) -> str | None:
    return None if when is None else when.isoformat()

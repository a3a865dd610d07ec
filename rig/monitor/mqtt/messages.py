"""What is said of a run by MQTT: from a view to plain values, SI, units in their names.

Where nothing is known stands None, or a text without a letter. The run is named by its folder and
its start: a folder's name may be given again.
"""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime
from typing import Any, Final

from rig.monitor.bounds import close
from rig.monitor.call import call, loss, nearness
from rig.monitor.happened import worth_telling
from rig.monitor.looks import Numbered
from rig.monitor.mqtt.second import Second
from rig.monitor.mqtt.signing import VERSION, instant
from rig.monitor.view import View
from rig.record.entries import Event, Residual, RunHeader
from rig.record.status import Coming, Foreseen, WaterStatus

LONGEST: Final = 2000
"""Letters of a text at most: the record holds the whole."""
MOST, SHORT = 20, 300
"""Entries of a list at most, and letters of one."""
_FOLDER: Final = 160
SHARE: Final = 0.8
"""How likely an end lies between the low and the high of a forecast."""
_TROUBLES: Final = frozenset(
    {"limit", "sensor", "oil", "deviation", "conflict", "support", "line", "recording"}
    | {"record", "bug", "caution", "early-loss", "stiffness-loss", "stiffness-step", "off-target"}
    | {"residual-growth", "uneven-load", "load-short", "guide", "clock", "warning"}
)

Payload = dict[str, Any]


def run_of(header: RunHeader) -> str:
    """Return the name of a run that no other has: its folder's and when it began."""
    folder = "".join(c if c.isprintable() else "?" for c in header.run_id[:_FOLDER])
    return f"{folder} {_instant(_time(header.started_utc)) or ''}".strip()


def presence(
    header: RunHeader, taken: datetime, *, online: bool, since: datetime, cause: str | None
) -> Payload:
    """Say whether a run's messages come; `cause` is "lost", "ended" or "left", None while they do.

    `since` is when that became so; of a last will, when the connection was made. `taken` is when
    the run took the rig: of two runs the later one speaks for it.
    """
    return {
        "v": VERSION,
        "run": run_of(header),
        "online": online,
        "since_utc": instant(since),
        "taken_utc": instant(taken),
        "cause": cause,
    }


def status(view: View, lab: str, rig: str, last_trouble: Numbered | None = None) -> Payload:
    """Say everything that is known of a run as it stands."""
    now, header = view.status, view.header
    verdict = call(view)
    return {
        "v": VERSION,
        "run": run_of(header),
        "rig": rig,
        "lab": lab,
        "folder": cut(header.run_id, SHORT),
        "title": cut(header.title, SHORT),
        "specimen_id": cut(header.specimen_id, SHORT),
        "exposure": cut(header.exposure, SHORT),
        "started_utc": _instant(_time(header.started_utc)),
        "stamp_utc": _instant(_time(now.stamp)),
        "told_utc": _instant(view.now),
        "live": now.live,
        "gone": not view.alive and view.ending is None,
        "state": cut(now.state, SHORT),
        "means": cut(now.means, SHORT),
        "cause": cut(now.cause, SHORT),
        "why": cut(now.why),
        "since_utc": _at(view, now.since),
        "stage": cut(now.stage, SHORT),
        "stage_number": now.stage_number,
        "stages": now.stages,
        "cycles": now.cycles,
        "run_out": now.run_out or None,
        **_measured(view),
        "call": {
            "level": verdict.level.name.lower(),
            "headline": cut(verdict.headline, SHORT),
            "why": _texts(verdict.why),
            "loud": verdict.loud,
        },
        "troubles": _texts(now.troubles),
        "asks": _text(now.asks),
        "coming": [_coming(view, item) for item in now.coming[:MOST]],
        "water": None if now.water is None else _water(now.water),
        "oil_temperature_K": _number(now.oil_temperature),
        "temperatures": {
            f"{name}_K": _number(value)
            for name, value in now.slow.items()
            if name.startswith("temperature_")
        },
        "limits_near": [nearness(limit) for limit in now.limits if close(limit)][:MOST],
        "forecast": forecast(view),
        "last_trouble": None if last_trouble is None else _trouble(view, last_trouble),
        "outcome": view.ending.outcome if view.ending else None,
        "on_call": _text(now.on_call),
    }


def cycles(view: View, second: Second) -> Payload:
    """Say what the cycles of the last second were like."""
    return {
        "v": VERSION,
        "run": run_of(view.header),
        "stamp_utc": _at(view, second.time),
        "cycle": second.cycle,
        "counted": second.counted,
        "load_max_N": _number(second.load_max),
        "load_max_least_N": _number(second.load_max_least),
        "load_min_N": _number(second.load_min),
        "load_min_most_N": _number(second.load_min_most),
        "deflection_max_m": _number(second.deflection_max),
        "deflection_min_m": _number(second.deflection_min),
        "stiffness_N_per_m": _number(second.stiffness),
        "frequency_Hz": _number(second.frequency),
    }


def is_trouble(happened: Event) -> bool:
    """Tell whether an event is about something that is not as it should be."""
    return happened.kind in _TROUBLES and worth_telling(happened)


def event(view: View, told: Numbered) -> Payload:
    """Say what happened: `seq` is the event's place in the record, from 1 on, without a hole."""
    happened = told.event
    return {
        "v": VERSION,
        "run": run_of(view.header),
        "seq": told.seq,
        "time_s": _number(happened.time),
        "at_utc": _at(view, happened.time),
        "cycle": happened.cycle,
        "kind": happened.kind,
        "text": cut(happened.text),
    }


def forecast(view: View) -> Payload | None:
    """Say when the specimen is expected to fail, or `why` nothing is foretold.

    None where nothing of the test comes any more.
    """
    told = view.status.forecast
    if told is None or view.over or not view.alive:
        return None
    return {
        "v": VERSION,
        "run": run_of(view.header),
        "stamp_utc": _instant(_time(view.status.stamp)),
        "why": _text(told.why),
        "share": SHARE,
        "low_cycles": _number(told.low),
        "median_cycles": _number(told.median),
        "high_cycles": _number(told.high),
        **_when(view, told),
        "waits_for_people": told.waits,
    }


def end(view: View) -> Payload | None:
    """Say how the run ended, None where it has not."""
    ending = view.ending
    if ending is None:
        return None
    return {
        "v": VERSION,
        "run": run_of(view.header),
        "outcome": ending.outcome,
        "why": cut(ending.why),
        "cycles": ending.cycles,
        "ended_utc": _at(view, ending.ended_time),
        "residual": None if ending.residual is None else _residual(ending.residual),
    }


def as_payload(told: Payload | None) -> bytes:
    """Return a message as it goes to the broker; nothing at all takes a kept one away there."""
    if told is None:
        return b""
    return json.dumps(told, ensure_ascii=False, allow_nan=False).encode("utf-8", "replace")


def cut(text: str, most: int = LONGEST) -> str:
    """Return a text of at most so many letters, and in words how many more there are."""
    if len(text) <= most:
        return text
    return f"{text[:most]} … ({len(text) - most} more letters are in the record)"


def _measured(view: View) -> Payload:
    now = view.status
    return {
        "frequency_Hz": _number(now.frequency),
        "load_N": _number(now.load),
        "deflection_m": _number(now.deflection),
        "load_max_N": _number(now.load_max),
        "load_min_N": _number(now.load_min),
        "target_upper_N": _number(now.target_upper),
        "target_lower_N": _number(now.target_lower),
        "deflection_max_m": _number(now.deflection_max),
        "deflection_min_m": _number(now.deflection_min),
        "stiffness_N_per_m": _number(now.stiffness),
        "baseline_N_per_m": _number(now.baseline),
        "loss": _number(loss(view)),
        "loss_warn": _number(now.loss_warn),
        "loss_stop": _number(now.loss_stop),
    }


def _coming(view: View, item: Coming) -> Payload:
    at = None if item.within is None else _at(view, view.status.time + item.within)
    return {"what": cut(item.what, SHORT), "at_utc": at, "cycle": item.cycle}


def _water(water: WaterStatus) -> Payload:
    return {
        "doing": cut(water.doing, SHORT),
        "on": water.on,
        "confirmed": water.confirmed,
        "missed": water.missed,
        "flow_m3_per_s": _number(water.flow),
        "asked_flow_m3_per_s": _number(water.asked_flow),
        "tank_m3": _number(water.tank),
        "tank_lasts_s": _number(water.tank_lasts),
        "dry_for_s": _number(water.dry_for),
    }


def _when(view: View, told: Foreseen) -> Payload:
    time = view.status.time
    return {
        "soonest_utc": _at(view, time + told.soonest),
        "latest_utc": _at(view, time + told.latest),
    }


def _trouble(view: View, told: Numbered) -> Payload:
    happened = told.event
    at = _at(view, happened.time)
    return {"seq": told.seq, "at_utc": at, "kind": happened.kind, "text": cut(happened.text)}


def _residual(residual: Residual) -> Payload:
    return {
        "outcome": residual.outcome,
        "why": cut(residual.why),
        "load_N": _number(residual.load),
        "deflection_m": _number(residual.deflection),
    }


def _number(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None


def _text(text: str) -> str | None:
    return cut(text) or None


def _texts(found: tuple[str, ...]) -> list[str]:
    return [cut(text, SHORT) for text in found[:MOST]]


def _time(text: str) -> datetime | None:
    try:
        when = datetime.fromisoformat(text)
    except ValueError:
        return None
    return when if when.tzinfo else when.replace(tzinfo=UTC)


def _at(view: View, time: float) -> str | None:
    return _instant(view.at(time))


def _instant(when: datetime | None) -> str | None:
    return None if when is None else instant(when)

"""The water as people are shown it: what it does, what comes next, how long the tank lasts."""

from __future__ import annotations

import math
from collections.abc import Mapping

from rig.control.water import Water
from rig.protocol.plan import Plan, SpraySchedule
from rig.record.status import AGAIN, BEGINS, WATER_OFF, WATER_ON, Coming, WaterStatus

_DOING = {
    "waiting": "not begun",
    "dry": "off",
    "unconfirmed": "on, flow not confirmed yet",
    "wet": "on",
    "retry": "no flow, will be tried again",
    "ended": "ended",
}
_NEXT = {
    "waiting": BEGINS,
    "dry": WATER_ON,
    "wet": WATER_OFF,
    "retry": AGAIN,
}


def water_status(
    water: Water,
    plan: Plan,
    now: int,
    counted: int,
    *,
    rate: float,
    slow: Mapping[str, float],
    cycling: bool,
) -> WaterStatus | None:
    """Return the water at a frame and a count, None where nothing is sprayed.

    `cycling` tells that cycles count now. `slow` holds the newest slow channels [SI]: their tank
    goes before the pump's own.
    """
    schedule = water.schedule
    if schedule is None:
        return None
    seen = math.nan if water.pump.tank is None else water.pump.tank
    tank = slow.get("tank", seen)
    coming = _coming(water, schedule, now, counted, rate=rate, plan=plan, cycling=cycling)
    use = schedule.flow * (1.0 if schedule.continuous else schedule.on / schedule.every)
    lasts = tank / use if use > 0 else math.nan
    if not water.begun:
        begins = None if coming is None else coming.within
        lasts = math.nan if begins is None else lasts + begins
    return WaterStatus(
        doing=_doing(water),
        on=water.spray.on,
        confirmed=water.spray.confirmed,
        missed=water.spray.missed,
        flow=water.pump.seen_flow if water.spray.on else 0.0,
        asked_flow=schedule.flow,
        tank=tank,
        tank_lasts=math.nan if water.ended else lasts,
        dry_for=water.dry_for(now),
        coming=coming,
    )


def _doing(water: Water) -> str:
    if water.pump.off_due is not None:
        return "the pump does not switch off"
    if water.rewets:
        return "re-wetting"
    if water.ended:
        return "on, kept after the stop" if water.spray.on else "ended"
    if water.held is not None:
        return "off while the test stands"
    return _DOING[water.spray.phase]


def _coming(
    water: Water,
    schedule: SpraySchedule,
    now: int,
    counted: int,
    *,
    rate: float,
    plan: Plan,
    cycling: bool,
) -> Coming | None:
    """Return the next switching of the pump by the schedule, at a time if cycles count now."""
    spray = water.spray
    if water.ended or water.held is not None or water.rewets or spray.phase not in _NEXT:
        return None
    unit = schedule.begin_unit if spray.phase == "waiting" else schedule.period_unit
    place = spray.frame if unit == "s" else spray.cycle
    if spray.phase == "wet":
        place = spray.until
    if spray.phase == "retry":
        unit, place = "s", spray.frame
    if place is None:
        return None
    if unit == "s":
        return Coming(_NEXT[spray.phase], max(place - now, 0) / rate)
    if not cycling or plan.loading is None:
        return Coming(_NEXT[spray.phase], None, place)
    return Coming(_NEXT[spray.phase], max(place - counted, 0) / plan.loading.frequency, place)

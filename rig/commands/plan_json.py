"""A plan as one object for scripts: cycles, days, SI."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from rig.lives.stations import DAY
from rig.report.lives_object import plain

if TYPE_CHECKING:
    from rig.lives.order import Ordered
    from rig.lives.planned import LifeRow, Planned
    from rig.lives.power import LifePower
    from rig.lives.worth import Worth


def plan_object(told: Planned) -> dict[str, Any]:
    """Return all that was planned; null where a number is not known or not finite."""
    found: dict[str, Any] = plain(
        {
            "title": told.title,
            "series_simulated": told.series,
            "seed": told.plan.seed,
            "significance": told.plan.significance,
            "assumed": asdict(told.assumed),
            "smallest_p": [asdict(row) for row in told.smallest],
            "life_power": [cell for row in told.lives for cell in _row(row)],
            "ultimate_power": [asdict(row) for row in told.strengths],
            "one_more": [_worth(row) for row in told.worth],
            "costs_at": {"run_out": told.run_out, "ratio": told.ratio},
            "costs": [asdict(row) for row in told.costs],
            "orders": [_order(row) for row in told.orders],
        }
    )
    return found


def _row(row: LifeRow) -> list[dict[str, Any]]:
    cells = [(None, row.known), *row.carried]
    head = {"size": row.size, "run_out": row.run_out, "ratio": row.ratio}
    return [{**head, "companions": m, **_power(power)} for m, power in cells]


def _power(power: LifePower) -> dict[str, Any]:
    return {key: value for key, value in asdict(power).items() if key != "design"}


def _worth(row: Worth) -> dict[str, Any]:
    return {
        "added": row.added,
        **asdict(row.size),
        **_power(row.power),
        "interval_factor": row.factor,
        "interval_factor_without": row.factor_without,
        "station_days": row.days,
    }


def _order(row: Ordered) -> dict[str, Any]:
    found = row.schedule
    return {
        "name": row.name,
        "changes": found.changes,
        "station_days": found.busy / DAY,
        "calendar_days": found.end / DAY,
        "water_m3": found.water,
        "slots": [
            {
                "specimen": slot.specimen.name,
                "group": slot.specimen.group,
                "exposure": slot.specimen.exposure,
                "station": slot.station,
                "start_days": slot.start / DAY,
                "end_days": slot.end / DAY,
                "changed": slot.changed,
            }
            for slot in found.slots
        ],
    }

"""Years of a place in service, as a table for people and as an object for scripts."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any, Final

from rig.commands.tables import NONE, Printed, Row, number
from rig.report.lives_object import plain

if TYPE_CHECKING:
    from rig.lives.service import PlaceLife, ServiceLife

LONG: Final = 1000.0
"""Years beyond which only their order counts: nothing built lasts to show it."""


def service_table(told: ServiceLife) -> Printed:
    """Return a row for each place."""
    rows: list[Row] = [
        (
            place.name,
            f"{place.wet_time * 100:.3g}",
            _years(place.years),
            _years(place.low),
            _years(place.high),
            _years(place.early),
            place.kind,
        )
        for place in told.places
    ]
    heads = ["wet\n%", "half failed\nyears", "from\nyears", "to\nyears", "1 of 20\nyears", "kind"]
    return f"Service: {told.title}", heads, rows


def service_words(told: ServiceLife | None) -> list[str]:
    """Return a sentence of the years of each place; none where nobody asked."""
    if told is None:
        return []
    places = "; ".join(f"{place.name} {_until(place)}" for place in told.places)
    outside = ""
    if told.outside:
        outside = f"; {told.outside * 100:.3g} % of the damage lies at levels that nobody tested"
    sure = f" ({told.confidence * 100:.3g} %)" if _has_interval(told) else ""
    return [f"{told.title}, years until half of such members have failed: {places}{sure}{outside}."]


def _until(place: PlaceLife) -> str:
    low, high = _years(place.low), _years(place.high)
    match place.kind:
        case "interval":
            return f"{_years(place.years)}, {low} to {high}"
        case "no interval":
            return f"{_years(place.years)}, of unknown spread"
        case "lower bound":
            return f"at least {low}"
        case "models":
            return f"{low} to {high} by models"
        case _:
            return place.kind


def service_lines(told: ServiceLife) -> list[str]:
    """Return what the years stand on, and what is to be minded."""
    return [
        f"{told.per_year:,.0f} cycles a year, up to {told.highest * 100:.3g} %; damage adds up "
        "(Palmgren and Miner), whatever the order of cycles",
        f"lives for each place: {told.lives_from}",
        *([f"slope: {told.slope_from}"] if told.slope_from else []),
        *([f"from and to: {told.confidence * 100:.3g} %"] if _has_interval(told) else []),
        *(["1 of 20: has failed by then, by the scatter of the lives"] if _has_early(told) else []),
        *(f"{place.name}: {place.note}" for place in told.places if place.note),
        *(f"beware: {warning}" for warning in told.warnings),
    ]


def service_object(told: ServiceLife) -> dict[str, Any]:
    """Return all that is told; null where a number is not known."""
    found: dict[str, Any] = plain(asdict(told))
    return found


def _has_interval(told: ServiceLife) -> bool:
    return any(place.kind in ("interval", "lower bound") for place in told.places)


def _has_early(told: ServiceLife) -> bool:
    return any(place.early is not None for place in told.places)


def _years(years: float | None) -> str:
    if years is None:
        return NONE
    return number(years, 2 if years > LONG else 3)

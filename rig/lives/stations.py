"""How long stations are busy with a series, and how much water it takes.

A specimen stands in a station from its setting up to its dismantling; a station whose exposure
changes is rebuilt first. Times [s], volumes [m3].
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

DAY: Final = 86400.0


@dataclass(frozen=True, slots=True)
class Place:
    """What a station asks for: times [s], frequency [Hz], `flow` [m3/s] for a share of the time.

    `tank` [m3] is filled anew for each submerged specimen.
    """

    frequency: float
    set_up: float
    dismantling: float
    exposure_change: float
    static_test: float
    flow: float
    spraying: float
    tank: float


@dataclass(frozen=True, slots=True)
class Specimen:
    """One specimen to be tested: how long it holds a station [s], in which exposure, its water."""

    name: str
    group: str
    exposure: str
    duration: float
    water: float


@dataclass(frozen=True, slots=True)
class Slot:
    """One specimen in a station from `start` to `end` [s], perhaps after a change of exposure."""

    specimen: Specimen
    station: int
    start: float
    end: float
    changed: bool


@dataclass(frozen=True, slots=True)
class Schedule:
    """Specimens in their stations. `busy` is the time of all stations, `end` that of the last."""

    slots: tuple[Slot, ...]
    changes: int
    busy: float
    end: float
    water: float


def expected_cycles(median: float, scatter: float, run_out: float) -> float:
    """Return the mean cycles of lognormal lives that are cut at `run_out` [cycles].

    `median` [cycles], `scatter` the standard deviation of ln life; 0 is allowed.
    """
    if scatter <= 0.0:
        return min(median, run_out)
    from statistics import NormalDist

    phi = NormalDist().cdf
    at = math.log(run_out / median) / scatter
    failing = median * math.exp(scatter**2 / 2) * phi(at - scatter)
    return failing + run_out * (1.0 - phi(at))


def life_specimen(name: str, group: str, exposure: str, cycles: float, place: Place) -> Specimen:
    """Return a specimen that cycles, with how long it holds its station and what water it takes."""
    cycling = cycles / place.frequency
    return Specimen(
        name,
        group,
        exposure,
        place.set_up + cycling + place.dismantling,
        _water(exposure, cycling, place),
    )


def companion(name: str, group: str, exposure: str, place: Place) -> Specimen:
    """Return a specimen that is broken slowly; it is set up and taken out in `static_test`."""
    return Specimen(name, group, exposure, place.static_test, 0.0)


def _water(exposure: str, cycling: float, place: Place) -> float:
    if exposure == "spray":
        return place.flow * place.spraying * cycling
    return place.tank if exposure == "submerged" else 0.0


def schedule(order: Iterable[Specimen], stations: int, exposure_change: float) -> Schedule:
    """Give each specimen, in its order, to the station that is free first.

    A station takes on the exposure of its first specimen without a change. ValueError for no
    station.
    """
    if stations < 1:
        raise ValueError(f"{stations} stations: one is needed")
    free = [0.0] * stations
    has: list[str | None] = [None] * stations
    slots = []
    for specimen in order:
        station = min(range(stations), key=lambda i: (free[i], i))
        changed = has[station] not in (None, specimen.exposure)
        start = free[station]
        end = start + specimen.duration + (exposure_change if changed else 0.0)
        slots.append(Slot(specimen, station + 1, start, end, changed))
        free[station], has[station] = end, specimen.exposure
    return Schedule(
        slots=tuple(slots),
        changes=sum(slot.changed for slot in slots),
        busy=sum(slot.end - slot.start for slot in slots),
        end=max(free),
        water=sum(slot.specimen.water for slot in slots),
    )


def station_days(specimens: Sequence[Specimen]) -> float:
    """Return how long specimens hold a station, in days, changes of exposure left out."""
    return sum(specimen.duration for specimen in specimens) / DAY

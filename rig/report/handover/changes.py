"""What changed between then and now, in numbers: each with its unit, SI."""

from __future__ import annotations

import contextlib
import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

from rig.errors import StorageError
from rig.record.entries import Event
from rig.record.history import Journal
from rig.record.trouble import free_bytes
from rig.report.event_words import FORETOLD, MISSED
from rig.report.handover.period import Period
from rig.report.handover.reading import Damage, Read
from rig.report.handover.rows import Table

_BASELINE: Final = re.compile(r"stiffness ([\d.,]+) kN/mm")
_MEDIANS: Final = ("stiffness", "deflection_max", "deflection_min", "load_max", "load_min")
_WARMTH: Final = "temperature_"
_NOTHING: Final = (math.nan, math.nan, math.nan)


@dataclass(frozen=True, slots=True)
class Change:
    """One number then and now, NaN where it was not measured; SI, `unit` as in the run file.

    `least` and `most` are its extremes meanwhile, or the bounds of what is foretold; `target` is
    what it should be. A `share` is a fraction.
    """

    name: str
    unit: str
    then: float
    now: float
    least: float = math.nan
    most: float = math.nan
    target: float = math.nan

    @property
    def change(self) -> float:
        """Now less then, NaN where one of both is not known."""
        return self.now - self.then

    @property
    def known(self) -> bool:
        """Tell whether it was measured then or now."""
        return math.isfinite(self.then) or math.isfinite(self.now)


def changes_of(
    read: Read, journal: Journal, cycles: Table, period: Period, damage: Damage
) -> tuple[Change, ...]:
    """Return all numbers of a period, in the order of a test; `cycles` is that table."""
    return (
        *_of_cycles(read, cycles, period),
        *_of_checks(journal, period, damage),
        *_of_water(read, journal, period, damage),
        *_of_warmth(read, journal, cycles, period, damage),
        _foretold(read, period),
        *_of_disk(read, period),
    )


def _of_cycles(read: Read, cycles: Table, period: Period) -> Iterator[Change]:
    status = read.view.status
    rows = [cycles.until(time) for time in (period.since, period.until)]
    counts = [float(row) for row in rows]
    if period.to_now and period.until >= status.time:
        # After a verdict rows follow that do not count.
        ending = read.view.ending
        counts[1] = float(ending.cycles if ending is not None else max(status.cycles, rows[1]))
    yield Change("cycles", "1", min(counts), counts[1])
    then, now = (cycles.medians(row, _MEDIANS) for row in rows)
    yield Change("stiffness", "N/m", then["stiffness"], now["stiffness"])
    base, known_at = _baseline(read)
    loss = [1.0 - found["stiffness"] / base for found in (then, now)]
    yield Change("loss", "share", loss[0] if known_at <= period.since else math.nan, loss[1])
    for name in ("deflection_max", "deflection_min"):
        yield Change(name, "m", then[name], now[name])
    targets = {"load_max": status.target_upper, "load_min": status.target_lower}
    for name, target in targets.items():
        yield Change(name, "N", then[name], now[name], target=target)


def _baseline(read: Read) -> tuple[float, float]:
    """Return the stiffness of the baseline [N/m] and when it was known [s]; NaN where never."""
    event = next((e for e in read.events if e.kind == "baseline"), None)
    if event is None:
        return read.view.status.baseline, -math.inf
    found = _BASELINE.search(event.text)
    told = read.view.status.baseline
    if not told > 0 and found is not None:
        told = 1e6 * float(found[1].replace(",", ""))
    return told, event.time


def _of_checks(journal: Journal, period: Period, damage: Damage) -> Iterator[Change]:
    """Yield what the static checks before then and now told."""
    heads: list[dict[str, Any]] = damage.tried(lambda: journal.sample_heads("static"), [])
    for name, key, unit in (
        ("static_stiffness", "stiffness", "N/m"),
        ("residual_deflection", "residual", "m"),
    ):
        values = [(h.get("time"), h.get(key)) for h in heads]
        values = [(t, v) for t, v in values if _known(t) and _known(v)]
        then, now = (
            next((v for t, v in reversed(values) if t <= time), math.nan)
            for time in (period.since, period.until)
        )
        yield Change(name, unit, then, now)


def _known(value: object) -> bool:
    """Tell whether a value of a head, which no checksum holds, is a number."""
    return isinstance(value, int | float) and math.isfinite(value)


def _of_water(read: Read, journal: Journal, period: Period, damage: Damage) -> Iterator[Change]:
    if read.view.status.water is None and not read.wet:
        return
    given = [_given(read.wet, time) for time in (period.since, period.until)]
    yield Change("water_given", "m3", *given)
    missed = [_count(read.events, MISSED, time) for time in (period.since, period.until)]
    yield Change("periods_missed", "1", *missed)
    slow = Table(journal, "slow", damage)
    then, now = (_value(slow, slow.until(t), "tank") for t in (period.since, period.until))
    water = read.view.status.water
    if math.isnan(now) and water is not None and period.to_now:
        now = water.tank
    yield Change("tank", "m3", then, now)


def _given(wet: tuple[tuple[float, float, float], ...], time: float) -> float:
    """Return the water [m3] given until a test time [s], of a stretch under way its share."""
    total = 0.0
    for on, off, volume in wet:
        share = (time - on) / (off - on) if off > on else float(time >= off)
        total += volume * min(max(share, 0.0), 1.0)
    return total


def _count(events: tuple[Event, ...], begins: str, time: float) -> float:
    return float(sum(e.text.startswith(begins) and e.time <= time for e in events))


def _value(table: Table, end: int, name: str) -> float:
    """Return the newest value of a column before a row."""
    low, _ = table.span(max(end - 1, 0), end, name)
    return low


def _of_warmth(
    read: Read, journal: Journal, cycles: Table, period: Period, damage: Damage
) -> Iterator[Change]:
    """Yield temperatures then and now, and their range meanwhile."""
    header, slow = read.view.header, Table(journal, "slow", damage)
    for name in (n for n in header.slow if n.startswith(_WARMTH)):
        begin, end = (slow.until(time) for time in (period.since, period.until))
        least, most = slow.span(max(begin - 1, 0), end, name)
        yield Change(name, "K", _value(slow, begin, name), _value(slow, end, name), least, most)
    for name in (n for n in header.sampled if n.startswith(_WARMTH)):
        begin, end = (cycles.until(time) for time in (period.since, period.until))
        then, now = (cycles.medians(row, (f"{name}_max",))[f"{name}_max"] for row in (begin, end))
        yield Change(name, "K", then, now)


def _foretold(read: Read, period: Period) -> Change:
    """Return the cycle at which failure was expected then, and is now, with 80 % between."""
    then, now = (_told(read.events, time) for time in (period.since, period.until))
    told = read.view.status.forecast
    if period.to_now and (read.view.over or not read.view.alive):
        now = _NOTHING
    elif period.to_now and told is not None:
        now = (told.median, told.low, told.high)
    return Change("foretold_failure", "1", then[0], now[0], least=now[1], most=now[2])


def _told(events: tuple[Event, ...], time: float) -> tuple[float, float, float]:
    """Return median, low and high [cycles] of the forecast written down last, NaN if silent."""
    newest = next((e for e in reversed(events) if e.kind == "forecast" and e.time <= time), None)
    found = FORETOLD.search(newest.text) if newest is not None else None
    if found is None:
        return _NOTHING
    median, low, high = (float(number.replace(",", "")) for number in found.groups())
    return (median, low, high)


def _of_disk(read: Read, period: Period) -> Iterator[Change]:
    """Yield what is left on the disk of a run that still writes; nobody kept what it was then."""
    if not (read.view.alive and read.view.ending is None and period.to_now):
        return
    room = math.nan
    with contextlib.suppress(StorageError):
        room = float(free_bytes(read.view.folder))
    yield Change("disk_room", "B", math.nan, room)

"""An inspection: amplitude zero, static check, zeros, a wait in which people may come."""

from __future__ import annotations

from typing import Final

from rig.control.slow_stages import approach, static_check
from rig.control.standing import Standing
from rig.control.station import StageAgain, Station
from rig.control.stop_now import StopNow
from rig.control.zeros import lift_and_read
from rig.protocol.plan import Inspections, StaticCheck

CHECK_HOLD: Final = 10.0  # [s] at the top of the check where the protocol names none


def static_check_of(station: Station) -> StaticCheck:
    """Return the protocol's static check, where it names none one to the upper load."""
    inspections = station.plan.inspections
    if inspections is not None and inspections.static_check is not None:
        return inspections.static_check
    return StaticCheck(station.load_scale, station.unload_rate, CHECK_HOLD, 1)


async def inspect(station: Station, standing: Standing, inspections: Inspections) -> bool:
    """Make an inspection, the amplitude being zero; True if the specimen stayed loaded.

    Ends in "starting". A check that was broken off by unloading is made again.
    """
    book = station.book
    began, cycle = book.time, station.cycle
    while True:
        try:
            calls = await _check(station, inspections, cycle)
            break
        except StageAgain:
            book.enter("approach", "stage", "contact again, then the check")
            await approach(station, station.contact_again)
            book.enter("inspection", "go on", f"cycle {cycle:,}")
    alone = inspections.go_on_after
    if not station.attended and alone is None:
        book.event("inspection", "nobody answers in a rehearsal: goes on")
        alone = 0.0
    if calls and station.attended:
        alone = None  # somebody must look first
    done = _done(inspections)
    try:
        kept = await standing.waiting(alone, "; ".join((*calls, _words(inspections, alone))))
    except StopNow as stop:
        book.inspection(began, cycle, f"{done}; ended by the stop: {stop.why}")
        raise
    book.inspection(began, cycle, f"{done}; {book.path[-1][1]}")
    return kept


def _done(inspections: Inspections) -> str:
    """Say what was done."""
    check = "static check done" if inspections.static_check is not None else "no static check asked"
    return f"{check}, zeros read" if inspections.zero else check


async def _check(station: Station, inspections: Inspections, cycle: int) -> tuple[str, ...]:
    """Make the static check and read the zeros; return what of them calls for somebody."""
    low = station.plan.loading.lower if station.plan.loading else station.seat
    await station.load_to(low, station.unload_rate)
    if inspections.static_check is not None:
        await static_check(station, inspections.static_check, cycle)
    if not inspections.zero:
        return ()
    calls = await lift_and_read(station, station.contact_again)
    await station.load_to(low, station.unload_rate)
    return calls


def _words(inspections: Inspections, alone: float | None) -> str:
    """Say what is waited for."""
    asks = "map the cracks; " if inspections.map_cracks else ""
    if alone is None:
        return f"{asks}goes on only when asked"
    held = "unless a note, a pause, the button or the guard holds it"
    return f"{asks}goes on by itself in {alone:.0f} s {held}"

"""Nights written as a run writes them, without waiting for them: rows, events, water, status.

All people and data are invented.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from rig.channels import Channel
from rig.monitor.glyphs import UTF8
from rig.record import Recorder, RunHeader, StaticRecord, Status
from rig.record.entries import Event
from rig.record.status import NAN, Coming, WaterStatus
from rig.report.handover.page import page
from rig.report.handover.reading import Read
from rig.report.handover.states_told import Stood
from rig.report.handover.telling import Handover
from rig.samples import Cycles, column_type, cycle_columns

STARTED = datetime(2026, 11, 29, 17, 0, tzinfo=UTC)
"""Sunday 18:00 in Berlin."""
NOW = datetime(2026, 11, 30, 6, 2, tzinfo=UTC)
"""Monday 07:02 in Berlin."""
HOUR = 3600.0
FREQUENCY = 1.0
BEGINS = 600.0
"""Test time [s] of the first counted cycle."""
SAMPLED = ("load", "midspan", "support_left")
PROTOCOL = 'title = "Prism P-12"\n[hours]\nzone = "Europe/Berlin"\nquiet = ["20:00", "06:00"]\n'
BASELINE = "baseline over 1001 cycles: stiffness 25.000 kN/mm, net deflection 0.365 to 3.66 mm"
NO_WATER = "0.00 L/min instead of 1.50 L/min"

Pause = tuple[float, float]
"""From when to when [s] no cycle is counted."""


def at(hour: int, minute: int = 0, second: int = 0) -> float:
    """Return the test time [s] of a clock time of that night in Berlin."""
    day = 29 if hour >= 18 else 30
    wall = datetime(2026, 11, day, hour, minute, second, tzinfo=UTC) - timedelta(hours=1)
    return (wall - STARTED).total_seconds()


HEADER = RunHeader(
    run_id="night-12",
    software="nightrig",
    started_utc=STARTED.isoformat(),
    title="Prism P-12, sprayed, 70 % of its capacity in spray",
    specimen_id="P-12",
    exposure="spray",
    seed=None,
    rate=1000.0,
    channels=(
        Channel("load", "N", 10.0, -2e5, 2e5),
        Channel("midspan", "m", 1e-6, -0.01, 0.01),
        Channel("support_left", "m", 1e-6, -0.01, 0.01),
        Channel("temperature_air", "K", 0.1, 200.0, 400.0, slow=True),
        Channel("tank", "m3", 1e-4, 0.0, 2.0, slow=True),
    ),
    texts={"protocol": PROTOCOL, "rig": "", "specimen": ""},
)
STATUS = Status(
    stamp=NOW.isoformat(),
    calendar=NOW.isoformat(),
    time=(NOW - STARTED).total_seconds(),
    live=True,
    state="cycling",
    means="cycles between 9.2 kN and 92.4 kN count",
    cause="range reached",
    why="counts from cycle 1",
    since=BEGINS,
    rig="frame 2",
    stage="fatigue",
    stage_number=3,
    stages=3,
    cycles=0,
    run_out=11_000_000,
    frequency=FREQUENCY,
    load=50.8e3,
    deflection=2e-3,
    target_upper=92.4e3,
    target_lower=9.24e3,
    baseline=25e6,
    coming=(Coming("inspection", 6800.0, 200_000), Coming("run-out", 2.7e6, 11_000_000)),
    water=WaterStatus(
        "off", False, False, 0, 0.0, 2.5e-5, 0.64, 1e5, 300.0, Coming("water on", 468.0)
    ),
    on_call="A. Name",
)


def rows(first: int, times: np.ndarray, stiffness: np.ndarray) -> Cycles:
    """Return rows of cycles at some times [s]; every tenth is noisy beyond belief."""
    count = len(times)
    number = np.arange(first, first + count)
    noise = np.where(number % 10 == 0, 5.0, 1.0)
    columns: dict[str, np.ndarray] = {
        "number": number,
        "time": times,
        "load_max": 92.4e3 * noise,
        "load_min": 9.2e3 / noise,
        "deflection_max": 92.4e3 / stiffness * noise,
        "deflection_min": 9.2e3 / stiffness / noise,
        "stiffness": stiffness / noise,
        "frequency": np.full(count, FREQUENCY),
        "flags": np.zeros(count),
    }
    for name in cycle_columns(SAMPLED):
        columns[name] = columns.get(name, np.zeros(count)).astype(column_type(name))
    ordered = {name: columns[name] for name in cycle_columns(SAMPLED)}
    return Cycles(ordered, number, number, number)


@dataclass
class Night:
    """A night to be written: softens by `lost` up to `until` [s], stands in the `pauses`.

    `events` are (time, kind, text), `wet` (on, off, litres).
    """

    until: float = STATUS.time
    lost: float = 0.02
    pauses: tuple[Pause, ...] = ()
    events: list[tuple[float, str, str]] = field(default_factory=list)
    wet: list[tuple[float, float, float]] = field(default_factory=list)
    header: RunHeader = HEADER
    status: Status = STATUS

    def times(self) -> np.ndarray:
        """Return the times of all counted cycles [s]."""
        times = BEGINS + np.arange(1, int((self.until - BEGINS) * FREQUENCY)) / FREQUENCY
        for begin, end in self.pauses:
            times = times[(times < begin) | (times > end)]
        return times

    def stiffness(self, times: np.ndarray) -> np.ndarray:
        """Return the stiffness [N/m] at some times."""
        return 25e6 * (1.0 - self.lost * (times - BEGINS) / (self.until - BEGINS))

    def write(self, folder: Path) -> Recorder:
        """Write it; the recorder is left open, as by a program that lives."""
        recorder = Recorder.create(folder, self.header)
        times = self.times()
        recorder.cycles(rows(1, times, self.stiffness(times)))
        for moment in np.arange(0.0, self.until, 60.0):
            warm = 291.0 + 3.0 * np.sin(moment / 7000.0)
            recorder.slow(float(moment), {"temperature_air": warm, "tank": 1.0 - moment * 1e-6})
        for on, off, litres in self.wet:
            recorder.spray(on, off, litres, True)
        for time, kind, text in sorted(self.all_events(), key=lambda e: e[0]):
            cycle = int(np.searchsorted(times, time))
            recorder.event(time, cycle, kind, text)
        samples = np.zeros((2, 4), np.float32)
        for time, stiffness in ((at(19), 26e6), (at(4), 25.5e6)):
            if time < self.until:
                recorder.static(
                    StaticRecord(time, 1, stiffness, NAN, 2e-5, SAMPLED[:2], 10.0, 0, samples)
                )
        stands = self.status.cycles or len(times)
        calendar = STARTED + timedelta(seconds=self.until)
        recorder.status(
            replace(
                self.status,
                time=self.until,
                cycles=stands,
                stamp=calendar.isoformat(),
                calendar=calendar.isoformat(),
            )
        )
        recorder.commit()
        return recorder

    def all_events(self) -> Iterable[tuple[float, str, str]]:
        """Yield what every test begins with, then what this one is about."""
        yield 0.0, "state", f"starting, start: {self.header.title}"
        yield 15.0, "state", "approach, stage: approach"
        yield 500.0, "state", "build-up, stage"
        yield BEGINS, "state", "cycling, range reached: counts from cycle 1"
        if self.until > BEGINS + 750.0:
            yield BEGINS + 750.0, "baseline", BASELINE
        if self.until > at(18, 40):
            yield at(18, 40), "water", "spraying begins"
        yield from self.events


NOTE = "A. Name: hairline \x1b[31mcrack\x1b[0m at the [bold]left[/bold] point, 0.1 mm\u202e"


def healthy() -> Night:
    """Nothing but a note in the evening and an inspection that nobody came to."""
    return Night(
        pauses=((at(4), at(4, 9)),),
        events=[
            (at(22, 2), "note", NOTE),
            (at(4), "state", "inspection, count: cycle 100,000"),
            (at(4, 3), "static", "check 1: stiffness 25.50 kN/mm, residual 0.020 mm"),
            (at(4, 3), "state", "waiting, checked: map the cracks"),
            (at(4, 8), "state", "starting, wait over: nobody came"),
            (at(4, 8), "state", "build-up, stage"),
            (at(4, 9), "state", "cycling, range reached: counts from cycle 100,001"),
            (at(5), "correction", "upper load corrected by +0.3 kN"),
        ],
        wet=[(at(18, 40) + 900.0 * n, at(18, 42) + 900.0 * n, 3.0) for n in range(49)],
    )


def without_water() -> Night:
    """The hose came off: two periods missed, a pause, and somebody who mended it."""
    missed = f"spray period missed: {NO_WATER}"
    tries = [
        (at(1, minute, 10 + 70 * n), "water", f"flow not confirmed: {NO_WATER}; will try again")
        for minute in (10, 25)
        for n in (0,)
    ]
    stood = f"no flow: {missed}; two periods missed in a row"
    short = [
        event
        for n in range(12)
        for event in ((at(2, 10) + 450.0 * n, "sensor", f"support_left: {n + 3} spikes in 60 s"),)
    ]
    return Night(
        pauses=((at(1, 27), at(5, 58)),),
        events=[
            (at(22, 2), "note", NOTE),
            *tries,
            (at(1, 12, 30), "water", missed),
            (at(1, 27), "water", missed),
            (at(1, 27), "state", f"pausing, {stood}"),
            (at(1, 27, 30), "state", "paused, at rest"),
            (at(1, 57, 30), "state", "unloading, wait over: nobody came"),
            (at(1, 58, 30), "state", "unloaded, unloaded"),
            (at(3, 27), "deviation", "dry for over 2.0 h"),
            *short,
            (at(5, 40), "note", "B. Night: hose was off, on again"),
            (at(5, 41), "request", "continue by B. Night: hose is on"),
            (at(5, 41), "state", "re-wetting, long dry: 0.2 h of water: by B. Night, hose is on"),
            (at(5, 55), "state", "starting, wetted: by B. Night, hose is on"),
            (at(5, 56), "state", "approach, stage: contact again"),
            (at(5, 57), "state", "build-up, stage"),
            (at(5, 58), "state", "cycling, range reached: counts from cycle 107,001"),
        ],
        wet=[(at(18, 40), at(18, 42), 3.0), (at(5, 41), at(5, 55), 21.0)],
        status=replace(
            STATUS,
            troubles=("support_left: 14 spikes in 60 s",),
            asks="look after the rig, then: nightrig note",
        ),
    )


WHY = "stiffness 14.900 kN/mm, median of 100 cycles, is 40.4% below the baseline 25.000 kN/mm"


def failed() -> Night:
    """It fails at 03:00:10, and the rig comes to rest."""
    end = at(3, 0, 20)
    return Night(
        until=end,
        lost=0.404,
        events=[
            (at(22, 2), "note", NOTE),
            (
                at(1, 30),
                "stiffness-loss",
                "stiffness 19.990 kN/mm, median of 100 cycles, is 20.0% below the baseline "
                "25.000 kN/mm; limit 20%",
            ),
            (
                at(1, 45),
                "forecast",
                "failure expected at cycle 130,000, with 80 % between 120,000 and 141,000",
            ),
            (at(3, 0, 10), "verdict", WHY),
            (at(3, 0, 10), "state", f"stopping, verdict: {WHY}"),
            (end, "pressure", "off, as the controller says; wait for gauge and load at zero"),
            (end, "state", f"stopped, stopped: failure: {WHY}"),
        ],
        status=replace(STATUS, state="stopped", cause="verdict", why=WHY, coming=(), water=None),
    )


def alive() -> bool:
    return True


def gone() -> bool:
    return False


def shown(told: Handover, width: int = 80, height: int | None = 40) -> str:
    return "\n".join(page(told, width, height, UTF8))


def small(folder: Path, events: list[tuple[float, str, str]], **status: object) -> Path:
    """Write a night of few cycles, so that it is quickly written."""
    night = Night(until=BEGINS + 60.0, events=events)
    night.status = replace(night.status, **status)
    recorder = night.write(folder)
    recorder.abandon()
    return folder


def happened(read: Read, events: list[tuple[float, str, str]], newest: float) -> Read:
    """Return a night in which other things happened, up to the newest data [s]."""
    calendar = (STARTED + timedelta(seconds=newest)).isoformat()
    status = replace(read.view.status, time=newest, calendar=calendar, stamp=calendar)
    made = tuple(Event(time, 0, kind, text) for time, kind, text in events)
    stood = (Stood(620.0, 15.0, "its program was gone (killed) while paused; unloaded; ended"),)
    return replace(read, view=replace(read.view, status=status), events=made, stood=stood)

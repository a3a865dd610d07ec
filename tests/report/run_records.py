"""Records of runs to report on, written without waiting for them. People and data are invented."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from rig.commands.files import load
from rig.protocol.plan import Plan
from rig.record import FullRateRecord, Recorder, RunHeader, StaticRecord
from rig.record.cracks import CrackEntry
from rig.samples import Cycles, Flag, column_type, cycle_columns
from tests.readme import ROOT

FULL = ROOT / "protocols" / "rigs" / "simulated-full.toml"
LIFE, AFTER = 6000, 12
"""Counted cycles up to the verdict, and those that follow it."""
UPPER, LOWER = 92.4e3, 9.24e3
WHY = (
    "stiffness 65.000 kN/mm, median of 100 cycles, is 41.9% below the baseline 112.000 kN/mm; "
    "limit 40%"
)
NASTY = "A. Name: <b onclick=x>=1+1</b> \x1b[31mred\x1b[0m \u202e&amp; ``$(x)``"
ULTIMATE = "load stayed a fifth under its peak; ultimate load 131.52 kN at net deflection 5.475 mm"
DAY = 86400.0


def plan(protocol: str = "overnight-wet-prism", rig: Path | None = FULL) -> Plan:
    return load(protocol, None if rig is None else str(rig))


def header_of(of: Plan, **changed: object) -> RunHeader:
    head = RunHeader(
        run_id="night-12",
        software="nightrig 0.1.0",
        started_utc="2026-11-29T17:00:00+00:00",
        title=of.title,
        specimen_id=of.specimen_id,
        exposure=of.exposure,
        seed=None,
        rate=1000.0,
        channels=of.rig.channels,
        texts=dict(of.texts),
        simulated=True,
    )
    return replace(head, **changed)


def rows(header: RunHeader, count: int = LIFE + AFTER) -> Cycles:
    """Return cycles that lose stiffness after the 4000th; one of them is loaded far too high."""
    number = np.arange(1, count + 1)
    rng = np.random.default_rng(12)
    worn = np.clip((number - 4000) / (LIFE - 4000), 0.0, 1.1)
    stiffness = 112e6 * (1.0 - 0.42 * worn) * (1.0 + 1e-3 * rng.standard_normal(count))
    columns = {
        "number": number,
        "time": 1000.0 + number / 4.0,
        "load_max": UPPER + 40.0 * rng.standard_normal(count),
        "load_min": LOWER + 40.0 * rng.standard_normal(count),
        "stiffness": stiffness,
        "energy": np.full(count, 0.5),
        "frequency": np.full(count, 4.0),
        "wet": (number % 60 < 8).astype(int),
        "flags": np.where(number % 60 < 8, Flag.SPRAY, 0),
    }
    columns["load_max"][number == 4500] = 1.06 * UPPER
    columns["flags"][number == 4500] |= Flag.OVERLOAD
    columns["flags"][(number > 100) & (number <= 103)] |= Flag.GAP
    columns["flags"][number == 201] |= Flag.LONG_GAP
    columns["flags"][number > LIFE] |= Flag.AFTER_END
    columns["deflection_max"] = columns["load_max"] / stiffness
    columns["deflection_min"] = columns["load_min"] / stiffness
    for name in cycle_columns(header.sampled):
        filled = columns.get(name, np.full(count, 1e-5))
        columns[name] = filled.astype(column_type(name))
    if "end_slip_1_max" in columns:
        columns["end_slip_1_max"][:] = np.nan
    ordered = {name: columns[name] for name in cycle_columns(header.sampled)}
    return Cycles(ordered, number, number, number)


def failed(
    folder: Path, rig: Path | None = FULL, *, ended: bool = True, more: int = 0, **changed: object
) -> Path:
    """Write a sprayed test that fails, with something of everything in it.

    Without a `rig` it is the simple one, which measures little. So many `more` events of little
    weight stand amid those of `EVENTS`.
    """
    header = header_of(plan(rig=rig), **changed)
    recorder = Recorder.create(folder, header)
    recorder.build_up(rows(header, 40))
    recorder.cycles(rows(header))
    for minute in range(30):
        warm = {"temperature_air": 291.0 + 0.1 * minute, "temperature_water": np.nan, "flow": 2e-5}
        recorder.slow(60.0 * minute, {name: warm[name] for name in warm if name in header.slow})
    _lists(recorder, more)
    _checks(recorder, header)
    if ended:
        recorder.finish("failure", WHY, LIFE, 1000.0 + LIFE / 4.0 + 10.0)
    else:
        recorder.abandon()
    return folder


def _lists(recorder: Recorder, more: int) -> None:
    recorder.spray(1100.0, 1220.0, 3.0, True)
    recorder.spray(2000.0, 2120.0, 2.5, True)
    recorder.spray(2300.0, 2310.0, 0.1, False)
    held = "inspection; 9.2 kN held, dry for 6 min; ended: nobody came"
    recorder.interruption(1050.0, 100, 498.0, held)
    recorder.interruption(1100.0, 100, 100.0, "pause: by A. Name; 9.2 kN held, wet; ended: by A.")
    free = "finding: a sensor; unloaded, dry for 900 min; ended: by B. Night, mended"
    recorder.interruption(2000.0, 100_001, 1.5 * DAY, free)
    recorder.inspection(1052.0, 100, 496.0, "static check done; wait over")
    recorder.inspection(1400.0, 1000, 496.0, "static check done; wait over")
    for moment, value in ((15.0, 1.5), (1060.0, 31.5)):
        recorder.zero(moment, "load", value, "start: shift 0 kN")
    for entry in cracks():
        recorder.crack(entry)
    for time, cycle, kind, text in EVENTS[:2]:
        recorder.event(time, cycle, kind, text)
    for place in range(more):
        recorder.event(10.0 + place / more, 0, "line", f"frames: {place} good, 0 bad, 0 dropped")
    for time, cycle, kind, text in EVENTS[2:]:
        recorder.event(time, cycle, kind, text)


EVENTS = (
    (0.0, 0, "state", "starting, start: Prism P-12"),
    (0.0, 0, "accepted", 'there is no calibration of "midspan" (by A. Name)'),
    (1000.0, 1, "state", "cycling, range reached: counts from cycle 1"),
    (1200.0, 800, "water", "spray period missed: 0.00 L/min instead of 1.50 L/min"),
    (1300.0, 1200, "deviation", "dry for over 2.0 h"),
    (1400.0, 1600, "deviation", "was dry for 3.5 h: wet again"),
    (1500.0, 2000, "note", NASTY),
    (1750.0, 3000, "baseline", "baseline over 1001 cycles: stiffness 112.000 kN/mm"),
    (1800.0, 3200, "offset", "A. Name: midspan read 0.1 mm before and 0.3 mm now, 20 s later"),
    (
        2100.0,
        4400,
        "forecast",
        "failure expected at cycle 6,600, with 80 % between 5,900 and 7,000",
    ),
    (2125.0, 4500, "overload", "load reached 97.944 kN, 106.0% of the upper load 92.4 kN"),
    (
        2300.0,
        5200,
        "forecast",
        "failure expected at cycle 5,400, with 80 % between 5,300 and 5,500",
    ),
    (2350.0, 5400, "forecast", "nothing is foretold any more: too wide an interval"),
    (2500.0, 6000, "verdict", WHY),
    (2500.0, 6000, "state", f"stopping, verdict: {WHY}"),
    (2510.0, 6012, "state", f"stopped, stopped: failure: {WHY}"),
)


def cracks() -> tuple[CrackEntry, ...]:
    """Return readings at two inspections, a correction, and what was found after the end."""
    read = CrackEntry(1, 1060.0, 100, "reading", "A. Name", crack="C1", face="front")
    read = replace(read, position=0.45, direction="flexural", width=5e-5, length=0.06)
    again = replace(read, number=2, time=1450.0, cycle=1000, width=8e-5, length=0.07)
    again = replace(again, picture="ab" * 32)  # whose file is not there
    right = replace(again, number=3, kind="correction", corrects=2, width=9e-5, text="misread")
    after = CrackEntry(
        4, 2510.0, LIFE, "after-test", "B. Night", at_utc="2026-11-30T08:00:00+00:00"
    )
    mode = replace(after, text="bond or anchorage slip", fact="mode")
    void = replace(after, number=5, text="the cell was loose", fact="void")
    wires = replace(after, number=6, text="left end", fact="wires", wires=3)
    more = replace(after, number=7, kind="correction", corrects=6, fact="wires", wires=4)
    return read, again, right, mode, void, wires, replace(more, text="left end, all")


def _checks(recorder: Recorder, header: RunHeader) -> None:
    names = (*header.sampled[:2], "deflection")
    samples = np.linspace(0.0, 1.0, 60, dtype=np.float32).reshape(3, 20)
    for index, (time, stiffness) in enumerate(((900.0, 104e6), (1400.0, 97e6))):
        reopening, residual = (52e3, 2e-6) if index else (np.nan, 7e-6)
        record = StaticRecord(
            time, 1000 * index, stiffness, reopening, residual, names, 10.0, 40, samples
        )
        recorder.static(record)
        told = "; effective prestress 1,348 MPa (125.3 kN in the tendons)" if index else ""
        recorder.event(time, 1000 * index, "static", f"check {index}: done{told}")
    values = np.zeros((2, 50), np.float32)
    recorder.full_rate(FullRateRecord("stop", LIFE, 2_499_950, 1000.0, header.sampled[:2], values))


def static(folder: Path) -> Path:
    """Write a static test to its ultimate load."""
    header = header_of(plan("static-ultimate"), exposure="dry")
    recorder = Recorder.create(folder, header)
    recorder.event(0.0, 0, "state", "starting, start")
    recorder.event(900.0, 0, "state", f"stopping, verdict: {ULTIMATE}")
    recorder.finish("ultimate", ULTIMATE, 0, 950.8)
    return folder

"""Small recordings to rehearse on, made through the recorder, and protocols for them."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from rig.channels import Channel
from rig.record import Recorder, RunHeader
from rig.samples import Cycles, column_type, cycle_columns
from tests.assembly.nights import PROTOCOL, ROOT

SPECIMEN = ROOT / "protocols" / "specimens" / "prism-small.toml"
UPPER, LOWER = 52.8e3, 9.24e3

JUDGED = """
stiffness_loss = {{ warn = "10 %", stop = "{stop} %", confirm = "20 cycles" }}
[baseline]
from = "20 cycles"
to = "60 cycles"
[limits]"""

RIG = """
name = "a frame elsewhere"
driver = "recording"
rate = "500 Hz"

[actuator]
load = ["-10000 kN", "10000 kN"]
stroke = ["-10 m", "10 m"]
speed = "1 m/s"
frequency = "50 Hz"
limits = "controller"

[pump]
flow = "600 L/min"
tank = "1000 m3"

[[channel]]
name = "load"
resolution = "5 N"
range = ["-25 kN", "260 kN"]
[[channel]]
name = "midspan"
resolution = "0.5 um"
range = ["-5 mm", "50 mm"]
[[channel]]
name = "strain_1"
resolution = "1 um/m"
range = ["-5000 um/m", "5000 um/m"]
"""
CHANNELS = (
    Channel("load", "N", 5.0, -25e3, 260e3),
    Channel("midspan", "m", 5e-7, -5e-3, 50e-3),
    Channel("strain_1", "1", 1e-6, -5e-3, 5e-3),
)


def protocol(run_out: int = 5000, stop: int = 40) -> str:
    """Return the text of a protocol that cycles until a loss or a count."""
    text = PROTOCOL.format(specimen=SPECIMEN, run_out=run_out)
    return text.replace("\n[limits]", JUDGED.format(stop=stop))


def softening(count: int) -> dict[str, np.ndarray]:
    """Return columns of a specimen that loses stiffness, slowly at first, 60 % in all."""
    number = np.arange(1, count + 1)
    part = (number - 1) / count
    stiffness = 40e6 * (1 - 0.1 * part - 0.5 * part**8)
    least = np.full(count, 3e-4)
    most = least + (UPPER - LOWER) / stiffness
    return {
        "number": number,
        "time": number / 10.0,
        "load_max": np.full(count, UPPER),
        "load_min": np.full(count, LOWER),
        "deflection_max": most,
        "deflection_min": least,
        "midspan_max": most,
        "midspan_min": least,
        "strain_1_max": 0.3 * most,
        "strain_1_min": 0.3 * least,
        "stiffness": stiffness,
        "energy": np.full(count, 2.0),
        "frequency": np.full(count, 10.0),
    }


def recording(
    folder: Path,
    columns: dict[str, np.ndarray],
    outcome: str = "failure",
    *,
    rig: str = RIG,
    channels: tuple[Channel, ...] = CHANNELS,
    ended: bool = True,
) -> Path:
    """Record rows as an import would, and return the folder."""
    header = RunHeader(
        run_id=folder.name,
        software="nightrig",
        started_utc="2001-01-01T18:00:00+00:00",
        title="of elsewhere",
        specimen_id="E-1",
        exposure="dry",
        seed=None,
        rate=500.0,
        channels=channels,
        texts={"protocol": "", "rig": rig, "specimen": ""},
    )
    count = len(columns["number"])
    given = {**columns, "wet": np.zeros(count), "flags": np.zeros(count)}
    sampled = tuple(c.name for c in channels if not c.slow)
    rows = {
        name: np.asarray(given.get(name, np.full(count, np.nan))).astype(column_type(name))
        for name in cycle_columns(sampled)
    }
    frames = np.arange(count)
    recorder = Recorder.create(folder, header)
    if count:
        recorder.cycles(Cycles(rows, frames, frames + 1, frames + 2))
    if ended:
        recorder.finish(outcome, "as it was", int(rows["number"][-1]) if count else 0, count / 10)
    else:
        recorder.commit()
        recorder.abandon()
    return folder

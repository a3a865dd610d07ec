"""Headers and rows to record, seeded."""

from pathlib import Path

import h5py
import numpy as np

from rig.channels import Channel
from rig.record import FullRateRecord, RunHeader, RunRecord, StaticRecord, Status
from rig.record.cracks import CrackEntry
from rig.samples import Cycles, column_type, cycle_columns

CHANNELS = (
    Channel("load", "N", 10.0, -2e5, 2e5),
    Channel("midspan", "m", 1e-6, -0.01, 0.01),
    Channel("support_left", "m", 1e-6, -0.01, 0.01),
    Channel("temperature_air", "K", 0.1, 200.0, 400.0, slow=True),
)
SAMPLED = ("load", "midspan", "support_left")
HAIRLINE = CrackEntry(
    *(1, 20.0, 10, "reading"),
    by="A. Name",
    text="hairline at mid-span",
    crack="C1",
    face="front",
    position=0.74,
    direction="flexural",
    width=1.2e-4,
)
BARE = Status(
    stamp="2001-01-01T18:00:00+00:00",
    calendar="2001-01-01T18:00:00+00:00",
    time=0.0,
    live=True,
    state="waiting",
    means="",
    cause="",
    why="",
    since=0.0,
    rig="",
    stage="",
    stage_number=0,
    stages=0,
    cycles=0,
    run_out=0,
    frequency=float("nan"),
    load=float("inf"),
    deflection=-0.0,
)
"""A status with nothing in it that has a default."""


def header() -> RunHeader:
    return RunHeader(
        run_id="plank-7",
        software="nightrig 0.1.0",
        started_utc="2001-01-01T18:00:00+00:00",
        title="Plank 7, Übung",
        specimen_id="P-7",
        exposure="spray",
        seed=2**70,
        rate=1000.0,
        channels=CHANNELS,
        texts={"protocol": "title = 'é'\n", "rig": "r\n", "specimen": ""},
        simulated=True,
    )


def wild_rows(first: int, count: int, seed: int) -> Cycles:
    """Rows with any bytes in them, NaN of every kind included, but consecutive numbers."""
    rng = np.random.default_rng([seed, first, count])
    columns: dict[str, np.ndarray] = {}
    for name in cycle_columns(SAMPLED):
        dtype = np.dtype(column_type(name))
        columns[name] = np.frombuffer(rng.bytes(count * dtype.itemsize), dtype)
    columns["number"] = np.arange(first, first + count)
    frames = np.arange(count)
    return Cycles(columns, frames, frames + 1, frames + 2)


def likely_rows(first: int, count: int) -> Cycles:
    """Rows as a quiet test gives them: 0.1 % of noise, rounded as the acquisition rounds."""
    rng = np.random.default_rng(first)
    number = np.arange(first, first + count)
    columns: dict[str, np.ndarray] = {"number": number}
    columns["time"] = rounded(number / 5.0 + rng.normal(0.0, 1e-4, count), 1e-3)
    means = {
        "load_max": (92e3, 10.0),
        "load_min": (9.2e3, 10.0),
        "deflection_max": (1.5e-3, 1e-6),
        "deflection_min": (2e-4, 1e-6),
        "midspan_max": (1.6e-3, 1e-6),
        "midspan_min": (2.5e-4, 1e-6),
        "support_left_max": (1e-4, 1e-6),
        "support_left_min": (2e-5, 1e-6),
        "stiffness": (6e7, 4e4),
        "energy": (3.0, 0.02),
        "frequency": (5.0, 0.005),
    }
    for name, (mean, resolution) in means.items():
        noisy = mean * (1.0 + 1e-3 * rng.standard_normal(count))
        columns[name] = rounded(noisy, resolution).astype("<f4")
    columns["wet"] = ((number // 600) % 7 == 0).astype("|u1")
    columns["flags"] = (columns["wet"] * 16).astype("<u2")
    ordered = {name: columns[name] for name in cycle_columns(SAMPLED)}
    return Cycles(ordered, number, number, number)


def rounded(values: np.ndarray, resolution: float) -> np.ndarray:
    """Round to a power of two below a quarter of the resolution."""
    step = 2.0 ** np.floor(np.log2(resolution / 4.0))
    return np.round(values / step) * step


def record_everything(recorder: RunRecord) -> None:
    """Something of every kind that a run can record."""
    recorder.event(0.0, 0, "state", "approach begins")
    recorder.build_up(likely_rows(1, 200))
    recorder.cycles(likely_rows(1, 5000))
    recorder.slow(1.0, {"temperature_air": 291.5})
    recorder.slow(2.0, {})
    samples = np.arange(60, dtype=np.float32).reshape(2, 30)
    recorder.static(StaticRecord(3.0, 1, 6e7, float("nan"), 1e-5, SAMPLED[:2], 100.0, 40, samples))
    recorder.full_rate(FullRateRecord("first", 1, 7, 1000.0, SAMPLED[:2], samples))
    recorder.full_rate(FullRateRecord("decade", 10, 900, 500.0, SAMPLED[1:], samples[:, :11]))
    recorder.full_rate(FullRateRecord("none", 11, 950, 500.0, SAMPLED, samples[[0, 0, 0], :0]))
    recorder.spray(10.0, 130.0, 3.0, True)
    recorder.inspection(20.0, 10, 1200.0, "nothing to see")
    recorder.crack(HAIRLINE)
    recorder.interruption(30.0, 11, 5.0, "operator paused")
    recorder.zero(0.0, "load", 12.5, "before contact")
    recorder.event(31.0, 11, "note", "größer als gedacht; 'quotes' and\nlines")


def datasets(path: Path) -> dict[str, tuple[object, ...]]:
    """Every dataset and attribute of an HDF5 file by plain h5py, comparable."""
    found: dict[str, tuple[object, ...]] = {}

    def look(name: str, item: h5py.Group | h5py.Dataset) -> None:
        attributes = sorted((k, str(v)) for k, v in item.attrs.items())
        data = ()
        if isinstance(item, h5py.Dataset):
            value = item[()]
            plain = value.tobytes() if value_is_plain(item) else str(np.asarray(value).tolist())
            data = (item.shape, str(item.dtype), plain)
        found[name] = (*attributes, *data)

    with h5py.File(path, "r") as file:
        look("/", file)
        file.visititems(look)
    return found


def value_is_plain(item: h5py.Dataset) -> bool:
    return item.dtype.names is None and item.dtype.kind != "O"

"""A recording that stands in for the specimen of a rehearsal: what it is, and whether it can.

The machine is simulated: the load follows the protocol's command, not the recorded load. The
record of such a rehearsal keeps where the recording lay and the digest of what was used of it.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from rig.assembly.recorded_rig import rig_text
from rig.assembly.recorded_rows import PIECE, Piece, RecordedRows, columns_of, piece_of
from rig.control.lock import folder_holder
from rig.errors import InputError
from rig.judging.cycling import FULL_RANGE
from rig.protocol.document import Read
from rig.protocol.load import load_plan
from rig.protocol.plan import Plan, Ramp
from rig.record.entries import StaticRecord
from rig.replay.recording import Recording, open_recording
from simulators.recorded import RecordedSpecimen

KEPT: Final = "recording"
"""Under which name the texts of a header keep what stood in for the specimen."""
MACHINE: Final = frozenset({"load", "midspan", "stroke"})
"""Sampled channels that are the simulated machine's, or follow from the others."""
MEANS: Final = ("load_min", "load_max", "frequency")
OTHER_LOAD: Final = 0.02
"""By which share of the load range other loads than the recorded ones are told."""


@dataclass(frozen=True, slots=True)
class StandIn:
    """A recording, read through once.

    `digest` is that of the columns that are used of it, `last` the number of its last usable
    cycle. `signs` has the other channels in their order: -1 for one that falls with the load.
    `load_min`, `load_max` [N] and `frequency` [Hz] are means over the recording.
    """

    path: Path
    digest: str
    outcome: str | None
    last: int
    signs: Mapping[str, float]
    load_min: float
    load_max: float
    frequency: float

    @property
    def said(self) -> str:
        """What stands in for what, in words."""
        ended = f"ended with {self.outcome}" if self.outcome else "has no end"
        return (
            f"the specimen is the recorded one of {self.path}: {self.last:,} cycles, {ended}; "
            "the load follows the command of a simulated controller, not the recorded load"
        )

    @property
    def at_its_end(self) -> str:
        """What is said where the recording tells nothing more."""
        return f"the recording ends at cycle {self.last:,}"

    def other_load(self, plan: Plan) -> str:
        """Say that a plan's loads are not the recorded ones, "" where they are."""
        loading = plan.loading
        if loading is None:
            return ""
        off = max(abs(loading.upper - self.load_max), abs(loading.lower - self.load_min))
        if off <= OTHER_LOAD * loading.range:
            return ""
        return (
            f"recorded at {self.load_min / 1e3:.4g} to {self.load_max / 1e3:.4g} kN, asked for "
            f"are {loading.lower / 1e3:.4g} to {loading.upper / 1e3:.4g} kN: how the specimen "
            "would have fared under these nobody knows; it wears here as it did under those"
        )

    def kept_text(self) -> str:
        """Return what the record of the rehearsal keeps of it."""
        return json.dumps({"path": str(self.path), "digest": self.digest}, ensure_ascii=False)

    def specimen(self, plan: Plan, rows: RecordedRows) -> RecordedSpecimen:
        """Return the specimen as the simulated rig takes it."""
        full = FULL_RANGE * plan.loading.range if plan.loading else np.inf
        return RecordedSpecimen(
            rows, self.last, self.outcome == "failure", full, frozenset(self.signs)
        )

    def rows(self) -> RecordedRows:
        """Return its rows, not yet opened: they are read by whoever uses them first."""
        return RecordedRows(self._pieces, tuple(self.signs))

    def _pieces(self) -> Iterator[Piece]:
        with open_recording(self.path) as recording:
            yield from _pieces(recording, self.signs)


def stand_in(path: Path) -> StandIn:
    """Read a recording through. Raises InputError for one that cannot stand in, StorageError."""
    path = path.absolute()
    if path.is_dir() and folder_holder(path) is not None:
        raise InputError(f"{path}: is still being recorded; let it end, then rehearse on it")
    with open_recording(path) as recording:
        return _read_through(path, recording)


def kept(folder: Path, texts: Mapping[str, str]) -> StandIn | None:
    """Return what stood in for the specimen of a rehearsal; None for a simulated specimen.

    Raises InputError where the recording is gone, or is not the same any more.
    """
    text = texts.get(KEPT)
    if text is None:
        return None
    told = json.loads(text)
    path = Path(told["path"])
    close = "or close the record: nightrig resume DIR --end"
    if not path.exists():
        raise InputError(
            f"{folder}: its specimen is the recording {path}, which is gone; nothing was started; "
            f"put it back there, {close}"
        )
    found = stand_in(path)
    if found.digest != told["digest"]:
        raise InputError(
            f"{folder}: its specimen is the recording {path}, whose rows are not those of then; "
            f"nothing was started; put the old one back there, {close}"
        )
    return found


def plan_on(found: StandIn, protocol: str, read: Read) -> Plan:
    """Return the plan of a protocol on the rig of a recording, as a simulated one.

    `read` takes a path and returns its text. Raises InputError with every problem found.
    """
    with open_recording(found.path) as recording:
        recorded = recording.header.texts["rig"]

    def planned(frequency: float, *flow: float) -> Plan:
        text = rig_text(recorded, found.path, found.load_max, frequency, *flow)
        rig = f"{found.path}, its rig"
        return load_plan(protocol, rig, lambda path: text if path == rig else read(path))

    plan = planned(found.frequency)
    # Pump and servo that are filled in can do what the protocol asks for.
    asked = plan.loading.frequency if plan.loading else 0.0
    flow = (plan.spray.flow,) if plan.spray else ()
    plan = planned(max(found.frequency, asked), *flow)
    if any(isinstance(stage, Ramp) and stage.until == "ultimate" for stage in plan.stages):
        raise InputError(
            f"{found.path}: a recording of cycles does not tell where its specimen breaks under "
            'one slow loading; take out the stage with until = "ultimate", or rehearse it on a '
            "simulated rig"
        )
    missing = [c.name for c in plan.rig.sampled if c.name not in MACHINE.union(found.signs)]
    if missing:
        raise InputError(
            f"{found.path}: the recording has no values of {', '.join(missing)}, which its rig "
            "has; it cannot stand in for that rig"
        )
    return plan


def _read_through(path: Path, recording: Recording) -> StandIn:
    names = tuple(n for n in recording.header.sampled if n not in MACHINE)
    columns = columns_of(names)
    lacking = set(columns) - set(recording.column_names())
    if lacking or not recording.count():
        raise InputError(f"{path}: the recording has no counted cycles; it cannot stand in")
    digest, last, usable = hashlib.sha256(), 0, 0
    there = dict.fromkeys(names, False)
    sums = np.zeros(len(MEANS))
    for rows in recording.rows(PIECE, columns):
        for name in columns:
            digest.update(np.ascontiguousarray(rows[name]).tobytes())
        for name in names:
            there[name] |= bool(np.isfinite(rows[f"{name}_max"]).any())
        piece = piece_of(rows, {}, None)
        if len(piece.number):
            last = int(piece.number[-1])
            usable += len(piece.number)
            at = np.isin(rows["number"], piece.number)
            sums += [np.nansum(rows[name][at], dtype=np.float64) for name in MEANS]
    if not usable:
        raise InputError(
            f"{path}: no recorded cycle has a load and a net deflection that rises with it; it "
            "cannot stand in for a specimen"
        )
    signs = _signs(recording, tuple(n for n in names if there[n]))
    return StandIn(
        path, digest.hexdigest(), recording.outcome, last, signs, *(sums / usable).tolist()
    )


def _pieces(recording: Recording, signs: Mapping[str, float]) -> Iterator[Piece]:
    before = None
    for rows in recording.rows(PIECE, columns_of(tuple(signs))):
        piece = piece_of(rows, signs, before)
        if len(piece.number):
            before = piece.others[:, :, -1]
            yield piece


def _signs(recording: Recording, names: tuple[str, ...]) -> dict[str, float]:
    """Return for each channel 1.0, or -1.0 where it falls with the load in a slow cycle.

    Extremes alone do not tell; without a slow cycle all are taken to rise.
    """
    record = next((r for r in recording.static() if "load" in r.channels), None)
    return {name: _sign(record, name) for name in names}


def _sign(record: StaticRecord | None, name: str) -> float:
    if record is None or name not in record.channels:
        return 1.0
    load, values = (
        record.values[record.channels.index(n)].astype(np.float64) for n in ("load", name)
    )
    valid = np.isfinite(load) & np.isfinite(values)
    if valid.sum() < 2:
        return 1.0
    load, values = load[valid], values[valid]
    return -1.0 if float((load - load.mean()) @ (values - values.mean())) < 0 else 1.0

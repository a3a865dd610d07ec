"""Sensor health: flat, saturated, missing and spiking channels.

The channel in the servo loop (feedback) is a fault when in doubt; a watching channel pauses.
Figures: common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rig.guards.runs import first_run

SATURATED_SAMPLES: Final = 5
MISSING_TIME: Final = 1.0  # s
SPIKES_AN_HOUR: Final = 5


@dataclass(frozen=True, slots=True)
class HealthSetup:
    """Ranges [SI] by channel to watch, rate [1/s], and which of them must move with the load.

    `flat_after` is half a cycle [samples] while cycling, None otherwise; `moving` are the
    channels that cannot stay the same that long.
    """

    ranges: Mapping[str, tuple[float, float]]
    rate: float
    moving: Sequence[str] = ("load", "stroke", "deflection", "midspan")
    flat_after: int | None = None
    feedback: str = "load"

    @property
    def missing_samples(self) -> int:
        """Missing samples in a row that are a finding."""
        return math.floor(MISSING_TIME * self.rate + 1e-9) + 1


def half_cycle(rate: float, frequency: float) -> int:
    """Return the samples of half a cycle, for `HealthSetup.flat_after`."""
    return max(SATURATED_SAMPLES, math.ceil(rate / frequency / 2))


@dataclass(frozen=True, slots=True)
class HealthState:
    """Runs [samples] that reach the end of the last block, last values, and what was reported.

    Keys of `runs` are "channel kind". `spikes` are the frames of the last spikes.
    """

    runs: Mapping[str, int] = field(default_factory=dict)
    last: Mapping[str, float] = field(default_factory=dict)
    reported: frozenset[str] = frozenset()
    spikes: tuple[int, ...] = ()

    def to_plain(self) -> dict[str, Any]:
        """Return the state as plain values for a restart point."""
        return {
            "runs": dict(self.runs),
            "last": dict(self.last),
            "reported": sorted(self.reported),
            "spikes": list(self.spikes),
        }

    @staticmethod
    def from_plain(plain: Mapping[str, Any]) -> HealthState:
        """Return the state that `to_plain` wrote."""
        return HealthState(
            dict(plain["runs"]),
            dict(plain["last"]),
            frozenset(plain["reported"]),
            tuple(plain["spikes"]),
        )


@dataclass(frozen=True, slots=True)
class HealthFinding:
    """A channel in doubt, knowable at `frame`.

    `kind` is "flat", "saturated", "missing" or "spiking"; `action` "fault", "pause" or "warn".
    """

    kind: str
    action: str
    channel: str
    frame: int
    text: str


def check_health(
    setup: HealthSetup,
    state: HealthState,
    first_frame: int,
    signals: Mapping[str, NDArray[np.float32]],
) -> tuple[HealthState, tuple[HealthFinding, ...]]:
    """Check one block of signals, each of shape (frames,) [SI]; each thing is reported once.

    Flat is the same value for more than half a cycle; saturated, at or beyond the range for 5
    samples; missing, no valid sample for over 1 s. Findings come by frame, then channel.
    Raises ValueError when a watched channel has no signal.
    """
    runs: dict[str, int] = {}
    last: dict[str, float] = {}
    found: list[HealthFinding] = []
    reported = set(state.reported)
    for name, (low, high) in setup.ranges.items():
        if name not in signals:
            raise ValueError(f"{name} is watched but not sampled; sampled are {sorted(signals)}")
        values = signals[name]
        if not len(values):
            return state, ()
        last[name] = float(values[-1])
        for kind, need, index, length in _runs_of(setup, state, name, values, low, high):
            key = f"{name} {kind}"
            if length:
                runs[key] = length
            if index is not None and key not in reported:
                reported.add(key)
                found.append(_finding(setup, kind, name, first_frame + index, need))
    found.sort(key=lambda finding: finding.frame)
    return HealthState(runs, last, frozenset(reported), state.spikes), tuple(found)


_Run = tuple[str, int, int | None, int]


def _runs_of(
    setup: HealthSetup,
    state: HealthState,
    name: str,
    values: NDArray[np.float32],
    low: float,
    high: float,
) -> list[_Run]:
    """Return kind, samples needed, index where the run is long enough, length at the end."""
    result: list[_Run] = []
    # As a sample holds it: one that stands at the end of its range must compare as equal to it.
    low, high = float(np.float32(low)), float(np.float32(high))
    if not (low < float(values.min()) and float(values.max()) < high):
        wide = values.astype(np.float64)
        carried = state.runs.get(f"{name} saturated", 0)
        at_end = (wide <= low) | (wide >= high)
        index, length = first_run(at_end, carried, SATURATED_SAMPLES)
        result.append(("saturated", SATURATED_SAMPLES, index, length))
        carried = state.runs.get(f"{name} missing", 0)
        index, length = first_run(np.isnan(wide), carried, setup.missing_samples)
        result.append(("missing", setup.missing_samples, index, length))
    if setup.flat_after is not None and name in setup.moving:
        carried = state.runs.get(f"{name} flat", 0)
        previous = state.last.get(name, math.nan)
        index, length = _flat(values, previous, carried, setup.flat_after)
        result.append(("flat", setup.flat_after, index, length))
    return result


def _flat(
    values: NDArray[np.float32], previous: float, carried: int, need: int
) -> tuple[int | None, int]:
    """Find `need` samples in a row that equal the sample before."""
    step = max(1, need // 2)
    apart = values[::step]
    # So long a run covers two neighbours of every `step`th sample; mostly none are equal.
    if values[0] != previous and not (apart[1:] == apart[:-1]).any():
        tail = values[-2 * step - 2 :]
        changes = np.flatnonzero(tail[1:] != tail[:-1])
        if len(changes):
            return None, int(len(tail) - 2 - changes[-1])
    same = np.empty(len(values), dtype=np.bool_)
    same[0] = values[0] == previous
    same[1:] = values[1:] == values[:-1]
    return first_run(same, carried, need)


def _finding(setup: HealthSetup, kind: str, name: str, frame: int, samples: int) -> HealthFinding:
    action = "fault" if name == setup.feedback else "pause"
    words = {
        "flat": f"stays the same for {samples} samples while cycling",
        "saturated": f"is at the end of its range for {samples} samples in a row",
        "missing": f"has no valid value for {samples} samples in a row",
    }
    return HealthFinding(kind, action, name, frame, f"{name} {words[kind]}")


def check_spikes(
    setup: HealthSetup, state: HealthState, frames: Sequence[int], loads: Sequence[bool]
) -> tuple[HealthState, tuple[HealthFinding, ...]]:
    """Count spikes by the frames at which they were known, rising; over 5 an hour warn, once.

    `loads` tells of each whether it is one of the load.
    """
    hour = 3600 * setup.rate
    spikes, reported = state.spikes, state.reported
    found: list[HealthFinding] = []
    for frame, of_load in zip(frames, loads, strict=True):
        spikes = (*spikes, int(frame))[-SPIKES_AN_HOUR - 1 :]
        crowded = len(spikes) > SPIKES_AN_HOUR and spikes[-1] - spikes[0] <= hour
        if crowded and "spiking" not in reported:
            reported |= {"spiking"}
            last = "one in the load: look at the cable and plug of the cell"
            if not of_load:
                last = "not in the load: look at the cables and plugs of the other channels"
            text = f"more than {SPIKES_AN_HOUR} spikes within an hour, the last {last}"
            found.append(HealthFinding("spiking", "warn", "", int(frame), text))
    return HealthState(state.runs, state.last, reported, spikes), tuple(found)

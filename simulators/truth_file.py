"""The truth of a rehearsal in a file, line by line, for whoever holds verdicts against it.

Nothing that judges reads it. Each line is a JSON object with `what`: the events of a file of
disturbances first, then the state of the specimen each time that its stiffness has changed.
"""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, Literal

import numpy as np

from simulators.motion import Cycling
from simulators.state import counter_at
from simulators.stretch import Stretch

TRUTH: Final = "truth.jsonl"
CHANGED: Final = 1e-3  # relative change of stiffness from one line to the next
POINTS: Final = 64  # of a cycle, from which its slope is made

Cause = Literal["nothing", "sensor", "load", "rig", "water", "support", "specimen"]
"""What an event is a case of; "nothing" must stop nothing, "load" is the feedback."""


@dataclass(frozen=True, slots=True)
class Happening:
    """What an event file lets happen: kind, cause, channel if it is one's, begin and end [s].

    Without an end it lasts. `numbers` are its own [SI].
    """

    what: str
    cause: Cause
    begin: float
    end: float | None = None
    channel: str | None = None
    numbers: Mapping[str, Any] = field(default_factory=dict)

    def told(self) -> dict[str, Any]:
        """Return its line."""
        return {
            "what": self.what,
            "cause": self.cause,
            "channel": self.channel,
            "begin_s": self.begin,
            "end_s": self.end,
            **self.numbers,
        }


class TruthFile:
    """The truth file of one run; each line is with the system once it is written.

    That of a rig that is put back to an earlier frame forgets what was after.
    """

    def __init__(self, folder: Path) -> None:
        self._path = folder / TRUTH
        self._seen: Stretch | None = None
        self._told: tuple[int, float | None, bool] = (-1, None, False)

    def begin(self, happenings: tuple[Happening, ...], frame: int | None = None) -> None:
        """Begin the file with what will happen; of one that is there keep all before `frame`."""
        if frame is not None and self._path.exists():
            self._cut(frame)
        else:
            self._write("w", [h.told() for h in happenings])

    def _cut(self, frame: int) -> None:
        """Forget what has happened from a frame on, and a last line that was cut off."""
        kept = []
        for text in self._path.read_text(encoding="utf-8").splitlines():
            with contextlib.suppress(ValueError):
                line = json.loads(text)
                if line["what"] != "specimen" or line["frame"] < frame:
                    kept.append(line)
        states = [line for line in kept if line["what"] == "specimen"]
        if states:
            last = states[-1]
            self._told = (last["frame"], last["stiffness_N_per_m"], last["broken"])
        # Beside it first: a crash in the middle leaves the old one.
        new = self._path.with_suffix(".new")
        new.write_text("".join(map(_line, kept)), encoding="utf-8")
        os.replace(new, self._path)

    def witness(self, stretch: Stretch) -> None:
        """Write down what a stretch that has begun shows of the specimen."""
        state, world = stretch.state, stretch.world
        _, before, broken = self._told
        if stretch is self._seen or broken or state.frame <= self._told[0]:
            return
        self._seen = stretch
        broken = state.specimen.broken_at >= 0
        stiffness = None if broken else true_stiffness(stretch)
        same = before == stiffness or (
            before is not None and stiffness is not None and abs(stiffness / before - 1) < CHANGED
        )
        if same and not broken:
            return
        self._told = (state.frame, stiffness, broken)
        counter = counter_at(state, state.frame)
        line = {
            "what": "specimen",
            "frame": state.frame,
            "time_s": state.frame / world.rate,
            "counter": counter,
            "cycling": isinstance(state.motion, Cycling),
            "stiffness_N_per_m": stiffness,
            "slope_N_per_m": None if stiffness is None else true_slope(stretch),
            "broken": broken,
        }
        self._write("a", [line])

    def _write(self, mode: str, lines: list[dict[str, Any]]) -> None:
        with self._path.open(mode, encoding="utf-8") as file:
            file.writelines(map(_line, lines))


def true_stiffness(stretch: Stretch) -> float | None:
    """Return load over net deflection between the loads of the test [N/m].

    None where the test has no two loads, or the specimen does not bear the upper one.
    """
    world, curve = stretch.world, stretch.curve
    low, high = world.setup.lower_load, world.setup.upper_load
    through = world.around.through(stretch.state.frame)
    if not low < high <= curve.strongest * through:
        return None
    below, above = curve.at_load(np.array([low, high]) / through, curve.net)
    return float((high - low) / (above - below))


def true_slope(stretch: Stretch) -> float:
    """Return the least-squares slope of load on net deflection over a sine cycle [N/m].

    The specimen must bear the upper load (`true_stiffness`); a knee in its curve makes it another
    number than the stiffness between the loads.
    """
    world, curve = stretch.world, stretch.curve
    low, high = world.setup.lower_load, world.setup.upper_load
    through = world.around.through(stretch.state.frame)
    load = (low + high) / 2 - (high - low) / 2 * np.cos(2 * np.pi * np.arange(POINTS) / POINTS)
    around = curve.at_load(load / through, curve.net)
    around = around - around.mean()
    return float((load - load.mean()) @ around / (around @ around))


def _line(told: Mapping[str, Any]) -> str:
    return json.dumps(told, ensure_ascii=False) + "\n"

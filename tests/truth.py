"""Reads what is true of a rehearsal, for tests that hold verdicts against it.

`truth_of(folder)` reads `truth.jsonl` of a run: first its events, then the states of its specimen
at each change of stiffness by 0.1 %. Nothing in `rig` reads that file; only tests may.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from simulators.truth_file import TRUTH

CAUSES = ("nothing", "sensor", "load", "rig", "water", "support", "specimen")
"""What an event may be a case of; "nothing" must stop nothing, "load" is the feedback."""


@dataclass(frozen=True)
class Event:
    """What was scripted: kind, cause, channel or None, begin and end [s, inf where it lasts].

    `numbers` are those of its file, in SI.
    """

    what: str
    cause: str
    channel: str | None
    begin: float
    end: float
    numbers: Mapping[str, Any]


@dataclass(frozen=True)
class State:
    """The specimen from a frame on: the controller's counter, load over net deflection [N/m].

    `stiffness` is that between the loads of the test, `slope` the least-squares slope over a cycle,
    which criteria judge; NaN of one that is broken or has no two loads.
    """

    frame: int
    time: float
    counter: int
    cycling: bool
    stiffness: float
    slope: float
    broken: bool


@dataclass(frozen=True)
class Truth:
    """The truth of one rehearsal, in order."""

    events: tuple[Event, ...]
    states: tuple[State, ...]

    @property
    def broken(self) -> State | None:
        """The state in which the specimen broke, None where it is whole."""
        return next((s for s in self.states if s.broken), None)

    def crossing(self, loss: float, of: float) -> State | None:
        """Return the first state in cycling whose stiffness is a share `loss` below `of` [N/m]."""
        low = (1 - loss) * of
        return next((s for s in self.states if s.cycling and s.stiffness <= low), None)


def truth_of(folder: Path) -> Truth:
    """Return the truth of the rehearsal in a folder."""
    lines = [json.loads(x) for x in (folder / TRUTH).read_text(encoding="utf-8").splitlines()]
    return Truth(
        tuple(_event(line) for line in lines if line["what"] != "specimen"),
        tuple(_state(line) for line in lines if line["what"] == "specimen"),
    )


def _event(line: dict[str, Any]) -> Event:
    line = dict(line)
    what, cause, channel = line.pop("what"), line.pop("cause"), line.pop("channel")
    begin, end = line.pop("begin_s"), line.pop("end_s")
    return Event(what, cause, channel, begin, math.inf if end is None else end, line)


def _state(line: dict[str, Any]) -> State:
    stiffness, slope = line["stiffness_N_per_m"], line["slope_N_per_m"]
    return State(
        line["frame"],
        line["time_s"],
        line["counter"],
        line["cycling"],
        math.nan if stiffness is None else stiffness,
        math.nan if slope is None else slope,
        line["broken"],
    )

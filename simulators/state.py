"""Everything a simulated rig remembers, at one frame; and how it stands a while later.

A state is immutable and holds plain values only, so putting the rig back is picking an older
one. Between two states everything is a closed form of the absolute frame number.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

import numpy as np

from rig.ports import Pressure
from rig.samples import FloatArray
from simulators.faults import (
    InputChange,
    Lost,
    Miscounted,
    NoFlow,
    Restarted,
    Stuck,
    Weak,
)
from simulators.lasting import wear_of
from simulators.loop import LoadLoop
from simulators.motion import NEVER, Closed, Collapse, Cycling, Motion, Ramp
from simulators.opening import Crack
from simulators.recorded_beam import RecordedBeam
from simulators.setup import SimulationSetup
from simulators.specimen import DRYING_TIME, WETTING_TIME, Beam, Curve
from simulators.surroundings import Surroundings
from simulators.wear import STILL, Pace, SpecimenState, worn
from simulators.wear_tables import Place

STRAIN: Final = 0.6  # strain per deflection over span
WHOLE: Final = Place()
"""How a specimen stands that nothing wears."""


@dataclass(frozen=True, slots=True)
class PumpState:
    """Switched on or off at frame `since`, with so much in the tank [m3] then."""

    on: bool
    since: int
    tank: float


@dataclass(frozen=True, slots=True)
class RigState:
    """The whole rig at `frame`.

    `gap` is the stroke of contact [m], `wet` how full of water the crack is (0 to 1), `counter`
    the cycles before the present motion. Where a load cell is ever at fault, `rod` is the stroke
    [m] and `held` the load [N] at which a stuck one stands. `marks` are the cycles that the
    specimen had had when disturbances that count them began, -1 of one that has not.
    """

    frame: int
    motion: Motion
    specimen: SpecimenState
    gap: float
    pump: PumpState
    wet: float
    counter: int = 0
    stop_count: int = NEVER
    collapse_at: int = NEVER
    pressure: Pressure = "off"
    valve_open: bool = False
    unload: bool = False
    stopped_by: str = ""
    tripped: str = ""
    rod: float | None = None
    held: float | None = None
    marks: tuple[float, ...] = ()


class World:
    """The facts of a rig that never change: setup, beam, how this specimen wears."""

    def __init__(self, setup: SimulationSetup, seed: int) -> None:
        self.setup = setup
        self.rate = setup.rate
        t = setup.truth
        ordered = (t.decompression_load, t.cracking_load, t.yield_load, t.ultimate_load)
        if not all(a < b for a, b in pairwise(ordered)):
            raise ValueError(f"loads of the specimen must rise: {ordered}")
        if ordered[0] < 0 or not 0 < t.cracked_stiffness <= t.stiffness:
            raise ValueError("a specimen needs decompression >= 0, 0 < cracked <= whole stiffness")
        self.wear = wear_of(setup, seed)
        self.beam: Beam | RecordedBeam
        if setup.recorded is not None:
            upper = setup.upper_load or t.ultimate_load
            most = setup.actuator.load_high
            self.beam = RecordedBeam(setup.recorded, t.span, most, upper)
        else:
            upper = setup.upper_load
            self.beam = Beam(t, setup.ending, setup.bedding, setup.creep, upper, self.wear)
        self._crack = Crack(t, None if setup.recorded else setup.cracks)
        self.loop = LoadLoop(setup)
        self.around = Surroundings(setup, seed)
        faults = setup.faults
        self._water = [e for f in faults if isinstance(f, NoFlow) for e in (f.begin, f.end)]
        once = [f for f in faults if isinstance(f, InputChange | Restarted | Miscounted)]
        lasting = [f for f in faults if isinstance(f, Lost | Stuck | Weak)]
        self._told = [f.frame for f in once] + [e for f in lasting for e in (f.begin, f.end)]
        self._told += self.loop.changes

    def start(self) -> RigState:
        """Return the rig at power-on: unloaded, off, pump off."""
        wet = 1.0 if self.setup.exposure == "submerged" else 0.0
        pump = PumpState(False, 0, self.setup.tank)
        gap = self.setup.gap - self.beam.offset
        return RigState(0, Ramp("stroke", 0, 0, 0.0, 0.0), SpecimenState(), gap, pump, wet)

    def pace(self, specimen: SpecimenState, low: float, top: float) -> Pace:
        """Return what a cycle between two loads [N] does to a specimen.

        Without a crack no bond is lost, and the tendon hardly swings. A recorded specimen wears as
        its rows say: in no other way.
        """
        if self.wear is None:
            return STILL
        pace = self.wear.pace(specimen, low, top)
        return pace if self._cracked(specimen) else Pace(concrete=pace.concrete)

    def _cracked(self, specimen: SpecimenState) -> bool:
        t = self.setup.truth
        return specimen.peak > t.cracking_load / t.stiffness

    def curve(self, state: RigState) -> Curve:
        """Return the response of the specimen in a state, over the load that the cell shows."""
        curve = self.beam.curve(state.specimen, state.gap)
        if not self.around:
            return curve
        return self.around.curve(curve, state, self.beam.frame_stiffness)

    def strength(self, state: RigState) -> float:
        """Return the largest load of the cell [N] that the specimen can take."""
        return self.beam.strength(state.specimen) / self.around.through(state.frame)

    def gone(self, state: RigState, top: float) -> bool:
        """Tell whether a specimen cannot bear a top load of the cell [N] for one more cycle."""
        used_up = self.wear is not None and self.wear.gone(state.specimen)
        if self.around and self.around.gives_way(state):
            return True
        return used_up or top > self.strength(state)

    def opening(self, load: FloatArray, net: FloatArray, specimen: SpecimenState) -> FloatArray:
        """Return the opening of a crack [m] at loads [N] with the deflection there [m]."""
        place = WHOLE if self.wear is None else self.wear.place(specimen)
        soft = self.beam.flexibility(specimen)
        return self._crack.opening(load, net, specimen, place, soft)

    def strain(self, load: FloatArray, net: FloatArray, specimen: SpecimenState) -> FloatArray:
        """Return by how much the hardest tendon is strained at loads [N], with the deflection [m].

        As the concrete beside it until that opens, then as the swing of the tables says.
        """
        if self.wear is None or not self.wear.tables.wires:
            bent: FloatArray = net * (STRAIN / self.setup.truth.span)
            return bent
        tables = self.wear.tables
        modulus = tables.specimen.tendons[tables.hardest].modulus
        few = tables.loads[1]
        closed = (tables.tendon_at(few) - tables.tendon_at(0.0)) / modulus / few
        formed = self._crack.formed(load, net, specimen)
        place = self.wear.place(specimen)
        opens = place.prestress * self.setup.truth.decompression_load
        swing = (tables.tendon_at(tables.upper) - tables.tendon_at(0.0)) / modulus
        beyond = (swing * place.range - closed * opens) / max(tables.upper - opens, 1.0)
        strain: FloatArray = closed * load + formed * (beyond - closed) * (load - opens).clip(0)
        return strain

    def slip(self, specimen: SpecimenState) -> float:
        """Return by how much a tendon's end has slipped [m]."""
        return 0.0 if self.wear is None else self.wear.place(specimen).slip

    def empty_at(self, pump: PumpState) -> int:
        """Return the frame at which a running pump has emptied its tank."""
        if not pump.on or self.setup.pump_flow <= 0:
            return NEVER
        drained = max(self.around.emptied, pump.since)
        run_up = self.setup.pump_run_up
        seconds = pump.tank / self.setup.pump_flow + run_up / 2
        if seconds < run_up:
            seconds = math.sqrt(2 * run_up * pump.tank / self.setup.pump_flow)
        return min(pump.since + math.ceil(seconds * self.rate), drained)

    def flow(self, pump: PumpState, frame: int) -> float:
        """Return the flow of water at a frame [m3/s]."""
        if not pump.on or frame >= self.empty_at(pump):
            return 0.0
        if any(isinstance(f, NoFlow) and f.begin <= frame < f.end for f in self.setup.faults):
            return 0.0
        seconds = (frame - pump.since) / self.rate
        run_up = self.setup.pump_run_up
        flow = self.setup.pump_flow * (min(1.0, seconds / run_up) if run_up > 0 else 1.0)
        return flow * self.around.flowing(frame)

    def tank(self, pump: PumpState, frame: int) -> float:
        """Return the content of the tank at a frame [m3]."""
        if frame >= self.around.emptied:
            return 0.0
        if not pump.on:
            return pump.tank
        seconds, run_up = (frame - pump.since) / self.rate, self.setup.pump_run_up
        used = seconds - run_up / 2 if seconds >= run_up else seconds**2 / (2 * run_up)
        return max(0.0, pump.tank - self.setup.pump_flow * used)

    def next_change(self, state: RigState) -> tuple[int, bool]:
        """Return the next frame of an accident or change of water; True: the reader is shown it."""
        next_told = min((f for f in self._told if f > state.frame), default=NEVER)
        water = [*self._water, self.empty_at(state.pump)]
        quiet = min((f for f in water if f > state.frame), default=NEVER)
        quiet = min(quiet, self.around.next_change(state))
        return min(next_told, quiet), next_told <= quiet

    def reach(self, frame: int) -> float:
        """Return the share of its amplitude that cycling reaches at a frame."""
        weak = (f for f in self.setup.faults if isinstance(f, Weak))
        return min((f.share for f in weak if f.begin <= frame < f.end), default=1.0)

    def restarts(self, begin: int, end: int) -> bool:
        """Tell whether the controller starts anew in frames [begin, end)."""
        return any(isinstance(f, Restarted) and begin <= f.frame < end for f in self.setup.faults)

    def miscounts(self, frame: int) -> int:
        """Return by how many cycles the controller's counter jumps at a frame."""
        jumps = (f for f in self.setup.faults if isinstance(f, Miscounted))
        return sum(f.by for f in jumps if f.frame == frame)

    def wetting(self, state: RigState) -> tuple[float, float]:
        """Return where the crack's water tends to (0 or 1) and its time constant in frames."""
        wets = state.pump.on and state.frame < self.empty_at(state.pump)
        faults = (f for f in self.setup.faults if isinstance(f, NoFlow))
        if any(f.begin <= state.frame < f.end for f in faults):
            wets = False
        if wets or self.setup.exposure == "submerged":
            return 1.0, WETTING_TIME * self.rate
        return 0.0, DRYING_TIME * self.rate

    def aged(self, state: RigState, frame: int, pace: Pace | None) -> RigState:
        """Return the state at a later frame as far as water and wear go; no pace: no cycles."""
        frames = frame - state.frame
        target, lag = self.wetting(state)
        left = math.exp(-frames / lag)
        specimen = state.specimen
        if isinstance(state.motion, Cycling) and pace is not None:
            mean_wet = target
            if frames:
                mean_wet += (state.wet - target) * (1 - left) * lag / frames
            cycles = frames * state.motion.frequency / self.rate
            specimen = worn(specimen, pace, cycles, mean_wet, frames / self.rate)
        wet = target + (state.wet - target) * left
        return replace(state, frame=frame, specimen=specimen, wet=wet)


def counter_at(state: RigState, frame: int) -> int:
    """Return the controller's cycle counter at a frame."""
    if isinstance(state.motion, Cycling):
        return state.counter + state.motion.index(frame)
    return state.counter


def moving_at(state: RigState, frame: int) -> bool:
    """Tell whether a ramp or cycling is under way at a frame."""
    motion = state.motion
    if isinstance(motion, Ramp):
        return frame < motion.end
    return isinstance(motion, Cycling | Collapse)


def top_load(motion: Cycling, begin: int, end: int) -> float:
    """Return the largest load commanded in frames [begin, end) [N]."""
    if motion.steady(begin):
        return motion.mean + motion.amplitude
    mean, amplitude = motion.levels(np.array([begin, max(begin, end - 1)]))
    return float(np.max(mean + amplitude))


def closed(state: RigState, load: float, net: float, stroke: float, rate: float) -> RigState:
    """Return the state with the valve closed at its frame; the load leaks away in 50 ms."""
    motion = Closed(state.frame, load, net, stroke, 0.008 * rate)
    return replace(state, motion=motion, valve_open=False, collapse_at=NEVER)


def stopping(state: RigState, motion: Cycling, why: str, unload: bool = False) -> RigState:
    """Return the state in which cycling ends by itself: over 2 s and at least 4 cycles."""
    falling = math.ceil(max(2 * motion.rate, 4 * motion.rate / motion.frequency))
    ending = replace(motion, fall=state.frame, falling=falling)
    return replace(state, motion=ending, stop_count=NEVER, stopped_by=why, unload=unload)


def unloading(state: RigState, load: float, rate: float) -> RigState:
    """Return the state in which a ramp gives way to the controller's own unloading over 10 s."""
    motion = Ramp("load", state.frame, state.frame + round(10 * rate), load, 0.0)
    return replace(state, motion=motion, stopped_by="watchdog", collapse_at=NEVER)

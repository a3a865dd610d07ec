"""The simulated beam: load over deflection, and how cycles and water wear it.

Piecewise linear, so that every signal is a closed form. All constants named here are invented
for the demonstration; only the shapes follow the literature: bilinear response of a cracked
prestressed beam about its decompression load, three stages of softening, faster when wet.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from rig.samples import FloatArray
from simulators.setup import SimulationSetup, SpecimenTruth

LIFE_SLOPE: Final = 15.0  # decades of life per unit of load level
CRACK_PLATEAU: Final = 1.002  # load at the end of cracking over cracking load
CRACK_RESIDUAL: Final = 0.02  # residual deflection of cracking over deflection at cracking
EARLY_LOSS: Final = 0.03  # first stage of softening: flexibility gained
EARLY_LIFE: Final = 0.02  # share of life in which it is gained
STEADY_LOSS: Final = 0.10  # second stage, over the whole life
LATE_BEGIN: Final = 0.85  # share of life at which the third stage begins
LATE_LOSS: Final = 0.90  # flexibility gained in it
BEDDING_CYCLES: Final = 150.0  # cycles in which 63 % of the bedding is consumed
BEDDING_LOAD: Final = 0.03  # load that closes the bedding, over cracking load
SUPPORT_STIFFNESS: Final = 12.0  # supports, over uncracked beam
FRAME_STIFFNESS: Final = 6.0  # frame, over uncracked beam
CREEP_TIME: Final = 600.0  # s
WETTING_TIME: Final = 30.0  # s for a crack to fill
DRYING_TIME: Final = 1200.0  # s for a crack to dry
BROKEN_LOAD: Final = 0.2  # load a broken specimen carries, over upper or ultimate load


@dataclass(frozen=True, slots=True)
class SpecimenState:
    """What a specimen remembers.

    Largest deflection it was bent to [m], share of life used, cycles, seconds of cycling, and
    the deflection at which it broke [m] (negative: whole). `age` are the cycles over the whole
    range, of a recorded specimen alone.
    """

    peak: float = 0.0
    used: float = 0.0
    cycles: float = 0.0
    seconds: float = 0.0
    broken_at: float = -1.0
    broken_load: float = 0.0
    age: float = 0.0


@dataclass(frozen=True, slots=True)
class Curve:
    """The response at its kinks.

    Load [N], net deflection, bent deflection (without wear and creep), support movement and
    stroke [m]; `rising` kinks lie before the first fall of load.
    """

    load: FloatArray
    net: FloatArray
    bent: FloatArray
    support: FloatArray
    stroke: FloatArray
    rising: int

    @property
    def strongest(self) -> float:
        """The largest load it can take [N]."""
        return float(self.load[self.rising - 1])

    def at_load(self, load: FloatArray, column: FloatArray) -> FloatArray:
        """Return a column at loads, on the rising part."""
        end = self.rising
        return np.interp(load, self.load[:end], column[:end])


def flexibility_gain(used: float) -> float:
    """Return flexibility over flexibility when new, for a share of life used."""
    late = max(0.0, (used - LATE_BEGIN) / (1 - LATE_BEGIN))
    early = EARLY_LOSS * (1 - math.exp(-used / EARLY_LIFE))
    return 1 + early + STEADY_LOSS * used + LATE_LOSS * late**3


def flexibility_rate(used: float) -> float:
    """Return the derivative of `flexibility_gain` by the share of life used."""
    late = max(0.0, (used - LATE_BEGIN) / (1 - LATE_BEGIN))
    early = EARLY_LOSS / EARLY_LIFE * math.exp(-used / EARLY_LIFE)
    return early + STEADY_LOSS + 3 * LATE_LOSS * late**2 / (1 - LATE_BEGIN)


def median_life(setup: SimulationSetup, level: float) -> float:
    """Return the median life in dry cycles at a load level."""
    slope: float = 10 ** (LIFE_SLOPE * (0.70 - level))
    return setup.life_dry * setup.life_scale * slope


def life_factor(setup: SimulationSetup, seed: int) -> float:
    """Return this specimen's life over the median one, log-normal from the seed."""
    source = np.random.SeedSequence(seed, spawn_key=(1 << 20,))
    draw = np.random.Generator(np.random.SFC64(source)).standard_normal()
    factor: float = 10 ** (setup.scatter * float(draw))
    return factor


class Beam:
    """The curves of one specimen in its supports and frame."""

    def __init__(
        self,
        truth: SpecimenTruth,
        ending: Literal["gradual", "brittle"],
        bedding: float,
        creep: float,
        upper: float,
    ) -> None:
        self._truth = truth
        self._bedding = bedding
        reference = upper or truth.cracking_load
        self._creep = creep * reference / truth.stiffness
        self.support_stiffness = SUPPORT_STIFFNESS * truth.stiffness
        self.frame_stiffness = FRAME_STIFFNESS * truth.stiffness
        self.left_over = BROKEN_LOAD * (upper or truth.ultimate_load)
        self._envelope = _envelope(truth, ending)
        self._last: tuple[float, tuple[FloatArray, FloatArray, FloatArray]] | None = None
        self.cracked_from = truth.cracking_load / truth.stiffness
        self.offset = 0.0  # of its sensors at rest [m]

    def curve(self, state: SpecimenState, gap: float) -> Curve:
        """Return the response from a state; contact begins at stroke `gap` [m]."""
        if state.broken_at >= 0:
            load, bent = broken_kinks(state, self._truth.span)
            elastic = np.zeros(len(load))
        else:
            load, bent, elastic = self._bent_to(state.peak)
        creep = self._creep * math.log10(1 + state.seconds / CREEP_TIME)
        net = bent + (flexibility_gain(state.used) - 1) * elastic + creep
        net = increasing(net)
        left = math.exp(-state.cycles / BEDDING_CYCLES) * self._bedding
        closed = np.minimum(load / (BEDDING_LOAD * self._truth.cracking_load), 1.0)
        support = load / self.support_stiffness + (self._bedding - left) + left * closed
        stroke = increasing(gap + net + support + load / self.frame_stiffness)
        falls = np.flatnonzero(np.diff(load) <= 0)
        rising = int(falls[0]) + 1 if len(falls) else len(load)
        return Curve(load, net, bent, support, stroke, rising)

    def strength(self, state: SpecimenState) -> float:
        """Return the largest load the specimen can take from a state [N]."""
        if state.broken_at >= 0:
            return state.broken_load
        env_bent, env_load = self._envelope
        if state.peak < env_bent[4]:
            return self._truth.ultimate_load
        return float(np.interp(state.peak, env_bent, env_load))

    def bent_at(self, load: float, state: SpecimenState) -> float:
        """Return the deflection [m] at which the first loading reaches a load, or the peak."""
        env_bent, env_load = self._envelope
        return max(state.peak, float(np.interp(load, env_load[:5], env_bent[:5])))

    def _bent_to(self, peak: float) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return the kinks after a peak; in steady cycling the peak stays for long."""
        if self._last is None or self._last[0] != peak:
            self._last = (peak, self._whole(peak))
        return self._last[1]

    def _whole(self, peak: float) -> tuple[FloatArray, FloatArray, FloatArray]:
        t = self._truth
        env_bent, env_load = self._envelope
        top = float(np.interp(peak, env_bent, env_load))
        bedded = BEDDING_LOAD * t.cracking_load
        later = env_bent > peak
        kinks = [0.0, min(bedded, t.decompression_load or bedded)]
        soft, residual = 1 / t.stiffness, 0.0
        if peak > self.cracked_from:
            soft, residual = self._cracked(peak, top)
            kinks += [bedded, t.decompression_load]
        kinks += [bedded, top]
        low = np.array(sorted({k for k in kinks if k <= top}))
        load = np.concatenate([low, env_load[later]])
        stiff = np.minimum(load, t.decompression_load) / t.stiffness
        elastic = stiff + np.maximum(load - t.decompression_load, 0.0) * soft
        bent = np.concatenate([residual + elastic[: len(low)], env_bent[later]])
        if len(low) > 1:
            bent[len(low) - 1] = max(peak, bent[len(low) - 2])
        return load, increasing(bent), elastic

    def _cracked(self, peak: float, top: float) -> tuple[float, float]:
        """Return flexibility above decompression [m/N] and residual [m] after a peak."""
        t = self._truth
        end = float(self._envelope[0][2])
        below = t.decompression_load / t.stiffness
        if peak < end:
            part = (peak - self.cracked_from) / (end - self.cracked_from)
            residual = part * CRACK_RESIDUAL * self.cracked_from
            return (peak - residual - below) / (top - t.decompression_load), residual
        soft = 1 / t.cracked_stiffness
        return soft, peak - below - max(top - t.decompression_load, 0.0) * soft


def broken_kinks(state: SpecimenState, span: float) -> tuple[FloatArray, FloatArray]:
    """Return load [N] and net deflection [m] at the kinks of a broken specimen."""
    load = np.array([0.0, state.broken_load, 1.001 * state.broken_load])
    at = state.broken_at
    return load, np.array([0.5 * at, at, at + span])


def _envelope(
    t: SpecimenTruth, ending: Literal["gradual", "brittle"]
) -> tuple[FloatArray, FloatArray]:
    """Return the first loading: origin, cracking, its end, yield, ultimate, plateau, fall."""
    cracking = t.cracking_load / t.stiffness
    below = t.decompression_load / t.stiffness
    residual = CRACK_RESIDUAL * cracking

    def on_line(load: float) -> float:
        return below + (load - t.decompression_load) / t.cracked_stiffness + residual

    end = t.cracking_load * CRACK_PLATEAU
    ultimate = max(t.ultimate_deflection, 1.05 * on_line(t.ultimate_load))
    fall = 1e-5 if ending == "brittle" else 4e-3
    last = 1.15 * ultimate
    bent = [0.0, cracking, on_line(end), on_line(t.yield_load), ultimate, last, last + fall]
    load = [0.0, t.cracking_load, end, t.yield_load, t.ultimate_load, t.ultimate_load]
    load.append(0.3 * t.ultimate_load)
    return np.array([*bent, last + fall + t.span]), np.array([*load, load[-1]])


def increasing(values: FloatArray) -> FloatArray:
    """Return values that rise at every step, where need be by a hair."""
    hair = 1e-12 * np.arange(len(values))
    rising: FloatArray = np.maximum.accumulate(values) + hair
    return rising

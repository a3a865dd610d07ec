"""The simulated beam: load over deflection, when new, cracked, worn and broken.

Piecewise linear, so that every signal is a closed form. All constants named here are invented
for the demonstration; only the shapes follow the literature: bilinear response of a cracked
prestressed beam about its decompression load. How it wears is told by `wear`.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from rig.samples import FloatArray
from simulators.setup import SpecimenTruth
from simulators.wear import SpecimenState, Wear

CRACK_PLATEAU: Final = 1.002  # load at the end of cracking over cracking load
CRACK_RESIDUAL: Final = 0.02  # residual deflection of cracking over deflection at cracking
BEDDING_CYCLES: Final = 150.0  # cycles in which 63 % of the bedding is consumed
BEDDING_LOAD: Final = 0.03  # load that closes the bedding, over cracking load
SUPPORT_STIFFNESS: Final = 12.0  # supports, over uncracked beam
FRAME_STIFFNESS: Final = 6.0  # frame, over uncracked beam
CREEP_TIME: Final = 600.0  # s
WETTING_TIME: Final = 30.0  # s for a crack to fill
DRYING_TIME: Final = 1200.0  # s for a crack to dry
LEFT_OPEN: Final = 0.03  # of a crack's opening, and of what wear adds to sag: left without load
BROKEN_LOAD: Final = 0.2  # load a broken specimen carries, over upper or ultimate load


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


class Beam:
    """The curves of one specimen in its supports and frame."""

    def __init__(
        self,
        truth: SpecimenTruth,
        ending: Literal["gradual", "brittle"],
        bedding: float,
        creep: float,
        upper: float,
        wear: Wear | None = None,
    ) -> None:
        self._truth = truth
        self._wear = wear
        self._bedding = bedding
        reference = upper or truth.cracking_load
        self._creep = creep * reference / truth.stiffness
        self.support_stiffness = SUPPORT_STIFFNESS * truth.stiffness
        self.frame_stiffness = FRAME_STIFFNESS * truth.stiffness
        self.left_over = BROKEN_LOAD * (upper or truth.ultimate_load)
        self._envelope = _envelope(truth, ending)
        self._soft: tuple[tuple[float, float, float], float] | None = None
        self._borne: tuple[float, tuple[FloatArray, FloatArray]] | None = None
        self._last: tuple[tuple[float, float], tuple[FloatArray, FloatArray, FloatArray]] | None = (
            None
        )
        self.cracked_from = truth.cracking_load / truth.stiffness
        self.offset = 0.0  # of its sensors at rest [m]

    def curve(self, state: SpecimenState, gap: float) -> Curve:
        """Return the response from a state; contact begins at stroke `gap` [m]."""
        if state.broken_at >= 0:
            load, bent = broken_kinks(state, self._truth.span)
            more = np.zeros(len(load))
        else:
            load, bent, more = self._worn(state)
        creep = self._creep * math.log10(1 + state.seconds / CREEP_TIME)
        net = increasing(bent + more + creep)
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
        most = self._left(state)
        if state.peak < self._envelope[0][4]:
            return most
        return float(np.interp(state.peak, *self._bearing(most)))

    def flexibility(self, state: SpecimenState) -> float:
        """Return flexibility under the upper load over flexibility when new."""
        if self._wear is None:
            return 1.0
        worn = (state.debonded, state.crushed, state.torn)
        if self._soft is None or self._soft[0] != worn:
            self._soft = (worn, self._wear.gain(state) * self._wear.place(state).sag)
        return self._soft[1]

    def bent_at(self, load: float, state: SpecimenState) -> float:
        """Return the deflection [m] at which the first loading reaches a load, or the peak."""
        env_bent, env_load = self._envelope
        return max(state.peak, float(np.interp(load, env_load[:5], env_bent[:5])))

    def _left(self, state: SpecimenState) -> float:
        """Return the load [N] that wear has left of the strength."""
        left = 1.0 if self._wear is None else self._wear.strength(state)
        return left * self._truth.ultimate_load

    def _bearing(self, most: float) -> tuple[FloatArray, FloatArray]:
        """Return the kinks of a first loading [m, N] that bears so much at most.

        The last ones are kept: a stretch asks for them more than once.
        """
        if most >= self._truth.ultimate_load:
            return self._envelope
        if self._borne is None or self._borne[0] != most:
            self._borne = (most, self._weaker(most))
        return self._borne[1]

    def _weaker(self, most: float) -> tuple[FloatArray, FloatArray]:
        bent, load = (column.tolist() for column in self._envelope)
        fallen = [x / self._truth.ultimate_load * most for x in load[-2:]]
        index = bisect_right(load, most, hi=6)
        at = float(np.interp(most, load[:5], bent[:5]))
        lower = [*(min(x, most) for x in load[:-2]), *fallen]
        bents, loads = [*bent[:index], at, *bent[index:]], [*lower[:index], most, *lower[index:]]
        return np.array(bents), np.array(loads)

    def _worn(self, state: SpecimenState) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return load and deflection at the kinks, and what wear adds to the deflection [m]."""
        wear, t = self._wear, self._truth
        if wear is None:
            load, bent, _ = self._bent_to(state.peak, t.ultimate_load)
            return load, bent, np.zeros(len(load))
        gain, reach = wear.gain(state), wear.tables.upper
        # One that bears its upper load no more gives way as a whole, near the top of a cycle.
        place = wear.standing(state, reach / t.ultimate_load)
        closed, most = t.decompression_load, max(self._left(state), reach)
        opens = closed * place.prestress
        load, bent, elastic = self._bent_to(state.peak, min(most, t.ultimate_load))
        if place.prestress < 1:
            load, bent, elastic = with_kink(opens, load, bent, elastic)
        if state.peak <= self.cracked_from or reach <= closed or place.sag <= 1:
            return load, bent, (gain - 1) * elastic
        # Sag at the upper load as the tables say; where it opens follows from the prestress left.
        soft = 1 / t.cracked_stiffness
        sag = closed / t.stiffness + (reach - closed) * soft
        softer = (place.sag * sag - opens / t.stiffness) / (reach - opens)
        now = np.minimum(load, opens) / t.stiffness + np.maximum(load - opens, 0.0) * softer
        was = np.minimum(load, closed) / t.stiffness + np.maximum(load - closed, 0.0) * soft
        open_ = LEFT_OPEN * (place.sag - 1) * sag
        return load, bent, (gain - 1) * elastic + gain * (now - was) + open_

    def _bent_to(self, peak: float, most: float) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return the kinks after a peak; in steady cycling it stays for long, and so does `most`.

        `most` is the load [N] that is borne at most.
        """
        if self._last is None or self._last[0] != (peak, most):
            self._last = ((peak, most), self._whole(peak, *self._bearing(most)))
        return self._last[1]

    def _whole(
        self, peak: float, env_bent: FloatArray, env_load: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        t = self._truth
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


def with_kink(kink: float, load: FloatArray, *columns: FloatArray) -> list[FloatArray]:
    """Return loads with one more of them [N] in their rising part, and columns between them."""
    found = [load, *columns]
    index = int(np.argmax(load >= kink))
    if not index or load[index] == kink:
        return found
    share = (kink - load[index - 1]) / (load[index] - load[index - 1])
    return [np.insert(c, index, c[index - 1] + share * (c[index] - c[index - 1])) for c in found]


def broken_kinks(state: SpecimenState, span: float) -> tuple[FloatArray, FloatArray]:
    """Return load [N] and net deflection [m] at the kinks of a broken specimen."""
    load = np.array([0.0, state.broken_load, 1.001 * state.broken_load])
    at = state.broken_at
    return load, np.array([0.5 * at, at, at + span])


def on_line(t: SpecimenTruth, load: float) -> float:
    """Return the deflection [m] of a first loading at a load [N] between cracking and yield."""
    residual = CRACK_RESIDUAL * (t.cracking_load / t.stiffness)
    below = t.decompression_load / t.stiffness
    return below + (load - t.decompression_load) / t.cracked_stiffness + residual


def _envelope(
    t: SpecimenTruth, ending: Literal["gradual", "brittle"]
) -> tuple[FloatArray, FloatArray]:
    """Return the first loading: origin, cracking, its end, yield, ultimate, plateau, fall."""
    cracking = t.cracking_load / t.stiffness
    end = t.cracking_load * CRACK_PLATEAU
    ultimate = max(t.ultimate_deflection, 1.05 * on_line(t, t.ultimate_load))
    fall = 1e-5 if ending == "brittle" else 4e-3
    last = 1.15 * ultimate
    cracked, yielding = on_line(t, end), on_line(t, t.yield_load)
    bent = [0.0, cracking, cracked, yielding, ultimate, last, last + fall]
    load = [0.0, t.cracking_load, end, t.yield_load, t.ultimate_load, t.ultimate_load]
    load.append(0.3 * t.ultimate_load)
    return np.array([*bent, last + fall + t.span]), np.array([*load, load[-1]])


def increasing(values: FloatArray) -> FloatArray:
    """Return values that rise at every step, where need be by a hair."""
    hair = 1e-12 * np.arange(len(values))
    rising: FloatArray = np.maximum.accumulate(values) + hair
    return rising

"""Rows of a beam in its frame, made by hand: what each channel shows follows from one load."""

import numpy as np

from rig.criteria.agreement import AgreementSetup, Witness
from rig.criteria.findings import CriteriaSetup
from rig.samples import Cycles

UPPER, LOWER = 92e3, 9e3
NET = 700e-6
"""Range of net deflection of the sound specimen [m]; invented, as all figures here."""
RANGES = {"support_left": 50e-6, "support_right": 47e-6, "frame": 110e-6, "crack_opening": 60e-6}
NOISE = 0.3e-6
ENDS = {"stroke": 60e-3, "load_2": 260e3}
CHANNELS = ("midspan", "support_left", "support_right", "stroke", "crack_opening", "load_2")
LAST = 300
"""Last cycle of the baseline, which begins with the first."""


def armed(channels=CHANNELS, **changes) -> CriteriaSetup:
    """Return criteria that ask these channels."""
    witnesses = tuple(
        Witness(
            c,
            150.0 if c == "load_2" else 1.5e-6,
            -ENDS.get(c, 20e-3),
            ENDS.get(c, 20e-3),
        )
        for c in channels
    )
    plain = {
        "baseline_first": 1,
        "baseline_last": LAST,
        "loss_warn": 0.20,
        "loss_stop": 0.40,
        "loss_confirm": 50,
        "step_pause": 0.05,
        "residual_warn": 0.5,
        "short_stop": 0.05,
    }
    agreement = AgreementSetup(witnesses, 1, LAST)
    return CriteriaSetup(UPPER, LOWER, **(plain | changes), agreement=agreement)


class Beam:
    """What is true of each cycle; `rows` is what the channels show of it.

    `soft` is how much further than when sound it bends, `gain` the true load over the one that is
    read, `follows` how far the load points go with mid-span. Columns are changed by `add` and
    `scale`, which channels show in cycles from `begin` on.
    """

    def __init__(self, n, *, soft=1.0, gain=1.0, follows=1.0, frame=1.0, creep=0.0, seed=1):
        self.n = n
        self.soft = np.broadcast_to(np.asarray(soft, float), n)
        self.gain = np.broadcast_to(np.asarray(gain, float), n)
        self.creep = np.broadcast_to(np.asarray(creep, float), n)
        rng = np.random.default_rng(seed)
        net = NET * self.soft * self.gain
        left, right = (RANGES[c] * self.gain for c in ("support_left", "support_right"))
        middle = net + (left + right) / 2
        grown = NET * self.gain * (self.soft - 1)
        rod = NET * self.gain + follows * grown + (left + right) / 2
        rod = rod + RANGES["frame"] * frame * self.gain
        crack = RANGES["crack_opening"] * self.soft * self.gain
        read = np.full(n, UPPER - LOWER)
        spans = {
            "load": read,
            "deflection": net,
            "midspan": middle,
            "support_left": left,
            "support_right": right,
            "stroke": rod,
            "crack_opening": crack,
            "load_2": read * self.gain,
        }
        self.noise = {}
        self.low, self.high = {}, {}
        for name, span in spans.items():
            low = np.full(n, LOWER) if name.startswith("load") else 0.1 * span
            if name in ("deflection", "midspan", "stroke"):
                low = low + self.creep
            size = 40.0 if name.startswith("load") else NOISE
            self.low[name] = low + size * rng.standard_normal(n)
            self.high[name] = low + span + size * rng.standard_normal(n)
        self.flags = np.zeros(n, np.uint16)
        self.air = None

    def show(self, name, begin, *, by=0.0, factor=1.0, end=None):
        """Let a channel show what is not so; net deflection is what its channels make of it."""
        here = slice(begin, end)
        for column in (self.low, self.high):
            was = column[name].copy()
            column[name][here] = factor * was[here] + by
            share = {"midspan": 1.0, "support_left": -0.5, "support_right": -0.5}.get(name, 0.0)
            column["deflection"] += share * (column[name] - was)
        for turned in (name, "deflection"):  # where the sign is wrong the largest is the smallest
            ends = self.low[turned], self.high[turned]
            self.low[turned], self.high[turned] = np.minimum(*ends), np.maximum(*ends)
        return self

    def rows(self, channels=CHANNELS) -> Cycles:
        """Return the rows with the columns of these channels."""
        number = np.arange(1, self.n + 1, dtype=np.int64)
        columns = {"number": number, "time": number / 5.0, "flags": self.flags}
        columns["frequency"] = np.full(self.n, 5.0, np.float32)
        for name in ("load", "deflection", *channels):
            columns[f"{name}_max"] = self.high[name].astype(np.float32)
            columns[f"{name}_min"] = self.low[name].astype(np.float32)
        load = self.high["load"] - self.low["load"]
        stiffness = load / (self.high["deflection"] - self.low["deflection"])
        columns["stiffness"] = stiffness.astype(np.float32)
        if self.air is not None:
            columns["temperature_air"] = self.air
        end = number * 200
        return Cycles(columns, end - 200, end, end + 2)

"""A small set of sampled channels, exact signals on them, and extraction in blocks."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from rig.acquire.deflection import net_deflection
from rig.acquire.extract import ExtractionSetup, ExtractionState, begin, extract
from rig.channels import Channel
from rig.samples import Cycles, SampleArray, SampleBlock

RATE = 1000.0
CHANNELS = (
    Channel("load", "N", 0.5, -50_000.0, 50_000.0),
    Channel("midspan", "m", 1e-8, -0.01, 0.01),
    Channel("support_left", "m", 1e-8, -0.01, 0.01),
)
NAMES = tuple(c.name for c in CHANNELS)
SETUP = ExtractionSetup(CHANNELS, RATE)


@dataclass(frozen=True, slots=True)
class Sine:
    """Load 12 kN about 8 kN, net deflection 0.4 mm about 0.3 mm behind it by `lag` [rad]."""

    spc: float
    cycles: float
    noise: float = 0.0
    lag: float = 0.05
    phase: float = -2.0
    seed: int = 1
    mean: float = 8_000.0
    range_: float = 12_000.0
    deflection_mean: float = 3e-4
    deflection_range: float = 4e-4

    @property
    def angle(self) -> np.ndarray:
        return self.phase + 2 * np.pi * np.arange(int(self.spc * self.cycles)) / self.spc

    def values(self) -> SampleArray:
        """Samples of load, midspan and support_left; noise as a share of the range."""
        rng = np.random.default_rng(self.seed)
        angle = self.angle
        load = self.mean + self.range_ / 2 * np.sin(angle)
        net = self.deflection_mean + self.deflection_range / 2 * np.sin(angle - self.lag)
        support = 2e-5 + 1e-5 * np.sin(angle)
        load = load + self.noise * self.range_ * rng.standard_normal(len(angle))
        net = net + self.noise * self.deflection_range * rng.standard_normal(len(angle))
        return np.stack((load, net + support, support)).astype(np.float32)


def start(sine: Sine | None = None) -> ExtractionState:
    s = sine or Sine(200, 1)
    return begin(s.mean, s.range_, 0)


def block_of(values: SampleArray, first: int = 0) -> SampleBlock:
    return SampleBlock(first, RATE, NAMES, values)


def in_blocks(
    values: SampleArray,
    cuts: list[int],
    state: ExtractionState,
    setup: ExtractionSetup = SETUP,
) -> tuple[ExtractionState, Cycles]:
    """Extract with blocks that end at the cuts."""
    edges = [0, *sorted({c for c in cuts if 0 < c < values.shape[1]}), values.shape[1]]
    parts = []
    for a, b in pairwise(edges):
        block = block_of(values[:, a:b], a)
        state, rows = extract(setup, state, block, net_deflection(block))
        parts.append(rows)
    return state, joined(parts)


def joined(parts: list[Cycles]) -> Cycles:
    return Cycles(
        {n: np.concatenate([p[n] for p in parts]) for n in parts[0].columns},
        np.concatenate([p.begin for p in parts]),
        np.concatenate([p.end for p in parts]),
        np.concatenate([p.known for p in parts]),
    )


def bits(rows: Cycles) -> dict[str, bytes]:
    """Every column as bytes: equal only where equal bit for bit."""
    frames = {"begin": rows.begin, "end": rows.end, "known": rows.known}
    return {n: c.tobytes() for n, c in (rows.columns | frames).items()}

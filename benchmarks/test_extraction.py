"""Cycle extraction, all columns of three channels, beside find_peaks on one channel of it.

`find_peaks` is timed on the load in three ways: bare, where 0.5 % noise makes every ninth sample
a peak; with a prominence of half the range, which finds the one peak a cycle; and with a height
and a distance, which finds it too, the quickest way, if range and frequency are known before.
`times_peer` is the speed beside the last of these, frame by frame.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
import pytest
from pytest_benchmark.fixture import BenchmarkFixture
from scipy.signal import find_peaks

from rig.acquire.deflection import net_deflection
from rig.acquire.extract import ExtractionSetup, begin, extract
from rig.channels import Channel
from rig.samples import SampleArray, SampleBlock

RATE, SAMPLES_A_CYCLE, FRAMES = 1000.0, 200.3, 1_000_000
CHANNELS = (
    Channel("load", "N", 0.5, -50_000.0, 50_000.0),
    Channel("midspan", "m", 1e-7, -0.01, 0.01),
    Channel("support_left", "m", 1e-7, -0.01, 0.01),
)
NAMES = tuple(c.name for c in CHANNELS)


def signals() -> SampleArray:
    rng = np.random.default_rng(1)
    wave = np.sin(2 * np.pi * np.arange(FRAMES) / SAMPLES_A_CYCLE - 2)
    rows = ((8e3, 6e3), (3e-4, 2e-4), (2e-5, 1e-5))
    return np.stack([m + a * (wave + 0.01 * rng.standard_normal(FRAMES)) for m, a in rows]).astype(
        np.float32
    )


def best(work: Callable[[], object], times: int) -> float:
    """Return the shortest time of a piece of work [s]."""
    took = []
    for _ in range(times):
        begun = time.perf_counter()
        work()
        took.append(time.perf_counter() - begun)
    return min(took)


@pytest.mark.parametrize("block", [30_000, 100_000])
def test_extraction_beside_find_peaks(benchmark: BenchmarkFixture, block: int) -> None:
    values = signals()
    setup = ExtractionSetup(CHANNELS, RATE)
    blocks = [
        SampleBlock(at, RATE, NAMES, np.ascontiguousarray(values[:, at : at + block]))
        for at in range(0, FRAMES, block)
    ]
    net = [net_deflection(b) for b in blocks]

    def work() -> int:
        state, cycles = begin(8e3, 12e3, 0), 0
        for one, deflection in zip(blocks, net, strict=True):
            state, rows = extract(setup, state, one, deflection)
            cycles += len(rows)
        return cycles

    cycles = benchmark.pedantic(work, rounds=7, warmup_rounds=1)
    assert abs(cycles - FRAMES / SAMPLES_A_CYCLE) < 2
    ours = benchmark.stats.stats.min
    bare = best(lambda: find_peaks(values[0]), 7)
    one_a_cycle = best(lambda: find_peaks(values[0], prominence=6e3), 3)
    known = {"height": 11e3, "distance": 0.6 * SAMPLES_A_CYCLE}
    assert abs(len(find_peaks(values[0], **known)[0]) - cycles) < 2
    quickest = best(lambda: find_peaks(values[0], **known), 7)
    figures = {
        "ns_a_frame": 1e9 * ours / FRAMES,
        "ns_a_channel_sample": 1e9 * ours / FRAMES / len(CHANNELS),
        "times_peer": quickest / ours,
        "times_peer_by_channel_sample": len(CHANNELS) * quickest / ours,
        "speed_beside_find_peaks_one_a_cycle": one_a_cycle / ours,
        "speed_beside_find_peaks_bare": bare / ours,
        "speed_beside_find_peaks_bare_by_channel_sample": len(CHANNELS) * bare / ours,
    }
    benchmark.extra_info.update(figures, block=block)
    print(f"\nextraction, blocks of {block}:", *(f"{k} {v:.2f}" for k, v in figures.items()))

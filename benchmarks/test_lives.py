"""2000 bootstrap fits and a 10,000-series power table beside loops over lifelines.

The loop runs in .venv-oracles, the environment that has lifelines, over a tenth of the sets, and is
scaled to all of them. Bootstrap sets are resampled from 20 lives of which 10 ran out (NIST/SEMATECH
e-Handbook, 8.4.1.3); the power table has 12 rows of 10,000 series of 4 against 4 lives, invented.
"""

from __future__ import annotations

import json
import subprocess
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from rig.lives.many_fits import lognormal_many, weibull_many
from rig.lives.many_logranks import LogRanks
from rig.lives.power import LifeDesign, draw_lives

HERE = Path(__file__).resolve().parent
PEER = HERE.parent / ".venv-oracles" / "bin" / "python"
FAILURES = (54, 187, 216, 240, 244, 335, 361, 373, 375, 386)
LIVES = np.array([*FAILURES, *[500] * 10], dtype=float)
FAILED = np.arange(20) < 10
SETS, SERIES, ROWS, TENTH = 2000, 10_000, 12, 10
MUST = 20.0


def resampled() -> tuple[np.ndarray, np.ndarray]:
    """Return lives and failures (SETS, 20), each set with two failures or more."""
    rng = np.random.default_rng(1)
    chosen = rng.integers(0, 20, (SETS, 20))
    return LIVES[chosen], FAILED[chosen]


def designs() -> list[LifeDesign]:
    """Return the rows of the power table."""
    return [
        LifeDesign(4, 4, run_out, 2e5, ratio, scatter)
        for run_out in (1e6, 2e6)
        for ratio in (2.0, 3.0, 5.0)
        for scatter in (0.4, 0.6)
    ]


def power_table() -> list[float]:
    """Return the power of each row, two-sided at 5 %, arrangements made anew."""
    tests = LogRanks(4, 4)
    shares = []
    for design in designs():
        judged = tests.judge(draw_lives(design, SERIES, 1), design.run_out)
        shares.append(float((judged.p_two_sided <= 0.05).mean()))
    return shares


@pytest.fixture(scope="module")
def peer(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """Return what loops over lifelines took for a tenth, and their results."""
    if not PEER.exists():
        pytest.skip("no .venv-oracles: python3 bootstrap.py oracles makes it")
    folder = tmp_path_factory.mktemp("peer")
    cycles, failed = resampled()
    np.save(folder / "cycles.npy", cycles[: SETS // TENTH])
    np.save(folder / "failed.npy", failed[: SETS // TENTH])
    np.save(folder / "lives.npy", draw_lives(designs()[0], SERIES // TENTH, 1))
    np.save(folder / "run_out.npy", designs()[0].run_out)
    command = [str(PEER), "-P", str(HERE / "lives_peer.py"), str(folder)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    told: dict[str, Any] = json.loads(done.stdout)
    return told


def seconds(action: Any) -> tuple[float, Any]:
    begun = time.perf_counter()
    result = action()
    return time.perf_counter() - begun, result


@pytest.mark.parametrize("law", ["weibull", "lognormal"])
def test_bootstrap_fits_beside_a_loop_over_lifelines(
    benchmark: BenchmarkFixture, peer: dict[str, Any], law: str
) -> None:
    cycles, failed = resampled()
    fit = {"weibull": weibull_many, "lognormal": lognormal_many}[law]
    benchmark.pedantic(fit, (cycles, failed), rounds=5, warmup_rounds=1)
    found: Any = fit(cycles, failed)
    both = (found.shape, found.scale) if law == "weibull" else (found.mu, found.sigma)
    ours = np.stack(both, axis=1)[: SETS // TENTH]
    apart = float(np.max(np.abs(ours / np.array(peer[law]) - 1.0)))
    assert apart < 1e-3  # lifelines stops where its own search is content
    told(benchmark, TENTH * peer[f"{law}_s"], fits=SETS, apart=apart)


def test_a_power_table_beside_a_loop_over_lifelines(
    benchmark: BenchmarkFixture, peer: dict[str, Any]
) -> None:
    benchmark.pedantic(power_table, rounds=5, warmup_rounds=1)
    power = power_table()[0]
    # Its p is that of the normal limit, which finds more than there is in so few lives.
    assert peer["power"] - 0.25 < power < peer["power"]
    told(
        benchmark,
        ROWS * TENTH * peer["power_s"],
        rows=ROWS,
        series=SERIES,
        power=power,
        peer_power=peer["power"],
    )


def told(benchmark: BenchmarkFixture, theirs: float, **figures: float) -> None:
    """Keep and print how much faster ours is; it must be 20 times."""
    ours = benchmark.stats.stats.median if benchmark.stats else None
    if ours is None:  # run as a test, without measuring
        return
    ratio = theirs / ours
    kept = {"s": ours, "peer_s": theirs, "times_faster": ratio, **figures}
    benchmark.extra_info.update(kept)
    print(f"\n{benchmark.name}:", *(f"{key} {value:.4g}" for key, value in kept.items()))
    assert ratio >= MUST

"""Two published tables of fatigue lives, kept as series files, are what was published.

Laminate panels: Shimokawa and Hamaguchi (1987), in Pascual and Meeker, Technometrics 41 (1999) 277.
Plain concrete: Castillo and Hadi, Journal of the American Statistical Association 90 (1995) 1041.
The means and deviations below were computed from the tables by numpy and scipy alone.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from rig.protocol.load import load_series
from rig.protocol.series import Series

FOLDER = Path(__file__).parents[1] / "data" / "series"


def published(name: str) -> Series:
    return load_series(str(FOLDER / name), lambda path: Path(path).read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def panels() -> Series:
    return published("laminate-panels.toml")


@pytest.fixture(scope="module")
def concrete() -> Series:
    return published("plain-concrete.toml")


def lives(series: Series, level: float) -> tuple[np.ndarray, np.ndarray]:
    """Return cycles and whether each failed, of one level."""
    found = [life for life in series.lives if abs(life.level - level) < 1e-9]
    return (
        np.array([life.cycles for life in found]),
        np.array([life.outcome == "failure" for life in found]),
    )


@pytest.mark.parametrize(
    ("stress", "mu", "sigma", "run_outs"),
    [
        (380, 4.213657, 0.333113, 0),
        (340, 5.618408, 0.471774, 0),
        (300, 7.518277, 0.398792, 0),
        (280, 9.034276, 0.634711, 2),
        (270, 9.689799, 0.584837, 8),
    ],
)
def test_the_panels_are_those_of_the_table(panels, stress, mu, sigma, run_outs):
    """`mu` and `sigma`: lognormal fit with run-outs, natural logarithm of kilocycles."""
    from scipy.stats import CensoredData, norm

    cycles, failed = lives(panels, stress / 1000)
    assert len(cycles) == 25
    assert np.count_nonzero(~failed) == run_outs
    logs = np.log(cycles / 1e3)
    fitted = norm.fit(CensoredData(uncensored=logs[failed], right=logs[~failed]))
    assert fitted == pytest.approx((mu, sigma), abs=2e-5 if run_outs else 1e-6)


@pytest.mark.parametrize(
    ("level", "mean", "deviation"),
    [
        (0.95, 2.05166, 0.22745),
        (0.90, 2.56597, 0.20820),
        (0.825, 3.44162, 0.22485),
        (0.75, 4.34508, 0.27382),
        (0.675, 6.01976, 0.56421),
    ],
)
def test_the_concrete_is_that_of_the_table(concrete, level, mean, deviation):
    """Mean and sample deviation of log10 of cycles, all taken as failures."""
    logs = np.log10(lives(concrete, level)[0])
    assert len(logs) == 15
    assert logs.mean() == pytest.approx(mean, abs=5e-6)
    assert logs.std(ddof=1) == pytest.approx(deviation, abs=5e-6)


def test_the_longest_lives_of_the_concrete_are_taken_for_run_outs(concrete):
    run_outs = [life for life in concrete.lives if life.outcome == "run-out"]
    assert [life.cycles for life in run_outs] == [11_748_100.0] * 2
    assert max(life.cycles for life in concrete.lives if life.outcome == "failure") < 4e6
    assert all(life.concrete_max == life.level for life in concrete.lives)


def test_fractions_of_thousands_are_counted_whole(concrete):
    assert min(life.cycles for life in concrete.lives) == pytest.approx(37.0)

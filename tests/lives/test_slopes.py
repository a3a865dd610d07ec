"""Slopes of life over level against published lines, least squares, and the lines of codes."""

import math
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import linregress

from rig.lives.grouped import groups_of
from rig.lives.pooled import part_of, pooled
from rig.lives.slopes import Slope, code_slope, own_slope
from rig.protocol.load import load_series
from tests.lives.series import life, series

DATA = Path(__file__).parents[1] / "data" / "series"
LN10 = math.log(10)


def read(path):
    return Path(path).read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def concrete():
    """The 75 lives of plain concrete in Castillo and Hadi, JASA 90 (1995) 1041, as one group."""
    return pooled(groups_of(load_series(str(DATA / "plain-concrete.toml"), read)))


def test_plain_concrete_with_two_run_outs(concrete):
    # log10 N = 15.173015 - 14.006621 S, two run-outs, worked out by maximum likelihood elsewhere.
    assert int((~concrete.failed).sum()) == 2
    found = own_slope([concrete], "load level")
    assert found.form == "semilog"
    assert found.value / LN10 == pytest.approx(-14.006621, abs=1e-5)
    assert "73 failures of 1 group" in found.origin


def test_without_run_outs_it_is_least_squares_with_its_standard_error(concrete):
    # All as failures: 15.136843 - 13.965883 S by least squares, worked out elsewhere.
    failures = part_of(concrete, concrete.failed)
    wanted = linregress(failures.levels, np.log(failures.cycles))
    found = own_slope([failures], "concrete level")
    assert found.value == pytest.approx(wanted.slope, rel=1e-9)
    assert found.error == pytest.approx(wanted.stderr, rel=1e-4)
    assert found.df == len(failures.cycles) - 2


def test_the_example_of_astm_e739():
    # ASTM E739, 8.3 (from memory): B -1.45144, 95 % interval -1.6054 to -1.2974, t 2.3646.
    strain = [0.01636, 0.01609, 0.00675, 0.00682, 0.00179, 0.00160, 0.00165, 0.00053, 0.00054]
    cycles = [168, 200, 1000, 1180, 4730, 8035, 5254, 28617, 32650]
    told = series([life("dry", n, tendon_range=e) for e, n in zip(strain, cycles, strict=True)])
    found = own_slope(groups_of(told), "tendon range")
    assert found.form == "loglog"
    assert found.value == pytest.approx(-1.45144, abs=5e-6)
    ends = [found.value + way * 2.3646 * found.error for way in (-1, 1)]
    assert ends == pytest.approx([-1.6054, -1.2974], abs=2e-4)


def two_groups(slope, apart, level_of_wet, seed=0):
    """Return lives of a dry and a wet group about parallel lines, at several levels."""
    rng = np.random.default_rng(seed)
    lives = []
    for group, levels, shift in (
        ("dry", (0.65, 0.7, 0.7, 0.8), 0.0),
        ("wet", level_of_wet, -apart),
    ):
        for level in levels:
            ln = 12.0 + shift + slope * (level - 0.7) + 0.2 * rng.standard_normal()
            lives.append(life(group, math.exp(ln), level=level))
    return series(lives)


def test_a_slope_common_to_groups_is_not_taken_from_what_lies_between_them():
    # Wet specimens live shorter and ran lower: a line through all would rise.
    told = groups_of(two_groups(-30.0, 9.0, (0.5, 0.5, 0.55, 0.6)))
    lives = pooled(told)
    assert linregress(lives.levels, np.log(lives.cycles)).slope > 0
    found = own_slope(told, "load level")
    dry, wet = ((lives.levels < 0.62) == wet for wet in (False, True))
    columns = np.column_stack([dry, wet, lives.levels])
    wanted, squares, *_ = np.linalg.lstsq(columns, np.log(lives.cycles), rcond=None)
    assert found.value == pytest.approx(wanted[-1], rel=1e-9)
    error = math.sqrt(squares[0] / 5 * np.linalg.inv(columns.T @ columns)[-1, -1])
    assert found.error == pytest.approx(error, rel=1e-3)
    assert found.df == 5


def test_a_group_that_only_ran_out_tells_no_slope_and_does_no_harm():
    wet = [life("wet", n, level=s) for s, n in ((0.6, 9e5), (0.7, 2e5), (0.7, 3e5), (0.8, 3e4))]
    alone = own_slope(groups_of(series(wet)), "load level")
    ran = [life("dry", 1e7, level=s, ran_out=True) for s in (0.6, 0.8)]
    assert own_slope(groups_of(series([*ran, *wet])), "load level") == alone


@pytest.mark.parametrize(
    "told",
    [
        [],
        [(0.7, 1e5)],
        [(0.7, 1e5), (0.7, 2e5), (0.7, 3e5)],  # one level
        [(0.7, 1e5), (0.8, 1e4)],  # no failure is left over for the scatter
        [(0.7, 1e4), (0.7, 2e4), (0.8, 1e5), (0.8, 3e5)],  # lives that grow with the level
        [(0.6, 1e6), (0.7, 1e5), (0.8, 1e4)],  # on one line: no scatter
        [(None, 1e6), (None, 1e5), (None, 1e4), (None, 2e4)],
    ],
)
def test_lives_that_tell_no_slope(told):
    lives = [life("dry", n, level=s) for s, n in told]
    assert own_slope(groups_of(series(lives)), "load level") is None


# EN 1992-2 (6.106): log N = 14 (1 - S) / sqrt(1 - R), from memory.
@pytest.mark.parametrize("ratio", [None, 0.0, 0.19, 0.5])
def test_the_line_of_the_code(ratio):
    found = code_slope("load level", 0.7, ratio)
    assert found.value / LN10 == pytest.approx(-14 / math.sqrt(1 - (ratio or 0.0)), rel=1e-6)
    assert found.error == 0.0
    assert ("nobody told the lower load" in found.origin) == (ratio is None)
    assert found.origin.startswith("EN 1992-2 mean in air at 0.7")


def test_other_lines_by_name():
    # DNV-ST-C502 (from memory): 10 in place of 12 decades in water, R 0, below X of log N.
    air = code_slope("concrete level", 0.9, line="DNV-ST-C502 mean")
    water = code_slope("concrete level", 0.9, exposure="spray", line="DNV-ST-C502 mean")
    assert (air.value / LN10, water.value / LN10) == pytest.approx((-12.0, -10.0), rel=1e-6)
    # Tepfers and Kutti 1979 (from memory): S = 1 - 0.0685 (1 - R) log N.
    tepfers = code_slope("concrete level", 0.7, 0.2, line="Tepfers")
    assert tepfers.value / LN10 == pytest.approx(-1 / (0.0685 * 0.8), rel=1e-6)
    with pytest.raises(KeyError):
        code_slope("load level", 0.7, line="no such line")


def test_tendons_by_the_power_of_their_line():
    # Paulson, Frank and Breen 1983 (from memory): log N = 11.45 - 3.5 log range [ksi].
    found = code_slope("tendon range", 150e6)
    assert found.form == "loglog"
    assert found.value == pytest.approx(-3.5, rel=1e-6)
    assert found.run(100e6, 200e6) == pytest.approx(math.log(2))
    assert found.sensitivity(150e6) == found.value


def test_how_far_a_line_may_be_off_is_how_far_published_lines_differ():
    # At 0.7 and R 0, above every knee, all are straight: decades for one of level by EN 1992-2,
    # fib MC2010, 8 / (1 - Y) with Y 0.45, DNV-ST-C502, Tepfers and Hsu (all from memory).
    decades = [14, 8 / 0.55, 12, 1 / 0.0685, 1 / 0.0662]
    found = code_slope("load level", 0.7)
    assert found.spread / LN10 == pytest.approx(np.std(decades, ddof=1), rel=1e-6)
    assert found.doubt == (found.spread, 4)
    own = Slope("semilog", -30.0, 2.0, 6.0, "own", spread=9.0, lines=5)
    assert own.doubt == (2.0, 6.0)


def test_where_a_line_of_concrete_has_no_constants_for_water_those_of_air_are_said():
    found = code_slope("load level", 0.7, 0.1, exposure="submerged")
    assert "in air" in found.origin


def test_above_the_strength_a_line_goes_on_as_below_it():
    # A quick series above its capacity has lives all the same: EN 1992-2 (6.106) is straight.
    below = code_slope("load level", 0.9, 0.1).value
    for level in (1.0, 1.05, 1.5):
        assert code_slope("load level", level, 0.1).value == pytest.approx(below, rel=1e-6)

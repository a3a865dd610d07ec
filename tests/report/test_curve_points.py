"""What is drawn of a long column: no extreme is lost, whatever its place."""

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.protocol.plan import Loading
from rig.report.curve_axes import LOOKS, Look, Scale, rows_of_panels
from rig.report.curve_points import (
    BINS,
    even_edges,
    extremes,
    log_edges,
    points,
    trailing_median,
)
from rig.report.curve_statistics import statistics
from rig.report.curve_target import WORST, held

COUNTS = st.integers(0, 2000)


def with_holes(count: int, seed: int) -> np.ndarray:
    """Values as float32 with a third of them not there, some stretches whole."""
    rng = np.random.default_rng(seed)
    values = rng.normal(0.0, 1.0, count).astype("<f4")
    values[rng.random(count) < 0.2] = np.nan
    values[count // 3 : count // 2] = np.nan
    return values


@given(COUNTS, st.integers(0, 99), st.sampled_from([log_edges, even_edges]))
def test_the_extremes_of_every_bin_are_drawn(count, seed, edges_of):
    values, edges = with_holes(count, seed), edges_of(count)
    rows = extremes(values, edges)
    assert list(edges[:1]) == [0]
    assert edges[-1] == count
    assert len(edges) <= BINS + 1
    assert np.all(np.diff(rows) > 0)
    assert len(rows) <= 2 * BINS
    for begin, end in itertools.pairwise(edges):
        drawn = values[rows[(rows >= begin) & (rows < end)]]
        known = values[begin:end][~np.isnan(values[begin:end])]
        if known.size:
            assert np.nanmin(drawn) == known.min()
            assert np.nanmax(drawn) == known.max()
        else:
            assert np.isnan(drawn).all()
            assert drawn.size == 1


@pytest.mark.parametrize("place", [1, 500_000])
def test_one_cycle_in_a_million_is_seen_on_both_axes(place):
    values = np.ones(1_000_000, "<f4")
    values[place] = 1.05
    drawn = [points(values, edges_of(len(values))) for edges_of in (log_edges, even_edges)]
    figure, (pair,) = rows_of_panels(Scale(len(values), "life"), ["load"], 1.0)
    pair.points(*drawn, 1.0, Look("load", LOOKS[0]))
    pair.bounds(0.9, 1.1)
    for axes, at in ((pair.log, place + 1), (pair.share, 100 * (place + 1) / len(values))):
        line = next(line for line in axes.get_lines() if line.get_label() == "load")
        x, y = line.get_data()
        assert x[np.argmax(y)] == pytest.approx(at)
        assert y.max() == np.float32(1.05)
        # What matplotlib leaves out of a long line keeps it to a ninth of a pixel (its rcParams
        # "path.simplify_threshold").
        path = line.get_path().cleaned(transform=axes.transData, simplify=True)
        top = axes.transData.transform((1.0, 1.05))[1]
        assert path.vertices[:-1, 1].max() == pytest.approx(top, abs=0.5)
    assert figure.get_size_inches()[0] <= 7.1


@given(st.integers(1, 400), st.integers(1, 60), st.integers(0, 99))
def test_medians_are_those_of_the_last_values_that_are_there(count, window, seed):
    values = with_holes(count, seed)
    rows = np.unique(np.linspace(0, count - 1, 9).astype(np.int64))
    found = trailing_median(values, rows, window)
    for row, median in zip(rows, found, strict=True):
        known = values[max(row - window + 1, 0) : row + 1].astype(float)
        known = known[~np.isnan(known)]
        if row < window - 1 or not known.size:
            assert np.isnan(median)
        else:
            assert median == np.median(known)


@given(st.integers(0, 300), st.integers(0, 99))
def test_statistics_are_those_of_numpy(count, seed):
    values = with_holes(count, seed)
    found = statistics(values, median=True)
    known = values[~np.isnan(values)].astype(float)
    assert (found.count, found.missing) == (len(known), count - len(known))
    if not known.size:
        assert np.isnan([found.min, found.max, found.mean, found.median]).all()
        assert (found.at_min, found.at_max) == (0, 0)
        return
    assert (found.min, found.max) == (known.min(), known.max())
    assert found.at_min == np.nanargmin(values) + 1
    assert found.at_max == np.nanargmax(values) + 1
    assert found.mean == pytest.approx(known.mean(), rel=1e-12)
    assert found.sum == pytest.approx(known.sum(), rel=1e-12)
    assert found.median == np.median(known)
    np.testing.assert_equal([found.first, found.last], [values[0], values[-1]])


@given(st.integers(0, 99), st.integers(0, 600))
def test_the_worst_cycles_are_those_that_a_sort_puts_first(seed, count):
    rng = np.random.default_rng(seed)
    # Few different loads, so that many cycles are equally far off.
    high = (92e3 + 100.0 * rng.integers(-6, 7, count)).astype("<f4")
    low = (9.2e3 + 100.0 * rng.integers(-6, 7, count)).astype("<f4")
    high[rng.random(count) < 0.1] = np.nan
    found = held(high, low, Loading(131e3, "given", 92e3, 9.2e3, 4.0))
    off = np.maximum(np.abs(high.astype(float) - 92e3), np.abs(low.astype(float) - 9.2e3))
    order = np.argsort(-off, kind="stable")[: np.count_nonzero(~np.isnan(off))][:WORST]
    assert [cycle.number for cycle in found.worst] == (order + 1).tolist()
    assert [cycle.off for cycle in found.worst] == off[order].tolist()
    assert all(cycle.load_max == high[cycle.number - 1] for cycle in found.worst)


def test_overloads_are_counted_and_the_first_above_105_percent_is_named():
    high = np.full(1000, 92e3, "<f4")
    high[[10, 500, 700]] = 1.021 * 92e3, 1.06 * 92e3, 1.051 * 92e3
    found = held(high, np.full(1000, 9.2e3, "<f4"), Loading(131e3, "given", 92e3, 9.2e3, 4.0))
    assert (found.overloads, found.marked, found.first_marked) == (3, 2, 501)
    assert [cycle.number for cycle in found.worst[:3]] == [501, 701, 11]

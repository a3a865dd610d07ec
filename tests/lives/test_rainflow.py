"""Rainflow counting: the standard's example, a library of others, and what must always hold."""

import numpy as np
import pytest
import rainflow as theirs
from hypothesis import assume, given
from hypothesis import strategies as st

from rig.lives.rainflow import rainflow, reversals

STANDARD = [-2, 1, -3, 5, -1, 3, -4, 4, -2]
"""The history of ASTM E1049-85, figure 6."""

histories = st.lists(st.integers(-50, 50), max_size=60)


def by_range(counted):
    """Return the counts summed by range."""
    found = {}
    for size, count in zip(counted.ranges.tolist(), counted.counts.tolist(), strict=True):
        found[size] = found.get(size, 0.0) + count
    return dict(sorted(found.items()))


def test_the_example_of_the_standard():
    # ASTM E1049-85, 5.4.4, table of figure 6, as quoted in the issues of the library `rainflow`.
    assert by_range(rainflow(STANDARD)) == {3: 0.5, 4: 1.5, 6: 0.5, 8: 1.0, 9: 0.5}


def test_each_cycle_of_the_example_with_its_mean():
    # rainflow 3.2.0, extract_cycles.
    counted = rainflow(STANDARD)
    rows = set(zip(counted.ranges, counted.means, counted.counts, strict=True))
    assert rows == {
        (3, -0.5, 0.5),
        (4, -1, 0.5),
        (4, 1, 1),
        (8, 1, 0.5),
        (9, 0.5, 0.5),
        (8, 0, 0.5),
        (6, 1, 0.5),
    }
    assert set(counted.upper) <= set(STANDARD)
    assert set(counted.lower) <= set(STANDARD)


def test_the_example_as_a_history_that_repeats():
    # ASTM E1049-85, 5.4.5, figure 7 (from memory; the library says the same of the history turned
    # round to its maximum).
    assert by_range(rainflow(STANDARD, repeating=True)) == {3: 1, 4: 1, 7: 1, 9: 1}


def test_the_signal_of_a_library_of_others():
    # The README of `rainflow` on the Python package index.
    t = 4 * np.arange(201) / 200
    counted = rainflow(0.2 + 0.5 * np.sin(t) + 0.2 * np.cos(10 * t) + 0.2 * np.sin(4 * t))
    expected = {
        0.04258965150708488: 0.5,
        0.10973439445727551: 1,
        0.11294628078612906: 0.5,
        0.2057106991158965: 1,
        0.21467990941625242: 1,
        0.4388985979776988: 1,
        0.48305748051348263: 0.5,
        0.5286423866535466: 0.5,
        0.7809330293159786: 0.5,
        1.4343610172143002: 0.5,
    }
    found = by_range(counted)
    assert list(found) == pytest.approx(list(expected), abs=1e-12)
    assert list(found.values()) == list(expected.values())


@given(histories)
def test_any_history_is_counted_as_by_a_library_of_others(history):
    assume(len(reversals(history)) > 2)  # of a single range the library says nothing
    counted = rainflow(history)
    ours = sorted(zip(counted.ranges, counted.means, counted.counts, strict=True))
    assert ours == sorted(row[:3] for row in theirs.extract_cycles(history) if row[0] > 0)


@given(histories)
def test_the_half_cycles_are_as_many_as_the_ranges_between_turns(history):
    # Each range between neighbouring turns goes into half a cycle: none is lost, none made up.
    counted = rainflow(history)
    assert 2 * counted.counts.sum() == max(0, len(reversals(history)) - 1)


@given(histories, st.integers(0, 60))
def test_a_history_that_repeats_may_begin_anywhere(history, start):
    at = start % len(history) if history else 0
    turned = history[at:] + history[:at]
    assert by_range(rainflow(turned, repeating=True)) == by_range(rainflow(history, repeating=True))


@given(histories)
def test_a_history_that_repeats_has_whole_cycles_only(history):
    counts = by_range(rainflow(history, repeating=True)).values()
    assert all(count == int(count) for count in counts)


@pytest.mark.parametrize("history", [[], [7.0], [7.0, 7.0, 7.0]])
@pytest.mark.parametrize("repeating", [False, True])
def test_what_does_not_change_has_no_cycles(history, repeating):
    assert len(rainflow(history, repeating=repeating).counts) == 0


@pytest.mark.parametrize("value", [np.nan, np.inf])
def test_what_is_not_finite_is_refused(value):
    with pytest.raises(ValueError, match="finite"):
        rainflow([0.0, value, 1.0])

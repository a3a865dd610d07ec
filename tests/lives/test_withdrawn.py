"""One mode alone: what is withdrawn, and between what the median lies."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.lives.withdrawn import sensitivity, with_mode

MODES = st.sampled_from(["crushing", "slip", None])
LIVES = st.lists(st.tuples(st.integers(1, 20), st.booleans(), MODES), min_size=1, max_size=9)

CYCLES = [1e6, 2e6, 3e6, 4e6, 5e6]
FAILED = [True, True, True, True, False]
FOUND = ["crushing", "slip", "crushing", None, None]


def test_other_modes_are_withdrawn():
    assert np.flatnonzero(with_mode(CYCLES, FAILED, FOUND, "crushing")).tolist() == [0, 2]
    assert with_mode(CYCLES, FAILED, FOUND, "shear").tolist() == [False] * 5


def test_what_difference_it_makes():
    """By hand: 4/5, then 2/3 of it past 3 million: 0.533, and no failure of the mode after that."""
    found = sensitivity(CYCLES, FAILED, FOUND, "crushing")
    assert found.withdrawn == 2
    assert found.median is None
    assert found.median_if_next == 3e6
    assert found.median_if_last is None
    assert found.note == "2 of 5 withdrawn, as they ended otherwise; of 1 the mode is not known"


def test_nothing_withdrawn_makes_no_difference():
    found = sensitivity(CYCLES[:3], FAILED[:3], ["slip"] * 3, "slip")
    assert found.median == found.median_if_next == found.median_if_last == 2e6
    assert (found.withdrawn, found.note) == (0, "")


@given(LIVES)
def test_the_median_lies_between_both_extremes(lives):
    cycles, failed, modes = (list(column) for column in zip(*lives, strict=True))
    found = sensitivity(cycles, failed, modes, "slip")
    ends = [np.inf if m is None else m for m in (found.median_if_next, found.median_if_last)]
    middle = np.inf if found.median is None else found.median
    assert ends[0] <= middle <= ends[1]


def test_what_cannot_be_is_refused():
    with pytest.raises(ValueError, match="2 modes for 5 lives"):
        with_mode(CYCLES, FAILED, ["slip", "slip"], "slip")

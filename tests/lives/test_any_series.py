"""Whatever a series holds, it is weighed without a warning from below and without an error."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.lives.at_levels import left_of_water
from rig.lives.confounding import confounded
from rig.lives.hypotheses import RULE, weigh
from rig.lives.observations import seen_of
from rig.protocol.series import FACTORS, QUANTITIES, Hypothesis, Observation
from tests.lives.series import life, load, series

GROUPS = {"dry": {"exposure": "dry"}, "spray": {"exposure": "spray"}, "plain": {}}
NAMES = st.sampled_from(list(GROUPS))
MAYBE = st.none() | st.sampled_from(["A", "B"])
TOLD = dict.fromkeys(FACTORS, MAYBE) | {
    "age": st.none() | st.floats(0.0, 1e8),
    "wet": st.none() | st.floats(0.0, 1e7),
    "valid": st.booleans(),
}
LIVES = st.builds(
    life,
    NAMES,
    st.sampled_from([0.5, 1e5, 1e5, 2e5, 3e6, 1e7, 1e12]),
    ran_out=st.booleans(),
    level=st.none() | st.sampled_from([0.01, 0.7, 0.7, 0.8, 1.5]),
    concrete_max=st.none() | st.sampled_from([0.0, 0.6, 0.9]),
    tendon_range=st.none() | st.sampled_from([0.0, 1e8]),
    mode=st.none() | st.sampled_from(["shear", "bearing"]),
    **TOLD,
)
LOADS = st.builds(
    load, NAMES, st.sampled_from([1.0, 130e3, 130e3, 140e3, 1e9]), residual=st.booleans(), **TOLD
)
HYPOTHESES = st.builds(
    Hypothesis,
    st.just("any"),
    st.sampled_from(QUANTITIES),
    st.just(("spray", "plain")) | st.just(("spray",)),
    st.just(("dry",)),
    st.just("rust"),
)
OBSERVATIONS = st.builds(
    Observation, st.sampled_from(["L-1", "L-2", "U-1", "U-2"]), st.just("rust"), st.booleans()
)


def any_series(most):
    return st.builds(
        series,
        st.lists(LIVES, max_size=most),
        st.lists(LOADS, max_size=most),
        st.just(GROUPS),
        st.lists(HYPOTHESES, min_size=1, max_size=1),
        st.lists(OBSERVATIONS, max_size=4),
    )


def held(told, mode=None):
    """Return what was weighed, once all else has been asked too."""
    assert all(isinstance(line, str) for line in confounded(told))
    assert all(0 <= s.low <= s.seen / s.looked <= s.high <= 1 for s in seen_of(told))
    for answer in left_of_water(told, mode):
        assert (answer.equal is None) == bool(answer.why)
    (found,) = weigh(told, mode)
    assert f"{found.verdict}:" in RULE
    assert found.why
    for p in (found.p, found.p_opposite, found.smallest_p):
        assert p is None or 0 < p <= 1
    if found.p is not None:
        assert found.smallest_p <= found.p * (1 + 1e-9)
        assert (found.verdict == "favoured") <= (found.p <= 0.05 + 1e-9)
    if None not in (found.low, found.high):
        assert found.low <= found.high
    return found


@given(any_series(3))
def test_any_small_series_is_weighed(told):
    held(told)


LONG_AND_SHORT = [1e12, 0.1, 2e11, 0.2, 3e11]


@pytest.mark.parametrize(
    ("dry", "wet"),
    [
        ({"concrete_max": 0.9, "concrete_min": 0.8999}, {"concrete_max": 0.5}),
        ({"levels": (0.7, 0.704)}, {"level": 0.3}),
        ({"levels": (0.7, 0.704), "cycles": [1e12, 1e5, 2e6, 2e5, 30.0]}, {"level": 0.3}),
    ],
    ids=["loads that hardly differ", "a steep slope", "a slope that nothing tells"],
)
def test_what_a_slip_makes_of_a_slope_is_held_by_numbers(dry, wet):
    levels, cycles = dry.pop("levels", (0.7, 0.7)), dry.pop("cycles", LONG_AND_SHORT)
    lives = [life("dry", n, level=levels[i % 2], **dry) for i, n in enumerate(cycles)]
    lives += [life("spray", n, **wet) for n in (1e5, 2e5, 3e5)]
    loads = [load(group, n) for group in ("dry", "spray") for n in (1e3, 300e3)]
    answers = [each.equal for each in left_of_water(series(lives, loads, GROUPS)) if each.equal]
    assert answers
    assert all(0.0 <= each.low <= each.high < np.inf for each in answers)


@pytest.mark.nights
@pytest.mark.timeout(600)
@given(any_series(12), st.none() | st.just("shear"))
def test_any_series_is_weighed(told, mode):
    held(told, mode)

"""What was seen on specimens, k of n: a specimen counts once, and not looked is not unseen."""

import pytest

from rig.lives.observations import counted, seen_of
from rig.protocol.series import Observation
from tests.lives.series import life, load, series


def a_series(*observations):
    return series(
        lives=[life("dry", 1e6, "D-1"), life("dry", 1e6, "D-2"), life("wet", 1e5, "W-1")],
        ultimates=[load("wet", 130e3, "W-2")],
        observations=[Observation(*o) for o in observations],
    )


def test_each_sign_and_group_with_its_interval():
    told = seen_of(
        a_series(
            ("D-1", "rust", False),
            ("D-2", "rust", False),
            ("W-1", "rust", True),
            ("W-2", "rust", True),
            ("W-1", "wire slip", False),
        )
    )
    assert [(t.looked_for, t.group, t.seen, t.looked, t.specimens) for t in told] == [
        ("rust", "dry", 0, 2, 2),
        ("rust", "wet", 2, 2, 2),
        ("wire slip", "wet", 0, 1, 2),
    ]
    # None of n and all of n: 0.025^(1/2) by Clopper and Pearson.
    assert (told[0].low, told[0].high) == pytest.approx((0.0, 1 - 0.025**0.5))
    assert (told[1].low, told[1].high) == pytest.approx((0.025**0.5, 1.0))


def test_a_specimen_counts_once_however_often_it_was_looked_at():
    found = a_series(("W-1", "rust", False), ("W-1", "rust", True), ("W-1", "rust", False))
    assert counted(found, "rust", ["wet"]) == (1, 1)


def test_a_residual_load_of_the_same_specimen_is_no_second_specimen():
    found = series(
        lives=[life("dry", 1e7, "D-1", ran_out=True)],
        ultimates=[load("dry", 130e3, "D-1", residual=True)],
        observations=[Observation("D-1", "rust", seen=True)],
    )
    (seen,) = seen_of(found)
    assert (seen.seen, seen.looked, seen.specimens) == (1, 1, 1)


def test_specimens_that_nobody_knows_are_left_out():
    assert seen_of(a_series(("X-9", "rust", True))) == ()
    assert counted(a_series(), "rust", ["dry"]) == (0, 0)

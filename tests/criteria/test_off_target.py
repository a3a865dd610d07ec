"""A load that leaves its target again and again: told where the specimen shows it too."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.criteria.off_target import CYCLES, TargetState, find_off_target
from rig.samples import Cycles, Flag

UPPER, LOWER, K = 92e3, 9e3, 110e6
TARGET = UPPER - LOWER
HZ = 4.0


def rows(share, *, bends=True, soft=None, flags=0, at=None) -> Cycles:
    """Return cycles whose load range is a share of its target; all figures are invented."""
    share = np.asarray(share, float)
    n = len(share)
    soft = np.ones(n) if soft is None else np.asarray(soft, float)
    span = TARGET * share
    bent = (span if bends else TARGET) * soft / K
    number = np.arange(1, n + 1, dtype=np.int64)
    columns = {
        "number": number,
        "time": number / HZ if at is None else np.asarray(at, float),
        "load_max": (LOWER + span).astype(np.float32),
        "load_min": np.full(n, LOWER, np.float32),
        "deflection_max": (1e-4 + bent).astype(np.float32),
        "deflection_min": np.full(n, 1e-4, np.float32),
        "stiffness": (K / soft).astype(np.float32),
        "frequency": np.full(n, HZ, np.float32),
        "flags": np.broadcast_to(np.asarray(flags, np.uint16), n).copy(),
    }
    return Cycles(columns, 250 * number - 250, 250 * number, 250 * number + 2)


def found(table: Cycles, cuts=()) -> list[tuple[int, str]]:
    """Return number and words of what is told, judged in pieces."""
    edges = [0, *sorted({c for c in cuts if 0 < c < len(table)}), len(table)]
    state, told = TargetState(), []
    for start, stop in pairwise(edges):
        state = TargetState.from_plain(state.to_plain())
        part = table.part(start, stop)
        state, more = find_off_target(TARGET, state, part)
        told += [(int(part["number"][f.row]), f.text) for f in more]
    return told


def dips(each=4, times=6, by=0.05, apart=100):
    """Return shares of a neighbour's starts: a few short cycles, again and again."""
    share = np.ones(apart * (times + 1))
    for dip in range(1, times + 1):
        share[dip * apart : dip * apart + each] = 1 - by
    return share


def test_a_load_that_dips_again_and_again_is_the_rigs():
    ((number, text),) = found(rows(dips()))
    assert number == 303  # the third dip's third cycle is the eleventh
    assert "5.0% short at worst" in text
    assert "look at the oil, at other rigs on the pump" in text


@pytest.mark.parametrize("share", [dips(by=0.009), dips(each=2, times=5)])
def test_little_or_seldom_is_not_told(share):
    assert found(rows(share)) == []


def test_dips_over_more_than_an_hour_are_not_told_and_told_again_after_one():
    share = dips(each=6, times=4)
    at = np.arange(len(share)) / HZ
    at[150:] += 4000  # the second dip comes an hour later: a break, and then on target again
    assert [n for n, _ in found(rows(share, at=at))] == [305]
    later = np.concatenate((share, share))
    at = np.arange(len(later)) / HZ
    at[len(share) :] += 4000
    assert [n for n, _ in found(rows(later, at=at))] == [205, len(share) + 205]


def test_a_cell_that_is_wrong_alone_is_not_the_rigs():
    assert found(rows(dips(), bends=False)) == []


@pytest.mark.parametrize("flag", [Flag.SPIKE, Flag.GAP, Flag.LONG_GAP, Flag.AFTER_END])
def test_cycles_that_cannot_be_trusted_are_not_counted(flag):
    share = dips()
    assert found(rows(share, flags=np.where(share < 1, int(flag), 0))) == []


def test_the_last_cycles_of_a_build_up_are_not_off_target():
    share = np.concatenate((np.linspace(0.95, 1, 40), np.ones(100)))
    table = np.concatenate([share] * 3)
    at = np.arange(len(table)) / HZ + np.repeat([0, 60, 120], len(share))
    assert found(rows(table, at=at)) == []


def test_a_specimen_that_softens_faster_than_the_load_follows_is_not_the_rigs():
    soft = np.concatenate((np.ones(50), np.linspace(1, 1.3, 60)))
    share = np.concatenate((np.ones(50), np.linspace(1, 0.93, 60)))
    assert found(rows(share, soft=soft)) == []


@given(st.integers(0, 2**32 - 1), st.lists(st.integers(0, 700)))
def test_what_is_told_does_not_depend_on_how_rows_are_cut(seed, cuts):
    rng = np.random.default_rng(seed)
    share = np.where(rng.random(700) < 0.05, rng.uniform(0.9, 1.1, 700), 1.0)
    at = np.arange(700) / HZ + np.cumsum(np.where(rng.random(700) < 0.01, 400.0, 0.0))
    flags = np.where(rng.random(700) < 0.02, int(Flag.SPIKE), 0)
    table = rows(share, at=at, flags=flags)
    assert found(table, cuts) == found(table)
    assert CYCLES == 11

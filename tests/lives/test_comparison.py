"""A whole series compared: groups and pairs, what is doubtful, and the plain words."""

from __future__ import annotations

import math

import numpy as np
import pytest

from rig.lives.at_levels import slope_of
from rig.lives.comparison import compared
from rig.lives.grouped import groups_of, left_out, ultimates_of
from rig.lives.words import NOTHING, NOTHING_PROVEN, words_of
from rig.protocol.series import Hypothesis, Life, Observation, Series, Ultimate


def lives(group: str, *cycles: float, out: int = 0, **more: object) -> list[Life]:
    """Return lives of a group, the last `out` of them run-outs."""
    ends = ["failure"] * (len(cycles) - out) + ["run-out"] * out
    return [
        Life(f"{group}-{i}", group, 0.7, count, end, None, **more)
        for i, (count, end) in enumerate(zip(cycles, ends, strict=True))
    ]


def loads(group: str, *newtons: float, **more: object) -> list[Ultimate]:
    return [Ultimate(f"{group}-u{i}", group, x, None, **more) for i, x in enumerate(newtons)]


def a_series(entries: list[Life | Ultimate], *hypotheses: Hypothesis, **more: object) -> Series:
    names = dict.fromkeys(entry.group for entry in entries)
    return Series(
        "Test series",
        {name: {"exposure": "dry" if name == "dry" else "spray"} for name in names},
        tuple(e for e in entries if isinstance(e, Life)),
        tuple(e for e in entries if isinstance(e, Ultimate)),
        hypotheses,
        **more,
    )


LN10 = math.log(10.0)
ONE_LIFE = [*lives("dry", 5e6), *lives("wet", 1e6)]
"""Two lives: whatever is compared, no fit takes time."""


# Groups.


def test_groups_are_those_of_the_file_in_its_order_and_may_be_empty():
    series = a_series([*loads("beam", 1e5), *lives("dry", 2e6, 3e6, out=1), *lives("wet", 1e6)])
    groups = groups_of(series)
    assert [group.name for group in groups] == ["beam", "dry", "wet"]
    assert [len(group.cycles) for group in groups] == [0, 2, 1]
    assert groups[1].failed.tolist() == [True, False]
    assert np.isnan(groups[1].concrete).all()
    assert compared(series).groups[0].no_fit == "no lives"


def test_a_mode_leaves_failed_what_failed_by_it_and_no_run_out():
    entries = [
        *lives("dry", 1e6, 2e6, out=1, mode="shear"),
        *lives("wet", 1e6, mode="bearing"),
        *lives("wet", 2e6),
    ]
    dry, wet = groups_of(a_series(entries), "shear")
    assert (dry.failed.tolist(), dry.ran_out.tolist()) == ([True, False], [False, True])
    assert (wet.failed.tolist(), wet.ran_out.tolist()) == ([False, False], [False, False])


def test_what_is_void_or_not_told_is_left_out_with_its_reason():
    entries = [
        *lives("dry", 5e6),
        Life("x", "dry", 0.7, None, None, "run-x"),
        Life("y", "dry", 0.7, 1e6, "failure", None, valid=False, void_reason="pump failed"),
        *loads("dry", 1e5, valid=False),
        *loads("wet", 2e5),
    ]
    series = a_series(entries)
    assert left_out(series) == (
        "x (dry): life left out, its run tells none",
        "y (dry): life left out, void: pump failed",
        "dry-u0 (dry): ultimate load left out, void: no reason is given",
    )
    assert groups_of(series)[0].specimens == ("dry-0",)
    assert [len(group.loads) for group in ultimates_of(series)] == [0, 1]


def test_residual_loads_are_kept_apart():
    series = a_series([*loads("dry", 1e5, 1.1e5), *loads("dry", 9e4, residual=True)])
    (group,) = ultimates_of(series)
    assert group.loads.tolist() == [1e5, 1.1e5]
    assert group.residual.tolist() == [9e4]


# Pairs.


def test_every_pair_is_compared_once_with_the_earlier_group_first():
    entries = [*lives("c", 3e6), *lives("a", 2e6), *lives("b", 1e6)]
    entries += [*loads("b", 1e5), *loads("a", 2e5)]
    told = compared(a_series(entries))
    assert [(p.a.name, p.b.name) for p in told.pairs] == [("c", "a"), ("c", "b"), ("a", "b")]
    assert [(p.a.name, p.b.name) for p in told.ultimate_pairs] == [("a", "b")]
    assert any("3 pairs of groups are compared" in str(doubt) for doubt in told.warnings)


@pytest.mark.parametrize(
    ("entries", "said"),
    [
        ([*lives("dry", 5e6, overloaded=True), *lives("wet", 1e6)], "dry: overloaded, and count"),
        ([*lives("dry", 5e6), Life("x", "wet", 0.5, 1e6, "failure", None)], "load levels differ"),
        ([*lives("dry", 5e6), Life("x", "wet", None, 1e6, "failure", None)], "not all say their"),
        ([*lives("dry", 5e6, out=1), *lives("wet", 9e6)], "before a failure at"),
        ([*loads("dry", 1e5), *loads("wet", 2e5, 3e5)], "dry holds one ultimate load"),
        ([*loads("dry", 1e5, 1.01e5, 1.02e5, 1.01e5, 1.9e5), *loads("wet", 1e5, 2e5)], "dry-u4"),
    ],
    ids=["overload", "levels", "no level", "early run-out", "one load", "outlier"],
)
def test_what_is_doubtful_is_said_and_refuses_nothing(entries, said):
    told = compared(a_series(entries))
    assert any(said in str(doubt) for doubt in told.warnings)


@pytest.mark.endurance
def test_a_mode_is_that_of_the_slope_of_all_pairs_too():
    # Of three groups in the dry two fail at two levels, in part by another mode.
    entries = [
        Life(f"{group}-{i}", group, level, cycles, "failure", None, mode=mode)
        for group in ("dry", "a", "b")
        for i, (level, cycles, mode) in enumerate(
            [(0.6, 4e6, "shear"), (0.6, 9e6, "bearing"), (0.8, 2e5, "shear"), (0.8, 1e5, "bearing")]
        )
    ]
    told = a_series(entries)
    any_mode, shear = (slope_of(told, "load level", 0.7, mode).value for mode in (None, "shear"))
    assert shear != pytest.approx(any_mode)
    assert {each.equal.slope for each in compared(told, "shear").at_levels} == {shear / LN10}


def test_a_doubt_of_the_file_and_of_a_hypothesis_stand_among_the_others():
    asked = Hypothesis("Water shortens", "life", ("wet",), ("dry",))
    told = compared(a_series(ONE_LIFE, asked, warnings=("s.toml:3: doubtful",)))
    assert str(told.warnings[0]) == "s.toml:3: doubtful"
    assert len({str(doubt) for doubt in told.warnings}) == len(told.warnings)
    assert [weighed.name for weighed in told.hypotheses] == ["Water shortens"]


def test_the_confidence_asked_for_is_of_ratios_and_of_the_rest():
    assert (compared(a_series(ONE_LIFE)).confidence, compared(a_series(ONE_LIFE)).of_ratios) == (
        0.95,
        0.90,
    )
    told = compared(a_series([*loads("dry", 1e5, 2e5), *loads("wet", 1e5, 3e5)]), confidence=0.8)
    assert (told.confidence, told.of_ratios) == (0.8, 0.8)
    assert told.ultimate_pairs[0].test.confidence == 0.8


def test_what_was_seen_is_told_by_group():
    seen = (Observation("dry-0", "rust", seen=False), Observation("wet-0", "rust", seen=True))
    told = compared(a_series(ONE_LIFE, observations=seen))
    assert [(s.group, s.looked_for, s.seen, s.looked) for s in told.seen] == [
        ("dry", "rust", 0, 1),
        ("wet", "rust", 1, 1),
    ]


# Words.


def test_words_tell_what_was_seen_and_end_with_what_is_not_proven():
    entries = [
        *lives("dry", 8e6, out=1),
        *lives("wet", 1e6),
        *loads("dry", 1e5),
        *loads("wet", 9e4),
    ]
    words = words_of(compared(a_series(entries)))
    assert words[0] == "dry: its one specimen did not fail, taken off at 8,000,000 cycles."
    assert words[1] == "wet: its one specimen failed, at 1,000,000 cycles."
    assert words[2].startswith("dry and wet: dry outlived wet. Chance alone does as much in 2 of 2")
    assert words[2].endswith("1 against 1 never show less than 1.")
    assert "too few, or without spread" in words[3]
    assert words[-1] == NOTHING_PROVEN


@pytest.mark.nights
def test_words_count_arrangements_and_give_a_bound_where_a_group_only_ran_out():
    entries = [*lives("dry", 8e6, 8e6, out=2), *lives("wet", 1e6, 1.2e6, 1.9e6, 2.5e6)]
    told = compared(a_series(entries))
    (words,) = [w for w in words_of(told) if w.startswith("dry and wet")]
    low = told.pairs[0].ratios[0].low
    assert f"dry outlived wet, at least {low:.2g} times as long (90 % bound)" in words
    assert "in 1 of 15 arrangements (p 0.067 either way, 0.067 where only dry could" in words
    assert words.endswith("2 against 4 never show less than 0.067.")


@pytest.mark.nights
def test_words_name_who_lived_longer_whatever_the_order_of_the_file():
    first = [*lives("wet", 1e6, 1.2e6), *lives("dry", 8e6, 8e6, out=2)]
    (words,) = [w for w in words_of(compared(a_series(first))) if w.startswith("wet and dry")]
    assert "dry outlived wet, at least" in words
    assert "where only wet" not in words


def test_words_say_what_a_difference_of_loads_may_be():
    entries = [*loads("dry", 100e3, 102e3, 98e3, 100e3), *loads("wet", 80e3, 81e3, 79e3, 80e3)]
    (words,) = [w for w in words_of(compared(a_series(entries))) if w.startswith("Ultimate")]
    assert words.startswith(
        "Ultimate loads of dry and wet, 100 and 80 kN in the mean: a difference"
    )
    assert "% more to" in words
    assert words.endswith("% more (95 %).")


def test_words_of_verdicts_name_the_hypotheses():
    asked = Hypothesis("Water shortens", "life", ("wet",), ("dry",))
    words = words_of(compared(a_series(ONE_LIFE, asked)))
    assert 'Too few: "Water shortens".' in words


def test_nothing_to_compare_is_one_sentence():
    series = Series("Empty", {"dry": {}}, (), ())
    assert words_of(compared(series)) == (NOTHING,)

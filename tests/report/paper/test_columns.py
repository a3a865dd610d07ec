"""Columns of tables on paper: what is cut, what is wrapped, and that they fit."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.report.letters import POINTS, width_of, wrap
from rig.report.paper_columns import SMALLEST, columns_of

ROOM = 160.0
LONG = "the flow was not confirmed, two retries a minute apart, then a call " * 4


def test_what_fits_is_not_wrapped():
    found = columns_of(("a", "b"), [("short", "also short")], ROOM, 7.5)
    assert found.size == 7.5
    assert wrap("also short", found.widths[1], found.size) == ["also short"]


def test_a_long_text_leaves_other_columns_whole():
    rows = [("2026-11-01 02:03:04 UTC", "1,000", "event", what) for what in (LONG, "done", "done")]
    found = columns_of(("when", "cycle", "kind", "what"), rows, ROOM, 7.5)
    for cell, width in zip(rows[0][:3], found.widths, strict=False):
        assert wrap(cell, width, found.size) == [cell]
    assert sum(found.widths) == pytest.approx(ROOM, abs=0.1)


def test_long_words_make_the_text_smaller_before_they_are_cut():
    digest = "0123456789abcdef" * 4
    found = columns_of(("a", "b", "c"), [(digest, digest[:40], "x")], ROOM, 7.5)
    assert SMALLEST <= found.size < 7.5
    assert wrap(digest, found.widths[0], found.size) == [digest]
    cut = columns_of(("a", "b", "c"), [(digest, digest, digest)], ROOM, 7.5)
    assert cut.size == SMALLEST
    assert max(cut.widths) == pytest.approx(min(cut.widths), rel=0.01)


def test_one_endless_word_does_not_make_all_text_small():
    found = columns_of(("a", "b"), [("word " * 20, "x" * 20_000)], ROOM, 7.5)
    assert found.size == 7.5


@pytest.mark.nights
@given(
    st.integers(1, 40).flatmap(
        lambda count: st.lists(
            st.lists(st.text("abW 1,", max_size=60), min_size=count, max_size=count),
            min_size=1,
            max_size=6,
        )
    )
)
def test_columns_never_leave_their_room(rows):
    found = columns_of([row[:8] for row in rows[0]], rows[1:], ROOM, 7.5)
    assert sum(found.widths) <= ROOM + 0.05
    widest = width_of("W", found.size)
    for at, width in enumerate(found.widths):
        longest = max((word for row in rows for word in row[at].split(" ")), key=len)
        assert width >= min(widest, width_of(longest, found.size), found.size / POINTS) - 1e-6

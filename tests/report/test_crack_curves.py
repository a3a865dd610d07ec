"""Figures of crack growth: every reading is a mark, what was not read is a gap."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given

from rig.record.cracks import CrackEntry
from rig.report.crack_curves import (
    NAMED,
    Curve,
    curves_of,
    growth_figure,
    totals_figure,
    totals_of,
)
from rig.report.crack_growth import growth_of
from tests.report.crack_readings import COUNTS, reading, twelve
from tests.report.test_crack_growth import ENTRIES
from tests.report.test_crack_map import HOSTILE

pytestmark = pytest.mark.xdist_group("pictures")  # one process loads what draws them

NAN = math.nan


def one(curves: tuple[Curve, ...], name: str) -> Curve:
    return next(curve for curve in curves if curve.name == name)


def test_a_curve_has_what_was_read_and_a_gap_where_it_was_not() -> None:
    curves = curves_of(growth_of(twelve()), "width")
    c3 = one(curves, "C3 front")
    assert c3.values == pytest.approx((4e-5, NAN, 7e-5, 1.3e-4, 2.2e-4), nan_ok=True)
    # No cycle yet stands a decade under that of the first count.
    assert c3.cycles == (100.0, *COUNTS[1:])
    assert c3.gaps == (1_000,)
    new = one(curves, "C5 front")
    assert np.isnan(new.values[:2]).all()
    assert new.gaps == ()  # it was not there yet
    assert [curve.name for curve in curves[:3]] == ["C9 bottom", "C1 front", "C1 back"]


def test_longitudinal_cracks_stand_beside_flexural_ones() -> None:
    flexural, longitudinal, inclined = totals_of(growth_of(twelve()))
    assert [c.name for c in (flexural, longitudinal, inclined)] == [
        "flexural",
        "longitudinal",
        "inclined",
    ]
    # At no cycles: 60 + 40 + 45 + 58 + 150 mm.
    assert flexural.values[0] == pytest.approx(0.353)
    assert longitudinal.values == pytest.approx((0, 0, 0.04, 0.25, 0.63))
    assert [c.name for c in totals_of(growth_of([]))] == ["flexural", "longitudinal"]


def test_the_figure_draws_each_reading_on_log_cycles() -> None:
    growth = growth_of(twelve())
    figure = growth_figure(growth, "width")
    (axes,) = figure.axes
    assert axes.get_xscale() == "log"
    lines = {line.get_gid(): line for line in axes.lines}
    for n, curve in enumerate(curves_of(growth, "width")[:NAMED]):
        x, y = lines[f"curve-{n}"].get_data()
        assert list(x) == list(curve.cycles)
        assert y == pytest.approx([1e3 * value for value in curve.values], nan_ok=True)
        assert lines[f"curve-{n}"].get_marker() != "None"
    looks = {
        (line.get_color(), line.get_linestyle())
        for gid, line in lines.items()
        if "curve" in (gid or "")
    }
    assert len(looks) == NAMED
    assert list(lines["not-read"].get_xdata()) == [1_000, 100_000, 500_000]
    assert [text.get_text() for text in axes.get_xticklabels()] == [
        "0",
        "1,000",
        "10,000",
        "100,000",
    ]
    assert axes.get_ylabel() == "crack width [mm]"
    assert any("not read" in text.get_text() for text in axes.texts)
    assert "grey: 1 more" in [text.get_text() for text in axes.texts]


@pytest.mark.parametrize("counts", [(219_261,), (150, 300), (1_000, 1_000_000), (0, 7)])
def test_an_axis_of_cycles_has_two_numbers_at_least(counts) -> None:
    log = [reading(n, count, "C1", width=0.1) for n, count in enumerate(counts, 1)]
    (axes,) = growth_figure(growth_of(log), "width").axes
    low, high = axes.get_xlim()
    assert sum(low <= tick <= high for tick in axes.get_xticks()) >= 2


def test_what_was_read_after_the_end_is_marked() -> None:
    late = replace(reading(2, 500, "C1", width=0.1), at_utc="2026-11-30T08:00:00+00:00")
    figure = growth_figure(growth_of([reading(1, 500, "C1", width=0.2), late]), "width")
    assert "after-end" in [line.get_gid() for line in figure.axes[0].lines]


@pytest.mark.nights
def test_names_stand_beside_the_figure_and_clear_of_each_other() -> None:
    figure = growth_figure(growth_of(twelve()), "length")
    figure.canvas.draw()
    names = {curve.name for curve in curves_of(growth_of(twelve()), "length")[:NAMED]}
    texts = [text for text in figure.axes[0].texts if text.get_text() in names]
    assert len(texts) == NAMED
    boxes = [text.get_window_extent() for text in texts]
    assert all(box.x1 <= figure.bbox.x1 for box in boxes)
    assert not any(one.overlaps(other) for one, other in itertools.combinations(boxes, 2))


@pytest.mark.endurance
@given(ENTRIES)
def test_any_log_can_be_drawn(entries: list[CrackEntry]) -> None:
    growth = growth_of(entries)
    for figure in (growth_figure(growth, "width"), totals_figure(growth)):
        figure.canvas.draw()


@pytest.mark.nights
def test_words_of_others_do_no_harm() -> None:
    log = [
        reading(n, 10, words, words, direction=words, width=0.1, length=20)
        for n, words in enumerate(HOSTILE, 1)
    ]
    for quantity in ("width", "length"):
        growth_figure(growth_of(log), quantity).canvas.draw()
    totals_figure(growth_of(log)).canvas.draw()

"""The figure of product-limit curves: what of its band can be looked up in a table."""

from __future__ import annotations

import pytest
from matplotlib.figure import Figure

from rig.lives.comparison import compared
from rig.protocol.series import Life, Series
from rig.report.lives_survival import draw_curves


def test_the_band_begins_at_what_so_few_can_tell():
    lives = [Life(f"w{i}", "wet", 0.7, n, "failure", None) for i, n in enumerate((2e5, 2e5, 2e5))]
    figure = Figure()
    draw_curves(figure, compared(Series("few", {"wet": {"exposure": "spray"}}, tuple(lives), ())))
    (band,) = figure.axes[0].collections
    corners = band.get_paths()[0].vertices
    before = corners[corners[:, 0] < 1.9e5]
    # Three of three alive: 0.025 ** (1 / 3) by Clopper and Pearson (Biometrika 26 (1934) 404).
    assert before[:, 1].min() == pytest.approx(29.24, abs=0.01)
    assert before[:, 1].max() == pytest.approx(100.0)

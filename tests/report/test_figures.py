"""Figures of runs: what is drawn is what the record holds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rig.commands.files import load
from rig.errors import StorageError
from rig.record import Recorder
from rig.report.figures import StiffnessCurve, draw_stiffness, stiffness_curve
from tests.record.runs import header, likely_rows

pytestmark = pytest.mark.xdist_group("pictures")  # one process loads what draws them

PNG = b"\x89PNG\r\n\x1a\n"
"""The first eight bytes of every PNG file (ISO/IEC 15948, 5.2)."""
ROWS, BASELINE, HALF = 6000, 25e6, 4001


@pytest.fixture(scope="module")
def plan():
    return load("dry-short", None)


def run_of(folder, rows: int):
    """Record a run whose stiffness falls to half from cycle HALF on, wet every 100th cycle."""
    cycles = likely_rows(1, rows)
    number = cycles["number"]
    stiffness = np.where(number < HALF, BASELINE, BASELINE / 2).astype(np.float32)
    wet = (number % 100 == 0).astype(np.uint8)
    recorder = Recorder.create(folder, header())
    recorder.cycles(cycles.with_columns(stiffness=stiffness, wet=wet))
    return recorder.finish("failure", "half is lost", rows - 50, rows / 5.0)


@pytest.fixture(scope="module")
def curve(plan, tmp_path_factory) -> StiffnessCurve:
    return stiffness_curve(run_of(tmp_path_factory.mktemp("figure") / "run", ROWS), plan)


def test_a_curve_is_the_running_median_over_the_baseline_up_to_the_verdict(curve, plan):
    assert (curve.outcome, curve.cycles) == ("failure", ROWS - 50)
    assert curve.number[[0, -1]].tolist() == [1, ROWS - 50]
    window = plan.failure.stiffness_loss.confirm
    # A median of `window` cycles sees half only once half of them have it.
    seen = HALF + window // 2
    assert curve.share[curve.number < HALF] == pytest.approx(1.0)
    assert curve.share[curve.number >= seen] == pytest.approx(0.5)


def test_water_is_drawn_where_it_ran(curve):
    assert curve.wet.tolist() == [[cycle, cycle] for cycle in range(100, ROWS - 50 + 1, 100)]


def test_what_the_protocol_judges_by_comes_with_the_curve(curve, plan):
    loss = plan.failure.stiffness_loss
    assert (curve.warn, curve.stop) == (loss.warn, loss.stop)
    assert curve.baseline == (plan.baseline.first, plan.baseline.last)


@pytest.mark.nights
def test_a_figure_of_two_specimens_is_a_picture(curve, tmp_path):
    dry = replace(curve, label="P-8, dry", wet=np.empty((0, 2)), outcome="run-out", warn=None)
    path = tmp_path / "stiffness.png"
    draw_stiffness([curve, dry], "Two prisms (invented data)", path)
    assert path.read_bytes().startswith(PNG)


def test_a_figure_that_cannot_be_written_is_a_storage_error(curve, tmp_path):
    with pytest.raises(StorageError, match="cannot write the figure"):
        draw_stiffness([curve], "One prism", tmp_path / "no" / "stiffness.png")


def test_a_run_without_a_baseline_is_refused_by_the_count_it_lacks(plan, tmp_path):
    path = run_of(tmp_path / "run", 500)
    with pytest.raises(StorageError, match="before cycle 3,000"):
        stiffness_curve(path, plan)

"""What the screen and its lines say of a run-out that was broken, or was to be."""

from __future__ import annotations

from dataclasses import replace

from rig.monitor.call import Level, call
from rig.monitor.glyphs import UTF8
from rig.monitor.lines import report_line
from rig.monitor.panels import far
from rig.record.entries import Residual
from tests.monitor.night_12 import with_status
from tests.monitor.views import ended

RUN_OUT = ended("run-out", "no failure in 6,000 cycles", 6000)


def after(outcome: str, why: str, load: float | None = None):
    residual = Residual(outcome, why, load, None if load is None else 5.7e-3)
    return replace(RUN_OUT, ending=replace(RUN_OUT.ending, residual=residual))


def test_the_run_out_is_the_headline_and_what_was_left_stands_below_it():
    told = call(after("ultimate", "load stayed a fifth under its peak", 130.89e3))
    assert (told.level, told.headline, told.loud) == (Level.ENDED, "ENDED: RUN-OUT", False)
    assert told.why[:2] == (
        "no failure in 6,000 cycles",
        "residual capacity 130.89 kN: load stayed a fifth under its peak",
    )
    assert not any("nightrig resume" in line for line in told.why)


def test_a_static_test_that_was_stopped_says_how_it_goes_on():
    told = call(after("operator", "stopped by A. Name: supper"))
    assert told.why[1] == "residual capacity not known: operator: stopped by A. Name: supper"
    assert any(line.startswith("to go on: nightrig resume") for line in told.why)
    assert not told.loud


def test_a_fault_in_it_is_loud_and_asks_to_be_mended():
    told = call(after("fault", "emergency stop pressed", 80e3))
    assert told.loud
    assert "residual capacity not known: fault after it had held 80 kN: emergency stop pressed" in (
        told.why
    )
    assert any("--mended" in line for line in told.why)


def test_one_line_holds_both():
    line = report_line(after("ultimate", "load stayed a fifth under its peak", 130.89e3))
    assert "no failure in 6,000 cycles | residual capacity 130.89 kN" in line


def test_while_it_is_broken_nothing_is_said_of_cycles_that_are_left():
    view = with_status(state="ramp", cycles=6000, run_out=6000)
    assert len(far(view, 80, UTF8)) == 1


def test_what_it_waits_for_at_its_run_out_is_said_once():
    asks = "map the cracks, then nightrig continue to have it broken"
    told = call(with_status(state="waiting", cycles=6000, asks=asks, coming=()))
    assert told.level is Level.COME
    assert told.why.count(asks) == 1

"""What small screens keep, and what is left on the screen after an end."""

from dataclasses import replace

import pytest

from rig.monitor.curve import Curve
from rig.monitor.terminal import screen_text
from rig.monitor.view import View
from rig.monitor.words import LEAVES
from rig.record.entries import Event
from rig.record.status import Coming
from tests.monitor.night_12 import CYCLING, WET, and_events, softening, with_status
from tests.monitor.views import VIEWS

SPRAYED = Event(6 * 3600.0, 83_214, "water", "water: 90 s wet, 2.2 L, no period missed")


def text(view: View, width: int, height: int, hint: str = LEAVES) -> str:
    return screen_text(view, width, height, ascii_only=False, hint=hint)


@pytest.mark.parametrize("name", [n for n, v in VIEWS.items() if v.ending is None])
@pytest.mark.parametrize(
    "size", [(40, 10), *(pytest.param(s, marks=pytest.mark.nights) for s in ((60, 16), (79, 23)))]
)
def test_small_screens_keep_which_run_and_how_to_leave_and_drop_events_first(name, size):
    shown = text(VIEWS[name], *size)
    assert VIEWS[name].header.specimen_id in shown
    assert "Ctrl-C leaves this screen" in shown
    if size[1] == 10:
        assert not any(row[:2].isdigit() and row[2:3] == ":" for row in shown.splitlines())


def test_a_small_screen_has_the_rig_where_it_has_room():
    assert "P-12 on frame 2" in text(VIEWS["cycling"], 60, 16)


@pytest.mark.parametrize(
    "height", [14, 24, *(pytest.param(h, marks=pytest.mark.nights) for h in range(15, 24))]
)
@pytest.mark.parametrize("name", ["failure", "not_off"])
def test_the_screen_that_is_left_after_an_end_holds_all_that_counts(name, height):
    shown = text(and_events(VIEWS[name], SPRAYED), 80, height, "")
    failed = name == "failure"
    for answer in (
        *("P-12", "ENDED: FAILURE" if failed else "PRESSURE NOT CONFIRMED OFF"),
        "is 40.0% below" if failed else "the controller is silent",
        "pressure off, as the controller says" if failed else "pressure NOT confirmed off",
        *("87,212 of" if failed else "83,214 of", "stiffness  ", "90 s wet, 2.2 L", "stopped  "),
    ):
        assert answer in shown


def test_a_wide_screen_says_as_much_of_what_comes_as_a_small_one():
    for size in ((80, 24), (110, 34), (120, 40), (200, 60)):
        shown = text(with_status(water=None), *size)
        for answer in ("in 70 min", "today 04:20", "at cycle 100,000"):
            assert answer in shown


def test_what_comes_is_not_cut_where_it_has_a_second_line():
    long = "then stands 20 min for people and goes on by itself unless held"
    shown = text(with_status(coming=(Coming(long),)), 110, 34)
    assert "unless held" in shown
    assert "held" not in text(with_status(coming=(Coming(long),)), 60, 16).split("cycles")[0]


def test_a_flow_that_nobody_has_measured_is_left_out():
    view = with_status(water=replace(WET, doing="on, flow not confirmed yet", flow=float("nan")))
    for size in ((80, 24), (120, 40)):
        assert "on, flow not confirmed yet, 1.50 L/min asked" in text(view, *size)


def test_temperatures_have_a_label_of_their_own():
    assert "temp.      oil 41.2 °C" in text(VIEWS["cycling"], 80, 24)
    assert "others     oil 41.2 °C" in text(VIEWS["submerged"], 80, 24)


def test_a_curve_says_from_which_to_which_cycle_it_goes():
    rows = text(VIEWS["cycling"], 80, 24).splitlines()
    assert any("│cycle 1 " in row and row.endswith(" 83,214") for row in rows)


def test_before_the_baseline_the_noise_is_not_blown_up():
    # Noise of 1 % on an axis of 20 % of the value: all of it lies in the lines of the middle.
    points = softening(900, 160, 0.0)
    view = replace(with_status(baseline=float("nan")), curve=Curve(points.cycles, points.stiffness))
    rows = [row for row in text(view, 120, 40).splitlines() if "│" in row]
    drawn = [any(0x2800 < ord(c) < 0x2900 for c in row) for row in rows]
    axis = [row.split()[0] for row in rows if row.split()[0].replace(".", "").isdigit()]
    assert 1 <= sum(drawn) <= 2
    top, bottom = map(float, (axis[0], axis[-1]))
    assert (top - bottom) / 25.43 >= 0.2 - 0.002


def test_a_test_that_stops_has_no_end_line():
    for state in ("stopping", "stopped"):
        view = with_status(state=state, cause="verdict", coming=())
        assert view.status.run_out == CYCLING.run_out
        assert not any(r.startswith("end ") for r in text(view, 80, 24).splitlines())

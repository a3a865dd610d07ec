"""Cycles by the controller's counter beside the recorded ones: which were run and not recorded."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rig.control.taken_up import TakenUp
from rig.control.taking_up import unrecorded
from rig.control.tally import Tally
from rig.judging.looking import Look, Nothing
from rig.ports import ActuatorStatus
from rig.samples import Cycles

TICK = 20  # frames
PERIOD = 100


def rows_to(end: int, cycles: int) -> Cycles:
    ends = end // PERIOD * PERIOD - PERIOD * np.arange(cycles, dtype=np.int64)[::-1]
    return Cycles({"number": np.zeros(cycles, np.int64)}, ends - PERIOD, ends, ends + 2)


def after(tally: Tally, cycles: int, end: int) -> Tally:
    """Return it after a block to frame `end` with cycles that end each on a whole period."""
    kept = tally.kept(Look(Nothing(), counted=rows_to(end, cycles) if cycles else None), end - TICK)
    return replace(kept, cycling=True)


def told(tally: Tally, stands_at: int, later: int = 0, without: str = "") -> str:
    """Return what is said where the counter stands so, `later` cycles behind the restart point."""
    point = {
        "counter": tally.counter,
        "since_counter": tally.since,
        "cycling": {"counted": 50, "built_up": 5},
    }
    point.pop(without, None)
    taken = TakenUp(point, 0, 0.0, 50 + later, 5, rows_to(0, 0), "", 1.0, "", 1.0)
    return unrecorded(taken, ActuatorStatus("off", False, stands_at, "", "", "off", 0.0), 10.0)


def lost(cycles: int) -> str:
    among = "; its own stop is among them" if cycles else ""
    return f"{cycles} cycles run and not recorded, by its counter{among}"


@pytest.mark.parametrize("ran_on", [0, 1, 4])
def test_cycles_of_a_block_after_which_the_counter_was_not_read_are_recorded_all_the_same(ran_on):
    looked = after(Tally(), 3, 310).read(203)
    stopped = after(looked, 300, 30_350)
    assert stopped.counter == 203
    assert told(stopped, 503 + ran_on) == lost(ran_on)
    # The recorder may have written more than the restart point knows.
    assert told(stopped, 503 + ran_on, later=ran_on) == lost(0)


def test_a_cycle_that_was_counted_and_whose_load_has_not_followed_is_one_that_lacks():
    looked = after(Tally(), 3, 310).read(203)
    follows = after(looked, 0, 400).read(204)
    assert told(follows, 204) == lost(1)
    assert told(after(follows, 1, 410), 204) == lost(0)
    # One that is never recorded is not waited for beyond the next one that is.
    assert told(after(follows, 1, 510).read(205), 205) == lost(0)


def test_cycles_that_wait_to_be_read_where_the_program_is_late_lack_until_it_has_read_them():
    looked = after(Tally(), 3, 310).read(203)
    late = after(looked, 1, 410).read(209, late=True)
    assert told(late, 209) == lost(5)
    assert told(after(late, 5, 910).read(209), 209) == lost(0)


def test_a_load_that_seems_to_swing_more_often_is_not_a_counter_that_has_begun_anew():
    looked = after(Tally(), 3, 310).read(203)
    assert told(after(looked, 2, 410), 204) == lost(0)
    assert told(looked, 0).startswith("about 39 cycles run and not recorded at the most")


def test_a_restart_point_of_a_version_before_this_one_is_told_by_its_counter():
    looked = after(Tally(), 3, 310).read(203)
    assert told(after(looked, 1, 410), 205, without="since_counter") == lost(2)

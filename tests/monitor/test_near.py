"""Whoever goes near the specimen is told first that it moves, and that water comes."""

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from rig.monitor.call import Call, Level, call
from rig.monitor.terminal import screen_text
from rig.monitor.view import View
from rig.record.status import BREAKS, Coming
from tests.monitor.night_12 import DRY, NOW, STANDING, WET, with_status
from tests.monitor.views import VIEWS

MOVES = "it moves: stay out"
STATES = ("waiting", "locked", "paused", "unloaded", "re-wetting")
SIZES = ((20, 5), (40, 10), (60, 16), (80, 24), (120, 40))
SOON = replace(DRY, coming=Coming("water on", 10.4))


def standing(state: str, **changed: Any) -> View:
    return with_status(VIEWS["locked"], state=state, coming=(), **changed)


def waits(seconds: float, **changed: Any) -> Call:
    coming = (Coming("goes on by itself", seconds),)
    return call(with_status(VIEWS["waiting"], coming=coming, **changed))


@pytest.mark.parametrize("state", STATES)
def test_where_people_are_invited_water_that_is_on_or_comes_is_told_first(state):
    assert call(standing(state, water=WET)).why[0] == "WATER is on: stay clear of the spray"
    # The newest data is 0.4 s old and of 02:10:11.6 UTC, an hour more in the zone shown.
    wanted = "WATER comes on in 10 s (03:10:22): stay clear of the spray"
    for what in ("water on", "spraying begins", "water is tried again"):
        view = standing(state, water=replace(DRY, coming=Coming(what, 10.4)))
        assert call(view).why[0] == wanted


@pytest.mark.parametrize("state", STATES)
def test_water_that_does_not_come_is_not_told(state):
    for coming in (None, Coming("water on", None, 90_000), Coming("water off", 10.0)):
        view = standing(state, water=replace(DRY, coming=coming))
        assert "WATER" not in " ".join(call(view).why)


def test_water_calls_nobody_while_the_rig_moves():
    assert call(with_status(water=WET)).level is Level.NOTHING


def test_water_that_is_kept_on_after_the_end_is_told():
    view = with_status(VIEWS["failure"], water=WET)
    assert "WATER is on: stay clear of the spray" in call(view).why


def test_water_counts_nothing_down_by_old_data():
    view = replace(standing("paused", water=SOON), now=NOW + timedelta(seconds=60))
    assert call(view).why[0] == "WATER comes on at 03:10: stay clear of the spray"


@pytest.mark.parametrize(
    ("left", "headline", "loud"),
    [
        (297.4, "LOOK: IT MOVES BY ITSELF IN 4 min 57 s", False),
        (60.5, "LOOK: IT MOVES BY ITSELF IN 60 s", False),
        (18.4, "STAY OUT: IT MOVES IN 18 s", True),
        (0.0, "STAY OUT: IT MOVES IN 0 s", True),
    ],
)
def test_an_inspection_that_goes_on_by_itself_says_when_it_moves(left, headline, loud):
    told = waits(left)
    assert (told.level, told.headline, told.loud) == (Level.LOOK, headline, loud)
    assert told.why[0].startswith("to hold it")
    assert ("open the guard" in told.why[0]) is not loud


def test_water_comes_before_how_to_hold_an_inspection():
    told = waits(297.4, water=SOON)
    assert [why.split()[0] for why in told.why] == ["WATER", "to", "inspection:"]


@pytest.mark.parametrize(
    ("coming", "headline"),
    [
        ((Coming(MOVES, 4.4),), "STAY OUT: IT MOVES IN 4 s"),
        ((Coming(MOVES),), "STAY OUT: IT MOVES AFTER THE HORN"),
        ((), "STAY OUT: IT MOVES AFTER THE HORN"),
    ],
)
def test_a_rig_that_starts_is_no_place_to_go(coming, headline):
    told = call(with_status(VIEWS["starting"], coming=coming))
    assert (told.level, told.headline, told.loud) == (Level.LOOK, headline, True)


def test_any_state_that_moves_at_any_moment_says_stay_out():
    view = standing("re-wetting")
    told = call(with_status(view, coming=(Coming(MOVES, 30.4),)))
    assert told.headline == "STAY OUT: IT MOVES IN 30 s"
    assert call(with_status(state="approach", coming=())).headline == "STAY OUT: IT MOVES"


def test_who_looks_on_while_a_specimen_is_broken_is_told_to_stay_out():
    means = f"{BREAKS}; nobody within reach from 92.6 kN on"
    told = call(with_status(state="ramp", means=means, coming=()))
    assert (told.level, told.loud) == (Level.LOOK, True)
    assert told.headline == "STAY OUT: IT IS LOADED UNTIL IT BREAKS"
    assert told.why == (means,)
    plain = call(with_status(state="ramp", means="one slow loading to 80 kN", coming=()))
    assert plain.headline == "NOTHING TO DO"


def test_nobody_is_sent_in_by_old_data():
    later = NOW + timedelta(seconds=60)
    for view in (VIEWS["waiting"], VIEWS["starting"]):
        assert call(replace(view, now=later)).headline == "STAY OUT: IT MAY MOVE"
    # Once nobody can know what the rig does, somebody has to come.
    told = call(replace(VIEWS["starting"], now=NOW + timedelta(minutes=6)))
    assert told.headline == "COME: NO NEW DATA"


@pytest.mark.parametrize("size", SIZES)
def test_every_screen_says_stay_out(size):
    view = with_status(VIEWS["starting"], coming=(Coming(MOVES, 4.4),))
    text = screen_text(view, *size, ascii_only=True)
    assert "STAY OUT" in text
    assert "NOTHING" not in text


def test_before_it_moves_for_the_first_time_limits_are_still_to_be_armed():
    for state, said in (("starting", True), ("checklist", True), ("unloaded", False)):
        view = with_status(VIEWS["starting"], state=state, limits=(), **STANDING)
        text = screen_text(view, 80, 24, ascii_only=True)
        assert ("limits are armed before it moves" in text) is said
        assert ("no limit is armed" in text) is not said


@pytest.mark.parametrize(
    ("state", "cause", "why", "said"),
    [
        ("paused", "pause", "by root, look at the noise", "paused by root: look at the noise; "),
        ("paused", "pause", "by root", "paused by root; "),
        ("unloading", "unload", "by root, off", "unloaded by root: off; "),
        ("paused", "no flow", "no water for 5 min", "no water for 5 min; "),
        (
            "unloaded",
            "wait over",
            "nobody came; it stood because: by root, a look",
            "nobody came; it stood because: paused by root: a look; ",
        ),
    ],
)
def test_a_pause_says_who_asked_for_it_and_why(state, cause, why, said):
    view = with_status(VIEWS["paused"], state=state, cause=cause, why=why, water=None)
    assert call(view).why[0].startswith(said)

"""What a protocol and a rig file ask of people: pauses, attendance, hours, horn, local input."""

from __future__ import annotations

from datetime import time

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from rig.errors import InputError
from rig.protocol.plan import Approach, Attendance, Hours, Pauses, Plan, WarningSignal
from tests.protocol.broken import ATTENDANCE
from tests.protocol.texts import RIG, WET, WHOLE, load_edited, shipped

QUIET = 'quiet = ["20:00", "06:00"]'
WORKING = 'working = ["08:00", "17:00"]'
TIMES = st.builds(time, st.integers(0, 23), st.integers(0, 59))


def edited(old: str, new: str) -> Plan:
    assert old in WHOLE
    return load_edited({WET: WHOLE.replace(old, new, 1)})


def without(*tables: str) -> str:
    """Return the whole protocol without some tables."""
    text = WHOLE
    for name in tables:
        before, _, after = text.partition(f"[{name}]\n")
        text = before + after[after.index("\n[") + 1 :]
    return text


def refused(old: str, new: str) -> list[str]:
    """Return the fields that are refused after an edit, none where it is accepted."""
    try:
        edited(old, new)
    except InputError as error:
        return [p.field for p in error.problems]
    return []


def is_time_of_day(text: str) -> bool:
    try:
        return f"{time.fromisoformat(text):%H:%M}" == text
    except ValueError:
        return False


def minutes(clock: time) -> int:
    return clock.hour * 60 + clock.minute


def test_what_people_are_asked_is_read_into_the_plan():
    plan = load_edited({WET: WHOLE})
    assert plan.pauses == Pauses(unload_after=1800.0)
    assert plan.attendance == Attendance(times=(1800.0, 7200.0), cycles=(20_000,))
    assert plan.hours == Hours(
        zone="Europe/Lisbon",
        quiet=(20 * 60, 6 * 60),
        quiet_weekend=True,
        working=(8 * 60, 17 * 60),
        pull_forward=pytest.approx(0.1),
    )
    assert plan.inspections is not None
    assert plan.inspections.zero
    assert plan.spray is not None
    assert plan.spray.faces == ("bottom", "left side")


def test_what_is_left_out_has_the_usual_values():
    text = without("pauses", "attendance", "hours").replace("zero = true\n", "")
    plan = load_edited({WET: text.replace('settle = "60 s"  # before seating\n', "")})
    assert plan.pauses == Pauses(unload_after=1800.0)
    assert plan.attendance is None
    assert plan.hours == Hours("", None, quiet_weekend=False, working=None)
    approach = plan.stages[0]
    assert isinstance(approach, Approach)
    assert approach.settle == 60.0
    assert plan.inspections is not None
    assert not plan.inspections.zero


def test_a_settling_time_is_read_with_its_unit():
    approach = edited('"60 s"  #', '"0.5 min"  #').stages[0]
    assert isinstance(approach, Approach)
    assert approach.settle == pytest.approx(30.0)


def test_weekends_are_as_other_days_where_the_file_says_so():
    assert not edited('weekend = "quiet"', 'weekend = "as other days"').hours.quiet_weekend


@given(begin=TIMES, end=TIMES)
def test_quiet_hours_may_wrap_midnight_but_not_end_when_they_begin(begin, end):
    line = f'quiet = ["{begin:%H:%M}", "{end:%H:%M}"]'
    if begin == end:
        with pytest.raises(InputError, match="ends when it begins"):
            edited(QUIET, line)
    else:
        assert edited(QUIET, line).hours.quiet == (minutes(begin), minutes(end))


@given(begin=TIMES, end=TIMES)
def test_working_hours_lie_within_one_day(begin, end):
    line = f'working = ["{begin:%H:%M}", "{end:%H:%M}"]'
    if begin < end:
        assert edited(WORKING, line).hours.working == (minutes(begin), minutes(end))
    else:
        with pytest.raises(InputError, match="does not end after it begins"):
            edited(WORKING, line)


@given(
    text=st.text(alphabet="0123456789:. ٣APMZ+-", max_size=8)
    | st.from_regex("[0-9]{2}:[0-9]{2}", fullmatch=True)
)
def test_a_time_of_day_is_two_digits_colon_two_digits_and_nothing_else(text):
    assume(text != "06:00")
    wrong = [] if is_time_of_day(text) else ["hours.quiet[1]"]
    assert refused(QUIET, f'quiet = ["{text}", "06:00"]') == wrong


@given(
    looks=st.lists(
        st.tuples(st.sampled_from(["s", "cycles"]), st.integers(10, 100_000)),
        min_size=1,
        max_size=20,
    )
)
def test_attendance_takes_times_and_counts_in_any_mixture_if_each_kind_rises(looks):
    times = [n for unit, n in looks if unit == "s"]
    counts = [n for unit, n in looks if unit == "cycles"]
    line = "by = [" + ", ".join(f'"{n} {unit}"' for unit, n in looks) + "]"
    if all(sorted(set(kind)) == kind for kind in (times, counts)):
        read = edited(ATTENDANCE, line).attendance
        assert read == Attendance(tuple(map(float, times)), tuple(counts))
    else:
        with pytest.raises(InputError, match="does not rise"):
            edited(ATTENDANCE, line)


@pytest.mark.parametrize("zone", ["UTC", "America/Argentina/Ushuaia", "Etc/GMT+3", "Asia/Kolkata"])
def test_a_zone_of_the_iana_list_is_known(zone):
    assert edited("Europe/Lisbon", zone).hours.zone == zone


@given(zone=st.text(min_size=1, max_size=12))
def test_any_text_as_a_zone_is_known_or_refused_at_its_place(zone):
    quoted = "".join(f"\\U{ord(c):08X}" for c in zone)
    assert set(refused("Europe/Lisbon", quoted)) <= {"hours.zone"}


def test_the_horn_and_the_stop_on_mains_loss_are_read_from_the_rig_file():
    rig = load_edited({}).rig
    assert rig.warning == WarningSignal("horn", 5.0)
    assert rig.local_input == ""
    assert rig.stops["mains"] == 1


def test_mains_loss_stops_in_a_controlled_way_where_the_rig_file_does_not_say():
    assert "mains = 1\n" in shipped(RIG)
    assert load_edited({RIG: shipped(RIG).replace("mains = 1\n", "")}).rig.stops["mains"] == 1
    assert (
        load_edited({RIG: shipped(RIG).replace("mains = 1", "mains = 0")}).rig.stops["mains"] == 0
    )


def bare_rig(driver: str) -> str:
    """Return a rig file without horn and local input."""
    text = shipped(RIG).replace('driver = "simulated"', f'driver = "{driver}"')
    before, _, after = text.partition("[warning_signal]\n")
    return before + after[after.index("\n[") + 1 :]


def test_a_real_rig_without_horn_or_local_input_is_a_warning_each():
    said = load_edited({WET: WHOLE, RIG: bare_rig("bench")}).warnings
    assert len(said) == 2
    assert any("no horn or lamp" in w and 'kind = "horn"' in w for w in said)
    assert any("no button or key" in w and 'local_input = "button"' in w for w in said)


def test_a_real_rig_with_both_is_none_and_a_simulated_one_needs_neither():
    assert load_edited({WET: WHOLE, RIG: bare_rig("simulated")}).warnings == ()
    text = shipped(RIG).replace('driver = "simulated"', 'driver = "bench"\nlocal_input = "key"')
    plan = load_edited({WET: WHOLE, RIG: text})
    assert plan.warnings == ()
    assert plan.rig.local_input == "key"


def test_nobody_asked_to_look_is_a_warning_on_a_real_rig_with_a_line_to_paste():
    text = without("attendance")
    assert load_edited({WET: text}).warnings == ()
    real = shipped(RIG).replace('driver = "simulated"', 'driver = "bench"\nlocal_input = "key"')
    (said,) = load_edited({WET: text, RIG: real}).warnings
    assert ATTENDANCE in said


def test_sprayed_faces_that_nobody_named_are_a_warning():
    for faces in ("", "faces = []\n"):
        text = WHOLE.replace('faces = ["bottom", "left side"]\n', faces)
        (said,) = load_edited({WET: text}).warnings
        assert "spray" in said
        assert 'faces = ["bottom", "left side"]' in said

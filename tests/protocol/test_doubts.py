"""Why a rig is in doubt on a day: each cause by itself, with what to do, and none without."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.protocol.doubts import (
    CALIBRATION,
    RANGE,
    SOON,
    STOPS,
    VERIFICATION,
    doubts,
    plan_doubts,
)
from rig.protocol.estimate import estimate
from tests.protocol.texts import BY_SERIES, RIG, WHOLE, load_edited, shipped, shipped_names
from tests.protocol.trust_texts import (
    FRAME_TABLE,
    OF_LOAD,
    PROVEN,
    VERIFIED,
    all_calibrated,
    changed,
    plan_on,
)
from tests.protocol.wire_texts import WIRED, loaded

DAY = date(2026, 3, 25)
SOUND = all_calibrated()
SLOW = BY_SERIES.replace('"4 Hz"', '"1 Hz"').replace('"11e6 cycles"', '"1e5 cycles"')
STATIC = shipped("static-ultimate.toml")
NO_MASS = changed(('moving_mass = "120 kg"', 'moving_mass = "0 kg"'), text=SOUND)


def found(rig: str, today: date = DAY, protocol: str = BY_SERIES) -> list[tuple[str, str]]:
    return [(doubt.kind, doubt.text) for doubt in plan_doubts(plan_on(rig, protocol), today)]


def only(rig: str, today: date = DAY, protocol: str = BY_SERIES) -> tuple[str, str]:
    (doubt,) = found(rig, today, protocol)
    return doubt


def test_a_rig_that_is_calibrated_verified_and_proven_is_not_in_doubt():
    assert found(SOUND) == []
    assert doubts(loaded(SOUND), DAY) == ()


@pytest.mark.parametrize("name", shipped_names("rigs"))
def test_shipped_rigs_are_never_in_doubt(name):
    plan = load_edited({}, "first-night.toml", name)
    for day in (date(1990, 1, 1), DAY, date(2190, 1, 1)):
        assert plan_doubts(plan, day) == doubts(plan.rig, day) == ()


def test_a_simulated_rig_is_not_in_doubt_even_with_a_calibration_long_over():
    text = shipped(RIG)
    at = text.index("[[channel]]", text.index('name = "load"'))
    plan = load_edited({RIG: text[:at] + OF_LOAD + text[at:] + FRAME_TABLE})
    assert plan.rig.trust.calibrations
    assert plan_doubts(plan, date(2100, 1, 1)) == ()


def test_a_rig_that_says_nothing_is_in_doubt_of_everything():
    kinds = [doubt.kind for doubt in plan_doubts(plan_on(WIRED), DAY)]
    assert kinds == [CALIBRATION, VERIFICATION, STOPS]


# Calibrations.


def test_channels_without_calibration_are_named_sampled_and_slow_ones_alike():
    kind, text = only(all_calibrated("midspan", "flow"))
    assert kind == CALIBRATION
    assert text.startswith('there is no calibration of "midspan", "flow"; ')


def test_a_calibration_holds_to_the_end_of_its_last_day():
    long = BY_SERIES.replace('"11e6 cycles"', '"20000 cycles"')
    long_proven = changed(('renew_after = "90 d"', 'renew_after = "900 d"'), text=SOUND)
    last = date(2028, 1, 31)
    kept = long_proven.replace('until = "2027', 'until = "2029')
    assert found(kept, last, long) == []
    kind, text = only(kept, last + timedelta(days=1), long)
    assert kind == CALIBRATION
    assert 'T-9 of "temperature_air", of 2026-01-31, expired on 2028-01-31' in text


def test_a_calibration_of_tomorrow_is_in_doubt_today():
    tomorrow = changed(('date = "2026-03-14"', 'date = "2026-03-26"'), text=SOUND)
    kind, text = only(tomorrow)
    assert kind == CALIBRATION
    assert 'C-0417 of "load"' in text
    assert "yet to come" in text
    assert found(tomorrow, date(2026, 3, 26)) == []


@given(
    made=st.dates(date(2000, 1, 1), date(2050, 1, 1)),
    lasts=st.integers(1, 4000),
    later=st.integers(-10, 4100),
)
def test_a_calibration_is_in_doubt_exactly_outside_its_days(made, lasts, later):
    until = made + timedelta(days=lasts)
    text = changed(
        ('date = "2026-03-14"', f'date = "{made}"'),
        ('until = "2027-03-14"', f'until = "{until}"'),
    )
    told = [d.text for d in doubts(loaded(text), made + timedelta(days=later))]
    doubted = any("C-0417" in line for line in told)
    assert doubted == (not 0 <= later <= lasts)


# The range that was calibrated against the loads of the protocol.


@pytest.mark.parametrize(
    ("used", "doubted"),
    [
        ('["9.24 kN", "92.4 kN"]', False),
        ('["9.3 kN", "250 kN"]', True),
        ('["5 kN", "92 kN"]', True),
    ],
)
def test_a_load_cell_is_to_be_calibrated_from_the_lower_to_the_upper_load(used, doubted):
    rig = changed(('used = ["5 kN", "250 kN"]', f"used = {used}"), text=SOUND)
    kinds = [kind for kind, _ in found(rig, protocol=WHOLE)]
    assert kinds == [RANGE] * doubted


def test_points_that_end_below_the_upper_load_are_in_doubt_with_both_ranges_named():
    rig = changed(
        ('["125 kN", "125.4 kN"]', '["40 kN", "40.2 kN"]'),
        ('["250 kN", "250.9 kN"]', '["80 kN", "80.3 kN"]'),
        text=SOUND,
    )
    kind, text = only(rig)
    assert kind == RANGE
    assert '"load" is calibrated from 5 to 80 kN, and the test takes figures at 9.' in text


def test_a_test_to_the_ultimate_load_wants_the_cell_calibrated_to_its_limit():
    rig = changed(('used = ["5 kN", "250 kN"]', 'used = ["5 kN", "199 kN"]'), text=NO_MASS)
    kind, text = only(rig, protocol=STATIC)
    assert kind == RANGE
    assert "takes figures at 200 kN" in text
    assert found(NO_MASS, protocol=STATIC) == []


# Verification in motion.


def test_a_rig_without_moving_mass_needs_no_verification_for_slow_tests():
    never = NO_MASS.replace(VERIFIED, "")
    assert found(never, protocol=SLOW) == []
    assert found(never, protocol=STATIC) == []
    assert doubts(loaded(never), DAY) == ()
    kind, text = only(never)
    assert kind == VERIFICATION
    assert text.startswith("4 Hz is fast, and the load was never verified in motion; run ")


def test_a_moving_mass_needs_a_verification_at_any_frequency():
    never = SOUND.replace(VERIFIED, "")
    kind, text = only(never, protocol=SLOW)
    assert kind == VERIFICATION
    assert text.startswith("120 kg move between cell and specimen, and the load was never")
    (doubt,) = doubts(loaded(never), DAY)
    assert doubt.kind == VERIFICATION


def test_a_test_faster_than_what_was_verified_is_in_doubt():
    slower = changed(('frequency = "5 Hz"\ndiff', 'frequency = "3.9 Hz"\ndiff'), text=SOUND)
    kind, text = only(slower)
    assert kind == VERIFICATION
    assert "up to 3.9 Hz, and the test runs at 4 Hz" in text
    assert found(slower, protocol=SLOW) == []


def test_a_difference_above_one_per_cent_is_in_doubt():
    for difference, doubted in (("1 %", False), ("1.1 %", True)):
        rig = changed(('difference = "0.4 %"', f'difference = "{difference}"'), text=SOUND)
        told = found(rig)
        assert [kind for kind, _ in told] == [VERIFICATION] * doubted
        assert all("1.1 % off, more than 1 %" in text for _, text in told)


def test_a_verification_of_tomorrow_is_in_doubt_today():
    rig = changed(('date = "2026-03-20"', 'date = "2026-03-26"'), text=SOUND)
    assert only(rig)[0] == VERIFICATION


# Proof of stopping.


def test_stops_that_were_never_proven_are_in_doubt():
    kind, text = only(SOUND.replace(PROVEN, ""))
    assert kind == STOPS
    assert "never proven" in text
    assert "--prove-stops" in text


def test_stops_are_in_doubt_from_the_day_after_they_were_to_be_proven_again():
    short = BY_SERIES.replace('"11e6 cycles"', '"20000 cycles"')
    due = date(2026, 3, 21) + timedelta(days=90)
    assert found(SOUND, due, short) == []
    kind, text = only(SOUND, due + timedelta(days=1), short)
    assert kind == STOPS
    assert "91 days ago, on 2026-03-21 by B. Name, and are to be proven every 90 days" in text


def test_a_proof_of_tomorrow_is_in_doubt_today():
    rig = changed(('date = "2026-03-21"', 'date = "2026-03-26"'), text=SOUND)
    assert only(rig)[0] == STOPS


# What will be over before the test is.


def test_what_ends_before_a_long_test_does_is_told_on_its_first_day():
    rig = changed(
        ('until = "2027-03-14"', 'until = "2026-04-01"'),
        ('renew_after = "90 d"', 'renew_after = "10 d"'),
        text=SOUND,
    )
    told = found(rig)
    assert [kind for kind, _ in told] == [SOON, SOON]
    days = int(estimate(plan_on(rig)).duration_s // 86400)
    assert days > 30
    end = DAY + timedelta(days=days)
    assert f"expires on 2026-04-01, and the test lasts to {end}" in told[0][1]
    assert "to be proven by 2026-03-31" in told[1][1]


def test_a_test_without_end_is_reckoned_with_and_does_not_break_the_calendar():
    endless = BY_SERIES.replace('"11e6 cycles"', '"1e9 cycles"').replace('"4 Hz"', '"0.01 Hz"')
    kinds = {kind for kind, _ in found(SOUND, protocol=endless)}
    assert kinds == {SOON}


def test_every_doubt_is_one_line_that_says_what_to_do():
    for rig in (WIRED, SOUND, SOUND.replace(VERIFIED, "")):
        for day in (date(2020, 1, 1), DAY, date(2040, 1, 1)):
            for _, text in found(rig, day):
                assert text.isprintable()
                assert "; " in text

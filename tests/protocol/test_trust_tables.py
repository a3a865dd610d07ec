"""What a good rig file says of its trust, in SI, and what is warned of."""

from __future__ import annotations

from datetime import date
from itertools import accumulate

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.errors import InputError
from rig.protocol.load import load_rig
from rig.protocol.plan import RigPlan
from rig.protocol.trust import (
    Accuracy,
    Calibration,
    DynamicVerification,
    Frame,
    ProofOfStopping,
    ProvenStop,
    Supply,
    Trust,
)
from tests.protocol.texts import RIG, WET, WHOLE, load_edited, problems_of, shipped, shipped_names
from tests.protocol.trust_texts import (
    FRAME_TABLE,
    MAKE_UP,
    OF_LOAD,
    PROVEN,
    ROWS,
    STROKE,
    SUPPLY,
    TRUSTED,
    VERIFIED,
    changed,
    plan_on,
)
from tests.protocol.wire_texts import WIRED, loaded, problems_in


def test_a_calibration_is_read_in_the_units_of_its_channel():
    made = loaded(TRUSTED).trust.calibrations
    assert set(made) == {"load", "temperature_air"}
    assert made["load"] == Calibration(
        date=date(2026, 3, 14),
        until=date(2027, 3, 14),
        certificate="C-0417",
        serial="LC-2093",
        uncertainty=400.0,
        used=(5e3, 250e3),
        points=((0.0, 100.0), (125e3, 125.4e3), (250e3, 250.9e3)),
        shunt=83.4e3,
        shunt_tolerance=pytest.approx(0.008),
    )


def test_a_calibration_of_a_temperature_has_no_offset_in_its_uncertainty():
    assert loaded(TRUSTED).trust.calibrations["temperature_air"] == Calibration(
        date=date(2026, 1, 31),
        until=date(2028, 1, 31),
        certificate="T-9",
        uncertainty=0.3,
        used=(278.15, 308.15),
    )


def test_the_tables_are_read_in_si():
    trust = loaded(TRUSTED).trust
    assert trust.frame == Frame(120.0, "fixed", 1200.0, "resting")
    assert trust.supply == Supply(
        piston_area=pytest.approx(5e-3),
        pressure=pytest.approx(21e6),
        flow=pytest.approx(63e-3 / 60),
        others=pytest.approx(20e-3 / 60),
        valve_flow=pytest.approx(1e-3),
        valve_drop=pytest.approx(3.5e6),
    )
    assert trust.verified == DynamicVerification(
        date(2026, 3, 20), "A. Name", 5.0, pytest.approx(0.004)
    )
    assert trust.proven == ProofOfStopping(
        date(2026, 3, 21),
        "B. Name",
        90,
        (
            ProvenStop("emergency stop", pytest.approx(0.012), pytest.approx(8e-5), 20),
            ProvenStop("watchdog", 0.52, pytest.approx(3e-4), 3),
        ),
    )


def test_the_tank_is_filled_meanwhile():
    pump = loaded(TRUSTED).pump
    assert pump is not None
    assert pump.make_up == pytest.approx(0.5e-3 / 60)


def simulated_with(*tables: str) -> str:
    """Return the shipped rig file with a calibration of its load cell, a stroke and some tables."""
    text = shipped(RIG)
    first, second = text.index("[[channel]]"), text.rindex("[[channel]]")
    assert 'name = "load"' in text[first:second].split("[[channel]]")[1]
    end = text.index("[[channel]]", first + 1)
    of_stroke = STROKE[: STROKE.index("from =")] + "\n"
    text = text[:end] + OF_LOAD + of_stroke + text[end:]
    return text.replace("[pump]\n", "[pump]\n" + MAKE_UP) + "".join(tables)


def test_a_simulated_rig_may_say_the_same():
    text = simulated_with(FRAME_TABLE, SUPPLY, VERIFIED, PROVEN)
    plan = load_edited({WET: WHOLE, RIG: text})
    wired = loaded(TRUSTED)
    made = plan.rig.trust
    assert made.calibrations["load"] == wired.trust.calibrations["load"]
    assert (made.frame, made.supply) == (wired.trust.frame, wired.trust.supply)
    assert (made.verified, made.proven) == (wired.trust.verified, wired.trust.proven)
    assert plan.rig.pump == wired.pump
    assert not plan.warnings


def test_a_mistake_in_a_simulated_rig_file_is_told_alike():
    text = simulated_with(FRAME_TABLE).replace('"120 kg"', '"120 kN"')
    (problem,) = problems_of({WET: WHOLE, RIG: text})
    assert (problem.file, problem.field) == (RIG, "frame.moving_mass")
    assert text.splitlines()[problem.line - 1] == 'moving_mass = "120 kN"'


@pytest.mark.parametrize("name", shipped_names("rigs"))
def test_shipped_rig_files_hold_nothing_that_expires(name):
    trust = load_rig(name, shipped).trust
    assert (trust.calibrations, trust.verified, trust.proven) == ({}, None, None)


def test_a_rig_file_need_not_say_any_of_it():
    assert loaded(WIRED).trust == Trust()


def test_a_supply_and_a_calibration_need_not_say_all():
    few = changed(
        ('others = "20 L/min"\n', ""),
        ('valve_flow = "60 L/min"\nvalve_drop = "35 bar"\n', ""),
        ('shunt_tolerance = "0.8 %"\n', ""),
        ('cell = "fixed"\n', ""),
        ('zeroed = "resting"\n', ""),
    )
    trust = loaded(few).trust
    assert trust.supply is not None
    assert (trust.supply.others, trust.supply.valve_flow, trust.supply.valve_drop) == (
        0.0,
        None,
        7e6,
    )
    assert trust.calibrations["load"].shunt_tolerance == 0.005
    assert (trust.frame.cell, trust.frame.zeroed) == ("moving", "hanging")


def test_an_accuracy_is_a_share_of_the_range_and_one_per_cent_where_none_is_asked_for():
    assert load_edited({WET: WHOLE}).accuracy == Accuracy(0.01, 0.01)
    asked = load_edited({WET: WHOLE + '\n[accuracy]\nload = "0.5 %"\n'}).accuracy
    assert asked == Accuracy(0.005, 0.01)


@pytest.mark.parametrize(
    ("line", "field", "phrase"),
    [
        ('load = "1 kN"', "accuracy.load", "a percentage"),
        ('load = "0 %"', "accuracy.load", "give 0.01 to 20 %"),
        ('deflection = "50 %"', "accuracy.deflection", "give 0.01 to 20 %"),
        ('midspan = "1 %"', "accuracy.midspan", "known here are deflection, load"),
    ],
)
def test_an_accuracy_that_means_nothing_is_refused(line, field, phrase):
    (problem,) = problems_of({WET: f"{WHOLE}\n[accuracy]\n{line}\n"})
    assert problem.field == field
    assert phrase in problem.remedy
    assert problem.line == WHOLE.count("\n") + 3


# What is warned of.


def test_points_that_do_not_reach_the_ends_of_what_is_used_are_warned_of():
    text = changed(('["250 kN", "250.9 kN"],', '["240 kN", "240.9 kN"],'))
    (warning,) = plan_on(text).warnings
    assert "channel[1].calibration.points" in warning
    assert "from 0 to 240 kN, and used from 5 to 250 kN" in warning


ACCELERATION = """
[[channel]]
name = "acceleration"
resolution = "0.01 m/s2"
range = ["-20 m/s2", "20 m/s2"]
from = { port = "samples", number = 3, unit = "m/s2" }
"""


@pytest.mark.parametrize(
    ("old", "new", "warned"),
    [
        ("", "", False),
        (STROKE, "", True),
        (STROKE, ACCELERATION, False),
        ('moving_mass = "120 kg"', 'moving_mass = "0 kg"', False),
    ],
    ids=["stroke", "neither", "acceleration", "no mass"],
)
def test_a_moving_mass_wants_a_channel_that_tells_how_it_accelerates(old, new, warned):
    text = TRUSTED.replace(old, new) if old else TRUSTED
    found = [w for w in plan_on(text).warnings if "frame.moving_mass" in w]
    assert len(found) == warned
    assert all("stroke" in w and "is not corrected" in w for w in found)


@pytest.mark.parametrize(
    ("mass", "warned"), [("120 kg", False), ("112 kg", False), ("110 kg", True), ("0 kg", True)]
)
def test_what_rests_on_the_specimen_weighs_no_more_than_what_moves(mass, warned):
    # 1.2 kN over 9.80665 m/s2 are 122.4 kg; a tenth more is taken for rounding.
    text = changed(('moving_mass = "120 kg"', f'moving_mass = "{mass}"'))
    found = [w for w in plan_on(text).warnings if "frame.dead_load" in w]
    assert len(found) == warned
    said = (
        f'"1.2 kN" weighs 122 kg, more than the moving_mass of {mass}: what rests on the specimen'
    )
    assert all(said in w and 'give moving_mass = "122 kg" or more' in w for w in found)


def test_a_calibration_of_a_channel_that_cannot_be_read_brings_no_second_problem():
    text = changed(('name = "load"\nresolution', 'name = "laod"\nresolution'))
    (problem,) = problems_in(text)
    assert problem.field == "channel[1].name"


@pytest.mark.parametrize(("uncertainty", "warned"), [("2.8 N", True), ("2.9 N", False)])
def test_an_uncertainty_smaller_than_the_steps_of_the_channel_is_warned_of(uncertainty, warned):
    # Steps of 5 N alone bring 2 * 5 N / sqrt(12) = 2.887 N: JCGM 100:2008, F.2.2.1, from memory.
    text = changed(('uncertainty = "0.4 kN"', f'uncertainty = "{uncertainty}"'))
    found = [w for w in plan_on(text).warnings if "channel[1].calibration.uncertainty" in w]
    assert len(found) == warned
    assert all("its resolution alone brings, 0.0029 kN" in w for w in found)


# Whatever is written for a day, a point or a number of days.


def rig_of(text: str) -> RigPlan | None:
    try:
        return loaded(text)
    except InputError:
        return None


@given(day=st.dates(date(1900, 1, 1), date(2300, 1, 1)), quoted=st.booleans())
def test_a_day_is_read_as_it_is_written_or_refused(day, quoted):
    written = f'"{day.isoformat()}"' if quoted else day.isoformat()
    rig = rig_of(changed(('date = "2026-03-20"', f"date = {written}")))
    assert (rig is not None) == (1970 <= day.year <= 2199)
    if rig is not None:
        assert rig.trust.verified is not None
        assert rig.trust.verified.date == day


@given(days=st.integers(1, 3660), hours=st.integers(0, 23))
def test_a_proof_is_renewed_after_whole_days(days, hours):
    after = f"{days * 24 + hours} h"
    rig = rig_of(changed(('renew_after = "90 d"', f'renew_after = "{after}"')))
    assert (rig is not None) == (hours == 0)
    if rig is not None:
        assert rig.trust.proven is not None
        assert rig.trust.proven.renew_after == days


@given(
    first=st.integers(-26, 258),
    steps=st.lists(
        st.tuples(st.sampled_from([1, 1, 2, 3, 0, -1]), st.sampled_from([0, 1, -1, 2, -2, 29])),
        min_size=1,
        max_size=4,
    ),
)
def test_points_that_are_accepted_rise_lie_in_the_range_and_correct_by_little(first, steps):
    places = accumulate(step for step, _ in steps)
    points = [(first + place, off) for place, (_, off) in zip(places, steps, strict=True)]
    rows = ", ".join(f'["{shown} kN", "{shown + off} kN"]' for shown, off in points)
    begin = TRUSTED.index("points = [")
    end = TRUSTED.index("shunt = ")
    rig = rig_of(f"{TRUSTED[:begin]}points = [{rows}]\n{TRUSTED[end:]}")
    shown = [point[0] for point in points]
    true = [sum(point) for point in points]
    rising = all(row == sorted(set(row)) for row in (shown, true))
    within = all(-25 <= s <= 260 and abs(off) <= 28.5 for s, off in points)
    assert (rig is not None) == (len(points) > 1 and rising and within)
    if rig is not None:
        made = rig.trust.calibrations["load"].points
        assert made == tuple((1e3 * s, 1e3 * t) for s, t in zip(shown, true, strict=True))


def test_people_may_have_any_name_that_a_line_can_show():
    text = changed(('by = "A. Name"', 'by = "Ä. O\'Name-Ñame"'))
    verified = loaded(text).trust.verified
    assert verified is not None
    assert verified.by == "Ä. O'Name-Ñame"


def test_many_rows_of_a_proof_are_kept_in_their_order():
    causes = [f"cause {n}" for n in range(150)]
    rows = "".join(
        f'  {{ cause = "{c}", time = "5 ms", travel = "0 mm", repeats = 1 }},\n' for c in causes
    )
    proven = loaded(changed((ROWS, f"rows = [\n{rows}]\n"))).trust.proven
    assert proven is not None
    assert [row.cause for row in proven.rows] == causes

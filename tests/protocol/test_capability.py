"""What a test asks of its rig in numbers, and each way in which a rig falls short of it."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.commands.capability_told import capability_lines, capability_object
from rig.mechanics.actuator import peak_acceleration, peak_speed, valve_flow
from rig.mechanics.frequency import first_frequency
from rig.protocol.capability import Capability, capability
from rig.protocol.expected import expected
from rig.protocol.finding import Finding, placed
from rig.protocol.measuring import unmeasured
from rig.protocol.plan import Plan
from rig.protocol.protecting import unprotected
from rig.protocol.shortcomings import shortcomings
from rig.protocol.trust import Frame, Supply, Trust
from tests.protocol.texts import BY_SERIES, RIG, WET, load_edited, shipped, shipped_names
from tests.protocol.trust_texts import FRAME_TABLE, SUPPLY, TRUSTED, changed, plan_on

SIM = shipped(RIG)
STATIC = shipped("static-ultimate.toml")
STROKE = '[[channel]]\nname = "stroke"\nresolution = "1 um"\nrange = ["-60 mm", "60 mm"]\n\n'
OIL = SUPPLY.replace('"50 cm2"', '"125 cm2"')
"""A piston that pushes 262 kN, more than the 250 kN of the actuator."""


def on(rig: str = SIM, protocol: str = BY_SERIES) -> Plan:
    return load_edited({RIG: rig, WET: protocol})


def put(*changes: tuple[str, str], text: str = SIM) -> str:
    return changed(*changes, text=text)


PLAIN = on()


def found(plan: Plan) -> list[Finding]:
    needed = capability(plan)
    return [*shortcomings(plan, needed), *unmeasured(plan, needed)]


def only(plan: Plan) -> Finding:
    (finding,) = found(plan)
    return finding


def cycling(plan: Plan):
    asked = capability(plan).cycling
    assert asked is not None
    return asked


# What it takes to cycle.


def test_a_rig_that_suffices_is_told_nothing():
    assert found(on()) == []
    assert found(on(SIM + OIL + FRAME_TABLE)) == []


@pytest.mark.parametrize("rig", shipped_names("rigs"))
@pytest.mark.parametrize("protocol", shipped_names())
def test_shipped_rigs_suffice_for_shipped_protocols(protocol, rig):
    assert found(load_edited({}, protocol, rig)) == []


def test_what_counts_as_failed_moves_as_much_further_as_it_is_softer():
    asked = cycling(on())
    assert asked.softening == pytest.approx(1 / 0.6)
    assert asked.travel_soft == pytest.approx(asked.travel / 0.6)
    assert asked.speed_soft == pytest.approx(peak_speed(asked.travel_soft, 4.0))
    assert asked.acceleration == pytest.approx(peak_acceleration(asked.travel_soft, 4.0))
    assert asked.samples == 250


def test_too_fast_for_the_actuator_is_a_frequency_that_would_do():
    plan = on(put(('speed = "100 mm/s"', 'speed = "40 mm/s"')))
    finding, asked = only(plan), cycling(plan)
    assert asked.speed < 0.04 < asked.speed_soft
    assert (finding.file, finding.path) == ("protocol", ("loading", "frequency"))
    assert "once the specimen is 40 % softer" in finding.problem
    slower = finding.remedy.removeprefix("give at most ").strip('"')
    assert found(on(plan.texts["rig"], BY_SERIES.replace("4 Hz", slower))) == []


def test_too_fast_from_the_first_cycle_on_says_so():
    finding = only(on(put(('speed = "100 mm/s"', 'speed = "20 mm/s"'))))
    assert "softer" not in finding.problem
    assert "faster than the actuator's 20 mm/s" in finding.problem


def test_a_stroke_too_short_for_approach_and_specimen():
    finding = only(on(put(('["-60 mm", "60 mm"]', '["-8 mm", "8 mm"]'))))
    assert (finding.file, finding.path) == ("rig", ("actuator", "stroke"))
    assert finding.problem.startswith("16 mm are less than the 19")


@pytest.mark.parametrize(
    ("range_", "word"), [('["-25 kN", "99 kN"]', "larger"), ('["-1 MN", "1 MN"]', "smaller")]
)
def test_a_load_cell_too_small_or_too_large(range_, word):
    rig = put(('["-25 kN", "260 kN"]', range_), ('load = ["-20 kN", "250 kN"]\n\n[st', "\n[st"))
    finding = only(on(rig))
    assert finding.path == ("channel", 0, "range")
    assert f"take a {word} cell" in finding.remedy


@pytest.mark.parametrize("high", ["90 kN", "0 kN", "-1 kN"])
def test_a_load_cell_that_does_not_show_the_load_at_all(high):
    protocol = BY_SERIES.replace('load = ["-2 kN", "97 kN"]\n', "")
    no_limit = ('load = ["-20 kN", "250 kN"]\n\n[st', "\n[st")
    plan = on(put(('["-25 kN", "260 kN"]', f'["-25 kN", "{high}"]'), no_limit), protocol)
    assert f"is beyond the cell's {high}" in only(plan).problem


def test_a_transducer_that_ends_before_the_specimen_has_failed():
    finding = only(on(put(('["-5 mm", "50 mm"]', '["-5 mm", "4.2 mm"]'))))
    assert finding.path == ("channel", 1, "range")
    assert (
        finding.problem == "ends at 4.2 mm, and the specimen may bend 4.88 mm when it counts "
        "as failed"
    )


# Oil.


def test_oil_is_what_the_piston_takes():
    plan = on(SIM + OIL)
    asked = cycling(plan)
    assert asked.flow_peak == pytest.approx(125e-4 * asked.speed_soft)
    assert asked.flow_mean == pytest.approx(asked.flow_peak * 2 / math.pi)
    assert cycling(on()).flow_mean is None


def test_a_piston_too_small_for_the_rig_file_and_for_the_load():
    small = SUPPLY.replace('"50 cm2"', '"46 cm2"')
    texts = [str(p) for p in placed(found(on(SIM + small)), on(SIM + small), NAMES)]
    assert "supply: 210 bar on 46 cm2 push 96.6 kN, less than load of [actuator] says" in texts[0]
    assert "the upper load of 92.4 kN takes 96 % of what the oil can push" in texts[1]
    short = SIM + SUPPLY.replace('"50 cm2"', '"119 cm2"')
    assert only(on(short)).problem.startswith("210 bar on 119 cm2 push 249.9 kN, less than")


NAMES = {"protocol": "wet.toml", "rig": "frame.toml"}


@pytest.mark.parametrize(
    ("flow", "words"),
    [
        (
            "45 L/min",
            "cycling takes 25.2 L/min and others 20 L/min, more than the 45 L/min there are: ",
        ),
        (
            "50 L/min",
            "each cycle takes 39.6 L/min at its fastest and others 20 L/min, more than",
        ),
    ],
)
def test_a_pump_that_gives_too_little_oil(flow, words):
    finding = only(on(SIM + OIL.replace('"63 L/min"', f'"{flow}"', 1)))
    assert finding.path == ("supply", "flow")
    assert words in finding.problem


def test_a_valve_too_small_for_the_peak_under_load():
    rig = SIM + OIL.replace('valve_flow = "60 L/min"', 'valve_flow = "15 L/min"')
    asked, finding = cycling(on(rig)), only(on(rig))
    assert finding.path == ("supply", "valve_flow")
    assert asked.valve is not None
    # At mean load it passes more than the peak: the worst moment comes after it.
    mean = valve_flow(asked.valve, 3.5e6, 21e6, 50.8e3 / 125e-4)
    assert mean > asked.flow_peak


def test_the_valve_is_that_of_the_load_and_of_what_slows_the_mass_down():
    """Looked for in 2001 moments of the rise: 50.8 +- 41.6 kN, less what the mass gives back."""
    for mass in ("0 kg", "5 t"):
        asked = cycling(on(SIM + OIL + FRAME_TABLE.replace("120 kg", mass)))
        worst = 0.0
        for step in range(2001):
            phase = math.pi * (step / 2000 - 0.5)
            force = 50.82e3 + (41.58e3 - asked.inertia) * math.sin(phase)
            given = valve_flow(1.0, 3.5e6, 21e6, force / 125e-4)
            worst = max(worst, asked.flow_peak * math.cos(phase) / given)
        assert asked.valve == pytest.approx(worst, rel=1e-5)


# Mass and frequency.


def test_inertia_is_mass_times_acceleration():
    asked = cycling(on(SIM + FRAME_TABLE))
    assert asked.inertia == pytest.approx(120 * asked.acceleration)
    assert asked.first_frequency < cycling(on()).first_frequency
    assert asked.whole_frequency > 1.5 * asked.first_frequency


@pytest.mark.parametrize(("mass", "told"), [("3 t", False), ("3.2 t", True)])
def test_more_inertia_than_may_be_corrected_for_is_told_of(mass, told):
    """1.33 m/s2 of 3.1 t are a twentieth of the 83.16 kN: both ends make a tenth."""
    plan = on(SIM + FRAME_TABLE.replace("120 kg", mass))
    asked = cycling(plan)
    assert (2 * asked.inertia > 0.1 * 83.16e3) == told
    at = ("frame", "moving_mass")
    words = [f.problem for f in found(plan) if f.path == at]
    assert [w.endswith("more than 10 % is no matter of correction") for w in words] == [True] * told


def test_a_frequency_near_the_natural_one_is_warned_of_and_nearer_in_stronger_words():
    def at(mass: str) -> Finding:
        heavy = FRAME_TABLE.replace("120 kg", mass)
        plan = on(SIM + heavy)
        (told,) = [f for f in found(plan) if "natural" in f.problem]
        return told

    near = at("700 kg")
    assert near.path == ("loading", "frequency")
    ratio = 4.0 / first_frequency(on().specimen, 700.0)
    assert 0.1 < ratio < 0.25
    off = (1 / (1 - ratio**2) - 1) * 100
    assert near.problem.endswith(f"its load range may be about {off:.2g} % off")
    assert at("18 t").problem.endswith("% off, and is not the one asked for")
    assert at("100 t").problem.endswith("carries another one than is shown")


def test_the_frequency_that_is_advised_is_a_tenth_of_the_natural_one():
    plan = on(SIM + FRAME_TABLE.replace("120 kg", "1500 kg"))
    (told,) = [f for f in found(plan) if "natural" in f.problem]
    first = first_frequency(plan.specimen, 1500.0)
    advised = float(told.remedy.split('"')[1].removesuffix(" Hz"))
    assert 0.09 * first < advised <= 0.1 * first


def test_an_acceleration_beyond_its_sensor():
    sensor = (
        '[[channel]]\nname = "acceleration"\nresolution = "0.01 m/s2"\n'
        'range = ["-1 m/s2", "1 m/s2"]\n\n'
    )
    finding = only(on(put(("[pump]", f"{sensor}[pump]"))))
    assert finding.path == ("channel", 3, "range")
    assert "does not reach the 1.33 m/s2" in finding.problem


# Samples.


@pytest.mark.parametrize(
    ("change", "path", "cause"),
    [
        (('noise = "40 N"', 'noise = "2 kN"'), ("channel", 0, "noise"), "noise"),
        (('resolution = "5 N"', 'resolution = "5 kN"'), ("channel", 0, "resolution"), "resolution"),
        (('noise = "1 um"', 'noise = "60 um"'), ("channel", 1, "noise"), "noise"),
    ],
)
def test_samples_that_do_not_tell_a_cycle_as_well_as_is_asked(change, path, cause):
    finding = only(on(put(change)))
    assert finding.path == path
    assert finding.problem.endswith(f"asked for to 1 %; most of it is {cause}")


def test_whoever_asks_for_more_is_told_what_is_short():
    asks = '[accuracy]\nload = "0.2 %"\ndeflection = "0.02 %"\n'
    told = found(on(protocol=BY_SERIES + asks))
    assert [f.path for f in told] == [("channel", 1, "noise")]
    assert "net deflection range of one cycle is known to 0.036 %" in told[0].problem


def test_two_supports_count_by_half_and_one_stands_for_both():
    """Standard deviations add as squares: 30 um of mid-span, 40 um at each support."""
    other = re.sub(r"[0-9.]+ um\"\nnoise = \"[0-9.]+ um", '0.1 um"\nnoise = "40 um', SIM)
    left = other.replace('noise = "40 um', 'noise = "30 um', 1)
    right = left[left.index('[[channel]]\nname = "support_left"') : left.index("[pump]")]
    two = left.replace("[pump]", right.replace("support_left", "support_right") + "[pump]")
    one, both = (cycling(on(text)).deflection.noise for text in (left, two))
    assert one / both == pytest.approx(math.hypot(30, 40) / math.hypot(30, 20, 20), rel=1e-9)


def test_the_uncertainty_of_a_calibration_is_part_of_it():
    plan = plan_on(changed(('uncertainty = "0.4 kN"', 'uncertainty = "1.2 kN"')))
    told = [f for f in found(plan) if f.problem.endswith("most of it is calibration")]
    assert [f.path for f in told] == [("channel", 0, "calibration", "uncertainty")]
    (line,) = placed(told, plan, NAMES)
    text = plan.texts["rig"].splitlines()[line.line - 1]
    assert text == 'uncertainty = "1.2 kN"'


# A static test.


def static(rig: str = SIM) -> tuple[Plan, Capability]:
    plan = load_edited({RIG: rig, "static-ultimate.toml": STATIC}, "static-ultimate.toml")
    return plan, capability(plan)


def test_a_test_to_the_ultimate_load_asks_for_what_the_specimen_should_carry():
    plan, asked = static()
    assert asked.cycling is None
    assert asked.force == asked.ultimate == expected(plan.specimen).ultimate_load
    assert asked.force_of == "expected ultimate load"
    assert asked.deflection == pytest.approx(0.9 / 30)


def test_an_actuator_that_may_not_break_the_specimen():
    rig = put(('load = ["-20 kN", "250 kN"]', 'load = ["-20 kN", "120 kN"]'))
    plan, asked = static(rig)
    (finding,) = shortcomings(plan, asked)
    assert finding.path == ("actuator", "load", 1)
    assert "which should carry about 131 kN" in finding.problem


def test_a_finding_has_the_line_it_is_about():
    plan = on(put(('["-60 mm", "60 mm"]', '["-8 mm", "8 mm"]')))
    (line,) = placed(found(plan), plan, NAMES)
    assert line.file == "frame.toml"
    assert SIM.splitlines()[line.line - 1].startswith("stroke = ")
    assert line.field == "actuator.stroke"


def test_the_specimen_of_a_trusted_rig_is_found_sound():
    """The rig of lines has no sensors at the supports, and a valve that is small."""
    assert {f.path[0] for f in found(plan_on(TRUSTED))} <= {"supply"}


@given(
    frequency=st.floats(0.1, 50.0),
    mass=st.just(0.0) | st.floats(1.0, 1e4),
    area=st.floats(1e-4, 0.2),
    pressure=st.floats(1e5, 7e7),
    flow=st.floats(1e-5, 0.01),
    stroke=st.floats(1e-4, 0.5),
    high=st.sampled_from([-1e3, 0.0]) | st.floats(1e3, 1e7),
)
def test_on_any_rig_the_figures_are_numbers_and_findings_have_a_line(
    frequency, mass, area, pressure, flow, stroke, high
):
    plan = PLAIN
    trust = Trust(
        frame=Frame(moving_mass=mass),
        supply=Supply(area, pressure, flow, others=flow / 3, valve_flow=flow / 2),
    )
    channels = (replace(plan.rig.channels[0], high=high), *plan.rig.channels[1:])
    actuator = replace(plan.rig.actuator, stroke=(0.0, stroke))
    rig = replace(plan.rig, rate=5e3, trust=trust, channels=channels, actuator=actuator)
    loading = replace(plan.loading, frequency=frequency)
    plan = replace(plan, rig=rig, loading=loading)
    asked = capability(plan)
    json.dumps(capability_object(asked), allow_nan=False)
    told = placed([*found(plan), *unprotected(plan, asked)], plan, NAMES)
    lines = capability_lines(plan, asked)
    assert not re.search(r"\b(nan|inf)\b|e\+|e-\d", " ".join(lines)), lines
    for line in told:
        assert line.problem
        assert line.remedy
        assert not re.search(r"\b(nan|inf)\b|e\+|e-\d", f"{line.problem} {line.remedy}")

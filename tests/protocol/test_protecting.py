"""Limits that would not protect: each kind by itself, and none where all are in order."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rig.protocol.capability import capability
from rig.protocol.finding import Finding
from rig.protocol.plan import Plan
from rig.protocol.protecting import unprotected
from tests.protocol.texts import BY_SERIES, RIG, WET, load_edited, shipped, shipped_names
from tests.protocol.trust_texts import TRUSTED, changed, plan_on
from tests.protocol.wire_texts import WIRED

SIM = shipped(RIG)
STATIC = "static-ultimate.toml"
OWN_LOAD = 'load = ["-20 kN", "250 kN"]\n\n[stops]'
STROKE = '[[channel]]\nname = "stroke"\nresolution = "1 um"\nrange = ["-80 mm", "80 mm"]\n\n'


def found(plan: Plan) -> list[Finding]:
    return list(unprotected(plan, capability(plan)))


def only(plan: Plan) -> Finding:
    (finding,) = found(plan)
    return finding


def on(*changes: tuple[str, str], protocol: str = BY_SERIES) -> Plan:
    """Return the plan of a protocol on the simulated rig with some words exchanged."""
    return load_edited({RIG: changed(*changes, text=SIM), WET: protocol})


def static(limit: str, *changes: tuple[str, str]) -> Plan:
    protocol = changed(('"200 kN"', f'"{limit}"'), text=shipped(STATIC))
    return load_edited({RIG: changed(*changes, text=SIM), STATIC: protocol}, STATIC)


@pytest.mark.parametrize("rig", shipped_names("rigs"))
@pytest.mark.parametrize("protocol", shipped_names())
def test_the_limits_of_shipped_protocols_protect(protocol, rig):
    assert found(load_edited({}, protocol, rig)) == []


# Load.


def test_a_load_that_the_actuator_cannot_reach_never_trips():
    plan = static("200 kN", ('load = ["-20 kN", "250 kN"]', 'load = ["-20 kN", "190 kN"]'))
    finding = only(plan)
    assert (finding.file, finding.path) == ("protocol", ("limits", "load", 1))
    assert "200 kN is more than the actuator gives, 190 kN" in finding.problem


def test_the_rig_files_own_limit_is_spoken_of_where_it_is_the_tighter_one():
    plan = static(
        "200 kN",
        (OWN_LOAD, OWN_LOAD.replace("250", "195")),
        ('load = ["-20 kN", "250 kN"]', 'load = ["-20 kN", "190 kN"]'),
    )
    assert only(plan).file == "rig"
    # A tighter one of the protocol makes it harmless.
    assert found(on((OWN_LOAD, OWN_LOAD.replace("250", "255")))) == []


@pytest.mark.parametrize(("end", "sure"), [("200.1 kN", False), ("200.2 kN", True)])
def test_a_limit_within_the_noise_of_the_cells_end_may_never_trip(end, sure):
    plan = static("200 kN", ('["-25 kN", "260 kN"]', f'["-25 kN", "{end}"]'), (OWN_LOAD, "[stops]"))
    told = found(plan)
    assert not told if sure else "lies at the end of what the cell shows" in told[0].problem
    if told:
        assert told[0].remedy == 'give at most "200 kN"'


def test_a_limit_below_what_the_specimen_should_carry_ends_the_test_before_it_breaks():
    finding = only(static("110 kN"))
    assert "110 kN ends the test before the specimen breaks" in finding.problem
    assert found(static("131 kN")) == []


# Stroke.


@pytest.mark.parametrize(("end", "word"), [(0, "low"), (1, "high")])
def test_a_stroke_limit_beyond_the_actuators_own_end_never_trips(end, word):
    wide = ['"-50 mm"', '"50 mm"']
    wide[end] = wide[end].replace("50", "61")
    plan = on(("[pump]", f"{STROKE}[pump]"), (OWN_LOAD, f"stroke = [{', '.join(wide)}]\n[stops]"))
    finding = only(plan)
    assert finding.path == ("limits", "stroke", end)
    assert f"the {word} limit would never trip" in finding.problem


def test_a_controller_that_limits_no_stroke_is_told_of_on_a_real_rig():
    finding = only(plan_on(TRUSTED))
    assert (finding.file, finding.path) == ("rig", ("limits",))
    assert 'stroke = ["-54 mm", "54 mm"]' in finding.remedy
    limited = changed(("[limits]\n", '[limits]\nstroke = ["-54 mm", "54 mm"]\n'))
    assert found(plan_on(limited)) == []


def test_a_rig_that_cannot_limit_its_stroke_is_not_asked_to():
    assert found(plan_on(WIRED)) == []
    assert found(on(("[pump]", f"{STROKE}[pump]"))) == []


def test_a_controller_that_knows_no_stroke_is_not_asked_to_limit_it():
    plan = plan_on(TRUSTED)
    controller = plan.rig.wire.controller
    for limits, told in (({}, 1), ({"stroke": "s", "load": "f"}, 1), ({"load": "f"}, 0)):
        wire = replace(plan.rig.wire, controller=replace(controller, limits=limits))
        assert len(found(replace(plan, rig=replace(plan.rig, wire=wire)))) == told


# Deflection.


def test_a_deflection_limit_ends_a_test_before_the_specimen_breaks():
    """The prism of the tests should bend 5.7 mm until it breaks; a thirtieth of its span is 30."""
    text, limit = shipped(STATIC), '"40 mm"'
    (finding,) = found(load_edited({STATIC: text.replace(limit, '"5 mm"')}, STATIC))
    assert finding.path == ("limits", "deflection", 1)
    assert "5 mm ends the test before the specimen breaks, which should bend" in finding.problem
    assert finding.remedy == 'give more than "30 mm", where it is over in any case'
    assert found(load_edited({STATIC: text.replace(limit, '"6 mm"')}, STATIC)) == []


def of_deflection(high: str, *changes: tuple[str, str]) -> list[Finding]:
    limits = 'deflection = ["-0.5 mm", "4 mm"]'
    assert limits in BY_SERIES
    protocol = BY_SERIES.replace(limits, limits.replace("4 mm", high))
    return found(on(*changes, protocol=protocol))


@pytest.mark.parametrize(("high", "trips"), [("4.9 mm", True), ("5 mm", False), ("6 mm", False)])
def test_a_deflection_that_midspan_cannot_show_never_trips(high, trips):
    told = of_deflection(high, ('["-5 mm", "50 mm"]', '["-5 mm", "5 mm"]'))
    assert [f.path for f in told] == ([] if trips else [("limits", "deflection", 1)])
    assert trips or "would never trip" in told[0].problem


@pytest.mark.parametrize(("high", "deep"), [("9 mm", False), ("9.9 mm", True), ("30 mm", True)])
def test_more_than_a_hundredth_of_the_span_is_too_deep(high, deep):
    """The prism's span is 900 mm; twice what counts as failed is 9.8 mm."""
    told = of_deflection(high)
    assert [f.problem.partition(": ")[0] for f in told] == (
        [f"{high} is more than a hundredth of the span"] if deep else []
    )


def test_a_deflection_that_the_upper_load_itself_brings_trips_too_soon():
    (told,) = of_deflection("2.9 mm")
    assert "2.9 mm may trip before the upper load is reached" in told.problem
    assert "bend 2.927 mm" in told.problem
    assert of_deflection("3 mm") == []


# The controller.


def test_limits_of_software_only_are_told_of():
    finding = only(on(('limits = "controller"', 'limits = "software only"')))
    assert finding.path == ("actuator", "limits")
    assert "nothing stops the rod where the computer hangs" in finding.problem

"""What mechanics foresees of a protocol: each warning by itself, and none of shipped protocols."""

from __future__ import annotations

import re

import pytest

from rig.protocol.finding import Finding
from rig.protocol.foreseen import foreseen
from rig.protocol.plan import Plan
from tests.commands.cut_off import said_by
from tests.protocol.texts import (
    PRISM,
    RIG,
    SERIES,
    SMALL,
    WHOLE,
    load_edited,
    shipped,
    shipped_names,
)
from tests.protocol.trust_texts import changed

DRY = re.sub(r"\[spray\].*?(?=\[inspections\])", "", WHOLE, flags=re.DOTALL).replace(
    'exposure = "spray"', 'exposure = "dry"'
)
BY_LOAD = re.sub(r'\[\[stage\]\]\nname = "pre-crack".*?(?=\[\[stage\]\])', "", DRY, flags=re.DOTALL)
"""The dry protocol without its pre-cracking."""


def dry(*changes: tuple[str, str], text: str = DRY, **others: str) -> Plan:
    """Return the plan of the dry protocol with some words exchanged."""
    texts = {**others, "dry.toml": changed(*changes, text=text)}
    return load_edited(texts, "dry.toml")


def told(plan: Plan) -> list[Finding]:
    return list(foreseen(plan))


def only(plan: Plan) -> Finding:
    (finding,) = told(plan)
    return finding


@pytest.mark.parametrize("rig", shipped_names("rigs"))
@pytest.mark.parametrize("protocol", shipped_names())
def test_shipped_protocols_are_what_mechanics_expects(protocol, rig):
    assert told(load_edited({}, protocol, rig)) == []


def to(upper: float) -> tuple[tuple[str, str], ...]:
    """Return the words to exchange for an upper load [kN] and the limits that go with it."""
    return (
        ('upper = "70 %"', f'upper = "{upper:g} kN"'),
        ('load = ["-2 kN", "97 kN"]', f'load = ["-2 kN", "{upper * 1.05:.4g} kN"]'),
    )


def capacity(load: str, upper: float = 90) -> tuple[tuple[str, str], ...]:
    """Return the words to exchange for another capacity under nearly the same cycles."""
    return (
        ('capacity = "132 kN"', f'capacity = "{load}"'),
        *to(upper),
        ('lower = "7 %"', 'lower = "9 kN"'),
    )


# Upper load.


def test_an_upper_load_under_cracking_opens_nothing():
    finding = only(dry(*to(60)))
    assert finding.path == ("loading", "upper")
    assert finding.problem.startswith("60 kN is below the 7")
    assert "should crack: nothing opens" in finding.problem


def test_a_specimen_that_breaks_as_it_cracks_is_told_and_no_upper_load_asked_for():
    thin = SMALL.replace('area = "93 mm2"', 'area = "20 mm2"')
    found = [f for f in told(dry(*to(60), **{PRISM: thin})) if f.path[-1] in ("specimen", "upper")]
    assert found[0].path == ("specimen",)
    assert "it breaks as it cracks" in found[0].problem
    assert not any("nothing opens" in finding.problem for finding in found)


def test_a_thousand_cycles_on_a_beam_that_must_not_crack_are_a_trial():
    few = ('run_out = "11e6 cycles"', 'run_out = "1000 cycles"')
    early = ('from = "2000 cycles"\nto = "3000 cycles"', 'from = "200 cycles"\nto = "300 cycles"')
    assert told(dry(*to(60), few, early)) == []


def test_over_95_percent_of_the_capacity_may_break_in_the_first_cycles():
    (finding,) = [f for f in told(dry(*to(127))) if f.path == ("loading", "upper")]
    assert finding.problem.startswith("127 kN is 96 % of the capacity: ")
    assert finding.remedy == 'give at most "125 kN"'
    assert [f for f in told(dry(*to(124))) if f.path == ("loading", "upper")] == []


def test_a_load_near_what_the_specimen_should_carry_is_told_though_a_capacity_is_higher():
    plan = dry(*capacity("160 kN", upper=127))
    (finding,) = [f for f in told(plan) if f.path == ("loading", "upper")]
    assert "% of the 13" in finding.problem
    assert "kN that the specimen should carry" in finding.problem


# Capacity.


@pytest.mark.parametrize(("load", "word"), [("200 kN", "above"), ("96 kN", "below")])
def test_a_capacity_that_no_such_specimen_has_is_told(load, word):
    (finding,) = [f for f in told(dry(*capacity(load))) if f.path == ("loading", "capacity")]
    assert f" % {word} the 13" in finding.problem
    assert "same geometry and exposure" in finding.remedy


@pytest.mark.parametrize("load", ["105 kN", "160 kN"])
def test_a_capacity_within_the_scatter_of_strengths_is_not_told(load):
    assert told(dry(*capacity(load))) == []


UNBONDED = SMALL.replace('"pre-tensioned"', '"post-tensioned unbonded"')


@pytest.mark.parametrize(("load", "warned"), [("132 kN", False), ("260 kN", True)])
def test_a_capacity_without_bond_is_held_to_less_as_a_code_tells_it(load, warned):
    found = told(dry(*capacity(load, upper=100), **{PRISM: UNBONDED}))
    assert [f.path for f in found] == ([("loading", "capacity")] if warned else [])


def test_of_a_tendon_without_bond_no_life_is_known_that_ends_a_run_out():
    """Its range here is a bound: by that it would last 4 million cycles, and the concrete 7e9."""
    far = ('run_out = "11e6 cycles"', 'run_out = "1e9 cycles"')
    found = told(dry(far, *to(90), **{PRISM: UNBONDED}))
    assert not [f for f in found if f.path[-1] == "run_out"]


def warnings_of_series(*changes: tuple[str, str], more: str = "") -> list[str]:
    """Return the warnings of a protocol by a shipped series with some words exchanged."""
    by_series = ('capacity = "132 kN"', 'capacity_from = "series/wet-cracks.toml: dry"')
    series = changed(*changes, text=shipped(SERIES)) + more
    return [w for w in dry(by_series, **{SERIES: series}).warnings if "capacity_from" in w]


def of_dry(words: str) -> tuple[str, str]:
    return ('exposure = "dry"', f'exposure = "dry"\n{words}')


def test_companions_of_another_specimen_are_told():
    assert warnings_of_series() == []
    (warning,) = warnings_of_series(("prism-small.toml", "plank.toml"))
    assert 'of companions of another specimen, "plank", and not of "prism-small"' in warning


def test_companions_of_two_geometries_are_told():
    large = (
        '\n[groups.large]\nexposure = "dry"\ngeometry = "150 x 300"\n'
        '\n[[ultimate]]\nspecimen = "L-1"\ngroup = "large"\nload = "133 kN"\n'
    )
    assert warnings_of_series(more=large) == []
    (warning,) = warnings_of_series(of_dry('geometry = "150 x 200"'), more=large)
    assert 'companions of unlike geometry, "150 x 200" and "150 x 300"' in warning


# First cracking.


def test_the_first_cracking_by_load_is_told_of_the_stage_that_does_it():
    finding = only(dry(text=BY_LOAD))
    assert finding.path == ("stage", 1)
    assert "by load for the first time" in finding.problem
    assert finding.remedy.startswith("put a stage")
    slow = ('control = "deflection"', 'control = "load"')
    speeds = ('speed = "0.2 mm/min"\nspeed_after_crack = "0.5 mm/min"', 'speed = "0.5 kN/s"')
    finding = only(dry(slow, speeds))
    assert finding.path == ("stage", 1, "control")
    assert finding.remedy.startswith('write control = "deflection"')


def test_a_small_load_before_cracking_by_way_is_none():
    ramp = (
        '[[stage]]\nname = "look"\nkind = "ramp"\ncontrol = "load"\nto = "{}"\nspeed = "1 kN/s"\n\n'
    )
    before = '[[stage]]\nname = "pre-crack"'
    assert told(dry((before, ramp.format("50 kN") + before))) == []
    assert only(dry((before, ramp.format("65 kN") + before))).path == ("stage", 1, "control")


# Run-out.


def test_a_run_out_that_no_model_lets_the_specimen_reach_is_told():
    (finding,) = [f for f in told(dry(*to(127))) if f.path[-1] == "run_out"]
    assert "11,000,000 cycles are never reached" in finding.problem
    assert "tendon" in finding.problem


def test_a_run_out_long_before_any_model_expects_an_end_is_told():
    few = ('run_out = "11e6 cycles"', 'run_out = "50000 cycles"')
    (finding,) = [f for f in told(dry(*to(77), few)) if f.path[-1] == "run_out"]
    assert "50,000 cycles tell nothing of the life" in finding.problem


def test_an_hour_of_cycles_is_not_asked_what_it_tells():
    few = ('run_out = "11e6 cycles"', 'run_out = "20000 cycles"')
    assert told(dry(*to(77), few)) == []


# Limits.


def test_a_load_limit_above_what_the_specimen_should_carry_does_not_protect():
    (finding,) = [f for f in told(dry(*to(127))) if f.path == ("limits", "load", 1)]
    assert "breaks before the limit trips" in finding.problem


@pytest.mark.parametrize(("high", "protects"), [("130 kN", True), ("132 kN", False)])
def test_a_tighter_limit_of_the_rig_file_protects_all_the_same(high, protects):
    own = 'load = ["-20 kN", "250 kN"]\n\n[stops]'
    rig = changed((own, own.replace("250 kN", high)), text=shipped(RIG))
    found = [f for f in told(dry(*to(127), **{RIG: rig})) if f.path == ("limits", "load", 1)]
    assert (found == []) is protects


def test_a_static_test_is_told_of_nothing_but_its_first_crack():
    static = shipped("static-ultimate.toml")
    assert told(load_edited({"s.toml": static}, "s.toml")) == []


def test_check_tells_it_with_file_and_line(tmp_path):
    for name in ("specimens", "series"):
        (tmp_path / name).mkdir()
    (tmp_path / PRISM).write_text(SMALL)
    protocol = tmp_path / "dry.toml"
    protocol.write_text(changed(*to(60), text=DRY))
    said = said_by("check", str(protocol))
    line = DRY[: DRY.index("upper = ")].count("\n") + 1
    assert said.code == 0
    assert f"warning: {protocol}:{line}: loading.upper: 60 kN is below the 73.6 kN" in said.out

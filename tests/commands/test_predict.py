"""`nightrig predict` as it is typed: values, keys, tables, figure, and what is refused."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest

from rig.units import GRAVITY
from tests.commands.cut_off import said_by
from tests.commands.predicting import SI, told, us

KEYS = {
    "section": {"area_m2", "inertia_m4", "bottom_modulus_m3"},
    "decompression": {"moment_Nm", "actuator_load_N"},
    "cracking": {"moment_Nm", "actuator_load_N"},
    "ultimate": {"moment_Nm", "actuator_load_N", "neutral_axis_m", "tendon_stress_Pa"},
    "levels": {"load", "concrete_max", "concrete_min", "tendon_range_Pa"},
}
BONDED = {"tendon_stress_Pa", "tendon_range_Pa", "concrete_top_Pa", "deflection_m"}
DEBONDED = {
    *("model", "length_m", "tendon_stress_Pa", "concrete_top_Pa", "deflection_m"),
    "ultimate_moment_Nm",
}
LIFE = {"model", "part", "exposure", "log10_cycles", "kind", "valid"}


@pytest.mark.parametrize(
    "protocol",
    [
        "submerged-prism",
        *(
            pytest.param(p, marks=pytest.mark.nights)
            for p in ("dry-run-out", "overnight-wet-prism")
        ),
    ],
)
def test_the_keys_are_those_that_scripts_rely_on(protocol):
    found = told(protocol)
    for name, keys in KEYS.items():
        assert keys <= found[name].keys()
        assert all(isinstance(found[name][key], float) for key in keys)
    assert found["at_upper"]["bonded"].keys() >= BONDED
    assert found["at_upper"]["debonded"]
    assert all(row.keys() >= DEBONDED for row in found["at_upper"]["debonded"])
    assert all(life.keys() >= LIFE for life in found["lives"])
    assert {life["kind"] for life in found["lives"]} == {"mean", "characteristic"}
    assert {life["part"] for life in found["lives"]} >= {"concrete", "tendon"}


@pytest.mark.nights
def test_each_life_of_a_protocol_says_how_much_of_it_its_run_out_takes(r1):
    for life in told("dry-run-out")["lives"]:
        expected = 0.0 if life["log10_cycles"] is None else 11e6 / 10 ** life["log10_cycles"]
        assert life["damage_at_run_out"] == pytest.approx(expected, rel=1e-9)
    assert {life["damage_at_run_out"] for life in told(r1, "--upper", "130 kN")["lives"]} == {None}


@pytest.mark.nights
def test_under_the_cracking_load_the_first_crack_is_told_of(r1):
    found = told(r1, "--upper", "97 kN", "--lower", "40 kN")
    moment = 97e3 / 2 * 1.0 + found["self_weight_moment_Nm"]
    tension = moment - found["decompression"]["moment_Nm"]
    tension /= found["section"]["bottom_modulus_m3"]
    bent, axial = found["first_crack"]
    # PCA, S of 0.45 to 0.55, and MC2010, tension with compression (both from memory); a beam of
    # 300 mm carries 1.3 times its axial strength (EN 1992-1-1, 3.23; from memory).
    share = tension / 4e6
    assert 0.45 < share < 0.55
    assert bent["log10_cycles"] == pytest.approx(3.268 * math.log10(4.2577 / (share - 0.4325)))
    assert axial["log10_cycles"] == pytest.approx(9 * (1 - 1.3 * share / 0.7))
    assert told(r1, "--upper", "130 kN")["first_crack"] == []
    assert told(r1, "--upper", "50 kN")["first_crack"] == []


@pytest.mark.nights
def test_the_strain_of_concrete_at_its_failure_is_told_over_its_first(r1):
    # Holmen 1982 (from memory), R over 0.1 of the levels that are told.
    levels = told(r1, "--upper", "130 kN", "--lower", "60 kN")["levels"]
    top, ratio = levels["concrete_max"], levels["concrete_min"] / levels["concrete_max"]
    assert 0.1 < ratio < 0.8
    assert levels["strain_at_failure"] == pytest.approx(1.11 * (1 + 0.677 * ratio) / top)
    assert told(r1, "--upper", "130 kN", "--lower", "129 kN")["levels"]["strain_at_failure"] is None


def test_r1_has_the_values_of_its_check(r1):
    """checks_mechanics, section R1 (own values there, and those of two further programs)."""
    found = told(r1, "--upper", "160 kN", "--lower", "20 kN")
    assert found["section"]["area_m2"] == pytest.approx(61828.571429e-6)
    assert found["section"]["inertia_m4"] == pytest.approx(468150514.92e-12)
    assert found["section"]["bottom_modulus_m3"] == pytest.approx(3152077.518e-9)
    assert found["decompression"]["moment_Nm"] == pytest.approx(43.780958e3, rel=1e-7)
    assert found["cracking"]["moment_Nm"] == pytest.approx(56.389268e3, rel=1e-7)
    assert found["gross_section"]["decompression_moment_Nm"] == pytest.approx(44.0e3)
    assert found["gross_section"]["cracking_moment_Nm"] == pytest.approx(56.0e3)
    ultimate = found["ultimate"]
    assert ultimate["moment_Nm"] == pytest.approx(112.771961e3, rel=1e-8)
    assert ultimate["neutral_axis_m"] == pytest.approx(73.408750e-3, rel=1e-7)
    assert ultimate["tendon_stresses_Pa"] == pytest.approx([1686.7501e6, 882.3626e6], rel=1e-6)
    own = 0.06 * 2400 * GRAVITY * 3.0**2 / 8
    for name in ("decompression", "cracking", "ultimate"):
        moment, load = found[name]["moment_Nm"], found[name]["actuator_load_N"]
        assert load == pytest.approx(2 * (moment - own) / 1.0)


def numbers(value: object) -> list[float]:
    """Return all numbers of an object in their order."""
    if isinstance(value, dict):
        return [n for part in value.values() for n in numbers(part)]
    if isinstance(value, list):
        return [n for part in value for n in numbers(part)]
    return [float(value)] if isinstance(value, int | float) else []


@pytest.mark.nights
def test_si_and_us_files_of_one_specimen_are_told_alike(r1, tmp_path):
    other = tmp_path / "us.toml"
    other.write_text(us(SI), encoding="utf-8")
    assert "MPa" not in other.read_text()
    loads = ("--upper", "160 kN", "--lower", "20 kN", "--points", "5")
    assert numbers(told(str(other), *loads)) == pytest.approx(numbers(told(r1, *loads)), rel=1e-6)


def test_the_curve_begins_with_bond_and_ends_without(r1):
    found = told(r1, "--upper", "160 kN", "--points", "7")["at_upper"]
    smeared = [row for row in found["debonded"] if row["model"] == "smeared"]
    assert [row["length_m"] for row in smeared] == pytest.approx([0, 0.5, 1, 1.5, 2, 2.5, 3])
    for key in ("tendon_stress_Pa", "concrete_top_Pa", "deflection_m"):
        assert smeared[0][key] == pytest.approx(found["bonded"][key], rel=1e-4)
    stresses = [row["tendon_stress_Pa"] for row in smeared]
    assert stresses == sorted(stresses, reverse=True)
    moments = [row["ultimate_moment_Nm"] for row in smeared]
    assert moments[-1] < 0.99 * moments[0]


def test_without_loads_there_is_what_needs_none(r1):
    found = told(r1)
    assert (found["at_upper"], found["levels"], found["lives"]) == (None, None, [])
    assert found["upper_N"] is None
    assert told("static-ultimate")["levels"] is None


def test_a_load_that_cannot_be_carried_is_null_and_no_error(r1):
    found = told(r1, "--upper", "230 kN")
    assert found["levels"]["load"] > 1
    assert found["levels"]["concrete_max"] is None
    assert found["lives"] == []


@pytest.mark.nights
def test_typed_loads_stand_before_those_of_the_protocol():
    protocol, typed = told("dry-run-out"), told("dry-run-out", "--upper", "60 %")
    assert typed["upper_N"] == pytest.approx(0.6 * protocol["capacity_N"])
    assert typed["lower_N"] == pytest.approx(0.06 * protocol["capacity_N"])
    assert typed["exposure"] == "dry"
    assert told("dry-run-out", "--exposure", "spray")["lives"][0]["exposure"] == "water"


def test_a_share_of_a_specimen_alone_is_of_what_it_should_carry(r1):
    found = told(r1, "--upper", "70 %", "--lower", "7 %")
    assert found["upper_N"] == pytest.approx(0.7 * found["ultimate"]["actuator_load_N"])
    assert found["levels"]["load"] == pytest.approx(0.7)


@pytest.mark.nights
def test_less_strength_in_water_shortens_lives_and_lowers_the_ultimate(r1):
    loads = ("--upper", "160 kN", "--lower", "20 kN", "--exposure", "submerged")
    dry, wet = told(r1, *loads), told(r1, *loads, "--strength", "41.7 MPa")
    assert wet["ultimate"]["moment_Nm"] < dry["ultimate"]["moment_Nm"]
    assert wet["levels"]["concrete_max"] > dry["levels"]["concrete_max"]
    lives = zip(dry["lives"], wet["lives"], strict=True)
    assert all(b["log10_cycles"] < a["log10_cycles"] for a, b in lives if a["kind"] == "mean")


@pytest.mark.nights
def test_less_strength_lowers_the_stresses_of_a_law_by_points_as_well(tmp_path):
    points = 'law = {{ points = [[0.001, "{} MPa"], [0.002, "{} MPa"], [0.0035, "{} MPa"]] }}'
    ultimate = []
    for name, strength, law in (("dry", 50, (35, 50, 50)), ("wet", 40, (28, 40, 40))):
        path = tmp_path / f"{name}.toml"
        text = SI.replace('law = "parabola-rectangle"', points.format(*law))
        path.write_text(text.replace('strength = "50 MPa"', f'strength = "{strength} MPa"'))
        ultimate.append(told(str(path), "--strength", "40 MPa")["ultimate"])
    assert ultimate[0]["moment_Nm"] == pytest.approx(ultimate[1]["moment_Nm"], rel=1e-9)
    assert ultimate[0]["moment_Nm"] < told(str(tmp_path / "dry.toml"))["ultimate"]["moment_Nm"]


@pytest.mark.nights
def test_a_tendon_whose_ends_are_pulled_in_has_no_range_and_none_is_negative():
    rows = told("dry-run-out", "--points", "25")["at_upper"]["debonded"]
    discrete = [r for r in rows if r["model"] == "discrete cracks" and r["concrete_top_Pa"]]
    ranges = [row["tendon_range_Pa"] for row in discrete]
    assert ranges[0] is not None
    assert ranges[-1] is None
    assert all(found is None or found > 0 for found in ranges)
    curved = told("dry-run-out", "--points", "25", "--bond", "fib")["at_upper"]["debonded"]
    ranges = [r["tendon_range_Pa"] for r in curved if r["model"] == "discrete cracks"]
    assert ranges[0] is not None
    assert all(found is None or found > 0 for found in ranges)
    said = said_by("predict", "dry-run-out").out
    assert "  discrete cracks: no range where the tendon's ends are pulled in: " in said


@pytest.mark.nights
def test_a_crack_is_told_by_the_bond_that_was_asked_for(r1):
    loads = (r1, "--upper", "160 kN", "--points", "4")
    kinds = ([], ["--bond", "fib"], ["--wire", "18 mm"], ["--crack-spacing", "150 mm"])
    openings = []
    for kind in kinds:
        rows = told(*loads, *kind)["at_upper"]["debonded"]
        openings.append([r["crack_opening_m"] for r in rows if r["model"] == "discrete cracks"])
    assert all(opening[0] > 0 for opening in openings)
    assert len({opening[0] for opening in openings}) == len(kinds)


def test_the_curve_of_cracks_ends_where_bond_is_lost_from_one_to_the_next(r1):
    found = told(r1, "--upper", "160 kN", "--points", "5", "--crack-spacing", "150 mm")
    cracks, smeared = (
        [row for row in found["at_upper"]["debonded"] if row["model"] == model]
        for model in ("discrete cracks", "smeared")
    )
    assert {row["crack_spacing_m"] for row in cracks} == {0.15}
    assert [row["length_m"] for row in cracks] == pytest.approx([0, 0.0375, 0.075, 0.1125, 0.15])
    # No row repeats the one before it, and at the end the section has the stress of its bond.
    opening = [row["crack_opening_m"] for row in cracks]
    assert all(a < b for a, b in pairwise(opening))
    bonded = found["at_upper"]["bonded"]["tendon_stress_Pa"]
    assert cracks[-1]["tendon_stress_Pa"] == pytest.approx(bonded, rel=1e-6)
    assert smeared[-1]["length_m"] == 3.0


def loose(text: str) -> str:
    return text.replace('"pre-tensioned"', '"post-tensioned unbonded"').replace(
        '"zero concrete strain"', '"no moment"'
    )


@pytest.mark.nights
def test_a_specimen_built_without_bond_is_told_with_and_without_it(r1, tmp_path):
    path = tmp_path / "loose.toml"
    path.write_text(loose(SI))
    said = said_by("predict", str(path), "--upper", "120 kN", "--lower", "12 kN")
    assert any(line.startswith("  as built") for line in said.out.splitlines())
    found = told(str(path), "--upper", "120 kN", "--lower", "12 kN")
    built, bonded = found["at_upper"]["as_built"], found["at_upper"]["bonded"]
    assert built["tendon_range_Pa"] < 0.9 * bonded["tendon_range_Pa"]
    assert built["deflection_m"] > bonded["deflection_m"]
    assert found["levels"]["tendon_range_Pa"] == built["tendon_range_Pa"]
    (end,) = [
        row
        for row in found["at_upper"]["debonded"]
        if row["model"] == "smeared" and row["length_m"] == pytest.approx(3.0)
    ]
    assert end["tendon_stress_Pa"] == pytest.approx(built["tendon_stress_Pa"], rel=1e-6)
    assert end["ultimate_moment_Nm"] == pytest.approx(found["ultimate"]["moment_Nm"], rel=1e-6)


def test_a_specimen_with_bars_alone_has_no_tendon_to_tell_of(tmp_path):
    bars = SI[: SI.index("[[tendon]]")] + (
        '[[bar]]\narea = "600 mm2"\ndepth = "260 mm"\nmodulus = "200 GPa"\nyield = "500 MPa"\n'
    )
    path = tmp_path / "bars.toml"
    path.write_text(bars)
    assert said_by("predict", str(path), "--upper", "60 %").code == 0
    found = told(str(path), "--upper", "60 %")
    assert found["ultimate"]["tendon_stress_Pa"] is None
    assert (found["levels"]["tendon_range_Pa"], found["at_upper"]["debonded"]) == (0.0, [])
    assert {life["part"] for life in found["lives"]} == {"concrete", "bar"}
    said = said_by("predict", str(path), "--measured", str(tmp_path))
    assert "has no tendon that could lose bond" in said.err


# People.

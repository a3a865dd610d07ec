"""`nightrig predict` as it is typed: values, keys, tables, figure, and what is refused."""

from __future__ import annotations

import contextlib
import fcntl
import json
import math
import os
import re
import struct
import subprocess
import sys
import termios
from pathlib import Path

import numpy as np
import pytest

from rig.commands.files import read_text
from rig.mechanics.bond_laws import transmission
from rig.mechanics.discrete import at_crack
from rig.protocol.load import load_specimen
from rig.report.debonded_length import WINDOW
from rig.units import GRAVITY
from tests.commands.cut_off import said_by
from tests.readme import section, steps

SI = """\
name = "R1"

[geometry]
shape = "rectangle"
width = "200 mm"
height = "300 mm"
span = "3000 mm"
load_spacing = "1000 mm"

[concrete]
strength = "50 MPa"
modulus = "35 GPa"
tensile_strength = "4 MPa"
density = "2400 kg/m3"
law = "parabola-rectangle"
peak_strain = 0.002
ultimate_strain = 0.0035

[[tendon]]
area = "300 mm2"
depth = "250 mm"
modulus = "195 GPa"
bond = "pre-tensioned"
stress = "1100 MPa"
stress_at = "zero concrete strain"
law = { kind = "bilinear", yield = "1640 MPa", ultimate = "1860 MPa", ultimate_strain = 0.035 }

[[tendon]]
area = "100 mm2"
depth = "50 mm"
modulus = "195 GPa"
bond = "pre-tensioned"
stress = "1100 MPa"
stress_at = "zero concrete strain"
law = { kind = "bilinear", yield = "1640 MPa", ultimate = "1860 MPa", ultimate_strain = 0.035 }
"""
"""The check section R1 of two further programs; all data is invented."""

IN_US = {"mm2": ("in2", 645.16), "mm": ("in", 25.4), "MPa": ("ksi", 6.894757293168361)}
IN_US["GPa"] = ("ksi", 6.894757293168361e-3)
IN_US["kg/m3"] = ("lb/ft3", 16.01846337396014)
"""Units and factors of checks_mechanics, section 9: exact by definition."""

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


def us(text: str) -> str:
    """Return a file's text with every quantity in US units."""

    def turned(found: re.Match[str]) -> str:
        unit, factor = IN_US[found[2]]
        return f'"{float(found[1]) / factor!r} {unit}"'

    return re.sub(r'"([\d.]+) (mm2|mm|MPa|GPa|kg/m3)"', turned, text)


@pytest.fixture
def r1(tmp_path: Path) -> str:
    path = tmp_path / "r1.toml"
    path.write_text(SI, encoding="utf-8")
    return str(path)


def told(*words: str) -> dict:
    few = () if "--points" in words else ("--points", "2")
    said = said_by("predict", *words, *few, "--json")
    assert said.code == 0, said.err
    return json.loads(said.out)


# Scripts.


@pytest.mark.parametrize("protocol", ["dry-run-out", "overnight-wet-prism", "submerged-prism"])
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


def test_each_life_of_a_protocol_says_how_much_of_it_its_run_out_takes(r1):
    for life in told("dry-run-out")["lives"]:
        expected = 0.0 if life["log10_cycles"] is None else 11e6 / 10 ** life["log10_cycles"]
        assert life["damage_at_run_out"] == pytest.approx(expected, rel=1e-9)
    assert {life["damage_at_run_out"] for life in told(r1, "--upper", "130 kN")["lives"]} == {None}


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


def test_less_strength_in_water_shortens_lives_and_lowers_the_ultimate(r1):
    loads = ("--upper", "160 kN", "--lower", "20 kN", "--exposure", "submerged")
    dry, wet = told(r1, *loads), told(r1, *loads, "--strength", "41.7 MPa")
    assert wet["ultimate"]["moment_Nm"] < dry["ultimate"]["moment_Nm"]
    assert wet["levels"]["concrete_max"] > dry["levels"]["concrete_max"]
    lives = zip(dry["lives"], wet["lives"], strict=True)
    assert all(b["log10_cycles"] < a["log10_cycles"] for a, b in lives if a["kind"] == "mean")


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


def test_a_crack_is_told_by_the_bond_that_was_asked_for(r1):
    loads = (r1, "--upper", "160 kN", "--points", "4")
    kinds = ([], ["--bond", "fib"], ["--wire", "18 mm"], ["--crack-spacing", "150 mm"])
    openings = []
    for kind in kinds:
        rows = told(*loads, *kind)["at_upper"]["debonded"]
        openings.append([r["crack_opening_m"] for r in rows if r["model"] == "discrete cracks"])
    assert all(opening[0] > 0 for opening in openings)
    assert len({opening[0] for opening in openings}) == len(kinds)


def loose(text: str) -> str:
    return text.replace('"pre-tensioned"', '"post-tensioned unbonded"').replace(
        '"zero concrete strain"', '"no moment"'
    )


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


def test_people_are_told_models_kinds_and_what_is_from_memory():
    said = said_by("predict", "overnight-wet-prism")
    assert said.code == 0
    lines = said.out.splitlines()
    assert lines[0] == "Prism P-12, sprayed, 70 % of its capacity in spray"
    assert lines[-1].startswith("A prediction, no promise")
    for word in ("bonded", "smeared", "characteristic", "from memory", "DNV-ST-C502 mean *"):
        assert word in said.out
    for life in told("overnight-wet-prism")["lives"]:
        (line,) = [x for x in lines if re.search(rf"{re.escape(life['model'])} \*? +\d", x)]
        assert ("no: " in line) is not life["valid"]


def test_lives_say_whose_stresses_they_are_of_and_how_many_models_hold():
    said = said_by("predict", "dry-run-out").out
    assert '  they go by the stresses in row "bonded" above: in a discrete crack' in said
    assert "  beware    3 of 6 mean models hold here, none of the tendon; " in said
    loose = said_by("predict", "unbonded-sprayed").out
    assert '  they go by the stresses in row "as built" above\n' in loose


def test_a_specimen_that_breaks_as_it_cracks_is_told(tmp_path):
    path = tmp_path / "thin.toml"
    words = "it breaks as it cracks"
    path.write_text(SI)
    assert words not in said_by("predict", str(path)).out
    path.write_text(SI.replace('"300 mm2"', '"20 mm2"').replace('"100 mm2"', '"20 mm2"'))
    assert words in said_by("predict", str(path)).out


def on_a_terminal(columns: int, *words: str) -> str:
    """Return what a command prints on a terminal of so many columns."""
    leader, follower = os.openpty()
    fcntl.ioctl(follower, termios.TIOCSWINSZ, struct.pack("HHHH", 50, columns, 0, 0))
    command = [sys.executable, "-m", "rig.commands.main", *words]
    with subprocess.Popen(
        command, stdin=subprocess.DEVNULL, stdout=follower, env={**os.environ, "TERM": "xterm"}
    ) as child:
        os.close(follower)
        printed = b""
        # The last end that closes is told as an error.
        with contextlib.suppress(OSError):
            while part := os.read(leader, 65536):
                printed += part
    os.close(leader)
    assert child.returncode == 0
    return printed.decode()


@pytest.mark.parametrize("columns", [80, 120])
def test_no_line_is_wider_than_the_terminal(columns):
    printed = on_a_terminal(columns, "predict", "overnight-wet-prism", "--points", "4")
    assert "\x1b[1m" in printed
    plain = re.sub(r"\x1b\[[\d;]*m", "", printed).split("\r\n")
    assert max(map(len, plain)) <= columns
    assert any(line.startswith("  tendon") for line in plain)


def test_the_readme_shows_what_is_printed():
    (step,) = [s for s in steps(section("## What mechanics expects")) if s.kind == "command"]
    printed = said_by(*step.text.split()[1:]).out.splitlines()
    assert step.printed
    assert [line for line in step.printed if line not in printed] == []


# Runs.

COUNT = 600


@pytest.fixture
def run(r1: str, tmp_path: Path) -> tuple[str, np.ndarray]:
    """Return a run whose crack opens as its tendon loses bond, and the true length [m] a cycle."""
    length = np.linspace(0.1, 0.8, COUNT)
    specimen = load_specimen(r1, read_text)
    bond = transmission(specimen.concrete.tensile_strength)
    opening = np.asarray(at_crack(specimen, 160e3, length, bond).opening) * 1e3
    lines = [f"{n},{n / 4},160,20,{opening[n - 1]:.7f}" for n in range(1, COUNT + 1)]
    heading = "cycle,time [s],load_max [kN],load_min [kN],crack_opening_max [mm]"
    table = tmp_path / "cracks.csv"
    table.write_text("\n".join((heading, *lines)) + "\n")
    assert said_by("import", str(table), "--out", str(tmp_path / "run")).code == 0
    return str(tmp_path / "run"), length


def test_the_debonded_length_comes_back_out_of_crack_opening_and_load(r1, run):
    folder, true = run
    (found,) = told(r1, "--upper", "160 kN", "--measured", folder)["measured"]
    cycle, length = np.array(found["cycle"]), np.array(found["debonded_length_m"])
    assert (cycle[0], cycle[-1]) == (1, COUNT)
    # The middle of the cycles up to each is so many cycles old.
    old = (np.minimum(cycle, WINDOW) - 1) // 2
    np.testing.assert_allclose(length, true[cycle - 1 - old], rtol=0.01)


@pytest.mark.nights
def test_the_estimate_is_printed_and_drawn(r1, run, tmp_path):
    folder, true = run
    path = tmp_path / "p.svg"
    said = said_by("predict", r1, "--measured", folder, "--plot", str(path))
    assert said.code == 0
    last = next(line for line in said.out.splitlines() if line.startswith(f"  cycle {COUNT}"))
    assert float(last.split()[-1]) == pytest.approx(true[-13] * 1e3, rel=0.01)
    assert "debonded length, estimated" in path.read_text()
    assert "no length explains the opening" not in path.read_text()


@pytest.mark.nights
def test_a_run_whose_opening_no_length_explains_is_drawn_with_the_reason(r1, run, tmp_path):
    path = tmp_path / "p.svg"
    words = ("predict", r1, "--measured", run[0], "--crack-spacing", "1 mm", "--plot", str(path))
    said = said_by(*words)
    assert said.code == 0
    assert "- where no length explains the opening" in said.out
    assert "no length explains the opening" in path.read_text()


def test_a_run_without_a_crack_gauge_is_refused(r1, tmp_path):
    table = tmp_path / "plain.csv"
    table.write_text("cycle,time [s],load_max [kN],load_min [kN]\n1,0.25,160,20\n2,0.5,160,20\n")
    said_by("import", str(table), "--out", str(tmp_path / "run"))
    said = said_by("predict", r1, "--measured", str(tmp_path / "run"))
    assert said.code == 2
    assert "has no channel crack_opening" in said.err
    assert said_by("predict", r1, "--measured", str(tmp_path / "nowhere")).code in (2, 6)


# Figure.


def test_the_figure_shows_both_what_is_expected_and_when(tmp_path):
    path, again = tmp_path / "p.svg", tmp_path / "again.svg"
    assert said_by("predict", "dry-run-out", "--points", "9", "--plot", str(path)).code == 0
    drawn = path.read_text()
    for word in ("debonded length", "run-out 11,000,000", "cracking", "concrete: MC2010 mean"):
        assert word in drawn
    said_by("predict", "dry-run-out", "--points", "9", "--plot", str(again))
    assert again.read_text() == drawn


@pytest.mark.nights
def test_a_specimen_without_loads_is_drawn_by_its_moments(r1, tmp_path):
    for suffix, begin in (("svg", b"<?xml"), ("pdf", b"%PDF"), ("png", b"\x89PNG")):
        path = tmp_path / f"r1.{suffix}"
        assert said_by("predict", r1, "--plot", str(path)).code == 0
        assert path.read_bytes().startswith(begin)
    drawn = (tmp_path / "r1.svg").read_text()
    assert "curvature" in drawn
    assert "debonded length" not in drawn


# Refusals.


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["plank", "--upper", "12"], "--upper: "),
        (["plank", "--upper", "-1 kN"], "--upper: -1 kN is no load that a frame gives"),
        (["plank", "--upper", "5 kN", "--lower", "6 kN"], "6 kN is not below the upper load of 5"),
        (["plank", "--lower", "6 kN"], "--lower goes with --upper"),
        (["plank", "--rig", "simulated"], "no rig matters to it"),
        (["plank", "--strength", "5 kN"], "--strength: "),
        (["plank", "--wire", "20 m"], "--wire: 20 m is out of range; give 0.1 mm to 10 m"),
        (["plank", "--crack-spacing", "3"], "--crack-spacing: "),
        (["nowhere.toml"], "no such file"),
        (["plank", "--points", "1"], "1 is no whole number from 2 to 2000"),
        (["plank", "--exposure", "rain"], "give dry or spray or submerged"),
        (["plank", "--plot", "p.jpg"], "draws PDF, SVG or PNG"),
        (["plank", "--plot", "nowhere/p.svg"], "there is no folder nowhere"),
    ],
)
def test_a_slip_is_one_line_and_code_2(words, said):
    found = said_by("predict", *words)
    assert (found.code, found.out, found.err.count("\n")) == (2, "", 1)
    assert said in found.err


def test_a_figure_that_is_there_is_kept(tmp_path):
    kept = tmp_path / "p.svg"
    kept.write_text("mine")
    assert "already exists" in said_by("predict", "plank", "--plot", str(kept)).err
    assert kept.read_text() == "mine"


def test_an_absurd_specimen_is_told_line_by_line(tmp_path):
    path = tmp_path / "absurd.toml"
    path.write_text(SI.replace('depth = "250 mm"', 'depth = "250 m"').replace('"4 MPa"', '"4 kN"'))
    said = said_by("predict", str(path))
    assert said.code == 2
    assert len(said.err.splitlines()) == 2
    assert all(line.startswith(f"{path}:") for line in said.err.splitlines())

"""What people see of `nightrig predict`: words, tables, runs, figure, and what is refused."""

from __future__ import annotations

import contextlib
import fcntl
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
from tests.commands.cut_off import said_by
from tests.commands.predicting import SI, told
from tests.readme import section, steps


@pytest.mark.nights
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


@pytest.mark.nights
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


def test_the_formula_of_a_code_is_told_where_it_holds(tmp_path):
    path = tmp_path / "beam.toml"
    bar = '\n[[bar]]\narea = "100 mm2"\ndepth = "270 mm"\nmodulus = "200 GPa"\nyield = "500 MPa"\n'
    for text, words in (
        (SI, "the lowest tendon at 1,687 MPa (by the formula of ACI 318: "),
        (SI + bar, " MPa (by the formula of ACI 318, without bars: "),
        (SI.replace("1100 MPa", "300 MPa"), " MPa\n  first natural frequency"),
    ):
        path.write_text(text)
        assert words in said_by("predict", str(path)).out


@pytest.mark.nights
def test_how_many_discrete_cracks_there_are_is_told():
    words = ("predict", "prism-small", "--upper", "80 kN")
    assert "  discrete cracks: one, at mid-span (see --crack-spacing)\n" in said_by(*words).out
    many = said_by(*words, "--crack-spacing", "100 mm").out
    assert (
        "  discrete cracks: about 3 between the loads; with 100.0 mm debonded the tendon is free "
        "from one to the next\n"
    ) in many


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


@pytest.mark.nights
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


@pytest.mark.nights
def test_the_figure_shows_both_what_is_expected_and_when(tmp_path):
    path = tmp_path / "p.svg"
    assert said_by("predict", "dry-run-out", "--points", "9", "--plot", str(path)).code == 0
    drawn = path.read_text()
    for word in ("debonded length", "run-out 11,000,000", "cracking", "concrete: MC2010 mean"):
        assert word in drawn


@pytest.mark.nights
def test_a_figure_is_drawn_alike_each_time(tmp_path):
    one, other = tmp_path / "one.svg", tmp_path / "other.svg"
    for path in (one, other):
        assert said_by("predict", "dry-run-out", "--points", "9", "--plot", str(path)).code == 0
    assert one.read_text() == other.read_text()


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


def test_a_run_that_has_not_ended_is_not_estimated_yet(tmp_path):
    (tmp_path / "journal.db").write_bytes(b"")
    found = said_by("predict", "plank", "--measured", str(tmp_path))
    assert (found.code, found.out, found.err.count("\n")) == (2, "", 1)
    assert "has no run.h5 yet, made at its end; wait for it" in found.err


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
        (
            ["prism-small", "--crack-spacing", "301 mm"],
            "301 mm is more than the 300 mm between the loads; leave it out for one crack",
        ),
        (["nowhere.toml"], "packaged specimens are dummy-beam, plank, prism-central, prism-small"),
        (["prism-smal"], 'did you mean "prism-small"?'),
        (["a" * 300], "the name is too long; correct the path"),
        (["series/wet-cracks"], "is a series file, not a protocol; name a protocol or specimen"),
        (["prism-small", "--measured", "no/where"], "no/where: there is no such folder"),
        (["prism-small", "--strength", "5 MPa"], "5 MPa does not bear prestress and self weight"),
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

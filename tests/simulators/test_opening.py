"""The crack of a simulated specimen opens as `rig.mechanics` has one open, and is read back so."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from importlib import resources
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.assembly import rehearse
from rig.assembly.simulation import specimen_truth
from rig.commands.files import load
from rig.mechanics.bond_laws import transmission
from rig.mechanics.crack import Cracks
from rig.mechanics.discrete import at_crack, debonded_length
from rig.mechanics.specimen import Specimen
from rig.protocol.load import load_specimen
from rig.record import read_journal
from rig.report.debonded_length import WINDOW, measured_length
from simulators.opening import OPENED, OPENING, Crack, crack_table, freed
from simulators.setup import CrackTable, SpecimenTruth
from simulators.specimen import LEFT_OPEN, on_line
from simulators.wear import SpecimenState
from simulators.wear_tables import Place

WHOLE = Place()


@cache
def shipped(name: str = "prism-small") -> tuple[Specimen, SpecimenTruth, float]:
    """Return a shipped specimen, how it behaves, and 70 % of its capacity [N]."""
    path = resources.files("protocols") / "specimens" / f"{name}.toml"
    text = path.read_text(encoding="utf-8")
    specimen = load_specimen(name, lambda _path: text)
    truth = specimen_truth(specimen)
    return specimen, truth, 0.7 * truth.ultimate_load


@cache
def table(name: str = "prism-small") -> CrackTable:
    made = crack_table(*shipped(name))
    assert made is not None
    return made


def opening(
    load: np.ndarray, debonded: float, place: Place = WHOLE, net: float = 0.0, **of: float
) -> np.ndarray:
    """Return how far the crack of a small prism opens that has formed, with a deflection [m]."""
    state = SpecimenState(**{"peak": 1e-3, "debonded": debonded, **of})
    return Crack(shipped()[1], table()).opening(load, np.full(len(load), net), state, place, 1.0)


@pytest.mark.parametrize(("name", "within"), [("prism-small", 0.2e-6), ("plank", 1e-6)])
def test_about_the_upper_load_it_opens_as_mechanics_says(name: str, within: float) -> None:
    specimen, truth, upper = shipped(name)
    bond = transmission(specimen.concrete.tensile_strength)
    loads = upper * np.array([[0.98], [0.99], [1.0], [1.01], [1.02]])
    lengths = np.linspace(0.01, 0.2, 7)
    wanted = np.asarray(at_crack(specimen, loads, lengths, bond).opening)
    crack = Crack(truth, table(name))
    states = [SpecimenState(peak=truth.span, debonded=length - OPENED) for length in lengths]
    shown = [crack.opening(loads[:, 0], np.zeros(5), s, WHOLE, 1.0) for s in states]
    # What is left open without load adds its share of what lacks at less than the upper load.
    left = LEFT_OPEN * (wanted[2] - wanted).clip(0)
    np.testing.assert_allclose(np.transpose(shown), wanted + left, rtol=0, atol=within)


def test_the_length_without_bond_is_read_back_until_the_end_of_a_tendon_would_slip() -> None:
    specimen, _, upper = shipped()
    bond = transmission(specimen.concrete.tensile_strength)
    worn = np.linspace(0.0, 0.19, 12)
    wide = np.array([opening(np.array([upper]), length)[0] for length in worn])
    true = np.array([freed(SpecimenState(debonded=length)) for length in worn])
    np.testing.assert_allclose(debonded_length(specimen, wide, upper, bond), true, atol=1e-3)


def test_it_stays_as_wide_where_only_the_model_pulls_the_tendon_in() -> None:
    """The model has the beam end over its supports: at 0.36 m nothing balances there."""
    specimen, _, upper = shipped()
    bond = transmission(specimen.concrete.tensile_strength)
    assert np.isnan(at_crack(specimen, upper, 0.36, bond).opening)
    wide = [opening(np.array([upper]), length)[0] for length in (0.1, 0.2, 0.25, 0.3, 0.4)]
    assert wide[1] > wide[0]
    assert wide[2] >= wide[1]
    assert wide[2:] == pytest.approx([wide[2]] * 3)
    drawn = replace(WHOLE, prestress=0.8, slip=5e-4)
    assert opening(np.array([upper]), 0.44, drawn)[0] == pytest.approx(wide[-1] + 1e-3)


@given(st.floats(0.0, 0.48), st.floats(0.5, 1.0), st.floats(0.0, 1.5e-3))
def test_under_decompression_a_little_of_it_is_left_and_beyond_it_opens(
    debonded: float, prestress: float, slip: float
) -> None:
    _, truth, upper = shipped()
    place = replace(WHOLE, prestress=prestress, slip=slip if prestress < 1 else 0.0)
    opens = prestress * truth.decompression_load
    loads = np.linspace(0.0, upper, 200)
    wide = opening(loads, debonded, place)
    shut = wide[loads <= opens]
    assert np.all(np.diff(wide) >= -1e-15)
    np.testing.assert_allclose(shut, LEFT_OPEN * wide[-1], rtol=1e-6)


def test_on_the_first_loading_it_opens_as_the_specimen_cracks_not_once_it_stands() -> None:
    _, truth, upper = shipped()
    crack, new = Crack(truth, table()), SpecimenState()
    loads = np.array([0.9, 1.0, 1.001, 1.002, 1.1]) * truth.cracking_load
    begin, end = truth.cracking_load / truth.stiffness, on_line(truth, 1.002 * truth.cracking_load)
    net = np.array([0.9 * begin, begin, (begin + end) / 2, end, on_line(truth, loads[-1])])
    first = crack.opening(loads, net, new, WHOLE, 1.0)
    formed = crack.opening(loads, net, replace(new, peak=1e-3), WHOLE, 1.0)
    np.testing.assert_allclose(first / formed, [0.0, 0.0, 0.5, 1.0, 1.0], rtol=1e-6)
    assert upper > truth.cracking_load


def test_one_that_yields_opens_with_its_deflection() -> None:
    _, truth, _ = shipped()
    most = np.array([truth.ultimate_load])
    wide = [opening(most, 0.0, net=net)[0] for net in (1e-3, 3e-3, 5e-3)]
    assert wide[0] < wide[1] < wide[2]
    assert wide[2] - wide[1] == pytest.approx(2e-3 / OPENING)


def test_one_that_breaks_opens_further_though_its_load_falls() -> None:
    _, truth, upper = shipped()
    drawn = replace(WHOLE, prestress=0.6, slip=1.5e-3)
    net = on_line(truth, upper)
    before = opening(np.array([upper]), 0.45, drawn, net)[0]
    after = [
        opening(np.array([0.2 * upper]), 0.45, drawn, net + more, broken_at=net + more)[0]
        for more in (0.0, 3e-3)
    ]
    assert after == pytest.approx([before, before + 3e-3 / OPENING])


def test_without_tendons_there_is_no_table() -> None:
    specimen, truth, upper = shipped()
    assert crack_table(replace(specimen, tendons=()), truth, upper) is None


@pytest.mark.parametrize(
    ("strongest", "upper"), [pytest.param(1.0, 30e3, marks=pytest.mark.nights), (0.59, 900e3)]
)
def test_an_upper_load_that_opens_nothing_or_that_nothing_bears_has_a_table(
    strongest: float, upper: float
) -> None:
    specimen, truth, _ = shipped()
    weak = replace(truth, ultimate_load=strongest * truth.ultimate_load)
    made = crack_table(specimen, weak, upper)
    assert made is not None
    assert np.all(np.diff(made.loads) > 0)
    assert np.all(np.diff(made.openings[0]) >= 0)
    assert made.loads[-1] == pytest.approx(weak.ultimate_load)


@pytest.mark.endurance
@pytest.mark.parametrize(
    ("life_scale", "within"),
    [pytest.param(1.0, 0.7e-3, marks=pytest.mark.endurance), (1 / 300, 1e-3)],
)
def test_what_is_read_out_of_a_rehearsal_is_what_the_specimen_has_lost(
    tmp_path: Path, life_scale: float, within: float
) -> None:
    """After the last inspection, from when on all cycles are alike; the rig tells how it ends.

    Of those in which the load still grows a few count: bond is lost by a high power of the swing.
    """
    plan = load("residual-capacity", str(resources.files("protocols") / "rigs/simulated-full.toml"))
    hidden = {**plan.rig.simulation, "life_scale": life_scale}
    plan = replace(plan, rig=replace(plan.rig, simulation=hidden))
    assert rehearse(plan, tmp_path / "run", 6).cycles == 6000
    with read_journal(tmp_path / "run") as journal:
        point = journal.restart_point
    assert point is not None
    specimen = point["rig"]["state"]["specimen"]
    bond = transmission(plan.specimen.concrete.tensile_strength)
    found = measured_length(tmp_path / "run", plan.specimen, Cracks(bond))
    old = (np.minimum(found.number, WINDOW) - 1) / 2  # cycles since the middle of the median
    alike = 6000 + 0.15 * (specimen["cycles"] - 6000)
    true = OPENED + specimen["debonded"] * (1 - (6000 - found.number + old) / alike)
    steady = found.number > 1000 + 2 * WINDOW
    assert steady.sum() > 50
    np.testing.assert_allclose(found.length[steady], true[steady], rtol=0, atol=within)
    assert np.all(np.isfinite(found.length))

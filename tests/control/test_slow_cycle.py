"""What slow cycles leave in the record: where cracks re-open, and what prestress that tells of."""

from __future__ import annotations

import re

import h5py
import numpy as np
import pytest

from rig.assembly import rehearse
from rig.control.slow_cycle import reopening_words
from rig.mechanics.reopening import Reopening
from rig.mechanics.section import decompression_moment, prestress
from rig.mechanics.shapes import load_at
from tests.mechanics.sections import R1

SLOW = {
    r"^give_up_after = .*$": 'give_up_after = "10 mm"\nsettle = "1 s"',
    r'^speed = "0.2 mm/min"': 'speed = "2 mm/min"',
    r'^speed_after_crack = "0.5 mm/min"': 'speed_after_crack = "2 mm/min"',
    r'^hold = "2 min"$': 'hold = "1 s"',
    r"^repeats = 3$": "repeats = 2",
    r"^at = .*$": 'at = ["10 cycles"]',
    r"^go_on_after = .*$": 'go_on_after = "1 s"',
    r"^run_out = .*$": 'run_out = "210 cycles"',
    r'^from = "2000 cycles"': 'from = "5 cycles"',
    r'^to = "3000 cycles"': 'to = "8 cycles"',
}
"""Slow cycles of some hundred means each, and few quick ones."""


def slow_cycles(path):
    """Return columns of the slow cycles, and what was said of each."""
    with h5py.File(path) as file:
        names = ("cycle", "stiffness", "reopening_load", "residual")
        columns = {name: file["static"][name][:] for name in names}
        said = [e["text"].decode() for e in file["events"][:] if e["kind"] == b"static"]
    return columns, said


@pytest.fixture(scope="module")
def checked(tmp_path_factory):
    from tests.control.conftest import plan_in

    folder = tmp_path_factory.mktemp("checked")
    plan = plan_in(folder, "dry-short", SLOW)
    return plan.specimen, *slow_cycles(rehearse(plan, folder / "run", 3).run)


@pytest.mark.xdist_group("slow-cycle")
def test_cracks_re_open_where_the_section_decompresses(checked):
    specimen, columns, _ = checked
    expected = load_at(specimen, decompression_moment(specimen))
    seen = columns["reopening_load"]
    # The simulated beam has a sharp kink, and has lost nothing yet.
    assert np.count_nonzero(np.isfinite(seen)) >= 3
    assert seen[np.isfinite(seen)] == pytest.approx(expected, rel=0.02)


@pytest.mark.xdist_group("slow-cycle")
def test_a_first_loading_makes_cracks_and_re_opens_none(checked):
    _, columns, said = checked
    assert np.isnan(columns["reopening_load"][0])
    assert said[0].startswith("pre-crack 1: stiffness")
    assert "re-open" not in said[0]
    assert all("re-open" in text for text in said if text.startswith(("pre-crack 2", "check")))


@pytest.mark.xdist_group("slow-cycle")
def test_the_event_says_what_the_record_holds(checked):
    specimen, columns, said = checked
    text = next(text for text in said if text.startswith("check 1"))
    found = re.search(
        r"re-open at ([\d.]+) kN \(the fit's 95 % interval ([\d.]+) to ([\d.]+)\), "
        r"effective prestress ([\d,]+) MPa "
        r"\(([\d.]+) kN in the tendons, ([\d]+) % of the file's\); "
        r"tangents ([\d.]+) and ([\d.]+) kN/mm",
        text,
    )
    load, low, high, stress, force, share, below, above = (
        float(g.replace(",", "")) for g in found.groups()
    )
    check = list(columns["cycle"]).index(10)
    assert load == pytest.approx(columns["reopening_load"][check] / 1e3, abs=0.006)
    assert low <= load <= high
    assert stress == pytest.approx(prestress(specimen)[0] / 1e6, rel=0.03)
    assert force == pytest.approx(stress * specimen.tendons[0].area * 1e3, rel=2e-3)
    assert share == pytest.approx(100 * stress * 1e6 / prestress(specimen)[0], abs=0.6)
    assert above < 0.5 * below
    assert f"residual {columns['residual'][check] * 1e3:z.3f} mm" in text


@pytest.mark.nights
def test_a_ramp_to_the_ultimate_load_tells_of_no_stiffness_and_no_cracks_that_re_open(
    plan_of, tmp_path
):
    plan = plan_of("static-ultimate", {r'^speed = "0.5 mm/min"': 'speed = "4 mm/min"'})
    columns, said = slow_cycles(rehearse(plan, tmp_path / "run", 1).run)
    assert said == ["to ultimate: done"]
    # Over yield and fall: what slope there is belongs to no state of the specimen.
    assert np.isnan(columns["stiffness"]).all()
    assert np.isnan(columns["reopening_load"]).all()
    # It is not unloaded by command: what it bent is not what it keeps.
    assert np.isnan(columns["residual"]).all()


def test_a_specimen_without_prestress_is_told_without_it():
    found = Reopening(40e3, 39.5e3, 40.4e3, 60e6, 20e6, 1e-6)
    assert reopening_words(found, R1).startswith(
        "cracks re-open at 40.00 kN (the fit's 95 % interval 39.50 to 40.40), "
        "effective prestress 503 MPa "
        "(201.0 kN in the tendons, 46 % of the file's)"
    )
    plain = reopening_words(found, type(R1)(R1.name, R1.section, R1.concrete, ()))
    assert plain == (
        "cracks re-open at 40.00 kN (the fit's 95 % interval 39.50 to 40.40); "
        "tangents 60.00 and 20.00 kN/mm"
    )

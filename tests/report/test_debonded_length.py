"""Debonded length over a run whose gauge was silent for a while."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from rig.mechanics.bond_laws import transmission
from rig.mechanics.crack import Cracks
from rig.mechanics.discrete import at_crack
from rig.report.debonded_length import WINDOW, measured_length
from tests.commands.cut_off import said_by
from tests.mechanics.sections import U1

SILENT, COUNT = 2 * WINDOW, 5 * WINDOW


def test_a_gauge_that_is_silent_for_a_while_leaves_a_hole_and_no_warning(tmp_path: Path):
    cracks = Cracks(transmission(4e6))
    opening = 1e3 * float(at_crack(U1, 150e3, 0.3, cracks.bond).opening)
    lines = ["cycle,time [s],load_max [kN],load_min [kN],crack_opening_max [mm]"]
    lines += [
        f"{n},{n / 4},150,20,{'' if n <= SILENT else f'{opening:.7f}'}" for n in range(1, COUNT + 1)
    ]
    table = tmp_path / "cracks.csv"
    table.write_text("\n".join(lines) + "\n")
    assert said_by("import", str(table), "--out", str(tmp_path / "run")).code == 0
    found = measured_length(tmp_path / "run", U1, cracks)
    silent = found.number <= SILENT
    assert np.all(np.isnan(found.length[silent]))
    np.testing.assert_allclose(found.length[~silent], 0.3, rtol=1e-3)

"""Bond, concrete and rust in a series report: counts of dry beside wet, and what runs measured."""

from __future__ import annotations

import math
from dataclasses import asdict, replace
from pathlib import Path

import numpy as np
import pytest

from rig.channels import Channel
from rig.lives.grouped import ultimates_of
from rig.lives.observations import seen_of
from rig.lives.specimens import specimens_of
from rig.protocol.series import Observation
from rig.record import Recorder, RunHeader
from rig.record.cracks import CrackEntry, Found
from rig.record.entries import StaticRecord
from rig.record.reader import read_run
from rig.report.document import Facts, Listed
from rig.report.lives_object import plain as plain_json
from rig.report.measure import parts_of, plain
from rig.report.series_measured import Measured, measured_of
from rig.report.series_numbers import Numbers
from rig.report.series_runs import SourceRun, Sources
from rig.report.series_why import why_section
from rig.samples import Cycles, Flag, column_type, cycle_columns
from tests.assembly.test_series_runs import KEPT
from tests.lives.series import life, load, series

GROUPS = {"dry": {"exposure": "dry"}, "wet": {"exposure": "submerged"}}
SLIPPED = Measured(4e-4, 950, 1.2e9, 9e8, Found(rust="spots", wires_broken=2))
HELD = Measured(1e-6, 0, 1.2e9, 1.2e9)


def of_run(run, entry):
    return replace(entry, run=run)


def section(lives, loads=(), observations=(), runs=()):
    made = series(list(lives), list(loads), groups=GROUPS, observations=observations)
    # No law is fitted and no ratio calibrated for it: these take the time.
    numbers = Numbers(
        {
            "group_names": list(made.groups),
            "specimens": plain_json([asdict(each) for each in specimens_of(made)]),
            "observations": plain_json([asdict(each) for each in seen_of(made)]),
            "ultimates": {
                each.name: {
                    "n": len(each.loads),
                    "mean_N": each.loads.mean() if len(each.loads) else None,
                }
                for each in ultimates_of(made)
            },
        }
    )
    return why_section(numbers, Sources("s.toml", "", tuple(runs)))


def told(found):
    (facts,) = (block for block in found.blocks if isinstance(block, Facts))
    return {name: plain(parts) for name, parts in facts.rows if "decided" not in name}


def test_dry_and_wet_are_counted_apart_by_what_was_measured_and_found():
    lives = [
        of_run("d-1", life("dry", 1e7, "D-1", ran_out=True)),
        life("dry", 8e6, "D-2", mode="tendon fracture"),
        of_run("w-1", life("wet", 1e5, "W-1", mode="bond or anchorage slip", wet=7200.0)),
        life("wet", 2e5, "W-2", mode="concrete crushing", wet=10800.0),
        of_run("w-3", life("wet", 3e5, "W-3", valid=False, mode="tendon fracture")),
    ]
    runs = [
        SourceRun("d-1", ("D-1",), measured=HELD),
        SourceRun("w-1", ("W-1",), measured=SLIPPED),
        SourceRun("w-3", ("W-3",), measured=SLIPPED),
    ]
    seen = [Observation("D-1", "rust", seen=False), Observation("W-1", "rust", seen=True)]
    found = section(lives, [load("dry", 1.3e5), load("dry", 1.34e5)], seen, runs)
    words = told(found)
    assert words["Lost bond"] == (
        "failures by slip: wet 1 of 2, dry 0 of 1; runs with an end slip of 0.1 mm or more: "
        "wet 1 of 1, dry 0 of 1; effective prestress left, last slow cycle over first: "
        "wet 75 %, dry 100 %"
    )
    assert "failures by crushing: wet 1 of 2, dry 0 of 1" in words["Weaker wet concrete"]
    assert "dry 132 kN (2), wet none" in words["Weaker wet concrete"]
    assert words["Rust"] == (
        "rust seen: wet 1 of 1, dry 0 of 1; failures by fracture of a tendon: wet 0 of 2, "
        "dry 1 of 1; wet for 2 h to 3 h"
    )
    (table,) = (block.table for block in found.blocks if isinstance(block, Listed))
    rows = [[plain(parts_of(cell)) for cell in row] for row in table.rows]
    assert rows[0][:4] == ["D-1", "dry", "none, ran out", "1 µm"]
    assert rows[1][3:] == ["0.4 mm", "950", "1200 MPa", "900 MPa", "2", "spots", "yes"]
    assert (rows[2][2], rows[2][-1]) == ("tendon fracture", "no, left out")


def test_a_run_without_a_sensor_is_not_one_without_slip():
    run = SourceRun("w", ("W",), measured=Measured())
    found = section([of_run("w", life("wet", 1e5, "W"))], runs=[run])
    (table,) = (block.table for block in found.blocks if isinstance(block, Listed))
    assert [plain(parts_of(cell)) for cell in table.rows[0]][3:7] == ["not measured"] * 4


def test_what_nobody_measured_is_said_and_speaks_for_none():
    words = told(section([life("wet", 1e5), life("dry", 1e7, ran_out=True)]))
    assert "or more: wet not measured, dry not measured" in words["Lost bond"]
    assert "failures by slip: wet mode not told, dry none failed" in words["Lost bond"]
    assert "rust seen: wet nobody looked, dry nobody looked" in words["Rust"]
    assert words["Rust"].endswith("wet for not told")


def test_without_a_wet_life_there_is_no_such_section():
    assert section([life("dry", 1e5)]) is None
    assert section([life("wet", 1e5, valid=False)]) is None


def record(folder: Path) -> Path:
    """Write the run of a tendon whose end slips, with slow cycles that show it lost prestress."""
    channels = tuple(
        Channel(name, unit, 1e-6, -1.0, 1.0) for name, unit in (("load", "N"), ("end_slip_1", "m"))
    )
    header = RunHeader(
        "r",
        "nightrig",
        "2001-01-01T18:00:00+00:00",
        "t",
        "P-1",
        "spray",
        None,
        1000.0,
        channels,
        KEPT,
    )
    number = np.arange(1, 9)
    given = {
        "number": number,
        "end_slip_1_max": [0.0, 2e-5, math.nan, 1e-4, 3e-4, 2e-4, 9e-4, 9e-4],
        # The last two came after the verdict, on a broken specimen.
        "flags": np.where(number > 6, int(Flag.AFTER_END), 0),
    }
    rows = {
        name: np.asarray(given.get(name, np.zeros(8))).astype(column_type(name))
        for name in cycle_columns(("load", "end_slip_1"))
    }
    recorder = Recorder.create(folder, header)
    recorder.cycles(Cycles(rows, number, number + 1, number + 2))
    nothing = np.zeros((1, 0), np.float32)
    for cycle, opens in ((0, math.nan), (0, 52e3), (5, 40e3), (6, math.nan)):
        recorder.static(StaticRecord(1.0, cycle, 1e8, opens, 0.0, ("load",), 100.0, 0, nothing))
    recorder.crack(CrackEntry(1, 9.0, 6, "after-test", fact="rust", text="none"))
    recorder.finish("failure", "as it was", 6, 9.0, None)
    return folder


def test_slip_and_prestress_are_those_of_the_record_up_to_the_verdict(tmp_path):
    with read_run(record(tmp_path / "r")) as run:
        found = measured_of(run, 1e-4)
    assert found.slip == pytest.approx(3e-4)
    assert found.slip_from == 4
    # Both in proportion to the moment of load and self weight at mid-span, and the lower the less.
    share = found.prestress_last / found.prestress_first
    assert 40 / 52 < share < 1.0
    assert share == pytest.approx(40 / 52, abs=0.02)
    assert found.found.rust == "none"

"""Reports of records with little, or something odd, in them: no more is said than they hold."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from rig.commands.files import find_protocol, read_text
from rig.control.catch_can import catch_can
from rig.record import Recorder
from rig.replay.importing import Wanted, import_file
from rig.report.document import Document, Drawn
from rig.report.measure import Part, plain
from rig.report.run_report import run_document
from rig.samples import Cycles
from tests.report import run_records as records
from tests.report.test_run_report import facts, section, table_rows

pytestmark = pytest.mark.xdist_group("pictures")
ROWS = "cycle,load_max [kN],load_min [kN],deflection_max [mm],deflection_min [mm]"
CAN = (records.plan().spray, 1.0 / 6e4)
"""A schedule of 1.5 L/min on its faces, and a reading [m3/s] far off its share."""
CUT_OFF = (
    "load stayed a fifth under its peak; ultimate load 120.5 kN at net deflection 5.475 mm; before "
    "it was cut off it had held 131.50 kN at 4.10 mm: that is its ultimate load"
)


def words(document: Document, name: str) -> str:
    """Return all that a section says, figures left out."""
    return repr(section(document, name))


@pytest.fixture(scope="module")
def odd(tmp_path_factory) -> Document:
    """A run that was loaded too high while the amplitude grew, and found much beside."""
    folder = tmp_path_factory.mktemp("odd") / "run"
    header = records.header_of(records.plan(rig=None), specimen_id="")
    recorder = Recorder.create(folder, header)
    for cells in (
        (10.0, 0, "first crack", "first crack at 76.1 kN"),
        (900.0, 10, "state", "starting, wait over: nobody came"),
        (950.0, 12, "water", "flow lost: 0.00 L/min instead of 1.50 L/min; will try again"),
        (952.0, 12, "catch can", f"A. Name: {catch_can(*CAN, 'bottom')}"),
        (953.0, 12, "catch can", "catch can at top: 0.75 L/min, 0% above, within 15%"),
        (955.0, 12, "resume", "7 cycles run and not recorded, by its counter"),
        (957.0, 12, "limit", "deflection 0.8 mm is above its limit 0.79 mm, 3 samples in a row"),
        (958.0, 12, "state", "pausing, finding: stiffness fell"),
        (958.5, 12, "request", "continue by A. Name refused: quiet hours"),
        (959.0, 12, "request", "continue by B. Night: the bank had refused: no matter"),
        (959.1, 12, "state", "starting, continue: by B. Night, the bank had refused: no matter"),
        (960.0, 12, "early-loss", "stiffness fell by 16.0% before the baseline"),
    ):
        recorder.event(*cells)
    recorder.spray(5.0, 20.0, 0.1, True)
    recorder.zero(1.0, "midspan", 1e-5, "start: shift 0 mm")
    recorder.zero(970.0, "midspan", 3e-3, "moved: A. Name: midspan read 0.1 mm before")
    recorder.zero(990.0, "midspan", 3e-5, "end: shift 0.02 mm")
    recorder.build_up(_rows(header, 5, "load_max", 1.04 * records.UPPER))
    recorder.cycles(_rows(header, 300, "stiffness", np.inf))
    recorder.finish("operator", "", 1, 1000.0)
    return run_document(folder)


def _rows(header, count: int, column: str, value: float) -> Cycles:
    """Return cycles of which the third has a value in a column."""
    made = records.rows(header, count)
    columns = {name: np.array(made[name]) for name in made.columns}
    columns[column][2] = value
    number = np.arange(1, count + 1)
    return Cycles(columns, number, number, number)


def test_without_a_reason_or_a_name_the_lead_is_a_sentence_all_the_same(odd) -> None:
    assert plain(odd.lead) == "Specimen not named was ended by people after 1 counted cycle."
    assert plain(odd.title).startswith("Specimen not named, run night-12: ")


def test_what_is_infinite_is_no_value_and_is_not_drawn(odd) -> None:
    drawn = {b.name: b for s in odd.sections for b in s.blocks if isinstance(b, Drawn)}
    drawn["stiffness"].draw()
    assert "inf" not in plain(_cells(drawn["stiffness"]))


def _cells(block: Drawn) -> tuple[Part, ...]:
    cells = [cell for row in block.told.table.rows for cell in row]
    return tuple(p for cell in cells for p in (cell if isinstance(cell, tuple) else (cell,)))


def test_deviations_that_events_and_columns_tell_of(odd) -> None:
    rows = {row[0]: row[1:] for row in table_rows(odd, "deviations")}
    assert rows["cracks to be mapped, and nobody came"][1] == "10"
    assert rows["flow or pump in trouble"][2].startswith("flow lost")
    cans = [row[3] for row in table_rows(odd, "deviations") if row[0].startswith("catch can")]
    assert len(cans) == 1  # the other is within the tolerance
    assert "1.00 L/min, 33% above its share" in cans[0]
    assert rows["stiffness lost before the baseline"][2].endswith("before the baseline")
    gone_on = rows["gone on at somebody's request after a pause that something found called for"]
    assert gone_on[2] == "starting, continue: by B. Night, the bank had refused: no matter"
    assert rows["limit that tripped, and the test went on"][2].startswith("deflection 0.8 mm")
    high = rows["loaded too high while the amplitude grew"][2]
    assert high == "up to 96.096 kN, the upper load being 92.4 kN"
    assert "frequency lowered" not in rows


def test_water_at_the_first_crack_is_told(odd) -> None:
    assert facts(odd, "water")["Water at the first crack"].startswith("on, ")


def test_a_reading_at_a_sensor_that_was_moved_is_held_against_none(odd) -> None:
    assert [row[3] for row in table_rows(odd, "zeros")] == [
        "0 mm",
        "the sensor was moved",
        "0.02 mm",
    ]


def test_the_protocol_stands_there_as_written(odd) -> None:
    rows = table_rows(odd, "loads")
    assert ["stage", "speed_after_crack", "0.5 mm/min"] in rows
    assert ["failure: stiffness_loss", "stop", "40 %"] in rows
    assert ["limits", "load", "-2 kN, 97 kN"] in rows
    assert not any(row[0] == "loading" for row in rows)
    assert facts(odd, "loads")["Companions carried"] == "130 kN, 135 kN, 128 kN, 135 kN"


def test_warnings_tell_of_one_support_for_both_and_of_cycles_that_are_not_counted(odd) -> None:
    warned = " ".join(plain(parts) for parts in odd.warnings)
    assert "takes one support for both" in warned
    assert "more cycles than are counted: 7 cycles run and not recorded" in warned


def test_a_test_that_goes_on_is_not_told_as_one_that_stopped(tmp_path) -> None:
    header = records.header_of(records.plan(rig=None), seed=7)
    recorder = Recorder.create(tmp_path / "run", header)
    recorder.event(0.0, 0, "state", "starting, start: Prism P-12")
    recorder.abandon()
    made = run_document(tmp_path / "run")
    told = plain(made.lead)
    assert told.endswith(
        "still ran, or was cut off, when this was written; so far 0 counted cycles."
    )
    warned = " ".join(plain(parts) for parts in made.warnings)
    assert "does not say that the rig stands still" in warned
    assert "The record:" not in warned
    assert "last-minute" not in {one.name for one in made.sections}
    assert facts(made, "data-sheet")["Seed of the simulated specimen"] == "7"
    assert "inspections asked for" not in words(made, "deviations")


def test_a_failure_that_no_stroke_channel_confirmed_is_a_warning_of_its_own(tmp_path) -> None:
    header = records.header_of(records.plan(rig=None))
    recorder = Recorder.create(tmp_path / "run", header)
    recorder.finish("failure", f"{records.WHY}; unconfirmed: no stroke channel", 0, 10.0)
    made = run_document(tmp_path / "run")
    assert any(plain(parts).startswith("The failure is unconfirmed") for parts in made.warnings)
    assert facts(made, "water")["Wet, flow confirmed"].endswith("by the pump's own word alone")


def test_the_deflection_is_that_of_the_load_that_was_the_largest(tmp_path) -> None:
    recorder = Recorder.create(
        tmp_path / "run", records.header_of(records.plan("static-ultimate"), exposure="dry")
    )
    recorder.finish("ultimate", CUT_OFF, 0, 950.8)
    told = facts(run_document(tmp_path / "run"), "outcome")
    assert (told["Ultimate load"], told["Net deflection there"]) == ("131.5 kN", "4.1 mm")


@pytest.mark.parametrize("protocol", [None, "overnight-wet-prism"])
def test_of_imported_rows_nothing_is_said_that_importing_made_up(tmp_path: Path, protocol) -> None:
    lines = [f"{n},92.4,9.24,{0.82 + 1e-4 * n:.5f},0.08" for n in range(1, 201)]
    (tmp_path / "rows.csv").write_text("\n".join([ROWS, *lines]), encoding="utf-8")
    by = find_protocol(protocol) if protocol else None
    import_file(Wanted(tmp_path / "rows.csv", tmp_path / "rows", protocol=by, read=read_text))
    made = run_document(tmp_path / "rows")
    assert plain(made.lead).startswith(("P-12: an imported", "Specimen not named: an imported"))
    outcome, life = facts(made, "outcome"), facts(made, "loads")
    assert "Ended" not in outcome
    assert "a second each" in life["Frequency and test time"]
    assert "Frequency as measured, median" not in life
    assert "Samples a cycle" not in facts(made, "data-quality")
    sheet = words(made, "data-sheet")
    assert "No rig file belongs to an imported recording" in sheet
    assert "Range of load" not in sheet
    deviations = words(made, "deviations")
    assert "frequency lowered" not in deviations
    assert "nobody looked in time" not in deviations
    assert "has no events" in deviations
    assert "Periods missed" not in facts(made, "water")

"""Lives and ultimate loads that a series takes from recorded runs, against what was recorded."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from rig.assembly.series_runs import read_series, with_runs
from rig.channels import Channel
from rig.errors import InputError
from rig.protocol.load import load_series
from rig.record import Recorder, Residual, RunHeader
from rig.record.cracks import CrackEntry
from rig.samples import Cycles, Flag, column_type, cycle_columns
from tests.replay.made import CASES, Case, made, texts
from tests.replay.test_replay_residual import base

UPPER = 0.7 * 132e3  # [N], of the protocol of `tests.replay.made`
FILES = texts(Case())
SPECIMEN = next(line for line in FILES[0].splitlines() if line.startswith("specimen = "))[12:-1]
KEPT = {"protocol": FILES[0], "rig": FILES[1], "specimen": Path(SPECIMEN).read_text("utf-8")}
PEAK = "load stayed a fifth under its peak; ultimate load 131.5 kN at net deflection 5.536 mm"
CUT = f"{PEAK}; before it was cut off it had held 133.20 kN at 5.1 mm: that is its ultimate load"


@dataclass(frozen=True)
class Recorded:
    """What is put into a record; `highest` are the maxima of its cycles over the upper load."""

    outcome: str = "failure"
    why: str = "as it was"
    cycles: int = 8
    specimen: str = "P-1"
    exposure: str = "spray"
    highest: tuple[float, ...] = (1.0,) * 8
    after_end: int = 0
    spray: tuple[tuple[float, float, bool], ...] = ()
    interruptions: tuple[tuple[float, int, float, str], ...] = ()
    residual: Residual | None = None
    protocol: bool = True
    found: tuple[tuple[str, str], ...] = ()
    started: str = "2001-01-01T18:00:00+00:00"


def record(folder: Path, told: Recorded) -> Path:
    """Write the record of a run and return its folder."""
    header = RunHeader(
        run_id=folder.name,
        software="nightrig",
        started_utc=told.started,
        title="recorded",
        specimen_id=told.specimen,
        exposure=told.exposure,
        seed=None,
        rate=1000.0,
        channels=(Channel("load", "N", 5.0, -25e3, 260e3),),
        texts=KEPT if told.protocol else {**KEPT, "protocol": ""},
    )
    count = len(told.highest)
    number = np.arange(1, count + 1)
    given = {
        "number": number,
        "time": number / 10,
        "load_max": UPPER * np.array(told.highest),
        "flags": np.where(number > count - told.after_end, int(Flag.AFTER_END), 0),
    }
    rows = {
        name: np.asarray(given.get(name, np.zeros(count))).astype(column_type(name))
        for name in cycle_columns(("load",))
    }
    recorder = Recorder.create(folder, header)
    if count:
        recorder.cycles(Cycles(rows, number, number + 1, number + 2))
    for on, off, confirmed in told.spray:
        recorder.spray(on, off, 1.0, confirmed)
    for row in told.interruptions:
        recorder.interruption(*row)
    for number_of, (fact, text) in enumerate(told.found, start=1):
        recorder.crack(CrackEntry(number_of, 500.0, count, "after-test", fact=fact, text=text))
    recorder.finish(told.outcome, told.why, told.cycles, 500.0, told.residual)
    return folder


LIFE = '[[life]]\nspecimen = "P-1"\ngroup = "wet"\nrun = "runs/p-1"\n'
LOAD = '[[ultimate]]\nspecimen = "P-1"\ngroup = "wet"\nrun = "runs/p-1"\n'
GROUP = '[groups.wet]\nexposure = "spray"\n'


def put(folder: Path, told: Recorded, entry: str = LIFE) -> str:
    """Write a run and a series that names it; return the path of the series."""
    (folder / "runs").mkdir()
    record(folder / "runs" / "p-1", told)
    path = folder / "series.toml"
    path.write_text(GROUP + entry, encoding="utf-8")
    return str(path)


def read(path: str):
    return read_series(path, lambda file: Path(file).read_text(encoding="utf-8"))


def refused(path: str) -> str:
    """Return the one problem that a series is refused for."""
    with pytest.raises(InputError) as caught:
        read(path)
    (problem,) = caught.value.problems
    return str(problem).replace(path, "series.toml")


def test_a_life_is_that_of_its_run(tmp_path):
    told = Recorded(
        cycles=7,
        highest=(1.0,) * 5 + (1.04, 1.0, 1.3),
        after_end=1,
        spray=((0.0, 40.0, True), (40.0, 50.0, False), (100.0, 130.0, True)),
        interruptions=(
            # An inspection with a pause in it is one standstill of 60 s.
            (10.0, 2, 60.0, "inspection; 9.2 kN held, wet; ended: nobody came"),
            (20.0, 2, 30.0, "operator: tea; 9.2 kN held, wet; ended: back"),
            (200.0, 5, 45.0, "pause; unloaded, dry for 2 min; ended: continue"),
        ),
    )
    (life,) = read(put(tmp_path, told)).lives
    assert (life.outcome, life.cycles) == ("failure", 7.0)
    assert life.level == pytest.approx(0.7)
    assert life.wet == pytest.approx(70.0)
    assert life.interruptions == pytest.approx(105.0)
    assert life.unloaded == pytest.approx(45.0)
    # 104 % marks nothing, and what came after the verdict does not count.
    assert not life.overloaded
    assert life.age is None  # its specimen was cast later: one of the two dates is wrong


@pytest.mark.nights
def test_the_age_of_the_concrete_is_counted_from_its_casting(tmp_path):
    """The file of the prism says 2025-03-04; from there it is 91 days to 2025-06-03."""
    (life,) = read(put(tmp_path, Recorded(started="2025-06-03T08:00:00+00:00"))).lives
    assert life.age == 91 * 86400.0


@pytest.mark.nights
def test_the_first_cycle_far_above_the_upper_load_marks_the_life(tmp_path):
    """Above 105 % of it: common practice, no source."""
    told = Recorded(highest=(1.0,) * 7 + (1.06,))
    (life,) = read(put(tmp_path, told)).lives
    assert life.overloaded


@pytest.mark.nights
@pytest.mark.parametrize(("exposure", "wet"), [("dry", 0.0), ("submerged", 500.0)])
def test_in_water_it_is_wet_all_the_time_and_dry_never(tmp_path, exposure, wet):
    path = put(tmp_path, Recorded(exposure=exposure))
    Path(path).write_text(GROUP.replace("spray", exposure) + LIFE, encoding="utf-8")
    assert read(path).lives[0].wet == wet


def test_what_the_file_says_holds_and_what_differs_is_told(tmp_path):
    given = 'level = "75 %"\ncycles = "6.5 cycles"\noutcome = "run-out"\nwet = "1 h"\n'
    series = read(put(tmp_path, Recorded(), LIFE + given))
    (life,) = series.lives
    assert (life.cycles, life.outcome, life.wet) == (6.5, "run-out", 3600.0)
    assert life.level == pytest.approx(0.75)
    told = "\n".join(series.warnings)
    assert "series.toml:7: life[1].level: is not what its run tells, 70.0%" in told
    assert "series.toml:8: life[1].cycles: is not what its run tells, 8" in told
    assert 'series.toml:9: life[1].outcome: "run-out" is not what its run tells, "failure"' in told
    assert len(series.warnings) == 3


@pytest.mark.nights
def test_the_same_as_in_the_run_is_not_told(tmp_path):
    given = 'level = "70 %"\ncycles = "8 cycles"\noutcome = "failure"\nmode = "shear"\n'
    series = read(put(tmp_path, Recorded(), LIFE + given))
    assert series.warnings == ()
    assert series.lives[0].mode == "shear"


@pytest.mark.nights
def test_a_run_of_another_specimen_or_exposure_is_told(tmp_path):
    series = read(put(tmp_path, Recorded(specimen="P-2", exposure="dry")))
    first, second = series.warnings
    assert 'life[1].run: is a run of specimen "P-2", not "P-1"' in first
    assert 'was in exposure "dry", and its group is "spray"' in second


@pytest.mark.nights
@pytest.mark.parametrize(
    ("rows", "told"),
    [
        (((0.0, 5, 86_000.0, "x; unloaded; ended: y"),), None),
        (((0.0, 5, 90_000.0, "x; unloaded; ended: y"),), "stood 25 h without load, over 24 h"),
        (((0.0, 5, 90_000.0, "x; 9 kN held; ended: y"),), None),
        (((0.0, 100_000, 9.0, "x; unloaded; ended: y"),), None),
        (
            ((0.0, 120_000, 9.0, "x; unloaded; ended: y"), (20.0, 130_000, 9.0, "x; unloaded")),
            "was unloaded 2 times after 100,000 cycles, first at 120,000",
        ),
    ],
)
def test_long_or_late_unloading_is_told(tmp_path, rows, told):
    """A day, and 100,000 cycles: common practice, no source."""
    warnings = read(put(tmp_path, Recorded(interruptions=rows))).warnings
    assert len(warnings) == (told is not None)
    assert all(told in warning for warning in warnings if told)


def test_a_run_that_somebody_ended_is_no_life_unless_the_file_says_what_it_is(tmp_path):
    path = put(tmp_path, Recorded(outcome="operator"))
    assert refused(path) == (
        'series.toml:6: life[1].run: ended with "operator" at cycle 8: neither failure nor '
        'run-out; write outcome = "run-out" to count it as withdrawn there, or take it out'
    )
    Path(path).write_text(f'{GROUP}{LIFE}outcome = "run-out"\n', encoding="utf-8")
    series = read(path)
    assert (series.lives[0].outcome, series.lives[0].cycles) == ("run-out", 8.0)
    assert 'is not what its run tells, "operator"' in series.warnings[0]


def test_a_run_without_an_outcome_or_a_protocol_is_asked_for_them(tmp_path):
    path = put(tmp_path, Recorded(outcome="", protocol=False))
    with pytest.raises(InputError) as caught:
        read(path)
    first, second = sorted(p.problem for p in caught.value.problems)
    assert first == "has no outcome at cycle 8: neither failure nor run-out"
    assert second == "its record keeps no protocol that tells the load level"
    Path(path).write_text(f'{GROUP}{LIFE}outcome = "failure"\nlevel = "66 %"\n', encoding="utf-8")
    assert read(path).lives[0].level == pytest.approx(0.66)


@pytest.mark.nights
def test_how_it_failed_does_not_go_with_a_run_that_ran_out(tmp_path):
    path = put(tmp_path, Recorded(outcome="run-out"), f'{LIFE}mode = "shear"\n')
    assert refused(path).startswith(
        "series.toml:7: life[1].mode: is how it failed, and its run ran out"
    )


FOUND = (("mode", "shear"), ("void", "the frame leaned"))


@pytest.mark.parametrize("entry", [LIFE, pytest.param(LOAD, marks=pytest.mark.nights)])
def test_how_it_failed_and_that_it_is_void_is_taken_from_the_record(tmp_path, entry):
    series = read(put(tmp_path, Recorded("ultimate", PEAK, found=FOUND), entry))
    (found,) = (*series.lives, *series.ultimates)
    assert (found.valid, found.void_reason) == (False, "the frame leaned")
    (told,) = series.warnings
    assert told.endswith(
        '[1].run: is void by its own record, "the frame leaned", and is left out; add valid = '
        "true where that is wrong"
    )


@pytest.mark.nights
def test_what_the_file_says_of_mode_and_validity_wins_and_what_differs_is_told(tmp_path):
    given = 'mode = "bearing"\nvalid = true\n'
    series = read(put(tmp_path, Recorded(found=FOUND), LIFE + given))
    (life,) = series.lives
    assert (life.mode, life.valid, life.cycles) == ("bearing", True, 8.0)
    told = "\n".join(series.warnings)
    assert 'life[1].mode: "bearing" is not what its run tells, "shear"' in told
    assert 'life[1].valid: is not what its run tells: it is void, "the frame leaned"' in told


@pytest.mark.parametrize(
    ("outcome", "fact", "mode"),
    [
        ("failure", ("mode", "shear"), "shear"),
        pytest.param("failure", ("mode", "in its own way"), None, marks=pytest.mark.nights),
        pytest.param("run-out", ("mode", "shear"), None, marks=pytest.mark.nights),
        pytest.param("failure", ("valid", ""), None, marks=pytest.mark.nights),
    ],
)
def test_a_mode_that_a_series_knows_is_taken_where_the_file_says_none(
    tmp_path, outcome, fact, mode
):
    series = read(put(tmp_path, Recorded(outcome, found=(fact,))))
    assert (series.lives[0].mode, series.lives[0].valid) == (mode, True)
    assert series.warnings == ()


def test_a_run_that_is_not_there_names_its_line(tmp_path):
    path = put(tmp_path, Recorded(), LIFE.replace("p-1", "p-9"))
    said = refused(path)
    assert said.startswith("series.toml:6: life[1].run: ")
    assert "there is no such run file" in said
    assert said.endswith("correct the path, or take it out")


@pytest.mark.nights
def test_a_file_that_is_no_record_is_refused_in_words(tmp_path):
    path = put(tmp_path, Recorded())
    (tmp_path / "runs" / "p-1" / "run.h5").write_bytes(b"no record at all")
    assert "cannot read the run file" in refused(path)


def test_the_run_of_a_void_life_is_not_looked_at(tmp_path):
    void = 'valid = false\nvoid_reason = "the record is lost"\n'
    path = tmp_path / "series.toml"
    path.write_text(GROUP + LIFE + void + LOAD + void + "residual = true\n", encoding="utf-8")
    series = read(str(path))
    assert series.lives[0].cycles is None
    assert series.ultimates[0].load is None
    assert series.warnings == ()


@pytest.mark.nights
def test_one_run_is_the_life_of_one_specimen(tmp_path):
    path = put(tmp_path, Recorded(), LIFE + LIFE.replace('"P-1"', '"P-2"'))
    assert 'life[2].run: is the run of "P-1" too; name its own run' in refused(path)


# Ultimate loads.


@pytest.mark.nights
@pytest.mark.parametrize(("why", "load"), [(PEAK, 131.5e3), (CUT, 133.2e3)])
def test_an_ultimate_load_is_that_of_its_run(tmp_path, why, load):
    told = Recorded("ultimate", why, 0, highest=())
    (ultimate,) = read(put(tmp_path, told, LOAD)).ultimates
    assert ultimate.load == pytest.approx(load)


RESIDUAL = Residual("ultimate", PEAK, 128.25e3, 5e-3)


def test_a_run_that_ran_out_and_was_broken_is_a_life_and_a_residual_load(tmp_path):
    told = Recorded("run-out", residual=RESIDUAL)
    series = read(put(tmp_path, told, f"{LIFE}{LOAD}residual = true\n"))
    assert series.lives[0].outcome == "run-out"
    assert series.ultimates[0].load == 128.25e3
    assert series.ultimate_loads("spray") == ()


@pytest.mark.nights
def test_the_load_of_one_that_ran_out_is_no_companions(tmp_path):
    path = put(tmp_path, Recorded("run-out", residual=RESIDUAL), LOAD)
    assert refused(path).startswith("series.toml:6: ultimate[1].run: is of a specimen that ran out")
    assert refused(path).endswith("add residual = true")


@pytest.mark.nights
@pytest.mark.parametrize("residual", [None, Residual("fault", "cable off", 90e3, 4e-3)])
def test_a_run_without_an_ultimate_load_gives_none(tmp_path, residual):
    path = put(tmp_path, Recorded("run-out", residual=residual), f"{LOAD}residual = true\n")
    assert 'ended with "run-out" and came to no ultimate load' in refused(path)


def test_a_series_without_runs_is_read_as_it_is(tmp_path):
    path = tmp_path / "series.toml"
    path.write_text(GROUP, encoding="utf-8")
    assert read(str(path)) == load_series(str(path), lambda _: GROUP)


@pytest.mark.nights
def test_problems_are_told_without_the_text_too(tmp_path):
    path = put(tmp_path, Recorded(outcome="operator"))
    series = load_series(path, lambda _: GROUP + LIFE)
    found, (problem,) = with_runs(series, tmp_path)
    assert problem.field == "life[1].run"
    assert found.lives[0].cycles == 8.0


@pytest.mark.nights
def test_rehearsed_runs_give_the_lives_that_they_tell(tmp_path):
    """The whole way: rehearsed, recorded, read; counts and water as the run itself says them."""
    cases = {
        "out": Case(3, run_out=140, base=base(before="30 s")),
        "wet": CASES["wet failure"],
        "static": CASES["ultimate"],
        "resumed": CASES["stopped and resumed"],
    }
    runs = {name: made(tmp_path / name, case) for name, case in cases.items()}
    entry = '[[{}]]\nspecimen = "{}"\ngroup = "{}"\nrun = "{}"\n{}'
    text = '[groups.dry]\nexposure = "dry"\n[groups.wet]\nexposure = "spray"\n' + "".join(
        [
            entry.format("life", "P-78", "dry", runs["out"], ""),
            entry.format("life", "P-79", "wet", runs["wet"] / "run.h5", ""),
            entry.format("life", "P-80", "dry", runs["resumed"], ""),
            entry.format("ultimate", "P-31", "dry", runs["static"], ""),
            entry.format("ultimate", "P-78", "dry", runs["out"], "residual = true\n"),
        ]
    )
    path = tmp_path / "series.toml"
    path.write_text(text, encoding="utf-8")
    out, wet, resumed = (series := read(str(path))).lives
    assert (out.outcome, out.cycles, out.wet) == ("run-out", 140, 0.0)
    assert wet.outcome == "failure"
    assert wet.wet == pytest.approx(10.0, abs=0.1)  # of 10 s in 14, one whole period confirmed
    assert (resumed.outcome, resumed.cycles) == ("run-out", 300)
    assert resumed.unloaded == resumed.interruptions > 60
    static, residual = series.ultimates
    assert static.load == pytest.approx(131e3, rel=0.05)
    assert residual.load == pytest.approx(131e3, rel=0.05)
    assert all(life.level == pytest.approx(0.7) for life in series.lives)

"""Where recorded and replayed verdicts differ, and why: each cause brought about."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from rig.guards.health import HealthSetup, HealthState, check_health, check_spikes
from rig.protocol.plan import Plan
from rig.record import FullRateRecord, Recorder
from rig.replay.differing import changes
from rig.replay.judged import Replayed, differences, recorded, replay
from rig.replay.recording import Recording, open_recording
from rig.replay.told import kind_of
from rig.samples import Cycles
from tests.criteria.table import K, armed, judge_all, rows_of
from tests.replay.made import CASES, kept, made

HERE = pytest.mark.xdist_group("recordings")  # they share what was recorded
Rows = Callable[[Cycles], Cycles]
Samples = Callable[[FullRateRecord], FullRateRecord | None]


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return kept("deflection limit 1", tmp_path_factory)


def as_it_was(found: object) -> object:
    return found


def recorded_anew(
    run: Path,
    folder: Path,
    *,
    rows: Rows = as_it_was,
    samples: Samples = as_it_was,
    ends: bool = True,
) -> Path:
    """Return a recording like another one but for its rows or samples, or that it has no end."""
    with open_recording(run) as recording:
        recorder = Recorder.create(folder / "run", recording.header)
        for part in recording.rows():
            recorder.cycles(rows(part))
        for event in recording.events():
            recorder.add_event(event.time, event.cycle, event.kind, event.text)
        for record in recording.full_rate():
            kept = samples(record)
            if kept is not None:
                recorder.full_rate(kept)
        if ends:
            recorder.finish(recording.outcome or "", recording.why, recording.cycles, 100.0)
        else:
            recorder.commit()
            recorder.abandon()
    return folder / "run"


def compared(run: Path, plan_of: Callable[[Recording], Plan] = Recording.plan):
    """Return a replay and its differences."""
    with open_recording(run) as recording:
        plan = plan_of(recording)
        now: Replayed = replay(recording, plan)
        return now, differences(recording, plan, recorded(recording), now)


@HERE
def test_a_recording_made_anew_without_a_change_agrees(run, tmp_path):
    assert compared(recorded_anew(run, tmp_path))[1] == ()


@HERE
def test_rows_that_the_samples_do_not_bear_out_are_told_with_cycle_and_values(run, tmp_path):
    def stiffer(rows: Cycles) -> Cycles:
        stiffness = rows["stiffness"].copy()
        stiffness[14:16] *= np.float32(1.25)
        return rows.with_columns(stiffness=stiffness)

    with open_recording(run) as recording:
        was = float(next(recording.rows())["stiffness"][14])
    now, told = compared(recorded_anew(run, tmp_path, rows=stiffer))
    (line,) = told
    assert line.startswith(f"stiffness of 2 of {now.found_again} cycles found again differs")
    assert f"first in cycle 15: recorded {1.25 * was:.9g}, now {was:.9g}" in line
    assert "reads samples otherwise" in line


@HERE
def test_rows_that_are_missing_are_told(run, tmp_path):
    now, told = compared(recorded_anew(run, tmp_path, rows=lambda rows: rows.part(0, 100)))
    assert any("rows are missing: 100 of 147 are there" in line for line in told)
    assert any("cycles are found in the samples" in line for line in now.unlike)


@HERE
def test_samples_that_are_not_kept_are_told(run, tmp_path):
    kept = recorded_anew(run, tmp_path, samples=lambda r: r if r.label == "cycles" else None)
    now, told = compared(kept)
    assert now.outcome is None
    assert all("samples are not kept there" in line for line in told)
    assert any(line.startswith("recorded is failure at cycle 147, replayed is no") for line in told)


@pytest.mark.nights
def test_a_limit_of_the_rig_file_is_told_as_one(tmp_path):
    case = replace(CASES["deflection limit 1"], rig_limit='deflection = ["-1 mm", "1.4 mm"]')
    now, told = compared(made(tmp_path, case))
    assert now.outcome is None
    assert all("the limit on deflection is the rig file's" in line for line in told)
    assert told


@HERE
def test_software_that_judges_otherwise_is_what_is_left(run, tmp_path):
    def otherwise(record: FullRateRecord) -> FullRateRecord:
        values = record.values.copy()
        if record.label == "stop":
            values[record.channels.index("midspan")] *= np.float32(0.5)
        return replace(record, values=values)

    _, told = compared(recorded_anew(run, tmp_path, samples=otherwise))
    assert any("software that judges otherwise: recorded by nightrig" in line for line in told)


@HERE
def test_a_test_that_has_not_ended_is_no_other_software(run, tmp_path):
    _, told = compared(recorded_anew(run, tmp_path, ends=False))
    assert told[0].startswith("recorded is no end at cycle")
    assert all("the record has no end: the test still goes on, or was cut off" in t for t in told)
    # What ends the replay was found in the test too.
    assert not any(line.startswith("recorded and not replayed") for line in told)


@HERE
def test_an_end_that_differs_is_told_once(run):
    def narrower(recording: Recording) -> Plan:
        plan = recording.plan()
        (low, high), fixed = plan.limits.fixed["deflection"], dict(plan.limits.fixed)
        fixed["deflection"] = (low, high / 8)
        return replace(plan, limits=replace(plan.limits, fixed=fixed))

    now, told = compared(run, narrower)
    assert now.findings[-1].text in now.why
    assert told[0].startswith("recorded is ")
    assert not any(now.findings[-1].text in line for line in told)


@HERE
def test_changes_are_named_as_they_are_written_in_a_protocol(run):
    with open_recording(run) as recording:
        by = recording.plan()
    loading = by.loading
    assert loading is not None
    other = replace(
        by,
        loading=replace(loading, upper=90e3, frequency=4.0),
        baseline=replace(by.baseline, last=70),
        failure=replace(
            by.failure, stiffness_step=None, alert_only=frozenset({"stiffness_loss", "load_short"})
        ),
        limits=replace(by.limits, learned=replace(by.limits.learned, deflection=1.5)),
    )
    assert changes(by, other) == [
        "loading.upper 92.4 kN in the recording, 90 kN here",
        "loading.frequency 10 Hz in the recording, 4 Hz here",
        "baseline.to 60 in the recording, 70 here",
        "failure.stiffness_step.pause 5 % in the recording, not set here",
        "failure.stiffness_step.within 20 in the recording, not set here",
        "failure.alert_only none in the recording, load_short, stiffness_loss here",
        "limits.cyclic.deflection 200 % in the recording, 150 % here",
    ]
    assert changes(by, by) == []


def test_the_words_of_every_end_and_doubt_are_known_again():
    drop = np.concatenate((np.full(60, K), np.full(200, 0.5 * K)))
    loads = np.concatenate((np.full(60, 20e3), np.full(60, 15e3)))
    found = [
        *judge_all(armed(run_out=250), rows_of(drop))[0],
        *judge_all(armed(short_stop=0.1), rows_of(np.full(120, K), load_max=loads))[0],
    ]
    ends = {f.kind: f.text for f in found if f.action in ("failure", "fault", "run-out", "warn")}
    assert {"stiffness-loss", "load-short", "run-out"} <= ends.keys()
    assert {kind: kind_of(text) for kind, text in ends.items()} == {kind: kind for kind in ends}
    setup = HealthSetup({"load": (-1.0, 1.0)}, 1000.0, flat_after=50)
    signals = (np.full(60, 0.5), np.full(60, 1.0), np.full(1100, np.nan))
    doubts = [
        finding
        for signal in signals
        for finding in check_health(setup, HealthState(), 0, {"load": signal.astype("f4")})[1]
    ]
    doubts += check_spikes(setup, HealthState(), range(6), [True] * 6)[1]
    assert {f.kind for f in doubts} == {"flat", "saturated", "missing", "spiking"}
    assert all(kind_of(f.text) == f.kind for f in doubts)
    assert kind_of("emergency stop pressed") == ""

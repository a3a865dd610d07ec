"""How a static test after a run-out ended is kept in the journal and in run.h5."""

from __future__ import annotations

import json
import math

import h5py
import pytest

from rig.record import Ending, Recorder, Residual, read_journal, read_run, rebuild
from rig.record.remote import RemoteRecorder
from rig.record.verify import trouble_in_run_file
from tests.record.runs import header, record_everything

BROKEN = Residual("ultimate", "load stayed a fifth under its peak", 130_890.0, 0.0057)
NOT_BEGUN = Residual("operator", "asked to stop")
ENDING = ("run-out", "no failure in 5,000 cycles", 5000, 60.0)


def made(folder, residual):
    recorder = Recorder.create(folder, header())
    record_everything(recorder)
    return recorder.finish(*ENDING, residual)


@pytest.mark.parametrize(
    "residual",
    [
        BROKEN,
        pytest.param(NOT_BEGUN, marks=pytest.mark.nights),
        pytest.param(None, marks=pytest.mark.nights),
    ],
    ids=["broken", "not begun", "none"],
)
def test_it_comes_back_from_the_journal_and_from_run_h5(tmp_path, residual):
    path = made(tmp_path / "run", residual)
    with read_journal(tmp_path / "run") as journal:
        assert journal.ending == Ending(*ENDING, residual)
    with read_run(path) as run:
        assert run.outcome == "run-out"
        assert run.residual == residual
    assert trouble_in_run_file(tmp_path / "run") == ""


@pytest.mark.nights
def test_run_h5_made_again_says_the_same(tmp_path):
    path = made(tmp_path / "run", BROKEN)
    before = path.read_bytes()
    path.unlink()
    assert rebuild(tmp_path / "run").read_bytes() == before


@pytest.mark.nights
def test_other_programs_find_it_as_plain_attributes(tmp_path):
    with h5py.File(made(tmp_path / "a", BROKEN)) as run:
        assert run.attrs["residual_outcome"] == "ultimate"
        assert run.attrs["residual_why"] == BROKEN.why
        assert run.attrs["residual_load"] == BROKEN.load
        assert run.attrs["residual_deflection"] == BROKEN.deflection
    with h5py.File(made(tmp_path / "b", NOT_BEGUN)) as run:
        assert math.isnan(run.attrs["residual_load"])
    with h5py.File(made(tmp_path / "c", None)) as run:
        assert not [name for name in run.attrs if name.startswith("residual")]


def test_an_ending_without_one_is_written_as_it_always_was():
    text = Ending(*ENDING).to_json()
    assert json.loads(text) == list(ENDING)
    assert Ending.from_json(text) == Ending(*ENDING)


@pytest.mark.parametrize(
    "text", ["3", "[1, 2]", '["a", "b", 3, 4.0, 5]', '["a", "b", 3, 4, ["c"]]']
)
def test_an_ending_of_another_kind_is_refused(text):
    with pytest.raises((TypeError, ValueError)):
        Ending.from_json(text)


def test_a_text_that_no_program_can_hold_is_made_one(tmp_path):
    path = made(tmp_path / "run", Residual("fault", "cable\0 off\ud800", 1e3, 1e-3))
    with read_run(path) as run:
        assert run.residual.why == "cable\N{REPLACEMENT CHARACTER} off?"


@pytest.mark.nights
async def test_it_passes_through_the_recorder_process(tmp_path):
    recorder = await RemoteRecorder.create(tmp_path / "run", header())
    record_everything(recorder)
    path = await recorder.finish(*ENDING, BROKEN)
    with read_run(path) as run:
        assert run.residual == BROKEN


def test_what_ended_last_is_the_static_test_where_there_was_one():
    assert Ending(*ENDING, NOT_BEGUN).last.outcome == "operator"
    assert Ending(*ENDING).last.outcome == "run-out"

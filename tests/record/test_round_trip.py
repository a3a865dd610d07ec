"""What is recorded reads back the same, bit for bit, from journal and run file."""

import tempfile
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from rig.errors import InputError, StorageError
from rig.record import (
    Event,
    FullRateRecord,
    Recorder,
    free_bytes,
    read_journal,
    read_run,
    rebuild,
)
from rig.record.cracks import read_cracks
from rig.samples import cycle_columns
from tests.record.runs import (
    HAIRLINE,
    SAMPLED,
    datasets,
    header,
    likely_rows,
    record_everything,
    wild_rows,
)

COUNTS = (0, 1, 4095, 4096, 4097, 10000)


@pytest.mark.nights
@settings(max_examples=12)
@given(
    counted=st.one_of(st.sampled_from(COUNTS), st.integers(0, 9000)),
    building=st.integers(0, 5000),
    cuts=st.lists(st.integers(0, 9000), max_size=4),
    seed=st.integers(0, 2**32),
)
@example(counted=0, building=0, cuts=[], seed=0)
@example(counted=1, building=1, cuts=[], seed=1)
@example(counted=4095, building=0, cuts=[4094], seed=2)
@example(counted=4096, building=4096, cuts=[1, 7], seed=3)
@example(counted=4097, building=3, cuts=[4096], seed=4)
@example(counted=10000, building=0, cuts=[4096, 8192], seed=5)
def test_cycles_of_any_count_in_any_blocks_read_back_exactly(
    counted: int, building: int, cuts: list[int], seed: int
) -> None:
    rows, build_up = wild_rows(1, counted, seed), wild_rows(90, building, seed)
    bounds = sorted({0, counted, *(c for c in cuts if c < counted)})
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "run"
        recorder = Recorder.create(folder, header())
        recorder.build_up(build_up)
        for start, stop in pairwise(bounds):
            recorder.cycles(rows.part(start, stop))
            recorder.commit()
        path = recorder.finish("run-out", "taken off", counted, 5.0)
        with read_run(path) as run, read_journal(folder) as journal:
            assert run.rows() == journal.rows("cycles") == counted
            for kind, expected in (("cycles", rows), ("build_up", build_up)):
                kept = journal.columns(kind)
                assert tuple(kept) == cycle_columns(SAMPLED)
                for name, column in expected.columns.items():
                    assert kept[name].tobytes() == column.tobytes(), name
                    stored = run.column(name, kind=kind)
                    assert stored.dtype == column.dtype
                    assert stored.tobytes() == column.tobytes(), name


def full_recording(folder: Path) -> Recorder:
    recorder = Recorder.create(folder, header())
    record_everything(recorder)
    return recorder


def test_every_kind_of_record_reads_back_from_journal_and_run_file(tmp_path: Path) -> None:
    path = full_recording(tmp_path / "run").finish("operator", "asked to stop", 4990, 1000.25)
    with read_run(path) as run, read_journal(tmp_path / "run") as journal:
        assert run.events() == journal.events()
        assert run.events() == [
            Event(0.0, 0, "state", "approach begins"),
            Event(31.0, 11, "note", "größer als gedacht; 'quotes' and\nlines"),
        ]
        assert run.entries("spray") == [(10.0, 130.0, 0.003, 1)]
        assert run.entries("inspections") == [(20.0, 10, 1200.0, "nothing to see")]
        assert repr(read_cracks(run)) == repr(read_cracks(journal)) == repr((HAIRLINE,))
        assert run.entries("interruptions") == [(30.0, 11, 5.0, "operator paused")]
        assert run.entries("zeros") == [(0.0, "load", 12.5, "before contact")]
        assert run.column("time", kind="slow").tolist() == [1.0, 2.0]
        air = run.column("temperature_air", kind="slow")
        np.testing.assert_array_equal(air, np.array([291.5, np.nan], np.float32))
        assert run.channels == header().channels
        assert run.text("protocol") == "title = 'é'\n"
        assert (run.outcome, run.why, run.cycles) == ("operator", "asked to stop", 4990)
        assert int(run.attributes["seed"]) == 2**70
        first, decade, none = run.full_rate()
        assert none.values.shape == (3, 0)
        assert (first.label, first.cycle, first.first_frame, first.rate) == ("first", 1, 7, 1000.0)
        expected = np.arange(60, dtype=np.float32).reshape(2, 30)
        np.testing.assert_array_equal(first.values[:2], expected)
        assert np.isnan(first.values[2]).all()
        assert decade.channels == SAMPLED
        np.testing.assert_array_equal(decade.values[1:], expected[:, :11])
        (static,) = run.static()
        (kept,) = journal.static()
        assert (static.time, static.cycle, static.stiffness) == (3.0, 1, 6e7)
        assert np.isnan(static.reopening_load)
        assert (static.residual, static.rate, static.first) == (1e-5, 100.0, 40)
        np.testing.assert_array_equal(static.values[:2], expected)
        np.testing.assert_array_equal(kept.values, expected)
        assert [record.label for record in journal.full_rate()] == ["first", "decade", "none"]


@pytest.mark.nights
@settings(max_examples=10)
@given(st.lists(st.text(alphabet=st.characters()), max_size=4))
@example(["\0", "a\0b", "\ud800", "", "=1+1", "𝄞\n"])
def test_any_text_a_person_can_send_is_kept_and_the_run_file_is_made(texts: list[str]) -> None:
    with tempfile.TemporaryDirectory() as place:
        recorder = Recorder.create(Path(place) / "run", header())
        for text in texts:
            recorder.event(1.0, 0, "note", text)
        with read_run(recorder.finish("operator", "".join(texts), 0, 2.0)) as run:
            kept = [event.text for event in run.events()]
    assert len(kept) == len(texts)
    for ours, text in zip(kept, texts, strict=True):
        assert len(ours) == len(text)
        assert all(a == b for a, b in zip(ours, text, strict=True) if b.isprintable())


@pytest.mark.nights
def test_a_run_file_made_again_from_the_journal_equals_the_finished_one(tmp_path: Path) -> None:
    path = full_recording(tmp_path / "run").finish("failure", "stiffness", 5000, 1000.0)
    first = datasets(path)
    path.unlink()
    assert rebuild(tmp_path / "run") == path
    assert datasets(path) == first


def test_a_finished_folder_holds_journal_and_run_file_only(tmp_path: Path) -> None:
    full_recording(tmp_path / "run").finish("failure", "stiffness", 5000, 1000.0)
    assert {p.name for p in (tmp_path / "run").iterdir()} == {"journal.db", "run.h5"}


def test_the_newest_restart_point_comes_back_with_the_rows_it_knew(tmp_path: Path) -> None:
    recorder = Recorder.create(tmp_path / "run", header())
    recorder.cycles(likely_rows(1, 10))
    recorder.restart_point({"next": 11})
    recorder.cycles(likely_rows(11, 5))
    tail = np.arange(6, dtype=np.float32).reshape(2, 3)
    recorder.restart_point({"next": 16, "tail": tail, "bits": {"state": 2**127}, "raw": b"\0a"})
    recorder.cycles(likely_rows(16, 4))
    recorder.event(1.0, 19, "verdict", "stiffness lost")
    recorder.abandon()
    with read_journal(tmp_path / "run") as journal:
        point = journal.restart_point
        assert point is not None
        assert journal.rows("cycles") == 19
        assert point["recorded"] == {"cycles": 15, "build_up": 0, "slow": 0}
        assert (point["next"], point["bits"], point["raw"]) == (16, {"state": 2**127}, b"\0a")
        assert point["tail"].dtype == np.float32
        np.testing.assert_array_equal(point["tail"], tail)
        assert journal.ending is None


def test_a_live_journal_is_read_beside_its_writer(tmp_path: Path) -> None:
    recorder = Recorder.create(tmp_path / "run", header())
    recorder.cycles(likely_rows(1, 5000))
    recorder.commit()
    recorder.cycles(likely_rows(5001, 10))
    with read_journal(tmp_path / "run") as journal:
        recorder.commit()
        assert journal.rows("cycles") == 5000
        assert journal.columns("cycles", start=4990)["number"].tolist() == [*range(4991, 5001)]
    with read_journal(tmp_path / "run") as journal:
        assert journal.columns("cycles")["number"].tolist() == [*range(1, 5011)]
    recorder.abandon()


def test_an_existing_folder_is_refused_and_left_alone(tmp_path: Path) -> None:
    folder = tmp_path / "run"
    folder.mkdir()
    (folder / "mine.txt").write_text("keep")
    with pytest.raises(InputError, match="run: already exists, nothing was written"):
        Recorder.create(folder, header())
    assert [p.name for p in folder.iterdir()] == ["mine.txt"]


@pytest.mark.parametrize("first", [3, 1, 0])
def test_a_hole_or_repeat_in_the_numbers_is_refused(tmp_path: Path, first: int) -> None:
    recorder = Recorder.create(tmp_path / "run", header())
    recorder.cycles(likely_rows(1, 1))
    with pytest.raises(StorageError, match="must go on from 2"):
        recorder.cycles(likely_rows(first, 5))
    recorder.abandon()


def test_samples_that_do_not_fit_their_channels_are_refused(tmp_path: Path) -> None:
    recorder = Recorder.create(tmp_path / "run", header())
    wrong = FullRateRecord("first", 1, 0, 1000.0, SAMPLED, np.zeros((2, 5), np.float32))
    with pytest.raises(StorageError, match="do not fit 3 channels"):
        recorder.full_rate(wrong)
    recorder.abandon()


def test_free_bytes_of_a_folder_that_is_not_there_yet_are_those_above_it(tmp_path: Path) -> None:
    assert free_bytes(tmp_path / "not" / "yet") > 0


@pytest.mark.nights
def test_bytes_a_cycle_stay_under_thirty_and_forty(tmp_path: Path) -> None:
    cycles = 40_000
    recorder = Recorder.create(tmp_path / "run", header())
    for first in range(1, cycles, 1000):
        recorder.cycles(likely_rows(first, 1000))
        recorder.commit()
    path = recorder.finish("run-out", "taken off", cycles, 1.0)
    in_run = path.stat().st_size / cycles
    in_journal = (tmp_path / "run" / "journal.db").stat().st_size / cycles
    print(f"bytes a cycle: run.h5 {in_run:.1f}, journal {in_journal:.1f}")
    assert in_run <= 30
    assert in_journal <= 40

"""The newest cycles in short, held against the rows that were recorded."""

import itertools
from dataclasses import asdict

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.errors import StorageError
from rig.monitor.mqtt.second import LONGEST, Second, last_second
from rig.record import Recorder
from rig.record.sealing import CHUNK_ROWS
from rig.samples import Cycles, Flag
from tests.record.runs import header, likely_rows, wild_rows

RATE = 5.0
"""Cycles a second of `likely_rows`."""


def recorded(folder, rows, pieces=()):
    """Record rows, committed in pieces that begin behind these counts."""
    recorder = Recorder.create(folder, header())
    bounds = [0, *pieces, len(rows["number"])]
    for first, end in itertools.pairwise(bounds):
        part = {name: values[first:end] for name, values in rows.items()}
        recorder.cycles(Cycles(part, *[part["number"]] * 3))
        recorder.commit()
    recorder.abandon()
    return rows


def rows_of(count, seed=1):
    return {name: values.copy() for name, values in likely_rows(seed, count).columns.items()}


@settings(max_examples=3)
@given(
    counts=st.lists(st.integers(1, 40), min_size=1, max_size=12),
    before=st.integers(0, 400),
    left=st.integers(0, 3),
)
def test_the_cycles_since_a_number_are_summed_up_whatever_pieces_they_lie_in(
    tmp_path_factory, counts, before, left
):
    total = sum(counts)
    after, upto = max(total - before, 0), max(total - left, 1)
    folder = tmp_path_factory.mktemp("runs") / "run"
    rows = recorded(folder, rows_of(total), np.cumsum(counts)[:-1].tolist())
    found = last_second(folder, after, upto)
    # Rows number k stands at place k - 1.
    newest = rows["time"][upto - 1]
    chosen = [k for k in range(after, upto) if rows["time"][k] > newest - LONGEST]
    if not chosen:
        assert found is None
        return
    part = {name: values[chosen] for name, values in rows.items()}
    assert asdict(found) == {
        "cycle": upto,
        "time": newest,
        "counted": len(chosen),
        "load_max": part["load_max"].max(),
        "load_max_least": part["load_max"].min(),
        "load_min": part["load_min"].min(),
        "load_min_most": part["load_min"].max(),
        "deflection_max": part["deflection_max"].max(),
        "deflection_min": part["deflection_min"].min(),
        "stiffness": pytest.approx(np.median(part["stiffness"]), rel=1e-7),
        "frequency": pytest.approx(np.mean(part["frequency"], dtype=float)),
    }
    assert len(chosen) <= LONGEST * RATE + 1


@pytest.mark.parametrize("after", [CHUNK_ROWS - 3, CHUNK_ROWS, CHUNK_ROWS + 7])
def test_a_whole_chunk_that_took_the_place_of_pieces_is_read_from_where_it_is_asked(
    tmp_path, after
):
    rows = recorded(tmp_path / "run", rows_of(CHUNK_ROWS + 9), (CHUNK_ROWS - 5,))
    found = last_second(tmp_path / "run", after, CHUNK_ROWS + 9)
    assert (found.cycle, found.counted) == (CHUNK_ROWS + 9, min(CHUNK_ROWS + 9 - after, 10))
    assert found.time == rows["time"][-1]


def test_cycles_after_the_end_and_values_that_are_none_are_left_out(tmp_path):
    rows = rows_of(6)
    rows["flags"][4:] |= int(Flag.AFTER_END)
    rows["load_max"][3] = rows["load_max"][2] = np.nan
    rows["stiffness"][:] = np.nan
    recorded(tmp_path / "run", rows)
    found = last_second(tmp_path / "run", 2, 6)
    assert (found.cycle, found.counted) == (4, 2)
    assert np.isnan([found.load_max, found.load_max_least, found.stiffness]).all()
    assert found.load_min == rows["load_min"][2:4].min()
    assert last_second(tmp_path / "run", 4, 6) is None


def test_rows_with_any_bytes_in_them_are_summed_up_or_none(tmp_path):
    rows = {name: values.copy() for name, values in wild_rows(1, 50, 3).columns.items()}
    recorded(tmp_path / "run", rows)
    with np.errstate(all="ignore"):
        assert isinstance(last_second(tmp_path / "run", 0, 50), Second | None)


def test_a_record_that_cannot_be_read_is_told(tmp_path):
    with pytest.raises(StorageError):
        last_second(tmp_path, 0, 5)

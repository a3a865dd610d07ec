"""What another program measured, imported and judged by a protocol."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from rig.commands.files import read_text
from rig.errors import InputError
from rig.replay.judged import Replayed, agreement, differences, recorded, replay
from rig.replay.recording import open_recording
from rig.replay.varied import vary
from tests.replay.made import LEARNED, PROTOCOL, ROOT
from tests.replay.tables import imported, series, text_of, write

SECONDS, FREQUENCY, RATE = 50.0, 4.0, 200.0
WEAKENS = 30.0
"""Test time [s] from which on each second costs 4 % of the stiffness."""


def protocol(folder: Path, **changes: str) -> str:
    """Write a protocol for the series and return its path."""
    specimen = ROOT / "protocols" / "specimens" / "prism-small.toml"
    text = PROTOCOL.format(
        specimen=specimen,
        exposure="dry",
        run_out=20_000,
        spray="",
        stop="30 %",
        learned=LEARNED,
        before="5 s",
        alerts="",
    )
    replaced = {
        'upper = "70 %"': 'upper = "92.5 kN"',
        'lower = "7 %"': 'lower = "7.5 kN"',
        'frequency = "10 Hz"': 'frequency = "4 Hz"',
        'contact = "2 kN"': 'contact = "1 kN"',
        **changes,
    }
    for old, new in replaced.items():
        assert old in text
        text = text.replace(old, new)
    (folder / "judged-by.toml").write_text(text, encoding="utf-8")
    return str(folder / "judged-by.toml")


def weakening() -> np.ndarray:
    """Return a series whose deflection grows from `WEAKENS` on."""
    table = series(SECONDS, FREQUENCY, RATE)
    table[:, 2] *= growth(table[:, 0])
    return table


def growth(time: np.ndarray) -> np.ndarray:
    return 1 / (1 - 0.04 * np.clip(time - WEAKENS, 0, 20))


def judged(folder: Path, by: str) -> Replayed:
    with open_recording(folder / "run") as recording:
        return replay(recording, recording.plan_with(by, read_text))


@pytest.mark.nights
def test_an_imported_series_differs_since_it_has_no_verdict_of_its_own(tmp_path):
    by = protocol(tmp_path)
    imported(write(tmp_path, text_of(weakening())), protocol=by, read=read_text)
    with open_recording(tmp_path / "run") as recording:
        plan = recording.plan()
        told = differences(recording, plan, recorded(recording), replay(recording, plan))
    assert told
    assert all(line.endswith(": an imported recording has no verdict of its own") for line in told)


def test_an_imported_series_fails_where_its_stiffness_does(tmp_path):
    imported(write(tmp_path, text_of(weakening())))
    found = judged(tmp_path, protocol(tmp_path))
    with open_recording(tmp_path / "run") as recording:
        rows = next(recording.rows())
        assert recorded(recording).outcome is None
    settled = np.median(rows["stiffness"][19:60])
    medians = np.median(np.lib.stride_tricks.sliding_window_view(rows["stiffness"], 5), axis=1)
    cycle = int((medians <= 0.7 * settled).argmax()) + 5
    assert (found.outcome, found.cycles, found.confirmed) == ("failure", cycle, cycle)
    assert found.unlike == ()
    assert found.found_again == len(rows)


@pytest.mark.nights
@pytest.mark.parametrize("by_protocol", [True, False])
def test_it_is_said_where_nothing_told_build_up_from_counted_cycles(by_protocol, tmp_path):
    by = protocol(tmp_path)
    wanted = {"protocol": by, "read": read_text} if by_protocol else {}
    imported(write(tmp_path, text_of(weakening())), **wanted)
    told = [note for note in judged(tmp_path, by).notes if "import with --protocol" in note]
    assert len(told) == (0 if by_protocol else 1)


@pytest.mark.nights
def test_without_a_protocol_a_replay_asks_for_one(tmp_path):
    imported(write(tmp_path, text_of(series())))
    with open_recording(tmp_path / "run") as recording, pytest.raises(InputError) as refused:
        recording.plan()
    assert "--protocol" in str(refused.value)


@pytest.mark.nights
def test_imported_by_a_protocol_its_cycles_count_as_in_the_record(tmp_path):
    by = protocol(tmp_path)
    imported(write(tmp_path, text_of(weakening())), protocol=by, read=read_text)
    with open_recording(tmp_path / "run") as recording:
        found = replay(recording, recording.plan())
        assert agreement(recording, found)
    assert found == judged(tmp_path, by)
    assert found.outcome == "failure"
    assert found.unlike == ()


def stuck(begin: float, seconds: float, value: float | None) -> np.ndarray:
    """Return a series whose load shows one value (NaN: none) for some seconds."""
    table = series(SECONDS, FREQUENCY, RATE)
    at = (table[:, 0] >= begin) & (table[:, 0] < begin + seconds)
    table[at, 1] = table[at, 1][0] if value is None else value
    return table


def test_a_flat_load_ends_it_as_a_fault(tmp_path):
    imported(write(tmp_path, text_of(stuck(20.0, 2.0, None))))
    found = judged(tmp_path, protocol(tmp_path))
    assert found.outcome == "fault"
    assert "load stays the same for 25 samples" in found.why
    assert found.cycles == 79  # each ends a quarter of a period after a multiple of it


@pytest.mark.nights
@pytest.mark.parametrize(("seconds", "outcome"), [(0.5, None), (1.5, "fault")])
def test_a_gap_is_no_excursion_and_only_over_a_second_a_missing_channel(seconds, outcome, tmp_path):
    imported(write(tmp_path, text_of(stuck(20.0, seconds, np.nan))))
    found = judged(tmp_path, protocol(tmp_path))
    assert found.outcome == outcome
    assert outcome is None or "no valid value for" in found.why


def test_a_limit_is_held_against_the_samples(tmp_path):
    table = series(SECONDS, FREQUENCY, RATE)
    table[4_003:4_010, 2] += 20.0
    imported(write(tmp_path, text_of(table)))
    found = judged(tmp_path, protocol(tmp_path))
    assert found.outcome == "limit"
    assert "3 samples in a row" in found.why


@pytest.mark.nights
def test_one_row_a_cycle_is_held_against_limits_by_its_extremes(tmp_path):
    cycles = np.arange(1, 201)
    table = np.column_stack(
        (
            cycles,
            np.full(200, 92.5),
            np.full(200, 7.5),
            np.where(cycles < 150, 1.8, 12.0),
            np.full(200, 0.2),
        )
    )
    heading = "cycle,load_max [kN],load_min [kN],midspan_max [mm],midspan_min [mm]"
    imported(write(tmp_path, text_of(table, heading)))
    by = protocol(tmp_path, **{'deflection = ["-0.5 mm", "9 mm"]': 'midspan = ["-0.5 mm", "9 mm"]'})
    found = judged(tmp_path, by)
    assert (found.outcome, found.cycles) == ("limit", 150)
    assert "midspan 12 mm is above its limit 9 mm, from the cycle's extremes" in found.why


@pytest.mark.nights
def test_values_are_varied_on_an_imported_series_too(tmp_path):
    imported(write(tmp_path, text_of(weakening())))
    by = protocol(tmp_path)
    with open_recording(tmp_path / "run") as recording:
        found = vary(recording, "failure.stiffness_loss=12 %, 30 %, 75 %", by, read_text)
        plan = recording.plan_with(by, read_text)
        assert found.replayed[1] == replay(recording, plan)
    assert [r.outcome for r in found.replayed] == ["failure", "failure", "limit"]
    assert found.replayed[0].cycles < found.replayed[1].cycles

"""Rust that was found after the end of a run is an observation of its specimen in a series."""

from __future__ import annotations

import pytest

from rig.lives.observations import counted
from rig.protocol.series import Observation
from rig.record import Residual
from tests.assembly.test_series_runs import LIFE, LOAD, Recorded, put, read

LOOKED = '[[observation]]\nspecimen = "P-1"\nlooked_for = "rust"\nseen = {}\n'


def rusty(*texts: str) -> Recorded:
    return Recorded(found=tuple(("rust", text) for text in texts))


@pytest.mark.parametrize(("text", "seen"), [("none", 0), ("None", 0), ("spots, face 2", 1)])
def test_what_a_run_tells_of_rust_is_counted(tmp_path, text, seen):
    series = read(put(tmp_path, rusty(text)))
    assert counted(series, "rust", ["wet"]) == (seen, 1)
    assert not any("rust" in warning for warning in series.warnings)


def test_a_correction_after_the_end_holds_and_a_run_that_tells_nothing_is_not_looked_at(tmp_path):
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    assert counted(read(put(tmp_path / "a", rusty("spots", "none"))), "rust", ["wet"]) == (0, 1)
    assert counted(read(put(tmp_path / "b", rusty())), "rust", ["wet"]) == (0, 0)


def test_a_void_run_tells_of_rust_too(tmp_path):
    told = Recorded(found=(("void", "the pump stood"), ("rust", "all over")))
    series = read(put(tmp_path, told))
    assert not series.lives[0].valid
    assert counted(series, "rust", ["wet"]) == (1, 1)


def test_a_run_that_gives_life_and_residual_load_tells_it_once(tmp_path):
    residual = Residual("ultimate", "as it was", 1.3e5, 5e-3)
    told = Recorded(outcome="run-out", residual=residual, found=(("rust", "none"),))
    series = read(put(tmp_path, told, f"{LIFE}{LOAD}residual = true\n"))
    assert series.observations == (Observation("P-1", "rust", seen=False),)
    assert not any("rust" in warning for warning in series.warnings)


@pytest.mark.parametrize("text", ["no rust", "None seen", "not looked for", "without any"])
def test_words_that_may_deny_it_are_asked_about_and_not_counted(tmp_path, text):
    series = read(put(tmp_path, rusty(text)))
    assert counted(series, "rust", ["wet"]) == (0, 0)
    assert any("does not tell whether rust was seen" in warning for warning in series.warnings)


def test_what_the_file_says_of_rust_holds_and_the_run_is_told_of(tmp_path):
    series = read(put(tmp_path, rusty("none"), LIFE + LOOKED.format("true")))
    assert counted(series, "rust", ["wet"]) == (1, 1)
    (warning,) = (words for words in series.warnings if "rust" in words)
    assert "the observation holds" in warning


def test_a_hypothesis_on_rust_waits_for_what_the_runs_tell(tmp_path):
    hypothesis = (
        '[groups.dry]\nexposure = "dry"\n[[hypothesis]]\nname = "rust"\n'
        'quantity = "observation"\nlower = "dry"\nhigher = "wet"\nseen = "rust"\n'
    )
    series = read(put(tmp_path, rusty("spots"), LIFE + hypothesis))
    told = [words for words in series.warnings if "nobody has looked" in words]
    assert len(told) == 1
    assert "dry" in told[0]


def test_an_ultimate_load_after_a_run_out_tells_of_it_too(tmp_path):
    told = Recorded(
        outcome="ultimate",
        why="load stayed a fifth under its peak; ultimate load 131.5 kN at net deflection 5.5 mm",
        found=(("rust", "spots"),),
    )
    assert counted(read(put(tmp_path, told, LOAD)), "rust", ["wet"]) == (1, 1)

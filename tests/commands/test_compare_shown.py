"""What people see of `nightrig compare`: tables, words, figures, years of service, refusals."""

from __future__ import annotations

import json
import re
from functools import partial
from pathlib import Path

import pytest

from rig.commands.files import read_text
from rig.protocol.load import load_series
from rig.protocol.service_file import load_service
from tests.commands.comparing import series, told
from tests.commands.cut_off import said_by
from tests.commands.test_predict_shown import on_a_terminal
from tests.readme import section, steps

FORMATS = {"svg": b"<?xml", "pdf": b"%PDF", "png": b"\x89PNG"}
DECK = """title = "harbour deck"
period = "365 d"
wet_time = "35 %"
[[block]]
upper = "60 %"
lower = "6 %"
cycles = "4000 cycles"
"""


@pytest.fixture
def little(tmp_path: Path) -> str:
    """Return the path of a series that is compared in no time: no group has lives that scatter."""
    lives = {"dry": ["8e6+"], "wet": ["1e6"]}
    loads = {"dry": ["30 kip", "31 kip"], "wet": ["25 kip", "26 kip"]}
    return str(series(tmp_path / "s.toml", lives, loads))


def test_words_are_followed_by_tables_and_these_by_doubts(little):
    out = said_by("compare", little).out
    heads = ("Lives", "Groups", "Ultimate", "Beware")
    places = [out.index(f"\n{head}") for head in ("  Nothing here is proven", *heads)]
    assert places == sorted(places)
    assert out.startswith("Test series\n\nIn words\n")
    many = len(out[places[-1] :].strip().splitlines()) - 1
    assert f"  {many} warnings stand under Beware, at the end.\n" in out[: places[1]]
    assert "dry, wet" in out
    assert "no ratio" in out
    assert "\nLife ratio" not in out  # nothing would stand in it


@pytest.mark.nights
@pytest.mark.parametrize("columns", [80, pytest.param(120, marks=pytest.mark.endurance)])
def test_no_line_is_wider_than_the_terminal(columns):
    printed = on_a_terminal(columns, "compare", "wet-cracks")
    plain = re.sub(r"\x1b\[[\d;]*m", "", printed).split("\r\n")
    assert max(map(len, plain)) <= columns
    assert any(line.startswith("  dry, spray") for line in plain)


@pytest.mark.nights
def test_the_readme_shows_what_is_printed():
    (step,) = [s for s in steps(section("## Comparing groups")) if s.kind == "command"]
    printed = [line.rstrip() for line in said_by(*step.text.split()[1:]).out.splitlines()]
    assert step.printed
    assert [line for line in step.printed if line not in printed] == []


def test_the_files_in_the_readme_are_read(tmp_path):
    shown = [s.text for s in steps(section("## Comparing groups")) if s.kind == "toml"]
    paths = tmp_path / "series.toml", tmp_path / "service.toml"
    for path, text in zip(paths, shown, strict=True):
        path.write_text(text)
    found = load_series(str(paths[0]), read_text)
    assert (len(found.lives), len(found.ultimates), len(found.hypotheses)) == (2, 1, 1)
    service = load_service(str(paths[1]), partial(read_text, service=True))
    assert service.wet_time == pytest.approx(0.35)


# Figures.


@pytest.mark.nights
def test_each_figure_is_drawn_in_each_format_and_alike_each_time(little, tmp_path):
    folders = [tmp_path / "one", tmp_path / "other"]
    for folder in folders:
        said = said_by("compare", little, "--plot", str(folder))
        assert said.code == 0
        words = "as SVG, PDF and PNG: lives, survival, ultimate"
        assert said.out.splitlines()[-1] == f"  drawn in {folder}, {words}"
    for name in ("lives", "survival", "ultimate"):
        for suffix, begin in FORMATS.items():
            one, other = (folder / f"{name}.{suffix}" for folder in folders)
            assert one.read_bytes().startswith(begin)
            assert one.read_bytes() == other.read_bytes()
    drawn = (folders[0] / "lives.svg").read_text()
    for words in ("run-out", "failed, mode not told", "dry-1", "load cycles"):
        assert words in drawn
    assert "not failed (product limit)" in (folders[0] / "survival.svg").read_text()
    assert "bar: mean" in (folders[0] / "ultimate.svg").read_text()


@pytest.mark.endurance
def test_the_modes_and_levels_that_differ_are_drawn(tmp_path):
    assert said_by("compare", "wet-cracks", "--plot", str(tmp_path / "f")).code == 0
    drawn = (tmp_path / "f" / "lives.svg").read_text()
    for words in ("bond or anchorage slip", "tendon fracture", "top concrete stress", "tendon str"):
        assert words in drawn
    assert "upper load, %" not in drawn  # all ran at one
    assert "hollow: residual" in (tmp_path / "f" / "ultimate.svg").read_text()


@pytest.mark.endurance
def test_a_published_series_is_drawn_with_its_line_and_many_run_outs(tmp_path):
    path = "tests/data/series/laminate-panels.toml"
    assert said_by("compare", path, "--plot", str(tmp_path / "f")).code == 0
    drawn = (tmp_path / "f" / "lives.svg").read_text()
    for words in ("S-N, all groups", "its band, 95 %", "17 failed, 8 did not"):
        assert words in drawn
    assert not (tmp_path / "f" / "ultimate.svg").exists()


def test_a_series_without_entries_draws_nothing(tmp_path):
    path = tmp_path / "s.toml"
    path.write_text('title = "Empty"\n[groups.dry]\n')
    said = said_by("compare", str(path), "--plot", str(tmp_path / "f"))
    assert said.code == 0
    assert said.out.endswith("as SVG, PDF and PNG: nothing\n")
    assert not (tmp_path / "f").exists()


def test_a_figure_that_is_there_is_kept(little, tmp_path):
    kept = tmp_path / "f" / "lives.pdf"
    kept.parent.mkdir()
    kept.write_text("mine")
    said = said_by("compare", little, "--plot", str(kept.parent))
    assert (said.code, said.out) == (2, "")
    assert "lives.pdf is there already, nothing was drawn; name a new folder" in said.err
    assert kept.read_text() == "mine"
    assert "is a file; name a folder" in said_by("compare", little, "--plot", str(kept)).err


# Years of service.


@pytest.mark.endurance
def test_years_of_service_are_told_for_a_dry_a_wet_and_a_mixed_place(tmp_path):
    deck = tmp_path / "deck.toml"
    deck.write_text(DECK)
    found = told("wet-cracks", "--service", str(deck))["service"]
    assert [place["name"] for place in found["places"]] == ["dry", "wet", "mixed"]
    dry, wet, mixed = found["places"]
    assert wet["low"] < wet["years"] < wet["high"]
    assert dry["low"] > wet["high"]
    assert wet["years"] < mixed["years"]
    said = said_by("compare", "wet-cracks", "--service", str(deck)).out
    assert "Service: harbour deck" in said
    words = said[: said.index("\nLives")]
    assert "harbour deck, years until half of such members have failed: dry at least " in words


def test_a_service_file_or_a_series_that_tells_nothing_is_refused(little, tmp_path):
    deck = tmp_path / "deck.toml"
    deck.write_text(DECK.replace('"60 %"', '"60 kNm"'))
    said = said_by("compare", little, "--service", str(deck))
    assert (said.code, said.out, said.err.count("\n")) == (2, "", 1)
    assert said.err.startswith(f"{deck}:5: block[1].upper: ")
    deck.write_text(f'dry = "nowhere"\n{DECK}')
    said = said_by("compare", little, "--service", str(deck), "--json")
    assert (said.code, said.err.count("\n")) == (2, 1)
    assert "nowhere is no group of this series; known are dry, wet" in said.err
    assert json.loads(said.out)["outcome"] is None
    said = said_by("compare", little, "--service", str(tmp_path / "no.toml"))
    assert (said.code, said.err.count("\n")) == (2, 1)

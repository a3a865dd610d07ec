"""The head of a series report: an answer to each main hypothesis, under any option of `compare`."""

from __future__ import annotations

import math
from functools import partial

import pytest

from rig.assembly.series_runs import read_series
from rig.commands.files import read_text
from rig.lives.comparison import compared
from rig.protocol.series import Hypothesis, Observation
from rig.report.measure import plain
from rig.report.series_report import series_document
from tests.commands.comparing import series as series_file
from tests.commands.comparing import told as told_by_command
from tests.commands.cut_off import said_by
from tests.lives.series import life, load, series
from tests.report.page.documents import Pieces
from tests.report.series_parts import as_json, at, differing, parts

SHORTER = Hypothesis("Water shortens the life", "life", ("wet",), ("dry",))
WEAKER = Hypothesis("Wet ones carry less", "ultimate", ("wet",), ("dry",))
STRONGER = Hypothesis("Wet ones carry more", "ultimate", ("dry",), ("wet",))
RUSTY = Hypothesis("Wet ones rust", "observation", ("dry",), ("wet",), "rust")


def document(*hypotheses, lives=(), loads=(), observations=()):
    made = series(list(lives), list(loads), hypotheses=hypotheses, observations=observations)
    told = compared(made)
    found = series_document(made, told, None)
    assert differing(found, as_json(told)) == []
    return found


def lead(*hypotheses, **given):
    return plain(document(*hypotheses, **given).lead)


@pytest.fixture(scope="module")
def apart():
    """Three against three, all apart: 1 of 20 arrangements, one-sided p 0.05."""
    loads = [load("dry", 1.3e5 + 1e3 * i, age=8e6) for i in range(3)]
    loads += [load("wet", 1.1e5 + 1e3 * i, age=1.6e7) for i in range(3)]
    return document(WEAKER, STRONGER, SHORTER, RUSTY, loads=loads)


def test_each_main_hypothesis_is_answered_with_its_word_and_what_that_rests_on(apart):
    told = plain(apart.lead)
    assert told.startswith("“Wet ones carry less”: favoured, ultimate load of dry is 1.18 (")
    assert ") times that of wet (90 %), one-sided p 0.05. " in told
    assert "“Wet ones carry more”: disfavoured, ultimate load of wet is 0.847 (" in told
    assert "p 0.05 for the opposite. " in told
    assert "“Water shortens the life”: too few, dry and wet: no life. " in told
    counted = "From 0 lives (0 failures) and 6 ultimate loads in 2 groups."
    assert told.endswith(f"Nothing is proven. {counted}")


def test_of_many_hypotheses_the_first_are_answered_and_all_are_counted(apart):
    assert "All 4 hypotheses stand below. " in plain(apart.lead)
    assert "Wet ones rust" not in plain(apart.lead)


def test_what_goes_along_with_a_main_hypothesis_is_warned_of_once_and_named_in_the_answer(apart):
    assert "What differs besides, in the warnings, may do as much. " in plain(apart.lead)
    (warning,) = (w for w in map(plain, apart.warnings) if "ages" in w)
    assert "dry and wet, ultimate loads: ages do not overlap" in warning


def test_too_few_say_how_many_and_the_least_p_that_they_can_show():
    """Two against two: 6 arrangements, so that no outcome shows less than one in six."""
    told = lead(WEAKER, loads=[load(g, 1e5 + i) for g in ("dry", "wet") for i in range(2)])
    assert "too few to tell: 2 against 2 never show a one-sided p below 0.17. " in told


def test_a_difference_of_shares_is_told_in_percent():
    loads = [load(g, 1e5 + i) for g in ("dry", "wet") for i in range(4)]
    seen = [Observation(f"U-{i + 1}", "rust", i >= 4) for i in range(8)]
    told = lead(RUSTY, loads=loads, observations=seen)
    assert "favoured, share with rust in wet less that in dry: 100 % (" in told


def test_a_series_without_hypotheses_says_so_and_what_it_could_have_shown():
    told = lead(lives=[life(group, 1e7, ran_out=True) for group in ("dry", "wet")])
    assert told.startswith("The series names no hypothesis. No pair of groups could have shown a ")


LIVES = {"dry": ["9e6+", "8e6"], "wet": ["1e5"]}
OPTIONS = ("--mode", "tendon fracture", "--confidence", "80 %")


@pytest.fixture
def path(tmp_path):
    made = series_file(tmp_path / "s.toml", LIVES, {"dry": ["30 kip", "31 kip", "33 kip"]})
    head, dry, wet = made.read_text(encoding="utf-8").split('outcome = "failure"')
    # The dry one failed by another mode, and is withdrawn there.
    modes = [f'outcome = "failure"\nmode = "{mode}"' for mode in ("shear", "tendon fracture")]
    made.write_text(f"{head}{modes[0]}{dry}{modes[1]}{wet}", encoding="utf-8")
    return made


def test_with_a_mode_and_a_confidence_every_number_is_that_of_compare_json_with_them(path):
    printed = told_by_command(path, *OPTIONS)
    assert (printed["mode"], printed["confidence_of_ratios"]) == ("tendon fracture", 0.8)
    made = read_series(str(path), partial(read_text, series=True))
    found = series_document(made, compared(made, "tendon fracture", 0.8), None)
    assert differing(found, printed) == []
    assert any("compared for" in part for part in parts(found) if isinstance(part, str))


@pytest.mark.nights
def test_the_command_takes_mode_and_confidence_as_compare_does(path, tmp_path):
    said = said_by("report", str(path), *OPTIONS, "--out", str(tmp_path / "out"))
    assert said.code == 0, said.err
    printed = told_by_command(path, *OPTIONS)
    page = Pieces((tmp_path / "out" / "report.html").read_text(encoding="utf-8"))
    keyed = [e for e in page.all("data") if e.given["data-key"].startswith("compare.")]
    assert len(keyed) > 60
    for element in keyed:
        (value,) = at(printed, element.given["data-key"].removeprefix("compare."))
        shown = float(element.given["value"])
        assert shown == value or (value is None and math.isnan(shown)), element.given

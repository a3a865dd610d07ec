"""`nightrig plan`, through its door: words, tables, JSON, and one line for what is wrong."""

import json

import pytest

from rig.lives.power import LifeDesign, life_power
from tests.commands.cut_off import said_by

SERIES = """title = "invented"
[groups.dry]
exposure = "dry"
[groups.wet]
exposure = "submerged"
"""
PLAN = """[plan]
sizes = [2, 4]
run_outs = ["2e6 cycles"]
ratios = [5]
companions = [4]
life = "200000 cycles"
scatter = 0.6
variation = "6 %"
slope = 14
seed = 3
"""
UNDER_WAY = "invented: simulating 400 series a row ...\n"


def plan(path, *options):
    said = said_by("plan", str(path), "--many", "400", *options)
    return said.code, said.out, said.err


@pytest.fixture
def series(tmp_path):
    path = tmp_path / "s.toml"
    path.write_text(SERIES + PLAN, encoding="utf-8")
    return path


def test_a_plan_is_told_in_words_and_tables(series):
    code, out, err = plan(series)
    assert (code, err) == (0, UNDER_WAY)
    assert out.startswith("invented\n\nIn words\n  2 + 2 lives cannot come to 5 %: their smallest ")
    assert "If dry lives 5 times as long as wet: 4 + 4 lives show it in" in out
    assert "% with the error of 4 companions each carried." in out
    assert "One more life of each takes 2 + 2 lives within reach of 5 %: their smallest p is" in out
    for title in ("Assumed", "Smallest p", "Lives", "Ultimate loads", "What is added", "Order"):
        assert f"\n{title}" in out
    assert "Drawn, seed 3" in out


def test_the_json_holds_what_the_library_says(series):
    code, out, err = plan(series, "--json")
    assert (code, err) == (0, UNDER_WAY)
    told = json.loads(out)
    assert told["assumed"]["a"] == "dry"
    assert told["smallest_p"][1]["one_sided"][0] == pytest.approx(1 / 70)
    assert told["smallest_p"][1]["in_pairs"] == 1 / 16
    known, carried = (c for c in told["life_power"] if c["size"] == 4)
    one = life_power(LifeDesign(4, 4, 2e6, 2e5, 5.0, 0.6), series=400, seed=3)
    assert (known["companions"], known["power"]) == (None, one.power)
    assert carried["companions"] == 4
    assert carried["false_alarms"] > known["false_alarms"]
    assert [row["added"] for row in told["one_more"]][:2] == ["nothing", "one more life of a"]
    assert told["costs"][0]["water"] == pytest.approx(0.2)  # two tanks
    drawn = told["orders"][0]
    assert [slot["group"] for slot in drawn["slots"]].count("wet") == 2 + 4
    assert drawn["changes"] == sum(slot["changed"] for slot in drawn["slots"])


def test_the_same_seed_plans_the_same(series):
    assert plan(series, "--json") == plan(series, "--json")


def test_the_packaged_series_is_planned_from_its_lives():
    code, out, _ = plan("wet-cracks")
    assert code == 0
    assert "lognormal fit of 4 lives of spray" in out
    assert "dry is expected to outlive spray" in out


WRONG = {
    "nothing tells a life": (
        SERIES,
        "s.toml: plan.life: is missing: no failure of wet tells how long it lives; add life = "
        '"200000 cycles" to [plan], the median you expect',
    ),
    "one group": (
        "[groups.dry]\n[plan]\n",
        "s.toml: groups: there is one only: nothing to compare; add a second one",
    ),
    "more designs than anybody waits for": (
        SERIES
        + PLAN.replace("[5]", "[2, 3, 4, 5, 6, 7, 8, 9]")
        .replace("[2, 4]", "[2, 3, 4, 5, 6, 7, 8, 9]")
        .replace("[4]", "[2, 3, 4, 5, 6, 7, 8]"),
        "s.toml: plan: asks for 512 designs, by sizes, run_outs, ratios and companions; leave some "
        "out, 400 are the most",
    ),
    "a misspelt key": (
        SERIES + PLAN.replace("scatter", "scater"),
        's.toml:12: plan.scater: is not known here; did you mean "scatter"?',
    ),
}


@pytest.mark.parametrize("case", WRONG)
def test_what_is_wrong_is_one_line_and_code_2(case, tmp_path, monkeypatch):
    text, line = WRONG[case]
    (tmp_path / "s.toml").write_text(text, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    assert plan("s.toml") == (2, "", line + "\n")
    code, out, _ = plan("s.toml", "--json")
    assert code == 2
    assert json.loads(out)["why"] == line

"""`nightrig compare` as it is typed: values that are known from elsewhere, and the keys."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from scipy import optimize, stats

from tests.commands.comparing import around, series, told
from tests.commands.cut_off import said_by

RATIO_KINDS = {"interval", "lower bound", "upper bound"}


def by_hand(a: list[tuple[float, bool]], b: list[tuple[float, bool]]) -> list[float]:
    """Return O - E of every way to deal the lives to a group of the size of `a`, its own first.

    Log-rank scores are failure (1 or 0) less the Nelson-Aalen sum (Mantel 1966; Callaert 2003).
    """
    lives = [*a, *b]

    def score(cycles: float, failed: bool) -> float:
        hazard = sum(
            sum(f for c, f in lives if c == t) / sum(c >= t for c, _ in lives)
            for t in sorted({c for c, f in lives if f and c <= cycles})
        )
        return failed - hazard

    scores = [score(*life) for life in lives]
    return [sum(scores[i] for i in dealt) for dealt in combinations(range(len(lives)), len(a))]


# What the groups of such series can show at all.


def test_two_run_outs_against_four_failures_reach_one_in_fifteen_and_no_less(tmp_path):
    lives = {"dry": ["11e6+", "11e6+"], "wet": ["162000", "231000", "148000", "297000"]}
    found = told(series(tmp_path / "s.toml", lives))
    (test,) = found["life_tests"]
    assert (test["a"], test["b"]) == ("dry", "wet")
    assert test["observed_minus_expected"] < 0
    for key in ("p_exact_one_sided", "smallest_p_one_sided"):
        assert test[key] == pytest.approx(1 / 15, rel=1e-12)
    assert found["groups"]["dry"] == found["groups"]["dry"] | {
        "n": 2,
        "failures": 0,
        "run_outs": 2,
        "median_cycles": None,
    }
    assert found["groups"]["wet"]["median_cycles"] == 162000
    assert (found["fits"]["dry"]["weibull"], found["fits"]["dry"]["lognormal"]) == (None, None)
    for ratio in found["life_ratios"]:
        assert ratio["kind"] == "lower bound"
        assert ratio["low"] > 1
        assert ratio["high"] is None


def test_four_against_four_loads_reach_two_in_seventy_and_no_less(tmp_path):
    loads = {"dry": ["134 kN", "131 kN", "135 kN", "133 kN"]}
    loads["wet"] = ["129 kN", "125 kN", "128 kN", "130 kN"]
    (test,) = told(series(tmp_path / "s.toml", loads=loads))["ultimate_tests"]
    assert test["p_rank"] == pytest.approx(2 / 70, rel=1e-12)
    assert test["smallest_p_rank"] == pytest.approx(2 / 70, rel=1e-12)


def test_four_pairs_in_batches_reach_one_in_sixteen_and_no_less(tmp_path):
    lives = {
        "dry": ["5e6, A", "6e6, B", "7e6, C", "8e6, D"],
        "wet": ["1e6, A", "1.1e6, B", "1.2e6, C", "1.3e6, D"],
    }
    (test,) = told(series(tmp_path / "s.toml", lives))["life_tests"]
    assert test["stratified"]
    assert test["p_exact_one_sided"] == pytest.approx(1 / 16, rel=1e-12)
    assert test["smallest_p_one_sided"] == pytest.approx(1 / 16, rel=1e-12)


def test_four_wet_failures_against_one_late_failure_and_a_run_out(tmp_path):
    wet = [0.4e6, 0.9e6, 1.3e6, 1.8e6]
    lives = {"dry": ["8e6", "10e6+"], "wet": [f"{count:g}" for count in wet]}
    (test,) = told(series(tmp_path / "s.toml", lives))["life_tests"]
    sums = by_hand([(8e6, True), (10e6, False)], [(count, True) for count in wet])
    assert len(sums) == 15
    assert test["observed_minus_expected"] == pytest.approx(sums[0], rel=1e-12)
    less = [x <= sums[0] + 1e-9 for x in sums]
    far = [abs(x) >= abs(sums[0]) - 1e-9 for x in sums]
    assert test["p_exact_one_sided"] == pytest.approx(np.mean(less), rel=1e-12)
    assert test["p_exact_two_sided"] == pytest.approx(np.mean(far), rel=1e-12)
    assert test["smallest_p_one_sided"] == pytest.approx(1 / 15, rel=1e-12)
    most = max(map(abs, sums))
    least = np.mean([abs(x) >= most - 1e-9 for x in sums])
    assert test["smallest_p_two_sided"] == pytest.approx(least, rel=1e-12)


@pytest.mark.parametrize("variation", [0.03, 0.06, 0.12])
def test_thirty_and_twenty_five_kip_have_the_ratio_with_its_interval(variation, tmp_path):
    """Common practice, no source: 3 % in one batch, 6 % of companions, 12 % of unlike ones."""
    a, b = around(30, variation), around(25, variation)
    loads = {"dry": [f"{x!r} kip" for x in map(float, a)]}
    loads["wet"] = [f"{x!r} kip" for x in map(float, b)]
    (test,) = told(series(tmp_path / "s.toml", loads=loads))["ultimate_tests"]
    assert test["ratio"] == pytest.approx(1.2, rel=1e-9)

    # Welch's test of a less r b is scipy's; the interval ends where its p is 5 %.
    def doubt(r: float) -> float:
        return float(stats.ttest_ind(a, r * np.array(b), equal_var=False).pvalue) - 0.05

    welch = stats.ttest_ind(a, b, equal_var=False)
    assert test["t"] == pytest.approx(welch.statistic, rel=1e-9)
    assert test["df"] == pytest.approx(welch.df, rel=1e-9)
    assert test["p"] == pytest.approx(welch.pvalue, rel=1e-9)
    if variation < 0.1:
        # The degrees of freedom are those at the ratio found; at the ends they differ a little.
        assert test["ratio_low"] == pytest.approx(optimize.brentq(doubt, 0.6, 1.2), rel=5e-3)
        assert test["ratio_high"] == pytest.approx(optimize.brentq(doubt, 1.2, 2.4), rel=5e-3)
    assert test["ratio_low"] < 1.2 < test["ratio_high"]


# Keys.


@pytest.mark.nights
def test_the_keys_are_those_that_scripts_rely_on():
    found = told("wet-cracks")
    assert list(found["groups"]) == ["dry", "spray", "submerged"]
    for group in found["groups"].values():
        assert group.keys() >= {"n", "failures", "run_outs", "median_cycles"}
    pairs = [("dry", "spray"), ("dry", "submerged"), ("spray", "submerged")]
    for name in ("life_tests", "ultimate_tests"):
        assert [(test["a"], test["b"]) for test in found[name]] == pairs
    for test in found["life_tests"]:
        assert test.keys() >= {
            *("observed_minus_expected", "p_exact_two_sided", "p_exact_one_sided"),
            *("smallest_p_one_sided", "smallest_p_two_sided"),
        }
    for test in found["ultimate_tests"]:
        assert test.keys() >= {
            *("difference", "t", "df", "p", "ratio", "ratio_low", "ratio_high", "p_rank")
        }
    assert {(r["a"], r["b"], r["model"]) for r in found["life_ratios"]} == {
        (*pair, model) for pair in pairs for model in ("lognormal", "weibull")
    }
    for ratio in found["life_ratios"]:
        assert ratio.keys() >= {"ratio", "low", "high"}
        assert ratio["kind"] in RATIO_KINDS
    weibull, lognormal = (found["fits"]["spray"][model] for model in ("weibull", "lognormal"))
    assert weibull.keys() >= {"shape", "scale", "shape_low", "shape_high", "log_likelihood"}
    assert lognormal.keys() >= {"mu", "sigma", "log_likelihood"}
    assert found["sn"] == {"semilog": None, "loglog": None}  # one load level only
    assert all(h.keys() >= {"name", "verdict", "why"} for h in found["hypotheses"])
    assert found["hypotheses"]
    assert all(isinstance(line, str) for line in found["warnings"])


@pytest.mark.nights
def test_fits_are_those_of_scipy_with_run_outs(tmp_path):
    lives = {"wet": ["1.2e6", "0.7e6", "3.1e6", "2.4e6", "5e6+", "5e6+"]}
    found = told(series(tmp_path / "s.toml", lives))["fits"]["wet"]
    data = stats.CensoredData([1.2e6, 0.7e6, 3.1e6, 2.4e6], right=[5e6, 5e6])
    shape, _, scale = stats.weibull_min.fit(data, floc=0)
    assert found["weibull"]["shape"] == pytest.approx(shape, rel=1e-3)
    assert found["weibull"]["scale"] == pytest.approx(scale, rel=1e-3)
    sigma, _, median = stats.lognorm.fit(data, floc=0)
    assert found["lognormal"]["mu"] == pytest.approx(np.log(median), rel=1e-4)
    assert found["lognormal"]["sigma"] == pytest.approx(sigma, rel=1e-3)


# One mode, void entries, doubts.


def with_mode(path, modes: list[str]) -> str:
    """Add a mode to each life of the second group of a written series."""
    text = path.read_text()
    for i, mode in enumerate(modes):
        text = text.replace(
            f'specimen = "wet-{i + 1}"', f'specimen = "wet-{i + 1}"\nmode = "{mode}"'
        )
    path.write_text(text)
    return str(path)


@pytest.mark.nights
def test_one_mode_counts_the_others_as_withdrawn(tmp_path):
    lives = {"dry": ["8e6+", "8e6+"], "wet": ["1e6", "2e6", "3e6"]}
    modes = ["tendon fracture", "bearing", "tendon fracture"]
    path = with_mode(series(tmp_path / "s.toml", lives), modes)
    assert told(path)["groups"]["wet"]["failures"] == 3
    found = told(path, "--mode", "tendon fracture")
    assert found["groups"]["wet"]["failures"] == 2
    assert [life["failed"] for life in found["lives"]] == [False, False, True, False, True]
    said = said_by("compare", path, "--mode", "tendon fracture").out
    assert "2 of 3 failed by tendon fracture" in said
    assert "(bearing)" in said


@pytest.mark.nights
def test_a_void_life_is_left_out_and_said(tmp_path):
    path = series(tmp_path / "s.toml", {"dry": ["8e6+", "8e6+"], "wet": ["1e6", "2e6", "3e6"]})
    text = path.read_text().replace(
        'specimen = "wet-2"', 'specimen = "wet-2"\nvalid = false\nvoid_reason = "pump failed"'
    )
    path.write_text(text)
    found = told(path)
    assert found["groups"]["wet"]["n"] == 2
    assert found["left_out"] == ["wet-2 (wet): life left out, void: pump failed"]
    assert "wet-2 (wet): life left out, void: pump failed" in said_by("compare", str(path)).out


def test_a_broken_assumption_is_said_and_refuses_nothing(tmp_path):
    lives = {"dry": ["8e6+", "2e6+", "9e6"], "wet": ["1e6", "2e6", "3e6"]}
    path = series(tmp_path / "s.toml", lives)
    path.write_text(path.read_text().replace('"70 %"', '"65 %"', 1))
    found = told(path)
    assert found["life_tests"][0]["p_exact_two_sided"] <= 1
    assert any("load levels differ" in line for line in found["warnings"])
    assert any("run-out" in line for line in found["warnings"])


@pytest.mark.nights
def test_batches_that_are_in_one_group_each_are_not_told_apart_from_it(tmp_path):
    lives = {"dry": ["8e6, A", "9e6, A"], "wet": ["1e6, B", "2e6, B", "3e6, B", "4e6, B"]}
    found = told(series(tmp_path / "s.toml", lives))
    assert found["life_tests"][0]["p_exact_one_sided"] == pytest.approx(1 / 15)
    assert any("no batch has specimens of both groups" in line for line in found["warnings"])


@pytest.mark.nights
def test_the_confidence_that_is_asked_for_is_of_every_interval(tmp_path):
    lives = {"dry": ["5e6", "6e6", "7e6", "8e6"], "wet": ["1e6", "2e6", "3e6", "4e6"]}
    loads = {"dry": ["30 kip", "31 kip", "32 kip"], "wet": ["28 kip", "29 kip", "27 kip"]}
    path = series(tmp_path / "s.toml", lives, loads)
    wide, narrow = told(path, "--confidence", "99 %"), told(path, "--confidence", "60 %")
    for name, low, high in (
        ("life_ratios", "low", "high"),
        ("ultimate_tests", "ratio_low", "ratio_high"),
    ):
        for one, other in zip(wide[name], narrow[name], strict=True):
            assert one[low] < other[low] < one["ratio"] < other[high] < one[high]
    shapes = [found["fits"]["dry"]["weibull"] for found in (wide, narrow)]
    assert shapes[0]["shape_low"] < shapes[1]["shape_low"]
    assert (wide["confidence"], wide["confidence_of_ratios"]) == (0.99, 0.99)


# Little, alike, or very much.

STRANGE = {
    "all run-outs": {"dry": ["5e6+", "5e6+"], "wet": ["5e6+", "5e6+", "5e6+"]},
    "one specimen": {"dry": ["5e6"]},
    "one against one": {"dry": ["5e6"], "wet": ["1e6"]},
    "equal lives": {"dry": ["2e6", "2e6", "2e6"], "wet": ["2e6", "2e6"]},
    "equal within each": {"dry": ["2e6", "2e6", "2e6"], "wet": ["1e6", "1e6"]},
}


@pytest.mark.parametrize("name", STRANGE)
def test_what_tells_little_is_said_in_words(name, tmp_path):
    path = series(tmp_path / "s.toml", STRANGE[name])
    found = told(path)
    said = said_by("compare", str(path))
    assert (said.code, said.err) == (0, "Test series: comparing its groups ...\n")
    assert "nan" not in said.out
    assert "None" not in said.out
    for test in found["life_tests"]:
        assert 0 < test["smallest_p_two_sided"] <= test["p_exact_two_sided"] <= 1


def test_loads_that_do_not_vary_are_said_in_words(tmp_path):
    loads = {"dry": ["30 kip"] * 4, "wet": ["30 kip"] * 4, "one": ["29 kip"]}
    path = series(tmp_path / "s.toml", loads=loads)
    assert len(told(path)["ultimate_tests"]) == 3
    said = said_by("compare", str(path))
    assert (said.code, said.err) == (0, "Test series: comparing its groups ...\n")
    assert "all equal" in said.out


def test_a_series_without_entries_is_said_in_words(tmp_path):
    path = tmp_path / "s.toml"
    path.write_text('title = "Empty"\n[groups.dry]\n')
    found = told(path)
    assert found["groups"]["dry"]["n"] == 0
    assert (found["life_tests"], found["ultimate_tests"]) == ([], [])
    assert "no lives and no ultimate loads" in said_by("compare", str(path)).out


@pytest.mark.nights
def test_thousands_of_specimens_are_compared(tmp_path):
    # Of 8,000 against 8,000 the number of arrangements has 4,815 digits.
    rng = np.random.default_rng(1)
    dry, wet = (np.exp(rng.normal(mu, 0.4, 8000)) for mu in (15.0, 14.0))
    lives = {"dry": [f"{x:.0f}" if x < 4e6 else "4e6+" for x in dry]}
    lives["wet"] = [f"{x:.0f}" for x in wet]
    asked = '[[hypothesis]]\nname = "Water shortens"\nquantity = "life"\nlower = "wet"\n'
    path = series(tmp_path / "s.toml", lives, more=f'{asked}higher = "dry"\n')
    found = told(path)
    assert found["life_tests"][0]["arrangements"] is None
    assert "about 1e4814 arrangements" in found["hypotheses"][0]["evidence"]
    (lognormal,) = [r for r in found["life_ratios"] if r["model"] == "lognormal"]
    assert lognormal["low"] < np.e < lognormal["high"]
    assert any("sample" in line for line in found["warnings"])


# What intervals of a few specimens hold.


@pytest.mark.nights
def test_what_intervals_of_so_few_really_hold_is_printed_and_told_to_scripts(tmp_path):
    lives = {"dry": ["8e6+", "8e6+"], "wet": ["162000", "231000", "148000", "297000"]}
    path = series(tmp_path / "s.toml", lives)
    found, out = told(path), said_by("compare", str(path)).out
    curve, fits = found["groups"]["wet"]["curve"], found["fits"]["wet"]
    # Four of four alive: 0.025 ** (1 / 4) by Clopper and Pearson (Biometrika 26 (1934) 404).
    assert curve["low_before"] == pytest.approx(0.025**0.25)
    assert "95 % intervals hold" in curve["note"]
    assert f"  wet, curve: {curve['note']}\n" in out
    for law, name in (("weibull", "Weibull"), ("lognormal", "lognormal")):
        assert "in sets drawn anew" in fits[law]["note"]
        assert f"  wet, {name}: {fits[law]['note']}\n" in out
    notes = {ratio["note"] for ratio in found["life_ratios"]}
    assert all("a bound is all that can be said" in note for note in notes)
    assert all(f"  dry over wet: {note}\n" in out for note in notes)


# What is refused.


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["nowhere.toml"], "packaged series are wet-cracks"),
        (["wet-crack"], 'did you mean "wet-cracks"?'),
        (["overnight-wet-prism"], "is a protocol, not a series file"),
        (["wet-cracks", "--confidence", "90"], "--confidence: "),
        (["wet-cracks", "--confidence", "100 %"], "100 % is out of range; give 50 to 99.9 %"),
        (["wet-cracks", "--mode", "rust"], "'rust' is not known; give tendon fracture or "),
        ([], "SERIES is missing"),
    ],
)
def test_a_slip_is_one_line_and_code_2(words, said):
    found = said_by("compare", *words)
    assert (found.code, found.out, found.err.count("\n")) == (2, "", 1)
    assert said in found.err

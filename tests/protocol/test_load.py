"""What good files become."""

from __future__ import annotations

import sys
from subprocess import run

import pytest

from rig.errors import InputError
from rig.protocol.estimate import estimate, inspection_counts
from rig.protocol.load import load_plan, load_rig, load_series, load_specimen
from rig.protocol.plan import Approach, Cyclic, Inspections, Ramp, Static
from rig.protocol.series import Life, Series
from tests.protocol.texts import (
    BY_SERIES,
    PRISM,
    RIG,
    SERIES,
    WET,
    WHOLE,
    load_edited,
    shipped,
    shipped_names,
)

EVERY_FILE = [n for d in ("", "rigs", "specimens", "series") for n in shipped_names(d)]


@pytest.mark.parametrize("rig", shipped_names("rigs"))
@pytest.mark.parametrize("protocol", shipped_names())
def test_every_shipped_protocol_loads_without_problem_or_warning(protocol, rig):
    assert load_plan(protocol, rig, shipped).warnings == ()


@pytest.mark.parametrize("path", shipped_names("specimens"))
def test_every_shipped_specimen_loads(path):
    assert load_specimen(path, shipped).tendons


@pytest.mark.parametrize("path", shipped_names("series"))
def test_every_shipped_series_loads(path):
    series = load_series(path, shipped)
    assert series.lives
    assert series.ultimates


@pytest.mark.parametrize(
    "path", [n for d in ("", "rigs", "specimens", "series") for n in shipped_names(d)]
)
def test_every_shipped_file_says_that_its_data_is_invented(path):
    assert "invented" in shipped(path)


def test_a_whole_protocol_becomes_the_plan_it_describes():
    plan = load_edited({WET: WHOLE})
    loading = plan.loading
    assert loading is not None
    assert (loading.capacity, loading.frequency) == (132e3, 4.0)
    assert (loading.upper, loading.lower) == (pytest.approx(92.4e3), pytest.approx(9.24e3))
    assert [type(s) for s in plan.stages] == [Approach, Static, Cyclic]
    pre_crack = plan.stages[1]
    assert isinstance(pre_crack, Static)
    assert pre_crack.to == loading.upper
    assert pre_crack.speed == pytest.approx(0.2e-3 / 60)
    assert plan.cyclic is not None
    assert plan.cyclic.run_out == 11_000_000
    assert plan.spray is not None
    assert (plan.spray.begin, plan.spray.begin_unit) == (10_000, "cycles")
    assert (plan.spray.on, plan.spray.every, plan.spray.period_unit) == (120, 900, "s")
    assert plan.spray.flow == pytest.approx(1.5e-3 / 60)
    assert plan.inspections is not None
    assert plan.inspections.at == (10, 100, 1000, 10_000, 100_000)
    assert plan.inspections.go_on_after == 1200
    assert plan.limits.fixed["load"] == (-2e3, 97e3)
    assert plan.limits.fixed["deflection"] == (pytest.approx(-0.5e-3), pytest.approx(4e-3))
    learned = plan.limits.learned
    assert (learned.load_low, learned.load_high) == (pytest.approx(0.5), pytest.approx(1.05))
    assert (learned.deflection, learned.stroke_beyond) == (2.0, pytest.approx(1.5e-3))
    assert plan.full_rate.first == 100
    assert plan.texts["protocol"] == WHOLE
    assert plan.warnings == ()


def test_us_units_give_the_plan_of_si_units():
    text = WHOLE.replace('"132 kN"', '"29.674780 kip"').replace('"0.5 mm/s"', '"0.019685039 in/s"')
    plan, given = load_edited({WET: text}), load_edited({WET: WHOLE})
    assert plan.loading is not None
    assert given.loading is not None
    assert plan.loading.upper == pytest.approx(given.loading.upper, rel=1e-6)


def test_capacity_is_the_mean_of_companions_of_the_exposure():
    plan = load_edited({})
    assert plan.loading is not None
    assert plan.loading.capacity == pytest.approx((130e3 + 135e3 + 128e3 + 135e3) / 4)


def test_companions_of_a_life_are_others_that_failed_at_the_same_level():
    series = Series(
        "t",
        {"wet": {"exposure": "spray"}, "dry": {"exposure": "dry"}},
        (
            Life("P-1", "wet", 0.70, 1e5, "failure", None),
            Life("P-2", "wet", 0.70, 2e5, "failure", None),
            Life("P-3", "wet", 0.65, 9e5, "failure", None),
            Life("P-4", "dry", 0.70, 8e5, "failure", None),
            Life("P-5", "wet", 0.70, None, "failure", "runs/p-5"),
            Life("P-6", "dry", 0.70, 11e6, "run-out", None),
        ),
        (),
    )
    assert series.lives_like("spray", 0.7, "P-1") == (2e5,)
    assert series.lives_like("spray", 0.7, "P-9") == (1e5, 2e5)
    # One that ran out: nobody knows how long such specimens last.
    assert series.lives_like("dry", 0.7, "P-9") == ()


def test_residual_loads_are_no_companions():
    more = '\n[[ultimate]]\nspecimen = "P-03"\ngroup = "spray"\nload = "20 kN"\nresidual = true\n'
    plan = load_edited({SERIES: shipped(SERIES) + more})
    assert plan.loading is not None
    assert plan.loading.capacity == pytest.approx(132e3)


def test_paths_are_relative_to_the_file_that_names_them():
    asked = []

    def read(path: str) -> str:
        asked.append(path)
        return shipped(path.removeprefix("elsewhere/"))

    load_plan("elsewhere/" + WET, RIG, read)
    assert "elsewhere/" + PRISM in asked
    assert "elsewhere/" + SERIES in asked


def test_a_static_test_needs_no_loading():
    plan = load_edited({}, "static-ultimate.toml")
    assert plan.loading is None
    last = plan.stages[-1]
    assert isinstance(last, Ramp)
    assert (last.until, last.to) == ("ultimate", None)


def test_stop_categories_are_filled_in_by_cause():
    stops = load_rig(RIG, shipped).stops
    assert (stops["emergency_stop"], stops["limit"], stops["pause"]) == (0, 1, 2)


def test_the_truth_of_the_simulated_rig_is_si_with_its_defaults():
    text = shipped(RIG)
    truth = load_rig(RIG, lambda _: text[: text.index("# The hidden truth")]).simulation
    assert truth == load_rig(RIG, shipped).simulation
    assert (truth["gap"], truth["wet_factor"], truth["ending"]) == (0.002, 180.0, "gradual")


@pytest.mark.parametrize(
    ("old", "new", "phrase"),
    [
        (
            'stiffness_step = { pause = "5 %", within = "20 cycles" }\n',
            "",
            "usual is stiffness_s",
        ),
        ('deflection = "200 % of settled maximum"\n', "", "usual is deflection = "),
        ('"200 % of settled maximum"', '"170 % of settled maximum"', "183 % of settled maximum"),
        ('load = ["-2 kN", "97 kN"]\n', "", 'usual is load = ["-2 kN"'),
        ('"97 kN"', '"100 kN"', "lets overloads through"),
        ('"105 % of upper"', '"108 % of upper"', "lets overloads through"),
        ("wet-cracks.toml: spray", "wet-cracks.toml: dry", 'broken in exposure "dry"'),
    ],
)
def test_what_good_practice_would_do_otherwise_is_a_warning(old, new, phrase):
    assert old in BY_SERIES
    warnings = load_edited({WET: BY_SERIES.replace(old, new)}).warnings
    assert [w for w in warnings if phrase in w]


def test_a_rig_without_support_sensor_is_a_warning():
    before, _, after = shipped(RIG).partition('[[channel]]\nname = "support_left"')
    text = before + after[after.index("[pump]") :]
    assert "no sensor at a support" in " ".join(load_edited({RIG: text}).warnings)


def test_the_expected_duration_is_cycles_over_frequency_with_its_stops():
    took = estimate(load_edited({}, "dry-run-out.toml"))
    cycling = 11e6 / 5
    assert cycling < took.duration_s < 1.05 * cycling
    assert took.water_m3 == 0.0


def test_water_is_flow_times_the_wet_share():
    plan = load_edited({})
    took = estimate(plan)
    litres = 1.5 / 60 * (took.duration_s * 2 / 15)
    assert took.water_m3 * 1e3 == pytest.approx(litres, rel=0.01)


def test_storage_grows_with_cycles_and_channels():
    short = estimate(load_edited({}, "dry-short.toml")).storage_bytes
    long = estimate(load_edited({}, "dry-run-out.toml")).storage_bytes
    full = estimate(load_edited({}, "dry-run-out.toml", "rigs/simulated-full.toml")).storage_bytes
    assert 100 * 500_000 < short < long < full
    assert long > 100 * 11_000_000


@pytest.mark.parametrize(
    ("at", "every", "run_out"),
    [((10, 100), 500, 3000), ((), 100, 1000), ((10,), None, 11), ((10, 5000), 700, 3000)],
)
def test_inspections_are_counted_as_they_come(at, every, run_out):
    inspections = Inspections(at, every, None, map_cracks=False, go_on_after=None)
    counted, cycle = 0, 0
    while (following := inspections.next_after(cycle)) is not None and following < run_out:
        counted, cycle = counted + 1, following
    assert inspection_counts(inspections, run_out) == counted


@pytest.mark.nights
def test_loading_a_plan_imports_no_numpy():
    program = "import rig.protocol.load, rig.commands.check, sys; sys.exit('numpy' in sys.modules)"
    assert run([sys.executable, "-c", program], check=False).returncode == 0


def test_problems_of_all_files_come_together():
    texts = {
        WET: BY_SERIES.replace('"4 Hz"', '"4 kN"'),
        RIG: shipped(RIG).replace('"1 kHz"', '"1 mm"'),
        PRISM: shipped(PRISM).replace('"37 GPa"', "37"),
        SERIES: shipped(SERIES).replace('"130 kN"', '"130"'),
    }
    with pytest.raises(InputError) as caught:
        load_edited(texts)
    assert {p.file for p in caught.value.problems} == {WET, RIG, PRISM, SERIES}

"""What a plan has its forecast made of."""

import math
from dataclasses import replace
from pathlib import Path

import pytest

from rig.judging.foretelling import SIMULATED, UNKNOWN, forecast_setup
from rig.mechanics.prediction import predict
from rig.protocol.load import load_plan

PROTOCOLS = Path(__file__).parents[2] / "protocols"
RIG = str(PROTOCOLS / "rigs" / "simulated.toml")


def plan_of(name):
    return load_plan(str(PROTOCOLS / f"{name}.toml"), RIG, lambda file: Path(file).read_text())


@pytest.mark.parametrize("name", ["overnight-wet-prism", "unbonded-sprayed"])
def test_steel_governs_from_the_shortest_life_that_any_model_gives_it(name):
    plan = plan_of(name)
    loads = plan.loading.lower, plan.loading.upper
    told = predict(plan.specimen, *loads, plan.exposure, by_code=True)
    steel = [life.log10_cycles for life in told.lives if life.part in ("tendon", "bar")]
    assert forecast_setup(plan).tendon_from == pytest.approx(10 ** min(steel))
    concrete_alone = replace(plan, specimen=replace(plan.specimen, tendons=(), bars=()))
    assert forecast_setup(concrete_alone).tendon_from == math.inf
    # Beyond what mechanics lets it carry nobody knows the stress of its steel: it is silent.
    more = replace(plan.loading, upper=10 * plan.loading.upper)
    assert forecast_setup(replace(plan, loading=more)).tendon_from == 0.0


def test_what_is_known_of_simulated_specimens_is_not_known_of_real_ones():
    plan = plan_of("dry-short")
    assert forecast_setup(plan).relation == SIMULATED
    real = replace(plan, rig=replace(plan.rig, driver="serial"))
    assert forecast_setup(real).relation == UNKNOWN


def test_it_knows_the_criterion_the_run_out_the_baseline_and_the_companions():
    setup = forecast_setup(plan_of("overnight-wet-prism"))
    assert (setup.stop, setup.run_out) == (0.4, 11_000_000)
    assert (setup.baseline_first, setup.baseline_last, setup.block) == (2000, 3000, 100)
    assert setup.companions == (231_000.0, 148_000.0, 297_000.0)
    failure = replace(plan_of("dry-short").failure, stiffness_loss=None)
    assert forecast_setup(replace(plan_of("dry-short"), failure=failure)).stop is None

"""What a protocol arms for a cyclic stage: extraction, criteria, health, learned limits."""

from __future__ import annotations

from rig.acquire.extract import ExtractionSetup
from rig.criteria.findings import CriteriaSetup, Settled
from rig.guards.health import HealthSetup, half_cycle
from rig.guards.learned import LearnedSetup, learned_bounds
from rig.judging.cycling import CyclingSetup
from rig.protocol.plan import Bounds, Cyclic, Loading, Plan


def cycling_setup(plan: Plan, stage: Cyclic, loading: Loading, rate: float) -> CyclingSetup:
    """Return what stays the same through a cyclic stage at `rate` [Hz]."""
    return CyclingSetup(
        extraction=ExtractionSetup(plan.rig.sampled, rate),
        criteria=criteria_setup(plan, stage),
        health=HealthSetup(
            {c.name: (c.low, c.high) for c in plan.rig.sampled},
            rate,
            flat_after=half_cycle(rate, loading.frequency),
        ),
        upper=loading.upper,
        target_range=loading.range,
        period=rate / loading.frequency,
    )


def learned_of(plan: Plan, loading: Loading, base: Settled) -> dict[str, Bounds]:
    """Return the bounds [SI] that are learned from the baseline, by channel."""
    learned = plan.limits.learned
    setup = LearnedSetup(
        learned.load_low, learned.load_high, learned.deflection, learned.stroke_beyond
    )
    return learned_bounds(
        setup,
        loading.lower,
        loading.upper,
        base.deflection_max,
        base.stroke_max,
        base.stroke_min,
    )


def criteria_setup(plan: Plan, stage: Cyclic) -> CriteriaSetup:
    """Return the criteria that the protocol arms, for one cyclic stage."""
    failure = plan.failure
    loading = plan.loading
    if loading is None:
        raise ValueError("a cyclic stage needs [loading]; the protocol check refuses it")
    loss, jump, short = failure.stiffness_loss, failure.stiffness_step, failure.load_short
    return CriteriaSetup(
        upper=loading.upper,
        lower=loading.lower,
        baseline_first=plan.baseline.first,
        baseline_last=plan.baseline.last,
        loss_warn=loss.warn if loss else None,
        loss_stop=loss.stop if loss else None,
        loss_confirm=loss.confirm if loss else 100,
        step_pause=jump.pause if jump else None,
        step_within=jump.within if jump else 20,
        residual_warn=failure.residual_growth,
        short_stop=short.stop if short else None,
        short_confirm=short.confirm if short else 5,
        run_out=stage.run_out,
    )

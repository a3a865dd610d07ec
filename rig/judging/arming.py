"""What a protocol arms: doubts of the feedback, extraction, criteria, health, learned limits."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from rig.acquire.deflection import SUPPORTS
from rig.acquire.extract import ExtractionSetup
from rig.channels import Channel
from rig.criteria.agreement import AgreementSetup, Witness
from rig.criteria.findings import CriteriaSetup, Settled
from rig.guards.following import EXPLAINED, FollowSetup
from rig.guards.health import HealthSetup, half_cycle
from rig.guards.learned import LearnedSetup, combine, learned_bounds
from rig.guards.limits import SECOND
from rig.judging.cycling import CyclingSetup
from rig.protocol.expected import expected
from rig.protocol.plan import Bounds, Cyclic, Loading, Plan

APART: Final = 0.03
"""Of the load range, between two measures of load; common practice, no source."""
CONTACT_SHARE: Final = 0.02  # of the upper load, at least 0.5 kN; common practice, no source
LEAST_CONTACT: Final = 500.0  # [N]
DRIFT_SHARE: Final = 0.01  # of the upper load, told of; common practice, no source
CREEP_SHARE: Final = 0.05
"""Of the upper load: as far as that bends the softest specimen none creeps in a minute at a load
that is held; common practice, no source."""
SOFTER, STIFFER = 1 / 3, 3.0
"""How far a specimen may be from what mechanics expects of it: a wrong file must stop nothing."""
LEAST_EXPLAINED: Final = 1e-4  # of a channel's range, whatever its rig file says
WITNESSES: Final = frozenset(
    {"midspan", "support_left", "support_right", "stroke", "crack_opening", "load_2"}
    | {"end_slip_", "strain_"}
)
"""Channels and numbered families that can tell something of others."""
LIVELY: Final = 0.5  # of its resolution: with as much noise a cell never stays at one value


@dataclass(frozen=True, slots=True)
class FeedbackSetup:
    """What is known of the load: range of its channel [N], by how much [N] `load_2` may differ.

    `apart` is None without a second measure, `following` what load and deflection have in common.
    """

    ends: Bounds
    apart: float | None
    following: FollowSetup


def feedback_setup(plan: Plan, rate: float) -> FeedbackSetup:
    """Return what is known of the feedback of a plan's rig, sampled at `rate` [Hz]."""
    channels = {c.name: c for c in plan.rig.sampled}
    load, second = channels["load"], channels.get(SECOND)
    most = combine(plan.rig.limits, plan.limits.fixed).get("load", (0.0, load.high))[1]
    loading = plan.loading
    upper, spread = (loading.upper, loading.range) if loading else (most, most)
    supports = [channels[n] for n in SUPPORTS if n in channels]
    apart = None if second is None else max(APART * spread, _explained(load, second))
    beam = expected(plan.specimen)
    prestressed = beam.decompression_load > 2 * CONTACT_SHARE * upper
    soft = beam.stiffness if prestressed else beam.cracked_stiffness
    return FeedbackSetup(
        (load.low, load.high),
        apart,
        FollowSetup(
            rate,
            load=_explained(load),
            deflection=_explained(channels["midspan"], *supports),
            soft=SOFTER * soft,
            stiff=STIFFER * beam.stiffness,
            contact=max(CONTACT_SHARE * upper, LEAST_CONTACT),
            lively=_lively(load),
            lively_bend=_lively(channels["midspan"]),
            creep=CREEP_SHARE * upper / (SOFTER * soft),
            drift=DRIFT_SHARE * upper,
        ),
    )


def _lively(channel: Channel) -> bool:
    """Tell whether a channel has so much noise that it never stays at one value."""
    return channel.noise > 0 and channel.noise >= LIVELY * channel.resolution


def _explained(*channels: Channel) -> float:
    """Return which difference noise and resolution of channels explain [SI]."""
    noise = math.hypot(*(c.noise for c in channels))
    least = LEAST_EXPLAINED * (channels[0].high - channels[0].low)
    return max(EXPLAINED * noise + 2 * max(c.resolution for c in channels), least)


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
        alert_only=plan.failure.alert_only,
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
        agreement=_agreement_setup(plan),
    )


def _agreement_setup(plan: Plan) -> AgreementSetup:
    """Return the sampled channels that are asked what they say of the specimen."""
    witnesses = tuple(
        # Medians over cycles scatter by less than one sample does.
        Witness(c.name, c.noise + c.resolution, c.low, c.high)
        for c in plan.rig.sampled
        if c.name in WITNESSES or c.name.rstrip("0123456789") in WITNESSES
    )
    return AgreementSetup(witnesses, plan.baseline.first, plan.baseline.last)

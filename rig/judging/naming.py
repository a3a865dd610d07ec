"""Naming the outcome after a limit has stopped a cyclic test, from the samples kept around it."""

from __future__ import annotations

import math
from typing import Final

from rig.acquire.deflection import net_deflection
from rig.criteria.findings import Settled
from rig.criteria.outcome import OutcomeSetup, after_limit
from rig.protocol.plan import Loading, Plan
from rig.samples import SampleBlock

USUAL_LOSS: Final = 0.40
"""Loss of stiffness that is a failure where the protocol arms none; common practice, no source."""


def after_trip(
    plan: Plan, loading: Loading, base: Settled | None, text: str, block: SampleBlock, at: int
) -> tuple[str, str]:
    """Return outcome ("failure", "limit" or "fault") and why after sample `at` of a block tripped.

    `text` is the trip's; the block begins at least one cycle before it and holds all that is kept
    after it. `base` is the settled specimen, None before its baseline.
    """
    loss = plan.failure.stiffness_loss
    setup = OutcomeSetup(
        upper=loading.upper,
        rate=block.rate,
        deflection_per_load=base.deflection_max / loading.upper if base else math.nan,
        loss_stop=loss.stop if loss else USUAL_LOSS,
    )
    return after_limit(setup, text, block.of("load"), net_deflection(block), at)

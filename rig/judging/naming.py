"""Naming the outcome after a limit has stopped a cyclic test, from the samples kept around it."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from rig.acquire.deflection import net_deflection
from rig.channels import shown
from rig.criteria.findings import Settled
from rig.criteria.outcome import JUMP_SAMPLES, OutcomeSetup, after_limit
from rig.guards.following import FLAT_TIME
from rig.guards.jump import STAYS, JumpState, find_jump
from rig.guards.learned import combine
from rig.guards.limits import SECOND
from rig.judging.arming import FeedbackSetup, feedback_setup
from rig.protocol.plan import Loading, Plan
from rig.samples import SampleArray, SampleBlock

STUCK_SAMPLES: Final = 5
"""Samples of the very same load as the specimen bent that tell of a stuck cell; common practice."""
SLOW_EVIDENCE: Final = 2.0  # [s] of samples before a trip of a slow stage
NEAR_TICK: Final = 50
"""Samples before a trip in which the controller may have stopped by its own limit."""
RELATED: Final = 0.5
"""Correlation of load and net deflection, which is nearly 1 in any specimen that cycles."""
LEAST_EVIDENCE: Final = 50
NEAR: Final = 5
"""Samples about a trip in which a second measure of load is asked what it showed."""
USUAL_LOSS: Final = 0.40
"""Loss of stiffness that is a failure where the protocol arms none; common practice, no source."""


def evidence_time(loading: Loading | None) -> float:
    """Return how long before a trip the evidence begins [s]: a cycle and more, if any are made."""
    return 2 / loading.frequency if loading is not None else SLOW_EVIDENCE


def after_trip(
    plan: Plan,
    loading: Loading | None,
    base: Settled | None,
    text: str,
    block: SampleBlock,
    at: int,
) -> tuple[str, str]:
    """Return outcome ("failure", "limit" or "fault") and why after sample `at` of a block tripped.

    `text` is the trip's; the block begins at least one cycle before it and holds all that is kept
    after it. `base` is the settled specimen, None before its baseline. Without `loading` nothing
    has cycled: then a limit is one, unless the feedback is in doubt.
    """
    doubt = feedback_doubt(plan, block, at)
    if doubt:
        return "fault", f"{doubt}; {text}"
    if loading is None:
        return "limit", text
    loss = plan.failure.stiffness_loss
    setup = OutcomeSetup(
        upper=loading.upper,
        rate=block.rate,
        deflection_per_load=base.deflection_max / loading.upper if base else math.nan,
        deflection_range=base.deflection_max - base.deflection_min if base else math.nan,
        loss_stop=loss.stop if loss else USUAL_LOSS,
    )
    stroke = block.of("stroke") if "stroke" in block.channels else None
    return after_limit(setup, text, block.of("load"), net_deflection(block), at, stroke)


def feedback_doubt(plan: Plan, block: SampleBlock, at: int) -> str:
    """Return why the feedback was in doubt when sample `at` of a block tripped a limit, or "".

    The block begins some time before it. A second measure showed another load, the cell stood
    still under load as the specimen bent, or it fell below zero as the specimen was bent first.
    Or it had nothing to do with the specimen's deflection. A specimen that breaks leaves no load,
    or what hangs on the cell: neither is in doubt.
    """
    if not 0 <= at < block.frames:
        return ""
    setup = feedback_setup(plan, block.rate)
    load, bent = block.of("load"), net_deflection(block)
    lowest = combine(plan.rig.limits, plan.limits.fixed).get("load", (-math.inf, 0.0))[0]
    found = (
        _otherwise(setup, load, block, at),
        _stood_still(setup, load, bent, at),
        _pulled(setup, load, bent, at, lowest),
        _jumped(setup, load, bent, at),
        _unrelated(setup, load, bent, at),
    )
    return next((f"feedback in doubt: {words}" for words in found if words), "")


def _otherwise(setup: FeedbackSetup, load: SampleArray, block: SampleBlock, at: int) -> str:
    """Say what a second measure showed about the trip, where it was another load."""
    if setup.apart is None or SECOND not in block.channels:
        return ""
    second = block.of(SECOND)
    about = slice(max(at - NEAR, 0), at + NEAR + 1)
    apart = np.abs(load[about].astype(np.float64) - second[about].astype(np.float64)) > setup.apart
    if int(apart.sum()) < JUMP_SAMPLES:
        return ""
    return f"the load was {shown('load', float(load[at]))}, {SECOND} {_n(float(second[at]))}"


def _stood_still(setup: FeedbackSetup, load: SampleArray, bent: SampleArray, at: int) -> str:
    """Say for how long the load was the very same as the specimen bent, up to a trip."""
    end = min(at + 1, len(load))
    changes = np.flatnonzero(load[1:end] != load[: end - 1])
    first = int(changes[-1]) + 1 if len(changes) else 0
    way = abs(float(bent[end - 1]) - float(bent[first]))
    known = setup.following
    pressed = float(load[end - 1]) > known.contact
    least = STUCK_SAMPLES if known.lively else round(FLAT_TIME * known.rate)
    if not pressed or end - first < least or not way > known.still_bend:
        return ""
    still = f"the load stayed the same for {end - first} samples"
    return f"{still} while net deflection moved by {shown('deflection', way)}"


def _pulled(
    setup: FeedbackSetup, load: SampleArray, bent: SampleArray, at: int, lowest: float
) -> str:
    """Say that the load went below its limit although nothing had carried any."""
    loads, known = load[: at + 1], setup.following
    # The controller's own limit closes the valve some samples before this program knows.
    least = at - min(at, NEAR_TICK) + int(np.argmin(load[at - min(at, NEAR_TICK) : at + 1]))
    low, most = float(load[least]), float(loads.max())
    if not (low < -known.load and low < lowest and most < known.contact):
        return ""
    if float(bent[least]) - float(bent[: at + 1].min()) > known.deflection:
        return "the load falls while the specimen bends; look at the polarity of the cell"
    return "the load is below zero, and this frame cannot pull; look at the zero of the cell"


def _jumped(setup: FeedbackSetup, load: SampleArray, bent: SampleArray, at: int) -> str:
    """Say from where to where the load jumped alone, up to a trip."""
    end = at + 1 + STAYS
    _, doubt = find_jump(setup.following, JumpState(), 0, load[:end], bent[:end])
    return doubt.text if doubt is not None else ""


def _unrelated(setup: FeedbackSetup, load: SampleArray, bent: SampleArray, at: int) -> str:
    """Say that the load swung before a trip, but not as the specimen did.

    The last quarter of the evidence is left out, and from where it bends without ever coming back:
    there a specimen may have broken.
    """
    end = min(at + 1 - (at + 1) // 4, _last_return(bent[: at + 1], setup.following.deflection))
    loads, ways = load[:end].astype(np.float64), bent[:end].astype(np.float64)
    valid = np.isfinite(loads) & np.isfinite(ways)
    loads, ways = loads[valid], ways[valid]
    swings = len(loads) >= LEAST_EVIDENCE and np.ptp(loads) > setup.following.unbent_load
    if not swings or not np.ptp(ways) > 0:
        return ""
    related = abs(float(np.corrcoef(loads, ways)[0, 1]))
    if related > RELATED:
        return ""
    return f"load and net deflection do not swing together (correlation {related:.2f})"


def _last_return(bent: SampleArray, least: float) -> int:
    """Return the sample up to which net deflection [m] comes back by more than `least` at times."""
    later = np.fmin.accumulate(bent[::-1])[::-1]
    returns = np.flatnonzero(bent - later > least)
    return int(returns[-1]) + 1 if len(returns) else 0


def _n(load: float) -> str:
    return shown(SECOND, load)

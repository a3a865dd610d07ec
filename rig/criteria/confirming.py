"""Whether other channels confirm that a specimen has softened, or contradict it.

The part of the stroke that is neither mid-span nor load is the frame's: it does not change when a
specimen softens. Figures are common practice without a source unless one is named.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rig.channels import shown
from rig.criteria.agreement import (
    LOOK_BACK,
    SUPPORTS,
    AgreementSetup,
    Settling,
    Together,
    change,
    unsure,
)
from rig.criteria.findings import IN_DOUBT, Finding
from rig.criteria.groups import NET, Groups

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

GROWN: Final = 0.05
"""Of the settled net deflection range: growth over which others are asked."""
FOLLOWS: Final = 0.5
"""Of the growth at mid-span that the rod must show. By rigid halves about a hinge at mid-span, a
load at a share a of the half span moves a times as far: 2/3 for loads at the thirds of the span,
1/2 at its quarters. Elastic bending moves it further (statics, any textbook)."""
STANDS: Final = 1 / 3
"""Of that growth: a rod that shows less does not follow. Between the two nothing is told."""
ELSEWHERE: Final = 0.25
"""Of the growth of net deflection: where mid-span shows less, it comes from the supports."""
IN_STEP: Final = 0.2
"""Of the growth of net deflection by which all else grows where the load is not what is read. A
specimen that opens above decompression bends further than in proportion to its load."""
UNLIKE: Final = 0.5
"""By which share of the larger one two channels may differ that follow the load alone."""
SECOND_APART: Final = 0.015
"""Between two measures of load: half of what stops a test."""
DEAD: Final = 0.10
"""Of its settled range: a channel that moves by less does not follow the load any more, and says
nothing of others."""
LEAST_PART: Final = 4.0
"""So many times what may scatter must a part be before its change tells of the load."""

OPEN, CONFIRMED, CONTRADICTED = 0, 1, 2
NOBODY, BY_STROKE, BY_CRACK, OF_MIDSPAN, OF_SUPPORTS, OF_LOAD = range(6)


@dataclass(frozen=True, slots=True, eq=False)
class Weighed:
    """What each group says of its net deflection, shape (groups,): a verdict, and by whom."""

    verdict: NDArray[np.int64]
    by: NDArray[np.int64]
    grown: FloatArray
    """Change of the net deflection range at equal load [m]."""


def weigh(
    setup: AgreementSetup, base: Settling, groups: Groups, sound: Settling | None = None
) -> Weighed:
    """Return what groups say of their growth of net deflection, held against the baseline.

    A stroke that does not follow the load any more is not asked: it did so when `sound`, which is
    the baseline where nothing else is given.
    """
    net = change(base, groups, NET)
    mid, rod = change(base, groups, "midspan"), change(base, groups, "stroke")
    crack = change(base, groups, "crack_opening")
    settled = float(base.median.range(NET)[0])
    large = np.abs(net) > max(GROWN * settled, unsure(setup, base, NET))
    rods, mids = unsure(setup, base, "stroke"), unsure(setup, base, "midspan")
    sign = np.sign(net)
    at_mid = ~(sign * mid < FOLLOWS * np.abs(net))  # also where there is no such channel
    with np.errstate(invalid="ignore", divide="ignore"):
        load = large & _load_otherwise(setup, base, groups, net / settled)
        support = large & (sign * mid + mids < ELSEWHERE * np.abs(net)) & ~load
        gone = dead(sound or base, groups, "stroke")
        follows = large & at_mid & (sign * rod >= FOLLOWS * np.abs(net)) & ~load & ~gone
        stands = large & at_mid & (sign * rod + rods < STANDS * np.abs(net)) & ~load & ~gone
        opens = sign * crack / base.median.range("crack_opening")
        cracks = large & at_mid & (opens >= FOLLOWS * np.abs(net) / settled) & ~load
        cracks &= (np.isnan(rod) | gone) & moves(setup, base, "crack_opening")
    verdict = np.full(len(net), OPEN)
    by = np.full(len(net), NOBODY)
    for where, what, whom in (
        (cracks, CONFIRMED, BY_CRACK),
        (follows, CONFIRMED, BY_STROKE),
        (stands, CONTRADICTED, OF_MIDSPAN),
        (support, CONTRADICTED, OF_SUPPORTS),
        (load, CONTRADICTED, OF_LOAD),
    ):
        verdict[where], by[where] = what, whom
    return Weighed(verdict, by, net)


def _load_otherwise(
    setup: AgreementSetup, base: Settling, groups: Groups, grown: FloatArray
) -> BoolArray:
    """Tell where all that follows the load alone has changed in one proportion.

    At least two of frame and supports, each well above what may scatter; a second measure of load
    that stays with the first one clears it.
    """
    parts: list[FloatArray] = []
    frame = float(base.median.range("stroke")[0] - base.median.range("midspan")[0])
    frames = math.hypot(unsure(setup, base, "stroke"), unsure(setup, base, "midspan"))
    if frame > LEAST_PART * frames:
        moved = change(base, groups, "stroke") - change(base, groups, "midspan")
        parts.append(_sure(moved, frames) / frame)
    for name in SUPPORTS:
        if moves(setup, base, name):
            moved = _sure(change(base, groups, name), unsure(setup, base, name))
            parts.append(moved / float(base.median.range(name)[0]))
    if len(parts) < 2:
        return np.zeros(len(groups), np.bool_)
    shares = np.array(parts) * np.sign(grown)
    least, most = shares.min(axis=0), shares.max(axis=0)
    in_step = (least >= IN_STEP * np.abs(grown)) & (most - least <= UNLIKE * most)
    span = float(base.median.range("load_2")[0])
    result: BoolArray = in_step & ~(np.abs(change(base, groups, "load_2")) < SECOND_APART * span)
    return result


def moves(setup: AgreementSetup, base: Settling, channel: str) -> bool:
    """Tell whether a channel moves with the load by so much that a change of it means something."""
    return float(base.median.range(channel)[0]) > LEAST_PART * unsure(setup, base, channel)


def dead(base: Settling, groups: Groups, channel: str) -> BoolArray:
    """Tell where a channel does not follow the load any more."""
    settled = float(base.median.range(channel)[0])
    return np.asarray(change(base, groups, channel) < (DEAD - 1) * settled)


def _sure(moved: FloatArray, scatter: float) -> FloatArray:
    """Return a change, 0 where it may only scatter."""
    result: FloatArray = np.where(np.abs(moved) > scatter, moved, 0.0)
    return result


@dataclass(frozen=True, slots=True)
class Opinion:
    """What other channels say of a softening at one row: a verdict, in words, and in numbers.

    `load` tells that it is the load cell which they doubt.
    """

    verdict: int
    text: str
    evidence: dict[str, float]
    load: bool = False

    def of(self, found: Finding, instead: str) -> Finding:
        """Return what a criterion found with what others say of it.

        What they contradict pauses, as a finding of kind `instead`. A load in doubt is a fault:
        what closes the loop is not known.
        """
        if not self.text:
            return found
        text, evidence = f"{found.text}; {self.text}", {**found.evidence, **self.evidence}
        if self.verdict != CONTRADICTED:
            return replace(found, text=text, evidence=evidence)
        text = f"{IN_DOUBT}: {text}" if instead == "sensor" and not self.load else text
        kind, action = ("load-doubt", "fault") if self.load else (instead, "pause")
        return replace(found, kind=kind, action=action, text=text, evidence=evidence)


def opinion(together: Together | None, row: int, short: int = 0) -> Opinion:
    """Return what other channels say of a specimen that has softened, at row `row` of the call.

    Of a load that was short in the last `short` rows these are asked, else the last good ones.
    """
    if together is None:
        return Opinion(OPEN, "", {})
    if together.base is None:
        return Opinion(OPEN, "no other channel was asked: its baseline is not known", {})
    groups = together.lately(row, short) if short else together.at(row)
    if not len(groups):
        return Opinion(OPEN, "no other channel was asked: no good cycle is left", {})
    setup, base = together.setup, together.base
    found = weigh(setup, base, groups)
    verdict, by, grown = int(found.verdict[0]), int(found.by[0]), float(found.grown[0])
    if grown < 0 and by != OF_LOAD:
        verdict, by = OPEN, NOBODY  # a stiffer specimen confirms no loss
    changes = {c: float(change(base, groups, c)[0]) for c in (NET, *setup.channels)}
    evidence = {f"{c}_change": v for c, v in changes.items() if np.isfinite(v)}
    return Opinion(verdict, words(setup, base, groups, by), evidence, by == OF_LOAD)


def opinion_on_step(together: Together | None, row: int, within: int, cycles: int) -> Opinion:
    """Return what other channels say of a fall of stiffness within so many cycles up to a row.

    Medians of `cycles` before it are held against the last ones: those of 32 at most, for no more
    good ones are kept.
    """
    if together is None or together.base is None:
        return Opinion(OPEN, "", {})
    back = min(within, LOOK_BACK) - cycles
    now, before = together.at(row, cycles), together.at(row, cycles, back=back)
    if not (len(now) and len(before)):
        return Opinion(OPEN, "", {})
    wider = math.sqrt(together.setup.size / cycles)
    scatter = Groups(now.channels, wider * together.base.scatter.values)
    base = Settling(before, scatter)
    found = weigh(together.setup, base, now, sound=together.base)
    if not found.verdict[0]:
        return Opinion(OPEN, "", {})
    verdict, by = int(found.verdict[0]), int(found.by[0])
    return Opinion(verdict, words(together.setup, base, now, by), {}, by == OF_LOAD)


def words(setup: AgreementSetup, base: Settling, group: Groups, by: int) -> str:
    """Say what channels show beside the growth of net deflection."""
    changes = {c: float(change(base, group, c)[0]) for c in (NET, *setup.channels)}
    net, rod = _mm(NET, changes[NET]), changes.get("stroke", np.nan)
    if by == BY_STROKE:
        return f"confirmed by the stroke: its range grew {_mm('stroke', rod)} of {net}"
    if by == BY_CRACK:
        opened = changes["crack_opening"] / float(base.median.range("crack_opening")[0])
        bent = changes[NET] / float(base.median.range(NET)[0])
        return f"confirmed by the crack: it opens {opened:+.0%}, net deflection {bent:+.0%}"
    if by == OF_MIDSPAN:
        return (
            f"the range of net deflection changed by {net}, that of the stroke by "
            f"{_mm('stroke', rod)}, the supports by {_supports(changes)}: midspan is in doubt; "
            "look at its sensor, foot and cable"
        )
    if by == OF_SUPPORTS:
        return (
            f"the range of net deflection changed by {net}, that of midspan by "
            f"{_mm('midspan', changes['midspan'])}, the supports by {_supports(changes)}: "
            f"{_support_in_doubt(changes)} is in doubt; look at its sensor, foot and cable"
        )
    if by == OF_LOAD:
        names = [c for c in (NET, *setup.channels) if moves(setup, base, c)]
        parts = [f"{c} {_share(base, changes, c)}" for c in names]
        return (
            f"all that moves has changed together at one load ({', '.join(parts)}): the load cell "
            "is in doubt; look at its zero, gain and plug before it is loaded again"
        )
    if "stroke" not in setup.channels or not np.isfinite(rod):
        return "unconfirmed: no stroke channel"
    return f"unconfirmed: the range of the stroke changed by {_mm('stroke', rod)} of {net}"


def _supports(changes: dict[str, float]) -> str:
    told = [_mm(c, changes[c]) for c in SUPPORTS if c in changes]
    return " and ".join(told) or "unknown"


def _support_in_doubt(changes: dict[str, float]) -> str:
    there = [c for c in SUPPORTS if c in changes]
    return max(there, key=lambda c: abs(changes[c]), default="a support")


def _share(base: Settling, changes: dict[str, float], channel: str) -> str:
    return f"{changes[channel] / float(base.median.range(channel)[0]):+.0%}"


def _mm(name: str, value: float) -> str:
    return shown(name, value, digits=3)

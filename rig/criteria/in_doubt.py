"""Channels in doubt by what the others say, settlement, uneven load: looked at group by group.

Figures are common practice without a source, or chosen so that rehearsals without accidents find
nothing, unless a source is named.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from rig.channels import shown
from rig.criteria.agreement import (
    SUPPORTS,
    AgreementState,
    Settling,
    Together,
    change,
    unsure,
    unsure_mean,
)
from rig.criteria.confirming import (
    CONTRADICTED,
    FOLLOWS,
    OF_LOAD,
    OF_MIDSPAN,
    OF_SUPPORTS,
    SECOND_APART,
    STANDS,
    dead,
    moves,
    weigh,
    words,
)
from rig.criteria.displaced import displaced
from rig.criteria.findings import IN_DOUBT, Finding
from rig.criteria.groups import LOAD, NET, WARMTH, Groups
from rig.criteria.warmth import MOST_STIFFNESS
from rig.samples import Cycles

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

LASTS: Final = 4
"""Groups in a row that must show a thing, and that must not before it can be told anew."""
DOUBTED: Final = 0.10
"""Of the settled net deflection range, changed at one channel alone; the figure for settlement."""
NOISY: Final = 5.0
"""So many times the baseline's unevenness."""
LEAST_NOISE: Final = 0.01
"""Of the settled net deflection range: less unevenness hides nothing."""
LEAST_UNEVEN: Final = 0.005
"""Of the load range; half of the load error that is allowed."""
ALONE: Final = 0.5
"""Of its settled range, changed at a support alone."""
STIFFER: Final = 0.03
"""Of its settled net deflection range, by which a specimen bends less at the same load, beside what
cold does."""
CLOSES: Final = 1 / 3
"""Of that range: a specimen that bends less by so much may keep its crack nearly closed; chosen by
rehearsals."""
NEAR_END: Final = 0.005
"""Of a channel's range: so near to its end it is about to show nothing more."""
SETTLED: Final = 1e-4  # [m] of movement of a support
SETTLED_SHARE: Final = 0.10
"""Of the settled net deflection range, as well; both common practice, no source. Mid-span that
leaves the rod by as much spoils net deflection by twice what a support does."""
POSTS: Final = 25e-6
"""[m] per K that mid-span and stroke may part: two metres of steel, 12 um per m and K (any table of
expansion)."""
UNKNOWN_WARMER: Final = 5.0
"""[K] of warmth where no temperature is read; common practice, no source."""
GOES_ALONG: Final = 0.25
"""Of a support's settlement that mid-span shows at least: half of it, and what creep takes off."""


@dataclass(frozen=True, slots=True, eq=False)
class Doubt:
    """Where a thing holds, shape (groups,), and what is found where it has held long enough.

    `lasted` is `holds` for as many groups as it must; `text` says it of a group.
    """

    key: str
    kind: str
    action: str
    lasted: BoolArray
    holds: BoolArray
    by: int = -1
    text: str = ""


def find_doubts(
    state: AgreementState, together: Together, rows: Cycles, findings: list[Finding]
) -> AgreementState:
    """Find what the new groups of a call show; return the state with what holds."""
    if together.base is None or together.begin >= len(together.groups):
        return state
    told = set(state.told)
    for doubt in _doubts(together):
        begins = _begins(doubt, together.begin, told)
        findings.extend(_finding(doubt, together, rows, group) for group in begins)
    return replace(state, told=frozenset(told))


def _begins(doubt: Doubt, begin: int, told: set[str]) -> Iterator[int]:
    """Yield the new groups at which a doubt is told; keep in `told` whether it holds."""
    if doubt.key not in told and not doubt.lasted[begin:].any():
        return  # nearly always
    gone = ~_any_of(doubt.holds, LASTS)
    at = begin
    while at < len(doubt.holds):
        waits_for = gone if doubt.key in told else doubt.lasted
        found = np.flatnonzero(waits_for[at:])
        if not len(found):
            return
        at += int(found[0])
        if doubt.key in told:
            told.discard(doubt.key)
        else:
            told.add(doubt.key)
            yield at


def _any_of(holds: BoolArray, count: int) -> BoolArray:
    """Tell where any of the last `count` groups holds."""
    padded = np.concatenate((np.zeros(count - 1, np.bool_), holds))
    return np.asarray(sliding_window_view(padded, count).any(axis=1))


def _all_of(holds: BoolArray, count: int) -> BoolArray:
    """Tell where all of the last `count` groups hold."""
    if not holds.any():
        return holds  # nearly always
    padded = np.concatenate((np.zeros(count - 1, np.bool_), holds))
    return np.asarray(sliding_window_view(padded, count).all(axis=1))


def _lasting(key: str, kind: str, action: str, holds: BoolArray, by: int, text: str = "") -> Doubt:
    return Doubt(key, kind, action, _all_of(holds, LASTS), holds, by, text)


def _doubts(together: Together) -> Iterator[Doubt]:
    yield from _by_ranges(together)
    yield from _by_evenness(together)
    yield from _near_ends(together)
    yield from _dead(together)
    yield from _settled(together)
    yield from _stiffer(together)
    yield from _apart(together)
    for channel, kind, action, holds, text in displaced(together):
        # It has lasted by the way it is found.
        yield Doubt(f"moved {channel}", kind, action, holds, holds, text=text)


def _by_ranges(together: Together) -> Iterator[Doubt]:
    setup, base, groups = together.setup, together.base, together.groups
    if base is None:
        return
    found = weigh(setup, base, groups)
    settled = float(base.median.range(NET)[0])
    large = np.asarray(np.abs(found.grown) > DOUBTED * settled)
    against = found.verdict == CONTRADICTED
    load = against & (found.by == OF_LOAD)
    yield _lasting("load", "load-doubt", "fault", load, OF_LOAD)
    midspan = against & (found.by == OF_MIDSPAN) & large
    yield _lasting("range midspan", "sensor", "pause", midspan, OF_MIDSPAN)
    supports = against & (found.by == OF_SUPPORTS) & large
    yield _lasting("range supports", "sensor", "pause", supports, OF_SUPPORTS)
    rod, rods = change(base, groups, "stroke"), unsure(setup, base, "stroke")
    alone = (np.abs(rod) - rods > DOUBTED * settled) & (np.abs(found.grown) < STANDS * np.abs(rod))
    text = (
        "the range of the stroke changed alone, the specimen bends as before: look at the bolts "
        "of the frame and at the transducer of the stroke"
    )
    yield _lasting("range stroke", "sensor", "warn", alone & ~load, -1, text)


def _by_evenness(together: Together) -> Iterator[Doubt]:
    """Find ranges that differ from cycle to cycle more than they did."""
    setup, base, groups = together.setup, together.base, together.groups
    if base is None:
        return
    span, settled = float(base.median.range(LOAD)[0]), float(base.median.range(NET)[0])
    load = groups.uneven(LOAD)
    usual = float(base.median.uneven(LOAD)[0])
    uneven = np.asarray(load > max(NOISY * usual, LEAST_UNEVEN * span))
    # What is true of the load the specimen shows too.
    shown_too = groups.uneven(NET) / settled >= STANDS * load / span
    text = (
        f"the load range differs from cycle to cycle {NOISY:.0f} times as much as it did: look for "
        "air in the line, at the pump and at the servo gain"
    )
    yield _lasting("uneven load", "uneven-load", "warn", uneven & shown_too, -1, text)
    text = "load is noisy, and net deflection is not: look at the cable and plug of the cell"
    yield _lasting("noisy load", "sensor", "warn", uneven & ~shown_too, -1, text)
    for channel in ("midspan", *SUPPORTS, "stroke"):
        if channel not in setup.channels:
            continue
        own = groups.uneven(channel)
        least = max(NOISY * float(base.median.uneven(channel)[0]), LEAST_NOISE * settled)
        alone = (own > least) & ~(load / span > STANDS * own / settled)
        text = f"{channel} is noisy, and the load is not: look at its cable, plug and foot"
        yield _lasting(f"noisy {channel}", "sensor", "warn", alone, -1, text)


def _dead(together: Together) -> Iterator[Doubt]:
    """Find channels that do not follow the load, and supports whose range changed alone."""
    setup, base, groups = together.setup, together.base, together.groups
    if base is None:
        return
    still = np.abs(change(base, groups, NET)) < DOUBTED * base.median.range(NET)
    for channel in setup.channels:
        if not moves(setup, base, channel):
            continue
        settled = float(base.median.range(channel)[0])
        own = change(base, groups, channel)
        gone = dead(base, groups, channel)
        if channel == "crack_opening":
            gone = gone & ~_may_be_closed(base, groups)
        text = f"{channel} does not follow the load any more: look at its sensor, foot and cable"
        yield _lasting(f"dead {channel}", "sensor", "pause", gone, -1, text)
        if channel not in SUPPORTS:
            continue
        along = np.sign(own) * change(base, groups, "midspan") >= GOES_ALONG * np.abs(own)
        alone = (np.abs(own) > ALONE * settled) & still & ~along & ~gone
        text = f"the range of {channel} changed and nothing else did: look at its sensor and foot"
        yield _lasting(f"alone {channel}", "sensor", "pause", alone, -1, text)


def _may_be_closed(base: Settling, groups: Groups) -> BoolArray:
    """Tell where a specimen bends so much less, as the stroke too shows, that its crack may close.

    Without a stroke that follows, nothing but the gauge itself could tell it from a dead one.
    """
    less, rod = -change(base, groups, NET), -change(base, groups, "stroke")
    much = less > CLOSES * float(base.median.range(NET)[0])
    return np.asarray(much & (rod >= FOLLOWS * less) & ~dead(base, groups, "stroke"))


def _near_ends(together: Together) -> Iterator[Doubt]:
    for witness in together.setup.witnesses:
        margin = NEAR_END * (witness.high - witness.low)
        if not np.isfinite(margin):
            continue
        middle, half = (
            together.groups.mean(witness.name),
            together.groups.range(witness.name) / 2,
        )
        near = (middle + half > witness.high - margin) | (middle - half < witness.low + margin)
        ends = shown(witness.name, witness.low, witness.high, digits=4)
        text = f"{witness.name} is near the end of its range ({ends}): set its sensor back"
        yield _lasting(f"end {witness.name}", "sensor", "warn", near, -1, text)


def _settled(together: Together) -> Iterator[Doubt]:
    """Find supports that stand elsewhere than at the baseline."""
    base, groups = together.base, together.groups
    if base is None:
        return
    least = _settles(base)
    middle = _moved(base, groups, "midspan")
    for channel in SUPPORTS:
        if channel not in together.setup.channels:
            continue
        own = groups.mean(channel) - base.median.mean(channel)
        far = np.abs(own) > max(least, unsure_mean(together.setup, base, channel))
        along = middle * np.sign(own) >= GOES_ALONG * np.abs(own)
        text = (
            f"{channel} stands more than {shown(channel, least, digits=3)} from where it stood at "
            "the baseline, and midspan has gone along: the support settles, look at its "
            "bearing and what it stands on"
        )
        yield _lasting(f"settled {channel}", "support", "warn", far & along, -1, text)
        text = (
            f"{channel} stands more than {shown(channel, least, digits=3)} from where it stood at "
            "the baseline, and midspan has not gone along: look at its sensor"
        )
        yield _lasting(f"drifted {channel}", "sensor", "warn", far & ~along, -1, text)


def _moved(base: Settling, groups: Groups, channel: str) -> FloatArray:
    """Return how far a channel stands from where it stood, by more than the specimen's doing [m].

    What swings further between the same loads stands further by half of that.
    """
    gone = groups.mean(channel) - base.median.mean(channel)
    return np.asarray(gone - change(base, groups, channel) / 2)


def _settles(base: Settling) -> float:
    """Return what is told of a channel that stands elsewhere than at the baseline [m]."""
    return min(SETTLED, SETTLED_SHARE * float(base.median.range(NET)[0]))


def _stiffer(together: Together) -> Iterator[Doubt]:
    """Find a specimen that bends less at the same load, seen by stroke or crack as well.

    A second measure of load that does not agree leaves it to the load cell.
    """
    setup, base, groups = together.setup, together.base, together.groups
    if base is None:
        return
    settled = float(base.median.range(NET)[0])
    less = -change(base, groups, NET)
    rod = -change(base, groups, "stroke")
    closed = -change(base, groups, "crack_opening") / base.median.range("crack_opening")
    seen = ~dead(base, groups, "stroke") & (rod >= FOLLOWS * less)
    if not np.isfinite(rod).any() and moves(setup, base, "crack_opening"):
        seen = closed >= FOLLOWS * less / settled
    second = float(base.median.range("load_2")[0])
    agrees = ~(np.abs(change(base, groups, "load_2")) > SECOND_APART * second)
    # Concrete that is colder is stiffer.
    colder = base.median.of(WARMTH) - groups.of(WARMTH)
    stiffer = STIFFER + MOST_STIFFNESS * np.where(np.isfinite(colder), colder.clip(0.0), 0.0)
    large = less > np.maximum(stiffer * settled, unsure(setup, base, NET))
    text = (
        f"the specimen bends by more than {STIFFER:.0%} less than it did at the same load, which "
        "none does by itself: does the spreader touch a guide, or something else carry load?"
    )
    yield _lasting("guide", "guide", "warn", np.asarray(large & seen & agrees), -1, text)


def _apart(together: Together) -> Iterator[Doubt]:
    """Find mid-span and stroke that drift apart, further than the air's temperature explains."""
    base, groups = together.base, together.groups
    if base is None or not np.isfinite(base.median.mean("stroke")[0]):
        return
    apart = _moved(base, groups, "midspan") - _moved(base, groups, "stroke")
    warmer = groups.of(WARMTH) - base.median.of(WARMTH)
    posts = POSTS * np.where(np.isfinite(warmer), np.abs(warmer), UNKNOWN_WARMER)
    least = _settles(base)
    far = np.asarray(np.abs(apart) > least + posts)
    for channel in ("midspan", "stroke"):
        far = far & ~dead(base, groups, channel)  # where it stands tells nothing then
    text = (
        f"midspan and stroke have drifted apart by more than {shown('midspan', least, digits=3)} "
        "and what warmth does: look at the post and foot of midspan, and at what the rod bears on"
    )
    yield _lasting("apart midspan", "sensor", "warn", far, -1, text)


def _finding(doubt: Doubt, together: Together, rows: Cycles, group: int) -> Finding:
    """Return what is found at a new group."""
    row = int(together.ends[group - together.begin])
    now = together.groups.part(group, group + 1)
    if together.base is None:
        raise ValueError("nothing is in doubt before the baseline is known")
    text = doubt.text or words(together.setup, together.base, now, doubt.by)
    if doubt.kind == "sensor":
        text = f"{IN_DOUBT}: {text}"
    first = together.groups.of("number")[max(group - LASTS, 0)]
    return Finding(
        doubt.kind,
        doubt.action,
        int(rows["number"][row]),
        int(rows.known[row]),
        int(first),
        text,
        _numbers(together, now),
    )


def _numbers(together: Together, now: Groups) -> dict[str, float]:
    if together.base is None:
        return {}
    names = (NET, *together.setup.channels)
    changes = {f"{c}_change": float(change(together.base, now, c)[0]) for c in names}
    means = {f"{c}_moved": float((now.mean(c) - together.base.median.mean(c))[0]) for c in names}
    return {k: v for k, v in (changes | means).items() if np.isfinite(v)}

"""Load and net deflection belong together: what a load cell does that no specimen explains.

While a specimen is loaded slowly, a load that stays the same as it bends, a load that does not rise
as it begins to bend, and a load that changes although nothing bends are those of a cell in doubt:
it is flat, its sign is wrong, or it is another frame's. What noise and resolution explain is none
of these, and neither is a specimen that cracks, yields or creeps: it bends at a load that it holds.

Means over a few milliseconds are compared with earlier ones, counted from the frame at which the
watch began, so that nothing depends on how samples are cut. Figures: common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rig.channels import shown
from rig.guards.runs import first_run

MEAN_TIME: Final = 0.005
"""Time [s] of one mean."""
LAGS: Final = (2, 10, 40, 200, 400)
"""How many means earlier are those that the newest is compared with: up to 2 s."""
PERSIST: Final = 2
"""Means in a row for which a doubt must last: a spike is in one."""
FLAT_TIME: Final = 0.1
"""Time [s] for which a flat load has shown the very same value."""
CREEP_TIME: Final = 60.0
"""Time [s] over which the bend under a quiet cell that shows the very same is added up."""
EXPLAINED: Final = 4.0
"""Standard deviations of noise in a difference that nobody wonders at, beside two resolutions."""
SURELY: Final = 2.0
"""How many times that the expected change must be where nothing is seen of it."""
JUMP_DRIFTS: Final = 5.0  # a jump is five times a drift
DRIFT_TIME: Final = 1.0
"""Time [s] of a mean in which a slow drift is looked for."""

UNBENT: Final = "the load changes while net deflection stays the same"

Samples = NDArray[np.float32]
Means = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class FollowSetup:
    """What explains a difference: of loads [N], of net deflections [m].

    `soft` and `stiff` [N/m] are stiffnesses between which that of the specimen lies for certain.
    Under `contact` [N] nothing presses on it yet. A `lively` cell has noise: it never shows the
    very same for long, whereas a quiet one does at every load that is held; then a specimen creeps
    by less than `creep` [m] in a minute. `lively_bend` tells that mid-span is as lively. `drift`
    [N] is told of.
    """

    rate: float
    load: float
    deflection: float
    soft: float
    stiff: float
    contact: float
    lively: bool = True
    creep: float = math.inf
    lively_bend: bool = True
    drift: float = math.inf

    @property
    def jump(self) -> float:
        """Change of load [N] from one sample to the next that is looked at."""
        return JUMP_DRIFTS * self.drift

    @property
    def quieter(self) -> float:
        """How much less noise and resolution explain of a mean over `DRIFT_TIME`."""
        return min(math.sqrt(DRIFT_TIME * self.rate), 6.0)

    @property
    def mean(self) -> int:
        """Samples of one mean."""
        return max(round(MEAN_TIME * self.rate), 1)

    @property
    def unloaded_bend(self) -> float:
        """Net deflection [m] that a specimen cannot gain without a load that is seen."""
        return self.deflection + SURELY * self.load / self.soft

    @property
    def still_bend(self) -> float:
        """Net deflection [m] that a specimen cannot gain while the load is the very same."""
        return self.unloaded_bend + (0.0 if self.lively else self.creep)

    @property
    def unbent_load(self) -> float:
        """Change of load [N] that bends any specimen visibly."""
        return self.load + SURELY * self.deflection * self.stiff


@dataclass(frozen=True, slots=True)
class FollowState:
    """Samples that fill no mean yet, the newest means, and what is counted.

    `means` has rows load, net deflection, and whether all samples of a mean were the same as the
    one before. `done` counts all means, `flat` those that were the same in a row, and `bent` is the
    net deflection [m] as they began. `sums` of load and net deflection make the mean in which a
    drift is looked for, `reference` is an earlier one.
    """

    rest: Samples = field(default_factory=lambda: np.empty((2, 0), np.float32))
    means: Means = field(default_factory=lambda: np.empty((3, 0)))
    done: int = 0
    last: float = math.nan
    flat: int = 0
    bent: float = math.nan
    doubts: tuple[int, ...] = (0, 0)
    sums: tuple[float, float] = (0.0, 0.0)
    reference: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class Doubt:
    """A load in doubt, knowable at `frame`; a mere drift is a "finding", all else a "fault".

    `unbent` tells that the load changed and nothing bent: then it may be the deflection that lies.
    """

    action: str
    frame: int
    text: str
    unbent: bool = False


def follow(
    setup: FollowSetup, state: FollowState, first_frame: int, load: Samples, deflection: Samples
) -> tuple[FollowState, tuple[Doubt, ...]]:
    """Look at the next samples, each of shape (frames,) [SI]; return what is in doubt, by frame.

    At most one fault is told, the first. A missing sample makes its mean one that tells nothing.
    """
    both = np.hstack((state.rest, np.vstack((load, deflection))))
    first = first_frame - state.rest.shape[1]
    whole = both.shape[1] // setup.mean * setup.mean
    if not whole:
        return replace(state, rest=both), ()
    new = _means(setup, both[:, :whole], state.last)
    state = replace(state, rest=both[:, whole:].copy(), last=float(both[0, whole - 1]))
    means = np.hstack((state.means, new))
    begin = state.means.shape[1]
    state, faults = _in_doubt(setup, state, means, begin)
    state, flat = _flat(setup, state, means[:, begin:])
    faults += flat
    state, drifts = _drifting(setup, state, new)
    state = replace(state, means=means[:, -max(LAGS) - 1 :], done=state.done + new.shape[1])
    found = [
        Doubt("fault", first + (at + 1) * setup.mean - 1, text, text.startswith(UNBENT))
        for at, text in faults
    ]
    worst = sorted(found, key=lambda doubt: doubt.frame)[:1]
    told = [Doubt("finding", first + (at + 1) * setup.mean - 1, text) for at, text in drifts]
    return state, tuple(sorted((*worst, *told), key=lambda doubt: doubt.frame))


_Found = list[tuple[int, str]]
"""Numbers of new means, and what was found in them."""


def _means(setup: FollowSetup, samples: Samples, last: float) -> Means:
    load = samples[0]
    same = load == np.concatenate(([np.float32(last)], load[:-1]))
    # Sample by sample: sums over so few would take several times as long.
    sums = np.zeros((2, samples.shape[1] // setup.mean))
    all_same = np.ones(sums.shape[1], np.bool_)
    for index in range(setup.mean):
        sums += samples[:, index :: setup.mean]
        all_same &= same[index :: setup.mean]
    return np.vstack((sums / setup.mean, all_same))


def _in_doubt(
    setup: FollowSetup, state: FollowState, means: Means, begin: int
) -> tuple[FollowState, _Found]:
    """Compare each new mean with earlier ones."""
    load, bent = means[0], means[1]
    count = len(load) - begin
    lonely = np.zeros(count, np.bool_)
    unbent = np.zeros(count, np.bool_)
    for lag in LAGS:
        at = max(begin, lag)
        if at >= len(load):
            break
        risen = load[at:] - load[at - lag : len(load) - lag]
        bends = bent[at:] - bent[at - lag : len(load) - lag]
        new = slice(at - begin, count)
        without = (bends > setup.unloaded_bend) & (risen < setup.load)
        lonely[new] |= without & (load[at:] < setup.contact)
        unbent[new] |= (np.abs(risen) > setup.unbent_load) & (np.abs(bends) <= setup.deflection)
    found: _Found = []
    runs = []
    for doubtful, carried, text in (
        (lonely, state.doubts[0], "net deflection grows while the load does not rise"),
        (unbent, state.doubts[1], UNBENT),
    ):
        index, run = first_run(doubtful, carried, PERSIST)
        runs.append(run)
        if index is not None:
            now = shown("load", float(load[begin + index]))
            bend = shown("deflection", float(bent[begin + index]))
            if doubtful is lonely and float(load[begin + index]) < -setup.load:
                text = "the load falls while net deflection grows; look at the polarity of the cell"
            found.append((index, f"{text}, at {now} and {bend}"))
    return replace(state, doubts=tuple(runs)), found


def _flat(setup: FollowSetup, state: FollowState, new: Means) -> tuple[FollowState, _Found]:
    """Look for a load that has stayed the very same while the specimen bent."""
    each = setup.mean / setup.rate
    need, most = math.ceil(FLAT_TIME / each - 1e-9), math.inf
    if not setup.lively:
        most = need + round(CREEP_TIME / each)
    run, bent = state.flat, state.bent
    if not run and not new[2].any():
        return replace(state, bent=float(new[1, -1])), []
    for index, (load, deflection, same) in enumerate(new.T.tolist()):
        run = run + 1 if same else 0
        if not run or run > most or math.isnan(bent):
            run, bent = min(run, need), deflection
        way = abs(deflection - bent)
        if run >= need and way > setup.still_bend:
            text = (
                f"the load stays the same at {shown('load', load)} while net deflection moves by "
                f"{shown('deflection', way)}"
            )
            return replace(state, flat=run, bent=bent), [(index, text)]
    return replace(state, flat=run, bent=bent), []


def _drifting(setup: FollowSetup, state: FollowState, new: Means) -> tuple[FollowState, _Found]:
    """Look for a load that leaves its place slowly while nothing bends."""
    each = round(DRIFT_TIME / (setup.mean / setup.rate))
    reference, sums, found = state.reference, np.array(state.sums), []
    # What is averaged over so long shows little noise, and hardly its resolution.
    still = setup.deflection / setup.quieter
    most = max(setup.drift, setup.load / setup.quieter + SURELY * still * setup.stiff)
    begin, count = 0, new.shape[1]
    for end in range(each - state.done % each, count + 1, each):
        load, bent = ((sums + new[:2, begin:end].sum(axis=1)) / each).tolist()
        begin, sums = end, np.zeros(2)
        if math.isnan(load) or math.isnan(bent):
            continue
        if reference is None or abs(bent - reference[1]) > still:
            reference = (load, bent)
        elif abs(load - reference[0]) > most:
            gone = shown("load", load - reference[0])
            found.append((end - 1, f"the load has moved by {gone} while net deflection stayed"))
            reference = (load, bent)
    left = sums + new[:2, begin:].sum(axis=1)
    return replace(state, reference=reference, sums=(float(left[0]), float(left[1]))), found

"""Load correction: hold upper and lower load on target while the specimen softens.

Mean and amplitude are corrected apart, from the median of 5 good cycles. Upward the load rises by
at most 0.2 % of the range a cycle, and by 1 % until five more have been seen; downward there is no
limit. All in all the command stays within 10 % of the range from the settled command. It is not
raised while net deflection per load grows more than 1 % in 50 cycles, because a specimen that fails
must not be chased (all figures: common practice, no source; the 1 % between is ours). Deflection is
taken per load, so that a rise of the load's own does not pass for softening, nor a load that falls
short hide it.

Cycles with gaps, spikes or a change of command count for nothing. Short ones and overloads only
ever lower the load: a sudden shortfall goes as suddenly, and what had been added would stay.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

from rig.judging.corrected import (
    DEADBAND,
    SETTLING_CYCLES,
    WINDOW,
    Seen,
    frozen,
    long_short,
    medians,
    middle,
    seen,
)
from rig.samples import Cycles

UPWARD_STEP: Final = 0.002
ONE_RISE: Final = 0.01  # of the range, until five good cycles have been seen again
AUTHORITY: Final = 0.10
HAIR: Final = 1e-6  # N, rounding
SETTLING_SHARE: Final = 0.05  # of a build-up's cycles is left when counting begins
AWAY: Final = 0.01  # of the range off its end: from there its end is told anew
ADDED: Final = 0.03  # of the range: so much is told of where the specimen is as it was
AS_IT_WAS: Final = 0.02  # of its softness


MUCH_ADDED: Final = (
    f"{ADDED:.0%} of range had to be added to the load command since the baseline, although the "
    "specimen is as stiff as it was: look at the oil, at valve and servo gain"
)


@dataclass(frozen=True, slots=True)
class Adjustment:
    """A new command [N], or with `moves` false the old one; `told` is what people must know."""

    mean: float
    amplitude: float
    told: str = ""
    moves: bool = True


@dataclass(frozen=True, slots=True)
class Correction:
    """State of the correction. Targets and commands [N].

    The authority lies about the settled command: at first the target, from the end of the
    baseline on the command of that moment. `skip` rows to come are not looked at. `pairs` holds
    mean and amplitude of usable cycles since the last change, and 1 where they are good; `softness`
    the net deflection per load [m/N] of the last cycles, 0 where nobody knows it. `rise` is what
    mean and amplitude are still to be raised by, a step each cycle. `short` counts the cycles in a
    row whose upper load is short, `held` tells that this was said. `settled_softness` [m/N] is that
    at the settled command, 0 before it; `added` tells that it was said how much was added.
    """

    target_mean: float
    target_amplitude: float
    mean: float
    amplitude: float
    settled_mean: float
    settled_amplitude: float
    skip: int = 0
    pairs: tuple[tuple[float, float, float], ...] = ()
    softness: tuple[float, ...] = ()
    rise: tuple[float, float] = (0.0, 0.0)
    short: int = 0
    held: bool = False
    saturated: bool = False
    settled_softness: float = 0.0
    added: bool = False

    @property
    def range(self) -> float:
        """Target load range [N]."""
        return 2 * self.target_amplitude

    @property
    def upper(self) -> float:
        """Target upper load [N]."""
        return self.target_mean + self.target_amplitude


def start_correction(mean: float, amplitude: float) -> Correction:
    """Return the state at the first counted cycle, the command being the target [N]."""
    return Correction(mean, amplitude, mean, amplitude, mean, amplitude)


def allowed_for(state: Correction, share: float) -> Correction:
    """Return the state whose command is the share of the target, as long as that was the target.

    What has been corrected holds the part of a moving mass already: it must not go off twice.
    """
    if (state.mean, state.amplitude) != (state.target_mean, state.target_amplitude):
        return state
    return replace(state, amplitude=share * state.target_amplitude)


def built_up_again(state: Correction, cycles: int) -> Correction:
    """Return the state for another build-up over so many cycles.

    Counting begins while the amplitude still grows: nothing is corrected in what is left of it.
    How soft the specimen was stays known: one that has softened meanwhile is not chased.
    """
    skip = round(SETTLING_SHARE * cycles) + SETTLING_CYCLES
    return replace(state, pairs=(), rise=(0.0, 0.0), short=0, skip=skip)


def settled(state: Correction) -> Correction:
    """Return the state whose authority lies about the present command."""
    return replace(
        state,
        settled_mean=state.mean,
        settled_amplitude=state.amplitude,
        saturated=False,
        settled_softness=middle(state.softness[-WINDOW:]),
        added=False,
    )


def correction_from(plain: Mapping[str, Any]) -> Correction:
    """Return the state from plain values. Raises KeyError, TypeError, ValueError."""
    kept = {name: value for name, value in plain.items() if name != "ranges"}
    kept["pairs"] = tuple((p[0], p[1], p[2] if len(p) > 2 else 1.0) for p in plain["pairs"])
    kept["softness"] = tuple(plain.get("softness", ()))
    mean, amplitude = plain.get("rise", (0.0, 0.0))
    return Correction(**{**kept, "rise": (mean, amplitude)})


def correct(state: Correction, rows: Cycles) -> tuple[Correction, int | None, Adjustment | None]:
    """Look at counted rows; return the new state, the row that asks for a change, and it.

    At most one change is returned: the first. Rows after it are taken as the first cycles under
    the new command.
    """
    look = seen(rows, state.skip, state.pairs, state.softness, state.upper, state.range)
    if any(state.rise) and look.rows:
        state = replace(state, rise=_still_to_rise(state, look))
    found = _next_step(state, look) if any(state.rise) else _first_change(state, look)
    at, words = (None, "") if state.saturated else long_short(look, state.short, state.held)
    if at is not None and (found is None or at < found[0]):
        after = replace(_advanced(state, look, at + 1), held=True)
        return after, at, Adjustment(state.mean, state.amplitude, words, moves=False)
    if found is None:
        return _advanced(state, look, len(rows)), None, None
    row, after = found
    after = replace(_advanced(after, look, row + 1), skip=SETTLING_CYCLES, pairs=())
    told = _ended(after) if after.saturated and not state.saturated else ""
    if not told and _much_added(after, look, row):
        after, told = replace(after, added=True), MUCH_ADDED
    moves = (after.mean, after.amplitude) != (state.mean, state.amplitude)
    return after, row, Adjustment(after.mean, after.amplitude, told, moves)


def _advanced(state: Correction, look: Seen, rows: int) -> Correction:
    """Return the state after the first rows, whose command has not changed in them."""
    pairs, softness, short, held = look.upto(rows, state.short, state.held)
    skip = max(state.skip - rows, 0)
    return replace(state, skip=skip, pairs=pairs, softness=softness, short=short, held=held)


def _first_change(state: Correction, look: Seen) -> tuple[int, Correction] | None:
    """Return the first row whose window asks for a change that is allowed, and what it brings."""
    means, amplitudes = look.pairs[0], look.pairs[1]
    band = DEADBAND * state.range
    targets = (state.target_mean, state.target_amplitude)
    if len(means) < WINDOW or look.all_near(targets, band):
        return None
    mean_error, mean_spread = medians(means, state.target_mean)
    amplitude_error, amplitude_spread = medians(amplitudes, state.target_amplitude)
    wanted = (abs(mean_error) > mean_spread.clip(band)) | (
        abs(amplitude_error) > amplitude_spread.clip(band)
    )
    for window in wanted.nonzero()[0]:
        row = look.row_of(int(window))
        errors = float(mean_error[window]), float(amplitude_error[window])
        small = band / 4
        mean, amplitude = (0.0 if abs(error) <= small else error for error in errors)
        rises = look.clean(int(window)) and not frozen(look, row)
        wish = (max(mean, 0.0), max(amplitude, 0.0)) if rises else (0.0, 0.0)
        wish = _at_most(wish, ONE_RISE * state.range)
        lowered = replace(
            state,
            mean=state.mean + min(mean, 0.0),
            amplitude=state.amplitude + min(amplitude, 0.0),
        )
        after = _raised(lowered, wish)
        changed = (after.mean, after.amplitude) != (state.mean, state.amplitude)
        if changed or (after.saturated and not state.saturated):
            return row, after
    return None


def _still_to_rise(state: Correction, look: Seen) -> tuple[float, float]:
    """Return what of a rise the first row leaves to do: no more than it is short itself.

    A load that comes back by itself must not meet what was to be added.
    """
    if look.spoils_rise(0) or frozen(look, 0):
        return 0.0, 0.0
    return _at_most(state.rise, float(look.short[0]) * state.range)


def _at_most(wish: tuple[float, float], most: float) -> tuple[float, float]:
    """Return what is wished of mean and amplitude, together at most so much [N]."""
    total = sum(wish)
    share = min(1.0, most / total) if total > 0 else 0.0
    return share * wish[0], share * wish[1]


def _next_step(state: Correction, look: Seen) -> tuple[int, Correction] | None:
    """Return a further step of a rise, at the first row."""
    return (0, _raised(state, state.rise)) if look.rows else None


def _raised(state: Correction, wish: tuple[float, float]) -> Correction:
    """Return the state after one step up by what is wished of mean and amplitude [N].

    The upper load rises by the sum of both: they share the allowance. The rest is left to the
    cycles that follow, as far as the authority goes.
    """
    mean, amplitude = _at_most(wish, UPWARD_STEP * state.range)
    left = (wish[0] - mean, wish[1] - amplitude)
    rise = left if sum(left) > HAIR else (0.0, 0.0)
    moved = replace(state, mean=state.mean + mean, amplitude=state.amplitude + amplitude, rise=rise)
    return _bounded(moved)


def _bounded(state: Correction) -> Correction:
    """Return the state with its command within its authority, of upper and lower load alike."""
    limit = AUTHORITY * state.range
    upper = state.mean + state.amplitude - state.settled_mean - state.settled_amplitude
    lower = state.mean - state.amplitude - state.settled_mean + state.settled_amplitude
    over, under = (off - min(max(off, -limit), limit) for off in (upper, lower))
    if max(abs(over), abs(under)) <= HAIR:
        near = max(abs(upper), abs(lower)) > limit - AWAY * state.range
        return replace(state, saturated=state.saturated and near)
    return replace(
        state,
        mean=state.mean - (over + under) / 2,
        amplitude=state.amplitude - (over - under) / 2,
        rise=(0.0, 0.0),
        saturated=True,
    )


def _much_added(state: Correction, look: Seen, row: int) -> bool:
    """Tell whether much had to be added since it settled, with a specimen that is as it was."""
    added = 2 * (state.amplitude - state.settled_amplitude)
    if state.added or not state.settled_softness or added <= ADDED * state.range:
        return False
    now = middle(look.softness[max(look.place_of(row) - WINDOW + 1, 0) : look.place_of(row) + 1])
    return 0 < now <= (1 + AS_IT_WAS) * state.settled_softness


def _ended(state: Correction) -> str:
    """Return words for a command at the end of its authority."""
    above = state.mean + state.amplitude > state.settled_mean + state.settled_amplitude
    follows = "fall short" if above else "stay too high, up to its limit"
    end = f"at the end of its authority, {AUTHORITY:.0%} of range"
    return f"load correction is {end}; the load may {follows}"

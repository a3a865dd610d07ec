"""The lives and ultimate loads of a series as arrays, a group each; what is left out is said."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from rig.lives.withdrawn import with_mode
from rig.samples import FloatArray

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from rig.protocol.series import Life, Series, Ultimate


@dataclass(frozen=True, slots=True)
class LifeGroup:
    """The valid lives of one group, n of them in the order of the file; n may be 0.

    `cycles` float (n,); `failed` bool (n,), False for a run-out and, where one mode is asked for,
    for what failed by another; `ran_out` bool (n,), as recorded. `levels` (load over capacity),
    `concrete` and `concrete_low` (stress over strength), `tendon` [Pa], `wet` and `age` [s] float
    (n,), NaN where nobody told. `batch`, `member` and `modes` None where nobody told.
    """

    name: str
    specimens: tuple[str, ...]
    cycles: FloatArray
    failed: NDArray[np.bool_]
    ran_out: NDArray[np.bool_]
    levels: FloatArray
    concrete: FloatArray
    concrete_low: FloatArray
    tendon: FloatArray
    batch: tuple[str | None, ...]
    member: tuple[str | None, ...]
    modes: tuple[str | None, ...]
    overloaded: tuple[bool, ...]
    wet: FloatArray
    age: FloatArray
    interruptions: FloatArray


@dataclass(frozen=True, slots=True)
class UltimateGroup:
    """The valid ultimate loads [N] of one group, float (n,); `residual` are those after a run-out.

    Residual loads are kept apart: what cycled has a history that its companions have not.
    """

    name: str
    specimens: tuple[str, ...]
    loads: FloatArray
    residual_specimens: tuple[str, ...]
    residual: FloatArray


def groups_of(series: Series, mode: str | None = None) -> tuple[LifeGroup, ...]:
    """Return the lives of each group in the order of the file, void and unknown ones left out.

    With a `mode` what failed by another one counts as withdrawn at its count.
    """
    return tuple(
        _life_group(series, name, [x for x in series.lives if x.group == name and counts(x)], mode)
        for name in series.groups
    )


def ultimates_of(series: Series) -> tuple[UltimateGroup, ...]:
    """Return the ultimate loads of each group in the order of the file, void ones left out."""
    return tuple(
        _ultimate_group(name, [x for x in series.ultimates if x.group == name and has_load(x)])
        for name in series.groups
    )


def left_out(series: Series) -> tuple[str, ...]:
    """Return a line for each entry that no test counts, and why."""
    lives = [(x, why_life_not(x)) for x in series.lives]
    loads = [(x, why_load_not(x)) for x in series.ultimates]
    return tuple(
        f"{entry.specimen} ({entry.group}): {what} left out, {why}"
        for what, entries in (("life", lives), ("ultimate load", loads))
        for entry, why in entries
        if why
    )


def counts(life: Life) -> bool:
    """Tell whether a life is counted: valid, with cycles and an outcome."""
    return life.valid and counts_known(life)


def counts_known(life: Life) -> bool:
    """Tell whether cycles and outcome of a life are known."""
    return life.cycles is not None and life.outcome in ("failure", "run-out")


def has_load(ultimate: Ultimate) -> bool:
    """Tell whether an ultimate load is counted: valid and known."""
    return ultimate.valid and ultimate.load is not None


def why_life_not(life: Life) -> str:
    """Return why a life is not counted, "" where it is."""
    return _why_not(life, known=counts_known(life))


def why_load_not(ultimate: Ultimate) -> str:
    """Return why an ultimate load is not counted, "" where it is."""
    return _why_not(ultimate, known=ultimate.load is not None)


def _why_not(entry: Life | Ultimate, *, known: bool) -> str:
    if not entry.valid:
        return f"void: {entry.void_reason or 'no reason is given'}"
    return "" if known else "its run tells none"


def _life_group(series: Series, name: str, lives: list[Life], mode: str | None) -> LifeGroup:
    cycles = _numbers([life.cycles for life in lives])
    failed = np.array([life.outcome == "failure" for life in lives], dtype=bool)
    modes = tuple(life.mode for life in lives)
    return LifeGroup(
        name=name,
        specimens=tuple(life.specimen for life in lives),
        cycles=cycles,
        failed=failed if mode is None else with_mode(cycles, failed, modes, mode),
        ran_out=~failed,
        levels=_numbers([life.level for life in lives]),
        concrete=_numbers([life.concrete_max for life in lives]),
        concrete_low=_numbers([life.concrete_min for life in lives]),
        tendon=_numbers([life.tendon_range for life in lives]),
        batch=tuple(series.factor(life, "batch") for life in lives),
        member=tuple(life.member for life in lives),
        modes=modes,
        overloaded=tuple(life.overloaded for life in lives),
        wet=_numbers([life.wet for life in lives]),
        age=_numbers([life.age for life in lives]),
        interruptions=_numbers([life.interruptions for life in lives]),
    )


def _ultimate_group(name: str, ultimates: list[Ultimate]) -> UltimateGroup:
    first = [x for x in ultimates if not x.residual]
    after = [x for x in ultimates if x.residual]
    return UltimateGroup(
        name=name,
        specimens=tuple(x.specimen for x in first),
        loads=_numbers([x.load for x in first]),
        residual_specimens=tuple(x.specimen for x in after),
        residual=_numbers([x.load for x in after]),
    )


def _numbers(values: list[float | None]) -> FloatArray:
    """Return numbers as an array, NaN for none."""
    return np.array([np.nan if value is None else value for value in values], dtype=float)

"""The first crack while a specimen is loaded slowly: a 5 % offset from linearity."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

OFFSET: Final = 0.05  # of the line's load; common practice, no source
FIT: Final = (0.10, 0.40)  # of the highest load so far: where the line is fitted
FIT_POINTS: Final = 8
CONFIRM: Final = 3  # points in a row beyond the offset
SURE: Final = 3.3
"""Standard errors of the line that must lie within its offset: one in a thousand for a normal
distribution, one-sided a half of that; a line of few points needs more (`_sure`)."""
RISING: Final = 0.98  # of the largest deflection so far: what still is on the rising branch


@dataclass(frozen=True, slots=True)
class CrackSetup:
    """Rate [1/s], load [N] under which nothing is judged, and seconds averaged to one point."""

    rate: float
    least: float
    average: float = 0.1

    @property
    def group(self) -> int:
        """Samples averaged to one point."""
        return max(1, round(self.average * self.rate))


@dataclass(frozen=True, slots=True, eq=False)
class CrackState:
    """Points on the rising branch (load [N], deflection [m]), shape (2, n), and unfinished ones.

    `samples` (shape (2, n)) wait for their group to be complete; `beyond` counts the points in a
    row beyond the offset, `first` is the first of them (frame, load, deflection).
    """

    points: FloatArray = field(default_factory=lambda: np.empty((2, 0)))
    samples: FloatArray = field(default_factory=lambda: np.empty((2, 0)))
    beyond: int = 0
    first: tuple[int, float, float] = (-1, math.nan, math.nan)

    def to_plain(self) -> dict[str, Any]:
        """Return the state as plain values for a restart point."""
        return {
            "points": self.points.tolist(),
            "samples": self.samples.tolist(),
            "beyond": self.beyond,
            "first": list(self.first),
        }

    @staticmethod
    def from_plain(plain: Mapping[str, Any]) -> CrackState:
        """Return the state that `to_plain` wrote."""
        frame, load, deflection = plain["first"]
        return CrackState(
            np.array(plain["points"], dtype=np.float64).reshape(2, -1),
            np.array(plain["samples"], dtype=np.float64).reshape(2, -1),
            plain["beyond"],
            (frame, load, deflection),
        )


@dataclass(frozen=True, slots=True)
class FirstCrack:
    """Load [N] and net deflection [m] at the offset, `seen` there, knowable at `frame`."""

    frame: int
    seen: int
    load: float
    deflection: float
    text: str


def first_crack(
    setup: CrackSetup,
    state: CrackState,
    first_frame: int,
    load: NDArray[np.float32],
    deflection: NDArray[np.float32],
) -> tuple[CrackState, FirstCrack | None]:
    """Watch one block, shape (frames,), for the first crack; stop asking once it is found.

    Samples are averaged in groups of `setup.group`, counted from the first frame ever given. A
    line (deflection over load, least squares) is fitted to the points of the rising branch
    between 10 and 40 % of the highest load so far; the crack is where the load lies 5 % under
    the line's load at that deflection, in 3 points in a row, once the line is known that well:
    as many of its standard errors there as are sure (the textbook's, of a straight-line fit) lie
    within the offset. On a bilinear curve that cracks at P and goes on with r times the stiffness,
    that is the load 0.95 P (1 - r)/(0.95 - r).
    """
    samples = np.concatenate(
        (state.samples, np.stack((load, deflection)).astype(np.float64)), axis=1
    )
    groups = samples.shape[1] // setup.group
    used = groups * setup.group
    frame = first_frame - state.samples.shape[1]
    means = samples[:, :used].reshape(2, groups, setup.group).mean(axis=2)
    points, beyond, first = state.points, state.beyond, state.first
    found: FirstCrack | None = None
    for index in range(groups):
        force, bent = (float(value) for value in means[:, index])
        last = frame + (index + 1) * setup.group - 1
        if not bent >= RISING * _largest(points) or not math.isfinite(force):
            continue
        points = np.concatenate((points, [[force], [bent]]), axis=1)
        if _line_load(setup, points) * (1 - OFFSET) <= force:
            beyond = 0
            continue
        beyond += 1
        if beyond == 1:
            first = (last, force, bent)
        if beyond == CONFIRM:
            found = _crack(last, first)
            break
    # Without a copy the state would hold on to the whole block.
    return CrackState(points, samples[:, used:].copy(), beyond, first), found


def _largest(points: FloatArray) -> float:
    return float(points[1].max()) if points.shape[1] else -math.inf


def _line_load(setup: CrackSetup, points: FloatArray) -> float:
    """Return the load of the fitted line at the last point's deflection; -inf: not judged yet."""
    force, bent = points
    top = float(force.max())
    fit = (force >= FIT[0] * top) & (force <= FIT[1] * top)
    if top < setup.least or np.count_nonzero(fit) < FIT_POINTS:
        return -math.inf
    x, y = force[fit], bent[fit]
    middle_x, middle_y = float(x.mean()), float(y.mean())
    spread = float(np.square(x - middle_x).sum())
    compliance = float(((x - middle_x) * (y - middle_y)).sum()) / spread if spread else 0.0
    if compliance <= 0:
        return -math.inf
    on_line = middle_x + (float(bent[-1]) - middle_y) / compliance
    # Of few points under a small load the line is a guess, and noise would pass for a crack.
    scatter = float(np.square(y - middle_y - compliance * (x - middle_x)).sum()) / (len(x) - 2)
    doubt = scatter * (1 / len(x) + (on_line - middle_x) ** 2 / spread)
    sure = _sure(len(x) - 2) * math.sqrt(doubt) / compliance <= OFFSET * on_line
    return on_line if sure else -math.inf


def _sure(freedom: int) -> float:
    """Return how many standard errors are sure where the scatter itself is a guess of few points.

    Student's t at 0.9995 is 5.96 for 6 degrees of freedom, 3.92 for 18, 3.29 for many (any table
    of it); this is 6.05, 4.2 and 3.3.
    """
    return SURE * (1 + 5 / freedom)


def _crack(frame: int, first: tuple[int, float, float]) -> FirstCrack:
    seen, load, deflection = first
    text = (
        f"first crack at {load / 1e3:.4g} kN, net deflection {deflection * 1e3:.4g} mm "
        f"(load {OFFSET:.0%} under the line)"
    )
    return FirstCrack(frame, seen, load, deflection, text)

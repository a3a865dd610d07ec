"""One failure mode alone: specimens that ended otherwise count as withdrawn at that life."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from rig.lives.censored import checked
from rig.lives.curves import median_life, product_limit

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from rig.lives.censored import BoolArray

Modes = Sequence[str | None]


@dataclass(frozen=True, slots=True)
class Sensitivity:
    """What the median life [cycles] is for one mode, and between what it lies whatever happened.

    Withdrawal assumes that a specimen which ended otherwise was no nearer to this mode than the
    others. `median` takes that, `median_if_next` has each fail in this mode at the life it was
    withdrawn, `median_if_last` has each outlive all others. None where more than half outlive.
    """

    withdrawn: int
    median: float | None
    median_if_next: float | None
    median_if_last: float | None
    note: str


def with_mode(cycles: ArrayLike, failed: ArrayLike, modes: Modes, mode: str) -> BoolArray:
    """Return which of the lives (n,) failed in one mode; the others are withdrawn there.

    A failure without a mode, or of another one, is withdrawn. ValueError for lives that cannot
    be, or modes that are not one a specimen.
    """
    lives, ends = checked(cycles, failed)
    if len(modes) != len(lives):
        raise ValueError(f"{len(modes)} modes for {len(lives)} lives: one of each a specimen")
    return ends & np.array([one == mode for one in modes], dtype=np.bool_)


def sensitivity(cycles: ArrayLike, failed: ArrayLike, modes: Modes, mode: str) -> Sensitivity:
    """Return what difference it makes how specimens of other modes are taken (see `Sensitivity`).

    Errors as of `with_mode`.
    """
    lives, ends = checked(cycles, failed)
    of_mode = with_mode(lives, ends, modes, mode)
    withdrawn = ends & ~of_mode
    lasting = np.where(withdrawn, lives.max(initial=1.0), lives)
    count = int(withdrawn.sum())
    unknown = sum(1 for one, out in zip(modes, withdrawn, strict=True) if out and one is None)
    note = f"{count} of {len(lives)} withdrawn, as they ended otherwise" if count else ""
    if unknown:
        note += f"; of {unknown} the mode is not known"
    return Sensitivity(
        withdrawn=count,
        median=median_life(product_limit(lives, of_mode)),
        median_if_next=median_life(product_limit(lives, ends)),
        median_if_last=median_life(product_limit(lasting, of_mode)),
        note=note,
    )

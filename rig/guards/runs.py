"""Runs of marked samples across block bounds: what lets an excursion persist."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def first_run(marked: NDArray[np.bool_], carried: int, need: int) -> tuple[int | None, int]:
    """Find the first run of `need` marked samples in a row.

    `marked` has shape (frames,); `carried` samples right before it were marked too. Returns the
    index of the sample that completes the run (None: no run is that long) and the length of the
    run that reaches the end of the block, to be carried on.
    """
    clear = np.flatnonzero(~marked)
    if not len(clear):
        length = carried + len(marked)
        complete = max(need - carried - 1, 0) if length >= need and len(marked) else None
        return complete, length
    # A run complete before this block was told then; it must not trip on its last clear sample.
    bounds = np.concatenate(([-1 - min(carried, need - 1)], clear, [len(marked)]))
    long = np.flatnonzero(np.diff(bounds) > need)
    trailing = int(len(marked) - 1 - clear[-1])
    return (int(bounds[long[0]]) + need if len(long) else None), trailing

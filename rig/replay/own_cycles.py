"""Where the cycles of an imported recording begin, and from which of them on they count."""

from __future__ import annotations

from typing import Final

import numpy as np

from rig.acquire.extract import begin
from rig.protocol.plan import Plan
from rig.replay.by_samples import OwnCycles
from rig.replay.recording import Recording
from rig.samples import FloatArray

FIRST_MIDDLE: Final = 2.0  # [s] whose median load is the first middle
FIRST_SPAN: Final = 0.05  # of the target range: the first cycles may be small


def own_cycles(recording: Recording, plan: Plan) -> OwnCycles:
    """Return how the cycles of a recording are found in its samples.

    They count as they were counted when it was imported: from its first counted row on.
    """
    first, load = _opening(recording)
    loading = plan.loading
    span = FIRST_SPAN * loading.range if loading is not None else 0.0
    start = begin(float(np.nanmedian(load)), span, first)
    rows = next(iter(recording.rows(size=1)), None)
    if rows is None or not recording.count("build_up"):
        return OwnCycles(start, first)
    # The last cycle before is known only after it has ended; half a cycle later it surely is.
    half = int(rows.end[0] - rows.begin[0]) // 2
    return OwnCycles(start, int(rows.begin[0]) + half)


def _opening(recording: Recording) -> tuple[int, FloatArray]:
    """Return the first frame and the load [N] of the first seconds."""
    wanted = round(FIRST_MIDDLE * recording.rate)
    record = next(recording.full_rate())
    load = record.values[record.channels.index("load")][:wanted]
    return record.first_frame, np.asarray(load, np.float64)

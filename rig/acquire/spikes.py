"""Lone spikes: one sample that jumps away further than the signal could, and comes back.

Contactors and welders make them. A jump counts when it is more than 20 % of the signal's range
and more than 1 % of what the channel can measure (so noise on a channel at rest is none); both
are common practice, no source.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from rig.samples import SampleArray

JUMP: Final = 0.20  # of the range
FLOOR: Final = 0.01  # of what the channel can measure


def lone(signal: SampleArray, jump: float) -> NDArray[np.bool_]:
    """Return which samples (frames,) stand off both neighbours, to one side, by more than `jump`.

    The first and the last sample never do; nor does one beside a missing sample.
    """
    result = np.zeros(len(signal), np.bool_)
    if len(signal) > 2:
        ahead, behind = signal[1:-1] - signal[:-2], signal[1:-1] - signal[2:]
        result[1:-1] = (np.minimum(ahead, behind) > jump) | (np.maximum(ahead, behind) < -jump)
    return result

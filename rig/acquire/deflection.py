"""Net deflection: mid-span minus the mean over the supports."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Final

import numpy as np

from rig.samples import SampleArray, SampleBlock

SUPPORTS: Final = ("support_left", "support_right")


def net_deflection(block: SampleBlock, out: SampleArray | None = None) -> SampleArray:
    """Return the net deflection [m], shape (frames,); mid-span alone where no support is measured.

    One support stands for both. `out` (at least frames long) takes the values where given.
    """
    midspan = block.of("midspan")
    present = [block.of(name) for name in SUPPORTS if name in block.channels]
    if not present:
        return midspan
    support = present[0] if len(present) == 1 else np.float32(0.5) * (present[0] + present[1])
    room = np.empty(block.frames, np.float32) if out is None else out[: block.frames]
    return np.subtract(midspan, support, out=room)


def net_of(values: Mapping[str, float], channels: Collection[str]) -> float:
    """Return the net deflection [m] of single values [m], as of the `channels` of a rig.

    A channel that has no value counts as 0.
    """
    present = [values.get(name, 0.0) for name in SUPPORTS if name in channels]
    return values.get("midspan", 0.0) - (sum(present) / len(present) if present else 0.0)

"""What a person should know of imported columns and samples beside what was found in them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from rig.replay.cycle_rows import tells_stiffness
from rig.replay.found_channels import Measure
from rig.replay.headings import NET, Layout
from rig.replay.spacing import Frames
from rig.samples import SampleArray

FEW_SAMPLES: Final = 10
"""A cycle: with so many the largest of a sine lies up to 2.4 % of its range off the extreme."""


@dataclass(slots=True)
class Way:
    """How far the load [N] went in all, from one sample to the next."""

    whole: float = 0.0
    steps: int = 0

    def add(self, load: SampleArray) -> None:
        """Take the next samples, shape (n,); from one piece to the next nothing is counted."""
        steps = np.abs(np.diff(load.astype(np.float64)))
        self.whole += float(np.nansum(steps))
        self.steps += int(np.isfinite(steps).sum())

    def samples_a_cycle(self, load: Measure) -> float:
        """Return the samples in which the load goes up and down its range, at the most."""
        return 2 * (load.high - load.low) * self.steps / self.whole if self.whole else np.inf


def sample_notes(
    layout: Layout, frames: Frames, measures: Mapping[str, Measure], way: Way, *, from_zero: bool
) -> Iterator[str]:
    """Yield what is odd about samples; `from_zero` tells that test time begins with their times."""
    if from_zero and frames.first_time < 0:
        yield f"times begin at {frames.first_time:g} s: test time begins there with 0"
    if layout.computed:
        yield f"{NET} is computed from mid-span and supports; its column is left out"
    names = {NET: "midspan"}
    read = [names.get(c.name, c.name) for c in layout.columns if c.name != "time"]
    if "midspan" not in read:
        yield (
            "no mid-span and no deflection: stiffness is not known, all cycles are flagged long-gap"
        )
    for name in read:
        empty = measures[name].missing - frames.gaps.total
        if empty > 0:
            yield f"{name}: {empty:,} of {frames.rows:,} values are missing"
    if (few := way.samples_a_cycle(measures["load"])) < FEW_SAMPLES:
        yield (
            f"the load goes up and down in about {few:.1f} samples: too few to count its cycles "
            "and to know their extremes"
        )


def row_notes(layout: Layout) -> Iterator[str]:
    """Yield what rows of cycles with such columns do not tell."""
    if not tells_stiffness(layout):
        yield (
            "stiffness is not known, and its loss not judged: it takes the largest and the least "
            "load and deflection, or a column of it"
        )
    if layout.column("time") is None:
        yield "no times: each cycle is given one second"

"""What the texts of a run ask for: loads, capacity, baseline, criteria, run-out, sizes."""

from __future__ import annotations

from functools import cached_property
from itertools import pairwise
from typing import Any

from quantities import CYCLES, FORCE, FRACTION, FREQUENCY, LENGTH, written
from run_file import RunFile


class Asked:
    """What protocol, series and specimen file of a run say, in SI."""

    def __init__(self, run: RunFile) -> None:
        self.run = run
        self.protocol = run.toml("protocol")
        self.specimen = run.toml("specimen")

    @cached_property
    def loading(self) -> dict[str, Any]:
        """The table [loading] as written."""
        return self.protocol["loading"]

    @cached_property
    def capacity(self) -> float:
        """The capacity [N]: as written, or the mean of the series's companions."""
        if "capacity" in self.loading:
            return written(self.loading["capacity"], FORCE)
        exposure = self.loading["capacity_from"].rpartition(":")[2].strip()
        series = self.run.toml("series")
        of_it = {n for n, group in series["groups"].items() if group["exposure"] == exposure}
        loads = [
            written(one["load"], FORCE)
            for one in series["ultimate"]
            if one["group"] in of_it and one.get("valid", True) and not one.get("residual", False)
        ]
        return sum(loads) / len(loads)

    def load(self, which: str) -> float:
        """Return the "upper" or "lower" load [N]."""
        text = self.loading[which]
        if text.rstrip().endswith("%"):
            return written(text, FRACTION) * self.capacity
        return written(text, FORCE)

    @cached_property
    def upper(self) -> float:
        """Upper load [N]."""
        return self.load("upper")

    @cached_property
    def lower(self) -> float:
        """Lower load [N]."""
        return self.load("lower")

    @property
    def frequency(self) -> float:
        """Frequency asked for [Hz]."""
        return written(self.loading["frequency"], FREQUENCY)

    @cached_property
    def baseline(self) -> tuple[int, int]:
        """First and last counted cycle of the baseline."""
        table = self.protocol.get("baseline", {})
        first = written(table.get("from", "2000 cycles"), CYCLES)
        return int(first), int(written(table.get("to", "3000 cycles"), CYCLES))

    @cached_property
    def criterion(self) -> dict[str, str]:
        """The table stiffness_loss of [failure]."""
        return self.protocol.get("failure", {}).get("stiffness_loss", {})

    @cached_property
    def window(self) -> int:
        """Return of how many cycles the median is judged."""
        if not self.criterion:
            return 100
        return min(int(written(self.criterion.get("confirm", "100 cycles"), CYCLES)), 100)

    def share(self, name: str) -> float:
        """Return "stop" or "warn" of the stiffness loss, a fraction."""
        return written(self.criterion[name], FRACTION)

    @property
    def run_out(self) -> float:
        """Run-out of the first cyclic stage."""
        stages = [s for s in self.protocol["stage"] if s["kind"] == "cyclic"]
        return written(stages[0]["run_out"], CYCLES)

    def inspections(self, cycles: int) -> int:
        """Return how many inspections are asked for below a count of cycles."""
        table = self.protocol.get("inspections", {})
        if not any(stage["kind"] == "cyclic" for stage in self.protocol["stage"]):
            return 0
        at = [int(written(one, CYCLES)) for one in table.get("at", [])]
        count = sum(one < cycles for one in at)
        if "then_every" in table:
            every, last = int(written(table["then_every"], CYCLES)), max(at, default=0)
            count += sum(one > last for one in range(every, cycles, every))
        return count

    def size(self, name: str) -> float:
        """Return a length [m] of the specimen's geometry."""
        return written(self.specimen["geometry"][name], LENGTH)

    @property
    def shear_span(self) -> float:
        """Distance [m] from a support to the load beside it."""
        return (self.size("span") - self.size("load_spacing")) / 2

    def outline(self) -> list[tuple[float, float, float, float]]:
        """Return slices of the section: top, bottom, width at the top and at the bottom [m]."""
        shape = self.specimen["geometry"]["shape"]
        if shape == "general":
            points = [
                (written(y, LENGTH), written(b, LENGTH))
                for y, b in self.specimen["geometry"]["outline"]
            ]
            points.insert(0, (0.0, points[0][1]))
            pairs = pairwise(points)
            return [(y, z, b, c) for (y, b), (z, c) in pairs if z > y]
        wide = self.size("width")
        below = self.size("width_bottom") if shape == "trapezoid" else wide
        return [(0.0, self.size("height"), wide, below)]

"""What samples of run.h5 tell: loops of cycles, slow loadings, first crack, and about the stop."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
from run_file import RunFile

Curve = dict[str, np.ndarray]
BEFORE, AFTER = 60.0, 10.0
OFFSET, SURE, RISING = 0.05, 3.3, 0.98


def ends(values: np.ndarray, what: str) -> float:
    """Return the smallest or largest value, NaN where there is none."""
    known = values[~np.isnan(values)]
    return math.nan if not len(known) else float(known.min() if what == "min" else known.max())


class Samples:
    """Samples of a run, read where they are asked for."""

    def __init__(self, run: RunFile) -> None:
        self.run = run
        self.rate = float(run.attributes["rate"])

    def _kept(self, name: str, first: int, last: int) -> np.ndarray:
        return self.run.file[f"full_rate/{name}"][first:last].astype(np.float64)

    def channels(self, first: int, last: int) -> Curve:
        """Return load, net deflection and stroke of a part of the datasets of /full_rate."""
        there = set(self.run.file["full_rate"])
        made = {n: self._kept(n, first, last) for n in ("load", "stroke") if n in there}
        if "deflection" in there and not np.isnan(self._kept("deflection", first, last)).all():
            made["deflection"] = self._kept("deflection", first, last)
        elif "midspan" in there:
            sides = [f"support_{side}" for side in ("left", "right")]
            kept = [self._kept(n, first, last) for n in sides if n in there]
            feet = [k.astype(np.float32) for k in kept if not np.isnan(k).all()]
            made["deflection"] = self._kept("midspan", first, last).astype(np.float32)
            if feet:
                foot = feet[0] if len(feet) == 1 else np.float32(0.5) * (feet[0] + feet[1])
                made["deflection"] = made["deflection"] - foot
        return {name: values.astype(np.float64) for name, values in made.items()}

    def loop(self, number: int) -> Curve:
        """Return a counted cycle, sample by sample."""
        row = number - 1
        begun = self.run.file["cycles/time"][row] * self.rate
        length = self.rate / float(self.run.file["cycles/frequency"][row])
        first, last = math.ceil(begun), math.ceil(begun + length)
        for record in self.run.rows("full_rate"):
            at = first - record["first_frame"]
            whole = record["rate"] == self.rate and last - record["first_frame"] <= record["frames"]
            if whole and at >= 0:
                begin = record["offset"] + at
                return self.channels(begin, begin + last - first)
        raise KeyError(f"cycle {number} was not kept whole")

    @cache  # noqa: B019 - one run a program
    def static(self, index: int) -> Curve:
        """Return load and net deflection of a slow loading."""
        begin = int(self.run.file["static/offset"][index])
        end = begin + int(self.run.file["static/frames"][index])
        data = self.run.file["static/samples"]
        return {n: data[n][begin:end].astype(np.float64) for n in ("load", "deflection")}

    def of_static(self, index: int, *what: str) -> tuple[float, str]:
        """Return one number of a slow loading, and its unit."""
        curve = self.static(index)
        if what[0] == "first_crack":
            load, bent = self.first_crack(index)
            return (load, "N") if what[1] == "load" else (bent, "m")
        if what == ("deflection", "at_load_max"):
            return float(curve["deflection"][np.nanargmax(curve["load"])]), "m"
        return ends(curve[what[0]], what[1]), "N" if what[0] == "load" else "m"

    def drawn(self) -> int:
        """Return how many slow loadings have a sample of both."""
        count = len(self.run.file["static/time"])
        curves = [self.static(i) for i in range(count)]
        return sum(bool(np.isfinite(c["load"] + c["deflection"]).any()) for c in curves)

    def stop(self) -> float:
        """Return the test time [s] at which the test was last stopped."""
        events = self.run.events
        told = [e for e in events if e["kind"] == "state" and e["text"].startswith("stopping")]
        told = told or [e for e in events if e["kind"] == "verdict"]
        return float(told[-1]["time"] if told else self.run.attributes["ended_time"])

    @cache  # noqa: B019 - one run a program
    def about_stop(self) -> tuple[np.ndarray, Curve]:
        """Return times from the stop [s], and channels."""
        at = self.stop()
        first, last = round((at - BEFORE) * self.rate), round((at + AFTER) * self.rate)
        parts = []
        records = [r for r in self.run.rows("full_rate") if r["rate"] == self.rate]
        named = [r for r in records if r["label"] == "stop"]
        for chosen in (named, records):
            for record in sorted(chosen, key=lambda r: r["first_frame"]):
                begin = max(first, record["first_frame"])
                end = min(last, record["first_frame"] + record["frames"])
                if end > begin:
                    shift = record["offset"] - record["first_frame"]
                    frames = np.arange(begin, end)
                    parts.append((frames, self.channels(begin + shift, end + shift)))
            if parts:
                break
        times = np.concatenate([frames for frames, _ in parts]) / self.rate - at
        names = parts[0][1]
        return times, {n: np.concatenate([c[n] for _, c in parts]) for n in names}

    def of_stop(self, name: str, side: str, what: str) -> tuple[float, str]:
        """Return an extreme of a channel before or after the stop."""
        times, channels = self.about_stop()
        kept = times < 0 if side == "before" else times >= 0
        return ends(channels[name][kept], what), "N" if name == "load" else "m"

    def first_crack(self, index: int) -> tuple[float, float]:
        """Return load and net deflection of the first crack of a slow loading.

        Points on the rising branch: those that are bent by 98 % of the largest before them. A line
        of deflection over load through those between 10 and 40 % of the highest load so far; the
        crack is the first of three in a row whose load is 5 % below the line's, once the line's
        load there is known to 5 % by 3.3 (1 + 5 / degrees of freedom) standard errors.
        """
        curve = self.static(index)
        peak = int(np.nanargmax(curve["load"])) + 1
        load, bent = curve["load"][:peak], curve["deflection"][:peak]
        known = np.isfinite(load + bent)
        group = max(1, round(max(1.0, known.sum() / 1500)))
        whole = known.sum() // group * group
        # Single precision and then the mean, as the record's samples are.
        x = load[known][:whole].reshape(-1, group).mean(axis=1)
        y = bent[known][:whole].reshape(-1, group).mean(axis=1)
        least, row = 0.05 * float(curve["load"][peak - 1]), 0
        most = -math.inf
        taken: list[int] = []
        for place in range(len(x)):
            if not y[place] >= RISING * most:
                continue
            most = max(most, y[place])
            taken.append(place)
            row = row + 1 if _beyond(x[taken], y[taken], least) else 0
            if row == 3:
                return float(x[taken[-3]]), float(y[taken[-3]])
        raise KeyError("no first crack")


def _beyond(load: np.ndarray, bent: np.ndarray, least: float) -> bool:
    """Tell whether the last point lies under the line by the offset, as far as it is known."""
    top = load.max()
    fit = (load >= 0.1 * top) & (load <= 0.4 * top)
    count = int(fit.sum())
    if top < least or count < 8:
        return False
    x, y = load[fit], bent[fit]
    slope, start = np.polynomial.polynomial.polyfit(x - x.mean(), y, 1)[::-1]
    if slope <= 0:
        return False
    line = x.mean() + (bent[-1] - start) / slope
    scatter = ((y - start - slope * (x - x.mean())) ** 2).sum() / (count - 2)
    spread = ((x - x.mean()) ** 2).sum()
    error = math.sqrt(scatter * (1 / count + (line - x.mean()) ** 2 / spread)) / slope
    sure = SURE * (1 + 5 / (count - 2)) * error <= OFFSET * line
    return bool(sure and load[-1] < (1 - OFFSET) * line)

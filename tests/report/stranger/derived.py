"""What is worked out from several places of run.h5: every key that begins with `derived`."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from datetime import date, datetime
from functools import cached_property
from typing import Any

import numpy as np
from protocol_read import Asked
from run_file import RunFile
from samples import Samples, ends
from section import Section

Value = tuple[Any, str]
"""A number [SI] with its unit, or words with the unit ""."""
NUMBER = r"([\d,]+(?:\.\d+)?(?:e[+-]?\d+)?)"


def number_in(text: str, before: str) -> float:
    """Return the number that follows some words in a text, NaN where they are not there."""
    found = re.search(re.escape(before) + " " + NUMBER, text)
    return float(found[1].replace(",", "")) if found else math.nan


def covered(spans: Iterable[tuple[float, float]]) -> float:
    """Return what spans cover together: times in two of them count once."""
    ends: list[tuple[float, int]] = []
    for begin, end in spans:
        ends += [(begin, 1), (end, -1)]
    total, depth, since = 0.0, 0, 0.0
    for at, change in sorted(ends):
        total += at - since if depth else 0.0
        depth, since = depth + change, at
    return total


def statistic(values: np.ndarray, what: str) -> float:
    """Return a statistic of the values that are numbers; of "first" and "last" whatever stands."""
    if what in {"first", "last"}:
        return float(values[0 if what == "first" else -1])
    known = values[~np.isnan(values)].astype(np.float64)
    if not len(known):
        return math.nan
    made = {"min": np.min, "max": np.max, "mean": np.mean, "median": np.median, "sum": np.sum}
    return float(made[what](known))


class Derived:
    """Works keys out; a method for each group of them, named by the word behind `derived`.

    `shown` are the keys of the rows in the report's own table of events, `pictures` the different
    ones that standing entries of the crack log name.
    """

    def __init__(self, run: RunFile, shown: set[str], pictures: set[str]) -> None:
        self.run = run
        self.shown = shown
        self.pictures = pictures
        self.asked = Asked(run)
        self.samples = Samples(run)

    def value(self, words: list[str]) -> Value:
        """Return what a key stands for; `words` are those of the key behind `derived`."""
        name, rest = words[0], words[1:]
        if name.startswith("end_slip_"):
            return self._slip(name, *rest)
        if name.endswith("_range") and rest:
            return self._range(name.removesuffix("_range"), rest)
        found = getattr(self, f"_{name}", None)
        if found is None:
            raise KeyError(".".join(words))
        made: Value = found(*rest)
        return made

    # Loads and what was asked for.

    def _upper_load(self) -> Value:
        return self.asked.upper, "N"

    def _lower_load(self) -> Value:
        return self.asked.lower, "N"

    def _capacity(self) -> Value:
        return self.asked.capacity, "N"

    def _level(self) -> Value:
        return self.asked.upper / self.asked.capacity, "%"

    def _stress_ratio(self) -> Value:
        return self.asked.lower / self.asked.upper, "ratio"

    def _frequency(self) -> Value:
        return self.asked.frequency, "Hz"

    def _run_out(self) -> Value:
        return self.asked.run_out, "1"

    def _share_of_run_out(self) -> Value:
        return self.run.attributes["cycles"] / self.asked.run_out, "%"

    def _residual_share(self) -> Value:
        return self.run.attributes["residual_load"] / self.asked.capacity, "%"

    @cached_property
    def _section(self) -> Section:
        return Section(self.asked)

    @cached_property
    def _stresses(self) -> tuple[float, float, float]:
        section = self._section
        (low, below), (high, above) = (
            section.under(p) for p in (self.asked.lower, self.asked.upper)
        )
        most = max((b - a for a, b in zip(below, above, strict=True)), default=0.0)
        return low / section.strength, high / section.strength, most

    def _concrete_min(self) -> Value:
        return self._stresses[0], "ratio"

    def _concrete_max(self) -> Value:
        return self._stresses[1], "ratio"

    def _tendon_range(self) -> Value:
        return self._stresses[2], "Pa"

    def _shear_span(self) -> Value:
        return self.asked.shear_span, "m"

    def _largest_width(self) -> Value:
        return max(max(b, c) for _, _, b, c in self.asked.outline()), "m"

    def _height(self) -> Value:
        return self.asked.outline()[-1][1], "m"

    def _age(self) -> Value:
        cast = self.asked.specimen["history"]["cast"]
        day = cast.date() if isinstance(cast, datetime) else cast
        began = datetime.fromisoformat(self.run.attributes["started_utc"]).date()
        assert isinstance(day, date)
        return (began - day).days * 86400.0, "s"

    # Stiffness.

    def _baseline(self, which: str) -> Value:
        return self.asked.baseline[("first", "last").index(which)], "1"

    def median(self, first: int, last: int) -> float:
        """Return the median stiffness [N/m] over counted cycles, both ends among them."""
        return statistic(self.run.column("cycles", "stiffness")[max(first, 1) - 1 : last], "median")

    def _stiffness_loss(self, *how: str) -> Value:
        base = self.median(*self.asked.baseline)
        if how == ("stop",):
            return self.asked.share("stop"), "%"
        if how == ("first_seen",):
            after = self.asked.baseline[1]
            stiffness = self.run.column("cycles", "stiffness")[after:].astype(np.float64)
            low = np.flatnonzero(stiffness <= (1 - self.asked.share("stop")) * base)
            return after + 1 + int(low[0]), "1"
        at = int(how[1]) if how[:1] == ("at",) else self.run.upto
        if not base > 0:
            return math.nan, "%"
        return 1 - self.median(at - self.asked.window + 1, at) / base, "%"

    def _median_window(self) -> Value:
        return self.asked.window, "1"

    def _loss(self, which: str) -> Value:
        return self.asked.share(which), "%"

    # Cycles.

    def _range(self, channel: str, what: list[str]) -> Value:
        values = self.run.cycles_range(channel)
        unit = "strain" if channel.startswith("strain_") else "m"
        if what[0] == "at":
            return float(values[int(what[1]) - 1]), unit
        return statistic(values, what[0]), unit

    def _number(self, of: str, column: str, what: str) -> Value:
        assert of == "of"
        values = self.run.cycles_range(column.removesuffix("_range"))
        return place(values, what), "1"

    def _overload(self, percent: str, what: str) -> Value:
        over = self.run.column("cycles", "load_max") > int(percent) / 100 * self.asked.upper
        return (int(np.argmax(over)) + 1 if what == "first" else int(over.sum())), "1"

    @cached_property
    def _farthest(self) -> list[tuple[float, int]]:
        high = self.run.column("cycles", "load_max").astype(np.float64)
        low = self.run.column("cycles", "load_min").astype(np.float64)
        off = np.maximum(abs(high - self.asked.upper), abs(low - self.asked.lower))
        rows = [int(row) for row in np.argsort(-off, kind="stable")[:50]]
        return [(float(off[row]), row) for row in rows if not math.isnan(off[row])]

    def _worst(self, at: str, what: str) -> Value:
        off, row = self._farthest[int(at)]
        high = float(self.run.column("cycles", "load_max")[row])
        low = float(self.run.column("cycles", "load_min")[row])
        found: dict[str, Value] = {
            "number": (row + 1, "1"),
            "load_max": (high, "N"),
            "load_min": (low, "N"),
            "off": (off, "N"),
            "of_upper": (high / self.asked.upper, "%"),
        }
        return found[what]

    def _slip(self, column: str, which: str) -> Value:
        most = {"onset": 0.025e-3, "mark": 0.1e-3}[which]
        over = self.run.column("cycles", column).astype(np.float64) >= most
        return (int(np.argmax(over)) + 1 if over.any() else math.nan), "1"

    def _static_loss(self) -> Value:
        data = {
            n: self.run.file[f"static/{n}"][:] for n in ("cycle", "stiffness", "reopening_load")
        }
        known = np.isfinite(data["stiffness"] + data["reopening_load"]) & (data["cycle"] > 0)
        stiffness = data["stiffness"][known]
        return 1 - stiffness[-1] / stiffness[0], "%"

    def _samples_a_cycle(self) -> Value:
        median = statistic(self.run.column("cycles", "frequency"), "median")
        return self.run.attributes["rate"] / median, "ratio"

    def _rows(self, table: str) -> Value:
        if table == "cycles":
            return self.run.upto, "1"
        return len(self.run.file[f"{table}/flags"]), "1"

    def _after_end(self) -> Value:
        return len(self.run.file["cycles/flags"]) - self.run.upto, "1"

    def _missing(self, column: str) -> Value:
        return int(np.isnan(self.run.column("cycles", column)).sum()), "1"

    # Samples.

    def _loop(self, number: str, channel: str, what: str) -> Value:
        values = self.samples.loop(int(number))[channel]
        return ends(values, what), "N" if channel == "load" else "m"

    def _static(self, which: str, *what: str) -> Value:
        if which == "drawn":
            return self.samples.drawn(), "1"
        return self.samples.of_static(int(which), *what)

    def _stop(self, *what: str) -> Value:
        return (self.samples.stop(), "s") if what == ("time",) else self.samples.of_stop(*what)

    def _effective_prestress(self, index: str, what: str = "") -> Value:
        load = float(self.run.file["static/reopening_load"][int(index)])
        if what in {"low", "high"}:
            told = [e["text"] for e in self.run.events if e["kind"] == "static"]
            text = told[int(index)] if len(told) == len(self.run.file["static/time"]) else ""
            ends_of = re.search(r"95 % interval (-?[\d.]+) to (-?[\d.]+)\)", text)
            load = 1e3 * float(ends_of[1 + (what == "high")]) if ends_of else math.nan
        share, stress = self._section.effective_prestress(load)
        return (share, "%") if what == "share" else (stress, "Pa")

    # Water, rests, zeros.

    def _water(self, what: str, at: str = "") -> Value:
        rows, events = self.run.rows("spray"), self.run.events
        if what == "wet":
            return covered((r["time_on"], r["time_off"]) for r in rows if r["confirmed"]), "s"
        if what == "unconfirmed":
            return sum(r["time_off"] - r["time_on"] for r in rows if not r["confirmed"]), "s"
        if what == "volume":
            return math.fsum(r["volume"] for r in rows), "m3"
        if what == "missed":
            return sum(e["text"].startswith("spray period missed") for e in events), "1"
        if what == "dry_spells":
            dry = [e for e in events if e["kind"] == "deviation"]
            return sum(e["text"].startswith("was dry for") for e in dry), "1"
        assert what == "dry"
        return 3600 * number_in(events[int(at)]["text"], "was dry for"), "s"

    def _spray(self, at: str, what: str) -> Value:
        assert what == "lasted"
        row = self.run.rows("spray")[int(at)]
        return row["time_off"] - row["time_on"], "s"

    def _interruptions(self, what: str) -> Value:
        rows = self.run.rows("interruptions")
        free = [r for r in rows if re.search(r"; unloaded\b", r["text"])]
        if what in {"sum", "unloaded"}:
            which = rows if what == "sum" else free
            return covered((r["time"], r["time"] + r["duration"]) for r in which), "s"
        if what == "long":
            return sum(r["duration"] > 86400 for r in free), "1"
        assert what == "late"
        return sum(r["cycle"] > 100_000 for r in free), "1"

    def _inspections(self, what: str) -> Value:
        until = self.run.attributes["cycles"]
        asked = self.asked.inspections(until)
        if what == "asked":
            return asked, "1"
        assert what == "left"
        held = sum(row["cycle"] <= until for row in self.run.rows("inspections"))
        return max(asked - held, 0), "1"

    def _zero_shift(self, at: str) -> Value:
        rows = self.run.rows("zeros")
        row = rows[int(at)]
        read = (r for r in rows if not r["text"].startswith("moved: "))
        first = next(r for r in read if r["channel"] == row["channel"])
        unit = self.channel_unit(row["channel"])
        return row["value"] - first["value"], "K difference" if unit == "K" else unit

    def channel_unit(self, channel: str) -> str:
        """Return the SI unit of a channel; that of strains is named strain."""
        if channel.startswith("strain_"):
            return "strain"
        if channel == "deflection":
            return "m"
        rows = self.run.rows("calibration")
        return next(r["unit"] for r in rows if r["channel"] == channel)

    # What events tell.

    def _prestress(self, at: str) -> Value:
        if at == "None":
            return math.nan, "Pa"
        return 1e6 * number_in(self.run.events[int(at)]["text"], "effective prestress"), "Pa"

    def _events(self, kinds: str, what: str = "") -> Value:
        if kinds == "left_out":
            return len(self.run.events) - len(self.shown), "1"
        assert what == "count"
        which = [kind.replace("_", " ") for kind in kinds.split("+")]
        return sum(e["kind"] in which for e in self.run.events), "1"

    def _pictures(self, what: str) -> Value:
        count, most = len(self.pictures), 20
        return (min(count, most) if what == "shown" else count - min(count, most)), "1"

    def _foretold(self, event: dict[str, Any]) -> tuple[float, float, float] | None:
        found = re.search(
            rf"expected at cycle {NUMBER}.*? between {NUMBER} and {NUMBER}", event["text"]
        )
        if found is None or event["kind"] != "forecast":
            return None
        middle, low, high = (float(one.replace(",", "")) for one in found.groups())
        return middle, low, high

    def _forecast(self, which: str, what: str = "") -> Value:
        true = self.run.attributes["cycles"]
        if which in {"count", "inside"}:
            all_of_them = [t for t in map(self._foretold, self.run.events) if t is not None]
            held = [t for t in all_of_them if t[1] <= true <= t[2]]
            return len(held if which == "inside" else all_of_them), "1"
        told = self._foretold(self.run.events[int(which)])
        assert told is not None
        if what in {"ratio", "error"}:
            ratio = told[0] / true
            return (ratio if what == "ratio" else math.log10(ratio)), "ratio"
        return told[("median", "low", "high").index(what)], "1"

    def _ultimate(self, what: str) -> Value:
        why = self.run.attributes["why"]
        told = (("ultimate load", "at net deflection"), ("it had held", "at"))
        ends = [why.partition(words)[2] for words, _ in told]
        loads = [number_in(f" {end}", "") for end in ends]
        most = max(range(len(told)), key=lambda at: -1.0 if math.isnan(loads[at]) else loads[at])
        if what == "load":
            return 1e3 * loads[most], "N"
        return 1e-3 * number_in(ends[most], told[most][1]), "m"


def place(values: np.ndarray, what: str) -> int:
    """Return the number, from 1, of the first largest or smallest value."""
    return int(np.nanargmax(values) if what == "max" else np.nanargmin(values)) + 1

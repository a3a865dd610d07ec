"""What each key of a page stands for in run.h5, by the table of keys in the README."""

from __future__ import annotations

import hashlib
import re
from datetime import date, datetime, timedelta
from typing import Any

import quantities
from crack_log import Stranger
from derived import Derived, Value, place, statistic
from quantities import written
from run_file import LISTS, TEXTS, RunFile

CONSTANTS: dict[str, Value] = {
    "overloaded": (1.02, "%"),
    "marked": (1.05, "%"),
    "dry": (7200.0, "s"),
    "long_interruption": (86400.0, "s"),
    "late_unloading": (100_000, "1"),
    "events_shown": (200, "1"),
    "rows_shown": (200, "1"),
    "end_cycles": (100, "1"),
    "before_stop": (60.0, "s"),
    "worst": (20, "1"),
    "after_stop": (10.0, "s"),
    "interval": (0.95, "%"),
    "crack_offset": (0.05, "%"),
    "length_window": (25, "1"),
    "slip_onset": (0.025e-3, "m"),
    "slip_mark": (0.1e-3, "m"),
    "ROWS": (15, "1"),
    "LONGEST": (400, "1"),
}
"""What a report itself sets."""
FLAGS = {
    "short": "range under 95 % of target",
    "gap": "samples missing, up to 5 % of the cycle: used",
    "long-gap": "more samples missing: not judged",
    "overload": "largest load above 102 % of upper",
    "spray": "water was on",
    "corrected": "the load command changed",
    "spike": "an excursion that no physical speed allows",
    "load-spike": "and it is one of the load",
}
"""What flags mean, by the README."""
ATTRIBUTES = {
    **{"cycles": "1", "version": "1", "ended_time": "s", "rate": "Hz"},
    **{"residual_load": "N", "residual_deflection": "m"},
}
"""Root attributes that are numbers, with their units [SI]."""
BY_UNIT = {
    **{
        "N": quantities.FORCE,
        "m": quantities.LENGTH,
        "Pa": quantities.STRESS,
        "m2": quantities.AREA,
    },
    **{"Hz": quantities.FREQUENCY, "%": quantities.FRACTION, "1": quantities.CYCLES},
    **{"kg/m3": quantities.DENSITY},
}


LOSS = re.compile(r"derived\.(stiffness_loss\.(last|at\.\d+)|static_loss)")
RESIDUAL = re.compile(r"static\.\d+\.residual")


class Keys:
    """Finds what keys stand for. Raises KeyError and the like for one that is not known.

    `on_page` are all keys of the page.
    """

    def __init__(self, run: RunFile, on_page: set[str]) -> None:
        self.run = run
        self.path = run.path
        self.cracks = Stranger(run.path)
        shown = {key for key in on_page if re.fullmatch(r"events\.\d+\.kind", key)}
        pictures = {row["picture"] for row in self.cracks.entry.values()} - {""}
        self.derived = Derived(run, shown, pictures)
        self.began = datetime.fromisoformat(run.attributes["started_utc"])

    def value(self, key: str, unit: str) -> Value:
        """Return what a key stands for; `unit` is that which the page names, "" for words."""
        head, *rest = key.split(".")
        if head == "attr":
            (name,) = rest
            value = self.run.attributes[name]
            return (value, ATTRIBUTES[name]) if unit else (str(value), "")
        if head in {"cycles", "build_up"}:
            return self._column(head, rest)
        if head == "derived":
            return self.derived.value(rest)
        if head == "cracks" and not (rest[0].isdigit() or rest == ["count"]):
            return self._of_cracks(key, unit)
        if head in LISTS:
            return self._row(head, rest)
        if head == "static":
            return self._static(rest)
        if head == "slow":
            return self._slow(rest)
        if head in TEXTS:
            return self._written(head, rest, unit)
        return self._other(head, rest)

    def step(self, key: str) -> float:
        """Return the step [SI] below which a number need not be shown, 0 where there is none."""
        if LOSS.fullmatch(key):
            return 1e-4
        if not RESIDUAL.fullmatch(key):
            return 0.0
        steps = {row["channel"]: row["resolution"] for row in self.run.rows("calibration")}
        return float(steps.get("deflection", steps.get("midspan", 0.0)))

    def moment(self, key: str) -> datetime:
        """Return the moment that a key stands for."""
        if key == "attr.started_utc":
            return self.began
        assert key.startswith("derived.utc.")
        head, *rest = key.removeprefix("derived.utc.").split(".")
        if head == "attr":
            time = self.run.attributes[rest[0]]
        elif head == "static":
            time = self.run.file["static/time"][int(rest[0])]
        elif rest[1] == "end":
            row = self.run.rows(head)[int(rest[0])]
            time = row["time"] + row["duration"]
        else:
            time = self.run.rows(head)[int(rest[0])][rest[1]]
            assert rest[1].startswith("time")
        return (self.began + timedelta(seconds=float(time))).replace(microsecond=0)

    def _column(self, table: str, rest: list[str]) -> Value:
        if rest[0] == "flags":
            flags = self.run.column(table, "flags")
            return int((flags & self.run.flag(table, rest[1]) != 0).sum()), "1"
        if rest[:2] == ["number", "of"]:
            return place(self.run.column(table, rest[2]), rest[3]), "1"
        name, what, *more = rest
        if what == "name":
            return name.removesuffix("_max").removesuffix("_min"), ""
        values = self.run.column(table, name)
        unit = "strain" if name.startswith("strain_") else self.run.column_unit(table, name)
        if what == "at":
            number = int(more[0])
            assert self.run.column(table, "number")[number - 1] == number
            return values[number - 1].item(), unit
        if what == "median" and more:
            first, last = (int(one) for one in more)
            return statistic(values[first - 1 : last], "median"), unit
        return self._statistic(values, what, unit)

    def _statistic(self, values: Any, what: str, unit: str) -> Value:
        if what in {"count", "missing"}:
            missing = int((values != values).sum())
            return (missing if what == "missing" else len(values) - missing), "1"
        return statistic(values, what), unit

    def _slow(self, rest: list[str]) -> Value:
        channel, what = rest
        if what == "name":
            assert channel in self.run.file["slow"]
            return channel, ""
        data = self.run.file[f"slow/{channel}"]
        return self._statistic(data[:], what, str(data.attrs["units"]))

    def _row(self, name: str, rest: list[str]) -> Value:
        rows = self.run.rows(name)
        if rest == ["count"]:
            return len(rows), "1"
        row, field = rows[int(rest[0])], rest[1]
        value, unit = row[field], self.run.unit(name, field)
        if isinstance(value, str):
            return value, ""
        if unit == "SI":
            unit = self.derived.channel_unit(row["channel"])
            if unit == "K" and field == "resolution":
                unit = "K difference"
        return value, unit

    def _static(self, rest: list[str]) -> Value:
        if rest == ["count"]:
            return len(self.run.file["static/time"]), "1"
        if rest[1] == "samples":
            begin = int(self.run.file["static/offset"][int(rest[0])])
            data = self.run.file[f"static/samples/{rest[2]}"]
            return data[begin + int(rest[3])].item(), str(data.attrs["units"])
        data = self.run.file[f"static/{rest[1]}"]
        return data[int(rest[0])].item(), str(data.attrs["units"])

    def _written(self, name: str, path: list[str], unit: str) -> Value:
        if path == ["sha256"]:
            return hashlib.sha256(self.run.text(name).encode()).hexdigest(), ""
        found: Any = self.run.toml(name)
        for step in path:
            found = found[int(step)] if isinstance(found, list) else found[step]
        return (written(found, BY_UNIT[unit]), unit) if unit else (printed(found), "")

    def _of_cracks(self, key: str, unit: str) -> Value:
        if key.startswith("cracks.unmapped."):
            seen = {int(when.split(".")[0]) for when in self.cracks.whens}
            rest = sorted({row["cycle"] for row in self.run.rows("inspections")} - seen)
            which = key.rpartition(".")[2]
            return (len(rest) if which == "count" else rest[int(which)]), "1"
        value = self.cracks.value(key)
        if isinstance(value, str):
            return value, ""
        last = key.rpartition(".")[2]
        sizes = {"position", "height", "width", "length", "change"}
        rates = {"per_cycle": "m/cycle", "per_decade": "m/decade"}
        return value, rates.get(last, "m" if last in sizes else "1")

    def _other(self, head: str, rest: list[str]) -> Value:
        if head == "constant":
            return CONSTANTS[rest[0]]
        if head == "flags" and rest[1] == "meaning":
            return FLAGS[rest[0]], ""
        if head == "name":
            self._written(rest[0], rest[1:], "")
            return [step for step in rest if not step.isdigit()][-1], ""
        if head == "channel":
            assert f"cycles/{rest[0]}_max" in self.run.file or rest[0] in self.run.file["slow"]
            return rest[0], ""
        if head == "file" and rest[-1] == "sha256":
            if rest[:-1] == ["run", "h5"]:
                return hashlib.sha256(self.path.read_bytes()).hexdigest(), ""
            return self._written(rest[0], ["sha256"], "")
        raise KeyError(head)


def printed(value: Any) -> str:
    """Return a value of a TOML text as a page prints it."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list):
        return ", ".join(printed(one) for one in value)
    if isinstance(value, dict):
        return ", ".join(f"{name} {printed(one)}" for name, one in value.items())
    return value.isoformat() if isinstance(value, date) else str(value)

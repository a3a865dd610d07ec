"""Who works the numbers of cracks out of run.h5 again, as the keys say, with nothing of ours."""

from __future__ import annotations

import math
from itertools import pairwise
from pathlib import Path

import h5py
import numpy as np


class Stranger:
    """Works the keys out of run.h5 as `DERIVED_CRACKS` says, with nothing of ours."""

    def __init__(self, path: Path) -> None:
        with h5py.File(path) as file:
            rows = file["cracks"][:]
            ended = int(file.attrs["cycles"])
        names = rows.dtype.names
        self.written = {int(row["entry"]): dict(zip(names, row, strict=True)) for row in rows}
        for row in self.written.values():
            row |= {name: v.decode() for name, v in row.items() if isinstance(v, bytes)}
        self.entry: dict[int, dict] = {}
        root: dict[int, int] = {}
        for n, row in self.written.items():
            root[n] = n
            if row["kind"] != "correction":
                self.entry[n] = dict(row)
                continue
            root[n] = r = root[int(row["corrects"])]
            kept = {name: self.written[r][name] for name in ("entry", "time", "cycle", "kind")}
            self.entry.pop(r, None)
            if row["fact"] != "withdrawn":
                self.entry[r] = row | kept
        read = [self.entry[n] for n in sorted(self.entry) if self.entry[n]["kind"] == "reading"]
        for row in read:
            same = [r for r in read if self.mark(r) == self.mark(row)]
            near = sorted(
                same, key=lambda r: (r["entry"] > row["entry"], abs(r["entry"] - row["entry"]))
            )
            places = [r["position"] for r in near if not np.isnan(r["position"])]
            words = [r["direction"] for r in near if r["direction"]]
            row["place"], row["way"] = (places or [np.nan])[0], (words or [""])[0]
        self.at: dict[str, list[dict]] = {}
        late = {
            row["entry"]: bool(self.written[row["entry"]]["at_utc"]) and row["cycle"] >= ended
            for row in read
        }
        for row in sorted(read, key=lambda r: (late[r["entry"]], r["cycle"])):
            row["when"] = f"{row['cycle']}{'.after-end' if late[row['entry']] else ''}"
            self.at.setdefault(row["when"], []).append(row)
        self.whens = list(self.at)

    @staticmethod
    def mark(row: dict) -> tuple[str, str]:
        return row["crack"].casefold(), row["face"]

    @staticmethod
    def way(rows: list[dict]) -> str:
        return next((row["way"] for row in reversed(rows) if row["way"]), "")

    def upto(self, when: str) -> dict[tuple[str, str], list[dict]]:
        """Return the readings up to an inspection, mark by mark."""
        marks: dict[tuple[str, str], list[dict]] = {}
        for one in self.whens[: self.whens.index(when) + 1]:
            for row in self.at[one]:
                marks.setdefault(self.mark(row), []).append(row)
        return marks

    @staticmethod
    def last(rows: list[dict], name: str, when: str = "") -> float:
        read = [r[name] for r in rows if not np.isnan(r[name]) and when in ("", r["when"])]
        return float(read[-1]) if read else math.nan

    def value(self, key: str) -> object:
        """Return what a key stands for."""
        kind, *rest = key.removeprefix("cracks.").split(".")
        if kind in ("entry", "written"):
            row = (self.entry if kind == "entry" else self.written)[int(rest[0])]
            names = {"number": "entry", "position": "place", "direction": "way"}
            name = names.get(rest[1], rest[1]) if kind == "entry" else rest[1]
            return row["entry" if name == "number" else name]
        if kind == "inspections":
            return len(self.at)
        if kind == "readings":
            return sum(len(self.upto(when)) for when in self.whens)
        if kind == "at":
            late = rest[1] == "after-end"
            return self.at_inspection(".".join(rest[: 1 + late]), *rest[1 + late :])
        if kind == "rate" and rest[1] == "count":
            return self.rates(rest[0])
        if kind == "rate":
            return self.rate(rest[0], int(rest[1]), int(rest[2]), rest[3])
        return self.of_all(kind, rest[0])

    def of_all(self, quantity: str, what: str) -> int:
        marks = self.upto(self.whens[-1])
        if what == "marks":
            return sum(not np.isnan(self.last(rows, quantity)) for rows in marks.values())
        return sum(
            np.isnan(self.last(rows, quantity, when))
            for when in self.whens
            for rows in self.upto(when).values()
        )

    def rates(self, quantity: str) -> int:
        marks = self.upto(self.whens[-1])
        read = (
            sum(not np.isnan(self.last(rows, quantity, when)) for when in self.whens)
            for rows in marks.values()
        )
        return sum(max(count - 1, 0) for count in read)

    def at_inspection(self, when: str, what: str, field: str = "") -> object:
        marks = self.upto(when)
        labels = {label for label, _ in marks}
        if what == "cycle":
            return int(when.split(".")[0])
        if what in ("cracks", "marks"):
            return len(labels if what == "cracks" else marks)
        if what == "new":
            place = self.whens.index(when)
            before = self.upto(self.whens[place - 1]) if place else {}
            return len(labels - {label for label, _ in before})
        if what == "unread":
            return sum(np.isnan(self.last(rows, "width", when)) for rows in marks.values())
        if what.isdigit():
            rows = next(rows for rows in marks.values() if rows[0]["entry"] == int(what))
            if field == "position":
                return self.last(rows, "place")
            return self.last(rows, field, when)
        return self.total(what, field, marks, when)

    def total(self, direction: str, field: str, marks: dict, when: str) -> float:
        word = "" if direction == "untold" else direction
        mine = {
            k: rows
            for k, rows in marks.items()
            if [r["way"] for r in rows if r["way"]][-1:] == ([word] if word else [])
        }
        lengths = [self.last(rows, "length") for rows in mine.values()]
        known = [length for length in lengths if not np.isnan(length)]
        earlier = [np.isnan(self.last(rows, "length", when)) for rows in mine.values()]
        return {
            "cracks": len({label for label, _ in mine}),
            "marks": len(mine),
            "length": math.fsum(known) if known or not mine else math.nan,
            "unread": len(mine) - len(known),
            "earlier": sum(earlier) - (len(mine) - len(known)),
        }[field]

    def rate(self, quantity: str, a: int, b: int, what: str) -> float:
        old, new = self.entry[a], self.entry[b]
        rows = self.upto(self.whens[-1])[self.mark(new)]
        read = [w for w in self.whens if not np.isnan(self.last(rows, quantity, w))]
        assert (old["when"], new["when"]) in set(pairwise(read))
        change = float(new[quantity]) - float(old[quantity])
        first, last = int(old["cycle"]), int(new["cycle"])
        if what == "change":
            return change
        if what == "per_cycle":
            return change / (last - first) if last > first else math.nan
        return change / math.log10(last / first) if last > first > 0 else math.nan

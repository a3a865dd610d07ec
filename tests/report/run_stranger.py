"""Numbers of a report worked out again from run.h5 by plain h5py, by what their keys say."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import h5py
import numpy as np

LISTS = ("events", "spray", "inspections", "interruptions", "calibration", "cracks", "zeros")
STATISTICS = {
    "max": np.nanmax,
    "min": np.nanmin,
    "mean": lambda values: np.nanmean(values, dtype=np.float64),
    "median": np.nanmedian,
    "sum": lambda values: np.nansum(values, dtype=np.float64),
    "first": lambda values: values[0],
    "last": lambda values: values[-1],
}


class Stranger:
    """A run file that is read without any of this program."""

    def __init__(self, path: Path) -> None:
        self.file: Any = h5py.File(path, "r")
        flags = self.file["cycles/flags"][:]
        self.rows = int((flags & 32 == 0).sum())

    def column(self, name: str) -> Any:
        return self.file["cycles"][name][: self.rows]

    def value(self, key: str) -> float | str | None:
        """Return what stands at a key, None for one that is none of something in the file."""
        head, _, rest = key.partition(".")
        parts = rest.split(".")
        if head == "attr":
            found = self.file.attrs[rest]
            return found if isinstance(found, str) else float(found)
        if head in LISTS and rest == "count":
            return len(self.file[head])
        if head in LISTS and parts[0].isdigit() and len(parts) == 2:
            found = self.file[head][int(parts[0])][parts[1]]
            return found.decode() if isinstance(found, bytes) else float(found)
        if head == "static" and parts[0].isdigit():
            return float(self.file["static"][parts[1]][int(parts[0])])
        if key == "static.count":
            return len(self.file["static/time"])
        if key == "full_rate.count":
            return len(self.file["full_rate/index"])
        if head == "slow" and parts[1] in STATISTICS:
            values = self.file["slow"][parts[0]][:]
            return float(STATISTICS[parts[1]](values)) if (values == values).any() else np.nan
        return self._of_cycles(head, parts)

    def _of_cycles(self, head: str, parts: list[str]) -> float | None:
        if head in ("cycles", "build_up") and parts[0] == "flags":
            flags = self.file[head]["flags"][: self.rows if head == "cycles" else None]
            names = {name: int(bit) for bit, name in self._meanings().items()}
            return int((flags & names[parts[1]] != 0).sum())
        if head != "cycles":
            return None
        if parts[0] == "number":
            return self._number(parts)
        if parts[1:2] == ["median"] and len(parts) == 4:
            first, last = map(int, parts[2:])
            return float(np.nanmedian(self.column(parts[0])[first - 1 : last].astype(float)))
        if parts[1] == "at":
            return float(self.column(parts[0])[int(parts[2]) - 1])
        if len(parts) == 2 and parts[1] in STATISTICS and parts[0] in self.file["cycles"]:
            return float(STATISTICS[parts[1]](self.column(parts[0])))
        return None

    def _number(self, parts: list[str]) -> float | None:
        if parts[1] != "of" or parts[2] not in self.file["cycles"]:
            return None
        values = self.column(parts[2])
        where = np.nanargmax(values) if parts[3] == "max" else np.nanargmin(values)
        return int(where) + 1

    def _meanings(self) -> dict[str, str]:
        import json

        found: dict[str, str] = json.loads(self.file["cycles/flags"].attrs["meanings"])
        return found

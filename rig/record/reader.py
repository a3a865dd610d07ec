"""Reading run.h5."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any

import h5py
import numpy as np

from rig.channels import Channel
from rig.errors import StorageError
from rig.record.entries import (
    LISTS,
    STATIC,
    Event,
    FullRateRecord,
    Residual,
    StaticRecord,
    filled,
)
from rig.record.layout import FORMAT, VERSION, plain_rows
from rig.record.sealing import AnyArray
from rig.record.trouble import storage


@dataclass(frozen=True, slots=True)
class FullRateHead:
    """A full-rate record without its samples, as `/full_rate/index` has it."""

    label: str
    cycle: int
    first_frame: int
    offset: int
    frames: int
    rate: float


class RunFile:
    """A run file open for reading; a context manager. Columns are read when asked for."""

    def __init__(self, path: Path) -> None:
        self.path = path
        if not path.is_file():
            raise StorageError(f"{path}: there is no such run file; it is made from the journal")
        with storage(path, "read the run file"):
            self._file: Any = h5py.File(path, "r")
            self.attributes: dict[str, Any] = dict(self._file.attrs)
        kind, version = self.attributes.get("format"), self.attributes.get("version")
        if kind != FORMAT or version != VERSION:
            self._file.close()
            raise StorageError(
                f"{path}: format {kind!r}, version {version}; this reads {FORMAT!r}, {VERSION}"
            )

    def __enter__(self) -> RunFile:
        return self

    def __exit__(
        self,
        _kind: type[BaseException] | None,
        _error: BaseException | None,
        _at: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        self._file.close()

    @property
    def outcome(self) -> str:
        """How the run ended, "" if it did not."""
        return str(self.attributes["outcome"])

    @property
    def why(self) -> str:
        """The outcome in words."""
        return str(self.attributes["why"])

    @property
    def cycles(self) -> int:
        """Number of the counted cycle at the verdict."""
        return int(self.attributes["cycles"])

    @property
    def residual(self) -> Residual | None:
        """How the static test after a run-out ended, None where there was none."""
        if "residual_outcome" not in self.attributes:
            return None
        given = (float(self.attributes[f"residual_{name}"]) for name in ("load", "deflection"))
        load, deflection = (None if math.isnan(value) else value for value in given)
        outcome, why = (str(self.attributes[f"residual_{name}"]) for name in ("outcome", "why"))
        return Residual(outcome, why, load, deflection)

    @property
    def channels(self) -> tuple[Channel, ...]:
        """All channels, sampled and slow."""
        slow = set(self.column_names("slow"))
        rows = self.entries("calibration")
        return tuple(
            Channel(name, unit, resolution, low, high, slow=name in slow)
            for name, unit, resolution, low, high in rows
        )

    def text(self, name: str) -> str:
        """Return "protocol", "rig", "specimen" or "series" as written, "" where there is none."""
        with storage(self.path, f"read {name}"):
            return str(self._file[name].asstr()[()]) if name in self._file else ""

    def rows(self, kind: str = "cycles") -> int:
        """Return the number of rows of "cycles", "build_up" or "slow"."""
        with storage(self.path, f"read {kind}"):
            return len(self._file[kind]["time"])

    def column_names(self, kind: str = "cycles") -> tuple[str, ...]:
        """Return the names of the columns of a table."""
        return tuple(self._file[kind])

    def column(
        self, name: str, start: int = 0, stop: int | None = None, kind: str = "cycles"
    ) -> AnyArray:
        """Return rows [start, stop) of one column, in the type it is stored in."""
        with storage(self.path, f"read {kind}/{name}"):
            found: AnyArray = self._file[kind][name][start:stop]
            return found

    def entries(self, kind: str) -> list[tuple[Any, ...]]:
        """Return the rows of a short list such as "spray", as `LISTS` names their fields."""
        if kind not in LISTS:
            raise KeyError(kind)
        with storage(self.path, f"read {kind}"):
            return [filled(kind, row) for row in plain_rows(self._file[kind]).tolist()]

    def events(self) -> list[Event]:
        """Return all events in order."""
        return [Event(*row) for row in self.entries("events")]

    def full_rate(self) -> Iterator[FullRateRecord]:
        """Yield the full-rate records in order; channels that were not kept are NaN."""
        for head in self.heads():
            yield self.samples_of(head, 0, head.frames)

    def heads(self) -> list[FullRateHead]:
        """Return what is known of each full-rate record, without its samples."""
        with storage(self.path, "read full_rate"):
            rows = plain_rows(self._file["full_rate"]["index"]).tolist()
        return [FullRateHead(*row) for row in rows]

    def samples_of(self, head: FullRateHead, begin: int, end: int) -> FullRateRecord:
        """Return frames [begin, end) of a full-rate record, counted from its first."""
        with storage(self.path, "read full_rate"):
            group = self._file["full_rate"]
            names = self._ordered(n for n in group if n != "index")
            values = _samples(group, names, head.offset + begin, end - begin)
        first = head.first_frame + begin
        return FullRateRecord(head.label, head.cycle, first, head.rate, names, values)

    def stretches(self) -> list[tuple[str, int, int, float]]:
        """Return label, first frame, frames and rate [Hz] of each full-rate record; no samples."""
        with storage(self.path, "read full_rate"):
            rows = plain_rows(self._file["full_rate"]["index"]).tolist()
        return [(label, first, frames, rate) for label, _, first, _, frames, rate in rows]

    def static(self) -> Iterator[StaticRecord]:
        """Yield the static checks in order."""
        with storage(self.path, "read static"):
            group = self._file["static"]
            names = self._ordered(group["samples"])
            columns = (group[f.name][:].tolist() for f in STATIC)
            places = zip(group["offset"][:].tolist(), group["frames"][:].tolist(), strict=True)
            for row, (offset, frames) in zip(zip(*columns, strict=True), places, strict=True):
                time, cycle, stiffness, reopening_load, residual, rate, first = row
                values = _samples(group["samples"], names, offset, frames)
                yield StaticRecord(
                    time, cycle, stiffness, reopening_load, residual, names, rate, first, values
                )

    def _ordered(self, names: Iterable[str]) -> tuple[str, ...]:
        order = [c.name for c in self.channels]
        return tuple(sorted(names, key=lambda n: order.index(n) if n in order else len(order)))


def _samples(group: Any, names: tuple[str, ...], offset: int, frames: int) -> Any:
    found = np.empty((len(names), frames), np.float32)
    for row, name in zip(found, names, strict=True):
        row[:] = group[name][offset : offset + frames]
    return found


def read_run(path: Path) -> RunFile:
    """Open a run file, or the run.h5 of a run's folder. Raises StorageError."""
    return RunFile(path / "run.h5" if path.is_dir() else path)

"""Rows of cycles as a file has them: numbered, holes filled, what is missing NaN."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rig.acquire.rounding import round_significant
from rig.replay.headings import COUNT, Layout
from rig.replay.rows_in import Rows
from rig.replay.spacing import FEW, MOST_LEFT_OUT, Trouble, Unspaced
from rig.samples import Cycles, Flag, FloatArray, column_type, cycle_columns

LONGEST_HOLE: Final = 10_000_000  # cycles
MOST_HOLES: Final = 100_000_000  # cycles in all
PIECE: Final = 65536
"""Rows made at once, however many are missing between two."""
NOMINAL_PERIOD: Final = 1.0  # s, of a cycle where nothing tells it


@dataclass(slots=True)
class CycleRows:
    """Makes rows of cycles out of a file's, piece by piece.

    Cycles that are missing between two numbers become rows flagged `long-gap`, without values,
    their times on a straight line. Rows whose number or time does not go forward are left out.
    """

    layout: Layout
    number: int = 0
    time: float = float("nan")
    began: float = 0.0
    rows: int = 0
    gaps: Trouble = field(default_factory=Trouble)
    repeated: Trouble = field(default_factory=Trouble)
    backward: Trouble = field(default_factory=Trouble)

    def take(self, rows: Rows) -> Iterator[Cycles]:
        """Yield the cycles of the next rows. Raises Unspaced for numbers that are none."""
        self.rows += len(rows)
        numbers = self._numbers(rows)
        times = rows.si(self.layout, "time")
        good = self._forward(rows, numbers, times)
        rows, numbers = Rows(rows.values[good], rows.numbers[good]), numbers[good]
        nominal = ((numbers - 1) * NOMINAL_PERIOD).astype(np.float64)
        begun = nominal if times is None else times[good]
        holes = np.diff(np.concatenate(([self.number], numbers))) - 1
        self._refuse_long(holes, rows)
        self.gaps.add(rows.numbers[holes > 0], holes[holes > 0])
        self.check()
        yield from self._placed(rows, numbers, begun)

    def _numbers(self, rows: Rows) -> NDArray[np.int64]:
        given = rows.si(self.layout, COUNT)
        if given is None:
            return np.arange(self.rows - len(rows) + 1, self.rows + 1, dtype=np.int64)
        wrong = ~((given >= 1) & (given == np.rint(given)) & (given < 2**53))
        if wrong.any():
            row = int(np.argmax(wrong))
            value = "is empty" if np.isnan(given[row]) else f"{given[row]:g} is no cycle number"
            raise Unspaced(
                int(rows.numbers[row]), value, "cycles are counted 1, 2, 3, without parts"
            )
        return given.astype(np.int64)

    def _marks(self, rows: Rows, name: str) -> NDArray[np.int64] | None:
        """Return a column of whole numbers such as `flags`, 0 where it is empty."""
        given = rows.si(self.layout, name)
        if given is None:
            return None
        most = np.iinfo(column_type(name)).max
        marks = np.nan_to_num(given)
        wrong = ~((marks >= 0) & (marks <= most) & (marks == np.rint(marks)))
        if wrong.any():
            row = int(np.argmax(wrong))
            raise Unspaced(
                int(rows.numbers[row]),
                f"{given[row]:g} is no whole number from 0 to {most}",
                "correct it, or leave the field empty",
                name,
            )
        return marks.astype(np.int64)

    def _forward(
        self, rows: Rows, numbers: NDArray[np.int64], times: FloatArray | None
    ) -> NDArray[np.bool_]:
        highest = np.maximum.accumulate(np.concatenate(([self.number], numbers)))[:-1]
        repeated, backward = numbers == highest, numbers < highest
        if times is not None:
            before = np.fmax.accumulate(np.concatenate(([self.time], times)))[:-1]
            backward |= ~repeated & (times <= before)
        self.repeated.add(rows.numbers[repeated])
        self.backward.add(rows.numbers[backward])
        good: NDArray[np.bool_] = ~(repeated | backward)
        return good

    def _refuse_long(self, holes: NDArray[np.int64], rows: Rows) -> None:
        if len(holes) and holes.max() > LONGEST_HOLE:
            row = int(np.argmax(holes))
            raise Unspaced(
                int(rows.numbers[row]),
                f"comes after {int(holes[row]):,} cycles without a row",
                f"correct the number; at most {LONGEST_HOLE:,} may be missing at once",
            )

    def check(self) -> None:
        """Raise Unspaced where too many rows so far were left out, or are missing."""
        left_out = self.repeated.count + self.backward.count
        if left_out > max(FEW, MOST_LEFT_OUT * self.rows):
            raise Unspaced(
                min(self.repeated.first + self.backward.first),
                f"is the first of {left_out:,} that do not go forward, in {self.rows:,} rows",
                "sort the rows by cycle, one row a cycle",
            )
        if self.gaps.total > MOST_HOLES:
            raise Unspaced(
                self.gaps.first[0],
                f"is the first of {self.gaps.count:,} before which rows are missing, "
                f"{self.gaps.total:,} in all",
                f"correct the numbers; at most {MOST_HOLES:,} may be missing",
            )

    def _placed(
        self, rows: Rows, numbers: NDArray[np.int64], times: FloatArray
    ) -> Iterator[Cycles]:
        if not len(numbers):
            return
        if np.isnan(self.time):
            # What lies before the first row had its time too.
            period = (times[1] - times[0]) / (numbers[1] - numbers[0]) if len(times) > 1 else 1.0
            self.time = float(times[0] - (numbers[0] - self.number) * period)
            self.began = float(times[0])
        at = np.concatenate(([self.number], numbers))
        known = np.concatenate(([self.time], times))
        last = int(numbers[-1])
        while self.number < last:
            stop = min(self.number + PIECE, last)
            every = np.arange(self.number + 1, stop + 1)
            here = slice(*np.searchsorted(numbers, (self.number, stop), side="right"))
            spread = np.interp(every, at, known)
            spread[numbers[here] - self.number - 1] = times[here]
            part = Rows(rows.values[here], rows.numbers[here])
            found = self._cycles(part, every, numbers[here], spread)
            self.number, self.time = stop, float(spread[-1])
            yield found

    def _cycles(
        self,
        rows: Rows,
        every: NDArray[np.int64],
        numbers: NDArray[np.int64],
        times: FloatArray,
    ) -> Cycles:
        places = numbers - self.number - 1
        columns: dict[str, NDArray[Any]] = {}
        for name in cycle_columns(self.layout.channels):
            column = np.zeros(len(every), column_type(name))
            if column.dtype.kind == "f":
                column[:] = np.nan
            given = rows.si(self.layout, name)
            if given is not None and name not in (COUNT, "time"):
                whole = column.dtype.kind == "u"
                column[places] = self._marks(rows, name) if whole else given
            columns[name] = column
        columns["number"], columns["time"] = every, times
        self._work_out(columns, times)
        missing = np.ones(len(every), np.bool_)
        missing[places] = False
        columns["flags"][missing] = int(Flag.LONG_GAP)
        none = np.zeros(len(every), np.int64)
        return Cycles(columns, none, none, none)

    def _work_out(self, columns: dict[str, NDArray[Any]], times: FloatArray) -> None:
        """Fill what the file does not have and its other columns tell."""
        has = {c.name for c in self.layout.columns}
        if "midspan_max" in has and not has & _NET:
            for end in ("max", "min"):
                columns[f"deflection_{end}"] = columns[f"midspan_{end}"].copy()
        if "stiffness" not in has:
            load, bent = (
                columns[f"{n}_max"].astype(np.float64) - columns[f"{n}_min"].astype(np.float64)
                for n in ("load", "deflection")
            )
            slope = np.divide(load, bent, out=np.full(len(load), np.nan), where=bent > 0)
            columns["stiffness"] = round_significant(slope).astype("<f4")
        unknown = np.isnan(columns["frequency"])
        steps = np.diff(np.concatenate(([self.time], times)))[unknown]
        often = np.divide(1.0, steps, out=np.full(len(steps), np.nan), where=steps > 0)
        columns["frequency"][unknown] = round_significant(often).astype("<f4")


_NET: Final = frozenset(
    {"deflection_max", "deflection_min", "support_left_max", "support_right_max"}
)
"""Columns beside which mid-span does not stand for the net deflection."""


def tells_stiffness(layout: Layout) -> bool:
    """Tell whether rows with such columns have a stiffness, or it can be worked out of them."""
    has = {c.name for c in layout.columns}
    bent = "midspan" if "midspan_max" in has and not has & _NET else "deflection"
    return has >= {"stiffness"} or has >= {f"{n}_{e}" for n in ("load", bent) for e in _ENDS}


_ENDS: Final = ("max", "min")

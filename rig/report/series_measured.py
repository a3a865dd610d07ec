"""What the record of a run says of bond and prestress, and what was found after its end."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from rig.errors import InputError
from rig.mechanics.reopening import effective_prestress
from rig.record.cracks import NOTHING, Found, found_after, read_cracks
from rig.record.layout import TEXTS
from rig.replay.kept_files import plan_of_kept
from rig.samples import Flag

if TYPE_CHECKING:
    from rig.record.reader import RunFile

_SLIP: Final = re.compile(r"end_slip_\d+_max")


@dataclass(frozen=True, slots=True)
class Measured:
    """What a run measured; NaN is what it did not.

    `slip` [m] is the largest of all cycles up to the verdict and of all ends of tendons,
    `slip_from` the first counted cycle that reached the slip at which it is noted, 0 for none.
    `prestress_first` and `prestress_last` [Pa] are the effective prestress of the first and the
    last slow cycle that shows where cracks re-open. `found` is what people found after the end.
    """

    slip: float = math.nan
    slip_from: int = 0
    prestress_first: float = math.nan
    prestress_last: float = math.nan
    found: Found = NOTHING


def measured_of(run: RunFile, noted: float) -> Measured:
    """Return what a run file measured; `noted` is the slip [m] at which it is noted.

    Raises StorageError.
    """
    slip, slip_from = _slip(run, noted)
    first, last = _prestress(run)
    return Measured(slip, slip_from, first, last, found_after(read_cracks(run)))


def _slip(run: RunFile, noted: float) -> tuple[float, int]:
    names = [name for name in run.column_names() if _SLIP.fullmatch(name)]
    if not names or not run.rows():
        return math.nan, 0
    before = (run.column("flags").astype(np.int64) & int(Flag.AFTER_END)) == 0
    largest = np.full(int(before.sum()), -np.inf)
    for name in names:
        values = run.column(name)[before].astype(np.float64)
        np.fmax(largest, values, out=largest)
    known = largest[np.isfinite(largest)]
    if not known.size:
        return math.nan, 0
    # As near as a number of a column is kept.
    over = np.flatnonzero(largest >= np.float64(np.float32(noted)))
    first = int(run.column("number")[before][over[0]]) if over.size else 0
    return float(known.max()), first


def _prestress(run: RunFile) -> tuple[float, float]:
    try:
        plan = plan_of_kept(run.path, {name: run.text(name) for name in TEXTS})
    except InputError:
        return math.nan, math.nan
    loads = [static.reopening_load for static in run.static()]
    found = [effective_prestress(plan.specimen, x) for x in loads if math.isfinite(x)]
    told = [each.stress for each in found if each is not None]
    return (told[0], told[-1]) if told else (math.nan, math.nan)

"""Where the sensors of a rig fall short of what a plan has measured; findings warn, never refuse.

Shares are common practice without a source.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from rig.mechanics.sampling import RangeError
from rig.protocol.capability import Capability, Cycling, channel_of, channel_path
from rig.protocol.finding import Finding, figure
from rig.protocol.plan import Plan
from rig.protocol.position import Path

CELL: Final = (0.20, 0.90)
"""Share of the load cell's range in which the highest load should lie."""


def unmeasured(plan: Plan, needed: Capability) -> tuple[Finding, ...]:
    """Return what is not measured as far, or as well, as is needed."""
    found = list(_of_transducers(plan, needed))
    return (*found, *_of_samples(plan, needed.cycling)) if needed.cycling else tuple(found)


def _of_transducers(plan: Plan, needed: Capability) -> Iterator[Finding]:
    cell, share = needed.cell, needed.cell_share
    if not CELL[0] <= share <= CELL[1]:
        few = share < CELL[0]
        is_ = "is beyond" if share > 1 else f"is {share * 100:.0f} % of"
        yield Finding(
            "rig",
            channel_path(plan, "load", "range"),
            f"the {needed.force_of} of {figure(needed.force / 1e3, 4)} kN {is_} the cell's "
            f"{figure(cell.high / 1e3, 4)} kN",
            f"take a {'smaller' if few else 'larger'} cell; "
            f"{CELL[0] * 100:.0f} to {CELL[1] * 100:.0f} % are usual",
        )
    midspan = channel_of(plan, "midspan")
    if needed.deflection > midspan.high:
        soft = " when it counts as failed" if needed.cycling else ""
        yield Finding(
            "rig",
            channel_path(plan, "midspan", "range"),
            f"ends at {figure(midspan.high * 1e3)} mm, and the specimen may bend "
            f"{figure(needed.deflection * 1e3)} mm{soft}",
            "take a longer transducer, or set its zero nearer to its other end",
        )


def _of_samples(plan: Plan, cycling: Cycling) -> Iterator[Finding]:
    for name, channel, error, asked in (
        ("load", "load", cycling.load, plan.accuracy.load),
        ("net deflection", "midspan", cycling.deflection, plan.accuracy.deflection),
    ):
        if error.total > asked:
            path, remedy = _cure(plan, channel, error)
            yield Finding(
                "rig",
                path,
                f"the {name} range of one cycle is known to {_share(error.total)} and asked for "
                f"to {_share(asked)}; most of it is {error.largest}",
                remedy,
            )


def _cure(plan: Plan, channel: str, error: RangeError) -> tuple[Path, str]:
    """Return which line of the rig file says what is off most, and what would be right."""
    match error.largest:
        case "calibration":
            path = (*channel_path(plan, channel, "calibration"), "uncertainty")
            return path, "have it calibrated better, in the range it is used in"
        case "noise":
            path = channel_path(plan, channel, "noise")
            return path, "find where the noise comes from, sample faster, or ask for less"
        case "resolution":
            path = channel_path(plan, channel, "resolution")
            return path, "take a sensor of smaller steps or range, or ask for less"
        case _:
            return ("rate",), "sample faster, or cycle more slowly"


def _share(fraction: float) -> str:
    return f"{figure(fraction * 100, 2)} %"

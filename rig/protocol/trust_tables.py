"""Tables of a rig file that say why its figures can be trusted, and what they become."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Annotated, Final, Literal

from pydantic import AfterValidator, Field

from rig.channels import Channel
from rig.protocol.calibration_tables import Day
from rig.protocol.document import Document
from rig.protocol.fields import (
    FORCE_MOST,
    Frequency,
    Table,
    Text,
    quantity,
    refuse,
    spoken,
    whole,
)
from rig.protocol.plan import ActuatorPlan
from rig.protocol.position import Path
from rig.protocol.trust import DynamicVerification, Frame, ProofOfStopping, ProvenStop, Supply
from rig.units import GRAVITY, shown

_A_DAY: Final = 86400.0
_MORE_WEIGHT: Final = 1.1
"""Dead load over the weight of the moving mass that rounding explains."""
_ACCELERATION: Final = ("stroke", "acceleration")
"""Channels that tell how the moving mass accelerates."""


def _whole_days(seconds: float) -> int:
    if math.isnan(seconds):
        return 0
    if seconds % _A_DAY:
        raise refuse(
            f"{spoken(seconds, 's')} is no whole number of days", 'give days, such as "90 d"'
        )
    return int(seconds // _A_DAY)


_Flow = Annotated[float, quantity("flow", 0.0, 0.1, "L/min")]
_Pressure = Annotated[float, quantity("stress", 1e5, 1e8, "bar")]


class FrameTable(Table):
    """`[frame]`."""

    moving_mass: Annotated[float, quantity("mass", 0.0, 1e5, "kg")] = 0.0
    cell: Literal["moving", "fixed"] = "moving"
    dead_load: Annotated[float, quantity("force", 0.0, FORCE_MOST, "kN")] = 0.0
    zeroed: Literal["hanging", "resting"] = "hanging"


class SupplyTable(Table):
    """`[supply]`."""

    piston_area: Annotated[float, quantity("area", 1e-5, 1.0, "cm2")]
    pressure: _Pressure
    flow: Annotated[float, quantity("flow", 1e-6, 0.1, "L/min")]
    others: _Flow = 0.0
    valve_flow: Annotated[float | None, quantity("flow", 1e-6, 0.1, "L/min")] = None
    valve_drop: _Pressure = 7e6


class VerificationTable(Table):
    """`[dynamic_verification]`."""

    date: Day
    by: Text
    frequency: Frequency
    difference: Annotated[float, quantity("fraction", 0.0, 0.5, "%")]


class ProvenTable(Table):
    """One of the `rows` of `[proof_of_stopping]`."""

    cause: Text
    time: Annotated[float, quantity("time", 0.0, 3600.0, "s")]
    travel: Annotated[float, quantity("length", 0.0, 10.0, "mm")]
    repeats: Annotated[int, whole(1, 100_000)]


class ProofTable(Table):
    """`[proof_of_stopping]`."""

    date: Day
    by: Text
    renew_after: Annotated[
        float, quantity("time", _A_DAY, 3660 * _A_DAY, "d"), AfterValidator(_whole_days)
    ]
    rows: list[ProvenTable | None] = Field(min_length=1, max_length=200)


def build_frame(
    document: Document,
    table: FrameTable | None,
    actuator: ActuatorPlan,
    channels: Sequence[Channel],
) -> Frame:
    """Return what hangs between load cell and specimen."""
    path: Path = ("frame",)
    if table is None:
        return Frame()
    said = table.model_fields_set
    for word, value in (("cell", "moving_mass"), ("zeroed", "dead_load")):
        # Whoever says how it is counted believes that it is.
        if word in said and value not in said and "frame" not in document.unread:
            document.refuse_missing(path, value)
    if table.dead_load > actuator.load[1]:
        document.refuse(
            (*path, "dead_load"),
            f"{document.written((*path, 'dead_load'))} is beyond the actuator's load",
            "give the weight of what rests on the specimen below the load cell",
        )
    elif table.dead_load > _MORE_WEIGHT * table.moving_mass * GRAVITY:
        document.warn(
            (*path, "dead_load"),
            f"{document.written((*path, 'dead_load'))} weighs {table.dead_load / GRAVITY:.3g} kg, "
            f"more than the moving_mass of {table.moving_mass:g} kg: what rests on the specimen "
            "moves with it",
            f'give moving_mass = "{table.dead_load / GRAVITY:.3g} kg" or more',
        )
    tells = any(c.name in _ACCELERATION and not c.slow for c in channels)
    if table.moving_mass > 0 and not tells and "channel" not in document.unread:
        document.warn(
            (*path, "moving_mass"),
            f"no sampled channel {' or '.join(map(shown, _ACCELERATION))} tells how it "
            "accelerates: the load is not corrected for it",
            'add [[channel]] with name = "stroke"',
        )
    return Frame(table.moving_mass, table.cell, table.dead_load, table.zeroed)


def build_supply(document: Document, table: SupplyTable | None) -> Supply | None:
    """Return the oil supply."""
    path: Path = ("supply",)
    if table is None:
        return None
    if table.others >= table.flow:
        document.refuse(
            (*path, "others"),
            f"{document.written((*path, 'others'))} leaves nothing of flow, "
            f"{document.written((*path, 'flow'))}",
            "give what the other stations on the pump take at the same time",
        )
    if "valve_drop" in table.model_fields_set and table.valve_flow is None:
        document.refuse_missing(path, "valve_flow")
    return Supply(
        table.piston_area,
        table.pressure,
        table.flow,
        table.others,
        table.valve_flow,
        table.valve_drop,
    )


def build_verification(
    document: Document, table: VerificationTable | None, actuator: ActuatorPlan
) -> DynamicVerification | None:
    """Return what was found when the rig was verified in motion."""
    if table is None:
        return None
    path: Path = ("dynamic_verification", "frequency")
    if table.frequency > actuator.frequency:
        document.refuse(
            path,
            f"{document.written(path)} is beyond the actuator's frequency",
            "give the frequency up to which it was verified, or correct that of [actuator]",
        )
    if table.date is None:
        return None
    return DynamicVerification(table.date, table.by, table.frequency, table.difference)


def build_proof(document: Document, table: ProofTable | None) -> ProofOfStopping | None:
    """Return when and by whom the stops were proven, and what was found."""
    if table is None:
        return None
    rows, seen = [], set()
    for index, row in enumerate(table.rows):
        if row is None:
            continue
        if row.cause and row.cause in seen:
            document.refuse(
                ("proof_of_stopping", "rows", index, "cause"),
                f"{shown(row.cause)} is there twice",
                "give each cause one row, with the longest time and travel",
            )
        seen.add(row.cause)
        rows.append(ProvenStop(row.cause, row.time, row.travel, row.repeats))
    if table.date is None:
        return None
    return ProofOfStopping(table.date, table.by, int(table.renew_after), tuple(rows))

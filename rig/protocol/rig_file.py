"""The shape of a rig file, and what it becomes."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from typing import Annotated, Any, Final, Literal

from pydantic import BeforeValidator, Field

from rig.channels import Channel
from rig.protocol.bounds import table_of_bounds
from rig.protocol.channel_tables import ChannelTable, build_calibrations, build_channels
from rig.protocol.document import Document, meant
from rig.protocol.fields import (
    UNREAD,
    Fixed,
    Flow,
    Frequency,
    Name,
    Rate,
    SignedForce,
    SignedLength,
    Speed,
    Table,
    Volume,
    Word,
    number,
    quantity,
    refuse,
)
from rig.protocol.message_tables import MessagesTable, build_messages
from rig.protocol.plan import ActuatorPlan, Bounds, PumpPlan, RigPlan, WarningSignal
from rig.protocol.trust import Trust
from rig.protocol.trust_tables import (
    FrameTable,
    ProofTable,
    SupplyTable,
    VerificationTable,
    build_frame,
    build_proof,
    build_supply,
    build_verification,
)
from rig.protocol.validation import validate
from rig.units import shown

Objection = Callable[[str], tuple[str, str] | None]
"""What is wrong with a driver's name on this computer and what would be right; None if nothing."""

STOPS = {
    "emergency_stop": 0,
    "guard": 0,
    "feedback": 0,
    "leak": 0,
    "limit": 1,
    "failure": 1,
    "fault": 1,
    "oil": 1,
    "mains": 1,
    "operator": 1,
    "end": 1,
    "pause": 2,
}
"""Stop category of each cause unless the rig file says otherwise (words of IEC 60204-1)."""

SIMULATED = "simulated"
"""The driver that moves nothing real."""


_NO_BOUNDS: Final = (-math.inf, math.inf)
_DRIVER: Final = re.compile(r"[a-z][a-z0-9_]{0,59}")


def _driver(value: Any) -> Any:
    if value is UNREAD or (isinstance(value, str) and _DRIVER.fullmatch(value)):
        return value
    raise refuse(
        f"{shown(value)} is no name of a driver",
        'use small letters, digits and "_", as in "simulated"',
    )


class ActuatorTable(Table):
    """`[actuator]`."""

    load: Annotated[tuple[SignedForce, SignedForce], Fixed]
    stroke: Annotated[tuple[SignedLength, SignedLength], Fixed]
    speed: Speed
    frequency: Frequency
    limits: Literal["controller", "software only"]


class PumpTable(Table):
    """`[pump]`."""

    flow: Flow
    tank: Volume
    make_up: Annotated[float, quantity("flow", 0.0, 0.01, "L/min")] = 0.0


class WarningTable(Table):
    """`[warning_signal]`."""

    kind: Literal["horn", "lamp"]
    before: Annotated[float, quantity("time", 1.0, 60.0, "s")]


class SimulationTable(Table):
    """`[simulation]`: the hidden truth of a simulated rig.

    `moving_mass` is what really moves, where that is not what `[frame]` says. `life_dry` makes the
    median specimen last so long dry, whatever mechanics expects.
    """

    servo_bandwidth: Annotated[float, quantity("frequency", 1.0, 1000.0, "Hz")] = 20.0
    gap: Annotated[float, quantity("length", 0.0, 0.009, "mm")] = 0.002
    bedding: Annotated[float, quantity("length", 0.0, 0.001, "mm")] = 2e-5
    wet_factor: Annotated[float, number(1.0, 1e6)] = 180.0
    scatter: Annotated[float, number(0.0, 2.0)] = 0.12
    ending: Literal["gradual", "brittle"] = "gradual"
    pump_run_up: Annotated[float, quantity("time", 0.0, 600.0, "s")] = 3.0
    creep: Annotated[float, number(0.0, 1.0)] = 0.05
    capacity_scale: Annotated[float, number(0.1, 10.0)] = 1.0
    life_scale: Annotated[float, number(1e-9, 1e6)] = 1.0
    life_dry: Annotated[float | None, quantity("cycles", 1.0, 1e12, "cycles")] = None
    moving_mass: Annotated[float | None, quantity("mass", 0.0, 1e5, "kg")] = None


class RigTables(Table):
    """What every rig file says, but of its channels."""

    what = "rig file"
    required = ("name", "driver", "rate", "actuator", "channel")

    name: Name = ""
    driver: Annotated[Word, BeforeValidator(_driver)] = ""
    rate: Rate = math.nan
    local_input: Literal["button", "key"] | None = None
    actuator: ActuatorTable | None = None
    pump: PumpTable | None = None
    warning_signal: WarningTable | None = None
    limits: dict[str, Any] = Field(default_factory=dict)
    stops: dict[str, Any] = Field(default_factory=dict)
    simulation: SimulationTable = Field(default_factory=SimulationTable)
    frame: FrameTable | None = None
    supply: SupplyTable | None = None
    dynamic_verification: VerificationTable | None = None
    proof_of_stopping: ProofTable | None = None
    messages: MessagesTable | None = None


class RigFile(RigTables):
    """A whole rig file of the simulated rig."""

    channel: list[ChannelTable | None] = Field(default_factory=list, min_length=1, max_length=200)


_OF_LINES: Final = ("stale_after", "port", "controller", "modbus", "instrument", "settings")
"""Root keys of rig files for other drivers than the simulated one."""


def speaks_of_lines(data: dict[str, Any]) -> bool:
    """Tell whether the data of a rig file have what only another driver can be told."""
    channels = data.get("channel")
    tables = channels if isinstance(channels, list) else []
    return any(key in data for key in _OF_LINES) or any(
        isinstance(table, dict) and "from" in table for table in tables
    )


def build_rig(document: Document, objection: Objection | None = None) -> RigPlan | None:
    """Return the rig of a document with its problems noted there; None where it cannot be read.

    What has a problem is in it as something that nothing contradicts.
    """
    file = validate(document, RigFile)
    if file is None:
        return None
    object_to(document, file.driver, objection)
    return rig_of(document, file, file.channel)


def object_to(document: Document, driver: str, objection: Objection | None) -> bool:
    """Note what is wrong with a driver on this computer; tell whether anything is."""
    objected = objection(driver) if objection and driver else None
    if objected:
        document.refuse(("driver",), *objected)
    return objected is not None


def rig_of(document: Document, file: RigTables, channels: Sequence[ChannelTable | None]) -> RigPlan:
    """Return the rig without its lines."""
    signal = file.warning_signal
    _warn_people(document, file)
    measured = build_channels(document, channels)
    actuator = _actuator(document, file.actuator)
    return RigPlan(
        name=file.name,
        driver=file.driver,
        rate=file.rate,
        channels=measured,
        actuator=actuator,
        pump=_pump(document, file.pump),
        limits=_limits(document, file, measured),
        stops=_stops(document, file.stops),
        simulation=file.simulation.model_dump(exclude_none=True),
        warning=WarningSignal(signal.kind, signal.before) if signal else None,
        local_input=file.local_input or "",
        trust=Trust(
            calibrations=build_calibrations(document, channels, measured),
            frame=build_frame(document, file.frame, actuator, measured),
            supply=build_supply(document, file.supply),
            verified=build_verification(document, file.dynamic_verification, actuator),
            proven=build_proof(document, file.proof_of_stopping),
        ),
        messages=build_messages(document, file.messages),
    )


def _actuator(document: Document, table: ActuatorTable | None) -> ActuatorPlan:
    if table is None:
        return ActuatorPlan(_NO_BOUNDS, _NO_BOUNDS, math.inf, math.inf, "controller")
    for key, pair in (("load", table.load), ("stroke", table.stroke)):
        if pair[0] >= pair[1]:
            path = ("actuator", key)
            low, high = (document.written((*path, index)) for index in (0, 1))
            document.refuse(path, f"{low} is not below {high}", "swap them")
    return ActuatorPlan(table.load, table.stroke, table.speed, table.frequency, table.limits)


def _pump(document: Document, table: PumpTable | None) -> PumpPlan | None:
    if table is not None:
        return PumpPlan(table.flow, table.tank, table.make_up)
    return PumpPlan(math.inf, math.inf) if "pump" in document.unread else None


def _limits(
    document: Document, file: RigTables, channels: tuple[Channel, ...]
) -> dict[str, Bounds]:
    return table_of_bounds(
        document, ("limits",), file.limits, None if "channel" in document.unread else channels
    )


def _warn_people(document: Document, file: RigTables) -> None:
    """Warn of a rig that can move without a word to the people beside it."""
    if file.driver == SIMULATED:
        return
    if file.warning_signal is None:
        document.warn(
            (),
            f'rig "{file.name}" has no horn or lamp that warns before it moves',
            'add [warning_signal] with kind = "horn" and before = "5 s"',
        )
    if not file.local_input:
        document.warn(
            (),
            f'rig "{file.name}" names no button or key beside it, without which it neither goes '
            "on nor unloads",
            'write local_input = "button" or "key" above the first [table]',
        )


def _stops(document: Document, table: dict[str, Any]) -> dict[str, int]:
    stops = dict(STOPS)
    for cause, category in table.items():
        path = ("stops", cause)
        if cause not in STOPS:
            document.refuse(path, "is no cause of a stop", meant(cause, STOPS))
        elif isinstance(category, bool) or not isinstance(category, int):
            document.refuse(path, f"{shown(category)} is no stop category", _categories(cause))
        elif category not in _allowed(cause):
            document.refuse(path, f"category {shown(category)} is refused here", _categories(cause))
        else:
            stops[cause] = category
    return stops


def _allowed(cause: str) -> tuple[int, ...]:
    # Category 2 keeps the power on: only a pause may.
    if STOPS[cause] == 0:
        return (0,)
    return (0, 1, 2) if cause == "pause" else (0, 1)


def _categories(cause: str) -> str:
    words = {0: "0 (power off at once)", 1: "1 (unload, then power off)", 2: "2 (power kept)"}
    return f"give {' or '.join(words[c] for c in _allowed(cause))}"

"""The shape of a rig file, and what it becomes."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field

from rig.channels import Channel, channel_unit
from rig.protocol.bounds import bounds, channel_dimension, difference_dimension, table_of_bounds
from rig.protocol.document import Document, validate
from rig.protocol.fields import (
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
    number,
    quantity,
)
from rig.protocol.plan import ActuatorPlan, PumpPlan, RigPlan, WarningSignal
from rig.units import UnitError, parse, shown

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


class ActuatorTable(Table):
    """`[actuator]`."""

    load: Annotated[tuple[SignedForce, SignedForce], Fixed]
    stroke: Annotated[tuple[SignedLength, SignedLength], Fixed]
    speed: Speed
    frequency: Frequency
    limits: Literal["controller", "software only"]


class ChannelTable(Table):
    """`[[channel]]`; its quantities are read once its unit is known."""

    name: str
    resolution: Any
    noise: Any = None
    range: Any
    slow: bool = False


class PumpTable(Table):
    """`[pump]`."""

    flow: Flow
    tank: Volume


class WarningTable(Table):
    """`[warning_signal]`."""

    kind: Literal["horn", "lamp"]
    before: Annotated[float, quantity("time", 1.0, 60.0, "s")]


class SimulationTable(Table):
    """`[simulation]`: the hidden truth of a simulated rig."""

    servo_bandwidth: Annotated[float, quantity("frequency", 1.0, 1000.0, "Hz")] = 20.0
    gap: Annotated[float, quantity("length", 0.0, 0.009, "mm")] = 0.002
    bedding: Annotated[float, quantity("length", 0.0, 0.001, "mm")] = 2e-5
    life_dry: Annotated[float, quantity("cycles", 1.0, 1e12, "cycles")] = 40e6
    wet_factor: Annotated[float, number(1.0, 1e6)] = 300.0
    scatter: Annotated[float, number(0.0, 2.0)] = 0.12
    ending: Literal["gradual", "brittle"] = "gradual"
    pump_run_up: Annotated[float, quantity("time", 0.0, 600.0, "s")] = 3.0
    creep: Annotated[float, number(0.0, 1.0)] = 0.05
    capacity_scale: Annotated[float, number(0.1, 10.0)] = 1.0
    life_scale: Annotated[float, number(1e-9, 1e6)] = 1.0


class RigFile(Table):
    """A whole rig file."""

    name: Name
    driver: Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*$")]
    rate: Rate
    local_input: Literal["button", "key"] | None = None
    actuator: ActuatorTable
    channel: list[ChannelTable] = Field(min_length=1, max_length=200)
    pump: PumpTable | None = None
    warning_signal: WarningTable | None = None
    limits: dict[str, Any] = Field(default_factory=dict)
    stops: dict[str, Any] = Field(default_factory=dict)
    simulation: SimulationTable = Field(default_factory=SimulationTable)


def build_rig(document: Document) -> RigPlan | None:
    """Return the rig of a document, or None with its problems noted there."""
    file = validate(document, RigFile)
    if file is None:
        return None
    for key, pair in (("load", file.actuator.load), ("stroke", file.actuator.stroke)):
        if pair[0] >= pair[1]:
            document.refuse(("actuator", key), "lower bound is not below the upper", "swap them")
    channels = _channels(document, file)
    signal = file.warning_signal
    _warn_people(document, file)
    return RigPlan(
        name=file.name,
        driver=file.driver,
        rate=file.rate,
        channels=channels,
        actuator=ActuatorPlan(
            file.actuator.load,
            file.actuator.stroke,
            file.actuator.speed,
            file.actuator.frequency,
            file.actuator.limits,
        ),
        pump=PumpPlan(file.pump.flow, file.pump.tank) if file.pump else None,
        limits=table_of_bounds(document, ("limits",), file.limits, channels),
        stops=_stops(document, file.stops),
        simulation=file.simulation.model_dump(),
        warning=WarningSignal(signal.kind, signal.before) if signal else None,
        local_input=file.local_input or "",
    )


def _warn_people(document: Document, file: RigFile) -> None:
    """Warn of a rig that can move without a word to the people beside it."""
    if file.driver == SIMULATED:
        return
    if file.warning_signal is None:
        document.warn(
            (),
            f"rig {file.name} has no horn or lamp that warns before motion",
            'add [warning_signal] with kind = "horn" and before = "5 s"',
        )
    if not file.local_input:
        document.warn(
            (),
            f"rig {file.name} has no local input, which every going on and unloading asks for",
            'write local_input = "button" or "key" above the first table',
        )


def _channels(document: Document, file: RigFile) -> tuple[Channel, ...]:
    seen: set[str] = set()
    channels = []
    for index, table in enumerate(file.channel):
        path = ("channel", index)
        if table.name in seen:
            document.refuse((*path, "name"), f"{shown(table.name)} is there twice", "name it once")
        seen.add(table.name)
        channel = _channel(document, path, table)
        if channel:
            channels.append(channel)
    for needed in ("load", "midspan"):
        if not any(t.name == needed and not t.slow for t in file.channel):
            document.refuse(("channel",), f'has no sampled channel "{needed}"', "add it")
    return tuple(channels)


def _channel(
    document: Document, path: tuple[str | int, ...], table: ChannelTable
) -> Channel | None:
    unit = channel_unit(table.name)
    if unit is None or table.name == "deflection":
        document.refuse(
            (*path, "name"),
            f"{shown(table.name)} is no channel name",
            "give load, midspan, support_left, ... (README.md, Your rig, lists them)",
        )
        return None
    found = bounds(document, (*path, "range"), table.range, channel_dimension(table.name))
    steps = []
    for key in ("resolution", "noise"):
        value = getattr(table, key)
        if value is None:
            steps.append(0.0)
            continue
        try:
            steps.append(parse(value, difference_dimension(table.name)))
        except UnitError as error:
            document.refuse((*path, key), error.problem, error.remedy)
    if found is None or len(steps) < 2:
        return None
    resolution, noise = steps
    width = found[1] - found[0]
    if not 0 < resolution < width / 10:
        document.refuse(
            (*path, "resolution"),
            f"{shown(table.resolution)} does not suit the range",
            "give the smallest step the channel shows, above zero and below a tenth of its range",
        )
    if not 0 <= noise < width / 10:
        document.refuse(
            (*path, "noise"),
            f"{shown(table.noise)} does not suit the range",
            "give the standard deviation, below a tenth of the range",
        )
    return Channel(table.name, unit, resolution, *found, noise=noise, slow=table.slow)


def _stops(document: Document, table: dict[str, Any]) -> dict[str, int]:
    stops = dict(STOPS)
    for cause, category in table.items():
        path = ("stops", cause)
        if cause not in STOPS:
            document.refuse(path, "is no cause of a stop", f"known are {', '.join(STOPS)}")
        elif isinstance(category, bool) or not isinstance(category, int):
            document.refuse(path, f"{shown(category)} is no stop category", "give 0, 1 or 2")
        elif category not in _allowed(cause):
            allowed = " or ".join(str(c) for c in _allowed(cause))
            document.refuse(path, f"category {shown(category)} is refused", f"give {allowed}")
        else:
            stops[cause] = category
    return stops


def _allowed(cause: str) -> tuple[int, ...]:
    # Category 2 keeps the power on: only a pause may.
    if STOPS[cause] == 0:
        return (0,)
    return (0, 1, 2) if cause == "pause" else (0, 1)

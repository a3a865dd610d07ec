"""The shape of the tables of a rig file that say what is at the other end of which line."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import Field

from rig.protocol.channel_tables import ChannelTable
from rig.protocol.fields import Name, Table, Word, number
from rig.protocol.wire_fields import (
    Address,
    Baud,
    Decimals,
    Device,
    Entries,
    Every,
    Keys,
    Line,
    LineEnd,
    OrUnread,
    Parity,
    Place,
    PortPath,
    Register,
    Sample,
    Scale,
    Stale,
    StopBits,
    Tries,
    Truth,
    Waiting,
    choice,
)

_Times = Annotated[float, number(1e-9, 1e9)]
_Of = Annotated[Word, choice("coil", "discrete", "holding", "input")]
_Kind = Annotated[Word, choice("bit", "int16", "uint16", "int32", "uint32", "float32")]

BIT_ONLY = ("true_is",)
"""Keys of a point that mean something to a bit alone."""

NUMBER_ONLY = ("unit", "scale", "zero", "limits", "high_first", "every")
"""Keys of a point that mean something to a number alone."""


class PortTable(Table):
    """`[[port]]`."""

    name: Name
    path: PortPath
    baud: Baud
    parity: Parity = "none"
    stop_bits: StopBits = 1
    answer_within: Waiting = 0.2
    ask_again: Tries = 1
    reopen: bool = True


class UnitsTable(Table):
    """`units` of `[controller]`: what its numbers are in."""

    force: Word
    length: Word
    speed: Word
    force_rate: Word = Field(alias="force rate")
    frequency: Word
    time: Word


class ScaleTable(Table):
    """`scale` of `[controller]`: what its numbers are multiplied by, to be in those units."""

    force: _Times = 1.0
    length: _Times = 1.0
    speed: _Times = 1.0
    force_rate: _Times = Field(default=1.0, alias="force rate")
    frequency: _Times = 1.0
    time: _Times = 1.0


class ControllerTable(Table):
    """`[controller]`; its actions and words are read once their shape is known."""

    port: Name
    identity: Line = ""
    decimals: Decimals = 6
    line_end: LineEnd = "LF"
    units: Annotated[UnitsTable | None, OrUnread]
    scale: ScaleTable | None = None
    limits: Keys = Field(default_factory=dict)
    status: Entries
    words: Keys
    actions: Keys


class FromTable(Table):
    """`from` of a sampled channel."""

    port: Name
    number: Sample
    unit: Word
    scale: Scale = 1.0
    zero: Any = None


class WiredChannelTable(ChannelTable):
    """`[[channel]]` of a rig with lines."""

    source: FromTable | None = Field(default=None, alias="from")


class WatchdogTable(Table):
    """`watchdog` of `[[modbus]]`."""

    at: Address
    value: Register


class PointTable(Table):
    """A point of `[[modbus]]`; what suits its kind is judged once that is known."""

    name: Word = Field(alias="what")
    table: _Of
    at: Address
    kind: _Kind = ""
    unit: Word = ""
    scale: Scale = 1.0
    zero: Any = None
    limits: Any = None
    high_first: bool = True
    true_is: Truth = 1
    every: Every = 1.0


class ModbusTable(Table):
    """`[[modbus]]`."""

    name: Name
    port: Name
    address: Device
    watchdog: WatchdogTable | None = None
    points: list[PointTable | None] = Field(min_length=1, max_length=200)


class AnswerTable(Table):
    """A number in the answer of a slow instrument."""

    channel: Word
    place: Place
    unit: Word
    scale: Scale = 1.0
    zero: Any = None
    limits: Any = None


class InstrumentTable(Table):
    """`[[instrument]]`."""

    name: Name
    port: Name
    ask: Line
    every: Every = 2.0
    line_end: LineEnd = "LF"
    answers: list[AnswerTable | None] = Field(min_length=1, max_length=100)


class WireTables(Table):
    """The root keys of a rig file that speak of lines, and of drivers from elsewhere."""

    stale_after: Stale = 0.5
    port: list[PortTable | None] | None = Field(default=None, min_length=1, max_length=50)
    controller: ControllerTable | None = None
    modbus: list[ModbusTable | None] | None = Field(default=None, max_length=100)
    instrument: list[InstrumentTable | None] | None = Field(default=None, max_length=100)
    settings: dict[str, Any] = Field(default_factory=dict)

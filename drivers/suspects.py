"""Who is at a port whose device is not understood: another device of the rig, or one set otherwise.

It is asked as the other devices of the rig file are, with their settings; then as it should be,
with other line ends, with other parity and at other speeds. The controller's own port is only
listened to: nobody knows what a controller makes of bytes that are none of its words. A
pseudo-terminal has no hardware behind it and is asked all the same.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Final, TypeVar

from drivers.answers import fields, number, unquoted
from drivers.bus import Bus
from drivers.frames import FrameDecoder
from drivers.lines import SerialLine, is_terminal
from drivers.text import TextLine
from rig.clock import Clock
from rig.errors import DeviceError
from rig.ports import LineReport
from rig.protocol.wire import Controller, Instrument, ModbusDevice, Port, Wire

SPEEDS: Final = (9600, 19200, 38400, 57600, 115200, 230400, 460800, 921600)
"""Speeds [baud] at which devices commonly come."""
PARITIES: Final = ("none", "even", "odd")
LINE_ENDS: Final = {"LF": "\n", "CR": "\r", "CRLF": "\r\n"}
ECHO: Final = "is echo in [controller.actions] one of its own commands?"
LISTENS: Final = 0.4
"""How long [s] a port is listened to for frames of samples."""
WITHIN: Final = 0.25
"""Longest time [s] for an answer to a question of text."""
FRAMES: Final = 3
"""Whole frames after which there is no doubt."""

Spoken = TypeVar("Spoken", Controller, Instrument)
Ask = Callable[[Port], Awaitable[str]]


@dataclass(frozen=True, slots=True)
class Kind:
    """One way to ask: the port that is asked so, and what asks it; "" where nobody answers so.

    `ends` asks as with other line ends, by their names; `again` is what to try where it does
    answer so as the rig file says.
    """

    port: Port
    ask: Ask
    listens: bool = False
    ends: Mapping[str, Ask] = field(default_factory=dict)
    again: str = ""


async def suspect(
    lines: Sequence[LineReport],
    wire: Wire,
    clock: Clock,
    harmless: Callable[[Port], bool] = is_terminal,
) -> tuple[LineReport, ...]:
    """Return the reports, those of ports that are not understood with what was found there.

    `harmless` tells whether a controller at a port may be asked what is none of its words.
    """
    kinds = tuple(_kinds(wire, clock))
    controls = wire.controller.port if wire.controller is not None else ""

    async def closer(line: LineReport) -> LineReport:
        if not line.trouble or line.good:
            return line
        port = wire.port(line.port)
        return await _closer(line, kinds, silent=port.name == controls and not harmless(port))

    return tuple(await asyncio.gather(*map(closer, lines)))


async def _closer(line: LineReport, kinds: Sequence[Kind], *, silent: bool) -> LineReport:
    own = next(kind for kind in kinds if kind.port.name == line.port)
    port = replace(own.port, reopen=False)
    try:
        found = await _found(port, own, kinds, silent=silent)
    except DeviceError:  # it cannot be opened, as was told already
        return line
    return replace(line, remedy=found) if found else line


async def _found(port: Port, own: Kind, kinds: Sequence[Kind], *, silent: bool) -> str:
    """Return what is at a port, and what to do about it; "" where nothing is understood."""
    for kind in kinds:
        if kind.port.name == port.name or (silent and not kind.listens):
            continue
        who = await kind.ask(replace(kind.port, name=port.name, path=port.path, reopen=False))
        if who:
            return (
                f'{who} answers here, which belongs to port "{kind.port.name}": are the paths of '
                f'"{port.name}" and "{kind.port.name}" exchanged in the rig file, or the plugs?'
            )
    if silent and not own.listens:
        return ""
    if own.again and (who := await own.ask(port)):
        return f"{who} does answer here: {own.again}"
    for end, ask in own.ends.items():
        if who := await ask(port):
            return f'{who} answers lines that end in {end}: write line_end = "{end}" in its table'
    return await _set_otherwise(port, own, kinds)


async def _set_otherwise(port: Port, own: Kind, kinds: Sequence[Kind]) -> str:
    """Return at which parity, or else which speed, a device is understood; "" for none."""
    # A pseudo-terminal has no parity.
    for parity in () if is_terminal(port) else PARITIES:
        if parity != port.parity and (who := await own.ask(replace(port, parity=parity))):
            return (
                f'{who} is understood with parity "{parity}", the rig file says "{port.parity}": '
                f'write parity = "{parity}" there, or set the device to the other'
            )
    for baud in dict.fromkeys((*(kind.port.baud for kind in kinds), *SPEEDS)):
        if baud != port.baud and (who := await own.ask(replace(port, baud=baud))):
            return (
                f"{who} is understood at {baud} baud, the rig file says {port.baud}: write baud = "
                f"{baud} there, or set the device to the other"
            )
    return ""


def _kinds(wire: Wire, clock: Clock) -> Iterator[Kind]:
    """Give one way to ask for each port of a rig file."""
    if (one := wire.controller) is not None:
        ends = _ends(one, lambda other: partial(_controller, other, clock))
        port, ask = wire.port(one.port), partial(_controller, one, clock)
        yield Kind(port, ask, ends=ends, again=ECHO if "echo" in one.actions else "")
    for name in dict.fromkeys(source.port for source in wire.sources):
        yield Kind(wire.port(name), partial(_samples, clock), listens=True)
    for name in dict.fromkeys(device.port for device in wire.modbus):
        devices = [device for device in wire.modbus if device.port == name]
        yield Kind(wire.port(name), partial(_modbus, devices, clock))
    for instrument in wire.instruments:
        ends = _ends(instrument, lambda other: partial(_instrument, other, clock))
        ask = partial(_instrument, instrument, clock)
        yield Kind(wire.port(instrument.port), ask, ends=ends)


def _ends(plan: Spoken, ask: Callable[[Spoken], Ask]) -> dict[str, Ask]:
    """Return how to ask as with each line end that the rig file does not say."""
    return {
        name: ask(replace(plan, line_end=end))
        for name, end in LINE_ENDS.items()
        if end != plan.line_end
    }


async def _controller(plan: Controller, clock: Clock, port: Port) -> str:
    answer = await _answer(port, plan.actions["identify"][0], plan.line_end, clock)
    said = unquoted(answer)
    return f'the controller ("{said}")' if said and plan.identity in said else ""


async def _instrument(plan: Instrument, clock: Clock, port: Port) -> str:
    parts = fields(await _answer(port, plan.ask, plan.line_end, clock))
    try:
        for answer in plan.answers:
            number(parts[answer.place - 1])
    except (ValueError, IndexError):
        return ""
    return f'the instrument "{plan.name}"'


async def _answer(port: Port, question: str, line_end: str, clock: Clock) -> str:
    """Return the line that answers a question, "" where none does."""
    line = TextLine(replace(port, answer_within=min(port.answer_within, WITHIN)), clock, line_end)
    line.open()
    try:
        # Twice: the first may only end the half line that other bytes have left in a device.
        return (await line.ask(question, _as_it_is, tries=2)).value
    except DeviceError:
        return ""
    finally:
        await asyncio.to_thread(line.close)


def _as_it_is(answer: str) -> str:
    return answer


async def _modbus(devices: Sequence[ModbusDevice], clock: Clock, port: Port) -> str:
    bus = Bus(SerialLine(port, clock), clock)
    bus.open()
    try:
        for device in devices:
            try:
                await bus.regain(device.address)
            except DeviceError:
                continue
            return f'a Modbus device ("{device.name}", address {device.address})'
        return ""
    finally:
        await asyncio.to_thread(bus.close)


async def _samples(clock: Clock, port: Port) -> str:
    """Listen for frames; nothing is sent."""
    decoder, line = FrameDecoder(), SerialLine(port, clock)
    line.open(lambda data, _when: _feed(decoder, data))
    try:
        await clock.sleep(LISTENS)
    finally:
        await asyncio.to_thread(line.close)
    return "a device that sends samples" if decoder.good >= FRAMES else ""


def _feed(decoder: FrameDecoder, data: bytes) -> None:
    decoder.feed(data)

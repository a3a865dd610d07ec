"""A look at every line of a rig file: who answers, what they say, what is missing.

Only questions go out: nothing moves, and no limit, watchdog or output is written. Each line is
looked at by itself, so that one that fails hides nothing of the others.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Final

from drivers.background import Background
from drivers.controller import SerialActuator
from drivers.gauge import Gauge, Seen
from drivers.instruments import Instruments
from drivers.lines import is_terminal
from drivers.sample_port import SamplePort
from drivers.serial_rig import sources_by_port
from drivers.stations import EMULATED, ModbusDevices
from drivers.suspects import suspect
from rig.clock import Clock
from rig.errors import DeviceError, InputError
from rig.ports import ActuatorRange, ActuatorStatus, InputState, LineReport, PumpStatus
from rig.protocol.plan import Bounds, RigPlan
from rig.protocol.wire import Controller, Instrument, Wire

ASK_EVERY: Final = 0.1
"""Time [s] between two questions to the controller, or two looks at what an instrument says."""
SLOWEST: Final = 9.0
"""Times `answer_within` that a slow instrument has until its first value."""
SETTLES: Final = 1.0
"""Time [s] in which a device that has answered must answer again."""
TEXT: Final = ("controller", "instrument")
"""Kinds of lines that answer in text."""
REFUSES: Final = " refuses to "
"""In what is told of a Modbus device that answers, and says that it will not."""
NOTHING: Final = "nothing comes: "
"""How a remedy begins where not a byte has come."""


@dataclass(frozen=True, slots=True)
class Survey:
    """What a rig's lines and devices say.

    `values` has a channel for each that was looked for, `limits` the controller's own [SI].
    `status`, `inputs` and `pump` are None where they did not answer, or are not there; `emulated`
    tells whether all that can move says that it is. `troubles` are those of no line: what is wrong
    and what to try, one line each. `told` is what happened meanwhile.
    """

    lines: tuple[LineReport, ...] = ()
    values: Mapping[str, Seen] = field(default_factory=dict)
    status: ActuatorStatus | None = None
    limits: Mapping[str, Bounds] = field(default_factory=dict)
    inputs: InputState | None = None
    pump: PumpStatus | None = None
    emulated: bool = False
    troubles: tuple[str, ...] = ()
    told: tuple[str, ...] = ()


async def survey(plan: RigPlan, clock: Clock, seconds: float) -> Survey:
    """Look at all lines of a rig file for some time [s]; ports that are in doubt a little longer.

    Raises InputError for a rig file without ports.
    """
    wire = plan.wire
    if wire is None or wire.controller is None:
        raise InputError(f'rig "{plan.name}": driver "serial" needs [[port]] and [controller]')
    found = await asyncio.gather(
        _controller(plan, wire, wire.controller, clock, seconds),
        _samples(plan, wire, clock, seconds),
        *([_modbus(wire, clock, seconds)] if wire.modbus else []),
        *(_instrument(wire, one, clock, seconds) for one in wire.instruments),
    )
    whole = _together(found)
    emulated = all(part.emulated for part in found) and all(map(is_terminal, wire.ports))
    return replace(whole, lines=await suspect(whole.lines, wire, clock), emulated=emulated)


def _together(parts: list[Survey]) -> Survey:
    """Return what several looks have found as one."""
    values: dict[str, Seen] = {}
    for part in parts:
        values |= part.values
    return Survey(
        lines=tuple(line for part in parts for line in part.lines),
        values=values,
        status=next((p.status for p in parts if p.status is not None), None),
        limits=next((p.limits for p in parts if p.limits), {}),
        inputs=next((p.inputs for p in parts if p.inputs is not None), None),
        pump=next((p.pump for p in parts if p.pump is not None), None),
        troubles=tuple(t for p in parts for t in p.troubles),
        told=tuple(t for p in parts for t in p.told),
    )


async def _controller(
    plan: RigPlan, wire: Wire, controller: Controller, clock: Clock, seconds: float
) -> Survey:
    able = plan.actuator
    limits = ActuatorRange(*able.load, *able.stroke, able.speed, able.frequency)
    actuator = SerialActuator(wire.port(controller.port), controller, limits, clock)
    status, own, error = None, dict[str, Bounds](), None
    until = clock.now() + seconds
    try:
        await actuator.open()
        if controller.limits:
            own = await actuator.read_limits()
        while clock.now() < until:
            status = await actuator.status()
            await clock.sleep(ASK_EVERY)
    except DeviceError as found:
        error = found
    report = _with_trouble(actuator.report(), error)
    told = actuator.told()
    await actuator.close()
    return Survey(
        lines=(report,),
        status=status if error is None else None,
        limits=own,
        emulated=EMULATED in actuator.who,
        told=told,
    )


async def _samples(plan: RigPlan, wire: Wire, clock: Clock, seconds: float) -> Survey:
    """Listen to every port of samples; the port with the load is the time base of the others."""
    sources = sources_by_port(wire)
    ports = [SamplePort(wire.port(name), of, plan.rate, clock) for name, of in sources.items()]
    ports.sort(key=lambda port: "load" not in port.names)
    gauges = [Gauge(port, plan.rate, clock) for port in ports]
    await asyncio.gather(*(gauge.listen(seconds) for gauge in gauges))
    values: dict[str, Seen] = {}
    lines, told = [], list[str]()
    for gauge in gauges:
        values |= gauge.seen()
        report = gauge.port.report(_skew(gauge.port, ports[0]))
        if gauge.error is not None:  # it was never open: that nothing came says nothing
            report = replace(report, trouble="", remedy="")
        lines.append(_with_trouble(report, gauge.error))
        told += gauge.port.told()
        gauge.close()
    emulated = all(port.info is not None and port.info.emulated for port in ports)
    return Survey(lines=tuple(lines), values=values, emulated=emulated, told=tuple(told))


def _skew(port: SamplePort, base: SamplePort) -> float | None:
    """Return how far [s] a port's times may be off those of the time base."""
    if port is base:
        return 0.0
    own, of_base = port.fit.spread, base.fit.spread
    return None if own is None or of_base is None else own + of_base


async def _modbus(wire: Wire, clock: Clock, seconds: float) -> Survey:
    devices = ModbusDevices(wire, clock, asks_only=True)
    polling = Background([devices.run])
    troubles: list[str] = []
    inputs = pump = None
    try:
        await devices.open()
        polling.start()
        await clock.sleep(seconds)
        lines = await _settled(devices, wire, clock)
        try:
            inputs = await devices.inputs.read()
            pump = await devices.pump.status() if devices.pump is not None else None
        except DeviceError as error:
            if not any(line.trouble for line in lines):
                troubles.append(str(error))
        return Survey(
            lines=lines,
            values={name: Seen(value) for name, value in devices.slow().items()},
            inputs=inputs,
            pump=pump,
            emulated=devices.emulated,
            troubles=tuple(troubles),
            told=devices.told(),
        )
    finally:
        await polling.close()
        await devices.close()


async def _settled(devices: ModbusDevices, wire: Wire, clock: Clock) -> tuple[LineReport, ...]:
    """Return the reports of the buses; one question that was lost just now is no trouble."""
    until = clock.now() + SETTLES
    while True:
        lines = tuple(_plain_bus(line, wire) for line in devices.report())
        lost = any(line.trouble and line.good for line in lines)
        if not lost or clock.now() > until:
            return lines
        await clock.sleep(ASK_EVERY)


def _plain_bus(line: LineReport, wire: Wire) -> LineReport:
    """Return the report of a bus that says which devices do not answer, and whether others do."""
    if REFUSES in line.trouble:
        what, _, _ = line.trouble.partition("; ")
        remedy = "look up this address, its table and its kind in the device's manual"
        return replace(line, trouble=what, remedy=remedy)
    there = [device for device in wire.modbus if device.port == line.port]
    silent = [device for device in there if device.name not in line.who]
    if not line.trouble or not silent or line.trouble.startswith("port "):
        return _with_trouble(line, DeviceError(line.trouble) if line.trouble else None)
    names = " and ".join(f'"{device.name}" (address {device.address})' for device in silent)
    verb = "do not answer" if len(silent) > 1 else "does not answer"
    if len(silent) < len(there):
        trouble = f"{names} {verb}, the others on this bus do"
        remedy = "is it switched on, is that its address, are its wires whole?"
        return replace(line, trouble=trouble, remedy=remedy)
    remedy = _without(line.remedy) or "are the devices switched on?"
    return replace(line, trouble=f"{names} {verb}", remedy=remedy)


async def _instrument(wire: Wire, one: Instrument, clock: Clock, seconds: float) -> Survey:
    instruments = Instruments(replace(wire, instruments=(one,)), clock)
    error = None
    begun, longest = clock.now(), max(seconds, SLOWEST * wire.port(one.port).answer_within)
    try:
        await instruments.open()
        # What it answers first is thrown away: an old answer may have lain in the line.
        while (passed := clock.now() - begun) < seconds or (
            passed < longest and not any(line.good for line in instruments.report())
        ):
            await clock.sleep(min(ASK_EVERY, longest))
    except DeviceError as found:
        error = found
    lines = tuple(_with_trouble(line, error) for line in instruments.report())
    values = {name: Seen(value) for name, value in instruments.slow().items()}
    told = instruments.told()
    await instruments.close()
    # What only measures need not be emulated.
    return Survey(lines=lines, values=values, emulated=True, told=told)


def _with_trouble(line: LineReport, error: DeviceError | None) -> LineReport:
    """Return a report that says in plain words what is wrong, and what to try."""
    failed = str(error or "")
    trouble, then = _parted(line.trouble or failed, line)
    remedy = line.remedy or then or _parted(failed, line)[1]
    if remedy.startswith(NOTHING):
        trouble = "nothing answers"
    return replace(line, trouble=trouble, remedy=_fitting(line, trouble, _without(remedy)))


def _parted(said: str, line: LineReport) -> tuple[str, str]:
    """Return what is wrong with a line, and what to try, where one text says both."""
    what, _, remedy = said.partition("; ")
    head = f'port "{line.port}" ({line.path})'
    return what.removeprefix(head).removeprefix(":").strip(), remedy


def _fitting(line: LineReport, trouble: str, remedy: str) -> str:
    """Return what to try, for a text line that answers and yet not as it should.

    Text that can be read has come at the right speed, and over wires that are whole.
    """
    if line.kind not in TEXT:
        return remedy
    if " is no answer to " in trouble:
        return "compare what it answers with the rig file and with its manual: places, words, order"
    if trouble.startswith("no answer to ") and line.good:
        return "it answers other questions: is this one in the rig file as its manual has it?"
    return remedy


def _without(remedy: str) -> str:
    """Return what to try, without what the trouble says already."""
    return remedy.removeprefix(NOTHING)

"""A rig on serial lines: controller, samples, Modbus devices and slow instruments of a rig file."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable

from drivers.acquisition import FrameAcquisition
from drivers.background import Background
from drivers.controller import SerialActuator
from drivers.instruments import Instruments
from drivers.lines import is_terminal
from drivers.stations import EMULATED, ModbusDevices
from rig.clock import Clock
from rig.errors import DeviceError, InputError
from rig.ports import ActuatorRange, Inputs, InputState, LineReport, Rig
from rig.protocol.plan import RigPlan
from rig.protocol.wire import Controller, Source, Wire


async def open_rig(plan: RigPlan, clock: Clock) -> Rig:
    """Return the rig of a rig file, all its devices found; nothing is moved or switched.

    Raises InputError for a rig file without devices, DeviceError with one line for each device
    that is missing; all ports are then closed again.
    """
    wire, controller = plan.wire, plan.wire.controller if plan.wire is not None else None
    if wire is None or controller is None:
        raise InputError(f'rig "{plan.name}": driver "serial" needs [[port]] and [controller]')
    devices = _Devices(plan, wire, controller, clock)
    try:
        await devices.open()
    except BaseException:
        await devices.close()
        raise
    return devices.rig()


class _Devices:
    """All devices of one rig; also its `rig.ports.Lines`."""

    def __init__(self, plan: RigPlan, wire: Wire, controller: Controller, clock: Clock) -> None:
        self._wire = wire
        self._actuator = SerialActuator(wire.port(controller.port), controller, _range(plan), clock)
        self._modbus = ModbusDevices(wire, clock)
        self._instruments = Instruments(wire, clock)
        self._acquisition = FrameAcquisition(
            sources_by_port(wire),
            wire.ports,
            plan.channels,
            plan.rate,
            clock,
            on_stop=self._actuator.shut_now,
            slow_sources=(self._modbus.slow, self._instruments.slow),
        )
        self._polling = Background([self._modbus.run])

    async def open(self) -> None:
        """Open all side by side, so that one that is missing does not hide the others."""
        opened = await asyncio.gather(
            self._actuator.open(),
            self._acquisition.open(),
            self._modbus.open(),
            self._instruments.open(),
            return_exceptions=True,
        )
        failed = [error for error in opened if isinstance(error, BaseException)]
        for error in failed:
            if not isinstance(error, DeviceError):
                raise error
        if failed:
            raise DeviceError("\n".join(map(str, failed)))
        self._polling.start()

    async def close(self) -> None:
        """End all jobs, threads and ports; nothing is commanded."""
        closing: tuple[Callable[[], Awaitable[None]], ...] = (
            self._polling.close,
            self._instruments.close,
            self._modbus.close,
            self._acquisition.close,
            self._actuator.close,
        )
        for close in closing:
            await close()

    def rig(self) -> Rig:
        """Return what the conductor drives."""
        return Rig(
            self._actuator,
            self._acquisition,
            self._modbus.pump,
            _Watched(self._modbus.inputs, self._polling),
            emulated=self._emulated(),
            horn=self._modbus.horn,
            shunt=self._modbus.shunt,
            post=self._acquisition.post,
            lines=self,
            closing=self.close,
        )

    def report(self) -> tuple[LineReport, ...]:
        """Return what is known of each line now."""
        return (
            self._actuator.report(),
            *self._acquisition.report(),
            *self._modbus.report(),
            *self._instruments.report(),
        )

    def told(self) -> tuple[str, ...]:
        """Return what has happened on the lines since this was asked last."""
        return (
            *self._actuator.told(),
            *self._acquisition.told(),
            *self._modbus.told(),
            *self._instruments.told(),
        )

    def _emulated(self) -> bool:
        """Whether all that can move or hurt says that it is emulated, on pseudo-terminals."""
        return (
            all(map(is_terminal, self._wire.ports))
            and EMULATED in self._actuator.who
            and self._acquisition.emulated
            and self._modbus.emulated
        )


class _Watched:
    """Inputs whose reading has a job of its own: they are worth nothing once that has ended."""

    def __init__(self, inputs: Inputs, polling: Background) -> None:
        self._inputs = inputs
        self._polling = polling

    async def read(self) -> InputState:
        """Return the inputs. Raises DeviceError where they are too old, or nobody reads them."""
        if self._polling.trouble:
            raise DeviceError(f"the inputs are not read any more: {self._polling.trouble}")
        return await self._inputs.read()


def sources_by_port(wire: Wire) -> dict[str, tuple[Source, ...]]:
    """Return what comes from each port of samples, by the port's name."""
    names = dict.fromkeys(source.port for source in wire.sources)
    return {name: tuple(s for s in wire.sources if s.port == name) for name in names}


def _range(plan: RigPlan) -> ActuatorRange:
    actuator = plan.actuator
    return ActuatorRange(*actuator.load, *actuator.stroke, actuator.speed, actuator.frequency)

"""The emulated devices on the Modbus line: a water station and a cabinet.

=========  ========  ==============================  =========================================
table      address   water station (address 1)       cabinet (address 2)
=========  ========  ==============================  =========================================
coil       0         pump                            horn
coil       1                                         shunt resistors, where the rig has any
discrete   0         pump runs                       emergency stop chain: 1 closed, healthy
discrete   1         leak                            guard: 1 closed
discrete   2                                         oil pressure: 1 high enough
discrete   3                                         mains: 1 there
discrete   4                                         button or key at the rig: 1 operated
input      0         flow, float32, L/min            temperature of the oil, int16, 0.1 degC
input      2         tank, float32, L
input      4         level, float32, mm
input      6         temperature of the water,
                     float32, degC
holding    0         watchdog, ms; 0 for none        watchdog, ms; 0 for none
=========  ========  ==============================  =========================================

A float32 has its high register first. What a station does not know is NaN, or -3276.8 in the
int16. The watchdog is that of the communication: after so many milliseconds without a request
to it a station lets go of its output. It is off at power-on.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
import struct
from collections.abc import Awaitable, Callable, Mapping, Sequence
from typing import Final, Literal

from rig.clock import Clock
from rig.errors import DeviceError
from rig.ports import Horn, Inputs, Pump, PumpStatus

WATER: Final = 1
CABINET: Final = 2
"""Addresses on the bus."""
SHUNT_AT: Final = 1
"""Coil of the cabinet's relay for the shunt resistors."""

Slow = Callable[[], Awaitable[Mapping[str, float]]]
"""Gives the slow channels of the rig [SI] by name."""
Tell = Callable[[str, str], None]
"""Called with what has changed and how: "pump output", "horn output", "watchdog of ...".

Before a watchdog lets go comes "last request to ..." with the second of the clock.
"""

_L_PER_MIN: Final = 6e4
_LITRES: Final = 1e3
_MM: Final = 1e3
_ICE: Final = 273.15
_TENTHS: Final = 10.0
_NO_NUMBER: Final = -0x8000


class Watchdog:
    """Calls `let_go` once when nothing has been heard for `milliseconds`; 0 for never."""

    def __init__(self, clock: Clock, let_go: Callable[[], Awaitable[None]]) -> None:
        self._milliseconds = 0
        self._clock = clock
        self._let_go = let_go
        self._heard = clock.now()
        self._gone = False
        self._changed = asyncio.Event()

    @property
    def milliseconds(self) -> int:
        """How long it waits [ms]."""
        return self._milliseconds

    @property
    def heard_at(self) -> float:
        """When it began to wait [s of the clock]."""
        return self._heard

    def heard(self) -> None:
        """Begin to wait anew."""
        self._heard = self._clock.now()
        self._gone = False
        self._changed.set()

    def wait_for(self, milliseconds: int) -> None:
        """Wait so long from now on [ms]."""
        self._milliseconds = milliseconds
        self.heard()

    async def run(self) -> None:
        """Watch until cancelled."""
        while True:
            if self._gone or not self._milliseconds:
                self._changed.clear()
                await self._changed.wait()
            elif (left := self._heard + self._milliseconds / 1e3 - self._clock.now()) > 0:
                await self._clock.sleep(left)
            else:
                self._gone = True
                await self._let_go()


class _Station:
    """What both stations have: one output, one holding register with its watchdog."""

    address: int
    identity: tuple[str, ...]

    def __init__(self, output: Pump | Horn | None, name: str, clock: Clock, tell: Tell) -> None:
        self._output = output
        self._name = name
        self._on = False
        self._tell = tell
        self._watchdog = Watchdog(clock, self._let_go)

    def heard(self) -> None:
        """Take it that a request to this station has come."""
        self._watchdog.heard()

    async def watch(self) -> None:
        """Let go of the output when the watchdog says so, until cancelled."""
        await self._watchdog.run()

    async def set_bit(self, at: int, on: bool) -> None:
        """Switch the output."""
        if self._output is not None and at == 0:
            await self._output.set(on)
            if on != self._on:
                self._on = on
                self._tell(f"{self._name} output", "on" if on else "off")

    async def set_word(self, at: int, value: int) -> None:
        """Set the time of the watchdog [ms]."""
        if at == 0:
            self._watchdog.wait_for(value)

    def _coils(self) -> Sequence[bool]:
        return () if self._output is None else (self._on,)

    async def _let_go(self) -> None:
        if not self._on:
            return
        self._tell(f"last request to {self.identity[1]}", f"{self._watchdog.heard_at:.6f}")
        self._tell(f"watchdog of {self.identity[1]}", "let go")
        with contextlib.suppress(DeviceError):  # an output that is lost is off, or nobody's
            await self.set_bit(0, on=False)


class WaterStation(_Station):
    """Spray pump, its flow, the tank, the water's level and temperature, the leak sensor."""

    address: int = WATER
    identity: tuple[str, ...] = ("nightrig", "emulated water station", "1.0")

    def __init__(
        self, pump: Pump | None, inputs: Inputs, slow: Slow, clock: Clock, tell: Tell
    ) -> None:
        super().__init__(pump, "pump", clock, tell)
        self._pump = pump
        self._inputs = inputs
        self._slow = slow

    async def bits(self, table: Literal["coil", "discrete"]) -> Sequence[bool]:
        """Return coils or discrete inputs."""
        if table == "coil":
            return self._coils()
        return (await self._running()).on, (await self._inputs.read()).leak

    async def words(self, table: Literal["holding", "input"]) -> Sequence[int]:
        """Return holding or input registers."""
        if table == "holding":
            return (self._watchdog.milliseconds,)
        status, slow = await self._running(), await _known(self._slow)
        values = (
            _first(status.flow, slow.get("flow")) * _L_PER_MIN,
            _first(status.tank, slow.get("tank")) * _LITRES,
            _first(slow.get("level")) * _MM,
            _first(slow.get("temperature_water")) - _ICE,
        )
        return [word for value in values for word in _float_words(value)]

    async def _running(self) -> PumpStatus:
        """Return what the pump says; of one that is not there or lost, nothing but off."""
        if self._pump is not None:
            with contextlib.suppress(DeviceError):
                return await self._pump.status()
        return PumpStatus(on=False, flow=None, tank=None)


class Cabinet(_Station):
    """The horn, and the contacts of the rig's cabinet, which open when something is wrong.

    `shunt` is the relay of the shunt resistors, None where there are none.
    """

    address: int = CABINET
    identity: tuple[str, ...] = ("nightrig", "emulated cabinet", "1.0")

    def __init__(
        self,
        horn: Horn | None,
        inputs: Inputs,
        slow: Slow,
        clock: Clock,
        tell: Tell,
        shunt: Horn | None = None,
    ) -> None:
        super().__init__(horn, "horn", clock, tell)
        self._inputs = inputs
        self._slow = slow
        self._shunt = shunt
        self._shunted = False

    async def set_bit(self, at: int, on: bool) -> None:
        """Switch the horn, or the shunt resistors."""
        if at != SHUNT_AT:
            await super().set_bit(at, on)
        elif self._shunt is not None and on != self._shunted:
            await self._shunt.set(on)
            self._shunted = on
            self._tell("shunt output", "on" if on else "off")

    def _coils(self) -> Sequence[bool]:
        return super()._coils() if self._shunt is None else (self._on, self._shunted)

    async def _let_go(self) -> None:
        await super()._let_go()
        await self.set_bit(SHUNT_AT, on=False)

    async def bits(self, table: Literal["coil", "discrete"]) -> Sequence[bool]:
        """Return coils or discrete inputs."""
        if table == "coil":
            return self._coils()
        now = await self._inputs.read()
        wrong = (now.emergency_stop, now.guard_open, now.oil_pressure_low, now.mains_lost)
        return (*(not w for w in wrong), now.local_button)

    async def words(self, table: Literal["holding", "input"]) -> Sequence[int]:
        """Return holding or input registers."""
        if table == "holding":
            return (self._watchdog.milliseconds,)
        oil = (await self._inputs.read()).oil_temperature
        slow = {} if oil is not None else await _known(self._slow)
        return (_int16_word((_first(oil, slow.get("temperature_oil")) - _ICE) * _TENTHS),)


async def _known(slow: Slow) -> Mapping[str, float]:
    """Return the slow channels, none where they are lost."""
    try:
        return await slow()
    except DeviceError:
        return {}


def _first(*values: float | None) -> float:
    """Return the first value that there is, NaN for none."""
    return next((v for v in values if v is not None), math.nan)


def _float_words(value: float) -> tuple[int, int]:
    """Return the two registers of a float32, high one first."""
    high, low = struct.unpack(">HH", struct.pack(">f", value))
    return high, low


def _int16_word(value: float) -> int:
    """Return the register of an int16, as near as it goes."""
    whole = _NO_NUMBER if math.isnan(value) else max(-0x7FFF, min(0x7FFF, round(value)))
    return whole & 0xFFFF

"""The emulated servo controller: the simulated actuator behind text lines.

Numbers are kN, mm, s and Hz, or have a suffix. A set-point outside the actuator's ranges is an
execution error -222 and changes nothing, what the actuator cannot do now is -221; both carry the
reason. A wave one of whose settings was refused is not started before it is set anew. The
watchdog, the controller's own limits and the count to stop at are those of the simulated machine.
"""

from __future__ import annotations

from collections.abc import Callable, Coroutine
from functools import partial
from typing import Any, Final, TypeVar, cast

from rig.errors import DeviceError, SetpointRefused
from rig.ports import ActuatorStatus, Pressure
from simulators.actuator import SimulatedActuator
from simulators.wire.scpi import Fault
from simulators.wire.scpi_device import Session, TextDevice
from simulators.wire.scpi_tree import Choice, Command, Quantity

IDENTITY: Final = "nightrig,emulated controller,1,1"
TURN_ROUND: Final = 0.002
"""Time [s] from the end of a message until it is obeyed and answered."""

NOT_A_NUMBER: Final = "9.91E37"
INFINITE: Final = 9.9e37
"""How SCPI-1999 writes NAN and INFinity (volume 1, 7.2.1.4 and 7.2.1.5; from memory)."""

KILO: Final = 1e3  # N in kN
MILLI: Final = 1e-3  # m in mm

_FORCE: Final = Quantity({"N": 1e-3, "KN": 1.0})
_LENGTH: Final = Quantity({"M": 1e3, "MM": 1.0, "UM": 1e-3})
_SPEED: Final = Quantity({"M/S": 1e3, "MM/S": 1.0, "UM/S": 1e-3}, low=1e-6)
_RATE: Final = Quantity({"N/S": 1e-3, "KN/S": 1.0}, low=1e-6)
_TIME: Final = Quantity({"S": 1.0, "MS": 1e-3}, low=0.0, high=1e5)
_FREQUENCY: Final = Quantity({"HZ": 1.0, "KHZ": 1e3})
_COUNT: Final = Quantity({}, 1, 2**53, whole=True)

_LIMITED: Final = {"load": "FORCe", "stroke": "STRoke", "deflection": "DEFLection"}
"""Channels that have a limit of the controller's own, and what it calls them."""
_MODES: Final = {"off": "OFF", "stroke": "STR", "load": "FORC", "deflection": "DEFL"}
_CAUSES: Final = {"": "NONE", "limit": "LIM", "count": "COUN", "watchdog": "WATC"}

_Answer = TypeVar("_Answer")


def controller(
    actuator: SimulatedActuator, watchdog: float, send: Callable[[bytes], None]
) -> TextDevice:
    """Return the controller of an actuator; `watchdog` [s] is what it says of itself."""
    commands = Commands(actuator, watchdog)
    return TextDevice(Session(IDENTITY, commands.all(), commands.reset), send, TURN_ROUND)


class Commands:
    """What the controller obeys and answers."""

    def __init__(self, actuator: SimulatedActuator, watchdog: float) -> None:
        self._actuator = actuator
        self._watchdog = watchdog
        self._wave: dict[str, float | None] = {}
        self._ramps: dict[str, tuple[float, float]] = {}
        self._count: int | None = None
        self.reset_wave()

    def all(self) -> list[Command]:
        """Return the commands beyond those that every device has."""
        return [*self._outputs(), *self._motions(), *self._waves(), *self._own()]

    def reset(self) -> None:
        """Be as at power-on: valve closed, pressure off, no wave. Its limits stay."""
        _at_once(self._actuator.close_valve())
        _at_once(self._actuator.pressure("off"))
        self._stop_at("OFF")
        self.reset_wave()
        self._ramps.clear()

    def reset_wave(self) -> None:
        """Forget what the wave was set to."""
        self._wave = dict.fromkeys(("frequency", "mean", "amplitude"))

    def _outputs(self) -> list[Command]:
        levels = Choice(("OFF", "LOW", "HIGH"))
        switch = Choice(("OFF", "ON"), Quantity({}, 0, 1, whole=True))
        return [
            Command("OUTPut:PRESsure", self._pressure, (levels,)),
            Command("OUTPut:PRESsure?", lambda: self._status().pressure.upper()),
            Command("OUTPut:VALVe", self._valve, (switch,)),
            Command("OUTPut:VALVe?", lambda: str(int(self._status().mode != "off"))),
        ]

    def _motions(self) -> list[Command]:
        ramps = (
            ("STRoke", _LENGTH, _SPEED, self._actuator.move_stroke, MILLI),
            ("FORCe", _FORCE, _RATE, self._actuator.move_load, KILO),
            ("DEFLection", _LENGTH, _SPEED, self._actuator.move_deflection, MILLI),
        )
        commands = [Command("SOURce:HOLD", lambda: _at_once(self._actuator.hold()))]
        for name, to, speed, move, unit in ramps:
            header = f"SOURce:{name}:RAMP"
            commands.append(Command(header, partial(self._ramp, name, move, unit), (to, speed)))
            commands.append(Command(f"{header}?", partial(self._ramp_set, name)))
        return commands

    def _waves(self) -> list[Command]:
        stop = Choice(("OFF",), _COUNT)
        settings = (
            ("SOURce:FREQuency", "frequency", _FREQUENCY),
            ("SOURce:FORCe:OFFSet", "mean", _FORCE),
            ("SOURce:FORCe:AMPLitude", "amplitude", _FORCE),
        )
        commands = [
            Command("SOURce:FUNCtion", lambda _shape: None, (Choice(("SINusoid",)),)),
            Command("SOURce:FUNCtion?", lambda: "SIN"),
            Command("SOURce:CYCLe:STARt", self._start, (_TIME,)),
            Command("SOURce:CYCLe:CHANge", self._change),
            Command("SOURce:CYCLe:END", self._end, (_TIME,)),
            Command("SOURce:CYCLe:STOP", self._stop_at, (stop,)),
            Command("SOURce:CYCLe:STOP?", lambda: str(self._count or "OFF")),
            Command("SOURce:CYCLe:COUNt?", lambda: str(self._status().counter)),
        ]
        for header, name, quantity in settings:
            commands.append(Command(header, partial(self._set, name), (quantity,)))
            commands.append(Command(f"{header}?", partial(self._setting, name)))
        return commands

    def _own(self) -> list[Command]:
        commands = [
            Command("SOURce:MODE?", lambda: _MODES[self._status().mode]),
            Command("STATus:RIG?", self._rig),
            Command("SYSTem:BEAT", lambda: _at_once(self._actuator.heartbeat())),
            Command("SYSTem:WATChdog?", lambda: _shown(self._watchdog)),
        ]
        for channel, name in _LIMITED.items():
            unit, kind = (KILO, _FORCE) if channel == "load" else (MILLI, _LENGTH)
            header = f"CALCulate:LIMit:{name}"
            act = partial(self._limit, channel, unit)
            commands.append(Command(header, act, (kind, kind)))
            commands.append(Command(f"{header}?", partial(self._limits, channel, unit)))
        return commands

    def _status(self) -> ActuatorStatus:
        return _at_once(self._actuator.status())

    def _rig(self) -> str:
        status = self._status()
        tripped = _LIMITED.get(status.tripped, "NONE").rstrip("abcdefghijklmnopqrstuvwxyz")
        return ",".join(
            (
                _MODES[status.mode],
                str(int(status.moving)),
                str(status.counter),
                tripped,
                _CAUSES[status.stopped_by],
                status.pressure.upper(),
                _shown(status.stroke / MILLI),
            )
        )

    def _pressure(self, level: str) -> None:
        _at_once(self._actuator.pressure(cast("Pressure", level.lower())))

    def _valve(self, state: str | float) -> None:
        if state in ("ON", 1):
            raise Fault(-221, "the valve opens with the pressure, not by itself")
        _at_once(self._actuator.close_valve())

    def _ramp(
        self,
        name: str,
        move: Callable[[float, float], Coroutine[Any, Any, None]],
        unit: float,
        to: float,
        speed: float,
    ) -> None:
        _at_once(move(to * unit, speed * unit))
        self._ramps[name] = to, speed

    def _ramp_set(self, name: str) -> str:
        if name not in self._ramps:
            return f"{NOT_A_NUMBER},{NOT_A_NUMBER}"
        return ",".join(map(_shown, self._ramps[name]))

    def _set(self, name: str, value: float) -> None:
        """Set one number of the wave; one that is refused leaves none."""
        self._wave[name] = None
        able = self._actuator.range
        low, high = {
            "frequency": (1e-6, able.frequency),
            "mean": (able.load_low / KILO, able.load_high / KILO),
            "amplitude": (0.0, (able.load_high - able.load_low) / 2 / KILO),
        }[name]
        if not low <= value <= high:
            raise Fault(-222, f"{name} {value:g} is outside {low:g} to {high:g}")
        self._wave[name] = value

    def _setting(self, name: str) -> str:
        value = self._wave[name]
        return NOT_A_NUMBER if value is None else _shown(value)

    def _wave_of(self, *names: str) -> list[float]:
        """Return settings of the wave. Raises Fault where one was never set, or refused."""
        found = []
        for name in names:
            value = self._wave[name]
            if value is None:
                raise Fault(-221, f"the {name} of the wave is not set")
            found.append(value)
        return found

    def _start(self, over: float) -> None:
        mean, amplitude, frequency = self._wave_of("mean", "amplitude", "frequency")
        _at_once(self._actuator.cycle(mean * KILO, amplitude * KILO, frequency, over))

    def _change(self) -> None:
        mean, amplitude = self._wave_of("mean", "amplitude")
        _at_once(self._actuator.adjust(mean * KILO, amplitude * KILO))

    def _end(self, over: float) -> None:
        _at_once(self._actuator.end_cycling(over))

    def _stop_at(self, count: str | float) -> None:
        self._count = None if isinstance(count, str) else int(count)
        _at_once(self._actuator.stop_at(self._count))

    def _limit(self, channel: str, unit: float, low: float, high: float) -> None:
        if low >= high:
            raise Fault(-222, f"the lower limit {low:g} is not below the upper one {high:g}")
        limits = _at_once(self._actuator.read_limits())
        _at_once(self._actuator.write_limits(limits | {channel: (low * unit, high * unit)}))

    def _limits(self, channel: str, unit: float) -> str:
        limits = _at_once(self._actuator.read_limits())
        if channel not in limits:
            return f"{-INFINITE:.1E},{INFINITE:.1E}"
        return ",".join(_shown(bound / unit) for bound in limits[channel])


def _at_once(coroutine: Coroutine[Any, Any, _Answer]) -> _Answer:
    """Return what a simulated device answers; it never waits. Raises Fault for what it refuses."""
    try:
        coroutine.send(None)
    except StopIteration as done:
        return cast("_Answer", done.value)
    except SetpointRefused as error:
        raise Fault(-222, str(error)) from error
    except DeviceError as error:
        raise Fault(-221, str(error)) from error
    coroutine.close()
    raise RuntimeError("a simulated device waited inside a command")


def _shown(value: float) -> str:
    """Return a number as it is answered, to a millionth of its unit."""
    return f"{value:.6f}"

"""How each fault of the table in DEVELOPERS.md is brought about: a scenario for every row."""

from __future__ import annotations

import struct
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

from rig.errors import DeviceError
from rig.ports import ActuatorRange, InputState
from simulators.faults import (
    Flat,
    InLoop,
    InputChange,
    Late,
    Lost,
    Miscounted,
    Missing,
    Moved,
    NoFlow,
    Restarted,
    Scaled,
    Silent,
    Spike,
    Stuck,
    Weak,
)
from tests.control.fault_nights import Night
from tests.control.test_clocks import SleepyClock, SteppedClock

T: Final = 5_100
"""Frame in "plain" in which it cycles, counted, with the baseline known."""
EVER: Final = 10**9
CHANGED: Final = T + 8_000
"""Frame in "witnesses" in which what channels say together is known."""
LATER: Final = T + 38_000
PAUSED: Final = T + 9_000
"""Frame at which somebody stops a test that pauses."""


@dataclass(frozen=True)
class Scenario:
    """A night on a plan; `says` is looked for in the verdict and the events."""

    night: Night
    plan: str = "plain"
    says: str = ""


def faults(*what, plan: str = "plain", says: str = "", **more: Any) -> Scenario:
    return Scenario(Night(faults=what, **more), plan, says)


def asked(*what, plan: str = "plain", says: str = "", at: int = PAUSED, **more: Any) -> Scenario:
    """A scenario in which somebody can answer, and at last says stop."""
    return faults(*what, plan=plan, says=says, script=((at, "stop"),), **more)


def inputs(says: str, plan: str = "plain", at: int = T, **state: Any) -> Scenario:
    return faults(InputChange(at, InputState(**state)), plan=plan, says=says)


class Bad:
    """A device some of whose methods do what a bad driver does, from the nth call on."""

    def __init__(self, device: Any, after: int, acts: Mapping[str, Callable[..., Any]]) -> None:
        self._device, self._left, self._acts = device, after, acts

    def __getattr__(self, name: str) -> Any:
        found = getattr(self._device, name)
        if name not in self._acts:
            return found

        async def done(*arguments: Any) -> Any:
            self._left -= 1
            if self._left >= 0:
                return await found(*arguments)
            return await self._acts[name](found, *arguments)

        return done


def bad(device: str, after: int = 0, **acts: Callable[..., Any]) -> dict[str, Any]:
    return {device: lambda found: Bad(found, after, acts)}


def raising(error: Exception) -> Callable[..., Any]:
    async def act(_found: Any, *_arguments: Any) -> Any:
        raise error

    return act


def answering(answer: Any) -> Callable[..., Any]:
    async def act(_found: Any, *_arguments: Any) -> Any:
        return answer

    return act


async def half_a_limit(found: Any) -> dict[str, tuple[float, float]]:
    return {name: (low, 0.5 * high) for name, (low, high) in (await found()).items()}


async def too_much(found: Any, mean: float, amplitude: float, *more: float) -> None:
    await found(mean, 1.2 * amplitude, *more)


async def reversed_load(found: Any, frames: int) -> Any:
    block = await found(frames)
    values = block.values.copy()
    values[0] *= -1
    return replace(block, values=values)


SENSORS: Final[dict[str, Scenario]] = {
    "load: one spike": faults(Spike("load", T, 2e4)),
    "load: more than five spikes in an hour": faults(
        *(Spike("load", T + 300 * n, 2e4) for n in range(7)), says="more than 5 spikes"
    ),
    "load: 1 or 2 samples missing": faults(Missing("load", T, T + 2)),
    "load: 3 to 5 samples missing": faults(Missing("load", T, T + 4), says="load: no valid value"),
    "load: missing for more than 5 ms, or for ever": faults(
        Missing("load", T, EVER), says="feedback lost"
    ),
    "load: the same value for half a cycle": faults(Flat("load", T, EVER), says="stays the same"),
    "load: saturated": faults(
        Flat("load", T + 60, EVER, 260e3), says="load 260 kN is at the end of its range"
    ),
    "load: suddenly 0, or another value, while the deflection goes on": faults(
        Flat("load", T + 60, EVER, 0.0), says="to 0 kN while net deflection goes on"
    ),
    "load: a constant error": faults(Moved("load", T, 1e3)),
    "mid-span or support: one spike": faults(Spike("midspan", T, 5e-4)),
    "mid-span or support: 1 or 2 samples missing": faults(Missing("support_left", T, T + 2)),
    "mid-span or support: 3 samples or more missing": faults(
        Missing("midspan", T, EVER), says="deflection: no valid value"
    ),
    "mid-span: the same value for half a cycle": asked(
        Flat("midspan", T, EVER), says="midspan stays the same"
    ),
    "mid-span: the same value all through the baseline": asked(
        Flat("midspan", 3_000, EVER), says="midspan stays the same"
    ),
    "mid-span or support: jumps beyond a limit": faults(
        Moved("midspan", T, 4e-3), says="deflection jumped while the load went on"
    ),
    "mid-span or support: moved a little": faults(Moved("midspan", T, 2e-4), says="has grown"),
    "mid-span or support: moved, and stays there": asked(
        Moved("midspan", T + 22_000, 1e-4),
        at=T + 50_000,
        plan="witnesses",
        says="midspan moved at once",
    ),
    "mid-span: shows too much of what the stroke does not": asked(
        Scaled("midspan", CHANGED, EVER, 1.8),
        at=LATER,
        plan="witnesses",
        says="midspan is in doubt",
    ),
    "load in the loop: shows too little of every load": faults(
        InLoop(Scaled("load", CHANGED, EVER, 0.88)), plan="witnesses", says="the load cell is in"
    ),
    "other channel: one spike, or missing for less than 1 s": faults(
        Missing("crack_opening", T, T + 900)
    ),
    "other channel: missing for more than 1 s": asked(
        Missing("crack_opening", T, EVER), says="crack_opening has no valid value"
    ),
    "other channel: saturated for 5 samples": asked(
        Flat("crack_opening", T, EVER, 5e-3), says="crack_opening is at the end of its range"
    ),
    "other channel or support: the same value": faults(Flat("crack_opening", T, EVER)),
    "other channel or support: the same value, "
    "where it had moved with the load all through the baseline": asked(
        Flat("support_left", CHANGED, EVER),
        at=LATER,
        plan="witnesses",
        says="does not follow the load any more",
    ),
    "slow channels: no answer": faults(Lost("slow", 0, EVER), live=True, says="do not come"),
    "slow channels: no answer in time": faults(
        Lost("slow", 0, EVER, hangs=True), live=True, says="no answer from the acquisition"
    ),
    "slow channels: not a number": Scenario(
        Night(bad=bad("acquisition", slow=answering({"temperature_air": float("nan")})))
    ),
}

SAMPLES: Final[dict[str, Scenario]] = {
    "acquisition: samples late by less than 0.25 s": faults(
        Late(3_600, 0.2), plan="short", paced=True
    ),
    "acquisition: samples late by more than 0.25 s": faults(
        Late(3_600, 0.4), plan="short", paced=True, says="no sample has come"
    ),
    "acquisition: silent for a moment, samples lost": faults(
        Silent(3_600, 3_700), plan="short", paced=True, says="feedback lost"
    ),
    "acquisition: silent for ever": faults(
        Silent(3_600, EVER), plan="short", paced=True, says="no sample has come"
    ),
    "acquisition: its driver says that it failed": Scenario(
        Night(bad=bad("acquisition", 15, read=raising(DeviceError("buffer overrun")))),
        says="buffer overrun",
    ),
    "acquisition: its driver raises anything else": Scenario(
        Night(
            bad=bad("acquisition", 15, read=raising(struct.error("unpack requires 4 bytes"))),
            live=True,
        ),
        says="from the acquisition (read): unpack requires 4 bytes",
    ),
    "computer: its clock is set": Scenario(
        Night(live=True, clock=lambda: SteppedClock((4.0, 3600.0))), says="stepped by +3600 s"
    ),
    "computer: stands still for less than 0.5 s": Scenario(
        Night(paced=True, clock=lambda: SleepyClock(3.6, 0.3)), "short"
    ),
    "computer: stands still for longer": Scenario(
        Night(paced=True, clock=lambda: SleepyClock(3.6, 2.0)), "short", "watchdog"
    ),
    "an error in this program": Scenario(Night(bug=True)),
}

CONTROLLER: Final[dict[str, Scenario]] = {
    "controller: an order fails": faults(
        Lost("actuator", T, EVER, ("adjust",)), says="no answer from the actuator (adjust)"
    ),
    "controller: an order is not answered in time": faults(
        Lost("actuator", T, EVER, ("adjust",), hangs=True), live=True, says="within 0.25 s"
    ),
    "controller: its driver raises anything else": Scenario(
        Night(
            bad=bad("actuator", 15, heartbeat=raising(OSError(5, "Input/output error"))), live=True
        ),
        says="OSError from the controller (heartbeat)",
    ),
    "controller: its answer is none": Scenario(
        Night(bad=bad("actuator", 15, status=answering(None)), live=True),
        says="None from the controller (status)",
    ),
    "controller: no answer to anything any more": faults(
        Lost("actuator", T, EVER), says="the valve does not close"
    ),
    "controller: no answer for a moment": faults(
        Lost("actuator", T, T + 300), says="no answer from the actuator"
    ),
    "controller: a limit reads back differently": Scenario(
        Night(bad=bad("actuator", read_limits=half_a_limit)), says="did not take the limit on load"
    ),
    "controller: its own limit trips": Scenario(
        Night(bad=bad("actuator", cycle=too_much)), says="the controller's own limit: load"
    ),
    "controller: refuses a set-point out of its range": Scenario(
        Night(setup={"actuator": ActuatorRange(-20e3, 60e3, -0.06, 0.06, 0.1, 15.0)}),
        says="the command was not sent",
    ),
    "controller: heartbeats do not reach it": faults(
        Stuck("heartbeat", T, EVER), says="the controller's watchdog stopped the rig"
    ),
    "controller: its count runs out too early": faults(
        Miscounted(T, 40), says="the controller's count ran out before the verdict"
    ),
    "controller: its counter goes back": faults(Miscounted(T, -10)),
    "controller: starts anew while cycling": faults(
        Restarted(3_600), says="which nobody asked for"
    ),
    "controller: starts anew while it waits at an inspection": faults(
        Restarted(30_000), plan="inspected", says="which nobody asked for"
    ),
    "pressure does not come on": faults(Stuck("pressure", 0, EVER), says="has not come on"),
    "pressure does not go off": faults(Stuck("pressure", T, EVER), says="NOT confirmed off"),
    "a motion does not arrive": faults(
        Stuck("motion", 0, EVER), says="a move of 0 s has not ended"
    ),
    "no contact within the way of the approach": faults(
        plan="approach", setup={"gap": 0.02}, says="no contact"
    ),
    "the load falls while the stroke advances": Scenario(
        Night(bad=bad("acquisition", read=reversed_load)), "approach", "polarity"
    ),
    "load range not reached in build-up": faults(
        Weak(0, EVER, 0.5), says="95% of the load range not reached"
    ),
    "load short while cycling, stiffness unchanged": faults(
        Weak(T, EVER, 0.8), says="the rig is at fault"
    ),
    "load does not cycle any more": faults(Weak(3_600, EVER, 0.001), says="has not cycled"),
}

WET: Final = 4_100
"""Frame in "wet" before the pump is first looked at."""

BESIDE: Final[dict[str, Scenario]] = {
    "pump: no water for one period": faults(NoFlow(0, 14_100), plan="wet", says="missed"),
    "pump: no water for two periods": asked(
        NoFlow(0, EVER), plan="wet", at=32_600, says="two periods missed in a row"
    ),
    "pump: does not start": asked(
        Stuck("pump", 0, EVER), plan="wet", at=32_600, says="two periods missed in a row"
    ),
    "pump: no answer": asked(
        Lost("pump", 0, EVER), plan="wet", at=32_600, says="the pump does not switch on"
    ),
    "pump: no answer in time": asked(
        Lost("pump", 0, EVER, hangs=True), plan="wet", at=32_600, live=True, says="within 0.35 s"
    ),
    "pump: its driver raises anything else": asked(
        plan="wet",
        at=32_600,
        live=True,
        bad=bad("pump", set=raising(OSError(5, "cable")), status=raising(OSError(5, "cable"))),
        says="OSError from the pump",
    ),
    "pump: cannot be switched off": faults(
        Lost("pump", WET, EVER, ("set",)), plan="wet", says="close the water by hand"
    ),
    "pump: the tank is empty": asked(
        plan="wet", at=32_600, setup={"tank": 1e-4}, says="two periods missed in a row"
    ),
    "horn: no answer before something moves": faults(
        Lost("horn", 0, EVER), says="no answer from the horn"
    ),
    "inputs: no answer": faults(Lost("inputs", T, EVER), says="no answer from the inputs"),
    "inputs: no answer in time": faults(
        Lost("inputs", T, EVER, hangs=True), live=True, says="within 0.25 s"
    ),
    "emergency stop pressed": inputs("emergency stop", emergency_stop=True),
    "guard opened while something moves": inputs("guard opened", guard_open=True),
    "guard opened while it waits at an inspection": asked(
        InputChange(30_000, InputState(guard_open=True)),
        plan="inspected",
        at=34_500,
        says="guard open",
    ),
    "leak found": inputs("water found", plan="wet", at=17_100, leak=True),
    "oil pressure low, or oil above 60 C": inputs("oil above 60 C", oil_temperature=340.0),
    "oil above 50 C": inputs("oil at 52 C", oil_temperature=325.0),
    "mains lost": inputs("mains lost", mains_lost=True),
}

SCENARIOS: Final = {**SENSORS, **SAMPLES, **CONTROLLER, **BESIDE}

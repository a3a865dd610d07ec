"""Devices of a live rig: whatever goes wrong with one of them is a DeviceError.

A call that does not come back in time: the loop that sends the heartbeat must not wait for a
line; while one device is silent the others are still to be commanded. An exception of another
kind, or an answer of the wrong kind: a driver meets pulled cables and half answers, and whatever
it makes of them must stop the rig as a fault, with a finished record, and not look like a bug of
this program. A rehearsal goes without: there an exception is a bug, and tests are to find it.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import replace
from typing import Any, Final, cast

from rig.errors import DeviceError
from rig.ports import (
    Acquisition,
    Actuator,
    ActuatorStatus,
    Horn,
    Inputs,
    InputState,
    Pump,
    PumpStatus,
    Rig,
)
from rig.samples import SampleBlock

_LOG: Final = logging.getLogger(__name__)

ANSWER_WITHIN: Final = 0.25
"""Longest time [s] a device may take to answer: half of the watchdog's."""
SWITCHED_WITHIN: Final = 0.35
"""Longest time [s] for pump and horn, which share a slow bus with others: with the heartbeat
before it, which may be 100 ms old, still less than the watchdog's."""

_ANSWERS: Final[Mapping[tuple[str, str], type]] = {
    ("controller", "status"): ActuatorStatus,
    ("controller", "read_limits"): Mapping,
    ("acquisition", "read"): SampleBlock,
    ("acquisition", "slow"): Mapping,
    ("pump", "status"): PumpStatus,
    ("inputs", "read"): InputState,
}
"""What a device's method must answer with."""

_UNHURRIED: Final = frozenset({("acquisition", "read"), ("acquisition", "keep")})
"""Methods that may take as long as their block; the stream has a limit for them."""


class _Prompt:
    """A device all of whose methods answer in time and in kind, or raise DeviceError."""

    def __init__(self, device: object, name: str) -> None:
        self._device = device
        self._name = name
        self._logged: set[tuple[str, type]] = set()

    def __getattr__(self, method: str) -> Any:
        found = getattr(self._device, method)
        return self._answered(method, found) if callable(found) else found

    def _answered(
        self, method: str, call: Callable[..., Awaitable[Any]]
    ) -> Callable[..., Awaitable[Any]]:
        within = _within(self._name, method)
        kind = _ANSWERS.get((self._name, method), object)
        whom = f"the {self._name} ({method.replace('_', ' ')})"

        async def called(*arguments: Any) -> Any:
            limit = asyncio.timeout(within)
            try:
                async with limit:
                    answer = await call(*arguments)
            except DeviceError:
                raise
            except Exception as error:
                if limit.expired():
                    text = f"no answer from {whom} within {within:g} s; look at its line"
                    raise DeviceError(text) from None
                self._log(method, error)
                text = f"{type(error).__name__} from {whom}: {error}; look at its line"
                raise DeviceError(text) from error
            if not isinstance(answer, kind):
                raise DeviceError(
                    f"{answer!r:.60} from {whom} is no {kind.__name__}; look at its line and driver"
                )
            return answer

        return called

    def _log(self, method: str, error: Exception) -> None:
        """Log where an exception came from, once of its kind: a lost pump is asked for weeks."""
        if (method, type(error)) not in self._logged:
            self._logged.add((method, type(error)))
            _LOG.warning("%s of the %s failed", method, self._name, exc_info=error)


def _within(name: str, method: str) -> float | None:
    """Return how long [s] a device's method may take, None for as long as its block."""
    if (name, method) in _UNHURRIED:
        return None
    return SWITCHED_WITHIN if name in ("pump", "horn") else ANSWER_WITHIN


def prompt(rig: Rig) -> Rig:
    """Return a rig whose devices answer in time and raise nothing but DeviceError."""
    return replace(
        rig,
        actuator=cast("Actuator", _Prompt(rig.actuator, "controller")),
        acquisition=cast("Acquisition", _Prompt(rig.acquisition, "acquisition")),
        pump=cast("Pump", _Prompt(rig.pump, "pump")) if rig.pump is not None else None,
        inputs=cast("Inputs", _Prompt(rig.inputs, "inputs")),
        horn=cast("Horn", _Prompt(rig.horn, "horn")) if rig.horn is not None else None,
    )

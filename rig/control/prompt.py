"""Devices that must answer promptly: a call that does not come back in time is a DeviceError.

The loop that sends the heartbeat must not wait for a line: while one device is silent the others
are still to be commanded.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import replace
from typing import Any, Final, cast

from rig.errors import DeviceError
from rig.ports import Actuator, Horn, Inputs, Pump, Rig

ANSWER_WITHIN: Final = 0.25  # [s], half of the watchdog's time


class _Prompt:
    """A device all of whose methods answer in time, or raise DeviceError."""

    def __init__(self, device: object, name: str) -> None:
        self._device = device
        self._name = name

    def __getattr__(self, method: str) -> Any:
        found = getattr(self._device, method)
        if not callable(found):
            return found
        return _in_time(found, f"the {self._name} has not answered ({method.replace('_', ' ')})")


def _in_time(call: Callable[..., Awaitable[Any]], what: str) -> Callable[..., Awaitable[Any]]:
    async def called(*arguments: Any) -> Any:
        try:
            async with asyncio.timeout(ANSWER_WITHIN):
                return await call(*arguments)
        except TimeoutError:
            raise DeviceError(f"{what} within {ANSWER_WITHIN:g} s; look at its line") from None

    return called


def prompt(rig: Rig) -> Rig:
    """Return a rig whose devices answer in time; the acquisition's reads have limits elsewhere."""
    return replace(
        rig,
        actuator=cast("Actuator", _Prompt(rig.actuator, "controller")),
        pump=cast("Pump", _Prompt(rig.pump, "pump")) if rig.pump is not None else None,
        inputs=cast("Inputs", _Prompt(rig.inputs, "inputs")),
        horn=cast("Horn", _Prompt(rig.horn, "horn")) if rig.horn is not None else None,
    )

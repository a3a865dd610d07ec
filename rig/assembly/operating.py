"""Who operates a rig's inputs while its stops are proven: a panel, or a person told what to do."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path
from typing import Final, Protocol

from rig.errors import DeviceError, InputError

ANSWERS_WITHIN: Final = 2.0

HANDS: Final = {
    "emergency_stop": ("press the emergency stop", "release the emergency stop"),
    "guard_open": ("open the guard, without reaching in", "close the guard"),
    "leak": ("wet the leak sensor", "dry the leak sensor"),
    "oil_pressure_low": (
        "have the oil pressure switch say that it is low",
        "have the oil pressure switch say that all is well",
    ),
    "mains_lost": ("take the mains off its relay", "give the relay its mains back"),
}
"""What a person does to an input, and how it is taken back."""


class Operator(Protocol):
    """Operates inputs by their names in `rig.ports.InputState`."""

    within: float
    """Time [s] in which an input that is released must read so."""
    by_hand: bool
    """Whether a person operates them, in their own time."""

    async def operate(self, name: str) -> float | None:
        """Have an input read its bad case; return when it does [s of the clock], None for soon."""

    async def release(self, name: str) -> None:
        """Have an input read that all is well."""


class Panel:
    """The panel of an emulated rig, as `simulators.wire.panel` says."""

    within: float = 5.0
    by_hand: bool = False

    def __init__(self, socket: Path) -> None:
        self._socket = socket

    async def operate(self, name: str) -> float | None:
        """Put an input on at the panel. Raises DeviceError."""
        return await self._asked(f"{name} on")

    async def release(self, name: str) -> None:
        """Put an input off at the panel. Raises DeviceError."""
        await self._asked(f"{name} off")

    async def look(self) -> None:
        """Ask the panel whether it is there. Raises InputError."""
        try:
            await self._line("state")
        except (OSError, TimeoutError) as error:
            why = getattr(error, "strerror", None) or "it does not answer"
            raise InputError(
                f"--panel {self._socket}: {why}; name the socket that the emulation was started "
                "with; nothing was moved"
            ) from None

    async def _asked(self, line: str) -> float:
        try:
            answer = await self._line(line)
            words = answer.split()
            if words[:1] != ["done"]:
                raise DeviceError(f"the panel did not do {line!r}: {answer or 'no answer'}")
            return float(words[4])
        except (OSError, TimeoutError, ValueError, IndexError) as error:
            raise DeviceError(f"the panel did not answer to {line!r}: {error}") from error

    async def _line(self, line: str) -> str:
        async with asyncio.timeout(ANSWERS_WITHIN):
            reader, writer = await asyncio.open_unix_connection(str(self._socket))
            try:
                writer.write(f"{line}\n".encode())
                await writer.drain()
                return (await reader.readline()).decode("utf-8", "replace").strip()
            finally:
                writer.close()


class Person:
    """Somebody at the rig, who is told what to do; `tell` shows it."""

    within: float = 180.0
    by_hand: bool = True

    def __init__(self, tell: Callable[[str], None]) -> None:
        self._tell = tell

    async def operate(self, name: str) -> float | None:
        """Ask for it; nobody knows when it will be done."""
        self._tell(f"NOW {HANDS[name][0]}.")
        return None

    async def release(self, name: str) -> None:
        """Ask for it to be taken back."""
        self._tell(f"Now {HANDS[name][1]}.")

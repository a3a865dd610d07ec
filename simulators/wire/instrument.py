"""The emulated thermometer: a slow instrument that answers a text query."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from simulators.wire.scpi_device import Session, TextDevice
from simulators.wire.scpi_tree import Command

IDENTITY: Final = "nightrig,emulated thermometer,1,1"
TURN_ROUND: Final = 0.02
"""Time [s] from the end of a question to its answer."""
ZERO: Final = 273.15  # K


def thermometer(temperature: Callable[[], float], send: Callable[[bytes], None]) -> TextDevice:
    """Return a thermometer that shows a temperature [K] in degrees Celsius, to a hundredth."""

    def measure() -> str:
        return f"{temperature() - ZERO:.2f}"

    commands = [Command("MEASure[:SCALar]:TEMPerature?", measure)]
    return TextDevice(Session(IDENTITY, commands, reset=_nothing), send, TURN_ROUND)


def _nothing() -> None:
    """Be as at power-on: there is nothing to set."""

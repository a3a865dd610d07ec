"""What a device remembers of its errors and events: queue, registers, common commands.

After IEEE 488.2-1992 sections 10 and 11 and SCPI-1999 volume 2, chapters 20 and 21 (from memory).
On a serial line answers are sent as they are made, so nothing interrupts or deadlocks a query.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from functools import partial
from typing import Final

from simulators.wire.scpi import Fault
from simulators.wire.scpi_tree import Command, Quantity

QUEUE_MOST: Final = 20
"""Errors that are kept; the last of them is then -350, and further ones are lost."""
VERSION: Final = "1999.0"

_POWER_ON, _COMMAND, _EXECUTION, _DEVICE, _QUERY, _COMPLETE = 128, 32, 16, 8, 4, 1
_CLASSES: Final = {1: _COMMAND, 2: _EXECUTION, 3: _DEVICE, 4: _QUERY}
_QUEUE_BIT, _EVENT_BIT, _MASTER_BIT = 4, 32, 64
_BYTE: Final = Quantity({}, 0, 255, whole=True)
_REGISTER: Final = Quantity({}, 0, 32767, whole=True)


class Status:
    """Error queue, standard event register and the masks over it."""

    def __init__(self) -> None:
        self.errors: deque[str] = deque()
        self.events = _POWER_ON
        self.event_mask = 0
        self.service_mask = 0
        self._enabled = {"OPERation": 0, "QUEStionable": 0}

    def note(self, fault: Fault) -> None:
        """Put an error into the queue, as long as there is room for it."""
        self.events |= _CLASSES.get(-fault.number // 100, _DEVICE)
        if len(self.errors) < QUEUE_MOST:
            self.errors.append(str(fault))
        else:
            self.errors[-1] = str(Fault(-350))
            self.events |= _DEVICE

    def next_error(self) -> str:
        """Take the oldest error out of the queue."""
        return self.errors.popleft() if self.errors else str(Fault(0))

    @property
    def byte(self) -> int:
        """The status byte."""
        value = _QUEUE_BIT * bool(self.errors)
        value |= _EVENT_BIT * bool(self.events & self.event_mask)
        return value | _MASTER_BIT * bool(value & self.service_mask)

    def commands(self, identity: str, reset: Callable[[], None]) -> list[Command]:
        """Return the commands that every device of this form has."""
        return [
            Command("*IDN?", lambda: identity),
            Command("*CLS", self._clear),
            Command("*ESE", partial(setattr, self, "event_mask"), (_BYTE,)),
            Command("*ESE?", lambda: str(int(self.event_mask))),
            Command("*ESR?", self._take_events),
            Command("*OPC", self._complete),
            Command("*OPC?", lambda: "1"),
            Command("*RST", reset),
            Command("*SRE", partial(setattr, self, "service_mask"), (_BYTE,)),
            Command("*SRE?", lambda: str(int(self.service_mask) & ~_MASTER_BIT)),
            Command("*STB?", lambda: str(self.byte)),
            Command("*TST?", lambda: "0"),
            Command("*WAI", lambda: None),
            Command("SYSTem:ERRor[:NEXT]?", self.next_error),
            Command("SYSTem:ERRor:COUNt?", lambda: str(len(self.errors))),
            Command("SYSTem:VERSion?", lambda: VERSION),
            Command("STATus:PRESet", self._preset),
            *(command for name in self._enabled for command in self._register(name)),
        ]

    def _register(self, name: str) -> list[Command]:
        """Return the commands of a register that every device must have, and this one leaves 0."""
        at = f"STATus:{name}"
        return [
            Command(f"{at}[:EVENt]?", lambda: "0"),
            Command(f"{at}:CONDition?", lambda: "0"),
            Command(f"{at}:ENABle", partial(self._enabled.__setitem__, name), (_REGISTER,)),
            Command(f"{at}:ENABle?", lambda: str(int(self._enabled[name]))),
        ]

    def _clear(self) -> None:
        self.errors.clear()
        self.events = 0

    def _take_events(self) -> str:
        events, self.events = self.events, 0
        return str(events)

    def _complete(self) -> None:
        self.events |= _COMPLETE

    def _preset(self) -> None:
        self._enabled = dict.fromkeys(self._enabled, 0)

"""One device on a Modbus bus: its points read and written, its watchdog, what is wrong with it."""

from __future__ import annotations

import math
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Final, TypeVar

from drivers import modbus
from drivers.bus import TRIES, Answer, Bus, Patience, Refused, Silent
from drivers.modbus import Question
from drivers.points import Group, Reading, groups_of, readings
from rig.clock import Clock
from rig.errors import DeviceError
from rig.protocol.wire import ModbusDevice, Point

LOST_AFTER: Final = 3
"""Failures in a row after which a device counts as lost, and people are told."""
AGAIN_AFTER: Final = (0.0, 0.0, 0.1, 0.25, 0.5, 1.0, 2.0)
"""Time [s] until a device is asked again after its first, second ... failure; then the last."""
UNPLUGGED: Final = 0.2
"""The same while the line itself is lost."""
REFUSED: Final = 1.0
"""Time [s] until what was refused is asked again."""

_ILLEGAL_FUNCTION: Final = 1
_PRODUCT: Final = 1
"""Object of the identification that holds the product's name (V1.1b3, section 6.21)."""
_MAP: Final = "; does the map in the rig file fit the device?"

_T = TypeVar("_T")

Tell = Callable[[str], None]
"""Tells people what has happened, in one text."""


@dataclass(slots=True)
class Held:
    """What a group said last, when it was asked for that, and when it is due again [s].

    `refused` tells why it may not be read, "" where it may.
    """

    group: Group
    said: dict[str, Reading] = field(default_factory=dict)
    asked: float = -math.inf
    due: float = -math.inf
    refused: str = ""


class Station:
    """A device at its address. With `asks_only` nothing is ever written to it.

    `failures` counts questions in a row without an answer, `again` is when [s] a device that
    does not answer is to be asked once more. `patience` returns how long [s] an answer may be
    waited for now.
    """

    def __init__(
        self, device: ModbusDevice, bus: Bus, clock: Clock, tell: Tell, *, asks_only: bool = False
    ) -> None:
        self.device = device
        self.bus = bus
        self.held = tuple(Held(group) for group in groups_of(device.points))
        self.failures = 0
        self.again = -math.inf
        self.product = ""
        self.patience: Patience = lambda: bus.line.plan.answer_within
        self._clock = clock
        self._tell = tell
        self._asks_only = asks_only
        self._armed = False
        self._answered = False
        self._silence = ""
        self._silent_since = 0.0

    @property
    def who(self) -> str:
        """Its name and what it says it is; "" while it has not answered."""
        said = f" ({self.product})" if self.product else ""
        return f"{self.device.name}{said}" if self._answered else ""

    @property
    def trouble(self) -> str:
        """What is wrong with it now, "" for nothing."""
        return self._silence or next((one.refused for one in self.held if one.refused), "")

    @property
    def answers(self) -> bool:
        """Whether it has answered its last question."""
        return self.failures == 0

    async def start(self) -> None:
        """Make sure that it is there, set its watchdog, read everything once.

        Raises DeviceError.
        """
        await self._surely(self.come_back)
        if self.bus.line.is_terminal:
            self.product = await self._surely(self._identified)
        for held in self.held:
            await self.read_now(held)

    async def come_back(self) -> None:
        """Trust it again and set its watchdog: it may have been without power meanwhile.

        One question on the bus where it does not answer. Raises DeviceError.
        """
        with self._noted():
            await self._ready(tries=1)

    async def read(self, held: Held) -> None:
        """Read a group once. Raises DeviceError."""
        group = held.group
        answer = await self._ask(modbus.read(group.table, group.at, group.count))
        before, held.said = held.said, readings(group, answer.pdu)
        held.asked, held.due, held.refused = answer.asked, answer.asked + group.every, ""
        for what, now in held.said.items():
            was = before.get(what, Reading(0.0))
            if bool(now.why) != bool(was.why):
                self._tell(f"{self.device.name}: {now.why or f'{what} is a value again'}")

    async def read_now(self, held: Held) -> None:
        """Read a group for somebody who waits; a device that is lost is not waited for.

        Raises DeviceError.
        """
        if self.failures >= LOST_AFTER:
            raise DeviceError(self._silence)
        await self._surely(lambda: self.read(held))

    async def switch(self, point: Point, on: bool) -> None:
        """Write a coil and read it back. Raises DeviceError where it does not say the same."""
        coil = on == point.true_is
        one = modbus.write_bit(point.at, coil)
        several = modbus.write_bit(point.at, coil, several=True)
        await self._surely(lambda: self._written(one, several))
        if await self.is_on(point) != on:
            raise DeviceError(
                f"{self.device.name}: {point.what} was switched {_word(on)} and reads "
                f"{_word(not on)}; is it switched by hand, or does another program write to it?"
            )

    async def is_on(self, point: Point) -> bool:
        """Read back one bit that is written. Raises DeviceError."""
        answer = await self._surely(lambda: self._ask(modbus.read(point.table, point.at, 1)))
        return modbus.bits(answer.pdu, 1)[0] == point.true_is

    def refused(self, error: Refused, *held: Held) -> None:
        """Put off what a device does not let be read, and tell it once."""
        text = f"{self.device.name}: {error}{_MAP}"
        if any(one.refused != text for one in held):
            self._tell(text)
        for one in held:
            one.refused, one.due = text, self._clock.now() + REFUSED

    async def _surely(self, once: Callable[[], Awaitable[_T]]) -> _T:
        """Ask again, as often as the plan says, what is not answered."""
        left = self.bus.line.plan.ask_again
        while True:
            try:
                return await once()
            except Silent as error:
                if left == 0:
                    raise DeviceError(f"{self.device.name}: {error}") from error
                left -= 1
            except Refused as error:
                raise DeviceError(f"{self.device.name}: {error}{_MAP}") from error

    async def _ask(self, question: Question) -> Answer:
        with self._noted():
            await self._ready()
            return await self.bus.ask(self.device.address, question, self.patience)

    async def _written(self, one: Question, several: Question) -> None:
        """Write by the function for one, or for several where the device has no other."""
        try:
            await self._ask(one)
        except Refused as error:
            if error.code != _ILLEGAL_FUNCTION:
                raise
            await self._ask(several)

    async def _ready(self, tries: int = TRIES) -> None:
        """Make sure that the device is trusted and that its watchdog is set."""
        if not self.bus.trusts(self.device.address):
            self._armed = False
            await self.bus.regain(self.device.address, self.patience, tries)
        if not self._armed:
            await self._arm()
            self._armed = True

    async def _arm(self) -> None:
        """Write the watchdog's register and read it back."""
        if self.device.watchdog is None or self._asks_only:
            return
        at, value = self.device.watchdog
        address, ask = self.device.address, self.bus.ask
        try:
            await ask(address, modbus.write_register(at, value), self.patience)
        except Refused as error:
            if error.code != _ILLEGAL_FUNCTION:
                raise
            several = modbus.write_register(at, value, several=True)
            await ask(address, several, self.patience)
        answer = await ask(address, modbus.read("holding", at, 1), self.patience)
        if (reads := modbus.registers(answer.pdu)[0]) != value:
            raise DeviceError(
                f"{self.device.name}: its watchdog (register {at}) was set to {value} and reads "
                f"{reads}; look up which numbers it takes"
            )

    async def _identified(self) -> str:
        """Return the product that the device says it is, "" where it does not tell."""
        try:
            answer = await self.bus.ask(
                self.device.address, modbus.identify(_PRODUCT), self.patience
            )
        except (Refused, Silent):
            return ""
        return modbus.identified(answer.pdu, _PRODUCT)

    @contextmanager
    def _noted(self) -> Iterator[None]:
        """Take note of what answers and what does not."""
        try:
            yield
        except Refused:
            self._succeeded()
            raise
        except DeviceError as error:
            self._failed(error)
            raise
        self._succeeded()

    def _succeeded(self) -> None:
        if self.failures >= LOST_AFTER:
            seconds = self._clock.now() - self._silent_since
            self._tell(f"{self.device.name} answers again after {seconds:.1f} s")
        self.failures, self._silence = 0, ""
        self._answered = True

    def _failed(self, error: DeviceError) -> None:
        """Note that it has not answered, and ask it less often the longer that lasts."""
        now = self._clock.now()
        if self.failures == 0:
            self._silent_since = now
        self.failures += 1
        self._silence = f"{self.device.name}: {error}"
        wait = AGAIN_AFTER[min(self.failures, len(AGAIN_AFTER)) - 1]
        self.again = now + (UNPLUGGED if self.bus.line.trouble else wait)
        if self.failures == LOST_AFTER:
            self._tell(self._silence)


def _word(on: bool) -> str:
    return "on" if on else "off"

"""One Modbus RTU bus: one question at a time, and no late reply taken for the next answer.

Questions go out on a quiet line; an answer must begin in time and be whole, from the device that
was asked, and of the shape that was asked for. `drivers.trust` says when a device may be asked at
all. All the rest that comes is counted and dropped.
"""

from __future__ import annotations

import asyncio
import secrets
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Final, Protocol

from drivers import modbus
from drivers.hearing import Hearing
from drivers.lines import OnBytes, OnChange, Traffic
from drivers.modbus import Frame, Question
from drivers.trust import Trust
from rig.clock import Clock
from rig.errors import DeviceError
from rig.protocol.wire import Port

SILENCE: Final = 3.5
"""Characters of silence between two frames (V1.02, section 2.5.1.1)."""
SHORTEST_SILENCE: Final = 1.75e-3
"""The same [s] above 19200 baud (V1.02, section 2.5.1.1)."""
GAP: Final = 0.025
"""Silence [s] within a frame after which the rest will not come, and before a question for an
echo: converters on USB hold bytes back for up to 16 ms. Common practice, no source."""
NEVER_QUIET: Final = 0.5
"""How long [s] a line is waited for on which bytes come that nobody asked for."""
TRIES: Final = 16
"""How often a device that answers earlier questions is asked for an echo."""
TRIPS: Final = 256
"""Round trips of which the median is told."""


Patience = Callable[[], float]
"""Says how long [s] an answer may be waited for."""


class Refused(DeviceError):
    """A device answered with an exception, `code`: it was asked for what it cannot do."""

    def __init__(self, text: str, code: int) -> None:
        super().__init__(text)
        self.code = code


class Silent(DeviceError):
    """No answer, or none that fits, came in time."""


class _Doubted(Exception):
    """The device has spoken out of turn since it was trusted."""


class Line(Protocol):
    """What a bus needs of a line; `drivers.lines.SerialLine` is one."""

    plan: Port
    traffic: Traffic

    @property
    def trouble(self) -> str:
        """Why the line cannot be used now, "" where it can."""

    @property
    def is_terminal(self) -> bool:
        """Whether the port is a pseudo-terminal: another program, no hardware."""

    def open(self, on_bytes: OnBytes, on_change: OnChange | None = None) -> None:
        """Open the port and hand on what comes."""

    def write(self, data: bytes) -> float:
        """Write bytes; return when [s]."""

    def close(self) -> None:
        """Close the port."""


@dataclass(frozen=True, slots=True)
class Answer:
    """A reply PDU, when its question was sent and when its last byte came [s]."""

    pdu: bytes
    asked: float
    came: float


@dataclass(slots=True)
class Counts:
    """Answers taken, frames or garbage that did not fit, answers that are missing; trips [s]."""

    good: int = 0
    bad: int = 0
    dropped: int = 0
    longest: float = 0.0
    trips: deque[float] = field(default_factory=lambda: deque(maxlen=TRIPS))

    def take(self, answer: Answer) -> None:
        """Count an answer and its round trip."""
        self.good += 1
        self.trips.append(answer.came - answer.asked)
        self.longest = max(self.longest, answer.came - answer.asked)


class Bus:
    """The devices on one line, by address. Its methods belong to the event loop that opened it."""

    def __init__(self, line: Line, clock: Clock) -> None:
        self.line = line
        self.counts = Counts()
        self.waited = -1e9  # when [s] an answer was last waited for in vain
        self._clock = clock
        plan = line.plan
        self._character = (9 + plan.stop_bits + (plan.parity != "none")) / plan.baud
        fast = plan.baud > 19200
        self._silence = SHORTEST_SILENCE if fast else SILENCE * self._character
        self._hearing = Hearing(clock)
        self._strays = 0
        self._busy = -1e9  # until when our own question was on the line
        self._lock = asyncio.Lock()
        self._devices: dict[int, Trust] = {}
        self._number = secrets.randbelow(0x10000)

    def open(self) -> None:
        """Open the line. Raises DeviceError in one line for people."""
        self._hearing.open()
        self.line.open(self._hearing.on_bytes, self._hearing.on_change)

    def close(self) -> None:
        """Close the line; safe to call twice."""
        self.line.close()

    def takes(self, characters: int) -> float:
        """Return how long [s] so many bytes are on the line."""
        return characters * self._character

    def trusts(self, address: int) -> bool:
        """Return whether what a device says next can only answer the next question."""
        device = self._device(address)
        return device.trusted and device.plugged == self.line.traffic.losses

    async def ask(
        self, address: int, question: Question, patience: Patience | None = None
    ) -> Answer:
        """Ask a device; its answer must begin within what `patience` says when the bus is free.

        That is by default what the plan says. A device in doubt is asked for an echo first.
        Raises Refused for an exception reply, Silent where no answer came that fits, and
        DeviceError where the line is lost.
        """
        for _ in range(TRIES):
            if not self.trusts(address):
                await self.regain(address, patience)
            with suppress(_Doubted):
                answer = await self._asked(address, question, patience)
                if question.refused_by(answer.pdu):
                    text = f'{self._who(address)} refuses to "{question.says}": '
                    raise Refused(text + modbus.refusal(answer.pdu), answer.pdu[1])
                return answer
        raise DeviceError(
            f"{self._who(address)} says everything twice, or unasked; switch off the local echo "
            "of the converter, and see that no other program asks on this bus"
        )

    async def regain(
        self, address: int, patience: Patience | None = None, tries: int = TRIES
    ) -> None:
        """Trust a device again as soon as it gives back a fresh number, or refuses to do so.

        Raises Silent and DeviceError as `ask` does.
        """
        for _ in range(tries):
            with suppress(_Doubted):
                await self._probed(address, patience)
                return
        raise Silent(f"{self._who(address)} answers, but always to an earlier question")

    async def _asked(self, address: int, question: Question, patience: Patience | None) -> Answer:
        async with self._lock:
            await self._quiet(self._silence)
            if not self.trusts(address):
                raise _Doubted
            device = self._device(address)
            plugged = self.line.traffic.losses
            # In doubt until the answer is here, whatever ends the waiting.
            device.doubt(self._number + 1)

            def is_answer(pdu: bytes) -> bool:
                if question.fits(pdu) or question.refused_by(pdu):
                    device.answered(plugged)
                    return True
                if device.settle(pdu, self._clock.now()) is None:
                    self.counts.dropped += 1
                    raise Silent(f"{self._who(address)} answers another question than it was asked")
                return False

            return await self._exchange(address, question, patience, is_answer)

    async def _probed(self, address: int, patience: Patience | None) -> None:
        async with self._lock:
            await self._quiet(GAP)
            device = self._device(address)
            plugged = self.line.traffic.losses
            self._number += 1
            device.trusted = False
            device.ask(self._number, self._clock.now())

            def is_answer(pdu: bytes) -> bool:
                number = device.settle(pdu, self._clock.now())
                if number is not None:
                    device.echoed(number, plugged)
                # Any other frame is the late answer that all this is about.
                return number is not None

            await self._exchange(address, modbus.echo(self._number), patience, is_answer)
            if not device.trusted:
                raise _Doubted  # an echo asked for earlier; the next one tells more

    async def _exchange(
        self,
        address: int,
        question: Question,
        patience: Patience | None,
        is_answer: Callable[[bytes], bool],
    ) -> Answer:
        """Send a question on a quiet line and wait for the frame that `is_answer` takes."""
        wait = self.line.plan.answer_within if patience is None else patience()
        sent = modbus.frame(address, question.pdu)
        hearing = self._hearing
        hearing.begin(question.length + modbus.AROUND)
        asked = self.line.write(sent)
        self._busy = asked + self.takes(len(sent))
        due = self._busy + wait
        while True:
            hearing.take()
            self._no_local_echo(sent, question)
            now = self._clock.now()
            over = now >= self._until(address, due)
            pdu = self._found(address, is_answer, final=over or now >= hearing.came + GAP)
            if pdu is not None:
                answer = Answer(pdu, asked, hearing.came)
                self.counts.take(answer)
                return answer
            if self.line.trouble:
                raise DeviceError(self.line.trouble)
            if over:
                self.counts.dropped += 1
                self.waited = now
                raise Silent(
                    f"{self._who(address)} does not answer within {1e3 * wait:.0f} ms "
                    f'("{question.says}"); is it switched on, do address, baud and parity fit?'
                )
            until = self._until(address, due)
            await hearing.arrival(min(until, hearing.came + GAP) if hearing.waits else until)

    def _until(self, address: int, due: float) -> float:
        """Return until when [s] an answer is waited for: a frame that has begun may end."""
        if not self._hearing.may_begin(address):
            return due
        return min(max(due, self._hearing.came + GAP), due + self.takes(modbus.LONGEST) + GAP)

    def _found(
        self, address: int, is_answer: Callable[[bytes], bool], *, final: bool
    ) -> bytes | None:
        """Return the answer where it has come; drop what else there is."""
        answer = None
        for frame in self._hearing.frames(final=final):
            if answer is not None or frame.address != address:
                self._stray(frame)
            elif is_answer(frame.pdu):
                answer = frame.pdu
            else:
                self._strays += 1
        self.counts.bad = self._strays + self._hearing.lumps
        return answer

    async def _quiet(self, silence: float) -> None:
        """Wait until the line has been silent [s]; what came meanwhile belongs to nobody."""
        hearing = self._hearing
        begun = self._clock.now()
        while True:
            hearing.take()
            needed = max(silence, GAP) if hearing.waits else silence
            until = max(hearing.came, self._busy) + needed
            now = self._clock.now()
            babbles = now >= begun + NEVER_QUIET
            if now >= until or babbles:
                break
            await hearing.arrival(until)
        for frame in hearing.frames(final=True):
            self._stray(frame)
        self.counts.bad = self._strays + hearing.lumps
        if babbles:
            raise DeviceError(
                f'on port "{self.line.plan.name}" bytes come without an end; '
                "does another program or master speak on this bus?"
            )

    def _stray(self, frame: Frame) -> None:
        """Doubt a device that says what it was not asked, unless it is an echo it owes."""
        self._strays += 1
        device = self._devices.get(frame.address)
        if device is None or device.settle(frame.pdu, self._clock.now()) is not None:
            return
        if device.trusted:
            device.doubt(self._number + 1)

    def _no_local_echo(self, sent: bytes, question: Question) -> None:
        """Refuse a converter that gives back what is sent: it would echo for a dead device."""
        if question.function in modbus.READS.values() and self._hearing.begins_with(sent):
            raise DeviceError(
                f'port "{self.line.plan.name}" gives back every byte that is sent; '
                "switch off the local echo of the converter"
            )

    def _device(self, address: int) -> Trust:
        return self._devices.setdefault(address, Trust())

    def _who(self, address: int) -> str:
        return f'address {address} on port "{self.line.plan.name}"'

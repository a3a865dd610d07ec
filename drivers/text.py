"""Questions and answers of one line each over one serial line, one question at a time.

A line of text carries no mark of the question it answers. So after anything that may have left an
answer behind (one that did not come, one that does not fit, one that nobody asked for, a question
that was given up) the line is in doubt: it is let grow quiet, and then a number is sent that the
device must send back. Answers come in the order of their questions: what comes before that
number is an old one and is dropped. A device that sends nothing back is asked once more than
needed: what it answers first is thrown away, and no other answer may come after it.
"""

from __future__ import annotations

import asyncio
import itertools
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Final, Generic, TypeVar

from drivers.answers import whole
from drivers.text_inbox import Inbox
from drivers.text_lines import Heard
from rig.clock import Clock
from rig.errors import DeviceError
from rig.protocol.wire import Port
from rig.units import shown

QUIET: Final = 0.02
"""Time [s] without a byte after which a line is quiet: adapters keep bytes back for up to 16 ms.
Common practice, no source."""
TRIES: Final = 2
"""Times a number is sent to be sent back; the first may only end a half line in the device."""
LATEST: Final = 5
"""Times `answer_within` after which a late answer does not come any more: without a number that
is sent back nothing tells one that is later still."""
OVERTAKEN: Final = "the order to stop has gone out meanwhile"
KEPT_TRIPS: Final = 500
"""Round trips of which the median is told."""
_NUMBERS: Final = 128
"""Numbers that are sent back: those of seven bits, which any register of the standard holds."""

T = TypeVar("T")
Echo = Callable[[int], str]
"""The line that makes a device send a number back."""


@dataclass(frozen=True, slots=True)
class Reply(Generic[T]):
    """What was answered, when the question went out and when the answer had come [s]."""

    value: T
    asked: float
    came: float


class _Failed(Exception):
    """One question had no answer, or none that fits. Holds why, in words."""


class TextLine:
    """A device that is spoken to in lines. `good` and `dropped` count answers."""

    def __init__(
        self, plan: Port, clock: Clock, line_end: str = "\n", echo: Echo | None = None
    ) -> None:
        self.plan = plan
        self.good = 0
        self.dropped = 0
        self._inbox = Inbox(plan, clock, line_end)
        self._echo = echo
        self._one = asyncio.Lock()
        # Upsets of the inbox when its next line could only be the answer to the next question,
        # and when a question was answered last and none has failed since.
        self._trusted_at: int | None = None
        self._answered_at: int | None = None
        self._unfit = 0
        self._numbers = itertools.cycle(range(1, _NUMBERS))
        self._number: int | None = None  # the last one that was sent to be sent back
        self._trips: deque[float] = deque(maxlen=KEPT_TRIPS)
        self._longest = 0.0
        self._failure = ""
        self._told_counts = (0, 0)
        self.overtaken = 0  # times something was written that must surely be understood

    def open(self) -> None:
        """Open the port; nothing is sent. Raises DeviceError in one line for people."""
        try:
            self._inbox.open()
        except DeviceError as error:
            self._failure = str(error)
            raise

    def close(self) -> None:
        """End the thread and close the port; safe to call twice."""
        self._inbox.line.close()

    @property
    def where(self) -> str:
        """The port in words."""
        return self._inbox.where

    @property
    def bad(self) -> int:
        """Answers that did not fit, and lines that nobody had asked for."""
        return self._unfit + self._inbox.unfit

    @property
    def returned(self) -> int:
        """Times the line was lost and is back."""
        return self._inbox.returned

    @property
    def in_doubt(self) -> bool:
        """Whether what comes next may be an old answer."""
        return self._trusted_at != self._inbox.upsets or self._inbox.partial

    @property
    def trouble(self) -> str:
        """What is wrong now, "" for nothing."""
        return self._inbox.line.trouble or self._failure

    @property
    def remedy(self) -> str:
        """What to try where no answer has ever fitted, "" otherwise."""
        line = self._inbox.line
        if self.good or line.trouble or not line.traffic.sent or not self._failure:
            return ""
        if not line.traffic.received:
            return "nothing comes: is it switched on, are receive and transmit crossed?"
        return (
            f"bytes come but none fit: {self.plan.baud} baud in the rig file; "
            "is that the device's speed, and this its port?"
        )

    @property
    def round_trip(self) -> tuple[float, float] | None:
        """Median and longest time from a question to its answer [s], None before the first."""
        return (median(self._trips), self._longest) if self._trips else None

    def told(self) -> tuple[str, ...]:
        """Return what has happened on the line since this was asked last."""
        texts = list(self._inbox.told())
        counts = (self.dropped, self.bad)
        dropped, bad = (n - before for n, before in zip(counts, self._told_counts, strict=True))
        if dropped or bad:
            texts.append(f"{self.where}: answers: {dropped} did not come, {bad} did not fit")
        self._told_counts = counts
        return tuple(texts)

    def tell_now(self, *lines: str, surely: bool = False) -> None:
        """Write lines that nothing answers at once, whatever is under way; from any thread.

        Where the device may hold half a line, because a question failed or the line was lost,
        those that must `surely` be understood are written twice: the first may end that half.
        Raises DeviceError where the line is lost.
        """
        if surely:
            self.overtaken += 1
        sound = self._answered_at == self._inbox.upsets
        self._inbox.write(lines, 2 if surely and not sound else 1)

    async def ask(
        self,
        question: str,
        read: Callable[[str], T],
        *,
        after: Sequence[str] = (),
        sure: bool = False,
        tries: int | None = None,
        overtaken: int | None = None,
    ) -> Reply[T]:
        """Write lines and a question, and return what `read` makes of the answer.

        `read` raises ValueError for an answer that does not fit. Without one that fits all is
        written anew, as often as the port's `ask_again` says, or `tries` times in all; `sure` has
        the device send a number back before the answer is believed: then it cannot be one that
        came twice. Raises DeviceError without an answer, and at once where the line is lost, or
        where `overtaken` is given and is not that of the line any more: nothing is written then.
        """
        times = 1 + self.plan.ask_again if tries is None else tries
        async with self._one:
            for _ in range(times):
                try:
                    return await self._attempt(question, read, after, sure, overtaken)
                except _Failed as why:
                    self._failure = str(why)
        asked = f"asked {times} times" if times > 1 else "asked once"
        what_to_do = self.remedy or "look at its line"
        raise DeviceError(f"{self.where}: {self._failure}, {asked}; {what_to_do}")

    async def _attempt(
        self,
        question: str,
        read: Callable[[str], T],
        after: Sequence[str],
        sure: bool,
        overtaken: int | None,
    ) -> Reply[T]:
        if self.in_doubt:
            self._answered_at = None
            await self._regain(question)
        if overtaken not in (None, self.overtaken):
            raise DeviceError(f"{shown((*after, question)[0])} was not sent: {OVERTAKEN}")
        upsets = self._inbox.upsets
        reply = await self._exchange((*after, question))
        try:
            value = read(reply.value)
        except ValueError as error:
            self._doubt_answer()
            raise _Failed(
                f"{shown(reply.value)} is no answer to {shown(question)}: {error}"
            ) from None
        if sure and self._echo is not None:
            await self._sent_back(self._echo, 1)
        if upsets != self._inbox.upsets:
            # Which of them answers this question nobody knows.
            self._trusted_at = None
            raise _Failed(f"more than one answer came to {shown(question)}")
        self.good += 1
        self._failure = ""
        self._answered_at = upsets
        self._trips.append(reply.came - reply.asked)
        self._longest = max(self._longest, self._trips[-1])
        return Reply(value, reply.asked, reply.came)

    async def _exchange(self, lines: Sequence[str]) -> Reply[str]:
        """Write lines and wait for the one that answers the last of them.

        Until it is there the line is in doubt: whoever gives up a question, for whatever reason,
        leaves its answer behind.
        """
        self._trusted_at, upsets = None, self._inbox.upsets
        with self._inbox.listening() as asked:
            heard = await self._inbox.next(self._inbox.write(lines))
        if heard is None:
            self.dropped += 1
            self._answered_at = None
            within = f"within {self.plan.answer_within * 1e3:g} ms"
            raise _Failed(f"no answer to {shown(lines[-1])} {within}")
        if heard.text is None or _is(heard, self._number):
            # The number of before, once more, is no answer either.
            self._doubt_answer()
            raise _Failed(f"the answer to {shown(lines[-1])} is garbled")
        self._trusted_at = upsets
        return Reply(heard.text, asked, heard.ended)

    def _doubt_answer(self) -> None:
        self._unfit += 1
        self._trusted_at = self._answered_at = None

    async def _regain(self, question: str) -> None:
        """Come to know that nothing that comes from now on answers an earlier question."""
        await self._inbox.quiet(QUIET)
        if self._echo is not None:
            await self._sent_back(self._echo, TRIES)
        else:
            await self._thrown_away(question)

    async def _sent_back(self, echo: Echo, tries: int) -> None:
        """Have the device send a number back; what comes before it is dropped."""
        line = ""
        for _ in range(tries):
            self._number = next(self._numbers)
            line = echo(self._number)
            self._trusted_at = None
            with self._inbox.listening():
                deadline = self._inbox.write((line,))
                while (heard := await self._inbox.next(deadline)) is not None:
                    if _is(heard, self._number):
                        self._trusted_at = self._inbox.upsets
                        return
                    self._inbox.strays += 1
                    if heard.text is None:
                        break  # it may have been the number: another will tell sooner than waiting
                else:
                    self.dropped += 1
        raise _Failed(f"{shown(line)} does not bring its number back")

    async def _thrown_away(self, question: str) -> None:
        """Ask, and throw away what is answered, until a question has one answer and no more."""
        for _ in range(TRIES):
            upsets = self._inbox.upsets
            await self._exchange((question,))
            self._trusted_at = None
            await self._inbox.quiet(LATEST * self.plan.answer_within)
            if upsets == self._inbox.upsets:
                self._trusted_at = upsets
                return
        raise _Failed(f"more than one answer came to {shown(question)}")


def _is(heard: Heard, number: int | None) -> bool:
    """Tell whether a line is a number and nothing else."""
    if heard.text is None or number is None:
        return False
    try:
        return whole(heard.text) == number
    except ValueError:
        return False

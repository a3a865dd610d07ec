"""What comes over a line of text: answers to the question under way, and what nobody asked for.

Bytes come in the line's thread, where they are split; whole lines are handed to the event loop,
where everything else happens.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from typing import Final, TypeVar

from drivers.lines import SerialLine
from drivers.text_lines import LONGEST, Heard, LineSplitter
from rig.clock import Clock
from rig.errors import DeviceError
from rig.protocol.wire import Port

KEPT: Final = 100
"""Texts that are kept until somebody asks what has happened."""

T = TypeVar("T")


class Inbox:
    """One serial line, written and heard in lines. `write` may be called from any thread."""

    def __init__(self, plan: Port, clock: Clock, line_end: str) -> None:
        self.line = SerialLine(plan, clock)
        self.where = f'port "{plan.name}" ({plan.path})'
        self.strays = 0  # lines that nobody had asked for
        self.returned = 0  # times the line was lost and is back
        self._changes = 0
        self._within = plan.answer_within
        self._clock = clock
        self._end = line_end
        # A start bit, eight data bits, and what the port adds.
        self._byte = (9 + plan.stop_bits + (plan.parity != "none")) / plan.baud
        self._splitter = LineSplitter()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._queue: asyncio.Queue[Heard | None] = asyncio.Queue()
        self._asked = float("-inf")  # when the question under way was written [s]
        self._asking = False
        self._told: deque[str] = deque(maxlen=KEPT)

    def open(self) -> None:
        """Open the port; nothing is sent. Raises DeviceError in one line for people."""
        self._loop = asyncio.get_running_loop()
        self.line.open(self._came, self._changed)

    @property
    def upsets(self) -> int:
        """Count what has put it in doubt whose answer comes next: only its changes mean much."""
        return self.strays + self._splitter.cut + self._changes

    @property
    def unfit(self) -> int:
        """Lines that nobody had asked for, and lines that were given up before their end."""
        return self.strays + self._splitter.cut

    @property
    def partial(self) -> bool:
        """Whether a line has begun and not ended."""
        return self._splitter.partial

    def told(self) -> Iterator[str]:
        """Give what has happened to the line since this was asked last."""
        while self._told:
            yield self._told.popleft()

    def write(self, lines: Sequence[str], times: int = 1) -> float:
        """Write lines whole; return by when an answer must begin [s].

        Raises DeviceError where the line is lost.
        """
        for line in lines:
            if not (line.isascii() and line.isprintable()):
                raise ValueError(f"{line!r} is no line of printable ASCII")
        data = "".join(line + self._end for line in lines).encode("ascii") * times
        try:
            return self.line.write(data) + len(data) * self._byte + self._within
        except DeviceError:
            # Part of it may have gone out: the device may hold half a line.
            self._changes += 1
            raise

    @contextlib.contextmanager
    def listening(self) -> Iterator[float]:
        """Take lines that begin from now [s] on for answers; one that is left over is nobody's."""
        self._asked = self._clock.now()
        self._asking = True
        try:
            yield self._asked
        finally:
            self._asking = False
            while not self._queue.empty():
                self.strays += self._queue.get_nowait() is not None

    async def next(self, deadline: float) -> Heard | None:
        """Return the next line that began before a deadline [s], None where none did.

        Raises DeviceError where the line is lost meanwhile.
        """
        heard = await self._until(deadline)
        while heard is None and self._unfinished(deadline):
            heard = await self._until(self._splitter.last + self._within)
        if heard is not None and heard.begun > deadline:
            # The program stood still meanwhile; it is too late for an answer all the same.
            self.strays += 1
            return None
        return heard

    async def quiet(self, seconds: float) -> None:
        """Wait until nothing has come for a time [s], or it is plain that it never ends."""
        begin = self._clock.now()
        rest = seconds + 4 * self._byte
        while (now := self._clock.now()) < begin + 2 * rest + self._within:
            left = max(self._splitter.last, begin) + rest - now
            if left <= 0:
                return
            await self._clock.sleep(left)

    def _unfinished(self, deadline: float) -> bool:
        """Tell whether a line that began in time may still end."""
        splitter = self._splitter
        longest = deadline + LONGEST * self._byte + self._within
        going_on = self._clock.now() < min(splitter.last + self._within, longest)
        return splitter.partial and splitter.begun <= deadline and going_on

    async def _until(self, end: float) -> Heard | None:
        try:
            async with asyncio.timeout(max(end - self._clock.now(), 0.0)):
                heard = await self._queue.get()
        except TimeoutError:
            if self._queue.empty():
                return None
            heard = self._queue.get_nowait()
        if heard is None:
            raise DeviceError(self.line.trouble or f"{self.where} was lost for a moment")
        return heard

    def _came(self, data: bytes, when: float) -> None:
        """Split what has come; in the line's thread."""
        for heard in self._splitter.feed(data, when, self._asked):
            self._hand_over(self._arrived, heard)

    def _changed(self, there: bool) -> None:
        """Tell the loop that the line is lost or back; in the line's thread."""
        self._splitter.give_up()
        self._told.append(f"{self.where} is back" if there else self.line.trouble)
        self._hand_over(self._moved, there)

    def _hand_over(self, take: Callable[[T], None], what: T) -> None:
        # A loop that has ended takes nothing any more.
        with contextlib.suppress(RuntimeError):
            if self._loop is not None:
                self._loop.call_soon_threadsafe(take, what)

    def _arrived(self, heard: Heard) -> None:
        if self._asking and heard.begun >= self._asked:
            self._queue.put_nowait(heard)
        else:
            self.strays += 1

    def _moved(self, there: bool) -> None:
        self._changes += 1
        if there:
            self.returned += 1
        elif self._asking:
            self._queue.put_nowait(None)

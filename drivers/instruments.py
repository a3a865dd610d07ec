"""Slow instruments that answer a text query by one line of numbers.

Each port is asked by a job of its own beside the conductor, so that `slow` never waits. A number
is as old as the middle between its question and its answer; what is too old, out of its bounds,
or was never answered is not a number.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from drivers.answers import fields, number
from drivers.background import Background
from drivers.doubt import FORM_TRIES, written_alike
from drivers.text import TextLine
from rig.clock import Clock
from rig.errors import DeviceError
from rig.ports import LineReport
from rig.protocol.wire import Instrument, Port, Wire

PERIODS: Final = 3
"""Periods of an instrument after which its last value counts as lost."""


@dataclass(frozen=True, slots=True)
class Value:
    """A number [SI], when it was measured and until when it holds [s of the clock]."""

    value: float
    when: float
    until: float


class Instruments:
    """All slow instruments of a rig. `open` begins to ask, `close` ends it."""

    def __init__(self, wire: Wire, clock: Clock) -> None:
        self._clock = clock
        self._asked = tuple(
            _Asked(wire.port(instrument.port), instrument, wire.stale_after, clock)
            for instrument in wire.instruments
        )
        self._background = Background([asked.ask_for_ever for asked in self._asked])

    async def open(self) -> None:
        """Open the ports and begin to ask; an instrument that is silent has no values.

        Raises DeviceError with one line a port that cannot be opened; all are then closed again.
        """
        problems = []
        for asked in self._asked:
            try:
                asked.line.open()
            except DeviceError as error:
                problems.append(str(error))
        if problems:
            await self.close()
            raise DeviceError("\n".join(problems))
        self._background.start()

    async def close(self) -> None:
        """End the asking and close the ports; safe to call twice."""
        await self._background.close()
        for asked in self._asked:
            asked.line.close()

    def slow(self) -> dict[str, float]:
        """Return the present value of each channel [SI], nan where there is none."""
        now = self._clock.now()
        return {
            channel: value.value if now <= value.until else math.nan
            for asked in self._asked
            for channel, value in asked.values.items()
        }

    def report(self) -> tuple[LineReport, ...]:
        """Return what is known of each line now."""
        ended = self._background.trouble
        return tuple(asked.report(ended) for asked in self._asked)

    def told(self) -> tuple[str, ...]:
        """Return what has happened on the lines since this was asked last."""
        return tuple(text for asked in self._asked for text in asked.line.told())


class _Asked:
    """One instrument at its port."""

    def __init__(
        self, port: Port, instrument: Instrument, stale_after: float, clock: Clock
    ) -> None:
        self.line = TextLine(port, clock, instrument.line_end)
        self.values = {
            answer.channel: Value(math.nan, -math.inf, -math.inf) for answer in instrument.answers
        }
        self._instrument = instrument
        self._holds = max(stale_after, PERIODS * instrument.every)
        self._clock = clock
        self._answers = False
        self._written: tuple[str, ...] | None = None  # the numbers that were believed last
        self._unlike = 0  # answers in a row that are written unlike them

    async def ask_for_ever(self) -> None:
        """Ask at the instrument's pace; one that does not answer is asked again when it is due."""
        due = self._clock.now()
        while True:
            await self._ask()
            # A computer that slept asks once, not once for each period that it missed.
            due = max(due + self._instrument.every, self._clock.now())
            await self._clock.sleep(due - self._clock.now())

    async def _ask(self) -> None:
        try:
            reply = await self.line.ask(self._instrument.ask, self._read)
        except DeviceError:
            # The line counts it and tells it; the values grow old.
            self._answers = False
            return
        self._answers = True
        when = (reply.asked + reply.came) / 2
        for answer, said in zip(self._instrument.answers, reply.value, strict=True):
            value = answer.scaling.si(said)
            held = value if answer.low <= value <= answer.high else math.nan
            self.values[answer.channel] = Value(held, when, when + self._holds)

    def _read(self, answer: str) -> list[float]:
        """Return the numbers of an answer. Raises ValueError for one that is none, or in doubt."""
        places = [a.place for a in self._instrument.answers]
        numbers, written = _numbers(answer, places)
        if self._written is not None:
            pairs = zip(self._written, written, strict=True)
            unlike = next(((a, b) for a, b in pairs if not written_alike(a, b)), None)
            self._unlike = 0 if unlike is None else self._unlike + 1
            if unlike is not None and self._unlike < FORM_TRIES:
                raise ValueError(f"after {unlike[0]} it may have lost some of its characters")
        self._written, self._unlike = written, 0
        return numbers

    def report(self, ended: str) -> LineReport:
        """Return what is known of the line now; `ended` is why nobody asks any more."""
        line, trip = self.line, self.line.round_trip
        return LineReport(
            port=line.plan.name,
            path=line.plan.path,
            kind="instrument",
            who=self._instrument.name if self._answers else "",
            good=line.good,
            bad=line.bad,
            dropped=line.dropped,
            round_trip=trip,
            skew=trip[1] / 2 if trip else None,
            trouble=line.trouble or ended,
            remedy=line.remedy,
        )


def _numbers(answer: str, places: Sequence[int]) -> tuple[list[float], tuple[str, ...]]:
    """Return the numbers at places of an answer, from 1, and how they are written.

    Raises ValueError where one is none.
    """
    parts = fields(answer)
    if max(places, default=0) > len(parts):
        raise ValueError(f"it has no field {max(places)}")
    written = tuple(parts[place - 1] for place in places)
    return [number(part) for part in written], written

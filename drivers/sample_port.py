"""One port of samples: what its thread does with the bytes, and what is known of its device."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Sequence
from typing import Final

import numpy as np

from drivers import frames
from drivers.frames import HEAD, FrameDecoder, Info
from drivers.lines import SerialLine
from drivers.numbering import AGREE, FAR, Numbering, Placed
from drivers.time_base import KEEPS, ClockFit, Lateness
from rig.clock import Clock
from rig.errors import DeviceError
from rig.ports import LineReport
from rig.protocol.wire import Port, Source
from rig.samples import SampleArray

SAME_RATE: Final = 1e-3
"""How far a device's rate may be off the rig file's, as a fraction."""
SAME_PACE: Final = 0.02
"""How far the pace of its frames by its own time may be off, as a fraction."""
LEARNED: Final = 0.1
"""Time [s] of samples that are looked at before a port is good for use."""
QUIET: Final = 1.2
"""Time [s] after which what has not come does not come: an info frame is due every second."""
TELL_EVERY: Final = 60.0
"""How often [s] at the most it is told that a line loses frames."""
STRAY: Final = 2
"""Frames by which an info frame may be out of its place."""

Batch = tuple[int, SampleArray, Sequence[float]]
"""Number of the first frame, values [SI] of shape (rows, frames), device times [s]."""


class SamplePort:
    """A line of sample frames: decoded, numbered, timed and in SI, in the line's own thread.

    `on_batch` is called with every batch, holes filled with NaN; `on_anew` when the device has
    begun anew, before its next batch; `on_lost` when the line is gone for good.
    """

    def __init__(self, plan: Port, sources: Sequence[Source], rate: float, clock: Clock) -> None:
        self.plan = plan
        self.names = tuple(source.channel for source in sources)
        self.line = SerialLine(plan, clock)
        self.decoder = FrameDecoder()
        self.numbering = Numbering(rate)
        self.fit = ClockFit()
        self._lateness = Lateness()
        self._held_back = ""
        self.info: Info | None = None
        self.on_batch: Callable[[SamplePort, Batch], None] = _nowhere
        self.on_anew: Callable[[SamplePort, str], None] = _nobody
        self.on_lost: Callable[[SamplePort, str], None] = _nobody
        self._rate = rate
        self._clock = clock
        columns = [source.number - 1 for source in sources]
        # A slice costs half as much as a list of places, and is what most rig files say.
        in_order = columns == list(range(len(columns)))
        self._columns = slice(len(columns)) if in_order else np.array(columns, np.intp)
        self._highest = max(source.number for source in sources)
        scalings = [source.scaling for source in sources]
        self._factors = np.array([s.factor for s in scalings], np.float32)
        self._offsets = np.array([s.offset for s in scalings], np.float32)
        self._shifted = bool(self._offsets.any())
        self._calm = False
        self._line_time = 0.0
        self._quiet = max(QUIET, 3 / rate)
        self._heard = -math.inf  # when the last byte came
        self._fitted = -math.inf  # when the last whole frame came
        self._sampled = -math.inf  # when the last sample came
        self._away = False
        self._first: tuple[int, float] | None = None  # number and device time of the first frame
        self._notes: deque[str] = deque(maxlen=100)
        self._told = (0, 0, 0)
        self._told_at = -math.inf

    @property
    def where(self) -> str:
        """The port as people know it."""
        return f'port "{self.plan.name}" ({self.plan.path})'

    def open(self) -> None:
        """Open the line and ask its device what it is. Raises DeviceError in one line."""
        self.line.open(self._arrived, self.changed)
        self.ask(frames.ASK_INFO)

    def ask(self, what: int) -> None:
        """Send a request; one that cannot be sent is noticed by what does not come."""
        try:
            self.line.write(frames.request(what))
        except DeviceError as error:
            self._notes.append(str(error))

    def _arrived(self, data: bytes, when: float) -> None:
        if not self._calm:
            # For this thread, once: a device may send what no number can hold.
            np.seterr(all="ignore")
            self._calm = True
        self.receive(data, when)

    def receive(self, data: bytes, when: float) -> None:
        """Take bytes that came at a time [s of the clock]; in the line's thread."""
        self._heard = when
        bodies, infos = self.decoder.feed(data)
        for info in infos:
            self._fitted = when
            self._inform(info)
        if not bodies:
            return
        self._fitted = when
        if (self.decoder.channels or 0) < self._highest:
            return  # not what the rig file takes; `unfit` says so
        if self._away:
            self._check_return(bodies[0], when)
        self._sampled = when
        for placed in self.numbering.place(bodies):
            if placed.anew:
                self._begin_anew("its frames do not go on where they were")
            if self._first is None:
                self._first = (placed.first, placed.times[0])
            self.on_batch(self, (placed.first, self._in_si(placed), placed.times))
        # The last frame of what came at once has waited least.
        self.fit.arrived(self.numbering.time, when - self._line_time)
        if late := self._lateness.arrived(self.numbering.time, when):
            self._hold_back(late)

    def changed(self, there: bool) -> None:
        """Take notice that the line was lost or is back; in the line's thread."""
        if there:
            self._notes.append(f"{self.where} is back")
            self.decoder.restart()
            self._away = True
            self.ask(frames.ASK_INFO)
            return
        self._notes.append(self.line.trouble)
        if self.line.ended:
            self.on_lost(self, self.line.trouble)

    @property
    def settled(self) -> bool:
        """Whether the device has said what it is and enough samples have come."""
        return self.info is not None and self._learned

    @property
    def _learned(self) -> bool:
        first, end = self._first, self.numbering.next
        return first is not None and end is not None and end - first[0] > LEARNED * self._rate

    def problem(self) -> str:
        """Return in one line why the port is not fit for use, "" where it is."""
        trouble, remedy = self.unfit()
        if not trouble:
            return ""
        return f"{trouble}; {remedy}" if self.line.trouble else f"{self.where}: {trouble}; {remedy}"

    def unfit(self) -> tuple[str, str]:
        """Return why the port is not fit for use and what to try, empty where it is."""
        if self.line.trouble:
            return self.line.trouble, "look at its plug and supply"
        if self._held_back:
            return self._held_back, "look at what lies between, at its speed and at that clock"
        now = self._clock.now()
        if now - self._heard > self._quiet:
            return "nothing comes", "is it switched on, are receive and transmit crossed?"
        if now - self._fitted > self._quiet:
            baud = f"{self.plan.baud} baud in the rig file"
            return "bytes come but no frame fits", f"{baud}; is that the device's speed?"
        if self.info is None:
            said = "samples come, but the device does not say what it is"
            return said, "it must send an info frame when asked and once a second"
        return self._mismatch(self.info)

    def _mismatch(self, info: Info) -> tuple[str, str]:
        rate, channels = self._rate, info.channels
        if info.version != frames.VERSION:
            said = f"the device speaks version {info.version} of the frames"
            return said, f"this driver knows version {frames.VERSION}"
        if channels < self._highest:
            said = (
                f"the device sends {channels} channels, the rig file takes number {self._highest}"
            )
            return said, "correct the numbers in the rig file, or have the device send more"
        if not abs(info.rate - rate) <= SAME_RATE * rate:
            said = f"the device samples at {info.rate:g} Hz, the rig file says {rate:g} Hz"
            return said, "set one to the other"
        if not self._learned or self._clock.now() - self._sampled > self._quiet:
            if self.decoder.strange:
                said = (
                    f"frames come that have not {channels} channels, as the device says of itself"
                )
                return said, "look at the device's program"
            return "the device says what it is, but sends no samples", "have it start by itself"
        pace = self._pace()
        if not abs(pace - rate) <= SAME_PACE * rate:
            said = f"by the device's own time its frames come at {pace:.4g} Hz, not at {rate:g} Hz"
            return said, "its time must count microseconds, its rate be kept"
        return "", ""

    def report(self, skew: float | None) -> LineReport:
        """Return what is known of the line."""
        trouble, remedy = self.unfit()
        info = self.info
        bad, missing, repeated = self._counts()
        return LineReport(
            port=self.plan.name,
            path=self.plan.path,
            kind="samples",
            who=(info.name or "a device without a name") if info else "",
            good=self.decoder.good,
            bad=bad + repeated,
            dropped=missing,
            skew=skew,
            drift=self.fit.drift,
            trouble=trouble,
            remedy=remedy,
        )

    def told(self) -> list[str]:
        """Return what has happened since this was asked last; a noisy line not every second."""
        texts = []
        while self._notes:
            texts.append(self._notes.popleft())
        now, counts = self._clock.now(), self._counts()
        if counts != self._told and now - self._told_at > TELL_EVERY:
            bad, missing, repeated = (n - told for n, told in zip(counts, self._told, strict=True))
            texts.append(
                f"{self.where}: {bad} frames did not fit, {missing} are missing, "
                f"{repeated} came twice or late"
            )
            self._told, self._told_at = counts, now
        return texts

    def _counts(self) -> tuple[int, int, int]:
        decoder, numbering = self.decoder, self.numbering
        return decoder.bad + decoder.strange, numbering.missing, numbering.repeated

    def _pace(self) -> float:
        """Return the rate of the frames by the device's own time [Hz], since the port opened."""
        first, end = self._first, self.numbering.next
        if first is None or end is None or self.numbering.time <= first[1]:
            return math.inf
        return (end - 1 - first[0]) / (self.numbering.time - first[1])

    def _inform(self, info: Info) -> None:
        before, self.info = self.info, info
        bits = 9 + self.plan.stop_bits + (self.plan.parity != "none")
        self._line_time = frames.line_time(info.channels, bits, self.plan.baud)
        if before is None or info == before:
            return
        if (before.channels, before.rate, before.emulated) != (
            info.channels,
            info.rate,
            info.emulated,
        ):
            self._restart(f'another device answers ("{info.name}", it was "{before.name}")')
        elif self.numbering.ahead(info.sequence) < -STRAY:
            self._restart(f"its next frame is number {info.sequence}")

    def _check_return(self, body: bytes, when: float) -> None:
        """See whether the device has gone on while the line was lost, by the computer's clock."""
        self._away = False
        if self.numbering.next is None:
            return
        ahead = self.numbering.ahead(HEAD.unpack_from(body)[1])
        if abs(ahead / self._rate - (when - self._sampled)) > AGREE:
            self._restart("its frames have not gone on while the line was lost")

    def _hold_back(self, late: float) -> None:
        """Take notice that old samples come for new ones: nothing may be decided from them."""
        if self._held_back:
            return
        self._held_back = (
            f"samples come {late:.2f} s late and no sooner again: the device or a converter holds "
            f"them back, or the device's clock runs more than {KEEPS:.1%} slow"
        )
        self._notes.append(f"{self.where}: {self._held_back}")
        self.on_lost(self, f"{self.where}: {self._held_back}")

    def _restart(self, why: str) -> None:
        self.numbering.forget()
        self._begin_anew(why)

    def _begin_anew(self, why: str) -> None:
        self.fit.forget()
        self._lateness = Lateness()
        self._first = None
        text = (
            f"{self.where}: the device has begun anew, or was away for over {FAR:g} s: {why}; "
            "look at its supply and plug"
        )
        self._notes.append(text)
        self.on_anew(self, text)

    def _in_si(self, placed: Placed) -> SampleArray:
        """Return placed frames in SI, float32 of shape (rows, frames), NaN where one is missing."""
        values: SampleArray = frames.values(placed.bodies)[:, self._columns] * self._factors
        if self._shifted:
            values += self._offsets
        if placed.whole:
            return values.T
        whole = np.full((len(self.names), len(placed.times)), np.nan, np.float32)
        whole[:, placed.at] = values.T
        return whole


def _nowhere(_port: SamplePort, _batch: Batch) -> None:
    """Take no notice."""


def _nobody(_port: SamplePort, _why: str) -> None:
    """Tell nobody."""

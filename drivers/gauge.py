"""What the channels of one port of samples read while somebody looks on."""

from __future__ import annotations

import math
import threading
from collections import deque
from dataclasses import dataclass
from typing import Final

import numpy as np

from drivers.frames import ASK_INFO
from drivers.sample_port import Batch, SamplePort
from rig.clock import Clock
from rig.errors import DeviceError
from rig.samples import FloatArray, SampleArray

LAST: Final = 0.1
"""Time [s] whose mean is the newest value."""
ASK_EVERY: Final = 0.5
"""Time [s] between questions to a device that has not said what it is."""
SOONEST: Final = 2.0
"""Time [s] that a device is given to say what it is and to send samples."""


@dataclass(frozen=True, slots=True)
class Seen:
    """A channel's newest value, the lowest and the highest one seen [SI]; NaN for none."""

    value: float
    lowest: float = math.nan
    highest: float = math.nan


class Tally:
    """What some channels have read so far, and just now."""

    def __init__(self, names: tuple[str, ...], rate: float) -> None:
        self._names = names
        self._most = max(round(LAST * rate), 1)
        self._newest: deque[SampleArray] = deque()
        self._frames = 0
        self._low: FloatArray = np.full(len(names), np.nan)
        self._high: FloatArray = np.full(len(names), np.nan)

    def take(self, values: SampleArray) -> None:
        """Take samples [SI] of shape (channels, frames), at least one frame; they are copied."""
        self._low = np.fmin(self._low, np.fmin.reduce(values, axis=1))
        self._high = np.fmax(self._high, np.fmax.reduce(values, axis=1))
        self._newest.append(values.copy())
        self._frames += values.shape[1]
        while self._frames - self._newest[0].shape[1] >= self._most:
            self._frames -= self._newest.popleft().shape[1]

    def seen(self) -> dict[str, Seen]:
        """Return what each channel reads."""
        newest = list(self._newest)
        means = _means(np.hstack(newest)) if newest else np.full(len(self._names), np.nan)
        rows = zip(self._names, means, self._low, self._high, strict=True)
        return {name: Seen(float(v), float(low), float(high)) for name, v, low, high in rows}


class Gauge:
    """Listens to a port. `error` is why it could not."""

    def __init__(self, port: SamplePort, rate: float, clock: Clock) -> None:
        self.port = port
        self.error: DeviceError | None = None
        self._clock = clock
        self._lock = threading.Lock()
        self._tally = Tally(port.names, rate)
        port.on_batch = self._take

    async def listen(self, seconds: float) -> None:
        """Listen for some time [s]; a device that is slow to begin is given two seconds."""
        begun = self._clock.now()
        try:
            self.port.open()
        except DeviceError as error:
            self.error = error
            return
        while (passed := self._clock.now() - begun) < seconds or (
            not self.port.settled and passed < SOONEST
        ):
            await self._clock.sleep(min(ASK_EVERY, max(seconds - passed, 0.05)))
            if self.port.info is None:
                self.port.ask(ASK_INFO)

    def seen(self) -> dict[str, Seen]:
        """Return what each channel reads."""
        with self._lock:
            return self._tally.seen()

    def close(self) -> None:
        """Close the port."""
        self.port.line.close()

    def _take(self, _port: SamplePort, batch: Batch) -> None:
        """Take a batch; in the line's thread."""
        with self._lock:
            self._tally.take(batch[1])


def _means(values: SampleArray) -> FloatArray:
    """Return the mean of each row without what is missing, NaN for a row without values."""
    finite = np.isfinite(values)
    counts = finite.sum(axis=1)
    sums = np.where(finite, values, 0.0).sum(axis=1, dtype=np.float64)
    return np.where(counts > 0, sums / np.maximum(counts, 1), np.nan)

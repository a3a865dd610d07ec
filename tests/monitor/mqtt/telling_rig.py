"""What a run says by MQTT, in the test's own process: a journal that grows, a real broker."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from datetime import timedelta
from pathlib import Path

from rig.clock import SystemClock
from rig.monitor.looks import Looks
from rig.monitor.mqtt.saying import Whose
from rig.monitor.mqtt.telling import Telling
from rig.protocol.lab import Broker as BrokerFile
from rig.record import Recorder, RunHeader
from rig.samples import Cycles
from tests.monitor.mqtt.broker import LAB, RIG
from tests.monitor.night_12 import CYCLING
from tests.record.runs import header, likely_rows

EVERY = 0.02
PATIENCE = 40.0


@dataclass
class Record:
    """A run's journal, written by the test; `alive` is what its folder's lock would say."""

    folder: Path
    header: RunHeader = field(default_factory=lambda: replace(header(), run_id="night-1"))
    alive: bool = True

    def __post_init__(self) -> None:
        self.recorder = Recorder.create(self.folder, self.header)
        self.count = 0
        self.counted = 0
        self.stand()

    def stand(self, **changed: object) -> None:
        """Let the run stand as some status says."""
        now = SystemClock().utc().isoformat()
        status = replace(CYCLING, stamp=now, calendar=now, **changed)
        self.recorder.add_status(status.to_json())
        self.recorder.commit()

    def cycle(self, count: int, **changed: object) -> Cycles:
        """Count cycles, and let the run stand as it then does; return their rows."""
        rows = likely_rows(self.counted + 1, count)
        self.recorder.cycles(rows)
        self.counted += count
        self.stand(cycles=self.counted, **changed)
        return rows

    def happen(self, *texts: str) -> None:
        """Record events."""
        for text in texts:
            self.count += 1
            self.recorder.event(CYCLING.time, 83_214, "note", text)
        self.recorder.commit()

    def end(self) -> None:
        """End it: run-out."""
        self.recorder.finish("run-out", "no failure in 90,000 cycles", 90_000, CYCLING.time)
        self.alive = False


@dataclass
class Told:
    """What a teller says, and its lines for people."""

    telling: Telling
    whose: Whose
    lines: list[str]

    async def wait(self, until: Callable[[], object]) -> None:
        """Wait until something holds."""
        async with asyncio.timeout(PATIENCE):
            while not until():  # noqa: ASYNC110 - many things are waited for
                await asyncio.sleep(0.01)


@asynccontextmanager
async def a_teller(
    record: Record, broker: BrokerFile, *, later: float = 0.0, leaves: bool = True
) -> AsyncIterator[Told]:
    """Let a run be told of. It took the rig `later` [s] than its record says; may be cut off."""
    clock, lines = SystemClock(), list[str]()
    taken = clock.utc() + timedelta(seconds=later)
    whose = Whose(LAB, RIG, record.header, taken)
    looks = Looks(record.folder, clock, lambda: record.alive, EVERY)
    telling = Telling(whose, broker, looks, record.folder, clock, tell=lines.append)
    async with asyncio.TaskGroup() as group:
        keeping = group.create_task(telling.keep())
        try:
            yield Told(telling, whose, lines)
            if leaves:
                await telling.leave()
        finally:
            keeping.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await keeping

"""A test in real time whose broker is restarted, frozen and cut off, beside one told to nobody.

    python -m tests.assembly.telling_storm [CYCLES]

carries both out side by side, at 10 Hz on rigs of their own, and prints what became of samples,
cycles and events, and how late each runner's loop was at most.
"""

from __future__ import annotations

import itertools
import json
import os
import shutil
import signal
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from contextlib import ExitStack, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from rig.control.address import socket_name
from rig.control.caller import Caller, NoAnswer
from rig.record.entries import Event
from rig.record.history import read_journal
from tests.assembly.nights import Night, a_night, eventually
from tests.assembly.offered import offer
from tests.assembly.told import a_told_night, log, once, seqs, tellers
from tests.monitor.mqtt.broker import Broker, Heard

OFTEN, LONG = 0.3, 1.05
"""How often [s] a note is written: in a test of less than a minute, and in a longer one."""


@dataclass(frozen=True)
class Outcome:
    """What became of a test: rows of its cycles, its events, how its samples were fetched."""

    columns: dict[str, Any]
    events: list[Event]
    figures: dict[str, Any]

    def line(self) -> str:
        loop, blocks = self.figures["loop"], self.figures["blocks"]
        return (
            f"{len(self.columns['number'])} cycles, {self.figures['frames']} frames, "
            f"{self.figures['holes']} holes, {int(np.sum(self.columns['flags'] != 0))} flagged; "
            f"loop late p99 {1e3 * loop['p99']:.1f} ms, at most {1e3 * loop['max']:.1f} ms; "
            f"blocks late p99 {1e3 * blocks['p99']:.1f} ms, at most {1e3 * blocks['max']:.1f} ms"
        )


def timed(night: Night) -> Night:
    """Let a night be carried out by the driver that says how its samples were fetched."""
    text = (night.folder / "rig.toml").read_text()
    (night.folder / "rig.toml").write_text(text.replace('driver = "tryout"', 'driver = "timed"'))
    packages = night.folder / "packages"
    offer(packages, "timed")
    shutil.copy(Path(__file__).with_name("timed.py"), packages)
    night.env["TIMED"] = str(night.folder / "timed.json")
    return night


def outcome(night: Night) -> Outcome:
    with read_journal(night.out) as journal:
        columns = journal.columns("cycles")
        events = journal.events()
    return Outcome(columns, events, json.loads((night.folder / "timed.json").read_text()))


def write_notes(night: Night, over: threading.Event, every: float) -> None:
    """Write notes into a run, so that there is something to tell all the time."""
    path = Path(night.env["NIGHTRIG_SOCKETS"]) / socket_name(night.out.resolve())
    for number in itertools.count(1):
        if over.wait(every):
            return
        with suppress(NoAnswer), Caller(path) as caller:
            caller.ask({"ask": "note", "who": "a test", "text": f"note {number}"})


def short_storm(broker: Broker, out: Path) -> None:
    """Restart a broker, freeze it, cut it off for good, and kill the teller."""
    broker.stop()
    broker.start()
    time.sleep(1.5)
    broker.freeze()
    time.sleep(2.5)
    broker.go_on()
    time.sleep(1.0)
    broker.kill()
    os.kill(tellers(out)[0], signal.SIGKILL)


def long_storm(broker: Broker, out: Path) -> None:
    """Restart a broker, freeze it for longer than anybody waits for an answer, cut it off."""
    time.sleep(10.0)
    broker.stop()
    broker.start()
    time.sleep(10.0)
    broker.freeze()
    time.sleep(8.0)
    broker.go_on()
    time.sleep(10.0)
    broker.kill()
    os.kill(tellers(out)[0], signal.SIGKILL)
    time.sleep(20.0)
    broker.start()
    time.sleep(10.0)
    broker.kill()


@dataclass(frozen=True)
class Both:
    """A test that was told of through a storm, the same one told to nobody, what was heard."""

    told: Outcome
    alone: Outcome
    heard: Heard
    log: str


def side_by_side(
    folder: Path, cycles: int, storm: Callable[[Broker, Path], None], *, every: float, pace: float
) -> Both:
    """Carry both tests out at once; the broker is away as they begin and as they end."""
    broker = Broker(folder / "broker")
    over = threading.Event()
    people = {"run_out": cycles, "pace": pace}
    with ExitStack() as stack:
        stack.enter_context(broker.running())
        # Its session is there before the first event is.
        heard = stack.enter_context(broker.subscribed("nightrig/v1/#", name="receiver"))
        broker.stop()
        told = stack.enter_context(a_told_night(folder / "told", broker, **people))
        (folder / "alone").mkdir()
        alone = stack.enter_context(a_night(folder / "alone", **people))
        nights = [timed(night) for night in (told, alone)]
        for night in nights:
            night.start("--detach")
        eventually(lambda: "cannot be reached" in log(told.out), "that the broker is away")
        broker.start()
        notes = [threading.Thread(target=write_notes, args=(n, over, every)) for n in nights]
        for night, writer in zip(nights, notes, strict=True):
            night.until_state("cycling")
            writer.start()
        try:
            # Later on the broker may never be there long enough: what is missed is not said again.
            heard.wait(lambda h: h.of("cycles"))
            storm(broker, told.out)
            end = time.monotonic() + cycles / 10.0 / pace
            while not all((n.out / "run.h5").exists() for n in nights) and time.monotonic() < end:
                time.sleep(0.1)
        finally:
            over.set()
            for writer in notes:
                writer.join()
        for night in nights:
            night.until_gone()
        broker.start()
        heard.wait(lambda h: any(b'"ended"' in p for p in h.of("presence")), 60.0)
        eventually(lambda: not tellers(told.out), f"the teller's end: {log(told.out)}")
        return Both(outcome(told), outcome(alone), heard, log(told.out))


def main(cycles: int) -> None:
    with tempfile.TemporaryDirectory(prefix="telling-") as folder:
        both = side_by_side(Path(folder), cycles, long_storm, every=LONG, pace=1.0)
    numbers = seqs(once(both.heard.of("events")))
    print(f"told, its broker in a storm: {both.told.line()}")
    print(f"told to nobody:              {both.alone.line()}")
    print(
        f"events in the record {len(both.told.events)}, heard {len(numbers)} and "
        f"{len(both.heard.of('events')) - len(numbers)} once more, in order and without a hole: "
        f"{numbers == list(range(1, len(both.told.events) + 1))}"
    )
    print(both.log)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 700)

"""Tellers of alerts, each in a folder of its own, killed at step 1, 2, 3...: `dying.py FOLDER`.

Steps are counted: before and after each write into the book, in the middle of one, before and
after each message goes out. It tells by adding to the file `told` in the folder.
"""

import asyncio
import os
import signal
import sys
from pathlib import Path

from rig.clock import VirtualClock, VirtualLoop
from rig.monitor.alerts import book, keeping
from rig.monitor.alerts.keeping import keep_alerting
from rig.monitor.alerts.messages import AlertText
from tests.monitor import views
from tests.monitor.alerts.nights import lab, rule
from tests.monitor.alerts.scripted import MESSAGES, Shown, looks
from tests.monitor.night_12 import cycling, with_status

SLIPPED = "midspan slipped by 0.21 mm"
TROUBLE = with_status(troubles=(SLIPPED,))
SCRIPT = (
    (0.0, cycling, (("clock", "the computer's clock was stepped by +40 s, or it slept"),)),
    (10.0, TROUBLE, (("sensor", SLIPPED),)),
    (40.0, views.failure, ()),
)
ENDED = ((0.0, views.failure, tuple(event for *_, events in SCRIPT for event in events)),)
"""The same run, looked at once it has ended."""
LAB = lab(rule("all", "rig", "sensor", "failure", ways=("program",), people=("Ada",)))


class Steps:
    """Counts steps, and kills this process at one of them."""

    def __init__(self, last: int) -> None:
        self.left = last

    def step(self) -> bool:
        """Tell whether this is the last one."""
        self.left -= 1
        return self.left == 0

    def or_die(self) -> None:
        if self.step():
            os.kill(os.getpid(), signal.SIGKILL)


async def tell(folder: Path, steps: Steps, script: tuple[Shown, ...] = SCRIPT) -> None:
    """Keep the alerts of a script until all is said."""

    async def program(alert: AlertText) -> None:
        steps.or_die()
        with open(folder / "told", "a", encoding="utf-8") as file:
            file.write(f"{alert.number} {alert.purpose}\n")
        steps.or_die()

    write, write_all = book.write, book._write_all

    def dying_write(run: Path, lines: tuple[book.Line, ...]) -> None:
        steps.or_die()
        write(run, lines)
        steps.or_die()

    def dying_write_all(handle: int, data: bytes) -> None:
        if steps.step():
            os.write(handle, data[: len(data) // 2])
            os.kill(os.getpid(), signal.SIGKILL)
        write_all(handle, data)

    keeping.write = dying_write  # type: ignore[attr-defined]
    book._write_all = dying_write_all
    try:
        async with asyncio.timeout(600.0):
            clock = VirtualClock()
            ways = {"program": program}
            await keep_alerting(looks(clock, *script), LAB, MESSAGES, folder, ways, clock)
    finally:
        keeping.write, book._write_all = write, write_all  # type: ignore[attr-defined]


def main(folder: Path) -> None:
    """Let one after the other be killed, each one step later, until one comes to its end."""
    last, killed = 0, True
    while killed:
        last += 1
        (folder / str(last)).mkdir()
        child = os.fork()
        if child == 0:
            with asyncio.Runner(loop_factory=VirtualLoop) as runner:
                runner.run(tell(folder / str(last), Steps(last)))
            os._exit(0)
        killed = os.WIFSIGNALED(os.waitpid(child, 0)[1])


if __name__ == "__main__":
    main(Path(sys.argv[1]))

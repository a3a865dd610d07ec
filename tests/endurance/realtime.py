"""Tests in real time whose runner, recorder or both are killed, and which go on each time."""

from __future__ import annotations

import signal
import time

from rig.errors import EXIT_CODES
from tests.endurance.case import Case, Kill
from tests.endurance.frames import Frame, gone
from tests.endurance.invariants import Kept, interruptions
from tests.endurance.looking import Looking, send

RUN_OUT = 160
LONGEST = 240.0
"""How long [s] a test of half a minute may take to its end, once nothing disturbs it."""
KINDS = ("runner", "recorder", "both", "runner, its recorder stopped")
STATES = (*("cycling",) * 4, "starting", "approach", "build-up", "inspection", "waiting")
"""States in which it is killed; one that passes while nobody looks is waited for in vain."""
BUSY = ("watchdog", "no sample has come", "no valid value", "within 0.25 s", "within 0.35 s")
"""Words of a fault that only says that this computer was too busy for a test in real time."""
REFUSED = (2, 6)
"""Codes of `resume` while another process holds folder, rig or record."""


class KilledRun(Looking):
    """One test in real time that is killed so many times. Use `run` once."""

    def __init__(self, case: Case, frame: Frame, kills: int) -> None:
        super().__init__(case, frame)
        self.kills, self.expected = kills, 0

    def run(self) -> Case:
        """Kill it, let it go on, and look at what is left."""
        began = time.monotonic()
        code, said = self.frame.run()
        self.case.expect(code == 0, f"run ended with {code}: {said}")
        for _ in range(self.kills):
            if not self._killed():
                break
        self._ends()
        self.case.took = time.monotonic() - began
        return self.case

    def _killed(self) -> bool:
        """Kill something at a random instant; False where the test had ended before."""
        what = self.random.choice(KINDS)
        self._aim()
        runner, recorder = self.frame.runner(), self.frame.recorder()
        if runner is None or recorder is None:
            return False
        state = self.frame.state()
        if what == "recorder":
            send(recorder, signal.SIGKILL)
            self.case.kills.append(Kill(what, state))
            self._replaced(runner, recorder)
            return True
        if what == "both":
            send(recorder, signal.SIGKILL)
        elif what != "runner":
            send(recorder, signal.SIGSTOP)
            time.sleep(self.random.uniform(0.0, 1.5))
        send(runner, signal.SIGKILL)
        self.case.kills.append(Kill(what, state))
        if what == KINDS[3]:
            self._second_writer(recorder)
        self.case.expect(
            self.frame.until(lambda: gone(runner) and gone(recorder)),
            "the recorder of a runner that was killed did not end",
        )
        return self._goes_on()

    def _aim(self) -> None:
        """Wait until the instant to kill at, writing notes meanwhile."""
        state = self.random.choice(STATES)
        self.frame.until(lambda: self.frame.state() in (state, "stopping", "ended"), 40.0)
        end = time.monotonic() + self.random.uniform(0.0, 3.0)
        while (left := end - time.monotonic()) > 0:
            time.sleep(min(left, self.random.uniform(0.0, 2.0)))
            self.note()

    def _replaced(self, runner: int, recorder: int) -> None:
        """Expect a new recorder of the same runner, unless the test ends just then."""
        killed = time.monotonic()

        def replaced() -> bool:
            new = self.frame.recorder()
            return (new is not None and new != recorder) or gone(runner)

        self.case.expect(self.frame.until(replaced), "a recorder that was killed was not replaced")
        self.case.kills[-1].back = time.monotonic() - killed
        self.case.count("recorders replaced")

    def _second_writer(self, recorder: int) -> None:
        """Nothing may write beside a recorder that stands still; then it is let go or killed."""
        code, said = self.frame.resume()
        self.case.expect(code in REFUSED, f"resume beside a recorder ended with {code}: {said}")
        self.case.count("second writers refused")
        killed = self.random.random() < 0.5
        send(recorder, signal.SIGKILL if killed else signal.SIGCONT)

    def _goes_on(self) -> bool:
        """Go on with it; False where it had ended."""
        events = self.before[-1].events if self.before else 0
        now = self.looked()
        if now is None:
            return False
        # One that did no more than the kill before has left nothing to be interrupted.
        self.expected += now.goes_on and now.events > events
        asked = time.monotonic()
        code, said = self.frame.resume()
        self.case.resumes += 1
        self.case.kills[-1].back = time.monotonic() - asked
        if now.outcome == "fault":
            return self._mended(now)
        due = EXIT_CODES[now.outcome] if now.outcome else 0
        self.case.expect(code == due, f"resume ended with {code}: {said}")
        return code == 0 and self.frame.runner() is not None

    def _over(self) -> bool:
        """Tell whether nobody runs the test any more; let one go on that a note holds."""
        if self.frame.state() in ("locked", "paused", "unloaded"):
            self.frame.ask("continue")
        return self.frame.runner() is None

    def _mended(self, now: Kept) -> bool:
        """Go on with a test that a busy computer has ended."""
        self.case.expect(busy(now), f"ended with a fault: {now.why}")
        self.case.count("ended by a busy computer")
        code, said = self.frame.resume("--mended", "waited for the computer")
        self.case.expect(code == 0, f"resume of a fault ended with {code}: {said}")
        return code == 0

    def _ends(self, again: int = 3) -> None:
        """Wait for the end of the test and look at what is left."""
        case, frame = self.case, self.frame
        if not frame.until(self._over, LONGEST):
            case.wrong.append(f"did not end within {LONGEST:.0f} s, stands in {frame.state()}")
            return
        ended = any(kill.state in ("ended", "stopped") for kill in case.kills)
        end = self.last_look(cut_at_the_end=ended)
        if end is None:
            return
        if end.outcome == "fault" and busy(end) and again:
            self._mended(end)
            self._ends(again=again - 1)
            return
        case.undisturbed = RUN_OUT
        case.expect(end.outcome == "run-out", f"outcome {end.outcome!r}: {frame.log()}")
        case.expect(end.cycles == RUN_OUT, f"ended at {end.cycles}, not at {RUN_OUT}")
        found = interruptions(end)
        case.expect(
            found == self.expected,
            f"{found} interruptions by a program that was gone, {self.expected} kills were such",
        )


def busy(now: Kept) -> bool:
    """Tell whether a fault only says that this computer was too busy."""
    return any(word in now.why for word in BUSY)

"""Tests in real time to which anything happens: people, nonsense, frozen and killed processes."""

from __future__ import annotations

import contextlib
import random
import signal
import socket
import time

from rig.control.address import socket_name
from rig.errors import EXIT_CODES
from tests.endurance.case import Case, Kill
from tests.endurance.frames import Frame
from tests.endurance.invariants import kept
from tests.endurance.looking import Looking, send

LIVES = 4
ACTS = 6
STOPS_WITHIN = 60.0
"""How long [s] a stop may take: unload, retract, samples after it, run.h5."""
STANDS = ("locked", "paused", "unloaded")


class Squall(Looking):
    """One test in real time in a storm. Use `run` once."""

    def __init__(self, case: Case, frame: Frame) -> None:
        super().__init__(case, frame)
        self.acts = {
            "note": self.note,
            "many notes at once": self._many,
            "nonsense": self._nonsense,
            "pause and continue": lambda: self._stands("pause"),
            "unload and continue": lambda: self._stands("unload"),
            "runner stood still": lambda: self._frozen(self.frame.runner()),
            "recorder stood still": lambda: self._frozen(self.frame.recorder()),
            "recorder killed": self._kill_recorder,
            "second program": self._second,
            "rig in use": self._rig_in_use,
            "resume meanwhile": self._resume_meanwhile,
        }

    def run(self) -> Case:
        """Let the test live some lives, each disturbed; then stop it and look at what is left."""
        began = time.monotonic()
        code, said = self.frame.run()
        self.case.expect(code == 0, f"run ended with {code}: {said}")
        for life in range(LIVES):
            self._disturbed()
            if life == LIVES - 1 or not self._again():
                break
        self._at_its_end()
        self.case.took = time.monotonic() - began
        return self.case

    def _disturbed(self) -> None:
        for _ in range(self.random.randint(1, ACTS)):
            time.sleep(self.random.uniform(0.0, 4.0))
            if self.frame.runner() is None:
                return
            name = self.random.choice(list(self.acts))
            self.case.count(name)
            self.acts[name]()

    def _many(self) -> None:
        """Have two hundred notes come at once, none of which waits for its answer."""
        path = str(self.frame.runtime / "nightrig" / socket_name(self.frame.out))
        open_ones = []
        for n in range(200):
            one = socket.socket(socket.AF_UNIX)
            one.settimeout(1.0)
            with contextlib.suppress(OSError):
                one.connect(path)
                one.sendall(b'{"ask": "note", "who": "P. Tester", "text": "crowd %d"}\n' % n)
            open_ones.append(one)
        for one in open_ones:
            one.close()

    def _nonsense(self) -> None:
        """Send what is no request: bytes, a line without an end, an object of another kind."""
        path = str(self.frame.runtime / "nightrig" / socket_name(self.frame.out))
        lines = (
            random.Random(self.random.random()).randbytes(3000),
            b"{" * 100_000,
            b'{"ask": "destroy"}\n',
            b'{"ask": ["stop"], "who": 7}\n' * 50,
            b"\n" * 1000,
        )
        with socket.socket(socket.AF_UNIX) as one, contextlib.suppress(OSError):
            one.settimeout(1.0)
            one.connect(path)
            one.sendall(self.random.choice(lines))

    def _stands(self, verb: str) -> None:
        """Let it stand still, and go on; a request that means nothing now is refused."""
        self.frame.ask(verb, within=40.0)
        time.sleep(self.random.uniform(0.0, 3.0))
        self._on()

    def _on(self) -> None:
        if self.frame.until(lambda: self.frame.state() in STANDS, 15.0):
            self.frame.ask("continue", within=40.0)

    def _frozen(self, pid: int | None) -> None:
        send(pid, signal.SIGSTOP)
        time.sleep(self.random.uniform(0.05, 2.5))
        send(pid, signal.SIGCONT)

    def _kill_recorder(self) -> None:
        pid = self.frame.recorder()
        if pid is not None:
            send(pid, signal.SIGKILL)
            self.case.kills.append(Kill("recorder", self.frame.state()))

    def _refused(self, what: str, code: int, said: str) -> None:
        # One whose runner has ended meanwhile is another matter.
        if self.frame.runner() is not None:
            self.case.expect(code == 2, f"{what} ended with {code}: {said}")

    def _second(self) -> None:
        self._refused("a second run in the folder", *self.frame.run())

    def _rig_in_use(self) -> None:
        other = self.frame.place / "other"
        self._refused("a second run on the rig", *self.frame.run(other))
        if self.frame.runner() is not None:
            self.case.expect(not other.exists(), "a run that was refused has left a folder")
        elif other.exists():  # the rig had become free: a test of its own, which is not wanted
            self.frame.answered("stop", str(other), "--by", "P. Tester")
            over = self.frame.until(lambda: not self.frame.left(), STOPS_WITHIN)
            self.case.expect(over, "another test on the rig did not end when it was stopped")

    def _resume_meanwhile(self) -> None:
        self._refused("resume of a test under way", *self.frame.resume())

    def _again(self) -> bool:
        """Kill the runner or both, or leave it alone; go on, whatever the outcome is."""
        runner, recorder = self.frame.runner(), self.frame.recorder()
        if runner is not None and self.random.random() < 0.7:
            what = self.random.choice(("runner", "both"))
            self.case.kills.append(Kill(what, self.frame.state()))
            for pid in (recorder if what == "both" else None, runner):
                send(pid, signal.SIGKILL)
            self.frame.until(lambda: not self.frame.left())
        elif runner is not None:
            return True
        now = self.looked()
        if now is None or now.outcome in ("failure", "run-out"):
            return False
        words = ("--mended", "P. Tester looked at it") if now.outcome in ("fault", "limit") else ()
        asked = time.monotonic()
        code, said = self.frame.resume(*words)
        self.case.resumes += 1
        if self.case.kills:
            self.case.kills[-1].back = time.monotonic() - asked
        due = 0 if self.frame.runner() else EXIT_CODES.get(self._outcome(), 0)
        self.case.expect(code == due, f"resume ended with {code}, {due} is due: {said}")
        return code == 0

    def _outcome(self) -> str:
        return kept(self.frame.out).outcome

    def _at_its_end(self) -> None:
        case, frame = self.case, self.frame
        if frame.runner() is not None:
            code, said = frame.answered("stop", str(frame.out), "--by", "P. Tester")
            over = frame.until(lambda: frame.runner() is None, STOPS_WITHIN)
            case.expect(over, f"a stop was answered with {code} and nothing ended: {said}")
        frame.until(lambda: not frame.left(), 10.0)
        if frame.state() != "ended":
            code, said = frame.answered("resume", str(frame.out), "--end", "enough")
            ended = frame.state() == "ended"
            case.expect(ended, f"resume --end left no outcome, {code}: {said}")
        self.last_look(cut_at_the_end=True)

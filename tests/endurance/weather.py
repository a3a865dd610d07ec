"""Rehearsals to which anything happens: accidents, people, kills, a full disk, a second program."""

from __future__ import annotations

import shutil
import signal
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from rig.assembly.looking_back import look_back
from rig.assembly.rehearsal import go_on_rehearsing, rehearse
from rig.assembly.result import Result
from rig.commands.account import happened
from rig.commands.files import load
from rig.errors import EXIT_CODES, RigError
from rig.protocol.plan import Plan
from tests.endurance import faults, plans
from tests.endurance.case import Case, Kill
from tests.endurance.children import Act, Child, start, typed
from tests.endurance.invariants import Kept, cycles_lost, kept, missing, unsound

FRAMES = 250_000
"""So long is a "small" test, at 500 Hz."""
LIVES = 6
"""So often a test goes on before it is closed as it stands."""
CODES = {0, 3, 4, 5, 6}
REFUSED = 2
FULL = 6


@dataclass
class Weather:
    """One rehearsal in a storm. Use `run` once."""

    case: Case
    place: Path
    files: plans.Files

    def __post_init__(self) -> None:
        self.random = self.case.random()
        self.out = self.place / "run"
        self.plan: Plan = load(str(self.files.protocol), str(self.files.rig))
        self.before: list[Kept] = []
        self.mended = ""

    def run(self) -> Case:
        """Let the test live until it has an end that stays; look at it after each of its lives."""
        began = time.monotonic()
        for life in range(LIVES + 1):
            child = self._lives(last=life == LIVES)
            if self._is_over(child):
                break
        else:
            self.case.wrong.append(f"has no end after {LIVES} lives")
        self._at_its_end()
        self.case.took = time.monotonic() - began
        return self.case

    def _lives(self, *, last: bool) -> Child:
        """Begin or go on with it, and do something to it meanwhile."""
        most = None
        if not last and self.random.random() < 0.2:
            most = self.random.randint(20_000, 300_000)
            self.case.count("full disk")
        child = start(self._act(last=last), self.place / "log", most=most)
        if not last:
            what = self.random.choice(("kill", "kill", "stand still", "a second", "nothing"))
            child.until("starting", 5.0)
            self._wait(child, self.random.uniform(0.0, 3.0))
            if not child.ended():
                self._disturb(child, what)
        return child

    def _act(self, *, last: bool) -> Act:
        plan, out, seed = self.plan, self.out, self.case.seed
        names, accidents = faults.accidents(self.random, FRAMES)
        script = faults.script(self.random, FRAMES / 500)
        if not (out / "journal.db").exists():
            shutil.rmtree(out, ignore_errors=True)
            self._counted(names, len(script))
            return _coded(lambda: rehearse(plan, out, seed, faults=accidents, script=script))
        self.case.resumes += 1
        if last:
            return typed("resume", str(out), "--end", "enough")
        if self.mended:
            return typed("resume", str(out), "--mended", self.mended)
        if self.random.random() < 0.5:
            return typed("resume", str(out))
        found = look_back(out)
        if found.verdict is not None or (found.ending and found.ending.outcome != "operator"):
            return typed("resume", str(out))
        self._counted(names, len(script))
        why = happened(found)
        return _coded(lambda: go_on_rehearsing(found, why, faults=accidents, script=script))

    def _counted(self, names: list[str], asked: int) -> None:
        for name in names:
            self.case.count(f"fault: {name}")
        if asked:
            self.case.count("requests", asked)

    def _disturb(self, child: Child, what: str) -> None:
        if what == "kill":
            if child.kill():
                self.case.kills.append(Kill("rehearsal", self._state()))
        elif what == "stand still":
            self.case.count(what)
            child.signal(signal.SIGSTOP)
            time.sleep(self.random.uniform(0.1, 1.0))
            child.signal(signal.SIGCONT)
        elif what == "a second":
            self._second(child)

    def _second(self, child: Child) -> None:
        """A second program on the same folder is refused, if the first still has it."""
        child.signal(signal.SIGSTOP)
        if child.ended():
            return
        words = ["resume", str(self.out)]
        if self.random.random() < 0.5:
            words = ["rehearse", str(self.files.protocol), "--rig", str(self.files.rig)]
            words += ["--out", str(self.out), "--seed", "1"]
        finishing = any(name == "finishing" for name, _ in child.told)
        second = start(typed(*words), self.place / "log-second")
        code = second.wait()
        # Between the last event and its end nobody knows whether it still had the folder.
        if not finishing:
            self.case.expect(
                code == REFUSED, f"a second {words[0]} ended with {code}: {second.said()}"
            )
            self.case.count("second programs refused")
        child.signal(signal.SIGCONT)

    def _wait(self, child: Child, seconds: float) -> None:
        end = time.monotonic() + seconds
        while time.monotonic() < end and not child.ended():
            child.hear(0.02)

    def _state(self) -> str:
        if not (self.out / "journal.db").exists():
            return "no journal"
        return kept(self.out).state

    def _is_over(self, child: Child) -> bool:
        """Look at what one life left; tell whether the test has an end that stays."""
        case, code = self.case, child.wait()
        self.mended = ""
        if not (self.out / "journal.db").exists():
            return False
        now = kept(self.out)
        if self.before:
            case.wrong += missing(self.before[-1], now)
        self.before.append(now)
        if code == -signal.SIGKILL:
            return False
        if not now.outcome:
            case.expect(code == FULL, f"no end, and code {code}: {child.said()[-600:]}")
            return False
        expected = EXIT_CODES[now.outcome]
        # On a full disk the end may be in the journal, and run.h5 not be made.
        case.expect(code in (expected, FULL), f"{now.outcome}, code {code}: {child.said()[-600:]}")
        if now.outcome in ("fault", "limit"):
            self.mended = "mended by P. Tester"
        return now.outcome in ("failure", "run-out", "ultimate") or "enough" in child.said()

    def _at_its_end(self) -> None:
        """Damage run.h5, have it made again, and look at all that is left."""
        case, out = self.case, self.out
        closed = start(typed("resume", str(out), "--end", "enough"), self.place / "log")
        closed.wait()
        made = (out / "run.h5").read_bytes()
        self._damage(out / "run.h5")
        again = start(typed("resume", str(out), "--end", "enough"), self.place / "log")
        code = again.wait()
        end = kept(out)
        case.outcome, case.cycles, case.lost = end.outcome, end.cycles, cycles_lost(end)
        case.expect(code == EXIT_CODES.get(end.outcome), f"at last {code}: {again.said()[-600:]}")
        case.expect((out / "run.h5").read_bytes() == made, "run.h5 was not made again as it was")
        case.wrong += unsound(out, cut_at_the_end=True)
        for before in self.before:
            case.wrong += missing(before, end)

    def _damage(self, path: Path) -> None:
        how = self.random.choice(("removed", "cut", "flipped"))
        self.case.count(f"run.h5 {how}")
        data = bytearray(path.read_bytes())
        if how == "removed":
            path.unlink()
            return
        if how == "cut":
            del data[self.random.randrange(len(data)) :]
        else:
            for _ in range(self.random.randint(1, 8)):
                data[self.random.randrange(len(data))] ^= 1 << self.random.randrange(8)
        path.write_bytes(data)


def _coded(act: Callable[[], Result]) -> Act:
    """Return an act that ends with the code of its result, as a command does."""

    def coded() -> int:
        try:
            return EXIT_CODES[act().outcome]
        except RigError as error:
            print(error)
            return error.exit_code

    return coded

"""Rehearsals that are killed at random instants, again and again, and go on each time.

The process that rehearses is runner and recorder in one.
"""

from __future__ import annotations

import shutil
import time
from dataclasses import dataclass
from pathlib import Path
from random import Random

from tests.endurance import plans
from tests.endurance.case import Case, Kill
from tests.endurance.children import Child, executed, start, typed
from tests.endurance.invariants import (
    GONE,
    Kept,
    cycles_lost,
    differences,
    exit_code,
    interruptions,
    kept,
    missing,
    unequal,
    unsound,
)

SAME = 0.01
"""How far the failure cycle may be from that of the undisturbed test."""
NOTHING = 2
"""Code of `resume` where no test has begun in a folder."""
SHORT = ("starting", "approach", "static", "ramp", "hold", "build-up", "inspection", "waiting")
"""States that pass within milliseconds of virtual time; a random instant seldom meets them."""
ENDS = ("stopping", "stopped", "finishing")


@dataclass(frozen=True)
class Undisturbed:
    """A test with nothing done to it: how long it took [s], and its record."""

    files: plans.Files
    seed: int
    took: float
    record: Kept

    @property
    def cycles(self) -> int:
        """Cycles at the verdict."""
        return self.record.cycles


def undisturbed(place: Path, variant: str, seed: int) -> Undisturbed:
    """Carry a test out with nothing done to it."""
    files = plans.virtual(place / variant.replace(" ", "-"), variant)
    out = place / f"{variant.replace(' ', '-')}-{seed}"
    began = time.monotonic()
    child = start(typed(*_rehearse(files, out, seed)), out.with_suffix(".log"))
    code = child.wait()
    took = time.monotonic() - began
    assert code == 0, child.said()
    record = kept(out)
    shutil.rmtree(out)
    return Undisturbed(files, seed, took, record)


def _rehearse(files: plans.Files, out: Path, seed: int) -> list[str]:
    where = ["--out", str(out), "--seed", str(seed)]
    return ["rehearse", str(files.protocol), "--rig", str(files.rig), *where]


class KilledRehearsal:
    """One rehearsal that is killed up to `most` times. Use `run` once.

    `copies` is the share of tests of which a copy goes on too, `ends` that of kills at the end.
    """

    def __init__(
        self,
        case: Case,
        place: Path,
        whole: Undisturbed,
        most: int,
        copies: float = 0.4,
        *,
        ends: float = 0.12,
    ) -> None:
        self.case, self.whole, self.most = case, whole, most
        self.copies, self.ends = copies, ends
        self.random = case.random()
        self.out = place / "run"
        self.log = place / "log"
        self.copy: Path | None = None
        self.first: Kept | None = None
        self.last: Kept | None = None
        self.before: list[Kept] = []
        self.expected = 0

    def run(self) -> Case:
        """Kill it, let it go on, and look at what is left."""
        began = time.monotonic()
        child = self._begun()
        for n in range(self.most):
            state = self._killed(child)
            if state is None:
                break
            if n == self.most - 1 and state not in ("no folder", "no journal"):
                self._copied()
            child = self._again()
        code = child.wait()
        self._back(child)
        if self.copy is not None:
            self._copy_goes_on(self.copy)
        self._look(code, child)
        self.case.took = time.monotonic() - began
        return self.case

    def _begun(self) -> Child:
        words = _rehearse(self.whole.files, self.out, self.whole.seed)
        act = executed(*words) if self.random.random() < 0.1 else typed(*words)
        return start(act, self.log)

    def _again(self) -> Child:
        """Go on with it; where nothing had begun, as resume says, begin once more."""
        if not (self.out / "journal.db").exists():
            child = start(typed("resume", str(self.out)), self.log)
            code = child.wait()
            self.case.expect(
                code == NOTHING, f"resume of no test ended with {code}: {child.said()}"
            )
            shutil.rmtree(self.out, ignore_errors=True)
            return self._begun()
        self.case.resumes += 1
        act = executed if self.random.random() < 0.1 else typed
        return start(act("resume", str(self.out)), self.log)

    def _killed(self, child: Child) -> str | None:
        """Kill it at a random instant; return the state it was in, None where it was too late."""
        self._aim(child, self.random)
        if not child.kill():
            return None
        self._back(child)
        state = self._found()
        self.case.kills.append(Kill("rehearsal", state))
        return state

    def _aim(self, child: Child, random: Random) -> None:
        """Wait until the instant to kill it at."""
        how = random.random()
        if how < 0.07:
            _pause(child, random.uniform(0.0, 0.06))
        elif how < 0.4:
            # Some need not come; then any instant will do.
            child.until(random.choice(SHORT), self.whole.took / 4)
            _pause(child, random.uniform(0.0, 0.03))
        elif how < 0.4 + self.ends:
            if child.until(random.choice(ENDS), 4 * self.whole.took):
                _pause(child, random.uniform(0.0, 0.25))
        else:
            _pause(child, random.uniform(0.0, 0.7 * self.whole.took))

    def _found(self) -> str:
        """Read what is on the disk after a kill; return the state it hit."""
        if not self.out.exists():
            return "no folder"
        if not (self.out / "journal.db").exists():
            return "no journal"
        now = kept(self.out)
        if self.last is not None:
            self.case.wrong += missing(self.last, now)
        if self.first is None:
            self.first = now
            self.case.wrong += self._as_undisturbed(now)
        # One that did no more than the kill before has left nothing to be interrupted.
        new = self.last is None or now.events > self.last.events
        self.expected += now.goes_on and new
        self.last = now
        self.before.append(now)
        return now.state

    def _as_undisturbed(self, now: Kept) -> list[str]:
        rows = {kind: len(next(iter(now.rows[kind].values()))) for kind in ("cycles", "build_up")}
        return [
            f"before the first kill: {wrong}"
            for kind, count in rows.items()
            for wrong in differences(now.rows, self.whole.record.rows, kind, count)
        ]

    def _copied(self) -> None:
        if self.random.random() < self.copies:
            self.copy = shutil.copytree(self.out, self.out.with_name("copy") / "run")

    def _copy_goes_on(self, copy: Path) -> None:
        child = start(typed("resume", str(copy)), self.log.with_name("log-copy"))
        code = child.wait()
        self.case.count("copies compared")
        try:
            self.case.wrong += unequal(kept(self.out), kept(copy))
        except Exception as error:
            self.case.wrong.append(f"the copy ended with {code}: {error}: {child.said()[-300:]}")
        shutil.rmtree(copy.parent)

    def _back(self, child: Child) -> None:
        """Note how soon the test went on after the last kill."""
        since = child.since("starting")
        if since is not None and self.case.kills and self.case.kills[-1].back is None:
            self.case.kills[-1].back = since

    def _look(self, code: int, child: Child) -> None:
        case, out = self.case, self.out
        try:
            end = kept(out)
        except Exception as error:
            case.wrong.append(f"ended with {code}, no record: {error}: {child.said()[-500:]}")
            return
        ended = any(kill.state == "ended" for kill in case.kills)
        case.wrong += unsound(out, cut_at_the_end=ended)
        for before in self.before:
            case.wrong += missing(before, end)
        case.outcome, case.cycles, case.undisturbed = end.outcome, end.cycles, self.whole.cycles
        case.lost = cycles_lost(end)
        case.expect(end.outcome == self.whole.record.outcome, f"outcome {end.outcome!r}")
        if end.outcome:
            due = exit_code(end.outcome)
            case.expect(code == due, f"code {code}, {due} is due: {child.said()[-300:]}")
        off = abs(end.cycles - self.whole.cycles) / self.whole.cycles
        case.expect(off <= SAME, f"ended at {end.cycles}, undisturbed at {self.whole.cycles}")
        found = interruptions(end)
        case.expect(
            found == self.expected,
            f"{found} interruptions say that {GONE}, {self.expected} kills hit a running test",
        )


def _pause(child: Child, seconds: float) -> None:
    end = time.monotonic() + seconds
    while (left := end - time.monotonic()) > 0 and not child.ended():
        child.hear(min(left, 0.02))

"""Memory, descriptors and threads over the course of a rehearsal of a million cycles with faults.

It runs in a process of its own that is looked at from outside.
"""

from __future__ import annotations

import contextlib
import os
import re
import time
from dataclasses import dataclass
from pathlib import Path

from rig.assembly.rehearsal import rehearse
from rig.commands.files import load
from rig.control.desk import Request
from rig.errors import EXIT_CODES
from simulators.faults import Fault, Missing, NoFlow, Spike
from tests.control.conftest import changed
from tests.endurance import plans
from tests.endurance.children import Child, start
from tests.endurance.invariants import unsound

CYCLES = 1_000_000
RATE, FREQUENCY = 500, 10
MOST = 300e6  # [B] of resident memory
GROWTH = 1.05
"""The peak of the last third may be so many times that of the second."""
EVERY = 0.2  # [s] between two looks
LONGEST = 1800.0
PATTERNS = {
    r"^run_out = .*$": 'run_out = "{cycles} cycles"',
    r"^at = \[.*\]$": 'at = ["{tenth} cycles", "{half} cycles"]',
    r"(?s)^\[attendance\].*\Z": "",
}


@dataclass(frozen=True)
class Look:
    """What a process held at a time [s] after its start: memory [B], descriptors, threads."""

    time: float
    resident: int
    descriptors: int
    threads: int


@dataclass(frozen=True)
class Course:
    """What was seen of one rehearsal; it cycled from `first` to `last` [s] after its start."""

    cycles: int
    faults: int
    pauses: int
    took: float
    looks: tuple[Look, ...]
    first: float
    last: float


@dataclass(frozen=True)
class Curve:
    """The peaks of memory [B] in the thirds of the cycling and in all; what was open, of when."""

    course: Course
    peaks: tuple[int, ...]
    whole_peak: int
    descriptors: tuple[int, int]
    threads: tuple[int, int]
    wrong: tuple[str, ...]


def curve(place: Path, cycles: int = CYCLES) -> Curve:
    """Rehearse so many cycles with faults and look at the process over its course."""
    files = plans.virtual(place, "small")
    values = {"cycles": cycles, "tenth": cycles // 10, "half": cycles // 2}
    text = files.protocol.read_text(encoding="utf-8")
    patterns = {was: to.format(**values) for was, to in PATTERNS.items()}
    files.protocol.write_text(changed(text, patterns), encoding="utf-8")
    plan = load(str(files.protocol), str(files.rig))
    accidents, script = _accidents(cycles), _script(cycles)
    out = place / "run"

    def act() -> int:
        return EXIT_CODES[rehearse(plan, out, 1, faults=accidents, script=script).outcome]

    began = time.monotonic()
    child = start(act, place / "log")
    looks = _looked(child)
    code = child.wait()
    took = time.monotonic() - began
    wrong = [*unsound(out), *([f"ended with {code}: {child.said()[-500:]}"] if code else [])]
    first, last = child.since("cycling") or 0.0, child.since("stopping") or took
    seen = Course(cycles, len(accidents), len(script) // 2, took, tuple(looks), first, last)
    return judged(seen, wrong)


def _accidents(cycles: int) -> tuple[Fault, ...]:
    """Return a sensor fault for each two thousand cycles; water that stays away twice."""
    frames = cycles * RATE // FREQUENCY
    found: list[Fault] = []
    for n, frame in enumerate(range(100_000, frames, 2000 * RATE // FREQUENCY)):
        channel = ("load", "midspan", "support_left")[n % 3]
        size = (2e4, 5e-4, 5e-4)[n % 3]
        if n % 2:
            found.append(Spike(channel, frame, size))
        else:
            found.append(Missing(channel, frame, frame + 2))
    found += [NoFlow(frames // part, frames // part + 40 * RATE) for part in (3, 5)]
    return tuple(found)


def _script(cycles: int) -> tuple[tuple[float, Request], ...]:
    """Return a pause for each twentieth of the test, each followed by going on."""
    whole = cycles / FREQUENCY
    asked = []
    for n in range(1, 20):
        at = n * whole / 20
        asked += [(at, Request("pause", who="P. Tester"))]
        asked += [(at + 60.0, Request("continue", who="P. Tester"))]
    return tuple(asked)


def _looked(child: Child) -> list[Look]:
    looks = []
    end = time.monotonic() + LONGEST
    while not child.ended() and time.monotonic() < end:
        with contextlib.suppress(OSError, TypeError):
            looks.append(_look(child))
        child.hear(EVERY)
        time.sleep(EVERY)
    return looks


def _look(child: Child) -> Look:
    own = Path("/proc") / str(child.pid)
    told = (own / "status").read_text()
    resident = re.search(r"VmRSS:\s+(\d+) kB", told)
    threads = re.search(r"Threads:\s+(\d+)", told)
    if resident is None or threads is None:
        raise OSError(f"process {child.pid} has ended")
    handles = len(os.listdir(own / "fd"))
    now = time.monotonic() - child.began
    return Look(now, 1024 * int(resident[1]), handles, int(threads[1]))


def judged(course: Course, wrong: list[str]) -> Curve:
    """Judge what a process held while it cycled."""
    first, last = course.first, course.last
    cycling = [look for look in course.looks if first <= look.time < last]
    thirds = [
        [x for x in cycling if n <= 3 * (x.time - first) / (last - first) < n + 1] for n in range(3)
    ]
    if not all(thirds):
        return Curve(course, (), 0, (0, 0), (0, 0), (*wrong, "too short to be judged"))
    peaks = tuple(max(look.resident for look in third) for third in thirds)
    handles = [look.descriptors for look in cycling]
    threads = [look.threads for look in cycling]
    whole = max(look.resident for look in course.looks)
    told = (
        (peaks[2] > GROWTH * peaks[1], f"memory grows from {peaks[1]} to {peaks[2]} bytes"),
        (whole > MOST, f"memory reaches {whole} bytes"),
        (max(handles) > min(handles), f"descriptors vary: {min(handles)} to {max(handles)}"),
        (max(threads) > min(threads), f"threads vary: {min(threads)} to {max(threads)}"),
    )
    return Curve(
        course,
        peaks,
        whole,
        (min(handles), max(handles)),
        (min(threads), max(threads)),
        (*wrong, *(text for holds, text in told if holds)),
    )

"""The report of a storm: what was done to the tests, what became of them, what did not hold."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from statistics import fmean
from textwrap import wrap

from tests.endurance.case import Case, Kill
from tests.endurance.memory import Curve

WIDTH = 96
INDENT = 14
FAULT = "fault: "


@dataclass(frozen=True)
class Storm:
    """All that was done: the seed of it, the tests, the course of memory, how long it took [s]."""

    seed: int
    cases: Sequence[Case]
    curve: Curve | None
    took: float

    @property
    def wrong(self) -> list[str]:
        """Every invariant that did not hold, with the test that it is of."""
        found = [f"{case.name} {case.seed}: {text}" for case in self.cases for text in case.wrong]
        return found + [f"memory: {text}" for text in (self.curve.wrong if self.curve else ())]


def text_of(storm: Storm) -> str:
    """Return the report as lines of plain text."""
    cases = storm.cases
    kills = [kill for case in cases for kill in case.kills]
    lines = [
        "Endurance: a storm over rehearsals and tests in real time",
        "",
        *_row("seed", [str(storm.seed)]),
        *_row("took", [f"{storm.took / 60:.0f} min"]),
        *_row("tests", [str(len(cases)), *_counts(case.name for case in cases)]),
        *_row("outcomes", _counts(case.outcome or "none" for case in cases)),
        *_row("kills", [str(len(kills)), *_kills(kills)]),
        *_row("resumes", [str(sum(case.resumes for case in cases))]),
        *_row("recovery", ["real time from the command until the test goes on", *_recovery(kills)]),
        *_row("cycles lost", _lost(cases)),
        *_row("life", _life(cases)),
        *_row("faults", _done(cases, faults=True)),
        *_row("besides", _done(cases, faults=False)),
    ]
    if storm.curve is not None:
        lines += _row("memory", _memory(storm.curve))
    return "\n".join([*lines, "", *_verdict(storm)]) + "\n"


def _row(name: str, texts: Iterable[str]) -> list[str]:
    """Return a name and what belongs to it, each text beginning a line."""
    lines = [line for text in texts for line in wrap(text, WIDTH - INDENT)] or ["none"]
    names = [name, *[""] * (len(lines) - 1)]
    return [f"{n:<{INDENT}}{line}" for n, line in zip(names, lines, strict=True)]


def _counts(words: Iterable[str]) -> list[str]:
    return [", ".join(f"{word} {count}" for word, count in Counter(words).most_common())]


def _kills(kills: Sequence[Kill]) -> list[str]:
    """Return the kills by what was killed, and of each by the state of the test."""
    whats = Counter(kill.what for kill in kills)
    return [
        f"{what} {count}: {_counts(k.state or 'created' for k in kills if k.what == what)[0]}"
        for what, count in whats.most_common()
    ]


def _recovery(kills: Iterable[Kill]) -> list[str]:
    backs: dict[str, list[float]] = {}
    for kill in kills:
        if kill.back is not None:
            backs.setdefault(kill.what, []).append(kill.back)
    return [
        f"{what}: longest {max(each):.1f} s, mean {fmean(each):.1f} s"
        for what, each in backs.items()
    ]


def _lost(cases: Iterable[Case]) -> list[str]:
    lost = [cycles for case in cases for cycles in case.lost]
    if not lost:
        return []
    return [
        f"worst {max(lost)}, mean {fmean(lost):.1f}, as {len(lost)} resumptions say; "
        "the controller's own stop is in it"
    ]


def _life(cases: Iterable[Case]) -> list[str]:
    # What has no end, or another, is named below.
    ended = [case for case in cases if case.undisturbed and case.outcome in ("failure", "run-out")]
    off = [abs(case.cycles / case.undisturbed - 1) for case in ended]
    if not off:
        return []
    return [f"at most {max(off):.2%} from that of the undisturbed test, in {len(off)} tests"]


def _done(cases: Iterable[Case], *, faults: bool) -> list[str]:
    found: Counter[str] = Counter()
    for case in cases:
        found.update(
            {k.removeprefix(FAULT): n for k, n in case.done.items() if faults is (FAULT in k)}
        )
    return [", ".join(f"{what} {count}" for what, count in sorted(found.items()))]


def _memory(curve: Curve) -> list[str]:
    course = curve.course
    peaks = ", ".join(f"{peak / 1e6:.0f}" for peak in curve.peaks)
    low, high = curve.descriptors
    least, most = curve.threads
    return [
        f"{course.cycles:,} cycles with {course.faults} faults and {course.pauses} pauses in "
        f"{course.took:.0f} s, looked at {len(course.looks)} times",
        f"peaks of the thirds {peaks} MB, with the closing {curve.whole_peak / 1e6:.0f} MB",
        f"open descriptors {low} to {high}, threads {least} to {most}",
    ]


def _verdict(storm: Storm) -> list[str]:
    if not storm.wrong:
        return ["Every invariant held."]
    lines = [
        f"{len(storm.wrong)} invariants did not hold. One test again, from its seed alone:",
        "  python -m tests.endurance --only NAME SEED",
        "",
    ]
    for text in storm.wrong:
        first, *rest = wrap(" ".join(text.split()), WIDTH - 2) or [""]
        lines += [f"- {first}", *(f"  {line}" for line in rest)]
    return lines

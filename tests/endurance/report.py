"""The report of a storm: what was done to the tests, what became of them, what did not hold."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from statistics import fmean
from textwrap import wrap

from tests.endurance.case import Case
from tests.endurance.memory import Curve

WIDTH = 88


@dataclass(frozen=True)
class Storm:
    """All that was done: the seed of it, the tests, the course of memory, how long it took [s]."""

    seed: int
    cases: Sequence[Case]
    curve: Curve | None
    took: float

    @property
    def wrong(self) -> list[str]:
        """Every invariant that did not hold, with how its test is repeated."""
        found = [f"{case.name} {case.seed}: {text}" for case in self.cases for text in case.wrong]
        return found + [f"memory: {text}" for text in (self.curve.wrong if self.curve else ())]


def text_of(storm: Storm) -> str:
    """Return the report as lines of plain text."""
    kills = [kill for case in storm.cases for kill in case.kills]
    lines = [
        "Endurance: a storm over rehearsals and tests in real time",
        "",
        *_row("seed", str(storm.seed)),
        *_row("took", f"{storm.took / 60:.0f} min"),
        *_row("tests", _counts(case.name for case in storm.cases)),
        *_row("outcomes", _counts(case.outcome or "none" for case in storm.cases)),
        *_row("kills", f"{len(kills)}: {_counts(kill.what for kill in kills)}"),
        *_row("  in state", _counts(kill.state or "created" for kill in kills)),
        *_row("resumes", str(sum(case.resumes for case in storm.cases))),
        *_row("recovery", _recovery(storm.cases)),
        *_row("cycles lost", _lost(storm.cases)),
        *_row("life", _life(storm.cases)),
        *_row("besides", _done(storm.cases)),
    ]
    if storm.curve is not None:
        lines += _memory(storm.curve)
    return "\n".join([*lines, "", *_verdict(storm)]) + "\n"


def _row(name: str, text: str) -> list[str]:
    first, *rest = wrap(text, WIDTH - 14) or [""]
    return [f"{name:<12}  {first}", *(f"{'':14}{line}" for line in rest)]


def _counts(words: Iterable[str]) -> str:
    found = Counter(words)
    return ", ".join(f"{word} {count}" for word, count in found.most_common())


def _recovery(cases: Iterable[Case]) -> str:
    backs: dict[str, list[float]] = {}
    for kill in (kill for case in cases for kill in case.kills):
        if kill.back is not None:
            backs.setdefault(kill.what, []).append(kill.back)
    told = [
        f"after {what}: longest {max(each):.1f} s, mean {fmean(each):.1f} s"
        for what, each in backs.items()
    ]
    return f"from the command until it goes on; {'; '.join(told)}" if told else "none measured"


def _lost(cases: Iterable[Case]) -> str:
    lost = [cycles for case in cases for cycles in case.lost]
    if not lost:
        return "none said"
    told = f"worst {max(lost)}, mean {fmean(lost):.1f} in {len(lost)} resumptions of cycled tests"
    return f"{told}, the controller's own stop included"


def _life(cases: Iterable[Case]) -> str:
    off = [abs(c.cycles / c.undisturbed - 1) for c in cases if c.undisturbed and c.cycles]
    if not off:
        return "nothing compared"
    return f"at most {max(off):.2%} from the undisturbed test, in {len(off)} tests"


def _done(cases: Iterable[Case]) -> str:
    found: Counter[str] = Counter()
    for case in cases:
        found.update(case.done)
    return ", ".join(f"{what} {count}" for what, count in sorted(found.items())) or "nothing"


def _memory(curve: Curve) -> list[str]:
    course = curve.course
    peaks = ", ".join(f"{peak / 1e6:.0f}" for peak in curve.peaks)
    test = f"{course.cycles:,} cycles with {course.faults} faults and {course.pauses} pauses"
    low, high = curve.descriptors
    least, most = curve.threads
    return [
        *_row("memory", f"{test}, {course.took:.0f} s, looked at {len(course.looks)} times"),
        *_row("", f"peaks of its thirds {peaks} MB, with its closing {curve.whole_peak / 1e6:.0f}"),
        *_row("", f"open descriptors {low} to {high}, threads {least} to {most}"),
    ]


def _verdict(storm: Storm) -> list[str]:
    if not storm.wrong:
        return ["Every invariant held."]
    lines = [f"{len(storm.wrong)} invariants did not hold; a test is repeated alone with"]
    lines += ["  python -m tests.endurance --only NAME SEED", ""]
    for text in storm.wrong:
        first, *rest = wrap(" ".join(text.split()), WIDTH - 2) or [""]
        lines += [f"- {first}", *(f"  {line}" for line in rest)]
    return lines

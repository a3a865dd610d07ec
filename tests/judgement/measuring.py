"""All of the measuring: which nights, their records, the table and what is behind it."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from tests.criteria.forecast_figures import Figures
from tests.criteria.forecast_figures import figures as forecast_figures
from tests.judgement import drawing, report
from tests.judgement.carrying import Record
from tests.judgement.drawing import Night
from tests.judgement.figures import cause_figures, failing_figures, healthy_figures
from tests.judgement.kinds import KINDS
from tests.judgement.pool import carried_out
from tests.judgement.setting import FREQUENCY
from tests.judging.softening import LAWS, softened

SIMULATED: Final = (
    "All of it on a simulated rig; specimens, disturbances and their sizes are invented."
)
FORETOLD_FROM: Final = 1000
"""Seeds of the lives that are foretold; forecasts were taught on others, from 100,000 on."""

Made = Callable[[Iterable[Night]], list[Record]]


@dataclass(frozen=True)
class Amount:
    """How many of each, drawn by seeds from `first` on.

    Healthy `nights`, `failures`, `alone` of each kind of disturbance, `loads` of the load error by
    two laws each, `forecasts` lives.
    """

    nights: int = 500
    failures: int = 300
    alone: int = 20
    loads: int = 3
    forecasts: int = 500
    first: int = 0


@dataclass
class Measured:
    """The table's `rows`, the `lines` behind it, and what is `lacking` of what must be."""

    rows: list[report.Row] = field(default_factory=list)
    lines: list[str] = field(default_factory=list)
    lacking: list[str] = field(default_factory=list)

    @property
    def words(self) -> str:
        """Return all of it as lines for people."""
        return "\n".join([report.table(self.rows), "", SIMULATED, *self.lines])

    def must(self, holds: bool, what: str) -> None:
        """Note what must be and is not."""
        if not holds:
            self.lacking.append(what)


def measured(amount: Amount, results: Path, processes: int = 2) -> Measured:
    """Measure all of it; records of nights are kept in `results` and not made again."""

    def made(nights: Iterable[Night]) -> list[Record]:
        return carried_out(nights, results, processes)

    found = Measured()
    if amount.nights:
        _healthy(found, amount, made)
    if amount.failures:
        _failing(found, amount, made)
    if amount.alone:
        _causes(found, amount, made)
    if amount.loads:
        _loads(found, amount)
    if amount.forecasts:
        _forecasts(found, forecast_figures(range(FORETOLD_FROM, FORETOLD_FROM + amount.forecasts)))
    return found


def _seeds(amount: Amount, count: int) -> range:
    return range(amount.first, amount.first + count)


def _healthy(found: Measured, amount: Amount, made: Made) -> None:
    figures = healthy_figures(made(drawing.healthy(s) for s in _seeds(amount, amount.nights)))
    found.rows += report.healthy_rows(figures)
    found.lines += report.named("stopped falsely as failure", figures.false)
    found.lines += report.named("ended without a reason", figures.groundless)
    found.lines += report.named("failed all the same, left out", figures.spoiled)
    found.must(not figures.false, f"{len(figures.false)} stopped falsely as failure")


def _failing(found: Measured, amount: Amount, made: Made) -> None:
    figures = failing_figures(made(drawing.failing(s) for s in _seeds(amount, amount.failures)))
    found.rows += report.failing_rows(figures)
    found.lines += report.named("missed", figures.missed)
    found.lines += report.named("called a failure too early", figures.early)
    found.lines += report.named("did not fail, left out", figures.whole)
    found.lines += report.named("ended by something else as they crossed, left out", figures.cut)
    found.must(not figures.missed, "failures missed")
    found.must(not figures.early, "failures called too early")
    found.must(max(figures.off, default=0.0) <= 0.01, "a slow end confirmed over 1 % off")
    found.must(max(figures.ms, default=0.0) < 1000 / FREQUENCY, "a brittle end over a cycle")
    found.must(not figures.second, "a second cycle onto a broken specimen")


def _causes(found: Measured, amount: Amount, made: Made) -> None:
    seeds = _seeds(amount, amount.alone)
    tests = [drawing.alone(kind, seed) for kind in ("none", *KINDS) for seed in seeds]
    figures = cause_figures(made(tests))
    found.rows += report.cause_rows(figures)
    found.lines += ["", "causes: the true one of each test down, the one that was named across"]
    found.lines += figures.lines()
    found.lines += [f"  {name}: {true}, named {told}" for name, true, told in figures.wrong]
    found.must(figures.share >= 0.98, f"causes named rightly: {figures.share:.1%}")


def _loads(found: Measured, amount: Amount) -> None:
    nights = []
    for seed in _seeds(amount, amount.loads):
        for law in LAWS:
            with tempfile.TemporaryDirectory(prefix="nightrig-judgement-") as folder:
                nights.append(softened(Path(folder) / "night", seed, FREQUENCY, law).figures())
    found.rows += report.load_rows(nights)
    found.must(max(n["beyond"] for n in nights) <= 1.0, "load off by over 1 % of range")
    found.must(max(n["worst"] for n in nights) <= 102.0, "a cycle above 102 % of the upper load")


def _forecasts(found: Measured, figures: Figures) -> None:
    found.rows += report.forecast_rows(figures)
    found.lines += ["", figures.words()]
    found.must(0.75 <= figures.inside <= 0.85, "forecasts inside their interval")

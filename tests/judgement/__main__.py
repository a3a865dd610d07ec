"""Print what verdicts are worth: `python -m tests.judgement`, hours of work; it may be broken off.

Records are kept line by line and not made again, as long as the program is the same. One night
alone, its folder kept: `python -m tests.judgement --only "healthy 7" --keep DIR`.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from tests.judgement import drawing
from tests.judgement.carrying import carry_out, nice
from tests.judgement.drawing import ENDS, Night
from tests.judgement.measuring import Amount, measured
from tests.judgement.plots import plotted


def main(arguments: list[str]) -> int:
    """Measure, or carry one night out; return the exit code."""
    plain = Amount()
    parser = argparse.ArgumentParser(prog="python -m tests.judgement", description=__doc__)
    parser.add_argument("--nights", type=int, default=plain.nights, help="healthy nights of 12 h")
    parser.add_argument("--failures", type=int, default=plain.failures)
    parser.add_argument("--alone", type=int, default=plain.alone, help="of each disturbance")
    parser.add_argument("--loads", type=int, default=plain.loads)
    parser.add_argument("--forecasts", type=int, default=plain.forecasts)
    parser.add_argument("--seeds", type=int, default=plain.first, metavar="FROM")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--results", type=Path, default=Path("judgement.jsonl"))
    parser.add_argument("--plots", type=Path, help="a folder for two plots")
    parser.add_argument("--only", metavar="NIGHT", help='one night, such as "healthy 7"')
    parser.add_argument("--keep", type=Path, help="with --only: the folder that is kept")
    given = parser.parse_args(arguments)
    nice()
    if given.only:
        return _one(given.only, given.keep)
    amount = Amount(
        nights=given.nights,
        failures=given.failures,
        alone=given.alone,
        loads=given.loads,
        forecasts=given.forecasts,
        first=given.seeds,
    )
    found = measured(amount, given.results, given.processes)
    print(found.words)
    for what in found.lacking:
        print(f"lacking: {what}")
    if given.plots:
        for path in plotted(given.plots, given.seeds):
            print(path)
    return 0


def _one(name: str, keep: Path | None) -> int:
    record = carry_out(night_of(name), keep)
    for key, value in record.plain().items():
        if isinstance(value, list):
            print(f"{key}:", *value, sep="\n    ")
        else:
            print(f"{key}: {value}")
    return 0


def night_of(name: str) -> Night:
    """Return the night of a name."""
    kind, _, seed = name.rpartition(" ")
    if kind == "healthy":
        return drawing.healthy(int(seed))
    if kind in ENDS:
        found = drawing.failing(int(seed))
        if found.kind != kind:
            raise SystemExit(f"the failing member of seed {seed} is a case of {found.kind!r}")
        return found
    return drawing.alone(kind.removeprefix("alone: "), int(seed))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

"""The storm: `python -m tests.endurance` carries it out and writes its report.

    python -m tests.endurance                      all of it, a quarter of an hour on two cores
    python -m tests.endurance --only NAME SEED     one test of it again, as a line of JSON
    python -m tests.endurance --kills 6 --small    so many kills of tests of a second, the same way

NIGHTRIG_STORM_SEED and NIGHTRIG_STORM_KILLS give seed and number of kills. The code is 1 where an
invariant did not hold.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import sys
import tempfile
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import count
from pathlib import Path

from tests.endurance.case import Case
from tests.endurance.kinds import KINDS, carried_out
from tests.endurance.memory import CYCLES, curve
from tests.endurance.report import Storm, text_of
from tests.endurance.schedule import carry_out

KILLS = 300


def told(case: Case) -> str:
    """Return a test in a line."""
    states = ", ".join(f"{kill.what} in {kill.state}" for kill in case.kills) or "no kill"
    wrong = f"; WRONG: {' | '.join(case.wrong)[-400:]}" if case.wrong else ""
    return f"{case.name} {case.seed}: {case.took:.0f} s, {states}; {case.outcome}{wrong}"


def storm(seed: int, kills: int, cycles: int, report: Path) -> int:
    """Carry the storm out, print its progress and write its report; return the code."""
    began = time.monotonic()
    cases = []
    with _folder() as folder:
        for case in carry_out(seed, kills, folder.path):
            folder.kept |= bool(case.wrong)
            cases.append(case)
            print(told(case), flush=True)
        looked = curve(folder.path / "memory", cycles) if cycles else None
    done = Storm(seed, cases, looked, time.monotonic() - began)
    text = text_of(done)
    report.write_text(text, encoding="utf-8")
    print(f"\n{text}", end="")
    return int(bool(done.wrong))


def alone(name: str, seeds: Iterable[int], kills: int) -> int:
    """Carry tests of one kind out, here, until there were kills enough; print each as JSON."""
    wrong = False
    with _folder() as folder:
        for seed in seeds:
            case = carried_out(name, seed, folder.path)
            print(json.dumps(case.to_plain()), flush=True)
            wrong |= bool(case.wrong)
            folder.kept |= wrong
            kills -= len(case.kills)
            if kills <= 0:
                break
    return int(wrong)


@dataclass
class Folder:
    """A folder for tests, that goes with the storm unless it is to be `kept`."""

    path: Path
    kept: bool = False


@contextmanager
def _folder() -> Iterator[Folder]:
    folder = Folder(Path(tempfile.mkdtemp(prefix="storm-tests-")))
    try:
        yield folder
    finally:
        if not folder.kept:
            shutil.rmtree(folder.path, ignore_errors=True)


def main(arguments: list[str]) -> int:
    """Read the command line and do what it says; return the code."""
    parser = argparse.ArgumentParser(prog="python -m tests.endurance", description=__doc__)
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    seed, kills = (os.environ.get(f"NIGHTRIG_STORM_{name}") for name in ("SEED", "KILLS"))
    parser.add_argument("--seed", type=int, default=int(seed or 1))
    parser.add_argument("--kills", type=int, default=int(kills or KILLS))
    parser.add_argument("--cycles", type=int, default=CYCLES, help="of the look at memory; 0: none")
    parser.add_argument("--report", type=Path, default=Path("endurance-report.txt"))
    parser.add_argument("--only", nargs=2, metavar=("NAME", "SEED"), help=", ".join(KINDS))
    parser.add_argument("--small", action="store_true")
    asked = parser.parse_args(arguments)
    if asked.small:
        return alone("small-killed", count(asked.seed), asked.kills)
    if asked.only:
        return alone(asked.only[0], [int(asked.only[1])], 0)
    return storm(asked.seed, asked.kills, asked.cycles, asked.report)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

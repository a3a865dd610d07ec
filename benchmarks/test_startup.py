"""Start-up of the command beside an interpreter that does nothing."""

from __future__ import annotations

import subprocess
import sys
from typing import Any

import pytest

from rig.clock import real_seconds

MAIN = [sys.executable, "-P", "-m", "rig.commands.main"]
CASES = {"--help": ["--help"], "check": ["check", "overnight-wet-prism"]}


def seconds_of(command: list[str]) -> float:
    """Return the shortest of seven runs [s]."""
    times = []
    for _ in range(7):
        began = real_seconds()
        subprocess.run(command, capture_output=True, check=True)
        times.append(real_seconds() - began)
    return min(times)


@pytest.mark.parametrize("case", CASES)
def test_start_up_beside_an_empty_interpreter(benchmark: Any, case: str) -> None:
    command = [*MAIN, *CASES[case]]
    benchmark.pedantic(lambda: seconds_of(command), rounds=1, iterations=1)
    empty = seconds_of([sys.executable, "-c", "pass"])
    benchmark.extra_info.update(case=case, times_peer=seconds_of(command) / empty)

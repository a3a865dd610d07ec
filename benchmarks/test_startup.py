"""Start-up of the command beside an interpreter that does nothing."""

from __future__ import annotations

import subprocess
import sys
from typing import Any

import pytest

from rig.clock import real_seconds

ROUNDS = 9
MAIN = [sys.executable, "-P", "-m", "rig.commands.main"]
CASES = {"--help": ["--help"], "check": ["check", "overnight-wet-prism"]}


def seconds_of(command: list[str]) -> float:
    """Return how long a child process takes [s]; raises where it fails."""
    began = real_seconds()
    subprocess.run(command, capture_output=True, check=True)
    return real_seconds() - began


@pytest.mark.parametrize("case", CASES)
def test_start_up_beside_an_empty_interpreter(benchmark: Any, case: str) -> None:
    ours: list[float] = []
    empty: list[float] = []
    benchmark.pedantic(
        lambda: ours.append(seconds_of([*MAIN, *CASES[case]])),
        # In turns, so that both see the same machine.
        setup=lambda: empty.append(seconds_of([sys.executable, "-P", "-c", "pass"])),
        rounds=ROUNDS,
        iterations=1,
        warmup_rounds=0,
    )
    benchmark.extra_info.update(seconds=min(ours), times_peer=min(ours) / min(empty))

"""The screen of a live run: how much of one core it takes, and how much it writes."""

from __future__ import annotations

import contextlib
import os
import select
import time
from pathlib import Path
from typing import Any

from tests.assembly.nights import COMMAND, Terminal, a_night

LOOKED_AT = 20.0  # [s]
SETTLED = 3.0  # [s] in which it starts
MOST_CPU, MOST_BYTES = 0.05, 40_000


def cpu_seconds(pid: int) -> float:
    """Return the processor time that a process has taken [s] (proc(5), fields 14 and 15)."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return sum(map(int, fields[11:13])) / os.sysconf("SC_CLK_TCK")


def bytes_read(terminal: Terminal, seconds: float) -> int:
    """Read what a terminal is given, as fast as it comes; return how much that was."""
    count, until = 0, time.monotonic() + seconds
    while (left := until - time.monotonic()) > 0:
        if select.select([terminal.primary], [], [], left)[0]:
            with contextlib.suppress(BlockingIOError):
                count += len(os.read(terminal.primary, 65_536))
    return count


def test_the_screen_of_a_live_run(benchmark: Any, tmp_path: Path) -> None:
    with a_night(tmp_path, run_out=1_000_000, pace=1) as night:
        assert night.finished(night.order("--detach")).returncode == 0
        night.until_state("cycling")
        terminal = night.on_terminal([*COMMAND, "watch", "night-1"])
        found: dict[str, float] = {}

        def look() -> None:
            before, began = cpu_seconds(terminal.child.pid), time.monotonic()
            count = bytes_read(terminal, LOOKED_AT)
            passed = time.monotonic() - began
            found["bytes_per_s"] = count / passed
            found["cpu_share"] = (cpu_seconds(terminal.child.pid) - before) / passed

        bytes_read(terminal, SETTLED)
        benchmark.pedantic(look, rounds=1)
        terminal.press(b"\x03")
        assert terminal.code() == 0
        terminal.close()
        benchmark.extra_info.update(
            cpu_percent=100 * found["cpu_share"], kilobytes_per_s=found["bytes_per_s"] / 1e3
        )
        assert night.nightrig("stop").returncode == 0
        night.until_gone()
    assert found["cpu_share"] < MOST_CPU
    assert found["bytes_per_s"] < MOST_BYTES

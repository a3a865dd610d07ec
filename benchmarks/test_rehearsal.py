"""A whole rehearsal, from start to verified run.h5, beside bare numpy making as many samples."""

from __future__ import annotations

import re
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np

from rig.assembly import rehearse
from rig.clock import real_seconds
from rig.commands.files import load
from rig.protocol.plan import Plan

CYCLES = 1_000_000
SAMPLES_PER_CYCLE = 200
CHANNELS = 3
PEER_SAMPLES = 4_000_000
PROTOCOLS = Path(str(resources.files("protocols")))


def plan_of(cycles: int, folder: Path) -> Plan:
    """Return the shipped dry run-out at 5 Hz, ended at a count, with one early inspection."""
    text = (PROTOCOLS / "dry-run-out.toml").read_text(encoding="utf-8")
    for kind in ("specimens", "series"):
        text = text.replace(f'"{kind}/', f'"{PROTOCOLS.as_posix()}/{kind}/')
    text = re.sub(r"^run_out = .*$", f'run_out = "{cycles} cycles"', text, flags=re.MULTILINE)
    text = re.sub(r"^at = .*$", 'at = ["10 cycles"]', text, flags=re.MULTILINE)
    text = re.sub(r"^then_every = .*\n", "", text, flags=re.MULTILINE)
    path = folder / "run-out.toml"
    path.write_text(text, encoding="utf-8")
    return load(str(path), None)


def bare_numpy() -> float:
    """Return seconds a sample for sine and noise, float32, one thread, best of three."""
    phase = np.arange(PEER_SAMPLES, dtype=np.float32) * np.float32(2 * np.pi / SAMPLES_PER_CYCLE)
    random = np.random.default_rng(1)
    times = []
    for _ in range(3):
        began = real_seconds()
        np.sin(phase) + np.float32(0.01) * random.standard_normal(PEER_SAMPLES, dtype=np.float32)
        times.append(real_seconds() - began)
    return min(times) / PEER_SAMPLES


def test_whole_rehearsal_beside_bare_numpy(benchmark: Any, tmp_path: Path) -> None:
    plan = plan_of(CYCLES, tmp_path)
    result = benchmark.pedantic(
        lambda: rehearse(plan, tmp_path / "run", 1), rounds=1, iterations=1, warmup_rounds=0
    )
    assert (result.outcome, result.cycles) == ("run-out", CYCLES)
    peer = bare_numpy() * CYCLES * SAMPLES_PER_CYCLE * CHANNELS
    journal = (tmp_path / "run" / "journal.db").stat().st_size
    benchmark.extra_info.update(
        times_peer=result.real_s / peer,
        run_bytes_per_cycle=result.run.stat().st_size / CYCLES,
        journal_bytes_per_cycle=journal / CYCLES,
    )

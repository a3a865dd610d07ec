"""Series that are written for a test, and what `compare` tells of them. All data is invented."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np

from tests.commands.cut_off import said_by

RUN_OUT = "+"


def series(
    path: Path,
    lives: Mapping[str, Sequence[str]] | None = None,
    loads: Mapping[str, Sequence[str]] | None = None,
    more: str = "",
    level: str = "70 %",
) -> Path:
    """Write a series: lives such as "8e6" or "10e6+" (a run-out) and loads such as "30 kip".

    After a comma a life may say its batch: "8e6, A".
    """
    lives, loads = lives or {}, loads or {}
    parts = ['title = "Test series"']
    parts += [f"[groups.{name}]" for name in dict.fromkeys([*lives, *loads])]
    for group, counts in lives.items():
        for i, count in enumerate(counts):
            cycles, _, batch = count.partition(", ")
            outcome = "run-out" if cycles.endswith(RUN_OUT) else "failure"
            parts.append(
                f'[[life]]\nspecimen = "{group}-{i + 1}"\ngroup = "{group}"\nlevel = "{level}"\n'
                f'cycles = "{cycles.rstrip(RUN_OUT)} cycles"\noutcome = "{outcome}"'
            )
            parts += [f'batch = "{batch}"'] if batch else []
    for group, forces in loads.items():
        parts += [
            f'[[ultimate]]\nspecimen = "{group}-u{i + 1}"\ngroup = "{group}"\nload = "{force}"'
            for i, force in enumerate(forces)
        ]
    path.write_text("\n".join([*parts, more, ""]), encoding="utf-8")
    return path


def around(mean: float, variation: float) -> list[float]:
    """Return four values of just this mean and variation (sample standard deviation over mean)."""
    steps = np.array([-1.5, -0.5, 0.5, 1.5])
    return list(mean * (1 + variation * steps / steps.std(ddof=1)))


def told(path: Path | str, *words: str) -> dict:
    said = said_by("compare", str(path), *words, "--json")
    assert said.code == 0, said.err
    return json.loads(said.out)

"""What verdicts are worth, on fewer nights than `bootstrap.py endurance` makes of them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from tests.judgement.measuring import Amount, measured

FEW = Amount(nights=6, failures=10, alone=1, loads=1, forecasts=40)


def test_what_verdicts_are_worth(benchmark: Any, tmp_path: Path) -> None:
    found = benchmark.pedantic(measured, args=(FEW, tmp_path / "r.jsonl"), rounds=1, iterations=1)
    benchmark.extra_info.update({name.strip(): told for name, told, _, _ in found.rows})
    print(f"\n{found.words}")

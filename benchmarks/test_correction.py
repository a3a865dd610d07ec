"""True load error while a specimen loses 40 % of its stiffness in 1000 cycles.

A second load cell without noise tells what was true. Figures are of cycles whose amplitude is
whole, in %, over seeds; they come from a simulated rig whose loop has a bandwidth of 20 Hz.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.judging.softening import LAWS, softened

SEEDS = (11, 12, 13)


@pytest.mark.parametrize("law", LAWS)
@pytest.mark.parametrize("frequency", [4.0, 5.0, 6.0])
def test_load_error_while_a_specimen_softens(
    benchmark: Any, tmp_path: Path, frequency: float, law: str
) -> None:
    def nights() -> list[dict[str, float]]:
        return [softened(tmp_path / str(seed), seed, frequency, law).figures() for seed in SEEDS]

    found = benchmark.pedantic(nights, rounds=1, iterations=1)
    worst = {name: max(night[name] for night in found) for name in found[0]}
    benchmark.extra_info.update(worst, seeds=len(SEEDS))
    told = ", ".join(f"{name} {value:.2f} %" for name, value in worst.items())
    print(f"\n{frequency:g} Hz, {law}, {len(SEEDS)} seeds, the worst of them: {told}")

"""What is told of many delays."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np


def percentiles(name: str, seconds: Sequence[float]) -> dict[str, float]:
    values = np.array(seconds) * 1e3
    return {
        f"{name}_n": len(values),
        f"{name}_p50_ms": float(np.percentile(values, 50)),
        f"{name}_p99_ms": float(np.percentile(values, 99)),
        f"{name}_worst_ms": float(values.max()),
    }

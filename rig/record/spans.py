"""How long spans of time cover together: a pause may lie in an inspection."""

from __future__ import annotations

import math
from collections.abc import Iterable


def covered(spans: Iterable[tuple[float, float]]) -> float:
    """Return how long [s] spans, each (begin, end) [s], cover together."""
    total, end = 0.0, -math.inf
    for begin, until in sorted(spans):
        total += max(until - max(begin, end), 0.0)
        end = max(end, until)
    return total

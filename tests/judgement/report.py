"""The table of what verdicts are worth, as text: figure, what was measured, must, aim."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from tests.criteria.forecast_figures import Figures
from tests.judgement.figures import Causes, Failing, Healthy
from tests.judgement.setting import FREQUENCY

MOST_NAMES: Final = 12
"""So many nights of a kind are named; the rest are counted."""

Row = tuple[str, str, str, str]
"""Figure, measured, must, aim."""


def healthy_rows(found: Healthy) -> list[Row]:
    """Return the rows of healthy nights."""
    hours = f"{found.hours / max(found.nights, 1):.1f} h each judged, {found.whole} to the run-out"
    return [
        (
            "disturbed healthy nights of 12 h stopped falsely as failure",
            f"{len(found.false)} of {found.nights} ({hours})",
            "0 of 500",
            "0 of 5000",
        ),
        (
            "  ended, although only what is harmless happened",
            f"{len(found.groundless)} of {found.nights}",
            "",
            "",
        ),
    ]


def failing_rows(found: Failing) -> list[Row]:
    """Return the rows of members that fail."""
    rows = [
        (
            "failures missed, slow and brittle, disturbed",
            f"{len(found.missed)} of {found.members}",
            "0 of 300",
            "0 of 3000",
        ),
        ("  called a failure too early", f"{len(found.early)} of {found.members}", "0", "0"),
    ]
    if found.off:
        off = 100 * np.array(found.off)
        told = f"median {np.median(off):.2f} %, worst {off.max():.2f} % of {len(off)}"
        rows.append(("slow end: confirmation against true crossing", told, "1 %", "0.5 %"))
        for name, before, after, lost in found.leapt:
            told = f"from {before:.1%} to {after:.1%}, confirmed at {lost:.1%}"
            rows.append((f"  of these {name} crossed at once, counted from after it", told, "", ""))
    if found.ms:
        ms = np.array(found.ms)
        cycles = ms / 1000 * FREQUENCY
        told = (
            f"median {np.median(ms):.0f} ms, worst {ms.max():.0f} ms = {cycles.max():.2f} cycles "
            f"of {len(ms)}"
        )
        rows.append(("brittle end: event to stop command", told, "1 cycle", "20 ms"))
        told = f"{found.second}"
        rows.append(("  second load cycle onto the broken specimen", told, "none", "none"))
    return rows


def cause_rows(found: Causes) -> list[Row]:
    """Return the row of causes."""
    told = f"{found.share:.1%}, {found.right} of {found.of}"
    name = "cause named rightly, each disturbance alone; nothing named where nobody need be told"
    return [(name, told, "98 %", "99.5 %")]


def load_rows(nights: Sequence[dict[str, float]]) -> list[Row]:
    """Return the rows of the load error, of nights as `softening` tells them: the worst."""
    beyond = max(night["beyond"] for night in nights)
    worst = max(night["worst"] for night in nights)
    return [
        (
            "load error above 1 % of range after build-up; worst cycle",
            f"{beyond:.2f} % of cycles; {worst:.2f} % ({len(nights)} nights, the worst)",
            "1 %; 102 %",
            "0.1 %; 101 %",
        )
    ]


def table(rows: Sequence[Row]) -> str:
    """Return rows as a Markdown table."""
    lines = ["| figure | measured | must | aim |", "| --- | --- | --- | --- |"]
    lines += [f"| {' | '.join(row)} |" for row in rows]
    return "\n".join(lines)


def named(title: str, names: Sequence[str]) -> list[str]:
    """Return a line that names nights, none where there are none."""
    if not names:
        return []
    more = f" and {len(names) - MOST_NAMES} more" if len(names) > MOST_NAMES else ""
    return [f"{title}: {'; '.join(names[:MOST_NAMES])}{more}"]


def forecast_rows(found: Figures) -> list[Row]:
    """Return the row of forecasts."""
    told = f"{found.inside:.1%}; {found.width:.2f} of what was left; {found.silent:.1%}"
    name = "forecast where shown: true end inside 80 % interval; median width; share silent"
    return [(name, f"{told} ({found.lives} lives)", "75 to 85 %", "78 to 82 %")]

"""Slips in the forecast: rates, branches, what is left, when it is silent."""

from __future__ import annotations

from tests.mutants.mutant import Mutant

LIVES = ("tests/criteria/test_forecast.py",)
RUNS = ("tests/criteria/test_forecast_taught.py",)
MUTANTS = (
    Mutant(
        "widest forecast",
        "rig/criteria/forecast.py",
        "    if ratio > WIDEST:\n",
        "    if ratio > 10 * WIDEST:\n",
        "intervals that tell nothing are shown",
        LIVES,
    ),
    Mutant(
        "tendon forgotten",
        "rig/criteria/forecast.py",
        "    if found.high > setup.tendon_from:\n",
        "    if found.low > setup.tendon_from:\n",
        "a forecast is shown although steel may break before",
        LIVES,
    ),
    Mutant(
        "forecast too early",
        "rig/criteria/forecast.py",
        "if now - since >= FROM * (found.median - since) else EARLY",
        "if now - since >= 0 * (found.median - since) else EARLY",
        "it is shown before the middle of a life",
        LIVES,
    ),
    Mutant(
        "dry cycles counted as wet",
        "rig/criteria/forecast_points.py",
        "    return float(points.wet_from - 1) if points.wet_from > last else 0.0\n",
        "    return 0.0\n",
        "a life is counted from before the water on",
        LIVES,
    ),
    Mutant(
        "third stage taken for the second",
        "rig/criteria/forecast_rate.py",
        '        return (None, why) if gone else (kept, "")\n',
        "        return None, why\n",
        "it falls silent when the end comes near",
        LIVES,
    ),
    Mutant(
        "first stage taken for the second",
        "rig/criteria/forecast_rate.py",
        "why in (TOO_FEW, STIFF, FALLS)",
        "why in (TOO_FEW, STIFF)",
        "a rate that still falls is taken for steady",
        LIVES,
    ),
    Mutant(
        "what is past lies ahead",
        "rig/criteria/forecast_life.py",
        "    least = math.log10(max(now - since, 1.0))\n",
        "    least = 0.0\n",
        "a failure is expected at a cycle that has been",
        LIVES,
    ),
    Mutant(
        "scatter of the mean",
        "rig/criteria/forecast_taught.py",
        "* math.sqrt(1 + 1 / len(taught))",
        "* math.sqrt(1 / len(taught))",
        "the next specimen is told as surely as the mean of all",
        RUNS,
    ),
)

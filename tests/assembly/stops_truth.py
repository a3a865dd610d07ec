"""Holds a proof of stopping against what really happened in the emulated rig."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

INPUTS = {
    "emergency stop": "emergency_stop",
    "guard": "guard_open",
    "leak": "leak",
    "oil pressure": "oil_pressure_low",
    "mains": "mains_lost",
}
Line = Mapping[str, Any]


def true_stops(truth: Iterable[Line], cause: str) -> Iterator[tuple[float, float]]:
    """Return the true time [s] and travel [m] of each trial of a row whose event is in the truth.

    The rod stops where the valve closes, or where its stroke ramp gives way to another motion.
    """
    event: Line | None = None
    for line in truth:
        if line["what"] == f"input {INPUTS.get(cause)}" and line["value"] == "on":
            event = line
        stops = line["what"] == "motion" and line["value"] != "ramp of stroke"
        if event is not None and stops:
            time = (line["frame"] - event["frame"]) / 1000.0
            yield time, line["stroke_m"] - event["stroke_m"]
            event = None


def differences(truth: list[Line], proof: Mapping[str, Any]) -> list[tuple[str, float, float]]:
    """Return for each trial that the truth tells of: cause, measured minus true time and travel."""
    found = []
    for row in proof["rows"]:
        if row["cause"] in INPUTS:
            pairs = zip(row["trials"], true_stops(truth, row["cause"]), strict=True)
            found += [
                (row["cause"], trial["time_s"] - time, trial["travel_m"] - travel)
                for trial, (time, travel) in pairs
            ]
        elif row["cause"].startswith("controller's limit"):
            # The emulated controller closes its valve a frame after the excess.
            found += [(row["cause"], t["time_s"] - 1e-3, t["travel_m"]) for t in row["trials"]]
    return found

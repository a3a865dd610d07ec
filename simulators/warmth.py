"""How warm the air about a rig is, and the concrete, which follows it late: closed forms."""

from __future__ import annotations

import math
from typing import Final

from simulators.disturbances import Warmth

DONE: Final = 6.0  # lags after which the concrete is as warm as the air


def air_warmer(warmth: Warmth, frame: int) -> float:
    """Return by how much the air is warmer than at its begin [K]."""
    since = min(frame, warmth.end) - warmth.begin
    return warmth.swing * math.sin(_turn(warmth) * since) if since > 0 else 0.0


def warmer(warmth: Warmth, frame: int) -> float:
    """Return by how much the concrete is warmer than at its begin [K].

    It follows the air as y' = (air - y) / lag does, from y = 0 on.
    """
    since = min(frame, warmth.end) - warmth.begin
    if since <= 0:
        return 0.0
    if warmth.lag <= 0:
        return air_warmer(warmth, frame)
    turn = _turn(warmth)
    behind = math.atan(turn * warmth.lag)
    swing = math.sin(turn * since - behind) + math.sin(behind) * math.exp(-since / warmth.lag)
    found = warmth.swing * math.cos(behind) * swing
    if frame <= warmth.end:
        return found
    air = air_warmer(warmth, frame)
    return air + (found - air) * math.exp((warmth.end - frame) / warmth.lag)


def settled(warmth: Warmth, frame: int) -> bool:
    """Tell whether nothing changes any more."""
    return frame >= warmth.end + DONE * warmth.lag


def _turn(warmth: Warmth) -> float:
    return 2 * math.pi / warmth.period

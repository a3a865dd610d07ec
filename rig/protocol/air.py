"""What an air run is made with: a whole protocol without a specimen, in stroke control."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

AIR: Final = "air"
"""The kind of event, and the name beside its files, under which a record says that it is one."""


@dataclass(frozen=True, slots=True)
class Air:
    """How the rod moves in an air run.

    It moves over `travel` [m] behind the place where it stood, never beyond it: in slow stages
    at `slow` [m/s], while cycling at `speed` [m/s] at the most, back and forth in `half` [s] each.
    A load of `touch` [N] means that it touches something. Limits on `unarmed` are not held:
    these sensors belong to a specimen and may hang in the air.
    """

    travel: float
    slow: float
    speed: float
    half: float
    touch: float
    unarmed: tuple[str, ...] = ()

    @property
    def period(self) -> float:
        """Time [s] of one motion back and forth."""
        return 2 * self.half

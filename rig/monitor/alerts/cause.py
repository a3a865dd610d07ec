"""A cause of an alert: what happened, what the rig did, what to do now; told apart by its key."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from rig.monitor.view import View
from rig.protocol.lab import KINDS, MOVABLE

SOON: Final = 5.0
"""How long [s] most causes must hold before they call anybody: one look may be by chance."""
LATELY: Final = 20.0
"""How long [s] something that happened waits: an end or a pause for it tells it better."""

CALM: Final = 600.0
"""How long [s] what comes and goes must be away until it is over."""

STANDING: Final = frozenset({"checklist", "paused", "locked", "unloaded", "waiting", "re-wetting"})
"""States in which nothing moves."""

END: Final = "end:"
"""How the key of a run's end begins."""

_NUMBER: Final = re.compile(r"(?<![\w.])[+−-]?\d[\d,.]*(?:e[+-]?\d+)?")
_LONGEST_KEY: Final = 160


@dataclass(frozen=True, slots=True)
class Cause:
    """What somebody may have to hear of.

    The first of `kinds` names it, the others are what it is about as well. `headline` has room on
    a locked screen. `lasting` tells that it holds as long as it is found at each look; else it
    happened, as event number `seq` if that is not 0. It calls once it has held for `settle` [s],
    and is over once it has not been found for `calm` [s]. Another `mark` tells that what is to be
    done has changed.
    """

    key: str
    kinds: tuple[str, ...]
    headline: str
    happened: str
    did: str
    todo: tuple[str, ...]
    lasting: bool = True
    settle: float = SOON
    calm: float = 60.0
    seq: int = 0
    mark: str = ""


def found_key(text: str) -> str:
    """Return the key of a cause that a text tells: its numbers may change, and it is the same."""
    return f"found:{_NUMBER.sub('#', text)}"[:_LONGEST_KEY]


def movable(kinds: tuple[str, ...]) -> bool:
    """Tell whether quiet hours may hold back an alert of these kinds."""
    return all(kind in MOVABLE for kind in kinds)


def importance(kind: str) -> int:
    """Return the rank of a kind, 0 for the most important; unknown ones come last."""
    return list(KINDS).index(kind) if kind in KINDS else len(KINDS)


def goes_on(view: View) -> str:
    """Return what the rig does now although something was found."""
    status = view.status
    if view.over:
        return "it is being stopped" if status.state == "stopping" else "it is stopped"
    means = status.means or status.state or "nobody knows what it does"
    return f"it stands: {means}" if status.state in STANDING else f"it goes on: {means}"

"""The words of a fatigue life, for concrete and steel alike."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, Literal, NamedTuple

if TYPE_CHECKING:
    from rig.mechanics.either import Either

Surrounding = Literal["air", "water"]
"""What a model was made for; sprayed and submerged specimens are judged by its water constants."""

Kind = Literal["mean", "characteristic"]
"""Half of the specimens last longer than a mean life, nearly all than a characteristic one."""

Part = Literal["concrete", "tendon", "bar"]

SURROUNDINGS: Final[dict[str, Surrounding]] = {"dry": "air", "spray": "water", "submerged": "water"}
"""The exposures of a protocol in the words of the models."""

FROM_MEMORY: Final = "from memory"
"""Ends the source of every constant whose text has not been seen: it claims no conformity."""


class Life(NamedTuple):
    """What one published model says: log10 of the cycles to failure (inf: unlimited).

    `valid` tells whether every stress lies in the range of the model, `why` what does not.
    """

    model: str
    part: Part
    exposure: Surrounding
    log10_cycles: Either
    kind: Kind
    valid: bool
    why: str
    source: str


class StressLimit(NamedTuple):
    """A stress or range [Pa] that a code allows for millions of cycles, and whether it is kept."""

    model: str
    part: Part
    limit: Either
    kept: bool
    source: str


def everywhere(condition: Any) -> bool:
    """Tell whether something holds: of one number, or for every element of an array."""
    return condition if isinstance(condition, bool) else bool(condition.all())


def first_reason(*tried: tuple[Any, str]) -> str:
    """Return the words of the first condition that does not hold everywhere, else ""."""
    return next((why for holds, why in tried if not everywhere(holds)), "")

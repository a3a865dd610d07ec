"""What a replay found."""

from __future__ import annotations

from dataclasses import dataclass

from rig.record.entries import Residual


@dataclass(frozen=True, slots=True)
class Found:
    """One finding: kind, counted cycle, words, and what it asks for.

    `action` is "note", "warn", "pause", "alert" where a criterion that is alert only would have
    stopped or paused the test, or the outcome that it ends the test with; "" where a record does
    not tell it.
    """

    kind: str
    cycle: int
    text: str
    action: str


@dataclass(frozen=True, slots=True)
class Replayed:
    """How a test ended, or would have: `outcome` is None where nothing in the recording ends it.

    `cycles` is the counted cycle at the verdict, `first_seen` and `confirmed` those of the
    criterion that gave it, None where another thing did. `found_again` tells how many cycles were
    found again in kept samples, `unlike` in sentences where they are not as they were recorded;
    `notes` is what must be known beside. `residual` is how the static test after a run-out ended,
    None where there was none or nothing that is kept ends it.
    """

    outcome: str | None
    why: str
    cycles: int
    first_seen: int | None
    confirmed: int | None
    findings: tuple[Found, ...]
    found_again: int = 0
    unlike: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    residual: Residual | None = None

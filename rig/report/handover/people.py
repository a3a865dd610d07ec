"""Who was at the test: notes, requests and acknowledgements, joined to visits."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Final

from rig.record.entries import Event

APART: Final = 1800.0
"""Time [s] between two doings of people from which on they are two visits."""
FROM_AFAR: Final = " from afar"
"""How the name of somebody ends who asked from elsewhere."""
_NAMED: Final = 60
"""Letters of a name at most, in front of the text of a note."""
_NOTES: Final = frozenset({"note", "catch can", "crack"})
_DONE: Final = {"checklist": "checklist", "local input": "button", "catch can": "catch can"}
_LOCKED: Final = "locked, "


@dataclass(frozen=True, slots=True)
class Doing:
    """Something somebody did at a test time [s]: `who` is "" where nobody said it."""

    time: float
    what: str
    who: str = ""

    @property
    def far(self) -> bool:
        """Tell whether it came from elsewhere: who is there has not looked after the rig."""
        return self.who.endswith(FROM_AFAR)


@dataclass(frozen=True, slots=True)
class Visit:
    """What people did without a long pause between: from a test time [s] to another."""

    doings: tuple[Doing, ...]

    @property
    def begin(self) -> float:
        """Test time [s] of the first doing."""
        return self.doings[0].time

    @property
    def end(self) -> float:
        """Test time [s] of the last doing."""
        return self.doings[-1].time

    @property
    def names(self) -> tuple[str, ...]:
        """Those who gave a name, each once."""
        return tuple(dict.fromkeys(d.who for d in self.doings if d.who))

    def brief(self) -> str:
        """Return who did what: "A. Name: 2 notes, pause; B. Night: note"."""
        by: dict[str, Counter[str]] = {}
        for doing in self.doings:
            by.setdefault(doing.who, Counter())[doing.what] += 1
        return "; ".join(
            f"{who}: {_counted(whats)}" if who else _counted(whats) for who, whats in by.items()
        )


def _counted(whats: Counter[str]) -> str:
    """Return what was done, alike things counted: "2 notes, pause"."""
    return ", ".join(f"{n} {what}s" if n > 1 else what for what, n in whats.items())


def doing_of(event: Event) -> Doing | None:
    """Return what somebody did, None of an event that nobody made."""
    head, said, _ = event.text.partition(": ")
    if event.kind in _NOTES:
        named = bool(said) and len(head) <= _NAMED
        return Doing(event.time, event.kind, head if named else "")
    if event.kind == "checklist":
        return Doing(event.time, "checklist", head.removeprefix("confirmed by "))
    if event.kind == "request":
        verb, by, who = head.removesuffix(" refused").partition(" by ")
        refused = " refused" if head.endswith(" refused") else ""
        return Doing(event.time, verb.split(" ")[0] + refused, who if by else "")
    if event.kind in _DONE:
        return Doing(event.time, _DONE[event.kind])
    if event.kind == "state" and event.text.startswith(_LOCKED):
        return Doing(event.time, "at the rig")
    return None


def visits_of(doings: list[Doing]) -> tuple[Visit, ...]:
    """Return doings joined to visits, in order."""
    found: list[list[Doing]] = []
    for doing in sorted(doings, key=lambda d: d.time):
        if found and doing.time - found[-1][-1].time <= APART:
            found[-1].append(doing)
        else:
            found.append([doing])
    return tuple(Visit(tuple(each)) for each in found)

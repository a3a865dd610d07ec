"""What a record tells of its test: outcome and findings, in the words of a replay."""

from __future__ import annotations

from typing import Final

from rig.criteria.findings import IN_DOUBT
from rig.judging.shadow import ALERT, WOULD
from rig.record.entries import RAN_OUT, Event
from rig.replay.found import Found, Replayed
from rig.replay.recording import Recording

_WORDS: Final = (
    (IN_DOUBT, "sensor"),
    ("all that moves has changed together", "load-doubt"),
    ("below the baseline", "stiffness-loss"),
    ("upper load short", "load-short"),
    ("no failure in", "run-out"),
    ("ultimate load", "ultimate"),
    ("stays the same for", "flat"),
    ("is at the end of its range for", "saturated"),
    ("has no valid value for", "missing"),
    ("spikes within an hour", "spiking"),
    ("the load has not cycled for", "silent"),
)
"""By which words of its text a finding is known whose event does not name its kind."""
_ACTIONS: Final = {
    "baseline": "note",
    "early-loss": "note",
    "overload": "note",
    "stiffness-loss": "warn",
    "residual-growth": "warn",
    "stiffness-step": "pause",
    "load-short": "",
    "conflict": "pause",
    "support": "warn",
    "uneven-load": "warn",
    "off-target": "warn",
    "guide": "warn",
}
"""What the findings that have an event of their own ask for, as a rule."""


def kind_of(text: str) -> str:
    """Return the kind of the finding with a text, "" where no sample tells such a thing."""
    return next((kind for words, kind in _WORDS if words in text), "")


def recorded(recording: Recording) -> Replayed:
    """Return what was found when a recording was made."""
    found = [f for event in _standing(recording) if (f := _of_event(event)) is not None]
    kind, outcome = kind_of(recording.why), recording.outcome
    # Some ends have no event but that of the stop.
    alone = kind and judged_by_samples(recording) and all(recording.why != f.text for f in found)
    if outcome in ("fault", "ultimate") and alone:
        found.append(Found(kind, recording.cycles, recording.why, outcome))
    last = found[-1] if found and found[-1].text == recording.why else None
    confirmed = last.cycle if last is not None and outcome in ("failure", "run-out") else None
    return Replayed(
        outcome,
        recording.why,
        recording.cycles,
        None,
        confirmed,
        tuple(found),
        residual=recording.residual,
    )


def _standing(recording: Recording) -> list[Event]:
    """Return the events that still hold.

    A simulated specimen that is taken up goes back to its restart point: what was told of cycles
    behind it stays in the record, and those cycles come once more.
    """
    standing: list[Event] = []
    for event in recording.events():
        if event.kind == "resume" and recording.header.simulated:
            standing = [e for e in standing if e.cycle <= event.cycle]
        standing.append(event)
    # What happened in the static test after a run-out is no finding about its cycles.
    ran_out = [i for i, event in enumerate(standing) if event.kind == RAN_OUT]
    return standing[: ran_out[-1]] if ran_out else standing


def _of_event(event: Event) -> Found | None:
    if event.text.startswith(WOULD):
        return Found(event.kind, event.cycle, event.text, ALERT)
    if event.kind in _ACTIONS:
        return Found(event.kind, event.cycle, event.text, _ACTIONS[event.kind])
    if event.kind == "limit":
        return Found("limit", event.cycle, event.text, "limit")
    if event.kind in ("verdict", "sensor") and (kind := kind_of(event.text)):
        return Found(kind, event.cycle, event.text, "")
    return None


def judged_by_samples(recording: Recording) -> bool:
    """Tell whether what ended a recording is to be seen in the rows and samples that are judged.

    A build-up is not judged again: what it does to the load is the rig's affair.
    """
    events = recording.events()
    if any(e.kind == "limit" and e.text in recording.why for e in events):
        return True
    states = [e.text.partition(",")[0] for e in events if e.kind == "state"]
    before = [state for state in states if state not in ("stopping", "stopped")]
    return bool(kind_of(recording.why)) and before[-1:] != ["build-up"]

"""What a night foretells of itself, for tests that hold it against what came."""

from __future__ import annotations

RATE = 1000
LOOKS = 500
"""Frames between two looks."""


def coming(status, what):
    found = [c for c in status.coming if c.what == what]
    return found[0] if found else None


def foretold(night, what, states):
    """Return the frames that were foretold for something, by statuses of some states."""
    for frame, status in night.statuses:
        if status.state in states and (found := coming(status, what)):
            yield frame, frame + found.within * RATE


def foretold_in(statuses, night):
    for frame, status in night.statuses:
        if status in statuses and (item := coming(status, "the load has been held")):
            yield frame + item.within * RATE

"""What other rooms ask of a replay: what was recorded, what is found now, and how they differ."""

from rig.replay.differing import agreement, differences
from rig.replay.found import Found, Replayed
from rig.replay.replaying import replay, replay_each
from rig.replay.told import recorded

__all__ = [
    "Found",
    "Replayed",
    "agreement",
    "differences",
    "recorded",
    "replay",
    "replay_each",
]

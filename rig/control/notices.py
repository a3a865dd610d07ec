"""What was found that people should look at, and is shown until somebody has looked."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from rig.judging.shadow import WOULD

MOST: Final = 5
"""The newest ones that are shown; alerts do not count."""
MOST_ALERTS: Final = 10
"""Alerts of one sort, the first ones; a criterion that still holds is not told anew."""

_STOPPED: Final = f"{WOULD}stopped"


def noticed(notices: tuple[str, ...], text: str) -> tuple[str, ...]:
    """Return notices with one more; the same words count once.

    Nothing newer takes the place of what a criterion that is alert only would have done.
    """
    if text in notices:
        return notices
    stops = [n for n in (*notices, text) if n.startswith(_STOPPED)]
    pauses = [n for n in (*notices, text) if n.startswith(WOULD) and n not in stops]
    others = [n for n in (*notices, text) if not n.startswith(WOULD)]
    kept = {*stops[:MOST_ALERTS], *pauses[:MOST_ALERTS], *others[-MOST:]}
    return tuple(n for n in (*notices, text) if n in kept)


def notices_of(point: Mapping[str, Any]) -> tuple[str, ...]:
    """Return the notices of a restart point; a version before this one kept none.

    Raises TypeError for what is no text.
    """
    notices = tuple(point.get("notices", ()))
    for text in notices:
        if not isinstance(text, str):
            raise TypeError(f"a notice is a {type(text).__name__}")
    return notices

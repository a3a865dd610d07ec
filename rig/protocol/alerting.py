"""Criteria that are alert only: held against the rest of a protocol, and told."""

from __future__ import annotations

from typing import Final

from rig.protocol.document import Document
from rig.protocol.draft import Draft
from rig.protocol.plan import Failure
from rig.protocol.position import Path

_ENDING: Final = ("stiffness_loss", "load_short")
"""Criteria that end a test; the others pause it or warn."""

_PATH: Path = ("failure", "alert_only")


def check_alert_only(document: Document, draft: Draft) -> None:
    """Refuse names of criteria that are not there; warn where nothing but limits ends a test."""
    failure = draft.failure
    if not failure.alert_only or "failure" in draft.wrong:
        return
    for name in sorted(failure.alert_only):
        if getattr(failure, name) is None:
            document.refuse(
                _PATH,
                f"names {name}, which [failure] does not have",
                f"take it out, or add {name}",
            )
    quiet = [name for name in _ENDING if name in failure.alert_only]
    if draft.cyclic and quiet and not ends_at_failure(failure):
        document.warn(
            _PATH,
            "leaves no criterion that ends the test when the specimen fails",
            f"only limits and the run-out end it; take {' or '.join(quiet)} off the list unless "
            "that is meant",
        )


def ends_at_failure(failure: Failure) -> bool:
    """Tell whether a criterion is there that ends the test, and is not alert only."""
    return any(
        getattr(failure, name) is not None and name not in failure.alert_only for name in _ENDING
    )


def alert_only_told(failure: Failure) -> str:
    """Return in a line which criteria are alert only, "" where none is."""
    if not failure.alert_only:
        return ""
    names = ", ".join(sorted(failure.alert_only))
    return f"Alert only: {names}; told and not acted upon. Limits and the run-out stay armed."

"""Alert only: a criterion that tells what it would have done, and does nothing.

Limits are no criteria: none is ever alert only.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from rig.criteria.findings import Finding

ALERT: Final = "alert"
"""Action of a finding that would have stopped or paused the test."""

WOULD: Final = "would have "
"""How the words of such a finding begin."""

CONFLICT: Final = "conflict"
"""Kind of a finding whose channels contradict each other where one of them tells of a failure."""

KEYS: Final = {
    "stiffness-loss": "stiffness_loss",
    "stiffness-step": "stiffness_step",
    "residual-growth": "residual_growth",
    "load-short": "load_short",
}
"""Which key of `[failure]` brings a kind of finding; a run-out has none and always ends a test."""

_IN_PLACE: Final = frozenset({CONFLICT, "sensor"})
"""Kinds of findings that may stand in place of what a criterion found. A load in doubt is none: it
is what closes the loop, and ends a test whoever sees it."""

_DISPUTED: Final = {"loss": "stiffness_loss", "drop": "stiffness_step", "short": "load_short"}
"""By which number among its evidence it is known which criterion's finding was disputed."""

_DONE: Final = {
    "failure": "stopped the test as failure",
    "fault": "stopped the test as fault",
    "pause": "paused the test",
}


def shadowed(alert_only: frozenset[str], findings: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """Return findings, those of criteria that are alert only with what they would have done.

    `alert_only` are keys of `[failure]`. What such a criterion notes or warns of stays as it is.
    """
    if not alert_only or not findings:
        return findings
    return tuple(_alerting(f) if _key(f) in alert_only else f for f in findings)


def _key(finding: Finding) -> str | None:
    if finding.kind in _IN_PLACE:
        return next((key for name, key in _DISPUTED.items() if name in finding.evidence), None)
    return KEYS.get(finding.kind)


def _alerting(finding: Finding) -> Finding:
    done = _DONE.get(finding.action)
    if done is None:
        return finding
    return replace(finding, action=ALERT, text=f"{WOULD}{done}: {finding.text}")

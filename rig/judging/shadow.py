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

KEYS: Final = {
    "stiffness-loss": "stiffness_loss",
    "conflict": "stiffness_loss",
    "stiffness-step": "stiffness_step",
    "residual-growth": "residual_growth",
    "load-short": "load_short",
}
"""Which key of `[failure]` brings a kind of finding; a run-out has none and always ends a test."""

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
    return tuple(_alerting(f) if KEYS.get(f.kind) in alert_only else f for f in findings)


def _alerting(finding: Finding) -> Finding:
    done = _DONE.get(finding.action)
    if done is None:
        return finding
    return replace(finding, action=ALERT, text=f"{WOULD}{done}: {finding.text}")

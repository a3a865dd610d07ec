"""What is doubtful in a series that can be read: told before its groups are compared."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from rig.protocol.document import Document
from rig.protocol.series import EQUAL_CONCRETE, RUST, Hypothesis, Life, Series
from rig.units import shown

LONG_UNLOADED: Final = 24 * 3600.0
"""Time without load [s] from which on it is shown beside a life. Common practice, no source."""


def check_doubts(document: Document, series: Series) -> None:
    """Warn of what a comparison of the groups would rest on without its being told."""
    _doubt_interruptions(document, series)
    _doubt_members(document, series)
    _doubt_residuals(document, series)
    for index, hypothesis in enumerate(series.hypotheses):
        if hypothesis.quantity == EQUAL_CONCRETE:
            _doubt_concrete(document, index, hypothesis, series)
        if hypothesis.quantity == "observation":
            _doubt_seen(document, index, hypothesis, series)


def _doubt_interruptions(document: Document, series: Series) -> None:
    for index, life in enumerate(series.lives):
        unloaded = life.unloaded or 0.0
        if life.valid and unloaded > LONG_UNLOADED:
            document.warn(
                ("life", index, "unloaded"),
                f"{unloaded / 3600:.0f} h without load is over {LONG_UNLOADED / 3600:.0f} h",
                "say so beside its life, or make it void with its reason",
            )


def _doubt_members(document: Document, series: Series) -> None:
    """Warn of lives in one group whose specimens were sawn from one member."""
    before: dict[tuple[str, str], str] = {}
    for index, life in enumerate(series.lives):
        if life.member is None or not life.valid:
            continue
        if series.groups.get(life.group, {}).get("independent") == "true":
            continue
        place = life.group, life.member
        if place in before:
            document.warn(
                ("life", index, "member"),
                f"{shown(life.specimen)} and {shown(before[place])} are of one member: one "
                "replicate and not two",
                f"keep one of them, or declare independent = true in [groups.{life.group}]",
            )
        before.setdefault(place, life.specimen)


def _doubt_residuals(document: Document, series: Series) -> None:
    lives = {life.specimen: life for life in series.lives}
    for index, ultimate in enumerate(series.ultimates):
        life = lives.get(ultimate.specimen)
        if ultimate.residual and life is None:
            document.warn(
                ("ultimate", index),
                f"{shown(ultimate.specimen)} has no life here, and its load is a residual one",
                'add its [[life]] with outcome = "run-out"',
            )
        elif life is not None and life.group != ultimate.group:
            document.warn(
                ("ultimate", index, "group"),
                f"{shown(ultimate.group)} is not the group of its life, {shown(life.group)}",
                "give both the same",
            )


def _doubt_concrete(document: Document, index: int, hypothesis: Hypothesis, series: Series) -> None:
    lives = list(_asked(hypothesis, series))
    silent = [life for life in lives if life.concrete_max is None]
    if silent:
        document.warn(
            ("hypothesis", index, "quantity"),
            f"{len(silent)} of {len(lives)} lives do not tell the stress of their concrete, the "
            f"first of them {shown(silent[0].specimen)}",
            'give concrete_max = "60 %" there, of the strength in the same moisture',
        )


def _doubt_seen(document: Document, index: int, hypothesis: Hypothesis, series: Series) -> None:
    group_of = {load.specimen: load.group for load in series.ultimates}
    group_of |= {life.specimen: life.group for life in series.lives}
    looked = {
        group_of.get(each.specimen)
        for each in series.observations
        if each.looked_for == hypothesis.seen
    }
    if hypothesis.seen == RUST:
        # What was found after the end of a run may tell it, and is not read yet.
        looked |= {life.group for life in series.lives if life.run and life.valid}
        looked |= {load.group for load in series.ultimates if load.run and load.valid}
    for group in (*hypothesis.lower, *hypothesis.higher):
        if group not in looked:
            document.warn(
                ("hypothesis", index, "seen"),
                f"nobody has looked for {shown(hypothesis.seen)} in group {shown(group)}",
                "add [[observation]] of its specimens",
            )


def _asked(hypothesis: Hypothesis, series: Series) -> Iterator[Life]:
    groups = {*hypothesis.lower, *hypothesis.higher}
    return (life for life in series.lives if life.valid and life.group in groups)

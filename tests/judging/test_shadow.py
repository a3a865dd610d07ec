"""Alert only: what a criterion would have done is told, and nothing is done."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.criteria.findings import Finding
from rig.judging.shadow import ALERT, KEYS, WOULD, shadowed
from rig.protocol.usual import USUAL_CRITERIA
from tests.criteria.beam import Beam
from tests.criteria.beam import armed as beam_armed
from tests.criteria.table import K, armed, judge_all, rows_of

ACTIONS = ("note", "warn", "pause", "failure", "fault", "run-out")
KINDS = (*KEYS, "baseline", "early-loss", "overload", "run-out")


def found(kind: str, action: str, cycle: int = 1) -> Finding:
    return Finding(kind, action, cycle, 100 * cycle, cycle, f"{kind} was found", {"limit": 0.4})


FINDINGS = st.lists(st.builds(found, st.sampled_from(KINDS), st.sampled_from(ACTIONS)), max_size=9)
LISTS = st.frozensets(st.sampled_from(sorted(USUAL_CRITERIA)))


def test_every_key_of_failure_can_be_alert_only():
    assert set(KEYS.values()) == set(USUAL_CRITERIA)


@given(FINDINGS, LISTS)
def test_what_is_alert_only_never_acts_and_all_else_is_as_it_was(findings, alert_only):
    after = shadowed(alert_only, tuple(findings))
    for was, now in zip(findings, after, strict=True):
        quiet = KEYS.get(was.kind) in alert_only
        if quiet and was.action in ("pause", "failure", "fault"):
            assert now.action == ALERT
            assert now.text.startswith(WOULD)
            assert now.text.endswith(was.text)
        else:
            assert now == was
        assert (now.kind, now.cycle, now.evidence) == (was.kind, was.cycle, was.evidence)


@given(FINDINGS, LISTS, st.lists(st.integers(0, 9), max_size=4))
def test_findings_that_come_in_pieces_are_shadowed_as_a_whole(findings, alert_only, cuts):
    ends = sorted({0, len(findings), *(min(c, len(findings)) for c in cuts)})
    pieces = [shadowed(alert_only, tuple(findings[a:b])) for a, b in pairwise(ends)]
    assert sum(pieces, ()) == shadowed(alert_only, tuple(findings))


@pytest.mark.parametrize(
    ("number", "key"),
    [("loss", "stiffness_loss"), ("drop", "stiffness_step"), ("short", "load_short")],
)
def test_a_conflict_is_alert_only_where_what_it_disputes_is(number, key):
    conflict = replace(found("conflict", "pause"), evidence={number: 0.4})
    assert shadowed(frozenset({key}), (conflict,))[0].action == ALERT
    others = frozenset(USUAL_CRITERIA) - {key}
    assert shadowed(others, (conflict,)) == (conflict,)


def test_a_fall_that_other_channels_dispute_is_alert_only_where_falls_are():
    rows = Beam(900).show("midspan", 600, factor=1.08).rows()
    findings, _ = judge_all(beam_armed(), rows)
    acts = [f for f in findings if f.action == "pause"]
    assert [f.kind for f in acts] == ["sensor"]
    assert "stiffness fell" in acts[0].text
    after = shadowed(frozenset({"stiffness_step"}), tuple(findings))
    assert [f.action for f in after if "stiffness fell" in f.text] == [ALERT]
    others = frozenset(USUAL_CRITERIA) - {"stiffness_step"}
    assert shadowed(others, tuple(findings)) == tuple(findings)


def test_a_load_in_doubt_acts_whatever_is_alert_only():
    doubt = replace(found("load-doubt", "fault"), evidence={"loss": 0.4})
    assert shadowed(frozenset(USUAL_CRITERIA), (doubt,)) == (doubt,)


def test_what_is_left_acts_on_after_a_failure_that_was_only_told():
    softened = np.full(400, K)
    softened[100:] = 0.55 * K
    softened[300:] = 0.40 * K
    setup = armed(step_pause=0.05, run_out=390)
    findings, _ = judge_all(setup, rows_of(softened))
    after = shadowed(frozenset({"stiffness_loss"}), tuple(findings))
    acts = [(f.kind, f.action) for f in after if f.action not in ("note", "warn")]
    assert acts == [
        ("stiffness-step", "pause"),
        ("stiffness-loss", ALERT),
        ("stiffness-step", "pause"),
        ("run-out", "run-out"),
    ]


@pytest.mark.parametrize("action", ["failure", "fault", "run-out"])
def test_a_run_out_ends_the_test_whatever_is_alert_only(action):
    whole = frozenset(USUAL_CRITERIA)
    assert shadowed(whole, (found("run-out", action),))[0].action == action


def test_the_words_say_which_outcome_it_would_have_been():
    whole = frozenset(USUAL_CRITERIA)
    told = shadowed(whole, (found("load-short", "fault"), found("stiffness-step", "pause")))
    assert [f.text for f in told] == [
        "would have stopped the test as fault: load-short was found",
        "would have paused the test: stiffness-step was found",
    ]

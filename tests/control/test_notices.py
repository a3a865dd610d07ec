"""What people should look at stays on the screen until somebody has looked."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.control.desk import Request
from rig.control.notices import MOST, MOST_ALERTS, noticed
from tests.control.foretold import LOOKS
from tests.control.night import Accidents
from tests.control.taken import BASELINE, BY, cut_off, point_of, taken_up

STOP = "would have stopped the test as failure: stiffness"
PAUSE = "would have paused the test: stiffness"
TEXTS = st.lists(st.sampled_from([STOP, PAUSE, *(f"trouble {n}" for n in range(3 * MOST))]))
ALERTING = {
    **BASELINE,
    r"^stiffness_loss = .*$": 'alert_only = ["stiffness_loss"]\n'
    'stiffness_loss = { warn = "1 %", stop = "2 %", confirm = "5 cycles" }',
    r"^stiffness_step = .*$": "",
}
SHORT_LIVED = {r"^wet_factor = 180": 'wet_factor = 180\nlife_dry = "3000 cycles"'}


def after(texts):
    notices = ()
    for text in texts:
        notices = noticed(notices, text)
    return notices


@given(TEXTS)
def test_what_is_found_stays_and_repeats_do_not_count(texts):
    notices = after(texts)
    assert len(set(notices)) == len(notices)
    assert set(notices) & {STOP, PAUSE} == set(texts) & {STOP, PAUSE}
    others = [n for n in notices if n not in (STOP, PAUSE)]
    assert len(others) == min(MOST, len(set(texts) - {STOP, PAUSE}))
    assert not texts or texts[-1] in notices


def test_many_alerts_of_a_kind_hide_none_of_the_worse_kind():
    assert STOP in after([*(f"{PAUSE} {n}" for n in range(10 * MOST_ALERTS)), STOP])
    assert len(after(f"{PAUSE} {n}" for n in range(10 * MOST_ALERTS))) == MOST_ALERTS


@pytest.mark.nights
def test_an_alert_is_shown_after_the_test_is_taken_up_until_somebody_has_looked(plan_of, tmp_path):
    plan = plan_of("first-night", ALERTING, SHORT_LIVED)
    night = cut_off(plan, tmp_path / "cut", 65_000)
    assert any(text.startswith(STOP) for text in night.events("stiffness-loss"))
    # Alone for two minutes, then unloaded and in contact again: it builds up after the note.
    noted = point_of(night)["frame"] + 130_000
    script = ((noted, Request("note", who=BY, text="seen")),)
    again = Accidents(cut=noted + 10_000)
    goes_on = taken_up(plan, tmp_path / "on", night, script=script, accidents=again, looks=LOOKS)
    shown = [(f, any(t.startswith(STOP) for t in s.troubles)) for f, s in goes_on.statuses]
    before = {told for f, told in shown if noted - 4_000 < f < noted}
    after = {told for f, told in shown if f > noted + 100}
    assert before == {True}
    assert after == {False}

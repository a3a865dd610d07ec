"""Alerts of requests from afar: what became of each, and advice that fits why it was refused."""

import pytest

from rig.monitor.alerts.asked import from_afar
from rig.monitor.alerts.cause import Cause
from rig.monitor.mqtt.afar import REASONS, UNSIGNED, Refusals
from tests.monitor.night_12 import cycling


def one(line: str) -> Cause:
    (cause,) = from_afar(cycling, (line,))
    assert cause.kinds[0] == "request"
    assert line.startswith(cause.happened)
    return cause


def counted(reason: str, by: str = "") -> Cause:
    """Return the cause of the line that refusals are really told by."""
    refusals = Refusals()
    for _ in range(3):
        refusals.count(reason, by)
    (line,) = refusals.due(0.0)
    return one(line)


def test_what_was_acted_on_says_who_asked_and_that_it_moves_by_itself_later():
    line = "pause by Ada from afar: acted: goes to lower load, power kept; unloads in 30 min"
    paused = one(line)
    assert paused.headline == "ASKED FROM AFAR: pause by Ada"
    assert paused.did == "it acted: goes to lower load, power kept; unloads in 30 min"
    assert "unloads by itself" in paused.todo[0]
    stopped = one("stop by Ada from afar: acted: it unloads")
    assert "stay out while it moves" in stopped.todo[0]
    assert "gauge and load at zero" in stopped.todo[0]
    assert stopped.key != paused.key
    assert list(from_afar(cycling, ("pause by Ada from afar: recorded",))) == []


@pytest.mark.parametrize(
    ("became", "headline", "did"),
    [
        ("no answer: the run did not answer", "NO ANSWER to stop by Ada", "it may still be done"),
        ("not recorded: the disk is full", "NOT RECORDED: stop by Ada", "it acted"),
        ("refused: it is being stopped already", "REFUSED: stop by Ada", "it goes on"),
    ],
)
def test_what_may_have_been_done_is_not_told_as_refused(became, headline, did):
    cause = one(f"stop by Ada from afar: {became}")
    assert cause.headline.startswith(headline)
    assert did in cause.did
    assert ("refused" in cause.did) == became.startswith("refused")
    assert "secret" not in " ".join(cause.todo)


@pytest.mark.parametrize("reason", REASONS)
def test_each_refusal_is_an_alert_of_its_own_with_advice_that_fits(reason):
    cause = counted(reason, "" if reason in UNSIGNED else "Ada")
    assert cause.key == f"request:refused, {reason}"
    assert cause.headline.removeprefix("REFUSED FROM AFAR: ") in REASONS[reason]
    assert cause.did.startswith("refused; it goes on")
    advice = " ".join(cause.todo)
    # What is signed and late, or not allowed, gives nothing away; nor does what is not signed.
    assert ("change the secret" in advice) == (reason == "too-many")
    assert ("login" in advice) == (reason in UNSIGNED | {"seen"})
    assert ("clocks" in advice) == (reason in ("late", "early"))


def test_a_secret_that_cannot_be_read_is_no_refusal():
    cause = one("nothing is taken from afar: /lab/secrets/requests: no such file")
    assert cause.headline == "REQUESTS FROM AFAR: none is taken"
    assert "REFUSED" not in cause.headline

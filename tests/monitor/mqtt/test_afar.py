"""Requests from afar: what is taken, what is refused, and that no storm changes either."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.monitor.mqtt.afar import (
    LONGEST,
    MOST_SEEN,
    REASONS,
    UNSIGNED,
    Refusals,
    judge,
    opened,
)
from rig.monitor.mqtt.signing import as_payload
from tests.monitor.mqtt.afar_requests import AT, KEY, RULES, fields, genuine, hostile
from tests.monitor.mqtt.schemas import check


class Desk:
    """A memory, and a clock that is moved by hand; it began to listen an hour before."""

    def __init__(self, rules=RULES, *, since=3600.0) -> None:
        self.rules = rules
        self.utc, self.now = AT, 1e6
        self.memory = opened(rules, AT - timedelta(seconds=since))

    def later(self, seconds: float) -> None:
        self.utc += timedelta(seconds=seconds)
        self.now += seconds

    def judge(self, payload: bytes, *, retained: bool = False):
        self.memory, verdict = judge(
            self.rules, self.memory, payload, retained=retained, utc=self.utc, now=self.now
        )
        return verdict

    def reason(self, payload: bytes, *, retained: bool = False) -> str:
        return self.judge(payload, retained=retained).reason


def test_a_genuine_request_is_taken_once():
    desk = Desk()
    verdict = desk.judge(genuine(ask="pause", text="noise"))
    assert verdict.reason == ""
    request = verdict.request
    assert (request.ask, request.run, request.who, request.text, request.at) == (
        "pause",
        "night-1",
        "A. Name",
        "noise",
        AT,
    )


def without(name: str) -> bytes:
    made = fields()
    del made[name]
    return as_payload(made)


REFUSED = {
    "nothing": (b"", "malformed"),
    "a text": (b'"stop"', "malformed"),
    "a list": (b"[]", "malformed"),
    "no object": (b"null", "malformed"),
    "no UTF-8": (genuine(who="A. Name").replace(b"A. Name", b"A. \xff"), "malformed"),
    "UTF-16": (genuine().decode().encode("utf-16"), "malformed"),
    "a byte order mark": (b"\xef\xbb\xbf" + genuine(), "malformed"),
    "half a pair": (genuine().replace(b"A. Name", b"A. \\ud800"), "malformed"),
    "deep lists": (b"[" * LONGEST, "malformed"),
    "deep objects": (b'{"v":' * 600, "malformed"),
    "a key twice": (genuine()[:-1] + b', "ask": "stop"}', "malformed"),
    "one more": (genuine(more="1"), "malformed"),
    **{f"no {name}": (without(name), "malformed") for name in fields()},
    **{
        f"{name} is {str(value)[:9]!r}": (
            json.dumps({**fields(), name: value}).encode(),
            "malformed",
        )
        for name in fields()
        for value in (None, True, 1.0, 0, [], {"v": 1}, "", "\n", "1" * 301)
        if (name, value) not in (("v", True), ("text", ""), ("ask", ""), ("run", ""))
    },
    "v is 1e0": (genuine().replace(b'"v": 1', b'"v": 1e0'), "malformed"),
    "v is huge": (genuine().replace(b'"v": 1', b'"v": ' + b"1" * 3000), "malformed"),
    "v is no number": (genuine().replace(b'"v": 1', b'"v": NaN'), "malformed"),
    "version 2": (genuine().replace(b'"v": 1', b'"v": 2'), "malformed"),
    "who of blanks": (genuine(who="  "), "malformed"),
    "who of a terminal": (genuine(who="A\x1b[2J"), "malformed"),
    "two lines": (genuine(text="a\r\nSubject: b"), "malformed"),
    "letters turned round": (genuine(text="a\u202eb"), "malformed"),
    "no zone": (genuine(at_utc="2026-01-31T02:03:04"), "malformed"),
    "another zone": (genuine(at_utc="2026-01-31T02:03:04+00:00"), "malformed"),
    "a thirteenth month": (genuine(at_utc="2026-13-31T02:03:04Z"), "malformed"),
    "Arabic digits": (genuine(at_utc="٢٠٢٦-01-31T02:03:04Z"), "malformed"),
    "year 0": (genuine(at_utc="0000-01-31T02:03:04Z"), "malformed"),
    "a short nonce": (genuine(nonce="0" * 31), "malformed"),
    "a long nonce": (genuine(nonce="0" * 65), "malformed"),
    "capital digits": (genuine(nonce="A" * 32), "malformed"),
    "too long": (genuine() + b" " * LONGEST, "too-long"),
    "far too long": (b"[" * 10**6, "too-long"),
    "another key": (genuine(key=KEY + b"."), "forged"),
    "another rig": (genuine(topic="nightrig/v1/lab-1/frame-2/requests"), "forged"),
    "an answer": (genuine(topic="nightrig/v1/lab-1/frame-1/answers"), "forged"),
    "changed": (genuine().replace(b'"stop"', b'"pause"'), "forged"),
    "continue": (genuine(ask="continue"), "not-afar"),
    "unload": (genuine(ask="unload"), "not-afar"),
    "confirm": (genuine(ask="confirm"), "not-afar"),
    "nothing asked": (genuine(ask=""), "not-afar"),
    "another run": (genuine(run="night-0"), "other-run"),
    "no run": (genuine(run=""), "other-run"),
    "late": (genuine(AT - timedelta(seconds=30.1)), "late"),
    "very late": (genuine(at_utc="0001-01-01T00:00:00Z"), "late"),
    "early": (genuine(AT + timedelta(seconds=30.1)), "early"),
    "very early": (genuine(at_utc="9999-12-31T23:59:59.999999Z"), "early"),
}


@pytest.mark.parametrize(("payload", "reason"), REFUSED.values(), ids=REFUSED)
def test_what_is_refused_says_why_and_leaves_no_trace(payload, reason):
    desk = Desk()
    before = desk.memory
    verdict = desk.judge(payload)
    assert verdict.reason == reason
    assert verdict.text.startswith(REASONS[reason])
    assert "\n" not in verdict.text
    if reason != "early":
        assert desk.memory == before


@pytest.mark.parametrize("age", [-30.0, -1.0, 0.0, 29.0, 30.0])
def test_within_the_window_on_both_sides_it_is_taken(age):
    assert Desk().reason(genuine(AT - timedelta(seconds=age))) == ""


def test_what_the_broker_kept_is_never_taken():
    desk = Desk()
    made = genuine()
    assert desk.reason(made, retained=True) == "retained"
    assert desk.reason(made) == "seen"
    assert desk.reason(genuine(key=KEY + b"."), retained=True) == "forged"


@given(st.floats(-200, 200), st.floats(0, 400), st.booleans())
def test_what_was_refused_once_is_never_taken_later(ahead, later, retained):
    desk = Desk()
    made = genuine(AT + timedelta(seconds=ahead))
    taken = desk.reason(made, retained=retained) == ""
    assert taken is (abs(ahead) <= 30 and not retained)
    desk.later(later)
    assert desk.reason(made) != ""


@pytest.mark.parametrize("allowed", [(), ("pause",)])
def test_what_the_rig_file_does_not_allow_is_refused(allowed):
    desk = Desk(replace(RULES, allowed=allowed))
    assert desk.reason(genuine(ask="stop")) == "not-allowed"
    assert desk.reason(genuine(ask="pause")) == ("" if allowed else "not-allowed")


def test_a_clock_that_is_wrong_is_told():
    text = Desk().judge(genuine(AT - timedelta(hours=1))).text
    assert "made at 2026-01-31T01:03:04.000Z and come at 2026-01-31T02:03:04.000Z" in text
    assert "3600 s apart, 30 s are allowed" in text
    assert "set the clock that is wrong" in text


def test_a_replay_is_refused_for_good():
    desk = Desk()
    made = genuine(AT + timedelta(seconds=29))
    assert desk.reason(made) == ""
    for reason in ("seen",) * 60 + ("late",) * 10:
        assert desk.reason(made) == reason
        desk.later(1.0)


def test_a_clock_that_is_set_back_brings_no_replay_back():
    desk = Desk()
    made = genuine()
    assert desk.reason(made) == ""
    desk.later(3600.0)
    assert desk.reason(made) == "late"
    assert not desk.memory.seen
    desk.utc = AT
    assert desk.reason(made) == "starting"
    assert desk.reason(genuine(AT + timedelta(seconds=1))) == ""


@given(st.floats(0, 60), st.floats(-30, 30), st.floats(0, 100))
def test_what_was_taken_before_a_restart_is_not_taken_after_it(lived, ahead, later):
    desk = Desk()
    made = genuine(AT + timedelta(seconds=ahead))
    assert desk.reason(made) == ""
    desk.later(lived)
    desk.memory = opened(RULES, desk.utc)
    desk.later(later)
    assert desk.reason(made) in ("starting", "late")


def test_a_start_takes_requests_after_as_long_as_a_clock_may_be_wrong():
    desk = Desk(since=0.0)
    refused = desk.judge(genuine())
    assert refused.reason == "starting"
    assert "only what is made after 2026-01-31T02:03:34.000Z is taken" in refused.text
    desk.later(30.001)
    assert desk.reason(genuine(desk.utc)) == ""


def test_too_many_are_refused_and_pause_leaves_stop_its_own():
    desk = Desk()
    for _ in range(RULES.most):
        assert desk.reason(genuine(ask="pause")) == ""
    assert desk.reason(genuine(ask="pause")) == "too-many"
    assert desk.reason(genuine(ask="stop")) == ""
    desk.later(60.0)
    assert desk.reason(genuine(desk.utc, ask="pause")) == ""


def test_what_was_too_many_is_not_taken_later():
    desk = Desk(replace(RULES, within=300.0))
    for _ in range(RULES.most):
        desk.judge(genuine())
    one_more = genuine()
    assert desk.reason(one_more) == "too-many"
    desk.later(120.0)
    assert desk.reason(one_more) == "seen"
    assert desk.reason(genuine(desk.utc)) == ""


def test_a_full_memory_refuses_and_never_forgets():
    desk = Desk(replace(RULES, within=300.0, most=10**6))
    taken = [genuine() for _ in range(MOST_SEEN)]
    assert {desk.reason(made) for made in taken} == {""}
    refused = [genuine(AT + timedelta(seconds=5)) for _ in range(20)]
    assert desk.reason(refused[0]) == "too-many"
    assert "" not in {desk.reason(made) for made in refused}
    assert len(desk.memory.seen) == MOST_SEEN
    assert {desk.reason(made) for made in taken} == {"seen"}
    desk.later(300.5)
    assert {desk.reason(made) for made in taken} == {"late"}
    assert not desk.memory.seen
    # There is room again, and they are still fresh.
    assert {desk.reason(made) for made in refused} == {"starting"}
    assert desk.reason(genuine(desk.utc)) == ""
    desk.utc = AT
    assert {desk.reason(made) for made in (*taken, *refused)} == {"starting"}


@given(st.integers(0, 2**32))
def test_no_storm_of_strangers_keeps_a_stop_out(seed):
    desk = Desk()
    overheard = [genuine(), genuine(ask="pause")]
    assert [desk.reason(made) for made in overheard] == ["", ""]
    for payload, retained in hostile(seed, 60, lambda: desk.utc, overheard):
        verdict = desk.judge(payload, retained=retained)
        assert verdict.reason in REASONS
    assert desk.reason(genuine(ask="pause")) == ""
    assert desk.reason(genuine(ask="stop")) == ""


def test_what_is_read_is_what_the_shipped_schema_describes():
    overheard = [genuine()]
    for payload, _ in hostile(1, 1000, lambda: AT, overheard):
        if Desk().reason(payload) not in ("malformed", "too-long", "not-afar"):
            check("requests", payload)


@given(st.binary(max_size=300))
def test_any_bytes_are_refused_or_are_a_signed_request(payload):
    assert Desk().reason(payload) in UNSIGNED


@given(st.data())
def test_a_request_with_any_byte_changed_is_not_taken(data):
    made = bytearray(genuine())
    at = data.draw(st.integers(0, len(made) - 1))
    made[at] ^= data.draw(st.integers(1, 255))
    desk = Desk()
    if desk.reason(bytes(made)) == "":
        # Blanks between the fields are none of what is signed.
        assert json.loads(bytes(made)) == json.loads(genuine_of(made, at))
    assert desk.reason(genuine()) == ""


def genuine_of(made: bytearray, at: int) -> bytes:
    """Return the same with a blank where a byte was changed."""
    back = bytearray(made)
    back[at] = ord(" ")
    return bytes(back)


def test_refusals_are_told_once_a_minute_for_each_reason_with_their_number():
    refusals = Refusals()
    assert refusals.due(0.0) == ()
    refusals.count("forged")
    assert refusals.due(0.0) == (
        "1 request from afar refused: not signed with this rig's secret for this rig",
    )
    for _ in range(5000):
        refusals.count("forged")
    refusals.count("late", "A. Name")
    (late,) = refusals.due(59.0)
    assert late == (
        "1 request from afar refused: made too long ago, or a clock is wrong, the last one signed "
        "by A. Name"
    )
    (forged,) = refusals.due(60.0)
    assert forged.startswith("5000 requests from afar refused: not signed")
    assert forged.endswith("(5001 so far)")
    assert refusals.due(1000.0) == ()
    assert refusals.counts["forged"] == 5001

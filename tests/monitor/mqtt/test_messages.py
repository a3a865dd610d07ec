"""What is said of a run by MQTT, held against the shipped schema by the library jsonschema."""

import asyncio
import json
import math
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator, ValidationError

from rig.clock import SystemClock
from rig.monitor.alerts.wording import message
from rig.monitor.looks import Numbered
from rig.monitor.mqtt import link, messages, topics
from rig.monitor.mqtt.afar import Rules
from rig.monitor.mqtt.serving import AfarRequests
from rig.monitor.mqtt.signing import as_payload, make_request
from rig.monitor.mqtt.telling import alert_payload
from rig.monitor.view import View
from rig.record.entries import Ending, Event, Residual
from rig.record.status import Armed, Coming, Foreseen, WaterStatus
from tests.monitor import views
from tests.monitor.alerts.nights import Night, cause, lab, rule
from tests.monitor.mqtt.afar_requests import KEY
from tests.monitor.mqtt.schemas import SCHEMA, check
from tests.monitor.mqtt.seconds import one_second
from tests.monitor.night_12 import CYCLING, DRY, HEADER, cycling, with_status

EVERY_VIEW = views.VIEWS
UNITS = re.compile(r"_(N|m|s|Hz|K|m3|utc|N_per_m|m3_per_s|cycles)$")
PLAIN_NUMBERS = {
    "v",
    "seq",
    "cycle",
    "cycles",
    "counted",
    "number",
    "run_out",
    "stage_number",
    "stages",
} | {*("loss", "loss_warn", "loss_stop", "missed", "share")}
"""Numbers that have no unit: counts and fractions."""

reals = st.floats(allow_nan=True, allow_infinity=True)
texts = st.text(max_size=30)
within = st.none() | reals
coming = st.builds(Coming, texts, within, st.none() | st.integers(0, 10**9))
waters = st.builds(
    WaterStatus, texts, st.booleans(), st.booleans(), st.integers(0, 99), reals, reals, reals,
    reals, reals, st.none() | coming,
)  # fmt: skip
foreseen = st.builds(Foreseen, reals, reals, reals, reals, reals, st.booleans(), texts)
armed = st.builds(Armed, st.sampled_from(["load", "midspan", "stroke"]), *[reals] * 4)
statuses = st.fixed_dictionaries(
    {
        **dict.fromkeys(("time", "since", "frequency", "load", "deflection", "load_max"), reals),
        **dict.fromkeys(("load_min", "stiffness", "baseline", "loss_stop", "loss_warn"), reals),
        **dict.fromkeys(("state", "means", "cause", "why", "stage", "asks", "on_call"), texts),
        **{n: st.integers(0, 10**12) for n in ("cycles", "run_out", "stages", "stage_number")},
        "stamp": st.sampled_from([CYCLING.stamp, "", "nonsense", "2026-11-25T02:10:12"]),
        "live": st.booleans(),
        "coming": st.lists(coming, max_size=3).map(tuple),
        "troubles": st.lists(texts, max_size=60).map(tuple),
        "limits": st.lists(armed, max_size=3).map(tuple),
        "water": st.none() | waters,
        "forecast": st.none() | foreseen,
        "oil_temperature": reals,
        "slow": st.dictionaries(st.sampled_from(["temperature_air", "flow", "tank"]), reals),
    }
)
residuals = st.none() | st.builds(
    Residual, st.sampled_from(["ultimate", "limit", "fault", "operator"]), texts, within, within
)
endings = st.none() | st.builds(
    Ending, st.sampled_from(["failure", "run-out"]), texts, st.integers(0, 10**9), reals, residuals
)


def said(view: View) -> list[tuple[str, bytes]]:
    """Every message about a view with its topic, as it goes to the broker."""
    happened = Numbered(7, view.events[-1]) if view.events else Numbered(7, Event(0.0, 0, "", ""))
    told = [
        ("status", messages.status(view, "lab-1", "frame-1", happened)),
        ("status", messages.status(view, "lab-1", "frame-1")),
        ("cycles", messages.cycles(view, one_second(view))),
        ("events", messages.event(view, happened)),
        ("forecast", messages.forecast(view)),
        ("end", messages.end(view)),
        (
            "presence",
            messages.presence(view.header, view.now, online=True, since=view.now, cause=None),
        ),
        (
            "presence",
            messages.presence(view.header, view.now, online=False, since=view.now, cause="lost"),
        ),
    ]
    return [(topic, messages.as_payload(each)) for topic, each in told]


@pytest.mark.parametrize("name", sorted(EVERY_VIEW))
def test_whatever_is_said_of_a_run_is_what_the_schema_describes(name):
    payloads = said(EVERY_VIEW[name])
    assert len(payloads) == 8
    for topic, payload in payloads:
        if payload:
            assert check(topic, payload)["run"] == messages.run_of(EVERY_VIEW[name].header)
        else:
            assert topic in ("forecast", "end")


@given(changed=statuses, ending=endings, alive=st.booleans(), text=st.text(max_size=3000))
def test_no_value_or_text_makes_a_message_that_the_schema_does_not_describe(
    changed, ending, alive, text
):
    view = replace(with_status(**changed), ending=ending, alive=alive)
    view = replace(view, events=(Event(math.nan, 3, "note", text),))
    for topic, payload in said(view):
        assert len(payload) < 400_000
        if payload:
            check(topic, payload)


def test_the_schema_is_one_and_refuses_what_is_none():
    Draft202012Validator.check_schema(SCHEMA)
    assert set(SCHEMA["$defs"]) == {topic.name for topic in topics.TOPICS}
    good = messages.status(cycling, "lab-1", "frame-1")
    for wrong in (
        good | {"cycles": "many"},
        good | {"v": 2},
        good | {"more": 1},
        {key: value for key, value in good.items() if key != "state"},
        good | {"stamp_utc": "2026-11-25 02:10"},
    ):
        with pytest.raises(ValidationError):
            check("status", json.dumps(wrong).encode())
    with pytest.raises(ValueError, match="NaN is no JSON"):
        check("status", b'{"v": NaN}')


def test_every_number_of_the_schema_has_its_unit_in_its_name():
    def numbers(part, name=""):
        if isinstance(part, dict):
            kind = part.get("type")
            if {"number", "integer"} & set([kind] if isinstance(kind, str) else kind or []):
                yield name
            for key, value in part.items():
                yield from numbers(value, name if key == "items" else key)
        elif isinstance(part, list):
            for each in part:
                yield from numbers(each, name)

    found = set(numbers(SCHEMA))
    assert len(found) > 30
    patterns = {name for name in found if name.startswith("^")}
    assert patterns == {"^temperature_[a-z0-9_]+_K$"}
    wrong = {n for n in found - patterns - PLAIN_NUMBERS if not UNITS.search(n)}
    assert not wrong


def test_what_is_said_is_what_is_known():
    view = replace(
        with_status(troubles=("the oil is warm",), limits=(Armed("load", 0.0, 1e3, 500.0, 990.0),)),
    )
    told = check("status", messages.as_payload(messages.status(view, "lab-1", "frame-1")))
    assert (told["lab"], told["rig"], told["run"]) == (
        "lab-1",
        "frame-1",
        "night-12 2026-11-24T20:10:12.000Z",
    )
    assert told["load_max_N"] == 92_410.0
    assert told["cycles"] == 83_214
    assert told["stamp_utc"] == "2026-11-25T02:10:11.600Z"
    assert told["loss"] == pytest.approx(1 - 24.91 / 25.18)
    assert told["temperatures"] == {"temperature_air_K": 292.25, "temperature_water_K": 287.05}
    # 16786 cycles at 4 Hz after the stamp.
    assert told["coming"][0] == {
        "what": "inspection",
        "at_utc": "2026-11-25T03:20:08.100Z",
        "cycle": 100_000,
    }
    assert told["call"]["level"] == "look"
    assert told["limits_near"] == ["load is 0.01 kN from its limit 1.00 kN, which stops the rig"]
    assert (told["gone"], told["outcome"]) == (False, None)
    event = messages.event(view, Numbered(3, Event(100.0, 0, "contact", "contact at 2 kN")))
    assert event["at_utc"] == "2026-11-24T20:11:51.600Z"
    assert (event["seq"], event["time_s"], event["text"]) == (3, 100.0, "contact at 2 kN")


def test_two_runs_of_one_folder_have_different_names():
    first, second = HEADER, replace(HEADER, started_utc="2026-11-26T20:10:12+00:00")
    assert messages.run_of(first) != messages.run_of(second)
    long = replace(HEADER, run_id="n" * 255 + "\n")
    assert len(messages.run_of(long)) <= 200
    assert messages.run_of(replace(HEADER, run_id="a\nb")).startswith("a?b ")
    names = {topics.identifier("frame-1", messages.run_of(header)) for header in (first, second)}
    assert len(names) == 2
    assert all(len(name) <= 23 for name in names)


def test_a_long_text_is_cut_and_says_so():
    text = messages.event(cycling, Numbered(1, Event(0.0, 0, "rig file", "é" * 9000)))["text"]
    assert text == "é" * 2000 + " … (7000 more letters are in the record)"


def test_the_longest_texts_everywhere_make_a_status_that_is_still_sent():
    long = "é" * 9000
    view = with_status(
        **dict.fromkeys(("state", "means", "cause", "why", "stage", "asks", "on_call"), long),
        troubles=(long,) * 60,
        coming=(Coming(long, 1.0, 1),) * 60,
        limits=(Armed("load", 0.0, 1e3, 500.0, 990.0),) * 60,
        water=replace(DRY, doing=long),
    )
    texts = dict.fromkeys(("run_id", "title", "specimen_id", "exposure"), long)
    view = replace(view, header=replace(HEADER, **texts), ending=Ending("limit", long, 1, 2.0))
    trouble = Numbered(1, Event(0.0, 0, "sensor", long))
    told = messages.as_payload(messages.status(view, "lab-1", "frame-1", trouble))
    check("status", told)
    assert len(told) <= link.LARGEST


def test_an_event_is_a_trouble_by_its_kind():
    assert messages.is_trouble(Event(0.0, 0, "sensor", "midspan is flat"))
    assert not messages.is_trouble(Event(0.0, 0, "note", "a look"))
    well = Event(0.0, 0, "line", "port a; 1,000 good, 0 bad, 0 dropped")
    assert not messages.is_trouble(well)


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("nightrig/v1/lab-1/frame-1/status", ("lab-1", "frame-1", topics.STATUS)),
        ("nightrig/v1/lab-1/frame-1/requests", ("lab-1", "frame-1", topics.REQUESTS)),
        ("nightrig/v1/lab-1/frame-1/other", None),
        ("nightrig/v1/lab-1/frame-1/status/x", None),
        ("nightrig/v1/Lab/frame-1/status", None),
        ("nightrig/v1/lab-1/frame-1\n/status", None),
        ("nightrig/v2/lab-1/frame-1/status", None),
    ],
)
def test_a_topic_is_read_back_or_none_of_ours(text, found):
    assert topics.parts(text) == found
    if found:
        assert topics.topic(*found) == text


def test_an_end_tells_the_residual_test():
    residual = Residual("ultimate", "broke at 120 kN", 120e3, 0.01)
    ended = replace(cycling, ending=Ending("run-out", "no failure", 11, 60.0, residual))
    told = check("end", messages.as_payload(messages.end(ended)))
    assert told["outcome"] == "run-out"
    assert told["residual"] == {
        "outcome": "ultimate",
        "why": "broke at 120 kN",
        "load_N": 120e3,
        "deflection_m": 0.01,
    }
    assert messages.end(cycling) is None
    assert datetime.fromisoformat(told["ended_utc"]).astimezone(UTC).hour == 20


def test_alerts_are_what_the_schema_describes(tmp_path):
    night = Night(lab(rule(repeat=600.0), rule("more", "water", ways=("mqtt",))))
    night.look(cause(), cause("found:the tank", "water"))
    night.looks(1800.0, cause())
    assert {order.purpose for _, order in night.sent} >= {"first", "again"}
    for at, order in night.sent:
        alert = message(night.desk, order, night.lab, tmp_path, at, night.zone)
        told = check("alerts", alert_payload(alert, "night-12 2026-11-24T20:10:12.000Z"))
        assert told["run"] == "night-12 2026-11-24T20:10:12.000Z"
        assert told["alerts"][0]["todo"] == ["look at it"]


async def test_requests_and_answers_are_what_the_schema_describes():
    answers: list[bytes] = []
    clock = SystemClock()

    async def publish(payload: bytes) -> bool:
        answers.append(payload)
        return True

    def pass_on(message):
        yield {"answer": "acted", "text": "it pauses", "state": "pausing"}

    rules = Rules(topics.topic("lab-1", "frame-1", topics.REQUESTS), "night-12", ("pause",), KEY)
    topic = topics.topic("lab-1", "frame-1", topics.ANSWERS)
    requests = AfarRequests(
        rules, topic, clock, pass_on=pass_on, publish=publish, tell=lambda _: None
    )
    for ask, ahead in (("stop", 0.0), ("pause", 29.9)):
        at = clock.utc() + timedelta(seconds=ahead)
        request = make_request(
            KEY, rules.topic, ask=ask, run="night-12", who="A. Name", text="", at=at
        )
        check("requests", as_payload(request))
        requests.hear(as_payload(request), retained=False)
    async with asyncio.TaskGroup() as group:
        serving = group.create_task(requests.serve())
        for _ in range(1000):
            if len(answers) == 2:
                break
            await asyncio.sleep(0.01)
        serving.cancel()
    assert {check("answers", each)["answer"] for each in answers} == {"refused"}

"""Payloads are read strictly: what this version writes is understood, anything else is told so."""

import contextlib
import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter

from rig.monitor.looks import Numbered
from rig.monitor.mqtt import messages, topics
from rig.monitor.mqtt.told import KINDS, LARGEST, NotUnderstood, read
from tests.monitor.mqtt.schemas import SCHEMA
from tests.monitor.mqtt.seconds import one_second
from tests.monitor.night_12 import NOW
from tests.monitor.views import VIEWS

STATUS = {"v": 1, "run": "r", "state": "cycling", "cycles": 9, "call": {"level": "nothing"}}
PRESENCE = {"v": 1, "run": "r", "online": True}
EVENT = {"v": 1, "run": "r", "seq": 3, "kind": "water", "text": "on"}


def payload(base: dict, **changed: object) -> bytes:
    return json.dumps(base | changed).encode()


def real(name: str) -> dict[topics.Topic, bytes]:
    """Return all that a teller says of one of the named runs."""
    view = VIEWS[name]
    found = {
        topics.PRESENCE: messages.presence(view.header, NOW, online=True, since=NOW, cause=None),
        topics.STATUS: messages.status(view, "hall", "frame-1"),
        topics.CYCLES: messages.cycles(view, one_second(view)),
        topics.FORECAST: messages.forecast(view),
        topics.END: messages.end(view),
        topics.EVENTS: messages.event(view, Numbered(1, view.events[0])) if view.events else None,
    }
    return {topic: messages.as_payload(one) for topic, one in found.items() if one is not None}


@pytest.mark.parametrize("name", VIEWS)
def test_whatever_a_rig_tells_is_understood(name):
    for topic, one in real(name).items():
        read(topic, one)


def test_a_status_is_read_with_its_values_and_instants():
    found = read(topics.STATUS, real("warned")[topics.STATUS])
    assert (found.state, found.cycles, found.run_out) == ("cycling", 1_934_881, 11_000_000)
    assert found.call.level == "look"
    assert found.troubles == ("load correction is at its end: load may fall short",)
    assert math.isclose(found.load_max, 89.1e3)
    assert math.isclose(found.loss, 1 - 19.7 / 25.18)
    assert (found.water.missed, found.water.tank) == (1, 0.09)
    assert [(c.what, c.cycle) for c in found.coming] == [("inspection", 2_000_000)]
    assert (found.coming[0].at - found.stamp).total_seconds() == pytest.approx(16_200.0, abs=0.01)
    assert found.told >= found.stamp


BAD = [
    (topics.STATUS, b"", "JSON"),
    (topics.STATUS, b"\xff\xfe\x00", "JSON"),
    (topics.STATUS, b"null", "object"),
    (topics.STATUS, b"[1]", "object"),
    (topics.STATUS, b"[" * 60_000, "recursion"),
    (topics.STATUS, b'{"v":' * 9000, "recursion"),
    (topics.STATUS, b" " * (LARGEST + 1), "bytes"),
    (topics.STATUS, payload(STATUS, v=2), "v: "),
    (topics.STATUS, payload(STATUS, v="1"), "v: "),
    (topics.STATUS, payload(STATUS, v=True), "v: "),
    (topics.STATUS, payload(STATUS, run=""), "run: "),
    (topics.STATUS, payload(STATUS, run=7), "run: "),
    (topics.STATUS, payload(STATUS, state=None), "state: "),
    (topics.STATUS, payload(STATUS, cycles=-1), "cycles: "),
    (topics.STATUS, payload(STATUS, cycles=1.5), "cycles: "),
    (topics.STATUS, payload(STATUS, cycles="9"), "cycles: "),
    (topics.STATUS, payload(STATUS, cycles=10**30), "cycles: "),
    (topics.STATUS, payload(STATUS, call={"level": "panic"}), "call.level: "),
    (topics.STATUS, payload(STATUS, call={}), "call.level: "),
    (topics.STATUS, payload(STATUS, call="come"), "call: "),
    (topics.STATUS, payload(STATUS, load_max_N=math.nan), "load_max_N: "),
    (topics.STATUS, payload(STATUS, load_max_N=math.inf), "load_max_N: "),
    (topics.STATUS, payload(STATUS)[:-1] + b',"load_max_N":1e999}', "load_max_N: "),
    (topics.STATUS, payload(STATUS, frequency_Hz="4 Hz"), "frequency_Hz: "),
    (topics.STATUS, payload(STATUS, troubles=["x"] * 51), "troubles: "),
    (topics.STATUS, payload(STATUS, troubles="x"), "troubles: "),
    (topics.STATUS, payload(STATUS, stamp_utc="yesterday"), "stamp_utc: "),
    (topics.STATUS, payload(STATUS, stamp_utc=1_764_000_000), "stamp_utc: "),
    (topics.STATUS, payload(STATUS, stamp_utc="1764000000"), "stamp_utc: "),
    (topics.STATUS, payload(STATUS, stamp_utc="2026-11-25T02:10:12"), "no zone"),
    (topics.STATUS, payload(STATUS, stamp_utc="0001-01-01T00:00:00Z"), "years"),
    (topics.STATUS, payload(STATUS, stamp_utc="9999-12-31T23:59:59-23:59"), "years"),
    (topics.STATUS, payload(STATUS, water={"doing": "on"}), "water.on: "),
    (topics.STATUS, payload(STATUS, coming=[{"what": "x", "cycle": "9"}]), "coming.0.cycle"),
    (topics.PRESENCE, payload(PRESENCE, online=1), "online: "),
    (topics.PRESENCE, payload(PRESENCE, online="yes"), "online: "),
    (topics.END, b'{"v":1,"run":"r"}', "outcome: "),
    (topics.EVENTS, payload(EVENT, seq=None), "seq: "),
    (topics.ALERTS, payload(EVENT), "subject: "),
    (topics.ALERTS, payload(EVENT, subject="a", text=["a"]), "text: "),
    (topics.FORECAST, b'{"v":1,"run":"r","low_cycles":"soon"}', "low_cycles: "),
    (topics.CYCLES, b'{"v":1,"run":"r","cycle":{}}', "cycle: "),
]


@pytest.mark.parametrize("row", range(len(BAD)))
def test_anything_else_is_not_understood_and_says_where(row):
    topic, bad, why = BAD[row]
    with pytest.raises(NotUnderstood) as found:
        read(topic, bad)
    assert why in str(found.value)
    assert len(str(found.value)) <= 600
    assert str(found.value).isprintable()


def test_fields_that_may_come_within_this_version_are_left_alone():
    assert read(topics.STATUS, payload(STATUS, brand_new={"a": [1]})) == read(
        topics.STATUS, payload(STATUS)
    )


def test_a_text_can_neither_command_a_terminal_nor_fill_it():
    found = read(topics.STATUS, payload(STATUS, state="\x1b[2Jgo\r\n\u202egone\0" + "x" * 9000))
    assert found.state.startswith("[2Jgo  gone")
    assert len(found.state) <= 600
    with pytest.raises(NotUnderstood):
        read(topics.STATUS, b'{"v":1,"run":"\\ud800","state":"x"}')


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=9),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=9), inner),
    max_leaves=12,
)


@given(st.sampled_from(list(KINDS)), st.data())
def test_no_payload_whatever_does_more_than_not_be_understood(topic, data):
    base = data.draw(st.sampled_from([STATUS, PRESENCE, EVENT]))
    changed = data.draw(st.dictionaries(st.sampled_from([*base, *_fields(topic)]), JSON))
    for one in (payload(base, **changed), data.draw(st.binary(max_size=200))):
        with contextlib.suppress(NotUnderstood):
            assert isinstance(read(topic, one), KINDS[topic])


def _fields(topic: topics.Topic) -> list[str]:
    schema = TypeAdapter(KINDS[topic]).json_schema()
    return list(schema["properties"])


@pytest.mark.parametrize("topic", KINDS, ids=lambda topic: topic.name)
def test_every_field_that_is_read_is_one_that_the_shipped_schema_describes(topic):
    ours = TypeAdapter(KINDS[topic]).json_schema()
    theirs = SCHEMA["$defs"][topic.name]
    assert set(ours["properties"]) <= set(theirs["properties"])
    assert set(ours["required"]) <= set(theirs["required"])


@pytest.mark.parametrize("part", ["Water", "Ahead", "Forecast", "Trouble", "Called"])
def test_every_field_of_a_part_of_a_status_is_described_too(part):
    ours = TypeAdapter(KINDS[topics.STATUS]).json_schema()["$defs"][part]
    assert set(ours["properties"]) <= _described(SCHEMA["$defs"])


def _described(schema: object) -> set[str]:
    """Return every name of a field that a schema describes, at any depth."""
    if isinstance(schema, list):
        return {name for each in schema for name in _described(each)}
    if not isinstance(schema, dict):
        return set()
    own = schema.get("properties", {})
    return set(own) | {name for each in schema.values() for name in _described(each)}

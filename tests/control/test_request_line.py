"""Requests as lines: read as they were written, or refused."""

from __future__ import annotations

import contextlib
import json
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.commands.files import load
from rig.control.checklist import checklist, missing
from rig.control.desk import VERBS, Request
from rig.control.request_line import (
    LONGEST_LINE,
    WORDS,
    NotUnderstood,
    clean,
    read_request,
    write_request,
)


@pytest.mark.parametrize("key", WORDS)
def test_what_is_said_beyond_the_longest_words_is_never_looked_at(key):
    said = {"ask": "note", "who": "A. Name", key: "A" + " " * (WORDS[key] - 1) + "late"}
    request = read_request(json.dumps(said).encode())
    assert request is not None
    assert getattr(request, key) == "A"


def test_of_long_items_only_the_beginning_is_looked_at():
    said = {"ask": "confirm", "who": "A. Name", "items": ["on" + " " * 1000 + "late"] * 7}
    request = read_request(json.dumps(said).encode())
    assert request is not None
    assert request.items == ("on",) * 7


def test_a_confirmation_of_the_longest_checklist_fits_in_a_line():
    plan = load("overnight-wet-prism", None)
    actuator = replace(plan.rig.actuator, limits="software only")
    channels = tuple(c for c in plan.rig.channels if c.name != "load_2")
    rig = replace(plan.rig, actuator=actuator, channels=channels, warning=None)
    bare = replace(plan, rig=rig)
    items = checklist(bare)
    assert len([item for item in items if item.startswith("accepted: ")]) == 3
    said = {"ask": "confirm", "who": "N" * 100, "items": items, "on_call": "B. Name, +00 12"}
    sent = write_request(said)
    assert len(sent) <= LONGEST_LINE
    request = read_request(sent)
    assert request is not None
    assert request.items == items
    assert missing(bare, request) == ""


@pytest.mark.nights
@given(st.fixed_dictionaries({key: st.text(max_size=30) for key in WORDS}))
def test_a_request_is_read_as_it_was_written_however_long_its_words(words):
    said = {key: (word or "\U0001f30a") * 2000 for key, word in words.items()}
    sent = write_request({"ask": "stop", **said})
    assert len(sent) <= LONGEST_LINE
    kept = {}
    for key, word in said.items():
        text, most = clean(word), WORDS[key]
        kept[key] = text if len(text) <= most else f"{text[: most - 1]}…"
    if kept["who"]:
        assert read_request(sent) == Request("stop", **kept)


@given(st.binary(max_size=300) | st.text(max_size=100).map(lambda t: json.dumps(t).encode()))
def test_any_line_is_a_request_or_not_understood(data):
    with contextlib.suppress(NotUnderstood):
        request = read_request(data)
        assert request is None or request.verb in VERBS


@given(st.text(max_size=200))
def test_a_cleaned_text_can_be_printed_on_one_line_and_written_as_utf_8(text):
    found = clean(text)
    assert found.isprintable()
    assert found == found.strip()
    found.encode("utf-8")

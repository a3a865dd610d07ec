"""The checklist names what can hurt people, what the rig lacks, and who is called."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rig.channels import Channel
from rig.commands.files import load
from rig.control.checklist import CAUTIONS, checklist, missing, refusal
from rig.control.desk import Request
from rig.protocol.plan import WarningSignal


@pytest.fixture(scope="module")
def dry():
    return load("dry-short", None)


def confirmed(plan, **changes) -> Request:
    whole = Request("confirm", who="A. Name", items=checklist(plan), on_call="B. Name, +00 12")
    return replace(whole, **changes)


def test_a_whole_confirmation_lacks_nothing(dry):
    assert missing(dry, confirmed(dry)) == ""


@pytest.mark.parametrize(
    ("changes", "phrase"),
    [
        ({"who": " "}, "the name of who confirms"),
        ({"on_call": ""}, "on call"),
        ({"on_call": "B. Name"}, "on call"),
        ({"items": ()}, "guards are closed"),
    ],
    ids=["no name", "nobody on call", "no number", "no item"],
)
def test_an_incomplete_confirmation_is_told_what_it_lacks(dry, changes, phrase):
    assert phrase in missing(dry, confirmed(dry, **changes))


def test_each_single_item_is_needed(dry):
    items = checklist(dry)
    for item in items:
        rest = tuple(i for i in items if i != item)
        assert item in missing(dry, confirmed(dry, items=rest))


@pytest.mark.parametrize(
    "word",
    [
        *("guards", "isolation", "residual-current", "drop", "20 mm", "tether", "accumulators"),
        *("limits", "emergency stop", "on call"),
    ],
)
def test_the_list_holds_what_practice_asks_for(dry, word):
    assert sum(word in item for item in checklist(dry)) >= 1


def test_water_adds_its_own_items_and_only_then(dry):
    wet = load("overnight-wet-prism", None)
    for word in ("splash zone", "sump"):
        assert any(word in item for item in checklist(wet))
        assert not any(word in item for item in checklist(dry))


def test_what_the_rig_lacks_must_be_accepted_and_what_it_has_need_not(dry):
    poor = "; ".join(checklist(replace(dry, rig=replace(dry.rig, warning=None))))
    assert "no second load measure" in poor
    assert "no horn or lamp" in poor
    channels = (*dry.rig.channels, Channel("load_2", "N", 5.0, -25e3, 260e3))
    whole = replace(
        dry.rig, channels=channels, warning=WarningSignal("horn", 5.0), local_input="button"
    )
    rich = "; ".join(checklist(replace(dry, rig=whole)))
    assert "accepted" not in rich
    software = replace(whole, actuator=replace(whole.actuator, limits="software only"))
    assert "10 mm/s" in "; ".join(checklist(replace(dry, rig=software)))


def test_a_rig_without_a_local_input_cannot_be_run(dry):
    assert "local_input" in refusal(replace(dry, rig=replace(dry.rig, local_input="")))
    assert refusal(replace(dry, rig=replace(dry.rig, local_input="key"))) == ""


def test_the_cautions_say_that_software_is_no_safety_system():
    assert "no safety system" in CAUTIONS[0]

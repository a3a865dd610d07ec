"""What people read: a subject for a locked screen, a text to act on, values for programs."""

import json
import re
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.monitor.alerts.calling import causes
from rig.monitor.alerts.desk import Desk, line, with_lines
from rig.monitor.alerts.due import Due, due
from rig.monitor.alerts.messages import AlertText
from rig.monitor.alerts.opening import Seen, Watch, observed
from rig.monitor.alerts.wording import MOST_TOLD, SUBJECT, message, where_of
from rig.monitor.mqtt.link import LARGEST
from rig.monitor.mqtt.telling import alert_payload
from rig.monitor.view import View
from rig.protocol.lab import Lab, Person
from rig.protocol.lab_file import load_lab
from tests.monitor import states, views
from tests.monitor.alerts.nights import cause, lab, rule
from tests.monitor.alerts.scripted import MESSAGES
from tests.monitor.mqtt.schemas import check
from tests.monitor.night_12 import NOW, ZONE
from tests.readme import README

HEAD = """
name = "cellar"
zone = "Europe/Lisbon"

[mail]
host = "mail.example"
sender = "rig@lab.example"

[program]
arguments = ["/usr/local/bin/call-out"]

[[person]]
name = "A. Night"
mail = "a.night@lab.example"

[[person]]
name = "B. Day"
mail = "b.day@lab.example"
"""


def block(name: str) -> str:
    found = re.search(rf"<!-- {name} -->\n```\w+\n(.*?)^```", README, re.M | re.S)
    assert found is not None
    return found[1]


@pytest.fixture(scope="module")
def ruled() -> Lab:
    """Return the lab of the README's rules."""
    return load_lab("night.toml", lambda _: HEAD + block("alert rules"))


def sent(view: View, lab: Lab, folder: str = "night-12") -> list[AlertText]:
    """Return what is sent first of a run that looks so."""
    view = replace(view, zone=ZONE)
    seen = Seen(
        causes(view, {}), (), 0, over=False, stopping=False, where=where_of(view, MESSAGES, ZONE)
    )
    lines, watch = observed(Desk(), Watch(), seen, lab, NOW)
    later = NOW + timedelta(hours=2)
    more, _ = observed(with_lines(Desk(), lines), watch, seen, lab, later)
    desk = with_lines(Desk(), [*lines, *more])
    dues, _ = due(desk, lab, NOW, ZONE)
    return [message(desk, each, lab, Path(folder), NOW, ZONE) for each in dues]


def test_the_message_of_the_readme_is_the_one_that_is_sent(ruled):
    by_program, by_mail = sorted(sent(views.failure, ruled), key=lambda a: a.people, reverse=True)
    assert by_program.people == by_mail.people == ("A. Night",)
    assert by_program.text == block("alert message")
    assert by_mail.text == by_program.text


def test_the_rules_of_the_readme_do_what_is_said_of_them(ruled):
    come, by_day = ruled.rules
    assert (come.repeat, come.escalate_after, come.escalate_to) == (900.0, 1800.0, ("B. Day",))
    assert (by_day.quiet, by_day.most) == ((22 * 60, 6 * 60), 6)
    # 03:10 on the lab's clock: what may wait does, a run-out comes.
    called = {kind for each in causes(views.warned, {}) for kind in each.kinds}
    told = {alert.kind for alert in sent(views.warned, ruled)}
    assert called == {"rig", "water", "specimen"}
    assert told == {"rig"}
    assert [a.kind for a in sent(views.run_out, ruled)] == ["run-out"]


def test_every_message_says_all_of_it_and_its_subject_has_room_on_a_locked_screen():
    lab_of_all = lab(rule("all", *sorted(set(_kinds())), ways=("program",)))
    count = 0
    for module in (states, views):
        for view in vars(module).values():
            for alert in sent(view, lab_of_all) if isinstance(view, View) else ():
                count += 1
                assert len(alert.subject) <= SUBJECT
                assert alert.subject.isprintable()
                assert alert.subject.startswith(("frame-1: ", "(simulated) frame-1: "))
                for part in ("What happened", "What the rig did", "What to do now", "Specimen  P-"):
                    assert part in alert.text
                for part in (
                    "Count     ",
                    "When      ",
                    "CET",
                    "--acknowledge",
                    "no safety system",
                ):
                    assert part in alert.text
                json.dumps(alert.plain, allow_nan=False)
    assert count >= 10


def _kinds() -> list[str]:
    every = [v for module in (states, views) for v in vars(module).values() if isinstance(v, View)]
    return [kind for view in every for each in causes(view, {}) for kind in each.kinds]


@given(headline=st.text(max_size=200), rig=st.text(max_size=40))
def test_whatever_is_told_a_subject_is_one_short_line(headline, rig):
    desk = _opened(cause(headline=headline), {"rig": rig, "specimen_id": "P-12"})
    for purpose in ("first", "again", "escalated", "over", "test"):
        alert = message(desk, Due("mail", ("Ada",), purpose, (1,)), lab(), Path("x"), NOW, ZONE)
        assert len(alert.subject) <= SUBJECT
        assert "\n" not in alert.subject
        assert alert.subject.isprintable()


def _opened(each, where) -> Desk:
    seen = Seen((each,), (), 0, over=False, stopping=False, where=where)
    return with_lines(Desk(), observed(Desk(), Watch(), seen, lab(rule()), NOW)[0])


def test_a_repeat_says_how_often_and_an_escalation_who_did_not_answer():
    told = {"of": [1], "way": "mail", "people": ["Ada"]}
    desk = with_lines(
        _opened(cause(), {"rig": "frame-1"}), [line("sent", NOW, **told, why="first")]
    )
    again = message(desk, Due("mail", ("Ada",), "again", (1,)), lab(), Path("x"), NOW, ZONE)
    assert "AGAIN: " in again.subject
    assert "told once before by mail, nobody has acknowledged" in again.text
    later = message(desk, Due("mail", ("Cid",), "escalated", (1,)), lab(), Path("x"), NOW, ZONE)
    assert "NO ANSWER: " in later.subject
    assert "Ada did not answer since Wed 25 Nov 03:10:12 CET" in later.text
    assert later.addresses == ("cid@lab.example",)


def test_the_rest_is_told_in_one_with_the_most_important_first():
    desk = _opened(cause("found:a"), {"rig": "frame-1"})
    seen = Seen(
        (cause("found:a"), cause("silent", "silent")),
        (),
        0,
        over=False,
        stopping=False,
        where={"rig": "frame-1"},
    )
    desk = with_lines(desk, observed(desk, Watch(), seen, lab(rule()), NOW)[0])
    alert = message(desk, Due("mail", ("Ada",), "rest", (1, 2)), lab(), Path("x"), NOW, ZONE)
    assert alert.subject == "frame-1: 2 alerts, first it is silent"
    assert (alert.number, alert.kind, len(alert.plain["alerts"])) == (0, "silent", 2)
    assert "found:a happened" in alert.text


def test_people_without_an_address_have_none():
    nobody = replace(lab(), people=(Person("Ada"),))
    desk = _opened(cause(), {"rig": "frame-1"})
    alert = message(desk, Due("program", ("Ada",), "first", (1,)), nobody, Path("x"), NOW, ZONE)
    assert (alert.people, alert.addresses) == (("Ada",), ())


def test_what_goes_to_the_broker_is_as_the_schema_says():
    lab_of_all = lab(rule("all", *sorted(set(_kinds())), ways=("mqtt",)))
    for view in (views.failure, views.gone, views.warned, states.paused):
        for alert in sent(view, lab_of_all):
            check("alerts", alert_payload(alert, "night-12 2026-11-24T20:10:12.000Z"))


def test_however_much_the_rest_is_a_broker_takes_it():
    long = "ä" * 3000
    each = {"headline": long, "happened": long, "did": long, "todo": (long,) * 9}
    causes_of_a_flood = [cause(f"found:{n:b}.", **each) for n in range(2 * MOST_TOLD)]
    seen = Seen(tuple(causes_of_a_flood), (), 0, over=False, stopping=False, where={"rig": "f"})
    desk = with_lines(Desk(), observed(Desk(), Watch(), seen, lab(rule()), NOW)[0])
    order = Due("mqtt", ("Ada",), "rest", tuple(desk.alerts))
    alert = message(desk, order, lab(), Path("x"), NOW, ZONE)
    assert len(alert_payload(alert, "night-12")) < LARGEST
    assert f"and {MOST_TOLD} more" in alert.text

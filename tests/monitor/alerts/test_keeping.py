"""Alerts from looks to messages: in order, once, whatever a way, a disk or the teller does."""

import asyncio
import contextlib
import errno
import os
from dataclasses import replace
from datetime import timedelta
from itertools import pairwise

import pytest

from rig.clock import VirtualClock
from rig.errors import StorageError
from rig.monitor.alerts import keeping
from rig.monitor.alerts.book import NAME, Read, read_on, write
from rig.monitor.alerts.desk import line
from rig.monitor.alerts.keeping import keep_alerting
from rig.protocol.lab import Afar, AlertRule, Lab, Secret
from tests.monitor import views
from tests.monitor.alerts.nights import lab, rule
from tests.monitor.alerts.scripted import MESSAGES, Shown, Told, looks, seconds
from tests.monitor.night_12 import cycling, with_status

pytestmark = pytest.mark.virtual

SLIPPED = "midspan slipped by 0.21 mm, the load unchanged"
SLIP = (("sensor", SLIPPED),)
SENSOR = with_status(troubles=(SLIPPED,))
PAUSED = with_status(state="paused", cause="finding", why=SLIPPED, troubles=(SLIPPED,))
ENDED = views.failure


async def kept(folder, lab: Lab, ways: dict, *script: Shown, within: float = 600.0, **more) -> bool:
    """Keep alerts by a script for a time [s]; tell whether all was said before that."""
    clock = VirtualClock()
    try:
        async with asyncio.timeout(within):
            await keep_alerting(looks(clock, *script), lab, MESSAGES, folder, ways, clock, **more)
    except TimeoutError:
        return False
    return True


def all_kinds(**changes) -> AlertRule:
    fields = {"people": ("Ada",), "ways": ("program",), **changes}
    return rule("all", "sensor", "pause", "failure", "request", "record", "water", **fields)


async def test_a_failure_is_one_alert_not_five(tmp_path):
    program = Told(VirtualClock())
    stopping = with_status(state="stopping", cause="verdict", why="stiffness is 40 % down")
    verdict = ("verdict", "stiffness is 40 % down")
    came = (
        ("sensor", "the slow channels do not come: no answer"),
        verdict,
        ("state", "stopping, verdict: stiffness is 40 % down"),
        ("limit", "load at 3.1 kN, below 4.6 kN"),
        ("pressure", "off, as the controller says; wait for gauge and load at zero"),
    )
    script = ((0.0, cycling, ()), (20.0, stopping, came), (35.0, ENDED, (("state", "stopped"),)))
    assert await kept(tmp_path, lab(all_kinds()), {"program": program}, *script)
    ((at, alert),) = program.taken
    assert 35 <= at < 38
    assert alert.kind == "failure"
    assert alert.subject == "frame-1: FAILURE at cycle 87,212, P-12"
    assert alert.people == ("Ada",)
    for part in (
        "What happened\n  stiffness 15.108 kN/mm",
        "What the rig did\n  stopped the test; pressure off",
        "What to do now\n  before you go near: gauge and load at zero",
        "Rig       frame-1 (frame 2)",
        "Specimen  P-12, spray",
        "Count     87,212 of 11,000,000 cycles",
        "When      Mon 1 Jan 18:00:3",
        "WET",
        "nightrig watch",
        f'nightrig alerts {tmp_path} --acknowledge 1 --by "YOUR NAME"',
        "An alert is no safety system",
    ):
        assert part in alert.text, part
    book = read_on(tmp_path, Read())
    assert [a.kind for a in book.desk.alerts.values()] == ["failure"]
    assert ("Ada", "program") in book.desk.alerts[1].told


async def test_a_trouble_that_pauses_is_told_once_and_over_once_it_goes_on(tmp_path):
    program = Told(VirtualClock())
    script = (
        (0.0, cycling, ()),
        (10.0, SENSOR, SLIP),
        (11.0, PAUSED, (("state", f"pausing, finding: {SLIPPED}"),)),
        (100.0, cycling, ()),
    )
    assert not await kept(tmp_path, lab(all_kinds()), {"program": program}, *script, within=200.0)
    assert program.purposes == [(1, "first")]
    assert "PAUSED" in program.subjects[0]
    alert = read_on(tmp_path, Read()).desk.alerts[1]
    assert alert.kinds == ("sensor", "pause")
    assert alert.closed_why == "its cause is gone"


async def test_a_teller_that_begins_anew_goes_on_where_the_book_stands(tmp_path):
    program = Told(VirtualClock())
    script = ((0.0, PAUSED, (("sensor", "the slow channels do not come: no answer"),)),)
    ruled = lab(all_kinds(repeat=60.0))
    for _ in range(3):
        assert not await kept(tmp_path, ruled, {"program": program}, *script, within=40.0)
    assert program.purposes == [(1, "first"), (2, "first"), (1, "again"), (2, "again")]
    assert [alert.seq for _, alert in program.taken] == [1, 2, 3, 4]
    assert read_on(tmp_path, Read()).desk.seen == 1
    # What somebody has seen to is not opened again by the event that the journal still has.
    write(tmp_path, [line("acknowledged", VirtualClock().utc(), n=2, by="Ada")])
    await kept(tmp_path, ruled, {"program": program}, *script, within=40.0)
    assert list(read_on(tmp_path, Read()).desk.alerts) == [1, 2]


async def test_what_people_write_into_the_book_counts_at_once(tmp_path):
    program, clock = Told(VirtualClock()), VirtualClock()
    ruled = lab(all_kinds(repeat=60.0))

    async def answer() -> None:
        await clock.sleep(90.0)
        write(tmp_path, [line("acknowledged", clock.utc(), n=1, by="Ada")])

    async with asyncio.TaskGroup() as group:
        group.create_task(answer())
        await kept(tmp_path, ruled, {"program": program}, (0.0, PAUSED, SLIP), within=300.0)
    assert program.purposes == [(1, "first"), (1, "again")]


async def test_a_way_that_hangs_holds_up_no_other(tmp_path):
    clock = VirtualClock()
    mail, program = Told(clock, takes=1e6), Told(clock)
    ruled = lab(all_kinds(ways=("mail", "program")))
    script = ((0.0, PAUSED, SLIP), (60.0, ENDED, ()))
    assert not await kept(
        tmp_path, ruled, {"mail": mail, "program": program}, *script, within=120.0
    )
    assert [alert.kind for _, alert in program.taken] == ["sensor", "failure"]
    assert mail.taken == []


async def test_a_dead_way_is_tried_again_ever_more_seldom_and_told_on_the_others(tmp_path):
    clock, tried = VirtualClock(), []
    program = Told(clock)

    def refuses(_: object) -> bool:
        tried.append(round(clock.now()))
        return clock.now() < 400.0

    mail = Told(clock, refuses=refuses)
    ruled = lab(all_kinds(ways=("mail", "program")))
    script = ((0.0, PAUSED, SLIP),)
    assert not await kept(
        tmp_path, ruled, {"mail": mail, "program": program}, *script, within=500.0
    )
    waits = [after - before for before, after in pairwise(tried)]
    assert waits[:3] == pytest.approx([30, 60, 120], abs=3)
    assert [(a.kind, a.purpose) for _, a in program.taken] == [
        ("sensor", "first"),
        ("message-way", "first"),
        ("message-way", "over"),
    ]
    assert "not told so far: 1. PAUSED" in program.taken[1][1].text
    assert "not now" in program.taken[1][1].text
    assert mail.purposes == [(1, "first")]


async def test_a_way_that_is_not_set_up_is_a_dead_one(tmp_path):
    program = Told(VirtualClock())
    ruled = lab(all_kinds(ways=("mqtt", "program")))
    assert not await kept(tmp_path, ruled, {"program": program}, (0.0, PAUSED, SLIP), within=120.0)
    assert [a.kind for _, a in program.taken] == ["sensor", "message-way"]
    assert "not set up" in program.taken[1][1].text


async def test_a_defect_of_a_way_ends_nothing(tmp_path):
    clock = VirtualClock()
    program = Told(clock)

    async def broken(_: object) -> None:
        raise ZeroDivisionError

    ruled = lab(all_kinds(ways=("mail", "program")))
    await kept(
        tmp_path, ruled, {"mail": broken, "program": program}, (0.0, PAUSED, SLIP), within=60.0
    )
    assert [a.kind for _, a in program.taken] == ["sensor", "message-way"]


async def test_where_the_book_cannot_be_written_people_are_told_all_the_same(tmp_path, monkeypatch):
    clock, full = VirtualClock(), True
    program = Told(clock)

    def on_disk(folder, lines) -> None:
        if full:
            raise StorageError("no room") from OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        write(folder, lines)

    monkeypatch.setattr(keeping, "write", on_disk)
    lost = replace(cycling, room=0.0, now=cycling.now + timedelta(seconds=70))
    assert not await kept(
        tmp_path, lab(all_kinds()), {"program": program}, (0.0, lost, ()), within=90.0
    )
    assert program.purposes == [(1, "first")]
    assert read_on(tmp_path, Read()) == Read()
    full = False
    await kept(tmp_path, lab(all_kinds()), {"program": program}, (0.0, lost, ()), within=30.0)
    assert read_on(tmp_path, Read()).desk.alerts[1].kind == "record"


async def test_a_book_that_is_taken_away_floods_nobody(tmp_path):
    clock = VirtualClock()
    program = Told(clock)

    async def taken_away() -> None:
        await clock.sleep(30.0)
        (tmp_path / NAME).unlink()

    async with asyncio.TaskGroup() as group:
        group.create_task(taken_away())
        ruled = lab(all_kinds(repeat=60.0))
        await kept(tmp_path, ruled, {"program": program}, (0.0, PAUSED, SLIP), within=200.0)
    assert program.purposes == [(1, "first"), (1, "again"), (1, "again"), (1, "again")]


async def test_what_a_way_raises_shows_nothing_in_the_book(tmp_path):
    async def broken(_: object) -> None:
        raise ValueError("the password is hunter")

    ruled = lab(all_kinds())
    await kept(tmp_path, ruled, {"program": broken}, (0.0, PAUSED, SLIP), within=60.0)
    assert "a defect of nightrig: ValueError" in (tmp_path / NAME).read_text()
    assert "hunter" not in (tmp_path / NAME).read_text()


async def test_a_folder_of_any_name_keeps_nobody_from_hearing(tmp_path):
    # "Müller" as an older computer writes it (ISO 8859-1): no UTF-8.
    folder = tmp_path / os.fsdecode(b"M\xfcller")
    folder.mkdir()
    program = Told(VirtualClock())
    torn = replace(cycling, unreadable=f"{folder}: not a database")
    await kept(folder, lab(all_kinds()), {"program": program}, (0.0, torn, ()), within=90.0)
    assert program.purposes == [(1, "first")]
    for text in (program.taken[0][1].text, read_on(folder, Read()).desk.alerts[1].happened):
        assert "M?ller: not a database" in " ".join(text.split())
        text.encode()


async def test_of_a_run_whose_rig_has_another_one_only_what_nobody_heard_is_told(tmp_path):
    clock = VirtualClock()
    program = Told(clock)
    mail = Told(clock, refuses=lambda alert: clock.now() < 200.0)
    ruled = lab(all_kinds(ways=("mail", "program"), repeat=60.0))
    assert await kept(
        tmp_path,
        ruled,
        {"mail": mail, "program": program},
        (0.0, ENDED, ()),
        another=lambda: "night-5" if clock.now() > 100.0 else "",
    )
    assert [a.purpose for at, a in program.taken if at < 100.0 and a.kind == "failure"] == [
        *("first", "again")
    ]
    assert [at for at, _ in program.taken if at > 103.0] == []
    ((_, alert),) = mail.taken
    assert alert.text.startswith("another run, night-5, has the rig now: it may move\n")
    assert alert.subject == "frame-1: ANOTHER RUN HAS IT, WAS: FAILURE at cycle 87,212, P-12"
    assert "gauge and load at zero" not in f"{alert.text} {alert.plain}"
    assert read_on(tmp_path, Read()).desk.open_alerts() == ()


@pytest.mark.parametrize("asked", [(), ("stop",)])
async def test_a_broker_that_is_away_is_told_once_though_nothing_is_due_by_it(tmp_path, asked):
    clock = VirtualClock()
    program = Told(clock)
    ruled = replace(
        lab(all_kinds(ways=("program",)), rule("ways", "message-way", ways=("program",))),
        afar=Afar(Secret(variable="NONE")),
    )

    def away() -> str:
        blip, gone = 20.0 < clock.now() < 60.0, 100.0 < clock.now() < 400.0
        return "broker b.example:1883 cannot be reached: refused" if blip or gone else ""

    messages = replace(MESSAGES, requests=asked)
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(600.0):
            shown = looks(clock, (0.0, cycling, ()))
            await keep_alerting(
                shown, ruled, messages, tmp_path, {"program": program}, clock, away=away
            )
    (begins, first), (ends, over) = program.taken
    assert 160.0 <= begins < 170.0
    assert 455.0 <= ends < 470.0
    assert (first.kind, first.purpose, over.purpose) == ("message-way", "first", "over")
    assert "NO CONNECTION TO THE BROKER" in first.subject
    assert "b.example:1883 cannot be reached" in first.text
    assert ("nobody can pause or stop it from afar" in first.text) is bool(asked)


async def test_requests_from_afar_are_told(tmp_path):
    program = Told(VirtualClock())
    lines = iter([("pause by Cid from afar: acted: it goes to rest",)])

    def afar() -> tuple[str, ...]:
        return next(lines, ())

    script = ((0.0, cycling, ()),)
    ways = {"program": program}
    await kept(tmp_path, lab(all_kinds()), ways, *script, within=20.0, told_from_afar=afar)
    assert program.subjects == ["frame-1: ASKED FROM AFAR: pause by Cid, P-12"]


@pytest.mark.parametrize("silenced", [False, True])
async def test_what_happened_long_before_anybody_was_told_calls_nobody(tmp_path, silenced):
    program = Told(VirtualClock())
    if silenced:  # by somebody, in a run that nobody was told of so far
        until = (VirtualClock().utc() + timedelta(hours=1)).isoformat()
        told = {"kind": "water", "until_utc": until, "by": "Ada", "why": "known"}
        write(tmp_path, [line("silenced", VirtualClock().utc(), **told)])
    old = replace(cycling, status=replace(cycling.status, time=3000.0))
    later = replace(cycling, status=replace(cycling.status, time=6000.0))

    async def behind():
        async for look in looks(VirtualClock(), (0.0, old, (("sensor", "a gauge is damp"),))):
            status = replace(look.view.status, time=later.status.time)
            yield replace(look, view=replace(look.view, status=status))

    with pytest.raises(TimeoutError):
        async with asyncio.timeout(60.0):
            await keep_alerting(
                behind(), lab(all_kinds()), MESSAGES, tmp_path, {"program": program}, VirtualClock()
            )
    assert program.taken == []


async def test_it_waits_for_the_morning_before_it_ends(tmp_path):
    # The calendar of virtual time begins at 18:00 UTC; see rig.clock.
    program = Told(VirtualClock())
    ended = views.ended("operator", "stopped by A. Name", 83_214)
    ruled = rule("night", "operator", people=("Ada",), ways=("program",), quiet=(17 * 60, 1085))
    script = ((0.0, ended, ()),)
    assert await kept(tmp_path, lab(ruled), {"program": program}, *script, within=900.0)
    assert seconds(program.taken) == [300]


async def test_where_no_look_comes_any_more_it_is_silent(tmp_path):
    program = Told(VirtualClock())

    async def stuck():
        async for look in looks(VirtualClock(), (0.0, cycling, ())):
            yield look
            await asyncio.Event().wait()

    ruled = lab(rule("all", "silent", people=("Ada",), ways=("program",)))
    with pytest.raises(TimeoutError):
        async with asyncio.timeout(320.0):
            await keep_alerting(
                stuck(), ruled, MESSAGES, tmp_path, {"program": program}, VirtualClock()
            )
    assert [a.kind for _, a in program.taken] == ["silent"]
    assert 300 < program.taken[0][0] < 310

"""What a run says by MQTT and what becomes of it, at a real broker."""

from __future__ import annotations

import asyncio
import json
import random
from dataclasses import replace
from datetime import timedelta

import pytest

from rig.clock import SystemClock
from rig.monitor.alerts.messages import WayDead
from rig.monitor.mqtt import link, outbox, saying
from rig.monitor.mqtt.messages import run_of
from rig.monitor.mqtt.outbox import Told as Cursor
from rig.protocol.lab import Broker as BrokerFile
from tests.monitor.alerts.post import alert as an_alert
from tests.monitor.mqtt.broker import PROGRAMS, Broker, broker, shown
from tests.monitor.mqtt.schemas import check
from tests.monitor.mqtt.telling_rig import Record, a_teller

__all__ = ["broker"]
pytestmark = pytest.mark.system
BRANCH = "nightrig/v1/lab-1/frame-1"
NOT_OURS = ("/alerts", "/answers")
"""Topics whose payloads others make; tests of theirs hold them against the schema."""


@pytest.fixture(autouse=True)
def quicker(monkeypatch):
    monkeypatch.setattr(link, "FIRST_WAIT", 0.1)
    monkeypatch.setattr(link, "COMES_BACK", 0.5)
    monkeypatch.setattr(outbox, "AGAIN", 0.2)


def last(heard, name):
    return json.loads(heard.of(name)[-1])


def of_both(payloads):
    """Tell whether messages of two runs are among some."""
    return len({json.loads(payload)["run"] for payload in payloads}) == 2


def texts(heard):
    """Return what was heard of events as a receiver keeps them, held against the order."""
    kept = {}
    for payload in heard.of("events"):
        told = check("events", payload)
        kept.setdefault(told["seq"], told["text"])
    assert list(kept) == list(range(1, len(kept) + 1))
    return list(kept.values())


async def test_a_run_is_told_from_its_beginning_to_its_end(broker: Broker, tmp_path):
    broker.publish(f"{BRANCH}/end", b'{"of": "a run before"}', "frame-1", retain=True)
    record = Record(tmp_path / "run")
    record.cycle(20)
    record.happen("one", "two")
    with broker.subscribed("nightrig/#", name="receiver") as heard:
        async with a_teller(record, broker.file()) as told:
            await told.wait(lambda: texts(heard) == ["one", "two"] and heard.of("forecast"))
            assert last(heard, "presence")["online"] is True
            # What the broker kept of the run before is taken away.
            await told.wait(lambda: heard.of("end") and heard.of("end")[-1] == b"")
            await told.wait(lambda: heard.of("status"))
            before = len(heard.of("status"))
            rows = record.cycle(86, troubles=("the oil is warm",)).columns
            record.happen("three")
            await told.wait(lambda: len(heard.of("status")) > before and heard.of("cycles"))
            await told.wait(lambda: last(heard, "status")["cycles"] == 106)
            assert last(heard, "status")["troubles"] == ["the oil is warm"]
            # Of so many at once the newest are summed up: 5 a second.
            second = last(heard, "cycles")
            assert (second["cycle"], 9 <= second["counted"] <= 11) == (106, True)
            assert second["load_max_N"] == max(rows["load_max"][-second["counted"] :])
            await told.telling.alert(an_alert())
            assert await told.telling.answer(b'{"v": 1}')
            await told.wait(lambda: heard.of("alerts"))
            assert last(heard, "alerts")["run"] == told.whose.run
            record.end()
            await told.wait(lambda: told.telling.done)
        with pytest.raises(WayDead, match="broker"):
            await told.telling.alert(an_alert())
        assert not await told.telling.answer(b'{"v": 1}')
        heard.wait(lambda h: last(h, "presence")["cause"] == "ended")
    assert texts(heard) == ["one", "two", "three"]
    assert last(heard, "end")["cycles"] == 90_000
    assert last(heard, "status")["outcome"] == "run-out"
    for topic, payload, _ in heard.told:
        if payload and b"a run before" not in payload and not topic.endswith(NOT_OURS):
            check(topic.rsplit("/", 1)[1], payload)
    with broker.subscribed("nightrig/#") as kept:
        kept.wait(lambda h: len(h.told) >= 3)
    assert {t.rsplit("/", 1)[1] for t, _, was in kept.told if was} == {"presence", "status", "end"}


@pytest.mark.nights
async def test_what_the_access_list_forbids_is_told_and_said_once_it_is_allowed(
    broker: Broker, tmp_path
):
    right = shown("mosquitto acl")
    forbidden = right.replace(f"topic write {BRANCH}/events\n", "")
    assert forbidden != right
    record = Record(tmp_path / "run")
    record.happen("one", "two")
    with broker.subscribed("nightrig/#", name="receiver") as heard:
        broker.write_acl(forbidden)
        broker.read_files_again()
        async with a_teller(record, broker.file()) as told:
            why = (
                f"'events' does not get through: broker localhost:{broker.port} takes it and "
                "passes nothing on; its access list must let user 'frame-1' write and read "
                f"{BRANCH}/events"
            )
            await told.wait(lambda: why in told.lines)
            await told.wait(lambda: heard.of("status"))
            assert not heard.of("events")
            broker.write_acl(right)
            broker.read_files_again()
            again = f"'events' at broker localhost:{broker.port}: well again"
            await told.wait(lambda: texts(heard) == ["one", "two"] and again in told.lines)
            assert told.lines.count(why) == 1
    record.recorder.abandon()


@pytest.mark.nights
async def test_a_refused_password_is_told_once_and_not_tried_in_a_storm(
    broker: Broker, tmp_path, monkeypatch
):
    assert link.REFUSED_WAIT >= 60.0
    monkeypatch.setattr(link, "REFUSED_WAIT", 0.3)
    record = Record(tmp_path / "run")
    wrong = "nobody's password"
    file = replace(broker.file(), password=broker.file(password=wrong).password)
    async with a_teller(record, file) as told:
        await asyncio.sleep(0.8)
        assert len(told.lines) == 1
        assert "refuses the login" in told.lines[0]
        assert wrong not in told.lines[0]
        assert broker.log().count("not authorised") <= 5
    record.recorder.abandon()


async def test_a_broker_that_is_away_is_one_line_whatever_keeps_it_away(monkeypatch):
    monkeypatch.setattr(link, "FIRST_WAIT", 0.01)
    tried = []

    def away(*_: object, **__: object):
        tried.append("")
        raise OSError(f"reason {len(tried)}")

    monkeypatch.setattr(link, "client", away)
    login = link.Login(BrokerFile("127.0.0.1", 1), "a", BRANCH)
    for tells_loss, said in ((True, 1), (False, 0)):
        lines: list[str] = []
        tried.clear()
        one = link.Link(
            login,
            SystemClock(),
            will=lambda: None,
            hear=lambda *_: None,
            tell=lines.append,
            tells_loss=tells_loss,
        )
        keeping = asyncio.ensure_future(one.keep())
        async with asyncio.timeout(10.0):
            while len(tried) < 4:  # noqa: ASYNC110 - it tries by itself
                await asyncio.sleep(0.01)
        keeping.cancel()
        await asyncio.gather(keeping, return_exceptions=True)
        assert len(lines) == said
        assert "cannot be reached: reason " in one.away
        assert one.away not in lines


async def test_a_password_that_is_not_there_is_waited_for(broker: Broker, tmp_path):
    record = Record(tmp_path / "run")
    file = broker.file()
    secret = broker.folder / "password-frame-1"
    right = secret.read_text()
    secret.unlink()
    async with a_teller(record, file) as told:
        await told.wait(lambda: told.lines)
        assert f"{secret}: no such file" in told.lines[0]
        broker.file()
        assert secret.read_text() == right
        await told.wait(lambda: "well again" in told.lines[-1])
    record.recorder.abandon()


# The library beneath leaves a socket whose handshake failed to whoever collects it.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
async def test_a_broker_without_the_right_certificate_is_told_nothing(broker: Broker, tmp_path):
    record = Record(tmp_path / "run")
    other = Broker(tmp_path / "other")
    file = broker.file()
    stranger = replace(file, tls=replace(file.tls, ca=other.file().tls.ca))
    async with a_teller(record, stranger) as told:
        await told.wait(lambda: told.lines)
    assert "certificate is not trusted" in told.lines[0]
    assert "as frame-1" not in broker.log()
    record.recorder.abandon()


@pytest.mark.nights
async def test_the_run_that_took_the_rig_last_has_its_topics(broker: Broker, tmp_path):
    older, newer = Record(tmp_path / "older"), Record(tmp_path / "newer")
    newer.header = replace(newer.header, run_id="night-2")
    newer.recorder.abandon()
    newer = Record(tmp_path / "night-2", newer.header)
    with broker.subscribed("nightrig/#") as heard:
        async with a_teller(older, broker.file(), leaves=False) as first:
            await first.wait(lambda: heard.of("presence"))
            async with a_teller(newer, broker.file(), later=60.0, leaves=False) as second:
                await first.wait(lambda: first.lines)
                run = run_of(newer.header)
                # Both go on, so two rigs have one name: who looks on sees that both speak.
                assert first.lines == [
                    f"run {run!r} speaks under this rig's name as well: give each rig a name of "
                    "its own in its rig file"
                ]
                await first.wait(lambda: of_both(heard.of("status")[-4:]))
                older.alive = False
                await first.wait(lambda: len(first.lines) == 2)
                assert first.lines[1:] == [
                    f"run {run!r} has taken the rig: its topics are that run's now"
                ]
                # What happened in the older one is said all the same.
                older.happen("after")
                await first.wait(lambda: heard.of("events"))
                assert check("events", heard.of("events")[-1])["run"] == run_of(older.header)
                heard.wait(lambda h: last(h, "status")["run"] == run)
                assert not second.lines
        # Both are cut off here: only the newer one has a last will.
        heard.wait(lambda h: last(h, "presence")["cause"] == "lost")
    assert last(heard, "presence")["run"] == run
    after = [json.loads(p)["run"] for p in heard.of("presence")]
    assert after.index(run) > 0
    assert set(after[after.index(run) :]) == {run}
    older.recorder.abandon()
    newer.recorder.abandon()


@pytest.mark.nights
async def test_a_last_will_of_an_older_run_does_not_stand_where_the_newer_one_is(
    broker: Broker, tmp_path
):
    record = Record(tmp_path / "run")
    other = {"v": 1, "run": "another", "online": False, "taken_utc": "2001-01-01T00:00:00.000Z"}
    ahead = other | {"run": "by a wrong clock", "taken_utc": "2099-01-01T00:00:00.000Z"}
    soon = (SystemClock().utc() + timedelta(minutes=20)).isoformat()
    ended = other | {"run": "by a clock that has been set back since", "taken_utc": soon}
    with broker.subscribed("nightrig/#") as heard:
        async with a_teller(record, broker.file()) as told:
            await told.wait(lambda: heard.of("presence"))
            presences = [json.dumps(each) for each in (other, ahead, ended)]
            for wrong in (*presences, "[]", "{", '{"taken_utc": 3}'):
                broker.publish(f"{BRANCH}/presence", wrong.encode(), "frame-1", retain=True)
            await told.wait(lambda: last(heard, "presence").get("online"))
        assert not told.lines
    record.recorder.abandon()


@pytest.mark.nights
async def test_nobody_else_can_make_an_event_count_as_said(tmp_path, system_program):
    for program in PROGRAMS:
        system_program(program)
    own = f"topic write {BRANCH}/events\n"
    acl = shown("mosquitto acl").replace(own, "") + own  # the last user's: shift
    record = Record(tmp_path / "run")
    record.happen("one")
    with Broker(tmp_path / "broker", acl=acl).running() as broker:
        async with a_teller(record, broker.file()) as told:
            run = run_of(record.header)
            for seq in (1, 2, 10):
                forged = {"v": 1, "run": run, "seq": seq, "kind": "note", "text": "forged"}
                broker.publish(f"{BRANCH}/events", json.dumps(forged).encode())
            await told.wait(lambda: told.lines)
            assert "'events' does not get through" in told.lines[0]
        assert not (record.folder / outbox.TOLD).exists()
    record.recorder.abandon()


@pytest.mark.nights
async def test_a_broker_that_freezes_is_noticed_and_told_of_afterwards(
    broker: Broker, tmp_path, monkeypatch
):
    monkeypatch.setattr(link, "TIMEOUT", 0.3)
    monkeypatch.setattr("rig.monitor.mqtt.connecting.TIMEOUT", 0.3)
    monkeypatch.setattr(saying, "STATUS_EVERY", 0.2)
    record = Record(tmp_path / "run")
    with broker.subscribed("nightrig/#", name="receiver") as heard:
        async with a_teller(record, broker.file()) as told:
            await told.wait(lambda: heard.of("status"))
            broker.freeze()
            record.happen("one", "two")
            await told.wait(lambda: told.lines)
            assert "does not answer" in told.lines[0]
            record.happen("three")
            broker.go_on()
            await told.wait(lambda: texts(heard) == ["one", "two", "three"])
            await told.wait(lambda: "well again" in told.lines[-1])
        # It was asked to leave before the end of its run.
        heard.wait(lambda h: last(h, "presence")["cause"] == "left")
    record.recorder.abandon()


@pytest.mark.nights
async def test_whatever_is_on_its_way_as_it_leaves_the_farewell_is_the_last_that_is_kept(
    broker: Broker, tmp_path, monkeypatch
):
    monkeypatch.setattr(saying, "STATUS_EVERY", 0.0)
    monkeypatch.setattr(saying, "FORECAST_EVERY", 0.0)
    record, farewells = Record(tmp_path / "run"), 4
    with broker.subscribed("nightrig/#", name="receiver") as heard:
        for count in range(1, farewells + 1):
            async with a_teller(record, broker.file()) as told:
                record.happen(*(f"event {n}" for n in range(30)))
                await told.wait(lambda: len(heard.of("events")) > 30 * count - 20)  # noqa: B023
            await told.wait(lambda: len(causes(heard)) >= count)  # noqa: B023
        # One that lost its farewell is told as lost once the broker has noticed.
        await asyncio.sleep(0.2)
    assert causes(heard) == ["left"] * farewells
    record.recorder.abandon()


def causes(heard):
    """Return why messages stopped coming, each time that they did."""
    told = [json.loads(payload) for payload in heard.of("presence")]
    return [each["cause"] for each in told if not each["online"]]


@pytest.mark.nights
async def test_many_events_come_in_order_however_often_the_broker_goes(broker: Broker, tmp_path):
    record = Record(tmp_path / "run")
    record.happen(*(f"event {n}" for n in range(150)))
    run = run_of(record.header)
    with broker.subscribed("nightrig/#", name="receiver") as heard:
        async with a_teller(record, broker.file()) as told:
            await told.wait(lambda: len(heard.of("events")) > 20)
            broker.stop()
            record.happen(*(f"event {n}" for n in range(150, 200)))
            broker.start()
            await told.wait(lambda: len(texts(heard)) == 200)
            # Whoever tells next goes on behind the last one.
            await told.wait(lambda: Cursor(record.folder, run, print).seq == 200)
    assert texts(heard) == [f"event {n}" for n in range(200)]
    record.recorder.abandon()


@pytest.mark.endurance
@pytest.mark.timeout(300)
@pytest.mark.parametrize("seed", range(4))
async def test_whatever_becomes_of_broker_and_teller_no_event_is_missing_or_out_of_order(
    broker: Broker, tmp_path, seed, monkeypatch
):
    monkeypatch.setattr(link, "TIMEOUT", 0.5)
    monkeypatch.setattr("rig.monitor.mqtt.connecting.TIMEOUT", 0.5)
    monkeypatch.setattr(link, "LONGEST_WAIT", 0.5)
    chance, record = random.Random(seed), Record(tmp_path / "run")
    count = 0
    with broker.subscribed("nightrig/#", name="receiver") as heard:
        for _ in range(6):
            # Each teller is cut off in the middle of whatever it does.
            async with a_teller(record, broker.file(), leaves=False):
                for _ in range(chance.randint(1, 5)):
                    many = chance.choice([0, 1, 3, 40, 250])
                    record.happen(*(f"event {n}" for n in range(count, count + many)))
                    count += many
                    await asyncio.sleep(chance.uniform(0.0, 0.8))
                    match chance.choice(["stop", "freeze", "freeze", "nothing"]):
                        case "stop":
                            broker.stop()
                            await asyncio.sleep(chance.uniform(0.0, 1.0))
                            broker.start()
                        case "freeze":
                            broker.freeze()
                            await asyncio.sleep(chance.uniform(0.0, 1.5))
                            broker.go_on()
        record.end()
        async with a_teller(record, broker.file()) as last_one:
            await last_one.wait(lambda: last_one.telling.done)
        await last_one.wait(lambda: len(texts(heard)) == count)
    assert texts(heard) == [f"event {n}" for n in range(count)]
    assert len(heard.of("events")) < 2 * count + 100

"""Asking a rig from afar over a real broker: both answers, or why there are none."""

from __future__ import annotations

import asyncio
import json
import sys
from datetime import timedelta

import pytest

from rig.clock import SystemClock
from rig.commands.main import main
from rig.errors import InputError
from rig.monitor.mqtt import asking
from rig.monitor.mqtt.afar import Memory
from rig.monitor.mqtt.asking import Said, Wanted, ask_afar
from rig.monitor.secrets import Hidden
from tests.monitor.mqtt.afar_requests import KEY, RUN
from tests.monitor.mqtt.afar_rig import allowing, broker, presence, rig_at, runtime
from tests.monitor.mqtt.broker import LAB, PASSWORDS, RIG, Broker

__all__ = ["broker", "runtime"]

pytestmark = pytest.mark.system
MEANWHILE: list[str] = []
"""Lines for who waits for an answer."""


def ask_by(broker: Broker, ask: str = "stop", *, key: bytes = KEY, rig: str = RIG, user="shift"):
    """Return the coroutine that asks a rig at a broker."""
    wanted = Wanted(LAB, rig, ask, "A. Name", "noise")
    password, clock = Hidden(PASSWORDS[user]), SystemClock()
    return ask_afar(broker.file(user), password, key, wanted, clock, MEANWHILE.append)


async def test_a_pause_and_a_stop_are_done_and_both_answers_told(broker, runtime, tmp_path):
    async with rig_at(broker, tmp_path) as there:
        for ask in ("pause", "stop"):
            said = await ask_by(broker, ask)
            assert said == Said(RUN, "acted", "so it is", "cycling", recorded=True)
        there.run.disk = "the disk is full"
        said = await ask_by(broker, "pause")
        assert (said.answer, said.recorded, said.trouble) == ("acted", False, "the disk is full")
    assert [(r.verb, r.by, r.afar) for r in there.run.done] == [
        (ask, "by A. Name from afar, noise", True) for ask in ("pause", "stop", "pause")
    ]


async def test_what_the_rig_file_does_not_allow_is_refused_in_words(broker, runtime, tmp_path):
    async with rig_at(broker, tmp_path, allowing("pause")) as there:
        said = await ask_by(broker, "stop")
    assert (said.answer, said.reason) == ("refused", "not-allowed")
    assert said.text.endswith("[messages] requests has no 'stop'")
    assert there.run.done == []


async def test_a_wrong_clock_is_told_to_who_asks(broker, runtime, tmp_path, monkeypatch):
    class Late(SystemClock):
        def utc(self):
            return super().utc() - timedelta(minutes=5)

    async with rig_at(broker, tmp_path) as there:
        wanted = Wanted(LAB, RIG, "stop", "A. Name")
        file, password = broker.file("shift"), Hidden(PASSWORDS["shift"])
        said = await ask_afar(file, password, KEY, wanted, Late(), MEANWHILE.append)
    assert said.reason == "late"
    assert "set the clock that is wrong" in said.text
    assert there.run.done == []


@pytest.mark.nights
async def test_no_answer_but_a_signed_one_is_believed(broker, runtime, tmp_path, monkeypatch):
    monkeypatch.setattr(asking, "ANSWERS_WITHIN", 1.0)
    monkeypatch.setattr(asking, "AGAIN_AFTER", 0.4)
    MEANWHILE.clear()

    def lie(payload: bytes) -> bytes:
        return json.dumps({**json.loads(payload), "answer": "acted", "text": "stopped"}).encode()

    async with rig_at(broker, tmp_path, answers_to=lie) as there:
        said = await ask_by(broker, key=b"another secret than the one of that rig")
    assert said.answer == "no answer"
    assert "an answer came whose signature does not hold: the two secrets differ" in said.text
    assert "it may still have been done: look at the rig with nightrig watch --lab" in said.text
    assert there.requests.refusals.counts["forged"] >= 2
    assert {line.partition(";")[0] for line in MEANWHILE} == {asking.OTHERS}
    assert there.run.done == []


async def test_a_login_that_may_not_ask_hears_it_at_once(broker, runtime, tmp_path):
    begun = len(MEANWHILE)
    async with rig_at(broker, tmp_path) as there:
        with pytest.raises(InputError) as refused:
            await ask_by(broker, user="office")
    assert str(refused.value).startswith("the broker does not let this login ask (not authorized)")
    assert str(refused.value).endswith(f"write nightrig/v1/{LAB}/{RIG}/requests; nothing was asked")
    assert MEANWHILE[begun:] == []
    assert there.run.done == []


async def test_a_rig_that_is_not_there_is_told_at_once(broker, monkeypatch):
    monkeypatch.setattr(asking, "FINDS_WITHIN", 0.3)
    broker.publish(f"nightrig/v1/{LAB}/{RIG}/presence", presence(RUN), RIG, retain=True)
    with pytest.raises(InputError) as refused:
        await ask_by(broker, rig="frame-7")
    assert str(refused.value) == (
        "lab lab-1: nothing is known of a rig 'frame-7'; live now: frame-1; nothing was asked"
    )
    for cause, words in asking.GONE.items():
        gone = presence(RUN, online=False, cause=cause)
        broker.publish(f"nightrig/v1/{LAB}/{RIG}/presence", gone, RIG, retain=True)
        with pytest.raises(InputError) as refused:
            await ask_by(broker)
        assert str(refused.value) == f"frame-1: {words}; nothing was asked"


async def test_a_broker_that_cannot_be_reached_is_one_line(broker):
    broker.stop()
    with pytest.raises(InputError) as refused:
        await ask_by(broker)
    text = str(refused.value)
    assert text.startswith(f"broker localhost:{broker.port}: ")
    assert text.endswith("; nothing was asked")
    assert "\n" not in text
    broker.start()
    wanted = Wanted(LAB, RIG, "stop", "A. Name")
    with pytest.raises(InputError, match="it refuses this client"):
        await ask_afar(broker.file("shift"), Hidden("wrong"), KEY, wanted, SystemClock(), print)


@pytest.mark.nights
async def test_a_rig_that_was_just_started_is_asked_until_it_takes_requests(
    broker, runtime, tmp_path, monkeypatch
):
    monkeypatch.setattr(asking, "AGAIN_AFTER", 0.5)
    MEANWHILE.clear()
    async with rig_at(broker, tmp_path) as there:
        floor = SystemClock().utc() + timedelta(seconds=0.8)
        there.requests._memory = Memory(floor)
        said = await ask_by(broker)
    assert said.answer == "acted"
    assert there.requests.refusals.counts["starting"] == len(MEANWHILE) > 0
    assert "it is asked again for" in MEANWHILE[0]
    assert len(there.run.done) == 1


def lab_file(folder, broker: Broker) -> str:
    secret = folder / "requests"
    secret.write_bytes(KEY + b"\n")
    secret.chmod(0o600)
    path = folder / "lab.toml"
    path.write_text(
        f'name = "{LAB}"\n{broker.table("shift")}\n[requests]\nsecret = {{ file = "requests" }}\n'
    )
    return str(path)


async def command(*words: str) -> tuple[int, str, str]:
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-P", "-m", "rig.commands.main", *words),
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
    )
    out, err = await process.communicate()
    return process.returncode or 0, out.decode(), err.decode()


@pytest.mark.nights
async def test_the_command_tells_both_answers_in_one_line(broker, runtime, tmp_path):
    lab = lab_file(tmp_path, broker)
    async with rig_at(broker, tmp_path) as there:
        code, out, err = await command("stop", "--lab", lab, "--on", RIG, "--by", "A. Name")
        assert (code, out) == (0, "frame-1, night-1: acted: so it is; recorded\n")
        assert err.startswith("This is no emergency stop")
        asked = ("pause", "--lab", lab, "--on", RIG, "--by", "A\n. Name", "--why", "é" * 400)
        code, out, err = await command(*asked, "--json")
        assert code == 0
        assert json.loads(out) == {
            "rig": "frame-1",
            "run": "night-1",
            "answer": "acted",
            "text": "so it is",
            "state": "cycling",
            "reason": "",
            "recorded": True,
            "trouble": "",
        }
        code, out, err = await command("pause", "--lab", lab, "--on", "frame-7")
        assert (code, out) == (2, "")
        assert "nothing is known of a rig 'frame-7'; live now: frame-1" in err
    stop, pause = there.run.done
    assert (stop.verb, stop.who, pause.verb, pause.who) == ("stop", "A. Name", "pause", "A?. Name")
    assert pause.text == "é" * 299 + "…"


USAGE = {
    ("--lab", "lab.toml"): "--lab asks a rig elsewhere; name it with --on, as in --on frame-1",
    ("--on", "frame-1"): "--on names a rig of a lab; give its lab file with --lab too",
    ("night-1", "--lab", "lab.toml", "--on", "frame-1"): "night-1 is a run here, and --lab asks",
    ("--lab", "gone.toml", "--on", "frame-1"): "gone.toml: cannot read",
}


@pytest.mark.parametrize(("words", "told"), USAGE.items())
@pytest.mark.parametrize("ask", ["pause", "stop"])
def test_what_is_unclear_is_refused_in_one_line(ask, words, told, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(SystemExit) as ended:
        main([ask, *words])
    assert ended.value.code == 2
    assert told in capsys.readouterr().err

"""A run that is told of: by a teller of its own, whatever becomes of broker, teller and runner."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys

import numpy as np
import pytest

from rig.samples import Flag
from tests.assembly.nights import a_night, eventually
from tests.assembly.telling_storm import LONG, OFTEN, long_storm, short_storm, side_by_side
from tests.assembly.told import a_teller, a_told_night, come, lab_text, log, once, seqs, tellers
from tests.monitor.mqtt.broker import PROGRAMS, Broker
from tests.monitor.mqtt.schemas import check

pytestmark = [pytest.mark.xdist_group("serial")]


@pytest.fixture
def broker(tmp_path, system_program):
    """A broker that does not run yet."""
    for program in PROGRAMS:
        system_program(program)
    found = Broker(tmp_path / "broker")
    yield found
    found.stop()


@pytest.mark.nights
@pytest.mark.system
def test_broker_and_teller_in_trouble_are_not_felt_and_every_event_comes_in_order(broker, tmp_path):
    both = side_by_side(tmp_path, 230, short_storm, every=OFTEN, pace=3.0)
    for found in (both.told, both.alone):
        print(found.line())
        # Not one sample dropped: the device's frames come without a hole, and none is missing.
        assert found.figures["holes"] == 0, found.line()
        assert not np.any(found.columns["flags"] & int(Flag.GAP | Flag.LONG_GAP))
        counted = found.columns["number"]
        assert counted.tolist() == list(range(1, len(counted) + 1))
    # Nor one cycle late: both tests have the same cycles at the same instants of their rigs.
    told, alone = both.told.columns["time"][:230], both.alone.columns["time"][:230]
    np.testing.assert_allclose(np.diff(told), np.diff(alone), atol=2e-3)
    heard = once(both.heard.of("events"))
    assert seqs(heard) == list(range(1, len(both.told.events) + 1)), both.log
    assert [json.loads(each)["text"] for each in heard] == [e.text for e in both.told.events]
    assert sum(event.kind == "note" for event in both.told.events) >= 10
    assert [event.text for event in both.told.events if event.kind == "messages"] == [
        "whoever tells of the test ended by signal 9; see teller.log in its folder; the test goes "
        "on, started again in 5 s",
        "whoever tells of the test was started again",
    ]
    for topic, payload, _ in both.heard.told:
        if payload:
            check(topic.rsplit("/", 1)[1], payload)
    said = {topic.rsplit("/", 1)[1] for topic, _, _ in both.heard.told}
    assert {"presence", "status", "cycles", "events", "forecast", "end"} <= said
    assert json.loads(both.heard.of("end")[-1])["outcome"] == "run-out"
    assert json.loads(both.heard.of("status")[-1])["outcome"] == "run-out"
    assert both.log.count("tells of run") == 2


def told_of(night) -> list[str]:
    """Return what the record says of the run's tellers."""
    return [e.text for e in night.events() if e.kind == "messages"]


@pytest.mark.nights
@pytest.mark.system
def test_a_run_whose_program_is_killed_is_told_as_gone_and_its_teller_as_lost(broker, tmp_path):
    called = tmp_path / "called"
    with (
        broker.running(),
        broker.subscribed("nightrig/#", name="receiver") as heard,
        a_told_night(tmp_path / "night", broker, more=come("tee", called)) as night,
    ):
        night.start("--detach")
        teller = a_teller(night.out)
        os.kill(night.runner(), signal.SIGKILL)
        night.until_gone()
        heard.wait(lambda h: any(json.loads(p)["gone"] for p in h.of("status")), 30.0)
        gone = json.loads(heard.of("status")[-1])
        assert gone["call"]["headline"] == "COME: ITS PROGRAM IS GONE"
        assert json.loads(heard.of("presence")[-1])["online"] is True
        eventually(lambda: called.exists() and "GONE" in called.read_text(), "a call")
        assert tellers(night.out) == [teller]
        os.kill(teller, signal.SIGKILL)
        heard.wait(lambda h: json.loads(h.of("presence")[-1])["cause"] == "lost")
        events = list(range(1, len(night.events()) + 1))
        assert seqs(once(heard.of("events"))) == events


@pytest.mark.endurance
def test_what_a_run_left_behind_is_closed_and_cautioned_once_another_run_has_its_rig(tmp_path):
    called = tmp_path / "called"
    repeats = f'{come("tee", called)}repeat = "10 min"\n'
    with a_told_night(tmp_path / "night", None, more=repeats) as night:
        night.start("--detach")
        a_teller(night.out)
        os.kill(night.runner(), signal.SIGKILL)
        night.until_gone()
        eventually(lambda: called.exists() and "GONE" in called.read_text(), "a call")
        other = night.folder / "night-2"
        try:
            begun = night.finished(night.order("--detach", out=other))
            assert begun.returncode == 0, begun.stderr
            book = night.out / "alerts.jsonl"
            why = '"why": "another run, night-2, has the rig"'
            eventually(lambda: why in book.read_text(), "the alert's end")
            eventually(lambda: not tellers(night.out), "the older teller's end")
            for command in (["alerts"], ["watch", "--once"], ["handover"]):
                said = " ".join(night.nightrig(*command, "night-1").stdout.split())
                assert "another run, night-2, has the rig now: it may move" in said, command
                assert "gauge and load at zero" not in said
        finally:
            for pid in tellers(other):
                os.kill(pid, signal.SIGKILL)
    assert "another run" not in called.read_text()  # who knows is not told again


@pytest.mark.endurance
@pytest.mark.system
def test_a_run_that_is_taken_up_again_has_a_teller_of_its_own(broker, tmp_path):
    with (
        broker.running(),
        broker.subscribed("nightrig/#", name="receiver") as heard,
        a_told_night(tmp_path / "night", broker, run_out=60) as night,
    ):
        night.start("--detach")
        first = a_teller(night.out)
        night.until_state("cycling")
        os.kill(night.runner(), signal.SIGKILL)
        night.until_gone()
        heard.wait(lambda h: any(json.loads(p)["gone"] for p in h.of("status")))
        assert tellers(night.out) == [first]
        back = night.nightrig("resume", str(night.out))
        assert back.returncode == 0, back.stderr
        eventually(lambda: not tellers(night.out), f"the tellers' end: {log(night.out)}")
        heard.wait(lambda h: any(b'"ended"' in p for p in h.of("presence")))
        numbers = list(range(1, len(night.events()) + 1))
        assert seqs(once(heard.of("events"))) == numbers
        assert "another runner carries the run out now" in log(night.out)
        assert len({json.loads(p)["run"] for p in heard.of("events")}) == 1
        assert json.loads(heard.of("end")[-1])["outcome"] == "run-out"


@pytest.mark.endurance
@pytest.mark.system
def test_a_record_that_is_closed_without_a_runner_is_told_by_the_teller_that_stayed(
    broker, tmp_path
):
    with (
        broker.running(),
        broker.subscribed("nightrig/#", name="receiver") as heard,
        a_told_night(tmp_path / "night", broker, run_out=4000) as night,
    ):
        night.start("--detach")
        a_teller(night.out)
        night.until_state("approach")
        os.kill(night.runner(), signal.SIGKILL)
        night.until_gone()
        heard.wait(lambda h: any(json.loads(p)["gone"] for p in h.of("status")))
        night.nightrig("resume", str(night.out), "--end", "not worth going on")
        heard.wait(lambda h: any(b'"ended"' in p for p in h.of("presence")))
        assert json.loads(heard.of("end")[-1])["outcome"] == "operator"
        assert seqs(once(heard.of("events"))) == list(range(1, len(night.events()) + 1))
        eventually(lambda: not tellers(night.out), "the teller's end")


@pytest.mark.endurance
@pytest.mark.system
@pytest.mark.timeout(300)
def test_a_longer_storm_in_real_time_costs_neither_samples_nor_events(tmp_path, system_program):
    for program in PROGRAMS:
        system_program(program)
    both = side_by_side(tmp_path, 700, long_storm, every=LONG, pace=1.0)
    assert [found.figures["holes"] for found in (both.told, both.alone)] == [0, 0]
    heard = once(both.heard.of("events"))
    assert seqs(heard) == list(range(1, len(both.told.events) + 1)), both.log


@pytest.mark.nights
@pytest.mark.parametrize("trouble", ["no lab file", "a bad lab file", "no secret"])
def test_a_run_of_which_nobody_could_be_told_is_refused_before_anything_moves(tmp_path, trouble):
    with a_night(tmp_path) as night:
        rig = night.folder / "rig.toml"
        rig.write_text(rig.read_text() + '\n[messages]\nlab = "lab.toml"\nname = "frame-1"\n')
        text = lab_text(None, '[broker]\nhost = "localhost"\nport = 1883\nuser = "a"\n')
        secret = 'password = { file = "none" }\n' if trouble == "no secret" else "password = 3\n"
        if trouble != "no lab file":
            (night.folder / "lab.toml").write_text(text + secret)
        done = night.finished(night.order("--detach"))
        assert done.returncode == 2, done.stderr
        assert "lab.toml" in done.stderr or "none" in done.stderr
        assert "Traceback" not in done.stderr
        assert not night.out.exists()


def test_a_run_without_messages_loads_nothing_of_them():
    code = (
        "import sys, rig.assembly.runner, rig.commands.main, rig.commands.run\n"
        "sys.exit(sum(name in sys.modules for name in "
        "('aiomqtt', 'paho', 'smtplib', 'rig.monitor.mqtt', 'rig.protocol.lab_file')))"
    )
    done = subprocess.run([sys.executable, "-P", "-c", code], timeout=30, check=False)
    assert done.returncode == 0

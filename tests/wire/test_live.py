"""The same test through real ports: what comes out, what is counted, what a kill leaves."""

from __future__ import annotations

import contextlib
import json
import os
import re
import signal
import subprocess
import time
from pathlib import Path

import h5py
import pytest

from rig.record.history import read_journal
from tests.assembly.nights import eventually
from tests.wire.live import WireNight, a_wire_night

pytestmark = [pytest.mark.nights, pytest.mark.xdist_group("wire"), pytest.mark.timeout(240)]

UNDER_WAY = 0.03
"""The longest question at 19200 baud, the silence behind it, a late wake-up of a process [s]."""
WATCHDOG = 0.5
"""The emulated controller's watchdog, and that of the water station [s]."""
LATE = 0.01
"""By how much the emulation, a process among others, may wake up late [s]."""


def lines_told(night: WireNight) -> list[str]:
    return [e.text for e in night.events() if e.kind == "line"]


def test_a_test_through_four_ports_ends_as_it_does_in_the_process(tmp_path: Path) -> None:
    with a_wire_night(tmp_path, run_out=120) as night:
        rehearsed = night.nightrig(
            *("rehearse", "protocol.toml", "--rig", "simulated.toml", "--out", "rehearsed"),
            *("--seed", "1", "--json"),
        )
        run = night.carried_out("run", "protocol.toml", "--rig", "rig.toml", "--out", "n", "--json")
        inside, outside = json.loads(rehearsed.stdout), json.loads(run.stdout)
        assert (run.returncode, outside["outcome"], outside["cycles"]) == (0, "run-out", 120)
        assert (rehearsed.returncode, inside["outcome"], inside["cycles"]) == (0, "run-out", 120)
        with h5py.File(tmp_path / "n" / "run.h5") as file:
            numbers = file["cycles/number"][:]
            told = [text.decode() for _, _, kind, text in file["events"][:] if kind == b"line"]
        assert list(numbers) == list(range(1, len(numbers) + 1))
        assert {text.split(" ")[0] for text in told} >= {"servo", "samples", "bus", "thermometer"}
        last = [text for text in told if text.startswith("samples")][-1]
        assert re.search(r"[\d,]+ good, 0 bad, 0 dropped", last), last
        assert "skew" in last
        assert night.end_emulation() == 0


def kill_while_cycling(night: WireNight) -> None:
    """Kill the runner while it cycles with the water on; hold the rig to its watchdogs.

    A watchdog counts from the last question that its device heard. On the bus one may be under way
    when the runner is killed: the rest of it is with the line already, and is heard after the kill.
    """
    night.start()
    night.until_state("cycling")
    eventually(lambda: _now(night, "pump") == "on", "the pump")
    time.sleep(0.3)
    killed = time.monotonic()
    os.kill(night.runner(), signal.SIGKILL)
    eventually(lambda: _now(night, "pump") == "off", "the pump's end")
    eventually(lambda: _now(night, "stopped_by") == "watchdog", "the actuator's own stop")
    at = {
        what: next(
            t["clock_s"]
            for t in night.truth()
            if t["what"] == what and t["value"] == value and t["clock_s"] > killed - WATCHDOG
        )
        for what, value in (("pump", "off"), ("stopped_by", "watchdog"))
    }
    heard = float(_now(night, "last request to emulated water station"))
    after = {what: round(1e3 * (at[what] - killed), 1) for what in at}
    after["last request"] = round(1e3 * (heard - killed), 1)
    print(f"ms after the kill: {after}")
    assert at["stopped_by"] <= killed + WATCHDOG + LATE, after
    assert heard <= killed + UNDER_WAY, after
    assert at["pump"] <= heard + WATCHDOG + LATE, after
    eventually(lambda: _now(night, "moving") == "no", "standing still")
    assert night.truth()[-1]["load_N"] < 1000.0
    night.until_gone()


def _now(night: WireNight, what: str) -> str:
    return next((t["value"] for t in reversed(night.truth()) if t["what"] == what), "")


def kill_and_look(folder: Path) -> None:
    with a_wire_night(folder, run_out=2000) as night:
        kill_while_cycling(night)
        found = found_by_another(night)
        assert any("watchdog had stopped it" in text for text in found), found


@pytest.mark.endurance
def test_a_killed_runner_leaves_a_rig_that_stops_and_the_next_start_says_so(tmp_path: Path) -> None:
    kill_and_look(tmp_path)


@pytest.mark.endurance
@pytest.mark.parametrize("number", range(20))
def test_each_of_twenty_kills_leaves_a_rig_that_stops(tmp_path: Path, number: int) -> None:
    del number
    kill_and_look(tmp_path)


@pytest.mark.endurance
def test_a_killed_test_goes_on_through_its_ports(tmp_path: Path) -> None:
    with a_wire_night(tmp_path, run_out=150) as night:
        kill_while_cycling(night)
        resumed = night.carried_out("resume", str(night.out), "--json")
        end = json.loads(resumed.stdout)
        assert (resumed.returncode, end["outcome"], end["cycles"]) == (0, "run-out", 150)
        assert "watchdog" in resumed.stderr, resumed.stderr


def found_by_another(night: WireNight) -> list[str]:
    """Start another test on the rig, stop it again, and return what it found."""
    out = night.folder / "other"
    with (night.folder / "other.log").open("wb") as log:
        other = subprocess.Popen(
            night.order(out=out), cwd=night.folder, env=night.env, stdout=log, stderr=log
        )
    try:
        eventually(lambda: "starting," in " ".join(_texts(out, "state")), "the other test")
        assert night.nightrig("stop", str(out), "--why", "enough was seen").returncode == 0
        other.wait(60)
    finally:
        other.kill()
        other.wait()
    return _texts(out, "found")


def _texts(out: Path, kind: str) -> list[str]:
    with contextlib.suppress(Exception), read_journal(out) as journal:
        return [event.text for event in journal.events() if event.kind == kind]
    return []

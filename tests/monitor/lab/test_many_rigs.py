"""Twenty rigs at one real broker: killed, frozen, ended, taken up again, and each told rightly."""

import asyncio
import contextlib
import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest

from rig.assembly.rehearsal import rehearse
from rig.commands.files import load
from rig.monitor.lab import need
from rig.monitor.lab.need import Judged, Need, judged
from rig.monitor.lab.screen import lab_text
from rig.monitor.mqtt.listening import Listener
from rig.monitor.secrets import read_secret
from tests.assembly.nights import ROOT, a_night
from tests.commands.cut_off import files, stop_one_by_fault
from tests.monitor.lab.teller import Told, as_argument, tell
from tests.monitor.mqtt.broker import LAB, PASSWORDS, PROGRAMS, Broker

pytestmark = [pytest.mark.nights, pytest.mark.system, pytest.mark.xdist_group("serial")]

ACL = f"""\
user frame-1
topic readwrite nightrig/v1/{LAB}/#

user office
topic read nightrig/v1/{LAB}/#
"""
SOON = 3.0
"""Seconds after which a rig is silent in this file: these rigs tell all twice a second."""
PATIENCE = 20.0


@pytest.fixture
def broker(tmp_path: Path, system_program: Callable[[str], str]) -> Iterator[Broker]:
    for program in PROGRAMS:
        system_program(program)
    with Broker(tmp_path / "broker", tls=False, acl=ACL).running() as running:
        yield running


@pytest.fixture
def journals(tmp_path: Path) -> Iterator[dict[str, Path]]:
    """Real journals: of a run that cycles, of one that ran out, of one that a fault ended."""
    made = {"fault": stop_one_by_fault(tmp_path / "stopped"), "run-out": tmp_path / "ran-out"}
    plan = load(*files(tmp_path / "files", 50))
    assert rehearse(plan, made["run-out"], 1).outcome == "run-out"
    folder = tmp_path / "night"
    folder.mkdir()
    with a_night(folder, run_out=100_000) as night:
        assert night.finished(night.order("--detach")).returncode == 0
        night.until_state("cycling")
        yield made | {"cycling": night.out}


@dataclass
class Fleet:
    """Twenty rigs, each with a client of its own; two of them are processes of their own."""

    port: int
    journals: dict[str, Path]
    over: set[str] = field(default_factory=set)
    processes: dict[str, subprocess.Popen[bytes]] = field(default_factory=dict)

    def rig(self, number: int, journal: str = "cycling", **more: object) -> Told:
        made = Told(self.port, f"frame-{number}", str(self.journals[journal]), f"P-{number:02}")
        return replace(made, password=PASSWORDS["frame-1"], **more)

    def start(self, told: Told) -> None:
        """Start a rig as a process of its own."""
        command = [sys.executable, "-m", "tests.monitor.lab.teller", as_argument(told)]
        self.processes[told.name] = subprocess.Popen(command, cwd=ROOT)

    def signal(self, number: int, what: int) -> None:
        self.processes[f"frame-{number}"].send_signal(what)

    def clear_away(self) -> None:
        for process in self.processes.values():
            with contextlib.suppress(ProcessLookupError):
                process.send_signal(signal.SIGCONT)
            process.kill()
            process.wait()

    async def tell(self, told: Told, leaves: str = "ended") -> None:
        await tell(told, lambda: told.name in self.over, leaves)


async def seen(listener: Listener, until: Callable[[dict[str, Judged]], bool]) -> dict[str, Judged]:
    """Return what the lab needs once something holds of it."""
    found: dict[str, Judged] = {}
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(PATIENCE):
            while not (found and until(found)):
                await asyncio.sleep(0.1)
                found = {one.rig.name: one for one in judged(listener.look())}
    assert until(found), {name: (one.need.name, one.why) for name, one in found.items()}
    return found


async def screen_with(listener: Listener, words: str) -> str:
    """Return the screen once some words stand on it."""
    text = ""
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(PATIENCE):
            while words not in text:
                await asyncio.sleep(0.1)
                text = lab_text(listener.look(), 80, 24, ascii_only=False)
    assert words in text, text
    return text


def lab_file(broker: Broker, folder: Path) -> Path:
    path = folder / "lab.toml"
    path.write_text(f'name = "{LAB}"\n{broker.table("office")}', encoding="utf-8")
    return path


async def once_as_json(path: Path) -> dict:
    """Return what the command itself prints of the lab."""
    child = await asyncio.create_subprocess_exec(
        *(sys.executable, "-P", "-m", "rig.commands.main", "watch", "--lab", str(path), "--json"),
        stdout=asyncio.subprocess.PIPE,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
    )
    said, _ = await child.communicate()
    assert child.returncode == 0
    return json.loads(said)


@pytest.mark.timeout(180)
async def test_twenty_rigs_on_one_broker_are_each_told_rightly(
    broker, journals, tmp_path, monkeypatch
):
    monkeypatch.setattr(need, "SILENT", SOON)
    fleet = Fleet(broker.port, journals)
    reader = broker.file("office")
    assert reader.password is not None
    try:
        with Listener(LAB, reader, read_secret(reader.password)) as listener:
            fleet.start(fleet.rig(19))
            fleet.start(fleet.rig(20))
            async with asyncio.TaskGroup() as group:
                for number in range(1, 15):
                    group.create_task(fleet.tell(fleet.rig(number, events=number == 1)))
                group.create_task(fleet.tell(fleet.rig(15, gone=True)))
                group.create_task(fleet.tell(fleet.rig(16, "fault")))
                ended = group.create_task(fleet.tell(fleet.rig(17, "run-out")))
                left = group.create_task(fleet.tell(fleet.rig(18), "left"))
                await _each_is_told(listener, fleet)
                await left
                # An ended rig begins a new test: its retained end tells nothing of that one.
                fleet.over.add("frame-17")
                await ended
                fleet.over.remove("frame-17")
                group.create_task(fleet.tell(replace(fleet.rig(17), specimen="P-99")))
                again = await seen(listener, lambda found: found["frame-17"].need is Need.WELL)
                assert specimen(again, 17) == "P-99"
                told = await once_as_json(lab_file(broker, tmp_path))
                fleet.over |= {f"frame-{number}" for number in range(1, 21)}
    finally:
        fleet.clear_away()
    needs = {rig["rig"]: rig["need"] for rig in told["rigs"]}
    assert told["counts"] == {"come": 1, "look": 1, "silent": 2, "well": 16, "ended": 0}
    assert {n for n, what in needs.items() if what == "silent"} == {"frame-18", "frame-19"}
    assert (needs["frame-15"], needs["frame-16"]) == ("come", "look")
    assert told["not_understood"] == 0


async def _each_is_told(listener: Listener, fleet: Fleet) -> None:
    """Kill, freeze and take away rigs, and look each time at what is told of each."""
    came = await seen(listener, lambda found: len(found) == 20 and calm(found) >= 18)
    assert came["frame-15"].need is Need.COME  # its program is gone
    assert came["frame-16"].need is Need.LOOK  # a fault ended it
    assert (came["frame-17"].need, came["frame-17"].outcome) == (Need.ENDED, "run-out")
    assert specimen(came, 7) == "P-07"
    assert any(news.rig == "frame-1" for news in listener.look().news)
    # Killed: the broker says so at once. Frozen: nobody says so, it only falls silent.
    fleet.signal(19, signal.SIGKILL)
    fleet.signal(20, signal.SIGSTOP)
    fleet.over.add("frame-18")
    gone = {"frame-18", "frame-19"}
    quiet = await seen(listener, lambda found: silent(found) == gone | {"frame-20"})
    assert "the broker has lost it" in quiet["frame-19"].why[0]
    assert "left without an end" in quiet["frame-18"].why[0]
    assert quiet["frame-20"].rig.presence.online
    told = "COME: 1 calls, 1 to look at, 3 silent, 14 run well, 1 ended of 20 rigs"
    text = await screen_with(listener, told)
    for name in ("frame-15", "frame-16", "frame-18", "frame-19", "frame-20"):
        assert any(line.split()[1:2] == [name] for line in text.splitlines()), text
    fleet.signal(20, signal.SIGCONT)
    await seen(listener, lambda found: silent(found) == gone)


def specimen(found: dict[str, Judged], number: int) -> str:
    status = found[f"frame-{number}"].rig.status
    assert status is not None
    return status.specimen_id


def calm(found: dict[str, Judged]) -> int:
    return sum(not one.needs_somebody for one in found.values())


def silent(found: dict[str, Judged]) -> set[str]:
    return {name for name, one in found.items() if one.need is Need.SILENT}

"""What a runner does so that its run is told of: what is kept, and a teller that dies."""

from __future__ import annotations

import asyncio
import json
import os
from datetime import UTC, datetime
from pathlib import Path

import pytest

from rig.assembly import telling
from rig.assembly.teller_place import HANDS_OVER, place_of
from rig.assembly.telling import KEPT, Teller, keep_messages, kept_messages, messages_of
from rig.clock import SystemClock, VirtualClock
from rig.commands.files import load
from rig.errors import InputError
from rig.protocol.lab import Messages, Secret

TAKEN = datetime(2026, 1, 31, 2, 3, 4, tzinfo=UTC)
SHIPPED = Path(__file__).resolve().parents[2] / "protocols"
MESSAGES = Messages("/labs/x.toml", "frame-1", ("stop",), "frame-1", Secret(variable="ITS_OWN"))


@pytest.mark.parametrize("messages", [MESSAGES, Messages("/labs/x.toml", "frame-2")])
def test_how_a_run_is_told_of_is_kept_and_read_back(tmp_path, messages):
    keep_messages(messages, tmp_path)
    assert kept_messages(tmp_path) == messages


@pytest.mark.parametrize("text", [None, "", "[]", "{}", '{"lab": 3}', '{"password": 1}'])
def test_what_is_kept_of_it_and_cannot_be_read_is_told_in_one_line(tmp_path, text):
    if text is not None:
        (tmp_path / KEPT).write_text(text)
    with pytest.raises(InputError, match=r"name its rig file with --rig") as raised:
        kept_messages(tmp_path)
    assert "\n" not in str(raised.value)


def plan_with(folder: Path, lab: str):
    rig = (SHIPPED / "rigs" / "simulated.toml").read_text()
    (folder / "rigs").mkdir()
    (folder / "labs").mkdir()
    (folder / "labs" / "x.toml").write_text(lab)
    table = '\n[messages]\nlab = "../labs/x.toml"\nname = "frame-1"\n'
    (folder / "rigs" / "rig.toml").write_text(rig + table)
    return load(str(SHIPPED / "first-night.toml"), "rigs/rig.toml")


LAB = 'name = "lab-1"\n[broker]\nhost = "localhost"\nport = 1883\nuser = "a"\n'


def test_paths_hold_wherever_the_run_goes_on(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    plan = plan_with(tmp_path, LAB + 'password = { variable = "A_SECRET" }\n')
    monkeypatch.setenv("A_SECRET", "invented")
    messages = messages_of(plan, None)
    assert messages is not None
    assert messages.lab == str(tmp_path / "labs" / "x.toml")
    # The record does not know where its rig file lay; the folder does.
    keep_messages(messages, tmp_path)
    monkeypatch.chdir("/")
    assert messages_of(plan, tmp_path) == messages
    assert "invented" not in (tmp_path / KEPT).read_text()


def test_a_run_that_tells_nobody_needs_nothing(tmp_path):
    plan = load(str(SHIPPED / "first-night.toml"), None)
    assert messages_of(plan, None) is None
    assert messages_of(plan, tmp_path) is None


def test_a_secret_that_is_not_there_is_told_before_anything_is_started(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    plan = plan_with(tmp_path, LAB + 'password = { variable = "A_SECRET" }\n')
    monkeypatch.delenv("A_SECRET", raising=False)
    with pytest.raises(InputError, match=r"the variable A_SECRET, .* nothing was started"):
        messages_of(plan, None)
    (tmp_path / "labs" / "x.toml").unlink()
    with pytest.raises(InputError, match=r"x\.toml"):
        messages_of(plan, None)


def program(folder: Path, text: str) -> str:
    path = folder / "program"
    path.write_text(f"#!/bin/sh\n{text}\n")
    path.chmod(0o755)
    return str(path)


class Waits:
    """A clock that lets a teller end before time goes on."""

    def __init__(self) -> None:
        self.time = 0.0
        self.teller: Teller | None = None

    def now(self) -> float:
        return self.time

    async def sleep(self, seconds: float) -> None:
        if self.teller is not None and self.teller._process is not None:
            self.teller._process.wait()
        self.time += seconds


async def test_a_teller_that_dies_is_started_again_so_many_times_each_one_later(
    tmp_path, monkeypatch
):
    monkeypatch.setattr(telling, "MOST", 4)
    monkeypatch.setattr(
        "sys.executable", program(tmp_path, f'echo "$@" >> {tmp_path}/calls\nexit 3')
    )
    clock, events = Waits(), []
    clock.teller = teller = Teller(tmp_path / "run", TAKEN, clock)
    await teller.look_after(lambda text: events.append((clock.now(), text)))
    died = [text for _, text in events if "started again in" in text]
    assert [text.rpartition(" in ")[2] for text in died] == ["5 s", "10 s", "20 s", "40 s"]
    assert [text for _, text in events if "was started again" in text] == [
        "whoever tells of the test was started again"
    ] * 4
    assert events[-1][1] == (
        "whoever tells of the test ended with 3; see teller.log in its folder; it is not started "
        "again"
    )
    last = await asyncio.to_thread((tmp_path / "calls").read_text)
    assert last.splitlines()[0].split()[:3] == ["-P", "-m", "rig.assembly.teller"]
    assert last.splitlines()[0].split()[3:] == [
        str(tmp_path / "run"),
        str(os.getpid()),
        TAKEN.isoformat(),
    ]


async def test_of_a_lab_file_that_was_damaged_meanwhile_the_run_tells_once_a_teller_needs_it(
    tmp_path, monkeypatch
):
    monkeypatch.setattr("sys.executable", program(tmp_path, "exit 2"))
    keep_messages(Messages(str(tmp_path / "lab.toml"), "frame-1"), tmp_path)
    (tmp_path / "lab.toml").write_text("name = ")
    teller, events, came = Teller(tmp_path, TAKEN, SystemClock()), list[str](), asyncio.Event()
    monkeypatch.setattr(telling, "FIRST_WAIT", 0.01)
    monkeypatch.setattr(telling, "LOOKS_EVERY", 0.02)

    def event(text: str) -> None:
        if text.startswith("nobody is told of the test"):
            events.append(text)
            came.set()

    looking = asyncio.ensure_future(teller.look_after(event))
    async with asyncio.timeout(10.0):
        await came.wait()
    looking.cancel()
    await asyncio.gather(looking, return_exceptions=True)
    assert f"until this is mended, looked at each minute: {tmp_path / 'lab.toml'}" in events[0]
    assert "\n" not in events[0]


@pytest.mark.virtual
async def test_a_teller_that_cannot_be_started_costs_events_and_nothing_else(tmp_path, monkeypatch):
    monkeypatch.setattr(telling, "MOST", 2)
    monkeypatch.setattr("sys.executable", str(tmp_path / "none"))
    events: list[str] = []
    await Teller(tmp_path, TAKEN, VirtualClock()).look_after(events.append)
    assert events[0].startswith("nobody can be told of the test: No such file or directory")
    assert len(events) == 3


async def test_one_that_has_died_is_started_once_more_at_the_end(tmp_path, monkeypatch):
    calls = tmp_path / "calls"
    monkeypatch.setattr("sys.executable", program(tmp_path, f"echo called >> {calls}"))
    teller = Teller(tmp_path, TAKEN, SystemClock())
    teller.last_look()
    assert not calls.exists()
    looking = asyncio.ensure_future(teller.look_after(print))
    await asyncio.sleep(0)
    looking.cancel()
    await asyncio.gather(looking, return_exceptions=True)
    teller._process.wait()
    teller.last_look()
    teller._process.wait()
    assert calls.read_text() == "called\ncalled\n"


async def test_one_that_could_not_be_started_is_tried_once_more_at_the_end(tmp_path, monkeypatch):
    monkeypatch.setattr("sys.executable", str(tmp_path / "none"))
    teller, events = Teller(tmp_path, TAKEN, SystemClock()), list[str]()
    looking = asyncio.ensure_future(teller.look_after(events.append))
    await asyncio.sleep(0)
    looking.cancel()
    await asyncio.gather(looking, return_exceptions=True)
    assert len(events) == 1
    calls = tmp_path / "calls"
    monkeypatch.setattr("sys.executable", program(tmp_path, f"echo called >> {calls}"))
    teller.last_look()
    teller._process.wait()
    assert calls.read_text() == "called\n"


async def test_those_that_lived_long_do_not_count_as_started_again(tmp_path, monkeypatch):
    monkeypatch.setattr(telling, "MOST", 2)
    monkeypatch.setattr("sys.executable", program(tmp_path, "exit 0"))
    monkeypatch.setattr(telling, "STABLE", 1.0)
    clock, waits = Waits(), list[str]()
    clock.teller = teller = Teller(tmp_path / "run", TAKEN, clock)

    def event(text: str) -> None:
        waits.extend([text.rpartition(" in ")[2]] if "started again in" in text else [])
        if len(waits) == 5:
            raise asyncio.CancelledError

    with pytest.raises(asyncio.CancelledError):
        await teller.look_after(event)
    assert waits == ["5 s"] * 5


def test_nothing_in_the_folder_of_a_run_names_a_secret(tmp_path):
    keep_messages(MESSAGES, tmp_path)
    assert json.loads((tmp_path / KEPT).read_text())["password"] == {
        "file": "",
        "variable": "ITS_OWN",
    }


async def test_the_teller_of_a_newer_runner_has_the_place_once_the_older_one_leaves(tmp_path):
    clock, lines = SystemClock(), []
    async with place_of(tmp_path, 1, clock, lines.append) as older:
        assert not older.wanted

        async def newer() -> bool:
            async with place_of(tmp_path, 2, clock, lines.append) as place:
                return place.wanted

        waiting = asyncio.ensure_future(newer())
        for _ in range(1000):
            if older.wanted:
                break
            await asyncio.sleep(0.005)
        assert older.wanted
        assert not waiting.done()
    assert await waiting is False
    assert not lines


@pytest.mark.virtual
async def test_a_teller_that_hangs_keeps_the_place_from_nobody_for_long(tmp_path):
    clock, lines = VirtualClock(), []
    async with (
        place_of(tmp_path, 1, clock, lines.append),
        place_of(tmp_path, 2, clock, lines.append) as newer,
    ):
        assert len(lines) == 1
        assert not newer.wanted
        assert clock.now() > HANDS_OVER


async def test_a_disk_that_refuses_keeps_no_teller_from_telling(tmp_path):
    async with place_of(tmp_path / "none", 1, SystemClock(), print) as place:
        assert not place.wanted

"""A teller whose parts break off, hang or have nothing left to do, on a record made here."""

from __future__ import annotations

import asyncio
import json
import shutil
import signal
import subprocess
import sys
from contextlib import asynccontextmanager
from datetime import UTC, datetime

import pytest

from rig.assembly import teller
from rig.assembly.teller_log import LOG, log_of
from rig.assembly.teller_place import Place
from rig.assembly.telling import keep_messages, kept_messages, lab_problem
from rig.clock import SystemClock
from rig.protocol.lab import Messages
from rig.record import Recorder
from tests.assembly.told import come, lab_text
from tests.monitor.night_12 import CYCLING
from tests.record.runs import header


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """The folder of a run that has ended, and is told of by a program alone."""
    # The real one would end this process.
    monkeypatch.setattr(teller.signal, "alarm", lambda _: None)
    monkeypatch.setattr(teller, "AGAIN", 0.01)
    monkeypatch.setattr(teller, "LOOKS_EVERY", 0.02)
    (tmp_path / "lab.toml").write_text(lab_text(None, come("true")))
    recorder = Recorder.create(tmp_path / "run", header())
    recorder.event(0.0, 0, "note", "one")
    recorder.finish("run-out", "no failure in 9 cycles", 9, 1.0)
    keep_messages(Messages(str(tmp_path / "lab.toml"), "frame-1"), tmp_path / "run")
    return tmp_path / "run"


@asynccontextmanager
async def telling(folder, caplog):
    """Let a teller tell; give its task, and what asks it to end."""
    caplog.set_level("INFO", LOG.name)
    clock, ended = SystemClock(), asyncio.Event()
    place = Place(folder, 1)
    order = teller.Order(folder, 1, datetime(2026, 1, 31, tzinfo=UTC))
    messages = kept_messages(folder)

    async def tell():
        if lab := await teller._lab(messages, clock, place, ended):
            await teller._Teller(order, clock, place, messages, lab).tell(ended)

    task = asyncio.ensure_future(tell())
    try:
        async with asyncio.timeout(20.0):
            yield task, ended
            await task
    finally:
        place.close()
        task.cancel()


async def until(holds):
    while not holds():  # noqa: ASYNC110 - many things are waited for
        await asyncio.sleep(0.01)


@pytest.mark.parametrize(
    ("error", "told"),
    [
        (OSError(28, "No space left on device"), "alerts broke off: [Errno 28] No space"),
        (ExceptionGroup("two", [OSError("a"), ExceptionGroup("", [OSError("b")])]), "off: a; b"),
        (KeyError("x"), "alerts broke off: 'x'"),
    ],
)
async def test_a_part_that_breaks_off_is_begun_again_and_a_defect_shows_where(
    folder, caplog, monkeypatch, error, told
):
    calls = []

    async def alerting(*_, **__):
        calls.append(1)
        if len(calls) < 3:
            raise error

    monkeypatch.setattr(teller, "keep_alerting", alerting)
    async with telling(folder, caplog):
        pass
    assert len(calls) == 3
    assert caplog.text.count(told) == 2
    assert ("Traceback" in caplog.text) is isinstance(error, KeyError)
    assert "ends: all is said" in caplog.text


async def test_a_lab_file_that_is_just_edited_is_read_once_that_is_done(
    folder, caplog, monkeypatch
):
    monkeypatch.setattr(teller, "LAB_AGAIN", 0.05)
    lab = folder.parent / "lab.toml"
    good = lab.read_text()
    assert lab_problem(folder) == ""
    lab.write_text(good + "[mail]\nserver = \n")
    problem = lab_problem(folder)
    assert "lab.toml:" in problem
    assert "\n" not in problem
    async with telling(folder, caplog) as (task, _):
        await until(lambda: "nobody is told yet" in caplog.text)
        await asyncio.sleep(0.15)
        assert not task.done()
        assert caplog.text.count("nobody is told yet") == 1
        await asyncio.to_thread(lab.unlink)
        await until(lambda: caplog.text.count("nobody is told yet") == 2)
        lab.write_text(good)
    assert "tells of run" in caplog.text
    assert "ends: all is said" in caplog.text


async def test_a_teller_whose_lab_file_stays_damaged_ends_when_asked(folder, caplog):
    (folder.parent / "lab.toml").write_text("name = ")
    async with telling(folder, caplog) as (_, ended):
        await until(lambda: "nobody is told yet" in caplog.text)
        ended.set()
    assert "ends: its lab file could not be read" in caplog.text


async def test_a_record_that_cannot_be_read_keeps_a_teller_waiting_until_it_is_to_end(
    folder, caplog
):
    (folder / "journal.db").write_bytes(b"nonsense" * 600)
    async with telling(folder, caplog) as (task, ended):
        await until(lambda: "journal.db" in caplog.text)
        assert not task.done()
        ended.set()
    assert "ends: asked to" in caplog.text


async def test_a_folder_that_is_taken_away_once_its_run_has_ended_ends_its_teller(
    folder, caplog, monkeypatch
):
    async def alerting(looks, *_, **__):
        async for _look in looks:
            pass

    monkeypatch.setattr(teller, "keep_alerting", alerting)
    async with telling(folder, caplog):
        await until(lambda: "tells of run" in caplog.text)
        await asyncio.sleep(0.1)
        await asyncio.to_thread(shutil.rmtree, folder)
    assert "ends: the run's folder is gone" in caplog.text


@pytest.mark.nights
def test_a_teller_that_hangs_ends_by_a_signal_that_its_runner_sees(folder):
    code = (
        "import sys, time\n"
        "from rig.assembly import teller\n"
        "teller.HANGS = 1\n"
        "teller.folder_holder = lambda _: 'somebody'\n"
        "async def hang(self): time.sleep(60)\n"  # whatever it is that blocks
        "teller._Teller._watching = hang\n"
        f"sys.exit(teller.main([{str(folder)!r}, '1', '2026-01-31T00:00:00+00:00']))\n"
    )
    done = subprocess.run([sys.executable, "-P", "-c", code], timeout=30, check=False)
    assert done.returncode == -signal.SIGALRM
    assert "tells of run" in (folder / "teller.log").read_text()


def test_what_is_noted_stands_in_the_folder_line_by_line_where_that_can_be(tmp_path):
    for folder in (tmp_path, tmp_path / "none"):
        with log_of(folder):
            LOG.info("%s", json.dumps({"a": 1}))
            try:
                {}["x"]
            except KeyError:
                LOG.exception("a defect")
    lines = (tmp_path / "teller.log").read_text().splitlines()
    assert lines[0].endswith('{"a": 1}')
    assert lines[1].endswith("a defect")
    assert lines[-1] == "KeyError: 'x'"
    assert not LOG.handlers


async def test_a_run_that_is_over_asks_who_has_its_rig_and_closes_its_alerts(
    folder, caplog, monkeypatch, tmp_path
):
    asked = []

    def other(rig: str, run) -> str:
        asked.append((rig, run))
        return "night-5"

    monkeypatch.setattr(teller, "other_user", other)
    seen = []

    async def alerting(looks, *_, another, **__):
        async for _look in looks:
            seen.append(another())
            if seen[-1]:
                return

    monkeypatch.setattr(teller, "keep_alerting", alerting)
    recorder = Recorder.create(tmp_path / "old", header())
    recorder.status(CYCLING)
    recorder.finish("run-out", "no failure in 9 cycles", 9, 1.0)
    keep_messages(Messages(str(tmp_path / "lab.toml"), "frame-1"), tmp_path / "old")
    async with telling(tmp_path / "old", caplog):
        pass
    assert seen[-1] == "night-5"
    assert set(asked) == {(CYCLING.rig, tmp_path / "old")}

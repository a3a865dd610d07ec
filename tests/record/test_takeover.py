"""A recorder process that dies, freezes or meets a bad disk: nothing waits, nothing is lost."""

import asyncio
import os
import random
import signal
from collections.abc import AsyncIterator, Awaitable, Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rig.errors import InputError, StorageError
from rig.record import FullRateRecord, RemoteRecorder, read_journal, read_run
from tests.record.recorders import alive, obeying, until
from tests.record.runs import BARE, SAMPLED, header, likely_rows

Create = Callable[..., Awaitable[RemoteRecorder]]
END = ("operator", "asked to stop")
ROWS = likely_rows(1, 40_000)


def expect_whole(path: Path, rows: int) -> list[str]:
    """Every row once, bit for bit, every note once; return the events of the recording itself."""
    with read_run(path) as run:
        assert run.rows() == rows
        for name, column in ROWS.columns.items():
            assert run.column(name).tobytes() == column[:rows].tobytes(), name
        events = run.events()
    notes = [int(e.text) for e in events if e.kind == "note"]
    assert notes == [*range(len(notes))]
    return [e.text for e in events if e.kind == "record"]


class Stream:
    """Rows in blocks of a seeded length, each with a note that counts."""

    def __init__(self, recorder: RemoteRecorder, seed: int) -> None:
        self.recorder = recorder
        self.done = self.notes = 0
        self._chance = random.Random(seed)

    def block(self) -> None:
        count = self._chance.randrange(1, 400)
        self.recorder.cycles(ROWS.part(self.done, self.done + count))
        self.recorder.event(float(self.notes), self.done, "note", str(self.notes))
        self.done, self.notes = self.done + count, self.notes + 1
        if self._chance.random() < 0.3:
            self.recorder.commit()


@pytest.fixture
async def create() -> AsyncIterator[Create]:
    """Create recorders, and let none outlive a test that fails."""
    created: list[RemoteRecorder] = []

    async def creating(
        folder: Path, *, how: Any = RemoteRecorder.create, **options: Any
    ) -> RemoteRecorder:
        created.append(await how(folder, header(), **options))
        return created[-1]

    yield creating
    for recorder in created:
        if recorder.pid is not None and alive(recorder.pid):
            os.kill(recorder.pid, signal.SIGKILL)
        await recorder.abandon()


async def killed_again_and_again(recorder: RemoteRecorder, seed: int, kills: int) -> None:
    chance = random.Random(seed)
    stream = Stream(recorder, seed)
    for _ in range(kills):
        for _ in range(chance.randrange(1, 25)):
            stream.block()
            await asyncio.sleep(chance.uniform(0.0, 0.004))
        if chance.random() < 0.5:
            durable = stream.done
            await recorder.synced()
        else:
            durable = 0
        await until(lambda: recorder.pid is not None)
        pid = recorder.pid
        assert pid is not None
        os.kill(pid, signal.SIGKILL)
        with read_journal(recorder.folder) as journal:
            assert journal.rows("cycles") >= durable
        stream.block()
        await until(lambda pid=pid: recorder.pid not in {None, pid})
    said = expect_whole(await recorder.finish(*END, stream.done, 9.0), stream.done)
    assert len([s for s in said if s.endswith("was ended by signal 9")]) == kills
    assert len([s for s in said if "goes on after message" in s]) == kills


@pytest.mark.parametrize("runs", [2, pytest.param(8, marks=pytest.mark.endurance)])
@pytest.mark.endurance
async def test_a_recorder_killed_at_any_instant_loses_nothing_and_repeats_nothing(
    tmp_path: Path, create: Create, runs: int
) -> None:
    nights = [
        killed_again_and_again(await create(tmp_path / str(seed)), seed, 5) for seed in range(runs)
    ]
    await asyncio.gather(*nights)


async def test_a_record_is_taken_up_where_it_stood_however_its_recorders_ended(
    tmp_path: Path, create: Create
) -> None:
    stream = Stream(await create(tmp_path / "run"), 11)
    for end in ("closed", "killed"):
        for _ in range(20):
            stream.block()
        recorder = stream.recorder
        await recorder.synced()
        with read_journal(tmp_path / "run") as journal:
            received = journal.received
        if end == "closed":
            await recorder.abandon()
        else:
            first = recorder.pid
            assert first is not None
            os.kill(first, signal.SIGKILL)
            await until(lambda first=first, its=recorder: its.pid not in {None, first})
            await recorder.abandon()
        stream.recorder = await create(tmp_path / "run", how=RemoteRecorder.reopen)
        with pytest.raises(StorageError, match=f"must go on from {stream.done + 1}, got"):
            stream.recorder.cycles(ROWS.part(stream.done + 1, stream.done + 2))
        stream.block()
        await stream.recorder.synced()
        with read_journal(tmp_path / "run") as journal:
            assert journal.rows("cycles") == stream.done
            assert journal.received > received
    # The processes that follow the one that took it up do the same.
    first = stream.recorder.pid
    assert first is not None
    os.kill(first, signal.SIGKILL)
    stream.block()
    said = expect_whole(await stream.recorder.finish(*END, stream.done, 9.0), stream.done)
    assert len([s for s in said if s.endswith("was ended by signal 9")]) == 2


@pytest.mark.nights
async def test_what_has_ended_or_is_not_there_is_not_taken_up(
    tmp_path: Path, create: Create
) -> None:
    recorder = await create(tmp_path / "run")
    await recorder.finish(*END, 0, 9.0)
    before = (tmp_path / "run" / "journal.db").read_bytes()
    with pytest.raises(InputError, match=r"journal\.db: this run has ended \(operator\)"):
        await create(tmp_path / "run", how=RemoteRecorder.reopen)
    assert (tmp_path / "run" / "journal.db").read_bytes() == before
    with pytest.raises(StorageError, match=f"{tmp_path}/nowhere"):
        await create(tmp_path / "nowhere", how=RemoteRecorder.reopen)
    assert not (tmp_path / "nowhere").exists()


@pytest.mark.parametrize("how", ["stopped", "hang"])
@pytest.mark.endurance
async def test_a_frozen_recorder_holds_nothing_up_and_is_replaced(
    tmp_path: Path, create: Create, how: str
) -> None:
    order = tmp_path / "order"
    recorder = await create(tmp_path / "run", command=obeying(order), silence=1.0)
    stream = Stream(recorder, 7)
    stream.block()
    await recorder.synced()
    frozen = recorder.pid
    assert frozen is not None
    if how == "stopped":
        os.kill(frozen, signal.SIGSTOP)
    else:
        order.write_text("hang")
    stream.block()
    synced = asyncio.get_running_loop().create_task(recorder.synced())
    if how == "hang":
        await until((tmp_path / "hangs").exists)
    turns = 0
    while turns < 150:
        stream.block()
        await asyncio.sleep(0)
        turns += 1
        assert recorder.pid == frozen
        assert not synced.done()
    await synced
    assert recorder.pid != frozen
    assert not alive(frozen)
    assert recorder.trouble == ""
    said = expect_whole(await recorder.finish(*END, stream.done, 9.0), stream.done)
    assert said[0] == (f"recorder process {frozen} was silent for 1 s and was ended by signal 9")
    assert len(said) == 2


@pytest.mark.parametrize("disk", ["refuse", "full"])
@pytest.mark.endurance
async def test_a_disk_that_refuses_is_asked_again_until_it_takes_everything(
    tmp_path: Path, create: Create, disk: str
) -> None:
    order = tmp_path / "order"
    recorder = await create(tmp_path / "run", command=obeying(order), silence=5.0)
    stream = Stream(recorder, 3)
    stream.block()
    await recorder.synced()
    pid = recorder.pid
    order.write_text(disk)
    while stream.done < 20_000:
        stream.block()
    synced = asyncio.get_running_loop().create_task(recorder.synced())
    await asyncio.wait({synced}, timeout=1.3)
    assert not synced.done()
    order.unlink()
    await synced
    assert recorder.trouble == ""
    assert recorder.pid == pid
    said = expect_whole(await recorder.finish(*END, stream.done, 9.0), stream.done)
    assert len(said) == 1
    assert "make room, then go on" in said[0]


@pytest.mark.nights
async def test_what_is_written_to_a_folder_that_is_gone_is_not_taken_for_recorded(
    tmp_path: Path, create: Create
) -> None:
    recorder = await create(tmp_path / "run", silence=100.0)
    stream = Stream(recorder, 9)
    stream.block()
    await recorder.synced()
    known = recorder.counted
    (tmp_path / "run").rename(tmp_path / "elsewhere")
    stream.block()
    waiting = asyncio.get_running_loop().create_task(recorder.synced())
    await until(lambda: "put its folder or disk back" in recorder.said)
    assert not waiting.done()
    assert recorder.counted == known < stream.done
    with pytest.raises(StorageError, match="is gone from its place"):
        await recorder.finish(*END, stream.done, 9.0)
    (tmp_path / "elsewhere").rename(tmp_path / "run")
    await waiting
    assert (recorder.said, recorder.counted) == ("", stream.done)
    said = expect_whole(await recorder.finish(*END, stream.done, 9.0), stream.done)
    assert len(said) == 1


@pytest.mark.nights
async def test_a_full_memory_is_trouble_and_the_record_before_it_stays_whole(
    tmp_path: Path,
    create: Create,
) -> None:
    recorder = await create(tmp_path / "run", memory=400_000, silence=100.0)
    stream = Stream(recorder, 5)
    stream.block()
    await recorder.synced()
    pid = recorder.pid
    assert pid is not None
    os.kill(pid, signal.SIGSTOP)
    waiting = asyncio.get_running_loop().create_task(recorder.synced())
    while not recorder.trouble:
        assert stream.done < 20_000
        stream.block()
        await asyncio.sleep(0)
    assert recorder.trouble.startswith(f"{tmp_path}/run/journal.db: 0.4 MB wait for the disk")
    with pytest.raises(StorageError, match=r"run/journal\.db: 0\.4 MB wait"):
        await recorder.synced()
    with pytest.raises(StorageError, match="see whether the disk is full or gone"):
        await waiting
    # A minute and more of all samples, and what is recorded with them, has room all the same.
    minute = np.arange(3 * 65_000, dtype=np.float32).reshape(3, -1)
    for first in range(0, 65_000, 5000):
        piece = minute[:, first : first + 5000]
        recorder.full_rate(FullRateRecord("stop", stream.done, first, 1000.0, SAMPLED, piece))
    for _ in range(5):
        stream.block()
    recorder.restart_point({"next_cycle": stream.done + 1})
    recorder.event(9.0, stream.done, "verdict", "fault")
    assert recorder.counted < stream.done
    os.kill(pid, signal.SIGCONT)
    await recorder.committed()
    assert recorder.counted == stream.done
    assert recorder.missing == ""
    with read_journal(tmp_path / "run") as journal:
        assert journal.restart_point is not None
        assert journal.restart_point["next_cycle"] == stream.done + 1
        kept = [record.values for record in journal.full_rate()]
    assert np.hstack(kept).tobytes() == minute.tobytes()
    path = await recorder.finish("fault", recorder.trouble, stream.done, 9.0)
    assert expect_whole(path, stream.done) == [recorder.trouble]
    with read_run(path) as run:
        assert [e.text for e in run.events() if e.kind == "verdict"] == ["fault"]


@pytest.mark.nights
async def test_what_has_no_room_any_more_is_named_and_no_restart_point_is_newer_than_the_rows(
    tmp_path: Path, create: Create
) -> None:
    recorder = await create(tmp_path / "run", memory=100_000, silence=100.0)
    pid = recorder.pid
    assert pid is not None
    os.kill(pid, signal.SIGSTOP)
    for first in range(0, 40_000, 500):
        recorder.cycles(ROWS.part(first, first + 500))
        recorder.restart_point({"next_cycle": first + 501})
    recorder.slow(1.0, {})
    recorder.event(9.0, 40_000, "verdict", "fault")
    for number in range(20_000):
        recorder.event(9.0, 40_000, "note", str(number))
    os.kill(pid, signal.SIGCONT)
    await recorder.committed()
    await recorder.abandon()
    with read_journal(tmp_path / "run") as journal:
        rows = journal.rows("cycles")
        assert 10_000 < rows < 40_000
        assert journal.restart_point is not None
        assert journal.restart_point["next_cycle"] <= rows + 1
        events = journal.events()
    notes = [int(e.text) for e in events if e.kind == "note"]
    assert notes == [*range(len(notes))]
    assert 0 < len(notes) < 20_000
    dropped = 1 + 20_000 - len(notes)
    named = (
        f"not in the record: cycles {rows + 1} to 40000, which were run; {dropped} entries of "
        "other kinds"
    )
    assert recorder.missing == named
    assert [e.text for e in events if e.kind == "record"] == [recorder.trouble, named]
    assert [e.text for e in events if e.kind == "verdict"] == ["fault"]


@pytest.mark.endurance
async def test_restart_points_and_statuses_that_wait_leave_the_memory_to_the_rows(
    tmp_path: Path, create: Create
) -> None:
    recorder = await create(tmp_path / "run", memory=400_000, silence=1.0)
    stream = Stream(recorder, 5)
    pid = recorder.pid
    assert pid is not None
    os.kill(pid, signal.SIGSTOP)
    for number in range(100):
        recorder.restart_point({"number": number, "tail": bytes(50_000)})
        recorder.status(replace(BARE, cycles=number, why="w" * 50_000))
        recorder.commit()
    stream.block()
    assert recorder.trouble == ""
    await recorder.synced()
    assert recorder.pid != pid
    with read_journal(tmp_path / "run") as journal:
        assert journal.restart_point is not None
        assert journal.restart_point["number"] == 99
        assert journal.status is not None
        assert journal.status.cycles == 99
        assert journal.received > 300
    expect_whole(await recorder.finish(*END, stream.done, 9.0), stream.done)


@pytest.mark.nights
async def test_a_recorder_that_dies_while_it_makes_run_h5_is_replaced(
    tmp_path: Path, create: Create
) -> None:
    order = tmp_path / "order"
    recorder = await create(tmp_path / "run", command=obeying(order))
    stream = Stream(recorder, 5)
    stream.block()
    order.write_text("die once")
    path = await recorder.finish("run-out", "taken off", stream.done, 9.0)
    expect_whole(path, stream.done)
    with read_run(path) as run:
        assert (run.outcome, run.why) == ("run-out", "taken off")


@pytest.mark.parametrize(
    ("accident", "says"),
    [
        ("no run file", r"run\.h5: cannot write: make room, then go on"),
        ("die", "run.h5 was not made in 3 attempts"),
    ],
)
@pytest.mark.endurance
async def test_a_finish_that_cannot_be_is_named_and_can_be_tried_again(
    tmp_path: Path, create: Create, accident: str, says: str
) -> None:
    order = tmp_path / "order"
    recorder = await create(tmp_path / "run", command=obeying(order))
    stream = Stream(recorder, 5)
    stream.block()
    order.write_text(accident)
    with pytest.raises(StorageError, match=says):
        await recorder.finish(*END, stream.done, 9.0)
    with read_journal(tmp_path / "run") as journal:
        assert journal.rows("cycles") == stream.done
    order.unlink()
    expect_whole(await recorder.finish(*END, stream.done, 9.0), stream.done)

"""A record that is finished however long its disk refuses, unless somebody gives it up."""

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from pathlib import Path

import pytest

from rig.errors import StorageError
from rig.record import RemoteRecorder, read_journal, read_run
from rig.record.finishing import Finishing
from tests.record.recorders import obeying, until
from tests.record.runs import header, likely_rows

END = ("operator", "asked to stop", 5, 9.0)
Create = Callable[[], Awaitable[RemoteRecorder]]


@pytest.fixture
async def create(tmp_path: Path) -> AsyncIterator[Create]:
    """Create a recorder whose disk obeys the file "order", and let it not outlive its test."""
    created: list[RemoteRecorder] = []

    async def creating() -> RemoteRecorder:
        command = obeying(tmp_path / "order")
        recorder = await RemoteRecorder.create(
            tmp_path / "run", header(), command=command, silence=1.0
        )
        created.append(recorder)
        recorder.cycles(likely_rows(1, 5))
        await recorder.synced()
        return recorder

    yield creating
    (tmp_path / "order").unlink(missing_ok=True)
    for recorder in created:
        await recorder.abandon()


@pytest.mark.parametrize("accident", ["refuse", "full", "no run file", "die"])
async def test_a_record_whose_disk_is_well_again_is_finished_with_all_its_rows(
    tmp_path: Path, create: Create, accident: str
) -> None:
    order = tmp_path / "order"
    recorder = await create()
    order.write_text(accident)
    # More than the limit that "full" puts on the size of a file.
    recorder.cycles(likely_rows(6, 60_000))
    finishing = Finishing(lambda: recorder.finish(*END), again=0.1, late=0.3)
    ending = asyncio.ensure_future(finishing.run())
    await until(lambda: finishing.trouble != "" or ending.done())
    assert finishing.trouble.startswith("the record waits for the disk: make room")
    assert not ending.done()
    order.unlink(missing_ok=True)
    with read_run(await ending) as run:
        assert (run.outcome, run.why) == END[:2]
        assert run.column("number").tolist() == list(range(1, 60_006))


@pytest.mark.parametrize("accident", ["refuse", "hang"])
@pytest.mark.parametrize("early", [True, False], ids=["early", "late"])
async def test_who_gives_a_waiting_record_up_is_named_and_its_journal_is_left(
    tmp_path: Path, create: Create, accident: str, early: bool
) -> None:
    recorder = await create()
    (tmp_path / "order").write_text(accident)
    finishing = Finishing(lambda: recorder.finish(*END), late=0.3)
    ending = asyncio.ensure_future(finishing.run())
    if not early:
        await until(lambda: finishing.trouble != "" or ending.done())
    finishing.give_up("P. Tester")
    with pytest.raises(StorageError, match=r"given up by P\. Tester: the record waits for"):
        await ending
    await recorder.abandon()
    with read_journal(tmp_path / "run") as journal:
        assert journal.rows("cycles") == 5
        assert journal.ending is None


@pytest.mark.parametrize("accident", ["refuse", "hang"])
async def test_a_disk_that_is_never_well_again_is_waited_for_no_longer_than_allowed(
    tmp_path: Path, create: Create, accident: str
) -> None:
    recorder = await create()
    (tmp_path / "order").write_text(accident)
    finishing = Finishing(lambda: recorder.finish(*END), again=0.1, late=0.2, within=0.8)
    with pytest.raises(StorageError, match="not finished, given up: the record waits for"):
        await finishing.run()
    await recorder.abandon()


async def test_giving_up_what_is_well_under_way_breaks_nothing_off(create: Create) -> None:
    recorder = await create()
    finishing = Finishing(lambda: recorder.finish(*END))
    finishing.give_up("P. Tester")
    with read_run(await finishing.run()) as run:
        assert run.rows() == 5
    assert finishing.trouble == ""


async def test_what_is_recorded_of_an_ended_record_kills_no_recorder(
    tmp_path: Path, create: Create
) -> None:
    order = tmp_path / "order"
    recorder = await create()
    pid = recorder.pid
    order.write_text("no run file")
    with pytest.raises(StorageError, match="make room"):
        await recorder.finish(*END)
    recorder.event(9.0, 5, "record", "too late for the record")
    await recorder.synced()
    assert recorder.pid == pid
    order.unlink()
    with read_run(await recorder.finish(*END)) as run:
        assert all("too late" not in e.text for e in run.events())

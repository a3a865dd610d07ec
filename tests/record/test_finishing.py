"""A record that is finished however long its disk refuses, unless somebody gives it up."""

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from functools import partial
from pathlib import Path

import pytest

from rig.errors import StorageError
from rig.record import RemoteRecorder, read_journal, read_run
from rig.record.finishing import Finishing
from tests.record.recorders import obeying, until
from tests.record.runs import header, likely_rows

END = ("operator", "asked to stop", 5, 9.0)
LONG = partial(pytest.param, marks=pytest.mark.endurance)
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


@pytest.mark.parametrize("accident", ["full", *map(LONG, ["refuse", "no run file", "die"])])
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
    assert finishing.trouble.startswith("the record waits for the disk, make room: ")
    assert not ending.done()
    order.unlink(missing_ok=True)
    with read_run(await ending) as run:
        assert (run.outcome, run.why) == END[:2]
        assert run.column("number").tolist() == list(range(1, 60_006))


@pytest.mark.parametrize(
    ("accident", "early"),
    [("hang", False), LONG("hang", True), LONG("refuse", True), LONG("refuse", False)],
)
@pytest.mark.endurance
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


@pytest.mark.parametrize("accident", ["hang", LONG("refuse")])
@pytest.mark.endurance
async def test_a_disk_that_is_never_well_again_is_waited_for_no_longer_than_allowed(
    tmp_path: Path, create: Create, accident: str
) -> None:
    recorder = await create()
    (tmp_path / "order").write_text(accident)
    finishing = Finishing(lambda: recorder.finish(*END), again=0.1, late=0.2, within=0.8)
    with pytest.raises(StorageError, match=r"given up after 0\.8 s: the record waits for the disk"):
        await finishing.run()
    await recorder.abandon()


@pytest.mark.nights
async def test_giving_up_what_is_well_under_way_breaks_nothing_off(create: Create) -> None:
    recorder = await create()
    finishing = Finishing(lambda: recorder.finish(*END))
    finishing.give_up("P. Tester")
    with read_run(await finishing.run()) as run:
        assert run.rows() == 5
    assert finishing.trouble == ""


@pytest.mark.nights
@pytest.mark.parametrize("accident", ["refuse", LONG("full")])
async def test_a_record_that_is_not_finished_gets_all_that_waits_and_no_ending(
    tmp_path: Path, create: Create, accident: str
) -> None:
    order = tmp_path / "order"
    recorder = await create()
    order.write_text(accident)
    recorder.cycles(likely_rows(6, 60_000))
    finishing = Finishing(recorder.committed, told="it is full")
    assert finishing.trouble.endswith("make room: it is full")
    ending = asyncio.ensure_future(finishing.run())
    await until(lambda: recorder.said != "")
    assert not ending.done()
    order.unlink()
    await ending
    await recorder.abandon()
    with read_journal(tmp_path / "run") as journal:
        assert journal.rows("cycles") == 60_005
        assert journal.ending is None

"""One reader of a journal for several followers: every event once, in order, from where asked."""

import asyncio
from contextlib import aclosing
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.clock import SystemClock
from rig.monitor.looks import PAGE, Looks
from rig.record import Recorder
from tests.record.runs import header


def looks_of(folder: Path, alive: bool = True) -> Looks:
    return Looks(folder, SystemClock(), lambda: alive, every=0.001)


async def heard(looks: Looks, after: int, until: int) -> list[tuple[int, str]]:
    found: list[tuple[int, str]] = []
    async with aclosing(looks.follow(after)) as following:
        async for look in following:
            found += [(each.seq, each.event.text) for each in look.events]
            if found and found[-1][0] >= until:
                return found
    raise AssertionError("a follower came to an end")


@settings(max_examples=6)
@given(
    before=st.integers(0, 2 * PAGE + 1), later=st.integers(1, 5), afters=st.lists(st.integers(0, 9))
)
async def test_each_follower_gets_each_event_once_in_order_from_where_it_asks(
    tmp_path_factory, before, later, afters
):
    folder = tmp_path_factory.mktemp("runs") / "run"
    recorder = Recorder.create(folder, header())
    for n in range(1, before + 1):
        # Entries of other lists lie between the events: they have no number.
        recorder.zero(0.0, "load", 0.0, "between")
        recorder.event(0.0, 0, "note", f"event {n}")
    recorder.commit()
    looks, total = looks_of(folder), before + later
    async with asyncio.TaskGroup() as group:
        tasks = [group.create_task(heard(looks, min(a, total - 1), total)) for a in [0, *afters]]
        for n in range(before + 1, total + 1):
            await asyncio.sleep(0.003)
            recorder.event(0.0, 0, "note", f"event {n}")
            recorder.commit()
    recorder.abandon()
    for after, task in zip([0, *afters], tasks, strict=True):
        first = min(after, total - 1) + 1
        assert task.result() == [(n, f"event {n}") for n in range(first, total + 1)]


async def test_no_look_holds_more_than_a_page_and_the_pages_come_without_waiting(tmp_path):
    recorder = Recorder.create(tmp_path / "run", header())
    for n in range(3 * PAGE):
        recorder.event(0.0, 0, "note", f"event {n}")
    recorder.commit()
    recorder.abandon()
    looks = Looks(tmp_path / "run", SystemClock(), lambda: False, every=3600.0)
    sizes = []
    async with aclosing(looks.follow()) as following:
        async for look in following:
            sizes.append(len(look.events))
            if sum(sizes) == 3 * PAGE:
                break
    assert sizes == [PAGE] * 3
    assert not look.view.alive


async def test_whoever_asks_beyond_the_record_gets_what_comes_behind_that_number(tmp_path):
    recorder = Recorder.create(tmp_path / "run", header())
    recorder.event(0.0, 0, "note", "one")
    recorder.commit()
    looks = looks_of(tmp_path / "run")
    async with aclosing(looks.follow(2)) as following:
        assert (await anext(following)).events == ()
        for text in ("two", "three"):
            recorder.event(0.0, 0, "note", text)
        recorder.commit()
        recorder.abandon()
        found: tuple = ()
        while not found:
            found = (await anext(following)).events
    assert [(each.seq, each.event.text) for each in found] == [(3, "three")]


async def test_a_record_that_is_not_there_yet_is_waited_for(tmp_path, monkeypatch):
    monkeypatch.setattr("rig.monitor.looks.NO_RECORD", 0.01)
    looks = looks_of(tmp_path / "run")
    async with aclosing(looks.follow()) as following, asyncio.TaskGroup() as group:
        first = group.create_task(anext(following))
        for _ in range(1000):
            if looks.trouble:
                break
            await asyncio.sleep(0.005)
        assert "there is no journal" in looks.trouble
        Recorder.create(tmp_path / "run", header()).abandon()
        look = await first
    assert (look.view.header, look.events, looks.trouble) == (header(), (), "")


@pytest.mark.parametrize("damage", [b"", b"no journal at all" * 300], ids=["empty", "nonsense"])
async def test_a_record_that_cannot_be_read_any_more_is_told_and_ends_nothing(tmp_path, damage):
    folder = tmp_path / "run"
    recorder = Recorder.create(folder, header())
    recorder.event(0.0, 0, "note", "one")
    recorder.commit()
    recorder.abandon()
    looks = looks_of(folder)
    async with aclosing(looks.follow()) as following:
        look = await anext(following)
        assert (len(look.events), look.view.unreadable) == (1, "")
        (folder / "journal.db").write_bytes(damage)
        look = await anext(following)
    assert look.events == ()
    assert "journal.db" in look.view.unreadable

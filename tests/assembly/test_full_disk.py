"""A run on a disk of 20 MB that is filled, made read-only or taken off under it."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest

from rig.record import read_journal, read_run
from tests.assembly.disks import EXT4, Disk, Whole, expect_last_minute, on_small_disk, whole_test

pytestmark = [pytest.mark.system, pytest.mark.xdist_group("serial")]


def room_is_made(tmp_path: Path, disk: Disk) -> None:
    run = disk.path / "run"

    async def fill(whole: Whole) -> None:
        await whole.cycles(20)
        await whole.recorder.synced()
        junk = disk.fill()
        told = await whole.waiting()
        assert told.startswith("the record waits for the disk, make room: ")
        assert "the disk is full or a size limit is reached; make room, then go on" in told
        states = [name for name, _ in whole.actuator.acts if name != "heartbeat"]
        assert states[-2:] == ["close_valve", "pressure"]
        with read_journal(run) as journal:
            assert journal.rows("cycles") == whole.recorder.counted >= 20
        junk.unlink()

    code, line, _ = whole_test(tmp_path, run, fill)
    assert code == 6
    assert f"holds all up to cycle {expect_last_minute(run)} and the last minute" in line
    assert line.endswith(f"see to the disk, then: nightrig resume {run}")
    with read_journal(run) as journal:
        assert journal.ending is None


def stays_full(tmp_path: Path, disk: Disk) -> None:
    run = disk.path / "run"
    durable = []

    async def fill(whole: Whole) -> None:
        await whole.cycles(20)
        await whole.recorder.synced()
        durable.append(whole.recorder.counted)
        disk.fill()
        await whole.waiting()
        assert (await whole.asked("stop"))["answer"] == "refused"
        assert (await whole.asked("stop"))["answer"] == "acted"

    code, line, _ = whole_test(tmp_path, run, fill)
    assert code == 6
    assert line.startswith("given up by P. Tester: the record waits for the disk, make room: ")
    with read_journal(run) as journal:
        rows = journal.rows("cycles")
        assert journal.columns("cycles")["number"].tolist() == [*range(1, rows + 1)]
        assert journal.restart_point is not None
        assert journal.restart_point["next_cycle"] <= rows + 1
    assert rows >= durable[0] >= 20
    assert f"holds them up to cycle {rows}, what came after it is lost, the last minute too" in line


def room_in_time(tmp_path: Path, disk: Disk) -> None:
    run = disk.path / "run"

    async def fill(whole: Whole) -> None:
        await whole.cycles(20)
        junk = disk.fill()
        await whole.until(lambda: whole.recorder.said != "")
        await whole.cycles(whole.told["cycles"] + 60)
        junk.unlink()
        await whole.recorder.synced()
        assert (await whole.asked("stop"))["answer"] == "acted"

    code, line, _ = whole_test(tmp_path, run, fill, memory=64_000_000)
    assert (code, line) == (5, "")
    assert expect_last_minute(run) >= 80


def full_at_the_end(tmp_path: Path, disk: Disk, *, room: bool) -> None:
    run = disk.path / "run"

    async def fill(whole: Whole) -> None:
        await whole.cycles(20)
        await whole.recorder.synced()
        junk = disk.fill()
        assert (await whole.asked("stop"))["answer"] == "acted"
        assert "make room" in await whole.waiting()
        if room:
            junk.unlink()
        else:
            # A stop out of habit only warns; the second is meant.
            warned = await whole.asked("stop")
            assert warned["answer"] == "refused"
            assert "stop once more gives up" in warned["text"]
            assert (await whole.asked("stop"))["text"] == "gives up the rest of the record"

    code, line, whole = whole_test(tmp_path, run, fill, memory=64_000_000)
    if room:
        assert (code, line) == (5, "")
        with read_run(run) as found:
            assert found.outcome == "operator"
            assert found.rows() == expect_last_minute(run)
        return
    assert code == 6
    assert "; the verdict was operator after " in line
    assert line.endswith(f"make room, then end the record with: nightrig resume {run}")
    with read_journal(run) as journal:
        assert journal.ending is None
        assert journal.rows("cycles") == whole.recorder.counted >= 20


def full_at_the_end_and_room_is_made(tmp_path: Path, disk: Disk) -> None:
    full_at_the_end(tmp_path, disk, room=True)


def full_at_the_end_and_given_up(tmp_path: Path, disk: Disk) -> None:
    full_at_the_end(tmp_path, disk, room=False)


def read_only(tmp_path: Path, disk: Disk) -> None:
    run = disk.path / "run"

    async def fail(whole: Whole) -> None:
        await whole.cycles(20)
        await whole.recorder.synced()
        disk.fail()
        told = await whole.waiting()
        assert "cannot write to the journal" in told
        disk.replace()

    code, line, _ = whole_test(tmp_path, run, fail)
    assert code == 6
    assert f"holds all up to cycle {expect_last_minute(run)} and the last minute" in line


def frozen(tmp_path: Path, disk: Disk) -> None:
    run = disk.path / "run"

    async def freeze(whole: Whole) -> None:
        await whole.cycles(20)
        await whole.recorder.synced()
        disk.act("fsfreeze", "-f")
        told = await whole.waiting()
        disk.act("fsfreeze", "-u")
        assert "the recorder gives no answer" in told

    code, line, _ = whole_test(tmp_path, run, freeze, silence=2.0)
    assert code == 6
    assert f"holds all up to cycle {expect_last_minute(run)} and the last minute" in line


def taken_off(tmp_path: Path, disk: Disk) -> None:
    run = disk.path / "run"
    durable = []

    async def take_off(whole: Whole) -> None:
        await whole.cycles(20)
        await whole.recorder.synced()
        durable.append(whole.recorder.counted)
        disk.act("umount", "-l")
        told = await whole.waiting()
        assert told.endswith("is gone from its place; put its folder or disk back")
        assert (await whole.asked("stop"))["answer"] == "refused"
        assert (await whole.asked("stop"))["answer"] == "acted"

    code, line, whole = whole_test(tmp_path, run, take_off, silence=3.0)
    assert code == 6
    assert f"up to cycle {whole.recorder.counted}, what came after it is lost" in line
    assert whole.recorder.counted - durable[0] < 10


WORDS = """
import sys
from pathlib import Path
from rig.assembly.last_words import LastWords
from tests.assembly.disks import Disk
disk = Disk(Path(sys.argv[1]))
log = LastWords(disk.path / "run")
(disk.path / "run").mkdir()
log.keep()
disk.fill()
for number in range(100):
    print("the disk is full, line", number)
log.flush()
"""


def last_words(_tmp_path: Path, disk: Disk) -> None:
    subprocess.run([sys.executable, "-c", WORDS, str(disk.path)], check=True)
    lines = (disk.path / "run" / "runner.log").read_text().splitlines()
    assert lines == [f"the disk is full, line {number}" for number in range(100)]


LONG = partial(pytest.param, marks=pytest.mark.endurance)


@pytest.mark.parametrize(
    "scenario",
    [
        *map(LONG, [room_is_made, last_words, stays_full, room_in_time, taken_off]),
        *map(LONG, [full_at_the_end_and_room_is_made, full_at_the_end_and_given_up]),
    ],
)
def test_a_disk_in_trouble_has_its_stated_end(
    tmp_path: Path, scenario: Callable[[Path, Disk], None]
) -> None:
    on_small_disk(scenario, tmp_path)


@pytest.mark.endurance
@pytest.mark.parametrize("scenario", [read_only, frozen])
def test_a_disk_that_fails_or_freezes_has_its_stated_end(
    tmp_path: Path, scenario: Callable[[Path, Disk], None]
) -> None:
    on_small_disk(scenario, tmp_path, EXT4)

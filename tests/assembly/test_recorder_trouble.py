"""What happens to the record is never felt by the specimen: live tests, a real recorder process."""

from __future__ import annotations

import asyncio
import os
import signal
import tempfile

import h5py
import numpy as np
import pytest

from rig.commands.ending import result_in
from rig.control.desk import Request
from rig.errors import StorageError
from rig.record import read_journal
from tests.assembly.disks import Whole, expect_last_minute, whole_test
from tests.assembly.live import Live, carry_out, plan_in
from tests.record.recorders import obeying
from tests.record.recorders import until as so

pytestmark = pytest.mark.xdist_group("serial")


@pytest.fixture(autouse=True)
def sockets(monkeypatch):
    """Let no test meet a run that is not its own; the path of a socket is short."""
    with tempfile.TemporaryDirectory(prefix="disk-") as folder:
        monkeypatch.setenv("NIGHTRIG_SOCKETS", f"{folder}/nightrig")
        yield


async def cycles(live: Live, count: int) -> None:
    """Wait until so many cycles are counted."""
    await so(lambda: live.conductor.book.counted >= count)


def on_target(rows, plan) -> bool:
    """Tell whether every cycle kept its load within 1 % of the range, the build-up aside."""
    wide = 0.01 * plan.loading.range
    high = np.abs(rows["load_max"][10:] - plan.loading.upper)
    low = np.abs(rows["load_min"][10:] - plan.loading.lower)
    return bool((high < wide).all() and (low < wide).all())


@pytest.mark.parametrize(
    "number",
    [
        pytest.param(signal.SIGKILL, id="killed", marks=pytest.mark.endurance),
        pytest.param(signal.SIGSTOP, id="frozen", marks=pytest.mark.endurance),
    ],
)
def test_a_recorder_that_dies_is_replaced_and_the_load_stays_on_target(tmp_path, number):
    plan = plan_in(tmp_path)
    durable = []

    async def accidents(live: Live) -> None:
        await cycles(live, 30)
        await live.recorder.synced()
        durable.append(live.conductor.book.counted)
        first = live.recorder.pid
        os.kill(first, number)
        await so(lambda: live.recorder.pid not in (None, first))
        await cycles(live, 70)
        await live.recorder.synced()
        durable.append(live.conductor.book.counted)
        with read_journal(tmp_path / "run") as journal:
            assert journal.rows("cycles") >= 70
        live.desk.ask(Request("stop", who="P. Tester"))

    _, verdict = asyncio.run(
        carry_out(plan, tmp_path / "run", accidents, silence=1.5, finish=True, pace=3.0)
    )
    assert verdict.outcome == "operator", verdict
    with h5py.File(tmp_path / "run" / "run.h5") as run:
        rows = {name: column[:] for name, column in run["cycles"].items()}
        said = [e["text"].decode() for e in run["events"][:] if e["kind"] == b"record"]
    assert rows["number"].tolist() == list(range(1, len(rows["number"]) + 1))
    assert len(rows["number"]) >= durable[1] >= 70
    assert on_target(rows, plan)
    assert any("goes on after message" in text for text in said)


@pytest.mark.nights
def test_a_record_that_cannot_be_kept_ends_by_the_normal_stop_and_loses_nothing(tmp_path):
    async def freeze(whole: Whole) -> None:
        await whole.cycles(20)
        await whole.recorder.synced()
        os.kill(whole.recorder.pid, signal.SIGSTOP)
        assert await whole.waiting() == (
            "the record waits for the disk, make room: the recorder gives no answer"
        )
        assert whole.told["possible"] == ["stop"]
        assert (await whole.asked("pause"))["answer"] == "refused"
        os.kill(whole.recorder.pid, signal.SIGCONT)

    code, line, whole = whole_test(tmp_path, tmp_path / "run", freeze)
    assert code == 6
    rows = expect_last_minute(tmp_path / "run")
    assert rows >= 20
    assert line.startswith(f"{tmp_path}/run/journal.db: 0.15 MB wait for the disk at cycle ")
    assert f"holds all up to cycle {rows} and the last minute before the stop" in line
    assert line.endswith(f"; see to the disk, then: nightrig resume {tmp_path}/run")
    # Whoever watched it ends with the code of storage, as the run itself does.
    with pytest.raises(StorageError):
        result_in(tmp_path / "run")
    # The normal stop, step by step: amplitude to zero, unload, retract, valve, pressure.
    acts = [name for name, _ in whole.actuator.acts if name != "heartbeat"]
    stop = acts.index("end_cycling")
    assert acts[stop : stop + 6] == [
        "end_cycling",
        "stop_at",
        "move_load",
        "move_stroke",
        "close_valve",
        "pressure",
    ]
    with read_journal(tmp_path / "run") as journal:
        assert journal.ending is None
        load = journal.columns("cycles")["load_max"]
    upper = whole.plan.loading.upper
    assert np.abs(load[10:] - upper).max() < 0.01 * whole.plan.loading.range


@pytest.mark.endurance
def test_a_record_that_is_given_up_tells_after_which_cycle_all_is_lost(tmp_path):
    durable = []

    async def freeze(whole: Whole) -> None:
        await whole.cycles(20)
        await whole.recorder.synced()
        durable.append(whole.recorder.counted)
        os.kill(whole.recorder.pid, signal.SIGSTOP)
        await whole.waiting()
        assert (await whole.asked("stop"))["answer"] == "refused"
        assert await whole.asked("stop") == {
            "answer": "acted",
            "text": "gives up the rest of the record",
            "state": "stopped",
        }

    code, line, _ = whole_test(tmp_path, tmp_path / "run", freeze, silence=3.0)
    assert code == 6
    assert line.startswith("given up by P. Tester: the record waits for the disk, make room: ")
    with read_journal(tmp_path / "run") as journal:
        rows = journal.rows("cycles")
        assert journal.ending is None
    assert rows >= durable[0] >= 20
    assert f"holds them up to cycle {rows}, what came after it is lost" in line


@pytest.mark.endurance
@pytest.mark.parametrize("accident", ["slow", "refuse", "full", "hang"])
def test_a_disk_that_is_well_again_in_time_stops_nothing(tmp_path, accident):
    order = tmp_path / "order"

    async def trouble(whole: Whole) -> None:
        await whole.cycles(20)
        await whole.recorder.synced()
        durable = whole.recorder.counted
        order.write_text(accident)
        await whole.cycles(durable + 60)
        assert accident == "hang" or whole.recorder.counted < whole.told["cycles"] - 5
        order.unlink(missing_ok=True)
        await whole.recorder.synced()
        assert (await whole.asked("stop"))["answer"] == "acted"

    code, line, _ = whole_test(
        tmp_path, tmp_path / "run", trouble, memory=64_000_000, command=obeying(order), silence=2.0
    )
    assert (code, line) == (5, "")
    rows = expect_last_minute(tmp_path / "run")
    assert rows >= 80


@pytest.mark.endurance
@pytest.mark.parametrize("back", [True, False], ids=["back", "lost"])
def test_a_folder_that_is_gone_is_waited_for_and_its_record_is_whole_if_it_comes_back(
    tmp_path, back
):
    run, away = tmp_path / "run", tmp_path / "away"

    async def move(whole: Whole) -> None:
        await whole.cycles(20)
        await whole.recorder.synced()
        run.rename(away)
        told = await whole.waiting()
        assert told.endswith("is gone from its place; put its folder or disk back")
        if back:
            away.rename(run)
        else:
            os.kill(os.getpid(), signal.SIGTERM)

    code, line, _ = whole_test(tmp_path, run, move, silence=3.0)
    assert code == 6
    if back:
        assert f"holds all up to cycle {expect_last_minute(run)} and" in line
    else:
        assert line.startswith("given up by SIGTERM: the record waits for the disk, make room: ")
        assert not run.exists()

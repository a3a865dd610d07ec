"""What happens to the record is never felt by the specimen: live tests, a real recorder process."""

from __future__ import annotations

import asyncio
import os
import signal

import h5py
import numpy as np
import pytest

from rig.commands.ending import result_in
from rig.control.desk import Request
from rig.errors import StorageError
from rig.record import read_journal
from tests.assembly.live import Live, carry_out, plan_in, until
from tests.record.recorders import until as so

pytestmark = pytest.mark.xdist_group("serial")


async def cycles(live: Live, count: int) -> None:
    """Wait until so many cycles are counted."""
    await so(lambda: live.conductor.book.counted >= count)


def on_target(rows, plan) -> bool:
    """Tell whether every cycle kept its load within 1 % of the range, the build-up aside."""
    wide = 0.01 * plan.loading.range
    high = np.abs(rows["load_max"][10:] - plan.loading.upper)
    low = np.abs(rows["load_min"][10:] - plan.loading.lower)
    return bool((high < wide).all() and (low < wide).all())


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGSTOP], ids=["killed", "frozen"])
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
        carry_out(plan, tmp_path / "run", accidents, silence=1.5, finish=True, pace=8.0)
    )
    assert verdict.outcome == "operator"
    with h5py.File(tmp_path / "run" / "run.h5") as run:
        rows = {name: column[:] for name, column in run["cycles"].items()}
        said = [e["text"].decode() for e in run["events"][:] if e["kind"] == b"record"]
    assert rows["number"].tolist() == list(range(1, len(rows["number"]) + 1))
    assert len(rows["number"]) >= durable[1] >= 70
    assert on_target(rows, plan)
    assert any("goes on after message" in text for text in said)


def test_a_record_that_cannot_be_kept_ends_by_the_normal_stop(tmp_path):
    plan = plan_in(tmp_path)

    async def freeze(live: Live) -> None:
        await cycles(live, 20)
        await live.recorder.synced()
        os.kill(live.recorder.pid, signal.SIGSTOP)
        await until(live, "stopping")
        os.kill(live.recorder.pid, signal.SIGCONT)

    live, verdict = asyncio.run(
        carry_out(plan, tmp_path / "run", freeze, memory=150_000, finish=True, pace=8.0)
    )
    assert (verdict.outcome, verdict.cause) == ("fault", "record")
    assert "journal.db" in verdict.why
    # Whoever watched it ends with the code of storage, as the run itself does.
    with pytest.raises(StorageError):
        result_in(tmp_path / "run")
    # The normal stop, step by step: amplitude to zero, unload, retract, valve, pressure.
    acts = [name for name, _ in live.actuator.acts if name != "heartbeat"]
    stop = acts.index("end_cycling")
    assert acts[stop : stop + 6] == [
        "end_cycling",
        "stop_at",
        "move_load",
        "move_stroke",
        "close_valve",
        "pressure",
    ]
    with h5py.File(tmp_path / "run" / "run.h5") as run:
        assert run.attrs["outcome"] == "fault"
        numbers = run["cycles/number"][:]
        load = run["cycles/load_max"][:]
    assert len(numbers) >= 20
    assert numbers.tolist() == list(range(1, len(numbers) + 1))
    assert np.abs(load[10:] - plan.loading.upper).max() < 0.01 * plan.loading.range

"""The recorder process: the same record, errors in one line, and its end with the runner's."""

import asyncio
import os
import signal
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from rig.errors import InputError, StorageError
from rig.record import FullRateRecord, Recorder, RemoteRecorder, read_journal, read_run
from tests.record.recorders import alive, obeying, until
from tests.record.runs import SAMPLED, datasets, header, likely_rows, record_everything, wild_rows

ROOT = Path(__file__).parents[2]
RUNNER = """
import asyncio, sys
from pathlib import Path
from rig.record import RemoteRecorder
from tests.record.runs import header, likely_rows

async def main():
    recorder = await RemoteRecorder.create(Path(sys.argv[1]), header())
    rows = likely_rows(1, 100_000)
    for first in range(0, 100_000, 50):
        recorder.cycles(rows.part(first, first + 50))
        recorder.event(0.0, first + 50, "note", "block")
        await recorder.synced()
        print(recorder.pid, first + 50, flush=True)

asyncio.run(main())
"""
BEGIN = """
import resource, sys
from rig.record import process
resource.setrlimit(resource.RLIMIT_FSIZE, (9000, 9000))
process.main()
"""


@pytest.mark.nights
async def test_the_record_through_a_process_is_the_inline_one_bit_for_bit(tmp_path: Path) -> None:
    ending = ("operator", "asked to stop", 9990, 1000.25)
    inline = Recorder.create(tmp_path / "inline", header())
    remote = await RemoteRecorder.create(tmp_path / "remote", header())
    for recorder in (inline, remote):
        record_everything(recorder)
        recorder.cycles(wild_rows(5001, 4990, 3))
        recorder.build_up(wild_rows(1, 77, 4))
        recorder.restart_point({"tail": np.arange(5.0), "bytes": b"\0", "inner": {"next": 9991}})
        recorder.commit()
        recorder.event(40.0, 9990, "verdict", "operator")
        assert recorder.trouble == ""
        await recorder.synced()
    paths = [inline.finish(*ending), await remote.finish(*ending)]
    assert paths[1] == tmp_path / "remote" / "run.h5"
    assert datasets(paths[0]) == datasets(paths[1])
    points = []
    for name in ("inline", "remote"):
        assert sorted(p.name for p in (tmp_path / name).iterdir()) == ["journal.db", "run.h5"]
        with read_journal(tmp_path / name) as journal:
            assert journal.restart_point is not None
            points.append({k: np.asarray(v).tolist() for k, v in journal.restart_point.items()})
    assert points[0] == points[1]


@pytest.mark.nights
async def test_synced_returns_once_another_process_can_read_it_all(tmp_path: Path) -> None:
    recorder = await RemoteRecorder.create(tmp_path / "run", header())
    for first in range(1, 400, 40):
        recorder.cycles(likely_rows(first, 40))
        await recorder.synced()
        with read_journal(tmp_path / "run") as journal:
            assert journal.rows("cycles") == first + 39
    await recorder.abandon()


@pytest.mark.nights
async def test_what_nobody_asked_to_commit_is_committed_all_the_same(tmp_path: Path) -> None:
    recorder = await RemoteRecorder.create(tmp_path / "run", header())
    recorder.cycles(likely_rows(1, 5))

    def rows() -> int:
        with read_journal(tmp_path / "run") as journal:
            return journal.rows("cycles")

    await until(lambda: rows() == 5)
    assert recorder.due
    recorder.commit()
    assert not recorder.due
    await recorder.abandon()


@pytest.mark.nights
async def test_wrong_rows_and_samples_are_refused_where_they_are_recorded(tmp_path: Path) -> None:
    recorder = await RemoteRecorder.create(tmp_path / "run", header())
    recorder.cycles(likely_rows(1, 5))
    with pytest.raises(StorageError, match="must go on from 6, got \\[7, 8\\]"):
        recorder.cycles(likely_rows(7, 2))
    two_channels = FullRateRecord("x", 1, 0, 1000.0, SAMPLED, np.zeros((2, 4), np.float32))
    with pytest.raises(StorageError, match="do not fit 3 channels"):
        recorder.full_rate(two_channels)
    with pytest.raises(TypeError, match="restart point cannot hold a object"):
        recorder.restart_point({"what": object()})
    with read_run(await recorder.finish("operator", "asked", 5, 1.0)) as run:
        assert run.column("number").tolist() == [1, 2, 3, 4, 5]


@pytest.mark.nights
async def test_a_folder_that_exists_is_refused_in_one_line(tmp_path: Path) -> None:
    (tmp_path / "mine").write_text("kept")
    with pytest.raises(InputError, match=r"already exists, nothing was written") as caught:
        await RemoteRecorder.create(tmp_path, header())
    assert len(str(caught.value).splitlines()) == 1
    assert [p.name for p in tmp_path.iterdir()] == ["mine"]


@pytest.mark.nights
async def test_a_disk_too_full_to_begin_is_named_and_leaves_the_name_free(tmp_path: Path) -> None:
    command = [sys.executable, "-c", BEGIN]
    with pytest.raises(StorageError, match="make room, then go on"):
        await RemoteRecorder.create(tmp_path / "run", header(), command=command)
    assert not (tmp_path / "run").exists()


@pytest.mark.parametrize(
    ("command", "says"),
    [
        ([sys.executable, "-c", "raise SystemExit(3)"], "the recorder ended with code 3"),
        (["/no/such/python"], "cannot start the recorder: /no/such/python"),
    ],
)
async def test_a_recorder_that_cannot_begin_is_a_storage_error(
    tmp_path: Path, command: list[str], says: str
) -> None:
    with pytest.raises(StorageError, match=says):
        await RemoteRecorder.create(tmp_path / "run", header(), command=command)


@pytest.mark.nights
async def test_signals_of_terminal_and_session_do_not_end_a_recorder(tmp_path: Path) -> None:
    recorder = await RemoteRecorder.create(tmp_path / "run", header())
    pid = recorder.pid
    assert pid is not None
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        os.kill(pid, number)
    recorder.cycles(likely_rows(1, 5))
    await recorder.synced()
    assert recorder.pid == pid
    assert os.getsid(pid) != os.getsid(0)
    await recorder.abandon()
    assert not alive(pid)


@pytest.mark.parametrize("lines", [1, pytest.param(40, marks=pytest.mark.nights)])
async def test_a_recorder_whose_runner_is_killed_ends_and_holds_what_it_acknowledged(
    tmp_path: Path, lines: int
) -> None:
    command = [sys.executable, "-c", RUNNER, str(tmp_path / "run")]
    with subprocess.Popen(command, stdout=-1, text=True, cwd=ROOT) as runner:
        assert runner.stdout is not None
        said = [runner.stdout.readline() for _ in range(lines)]
        runner.kill()
        said += runner.stdout.readlines()
    pid, acknowledged = map(int, [s for s in said if s.endswith("\n")][-1].split())
    await until(lambda: not alive(pid))
    with read_journal(tmp_path / "run") as journal:
        assert journal.rows("cycles") >= acknowledged >= 50 * lines
        assert len(journal.events()) in {journal.rows("cycles") // 50 + d for d in (-1, 0)}


@pytest.mark.nights
async def test_abandoning_keeps_what_was_recorded_and_fails_who_waits(tmp_path: Path) -> None:
    order = tmp_path / "order"
    command = obeying(order)
    recorder = await RemoteRecorder.create(tmp_path / "run", header(), command=command, silence=1.5)
    recorder.cycles(likely_rows(1, 5))
    await recorder.synced()
    order.write_text("refuse")
    recorder.event(1.0, 5, "note", "waits")
    synced = asyncio.get_running_loop().create_task(recorder.synced())
    await asyncio.sleep(0)
    await recorder.abandon()
    with pytest.raises(StorageError, match=r"journal\.db: the record was closed"):
        await synced
    with read_journal(tmp_path / "run") as journal:
        assert journal.rows("cycles") == 5
        assert journal.ending is None

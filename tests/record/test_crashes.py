"""Kills, full disks and damage: nothing acknowledged is lost, nothing damaged goes unseen."""

import json
import random
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import h5py
import pytest

from rig.errors import StorageError
from rig.record import Recorder, read_journal, read_run, rebuild
from tests.record.runs import header, likely_rows

ROOT = Path(__file__).parents[2]
WRITER = """
import sys
from pathlib import Path
from rig.record import Recorder
from tests.record.runs import header, likely_rows
recorder = Recorder.create(Path(sys.argv[1]), header())
rows, event = likely_rows(1, 200_000), 0
while recorder.counted < len(rows):
    first = recorder.counted
    recorder.cycles(rows.part(first, min(len(rows), first + 1 + first % 1777)))
    event += 1
    recorder.event(float(event), recorder.counted, "note", f"block {event}")
    recorder.restart_point({"event": event})
    recorder.commit()
    print(recorder.counted, event, flush=True)
"""
FULL = """
import json, resource, sys
from pathlib import Path
from rig.errors import StorageError
from rig.record import Recorder
from tests.record.runs import header, likely_rows
recorder = Recorder.create(Path(sys.argv[1]), header())
soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
resource.setrlimit(resource.RLIMIT_FSIZE, (400_000, hard))
said, kept = "", 0
while not said and recorder.counted < 100_000:
    recorder.cycles(likely_rows(recorder.counted + 1, 1000))
    try:
        recorder.commit()
        kept = recorder.counted
    except StorageError as error:
        said = str(error)
resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
print(json.dumps({"said": said, "kept": kept, "counted": recorder.counted}), flush=True)
if sys.argv[2] == "again":
    recorder.commit()
recorder.abandon()
"""


BEGIN = """
import resource, sys
from pathlib import Path
from rig.errors import StorageError
from rig.record import Recorder
from tests.record.runs import header
resource.setrlimit(resource.RLIMIT_FSIZE, (9000, 9000))
try:
    Recorder.create(Path(sys.argv[1]), header())
except StorageError as error:
    print(error)
"""


@pytest.mark.parametrize(
    "kill",
    [
        0,
        pytest.param(1, marks=pytest.mark.nights),
        *(pytest.param(n, marks=pytest.mark.endurance) for n in range(2, 6)),
    ],
)
def test_a_kill_loses_nothing_acknowledged_and_leaves_no_hole(tmp_path: Path, kill: int) -> None:
    folder = tmp_path / "run"
    chance = random.Random(kill)
    blocks = chance.randrange(1, 30)
    command = [sys.executable, "-c", WRITER, str(folder)]
    with subprocess.Popen(command, stdout=-1, text=True, cwd=ROOT) as writer:
        assert writer.stdout is not None
        lines = [writer.stdout.readline() for _ in range(blocks)]
        time.sleep(chance.uniform(0.0, 0.01))
        writer.kill()
        lines += writer.stdout.readlines()
    counted, event = map(int, [line for line in lines if line.endswith("\n")][-1].split())
    with read_journal(folder) as journal:
        rows = journal.rows("cycles")
        events = journal.events()
        point = journal.restart_point
    assert rows >= counted
    assert len(events) >= event >= blocks
    assert [e.text for e in events] == [f"block {n}" for n in range(1, len(events) + 1)]
    assert point == {
        "event": len(events),
        "recorded": {"cycles": rows, "build_up": 0, "slow": 0},
    }
    segment = folder / "segments" / "0001.h5"
    with h5py.File(segment, "r", libver=("v110", "v110"), swmr=True) as file:
        streamed = file["cycles/number"][:]
    assert streamed.tolist() == [*range(1, len(streamed) + 1)]
    expected = likely_rows(1, 200_000)
    with read_run(rebuild(folder)) as run:
        assert run.outcome == ""
        for name, column in expected.columns.items():
            assert run.column(name).tobytes() == column[:rows].tobytes(), name


@pytest.mark.nights
@pytest.mark.parametrize("then", ["again", "gone"])
def test_a_full_disk_is_named_and_what_waits_is_written_once_there_is_room(
    tmp_path: Path, then: str
) -> None:
    command = [sys.executable, "-c", FULL, str(tmp_path / "run"), then]
    result = subprocess.run(command, capture_output=True, text=True, check=False, cwd=ROOT)
    assert result.returncode == 0, result.stderr
    answer = json.loads(result.stdout)
    assert "journal.db: cannot write to the journal" in answer["said"]
    assert "make room, then go on" in answer["said"]
    assert answer["kept"] < answer["counted"]
    with read_journal(tmp_path / "run") as journal:
        found = journal.columns("cycles")["number"].tolist()
    assert found == [*range(1, 1 + answer["counted" if then == "again" else "kept"])]


def test_a_disk_too_full_to_begin_leaves_the_name_free(tmp_path: Path) -> None:
    command = [sys.executable, "-c", BEGIN, str(tmp_path / "run")]
    result = subprocess.run(command, capture_output=True, text=True, check=False, cwd=ROOT)
    assert result.stdout.count("make room, then go on") == 1, result.stderr
    assert not (tmp_path / "run").exists()


def recorded(folder: Path) -> None:
    recorder = Recorder.create(folder, header())
    recorder.cycles(likely_rows(1, 9000))
    recorder.event(1.0, 9000, "note", "end of the night")
    recorder.finish("operator", "asked to stop", 9000, 2.0)


@pytest.mark.parametrize(
    ("change", "names"),
    [
        pytest.param(
            "UPDATE chunk SET body = zeroblob(length(body)) WHERE first = 4096",
            "cycles rows 4096",
            marks=pytest.mark.nights,
        ),
        pytest.param(
            "UPDATE chunk SET rows = 4095 WHERE first = 0",
            "cycles rows 0 to 4095",
            marks=pytest.mark.nights,
        ),
        ("DELETE FROM chunk WHERE first = 0", "cycles rows 0 to 4096 are missing"),
        ("UPDATE entry SET body = replace(body, 'night', 'fight')", "events 1"),
        ("UPDATE meta SET body = replace(body, '9000', '9001') WHERE key = 'ending'", "ending"),
    ],
)
def test_damage_inside_the_journal_is_named_and_run_h5_left_alone(
    tmp_path: Path, change: str, names: str
) -> None:
    recorded(tmp_path / "run")
    before = (tmp_path / "run" / "run.h5").read_bytes()
    with sqlite3.connect(tmp_path / "run" / "journal.db") as db:
        db.execute(change)
    db.close()
    with pytest.raises(StorageError, match=rf"journal\.db.*damaged.*{names}"):
        rebuild(tmp_path / "run")
    assert (tmp_path / "run" / "run.h5").read_bytes() == before


@pytest.mark.nights
def test_a_flipped_byte_in_the_file_of_the_journal_is_detected(tmp_path: Path) -> None:
    recorded(tmp_path / "run")
    path = tmp_path / "run" / "journal.db"
    whole = path.read_bytes()
    with sqlite3.connect(path) as db:
        body = db.execute("SELECT body FROM chunk WHERE first = 0").fetchone()[0]
    db.close()
    for part in (body[3000:3040], body[-40:]):
        at = whole.index(part) + 20
        path.write_bytes(whole[:at] + bytes([whole[at] ^ 4]) + whole[at + 1 :])
        with pytest.raises(StorageError, match="damaged at cycles rows 0 to 4096"):
            rebuild(tmp_path / "run")


@pytest.mark.parametrize(
    "length", [100, *(pytest.param(n, marks=pytest.mark.nights) for n in (0, 5000, 60_000))]
)
def test_a_truncated_journal_is_refused_by_name(tmp_path: Path, length: int) -> None:
    recorded(tmp_path / "run")
    path = tmp_path / "run" / "journal.db"
    path.write_bytes(path.read_bytes()[:length])
    with pytest.raises(StorageError, match=r"journal\.db"):
        rebuild(tmp_path / "run")


@pytest.mark.nights
def test_a_damaged_run_file_is_refused_and_made_again(tmp_path: Path) -> None:
    recorded(tmp_path / "run")
    path = tmp_path / "run" / "run.h5"
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    with pytest.raises(StorageError, match=r"run\.h5: cannot read the run file"):
        read_run(path)
    with read_run(rebuild(tmp_path / "run")) as run:
        assert run.column("number").tolist() == [*range(1, 9001)]


def test_a_folder_without_a_journal_is_named(tmp_path: Path) -> None:
    with pytest.raises(StorageError, match="there is no journal"):
        read_journal(tmp_path)


def test_a_failing_segment_does_not_stop_the_record(tmp_path: Path) -> None:
    recorder = Recorder.create(tmp_path / "run", header())
    for segment in (tmp_path / "run" / "segments").iterdir():
        segment.unlink()
    recorder.cycles(likely_rows(1, 9000))
    with read_run(recorder.finish("operator", "asked to stop", 9000, 2.0)) as run:
        assert run.rows() == 9000

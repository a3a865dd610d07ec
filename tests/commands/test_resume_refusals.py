"""What `nightrig resume` refuses, in one line, with nothing moved; and what is damaged."""

from __future__ import annotations

import contextlib
import json
import os
import sqlite3
import tempfile
import threading
from datetime import UTC, datetime
from pathlib import Path

import h5py
import pytest

from rig.assembly.rehearsal import rehearse
from rig.commands.files import load
from rig.control.desk import Request
from rig.control.lock import lock_folder
from rig.record.hold import Hold
from tests.commands.cut_off import copy, files, nightrig, spoil
from tests.record.test_readers import rights_of_an_ordinary_user

pytestmark = pytest.mark.xdist_group("resume")


def refused(capsys, *words: str, code: int = 2) -> str:
    """Return the one line of a refusal, which is one object as well."""
    capsys.readouterr()
    assert nightrig("resume", *words) == code
    said, told = capsys.readouterr()
    assert said == ""
    assert told.count("\n") == 1
    assert nightrig("resume", *words, "--json") == code
    said, _ = capsys.readouterr()
    assert json.loads(said)["outcome"] is None
    return told.strip()


def test_a_folder_without_a_run_is_refused(tmp_path, capsys):
    assert "there is no such folder" in refused(capsys, str(tmp_path / "night-1"))
    assert "is no run, there is no journal.db in it" in refused(capsys, str(tmp_path))


def test_a_run_that_was_cut_off_while_it_was_made_has_nothing_to_go_on_with(tmp_path, capsys):
    (tmp_path / "journal.db.new").write_bytes(b"half")
    told = refused(capsys, str(tmp_path))
    assert told.endswith("nothing was moved, nothing is kept; remove the folder and start again")
    hold = Hold(tmp_path)
    assert refused(capsys, str(tmp_path)).endswith("a run is just being made there; look once more")
    hold.close()


@pytest.mark.parametrize("name", ["killed", "closed"])
def test_a_folder_that_somebody_holds_is_refused_with_the_holder(name, request, tmp_path, capsys):
    out = copy(request.getfixturevalue(name), tmp_path)
    lock = lock_folder(out, datetime.now(UTC))
    told = refused(capsys, str(out))
    lock.release()
    assert f"the folder is in use (process {os.getpid()}, user " in told
    assert told.endswith(f"see it with: nightrig watch {out}")


@pytest.mark.parametrize(
    ("words", "line"),
    [
        (["--mended", " "], '--mended: say what was done, such as --mended "sensor cable renewed"'),
        (["--mended", "cable", "--end"], "--mended goes on and --end does not: give one of them"),
        (["--detach"], "is a rehearsal; --rig, --detach and --on-call are for tests in real time"),
        (["--on-call", "B. Name, 12"], "--rig, --detach and --on-call are for tests in real time"),
    ],
)
def test_words_that_do_not_fit_are_refused(killed, tmp_path, capsys, words, line):
    out = copy(killed, tmp_path)
    before = (out / "journal.db").read_bytes()
    assert refused(capsys, str(out), *words).endswith(line)
    assert (out / "journal.db").read_bytes() == before
    assert not (out / "run.h5").exists()


@pytest.mark.nights
def test_a_disk_too_small_for_what_is_left_is_refused_as_at_the_start(tmp_path, capsys):
    protocol, rig = files(tmp_path, 10**9)
    slow = Path(protocol).read_text().replace('frequency = "10 Hz"', 'frequency = "0.01 Hz"')
    # A million cycles of 100 s, sample by sample: terabytes.
    Path(protocol).write_text(slow + 'first = "1000000 cycles"\n')
    plan, out = load(protocol, rig), tmp_path / "run"
    rehearse(plan, out, 1, script=((0.5, Request("stop", who="A. Name")),))
    run = (out / "run.h5").read_bytes()
    told = refused(capsys, str(out), code=6)
    assert "nothing was started; make room or name another disk" in told
    assert (out / "run.h5").read_bytes() == run


PLACES = (100_000, 150_000)


def inside(journal: Path, query: str) -> int:
    """Return a place in the file of a journal in the middle of the first body that is found."""
    with contextlib.closing(sqlite3.connect(f"{journal.as_uri()}?immutable=1", uri=True)) as found:
        (body,) = found.execute(query).fetchone()
    kept, middle = journal.read_bytes(), len(body) // 2
    # One that reaches over the end of a page does not stand in one piece.
    pieces = (body[at : at + 64] for at in range(middle, middle + 256, 64))
    return next(place for piece in pieces if (place := kept.find(piece)) >= 0)


@pytest.mark.nights
def test_a_damaged_journal_is_named_and_what_holds_is_saved(closed, tmp_path, capsys):
    out = copy(closed, tmp_path)
    journal = out / "journal.db"
    bodies = ("chunk WHERE kind = 'cycles'", "samples")
    spoil(journal, *(inside(journal, f"SELECT body FROM {where}") for where in bodies))
    damaged = (out / "journal.db").read_bytes()
    capsys.readouterr()
    for number in (1, 2):
        assert nightrig("resume", str(out)) == 6
        said, told = capsys.readouterr()
        assert said == ""
        lines = told.splitlines()
        assert lines[0].startswith(f"{out}/journal.db: the journal is damaged: cycles ")
        assert lines[1] == f"{out}/run.h5 is whole and holds everything of the ended run"
        assert lines[2] == f"saved in {out}/saved-{number}.h5:"
        assert lines[-1] == "keep a copy of the folder before anything else"
        with h5py.File(out / f"saved-{number}.h5") as saved:
            assert saved.attrs["format"] == "nightrig-salvage"
            holes = [row["words"].decode() for row in saved["holes"][:]]
        named = [line.strip() for line in lines[lines.index("not saved:") + 1 : -1]]
        assert named == holes
    assert (out / "journal.db").read_bytes() == damaged
    (out / "run.h5").unlink()
    assert nightrig("resume", str(out), "--json") == 6
    told = json.loads(capsys.readouterr().out)["why"]
    assert "run.h5" not in told
    assert f"saved in {out}/saved-3.h5:" in told.splitlines()


def test_what_cannot_be_saved_is_said_and_so_is_all_damage(closed, capsys):
    with tempfile.TemporaryDirectory() as name:
        out = copy(closed, Path(name))
        spoil(out / "journal.db", *PLACES)
        # Everybody may go there: what is tried is the right to write.
        Path(name).chmod(0o755)
        out.chmod(0o555)
        capsys.readouterr()
        with rights_of_an_ordinary_user():
            code = nightrig("resume", str(out))
        out.chmod(0o755)
        left = list(out.glob("saved*"))
    lines = capsys.readouterr().err.splitlines()
    assert (code, left) == (6, [])
    assert lines[1].startswith("what holds of it could not be saved: ")
    assert lines[2] == "damage:"


def test_a_journal_of_nothing_but_noise_is_no_traceback(closed, tmp_path, capsys):
    out = copy(closed, tmp_path)
    (out / "journal.db").write_bytes(b"noise" * 20_000)
    capsys.readouterr()
    assert nightrig("resume", str(out)) == 6
    told = capsys.readouterr().err
    assert told.startswith(f"{out}/journal.db: the journal is damaged: ")
    assert "Traceback" not in told


@pytest.mark.nights
def test_a_recorder_that_still_writes_is_waited_for(killed, tmp_path, capsys):
    out = copy(killed, tmp_path)
    hold = Hold(out)
    soon = threading.Timer(0.5, hold.close)
    soon.start()
    assert nightrig("resume", str(out), "--end") == 5
    soon.join()
    assert "closed as it stands; nothing was moved" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("left", "line"),
    [
        ("run.h5", "run.h5 is there: of a test that had ended it holds everything; keep a copy"),
        ("journal.db-wal", "journal.db-wal may hold a part of it; keep a copy of the folder"),
        ("segments", "segments may hold a part of it; keep a copy of the folder"),
    ],
)
def test_a_journal_that_is_gone_is_named_with_what_is_left(left, line, closed, tmp_path, capsys):
    out = copy(closed, tmp_path)
    (out / "journal.db").unlink()
    kept = (out / "run.h5").read_bytes()
    (out / "run.h5").unlink()
    if left == "segments":
        (out / left).mkdir()
    else:
        (out / left).write_bytes(kept)
    told = refused(capsys, str(out), code=6)
    assert told.startswith(f"{out}: its journal.db is missing; {line}")
    assert told.endswith("look for a backup of journal.db")

"""Processes that die right after one write of a record, each a fork of one that has begun.

`killed` runs this module as a program of its own; it has to be one that has no threads.
"""

import json
import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from rig.record import Recorder, after_end, journal, process, recorder, runfile, segment, take_up
from rig.record.wire import pack, packed_rows
from tests.record.runs import BARE, header, likely_rows, record_everything

ROOT = Path(__file__).parents[2]
taking_up = sys.modules["rig.record.take_up"]
END = ("operator", "asked to stop", 5000, 60.0)
ADDED = "rust at mid-span"
KEPT = {"cycles": 4500, "build_up": 150, "slow": 0}


def die() -> None:
    """Be killed, as by somebody else."""
    os.kill(os.getpid(), signal.SIGKILL)


def after(owner: Any, name: str, when: Callable[..., bool] = lambda *_: True) -> None:
    """Die right after a call of this name, where it says so."""
    call = getattr(owner, name)

    def called(*given: Any, **more: Any) -> Any:
        fatal = when(*given)
        result = call(*given, **more)
        if fatal:
            die()
        return result

    setattr(owner, name, called)


def before(owner: Any, name: str) -> None:
    """Die instead of a call of this name."""
    setattr(owner, name, lambda *_: die())


def commit_of(key: str) -> Callable[..., bool]:
    """Tell whether a commit writes this key."""
    return lambda writer: key in writer._meta


def create(folder: Path) -> None:
    Recorder.create(folder, header())


def commit(folder: Path) -> None:
    """Two commits with a restart point each; rows behind the second are not committed."""
    recorder = Recorder.create(folder, header())
    record_everything(recorder)
    recorder.restart_point({"next": 5001})
    recorder.commit()
    recorder.cycles(likely_rows(5001, 40))
    recorder.event(50.0, 5040, "verdict", "committed at once")
    recorder.cycles(likely_rows(5041, 40))
    recorder.restart_point({"next": 5081})
    recorder.status(BARE)
    recorder.commit()


def finish(folder: Path) -> None:
    recorder = Recorder.create(folder, header())
    record_everything(recorder)
    recorder.finish(*END)


def again(folder: Path) -> None:
    """An ended run is taken up again."""
    take_up(folder, KEPT)


def add(folder: Path) -> None:
    """Something is added to the crack log of an ended run."""
    with after_end.added_after(folder) as record:
        entry = record.new("words", "B. Name", "2001-01-03T08:00:00+00:00", ADDED)
        record.add(replace(entry, number=2))


def remote(folder: Path) -> None:
    """A recorder process takes messages from a runner and answers."""
    reading, writing = os.pipe()
    fields = recorder.tables(header())["cycles"]
    messages = [("create", str(folder), header().to_json())]
    for number in range(1, 8):
        rows = packed_rows(fields, likely_rows(10 * number - 9, 10))
        messages += [(2 * number - 1, "cycles", rows), (2 * number, "commit", ())]
    os.write(writing, b"".join(map(pack, messages)))
    os.close(writing)
    process.Service(
        reading, os.open(folder.with_suffix(".answers"), os.O_WRONLY | os.O_CREAT)
    ).run()


Arm = Callable[[], None]
POINTS: Mapping[str, tuple[Callable[[Path], None], Arm]] = {
    "journal.db.new": (create, lambda: after(journal, "sync_file")),
    "journal.db": (create, lambda: after(journal, "_create")),
    "segment": (create, lambda: after(segment.Segment, "__init__")),
    "commit": (commit, lambda: after(journal.JournalWriter, "commit", commit_of("restart"))),
    "event at once": (
        commit,
        lambda: after(journal.JournalWriter, "commit", lambda w: w._entries == 8),
    ),
    "status": (commit, lambda: after(journal.JournalWriter, "commit", commit_of("status"))),
    "message": (
        remote,
        lambda: after(journal.JournalWriter, "commit", lambda w: w.received == 10),
    ),
    "ending": (finish, lambda: after(journal.JournalWriter, "commit", commit_of("ending"))),
    "run.h5.new": (finish, lambda: after(runfile, "sync_file")),
    "digest": (finish, lambda: after(journal.JournalWriter, "commit", commit_of("run_file"))),
    "run.h5": (finish, lambda: after(runfile, "sync_folder")),
    "segments removed": (finish, lambda: after(recorder, "sync_folder")),
    "one file": (finish, lambda: after(journal.JournalWriter, "settle")),
    "before run.h5 goes": (again, lambda: before(taking_up, "_take_run_file_away")),
    "run.h5 gone": (again, lambda: before(taking_up, "sync_folder")),
    "run.h5 removed": (again, lambda: after(taking_up, "sync_folder")),
    "before the ending goes": (again, lambda: before(journal.JournalWriter, "commit")),
    "ending removed": (again, lambda: after(journal.JournalWriter, "commit")),
    "before the entry": (add, lambda: before(journal.JournalWriter, "commit")),
    "entry": (add, lambda: after(journal.JournalWriter, "commit", lambda w: bool(w._waiting))),
    "new run.h5.new": (add, lambda: after(runfile, "sync_file")),
    "new digest": (add, lambda: after(journal.JournalWriter, "commit", commit_of("run_file"))),
    "new run.h5": (add, lambda: after(runfile, "sync_folder")),
    "new one file": (add, lambda: after(journal.JournalWriter, "settle")),
}
"""What is being done, and how it dies, by the write after which it does."""


def killed(place: Path, names: Mapping[str, Path | None]) -> None:
    """Do what each of `POINTS` names into a folder of that name, and be killed.

    Folders to begin with are copied there.
    """
    for name, source in names.items():
        if source is not None:
            shutil.copytree(source, place / name)
    command = [sys.executable, "-m", "tests.record.kills", str(place), json.dumps([*names])]
    subprocess.run(command, check=True, cwd=ROOT)


def main(place: Path, names: list[str]) -> None:
    for name in names:
        child = os.fork()
        if child == 0:
            do, arm = POINTS[name]
            arm()
            do(place / name)
            os._exit(1)
        _, status = os.waitpid(child, 0)
        if not os.WIFSIGNALED(status) or os.WTERMSIG(status) != signal.SIGKILL:
            sys.exit(f"{name}: was not killed, status {status}")


if __name__ == "__main__":
    main(Path(sys.argv[1]), json.loads(sys.argv[2]))

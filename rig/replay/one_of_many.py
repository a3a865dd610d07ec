"""One recording of many judged again: a function that another process can be given."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from rig.errors import RigError, StorageError
from rig.record.journal import JOURNAL
from rig.record.layout import RUN_FILE
from rig.replay.judged import Replayed, agreement, differences, recorded, replay
from rig.replay.recording import open_recording

Read = Callable[[str], str]
"""Takes a path and returns its text; a function of a module, so that other processes find it."""


@dataclass(frozen=True, slots=True)
class Task:
    """A run's folder, and the path of a protocol in place of the recorded one, which `read` reads.

    Paths are absolute: who does the work may stand elsewhere.
    """

    run: str
    protocol: str | None
    read: Read


@dataclass(frozen=True, slots=True)
class Verdict:
    """How a test ended or would have: outcome, None for no end, and the counted cycle."""

    outcome: str | None
    cycles: int


@dataclass(frozen=True, slots=True)
class Compared:
    """One recording: what was recorded, what is found today, whether they agree, and the words.

    Where it could not be judged both are None, `why` says why, and `code` is the exit code of
    that error, else 0.
    """

    run: str
    recorded: Verdict | None
    replayed: Verdict | None
    agrees: bool
    why: tuple[str, ...]
    code: int = 0


def replay_one(task: Task) -> Compared:
    """Judge one recording again; whatever goes wrong is told in what is returned."""
    try:
        with open_recording(_readable(Path(task.run))) as recording:
            given = task.protocol
            plan = recording.plan_with(given, task.read) if given else recording.plan()
            then, now = recorded(recording), replay(recording, plan)
            differ = differences(recording, plan, then, now)
            why = differ or (agreement(recording, now),)
            return Compared(task.run, _verdict(then), _verdict(now), not differ, why)
    except RigError as error:
        return failed(task.run, error)
    except Exception as error:  # noqa: BLE001 - a defect met by one must not end the others
        words = f"a defect of this program: {type(error).__name__}: {error}"
        return failed(task.run, RigError(words))


def failed(run: str, error: RigError) -> Compared:
    """Return that a run could not be judged, in one line."""
    words = "; ".join(str(error).splitlines()).removeprefix(f"{run}: ")
    return Compared(run, None, None, False, (words,), error.exit_code)


def _readable(run: Path) -> Path:
    if (run / JOURNAL).exists() or (run / RUN_FILE).exists():
        return run
    raise StorageError(f"its {JOURNAL} is missing, and what is left cannot be read without it")


def _verdict(found: Replayed) -> Verdict:
    return Verdict(found.outcome, found.cycles)

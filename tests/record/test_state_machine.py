"""Any order of recording, committing, crashing, taking up, ending and damage keeps the record."""

import os
import random
import shutil
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from rig.errors import InputError, StorageError
from rig.record import (
    FullRateRecord,
    Recorder,
    damage_in_journal,
    read_journal,
    read_run,
    rebuild,
    take_up,
    trouble_in_run_file,
)
from tests.record.runs import BARE, SAMPLED, header, likely_rows

MORE = os.environ.get("NIGHTRIG_EXAMPLES") == "endurance"
MOST = 20_000
NIGHTS = [likely_rows(1, MOST), replace(likely_rows(1, MOST))]
NIGHTS[1].columns["load_max"] = NIGHTS[0].columns["load_max"] + 1000.0
"""The same counts with different loads: what is recorded again after a cut differs."""


@dataclass
class Model:
    """What the record must hold: loads of cycles and build-up, times, texts, counts."""

    cycles: list[np.ndarray] = field(default_factory=list)
    build_up: list[np.ndarray] = field(default_factory=list)
    slow: list[float] = field(default_factory=list)
    texts: list[str] = field(default_factory=list)
    samples: int = 0
    point: int | None = None
    recorded: dict[str, int] = field(default_factory=dict)
    status: int | None = None
    received: int = 0
    ended: bool = False

    def copy(self) -> "Model":
        return replace(
            self,
            cycles=[*self.cycles],
            build_up=[*self.build_up],
            slow=[*self.slow],
            texts=[*self.texts],
            recorded=dict(self.recorded),
        )

    def rows(self) -> dict[str, int]:
        lengths = (sum(map(len, self.cycles)), sum(map(len, self.build_up)), len(self.slow))
        return dict(zip(("cycles", "build_up", "slow"), lengths, strict=True))


def open_only(method: Callable[..., None]) -> Callable[..., None]:
    return precondition(lambda machine: machine.recorder is not None)(method)


def closed_only(method: Callable[..., None]) -> Callable[..., None]:
    return precondition(lambda machine: machine.recorder is None)(method)


class Record(RuleBasedStateMachine):
    """`now` is what was recorded, `kept` what was committed."""

    def __init__(self) -> None:
        super().__init__()
        self.place = Path(tempfile.mkdtemp())
        self.folder = self.place / "0"
        self.copies = 0
        self.count = 0
        self.night = 0
        self.recorder: Recorder | None = None
        self.now, self.kept = Model(), Model()

    @initialize()
    def create(self) -> None:
        self.recorder = Recorder.create(self.folder, header())

    @open_only
    @rule(count=st.sampled_from([1, 60, 700, 4096, 5000]))
    def cycles(self, count: int) -> None:
        first = self.recorder.counted
        rows = NIGHTS[self.night].part(first, min(first + count, MOST))
        self.recorder.cycles(rows)
        self.now.cycles.append(rows["load_max"])

    @open_only
    @rule(count=st.sampled_from([1, 130, 4097]))
    def build_up(self, count: int) -> None:
        rows = NIGHTS[self.night].part(0, count)
        self.recorder.build_up(rows)
        self.now.build_up.append(rows["load_max"])

    @open_only
    @rule()
    def second(self) -> None:
        self.count += 1
        self.recorder.slow(float(self.count), {"temperature_air": 290.0})
        self.now.slow.append(float(self.count))
        self.recorder.full_rate(
            FullRateRecord("kept", 1, 7, 1e3, SAMPLED, np.full((3, 8), self.count, np.float32))
        )
        self.now.samples += 1

    @open_only
    @rule(kind=st.sampled_from(["note", "state"]))
    def event(self, kind: str) -> None:
        self.count += 1
        self.now.texts.append(f"{kind} {self.count}")
        self.recorder.event(1.0, self.recorder.counted, kind, self.now.texts[-1])
        if kind == "state":
            self.kept = self.now.copy()

    @open_only
    @rule()
    def restart_point(self) -> None:
        self.count += 1
        self.recorder.restart_point({"point": self.count, "tail": bytes(5000)})
        self.recorder.status(replace(BARE, cycles=self.count))
        self.recorder.received = self.now.received = self.count
        self.now.point = self.now.status = self.count
        self.now.recorded = self.now.rows()

    @open_only
    @rule()
    def commit(self) -> None:
        self.recorder.commit()
        self.kept = self.now.copy()

    @open_only
    @rule()
    def crash(self) -> None:
        """What is on the disk now is all there is: the program gets no word in any more."""
        self.copies += 1
        copy = shutil.copytree(self.folder, self.place / str(self.copies))
        self.recorder.abandon()
        self.recorder, self.folder = None, copy
        self.now = self.kept.copy()

    @closed_only
    @rule()
    def reopen(self) -> None:
        if self.kept.ended:
            with pytest.raises(InputError, match="this run has ended"):
                Recorder.reopen(self.folder, header())
            return
        self.recorder = Recorder.reopen(self.folder, header())
        assert self.recorder.counted == self.kept.rows()["cycles"]

    @closed_only
    @rule(cut=st.booleans())
    def take_up(self, cut: bool) -> None:
        keep = self.kept.recorded if cut and self.kept.recorded else None
        take_up(self.folder, keep)
        assert not (self.folder / "run.h5").exists()
        if keep is not None:
            self.night = 1 - self.night
            for kind, rows in keep.items():
                whole = getattr(self.kept, kind)
                if kind == "slow":
                    del whole[rows:]
                else:
                    whole[:] = [np.concatenate([*whole, np.empty(0, np.float32)])[:rows]]
        self.kept.ended = False
        self.now = self.kept.copy()

    @open_only
    @rule()
    def finish(self) -> None:
        self.recorder.finish("operator", "asked to stop", self.recorder.counted, 9.0)
        self.recorder = None
        self.now.ended = True
        self.kept = self.now.copy()
        assert trouble_in_run_file(self.folder) == ""

    @closed_only
    @precondition(lambda self: (self.folder / "run.h5").exists())
    @rule(seed=st.integers(0, 2**16))
    def damage_run_file(self, seed: int) -> None:
        path, chance = self.folder / "run.h5", random.Random(seed)
        whole = path.read_bytes()
        at = chance.randrange(len(whole))
        path.write_bytes(whole[:at] + bytes([whole[at] ^ 8]) + whole[at + 1 :])
        assert f"{path} is damaged" in trouble_in_run_file(self.folder)
        rebuild(self.folder)
        self.look_at_run_file()

    @closed_only
    @rule()
    def damage_journal(self) -> None:
        copy = shutil.copytree(self.folder, self.place / "damaged")
        path = copy / "journal.db"
        path.write_bytes(path.read_bytes()[: -path.stat().st_size // 2])
        if not damage_in_journal(copy):
            # All of that half was in the log too.
            self.look(copy)
        else:
            with pytest.raises(StorageError):
                take_up(copy)
        shutil.rmtree(copy)

    def look_at_run_file(self) -> None:
        assert trouble_in_run_file(self.folder) == ""
        with read_run(self.folder) as run:
            assert {kind: run.rows(kind) for kind in self.kept.rows()} == self.kept.rows()
            assert [event.text for event in run.events()] == self.kept.texts
            assert run.outcome == ("operator" if self.kept.ended else "")

    @invariant()
    def committed(self) -> None:
        if (self.folder / "journal.db").exists():
            self.look(self.folder)

    def look(self, folder: Path) -> None:
        kept = self.kept
        with read_journal(folder) as journal:
            assert {kind: journal.rows(kind) for kind in kept.rows()} == kept.rows()
            for kind, loads in (("cycles", kept.cycles), ("build_up", kept.build_up)):
                found = journal.columns(kind)
                expected = np.concatenate([*loads, np.empty(0, np.float32)])
                np.testing.assert_array_equal(found["load_max"], expected)
            assert journal.columns("slow")["time"].tolist() == kept.slow
            assert [event.text for event in journal.events()] == kept.texts
            assert len(journal.sample_heads("full_rate")) == kept.samples
            assert (journal.restart_point or {}).get("point") == kept.point
            assert (journal.status.cycles if journal.status else None) == kept.status
            assert journal.received == kept.received
            assert (journal.ending is not None) is kept.ended

    def teardown(self) -> None:
        if self.recorder is not None:
            self.recorder.abandon()
        shutil.rmtree(self.place)


@pytest.mark.hypothesis
def test_the_record_is_what_was_committed_whatever_happens() -> None:
    run_state_machine_as_test(
        Record, settings=settings(max_examples=300 if MORE else 6, stateful_step_count=30)
    )

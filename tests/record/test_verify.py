"""A run.h5 whose bytes changed, or that says anything else than the journal, is never taken."""

import random
import shutil
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import h5py
import pytest

from rig.errors import StorageError
from rig.record import Recorder, rebuild, take_up, trouble_in_run_file
from rig.record.journal import JournalWriter
from rig.record.verify import digest, part_length
from tests.record.runs import datasets, header, record_everything


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a finished run with something of everything; it is not to be changed."""
    folder = tmp_path_factory.mktemp("whole") / "run"
    recorder = Recorder.create(folder, header())
    record_everything(recorder)
    recorder.finish("operator", "asked to stop", 5000, 60.0)
    return folder


@pytest.fixture
def run(whole: Path, tmp_path: Path) -> Path:
    return shutil.copytree(whole, tmp_path / "run")


def changed(whole: bytes, kind: str, chance: random.Random) -> bytes:
    """A file's bytes with one bit flipped, 512 bytes zeroed, or the end cut off."""
    at = chance.randrange(len(whole))
    if kind == "flip":
        return whole[:at] + bytes([whole[at] ^ 1 << chance.randrange(8)]) + whole[at + 1 :]
    page = whole[at : at + 512]
    return whole[:at] if kind == "cut" else whole[:at] + b"\0" * len(page) + whole[at + 512 :]


@pytest.mark.parametrize("kind", ["flip", "zero", "cut"])
def test_a_run_file_whose_bytes_changed_is_never_taken_for_whole(run: Path, kind: str) -> None:
    path = run / "run.h5"
    verified = path.read_bytes()
    assert trouble_in_run_file(run) == ""
    chance = random.Random(kind)
    for _ in range(10):
        damaged = changed(verified, kind, chance)
        path.write_bytes(damaged)
        assert bool(trouble_in_run_file(run)) is (damaged != verified)


def test_damage_is_told_with_its_place(run: Path) -> None:
    path = run / "run.h5"
    whole = path.read_bytes()
    length = part_length(len(whole))
    path.write_bytes(whole[: 3 * length] + bytes([whole[3 * length] ^ 1]) + whole[3 * length + 1 :])
    place = f"bytes {3 * length} to {4 * length - 1} are not as they were verified"
    assert trouble_in_run_file(run) == f"{path} is damaged: {place}"
    path.write_bytes(whole[:-1])
    sizes = f"it has {len(whole) - 1} bytes, the file that was verified has {len(whole)}"
    assert trouble_in_run_file(run) == f"{path} is damaged: {sizes}"
    path.write_bytes(whole[::-1])
    assert "no part of it is as it was verified" in trouble_in_run_file(run)
    path.unlink()
    assert trouble_in_run_file(run) == f"{path} is missing"


CHANGES: dict[str, Callable[[h5py.File], object]] = {
    "attribute outcome": lambda f: f.attrs.modify("outcome", "failure"),
    "attribute seed": lambda f: f.attrs.modify("seed", "7"),
    "names of attributes": lambda f: f.attrs.create("mine", 1),
    "names of datasets": lambda f: f.create_dataset("cycles/mine", data=[1]),
    "attributes of cycles/time": lambda f: f["cycles/time"].attrs.modify("units", "ms"),
    "attributes of build_up/flags": lambda f: f["build_up/flags"].attrs.modify("meanings", "{}"),
    "protocol": lambda f: f["protocol"].__setitem__((), "title = 'e'\n"),
    "/cycles/number": lambda f: f["cycles/number"].__setitem__(4999, 5001),
    "/cycles/load_max": lambda f: f["cycles/load_max"].__setitem__(7, 1.0),
    "rows of /cycles/wet": lambda f: f["cycles/wet"].resize((5001,)),
    "/slow/temperature_air": lambda f: f["slow/temperature_air"].__setitem__(1, 0.0),
    "events": lambda f: f["events"].__setitem__(0, (0.0, 0, "state", "approach ended")),
    "static/stiffness": lambda f: f["static/stiffness"].__setitem__(0, 1.0),
    "/static/samples/load": lambda f: f["static/samples/load"].__setitem__(3, 1.0),
    "full_rate/index": lambda f: f["full_rate/index"].__setitem__(0, ("", 1, 7, 0, 30, 1e3)),
    "/full_rate/support_left": lambda f: f["full_rate/support_left"].__setitem__(0, 0.0),
    "length of /full_rate/load": lambda f: f["full_rate/load"].resize((42,)),
}


@pytest.mark.parametrize("what", CHANGES)
def test_everything_it_says_is_held_against_the_journal(run: Path, what: str) -> None:
    with h5py.File(run / "run.h5", "r+") as file:
        CHANGES[what](file)
    # As if these bytes had been verified: only the comparison is left to see it.
    with closing(JournalWriter(run)) as journal:
        journal.run_file(digest(run / "run.h5"))
        journal.commit()
        journal.settle()
    said = trouble_in_run_file(run)
    assert said == f"{what} in run.h5 does not read back as it was written"


@pytest.mark.nights
def test_a_run_file_older_than_its_journal_is_told(run: Path) -> None:
    old = (run / "run.h5").read_bytes()
    first = datasets(run / "run.h5")
    take_up(run)
    (run / "run.h5").write_bytes(old)
    assert "run.h5 is not what the journal would make: it is older" in trouble_in_run_file(run)
    rebuild(run)
    assert trouble_in_run_file(run) == ""
    recorder = Recorder.reopen(run, header())
    recorder.event(61.0, 5000, "note", "gone on")
    recorder.commit()
    recorder.abandon()
    assert trouble_in_run_file(run) == "events in run.h5 does not read back as it was written"
    assert datasets(rebuild(run)) != first


def test_a_damaged_journal_is_not_compared_with(run: Path) -> None:
    path = run / "journal.db"
    path.write_bytes(path.read_bytes()[:-5000])
    with pytest.raises(StorageError, match=r"journal\.db"):
        trouble_in_run_file(run)

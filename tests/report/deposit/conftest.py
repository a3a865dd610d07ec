"""A made run with texts and pictures out to harm, and its deposit, once for all tests."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import pytest
from PIL import Image

from rig.record import Recorder
from rig.record.cracks import CrackEntry
from rig.record.pictures import keep_picture
from rig.report.deposit.people import read_authors
from rig.report.deposit.writing import Asked, Deposited, deposit
from tests.record.runs import header, record_everything

NASTY = (
    "=1+1 <script>alert(1)</script> ../../x \x1b[2J \"q\" 'n': # {} & \u202e%0a\n- Übung \U0001f600"
)
# The person of ORCID's own example, who is invented.
AUTHORS = ("Carberry, Josiah; 0000-0002-1825-0097", "Doe, Jo")


@dataclass(frozen=True)
class Made:
    """A run with a deposit made of it."""

    run: Path
    folder: Path
    told: Deposited


def pictures(folder: Path) -> tuple[Path, Path]:
    """Make a JPEG that tells where it was taken, 1 degree north and east, and a plain PNG."""
    place = Image.Exif()
    place[0x8825] = {1: "N", 2: (1.0, 0.0, 0.0), 3: "E", 4: (1.0, 0.0, 0.0)}
    taken, plain = folder / "taken.jpg", folder / "plain.png"
    Image.new("RGB", (8, 8), "grey").save(taken, exif=place)
    Image.new("RGB", (8, 8), "grey").save(plain)
    return taken, plain


def entry(number: int, picture: str) -> CrackEntry:
    return CrackEntry(
        *(number, 21.0, 11, "picture"), by=NASTY, text=NASTY, crack="=C1", picture=picture
    )


def make_run(folder: Path, *, ended: bool = True, simulated: bool = True) -> Path:
    """Record something of every kind; `folder` is the run's own."""
    folder.parent.mkdir(parents=True, exist_ok=True)
    told = replace(
        header(), title=NASTY + "y" * 5000, specimen_id="../P-7", run_id=NASTY, simulated=simulated
    )
    recorder = Recorder.create(folder, told)
    record_everything(recorder)
    kept = [keep_picture(folder, path).sha256 for path in pictures(folder.parent)]
    for number, picture in enumerate((*kept, "../../secret"), start=2):
        recorder.crack(entry(number, picture))
    recorder.event(40.0, 12, "note", NASTY)
    if ended:
        recorder.finish("run-out", NASTY, 12, 50.0)
    else:
        recorder.commit()
        recorder.abandon()
    return folder


@pytest.fixture(scope="session")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    """A deposit with two authors and a licence."""
    place = tmp_path_factory.mktemp("deposit")
    (place / "secret.jpg").write_bytes(b"\xff\xd8\xff none of the run")
    run = make_run(place / "below" / "run")
    asked = Asked(authors=read_authors(AUTHORS), licence="CC-BY-4.0")
    return Made(run, place / "out", deposit(run, place / "out", asked))

"""The demo clears its own place, and nothing of anybody else's."""

from __future__ import annotations

import pytest

from rig.commands.demo import FIGURE, PROTOCOLS, make_room
from rig.errors import InputError


def demo_files(folder) -> None:
    for name in PROTOCOLS:
        (folder / name / "segments").mkdir(parents=True)
        # As a demo leaves them, whole or broken off.
        for file in ("journal.db", "journal.db-wal", "run.h5", "lock", "segments/0001.h5"):
            (folder / name / file).touch()
    (folder / FIGURE).touch()


def test_what_an_earlier_demo_left_makes_room(tmp_path):
    demo_files(tmp_path)
    make_room(tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_a_first_demo_makes_its_folder(tmp_path):
    make_room(tmp_path / "demo-out")
    assert (tmp_path / "demo-out").is_dir()


@pytest.mark.parametrize("strange", ["notes.txt", f"{PROTOCOLS[0]}/notes.txt", "night-1/run.h5"])
def test_anything_else_is_left_alone_and_refused_by_name(tmp_path, strange):
    demo_files(tmp_path)
    file = tmp_path / strange
    file.parent.mkdir(exist_ok=True)
    file.write_text("keep me")
    with pytest.raises(InputError, match=r"which no demo made"):
        make_room(tmp_path)
    assert file.read_text() == "keep me"
    assert (tmp_path / PROTOCOLS[0] / "run.h5").exists()

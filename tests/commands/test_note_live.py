"""Readings, pictures and prompts at a live test through its own door, and after its end."""

from __future__ import annotations

import os
import signal

import h5py
import pytest

from rig.record import read_journal
from rig.record.cracks import read_cracks
from tests.assembly.nights import COMMAND, a_night
from tests.record.test_pictures import PNG

pytestmark = pytest.mark.xdist_group("serial")
BY = ("--by", "A. Name")
INSPECTED = """
[inspections]
at = ["20 cycles"]
map_cracks = "ask"
go_on_after = "10 min"
"""


@pytest.fixture
def night(tmp_path):
    with a_night(tmp_path, run_out=100_000) as night:
        protocol = night.folder / "protocol.toml"
        protocol.write_text(protocol.read_text() + INSPECTED)
        yield night


def log_of(night) -> list[tuple[str, str, str]]:
    with read_journal(night.out) as journal:
        return [(e.kind, e.crack, e.face) for e in read_cracks(journal)]


FIRST = ("--crack", "C1", "--face", "front", "--at", "400 mm", "--width", "0.12 mm")


@pytest.mark.nights
def test_a_crack_map_is_taken_at_a_live_test_and_finished_after_its_end(night):
    assert night.finished(night.order("--detach")).returncode == 0
    night.until_state("waiting")
    terminal = night.on_terminal([*COMMAND, "note", "night-1", "--cracks", *BY])
    terminal.until("The inspection is held.")  # before anything is answered
    night.until_state("locked")
    terminal.type(".")
    terminal.until("0 readings written down; nobody near it any more? go on with: nightrig")
    terminal.close()
    shot = night.folder / "shot"
    shot.write_bytes(PNG)
    written = night.nightrig("note", "night-1", *FIRST, "--picture", "shot", *BY)
    assert written.returncode == 0, written.stderr
    assert written.stdout.startswith("acted: written down: entry 1: C1 front, 400 mm from the")
    assert written.stdout.splitlines()[-1] == "recorded"
    assert len(list((night.out / "pictures").iterdir())) == 1

    refused = night.nightrig("note", "night-1", "--crack", "C1", "--width", "0.4 m", *BY)
    assert (refused.returncode, refused.stdout.split(":")[0]) == (2, "refused")
    assert "is above 20 mm" in refused.stdout
    early = night.nightrig("note", "night-1", "--mode", "shear")
    assert early.returncode == 2
    assert "--mode is written after the end, and this test still runs" in early.stderr
    shot.write_bytes(PNG + b"another")
    unbound = night.nightrig("note", "night-1", "--crack", "C9", "--picture", "shot", *BY)
    assert unbound.returncode == 2
    assert len(list((night.out / "pictures").iterdir())) == 1

    terminal = night.on_terminal([*COMMAND, "note", "night-1", "--cracks", *BY])
    for question, answer in (
        ("1 of 1: C1 front", "0.15"),
        ("length, mm", ""),
        ("tip", "65"),
        ("direction", "f"),
        ("lost", ""),
        ("New crack", "C2"),
        ("face", "bo"),
        ("place", "500"),
        ("direction", "f"),
        ("width", "0.1"),
        ("length", "80"),
        ("lost", ""),
    ):
        terminal.until(question)
        terminal.type(answer)
    terminal.until("New crack")
    terminal.close()  # the window is closed
    assert log_of(night) == [
        ("reading", "C1", "front"),
        ("reading", "C1", "front"),
        ("reading", "C2", "bottom"),
    ]

    os.kill(night.runner(), signal.SIGKILL)  # what was recorded is on the disk
    night.until_gone()
    gone = night.nightrig("note", "night-1", *FIRST, *BY)
    assert gone.returncode == 2
    assert "Go on with: nightrig resume" in " ".join(gone.stderr.split())
    assert night.nightrig("resume", "night-1", "--end", "it is enough").returncode in (0, 5)
    after = night.nightrig("note", "night-1", "--crack", "c2", "--length", "70 mm", *BY)
    assert after.returncode == 0, after.stderr
    assert "shorter than last time: 80 mm -> 70 mm" in after.stdout
    with h5py.File(night.out / "run.h5") as file:
        rows = file["cracks"][:]
        told = [row["text"] for row in file["events"][:] if row["kind"] == b"crack"]
    assert rows["entry"].tolist() == [1, 2, 3, 4]
    assert rows["at_utc"].tolist()[:3] == [b"", b"", b""]
    assert rows["at_utc"][3] != b""
    assert len(told) == 4
    assert all(text.startswith(b"A. Name: entry ") for text in told)

"""`run` and `rehearse` show the screen of `watch`; whatever holds it up holds nothing else up."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess

import pytest

from rig.record.history import read_journal
from tests.assembly.nights import COMMAND, PATIENCE, a_night, eventually
from tests.commands.test_watch import CTRL_C, CTRL_Q, CTRL_S, NO_SCREEN, SCREEN

pytestmark = pytest.mark.xdist_group("serial")


@pytest.fixture
def night(tmp_path):
    with a_night(tmp_path, run_out=100_000) as night:
        yield night


def rehearsal(folder: str, protocol: str = "static-ultimate") -> list[str]:
    return [*COMMAND, "rehearse", protocol, "--out", folder, "--seed", "1"]


def ended(folder) -> bool:
    try:
        with read_journal(folder) as journal:
            return journal.ending is not None
    except Exception:
        return False


@pytest.mark.nights
def test_a_run_shows_its_screen_and_leaving_it_says_how_to_come_back(night):
    terminal = night.start_on_terminal("--on-call", "B. Name, +00 12 34")
    terminal.until(SCREEN)
    terminal.until("B. Name, +00 12 34")
    # What may end the test stands below the line that matters, where it can be read afterwards.
    before = terminal.seen.partition(SCREEN)[0]
    starting = "starting; until it has begun Ctrl-C starts nothing"
    assert re.search(rf"{starting}\r +\r.*begins; ", before)
    assert "begins; Ctrl-C leaves it running" in before
    assert "logging out" not in before.partition("begins")[0]
    terminal.press(CTRL_C)
    assert terminal.code() == 0
    said = terminal.seen.rpartition(NO_SCREEN)[2]
    assert f"nightrig watch {night.out}" in said
    assert f"nightrig stop {night.out}" in said
    terminal.close()
    called = eventually(lambda: [e for e in night.events() if e.kind == "on call"], "the record")
    assert [event.text for event in called] == ["B. Name, +00 12 34"]

    back = night.on_terminal([*COMMAND, "watch", "night-1"])
    back.until("P-77")
    os.kill(night.runner(), signal.SIGKILL)
    assert back.code() == 1
    gone = back.seen.rpartition(NO_SCREEN)[2]
    back.close()
    # The red screen stays, and the one line below it.
    assert 0 <= gone.find("\x1b[1;37;41m") < gone.find("nothing carries this test out any more")
    assert SCREEN not in gone
    asked = night.nightrig("stop", "night-1").stderr
    once = night.nightrig("watch", "night-1", "--once")
    assert once.returncode == 0
    goes_on = "Go on with: nightrig resume night-1"
    for words in ("nothing carries this test out any more", "Look at the rig first", goes_on):
        assert words in " ".join(gone.split())
        assert words in asked
    # Named without a folder as well, from where the run lies and from elsewhere.
    for place, folder in ((night.folder, "night-1"), (night.runtime, str(night.out))):
        said = night.finished([*COMMAND, "watch"], cwd=place).stderr
        assert said.startswith("no live run of yours; ")
        line = rf"; {folder} was cut off without an end at cycle [0-9,]+ \(today [0-9:]+\)"
        # Another test on this computer may have left a run that was cut off.
        assert re.search(f"{line}: nightrig resume {folder}; (.*; )?name a folder", said)


@pytest.mark.endurance
def test_a_rehearsal_on_a_frozen_terminal_goes_on_to_the_same_end_as_without_one(night):
    # The name of a run is that of its folder.
    for name in ("frozen", "alone"):
        (night.folder / name).mkdir()
    terminal = night.on_terminal(rehearsal("frozen/run"))
    terminal.press(CTRL_S)
    eventually(lambda: ended(night.folder / "frozen" / "run"), "the end of the rehearsal")
    assert terminal.child.poll() is None
    terminal.press(CTRL_Q)
    assert terminal.code() == 0
    last = terminal.seen.rpartition(NO_SCREEN)[2]
    assert 0 <= last.find("ENDED") < last.find("outcome   ultimate: ")
    terminal.close()
    assert night.finished(rehearsal("alone/run")).returncode == 0
    frozen, alone = (night.folder / name / "run" / "run.h5" for name in ("frozen", "alone"))
    assert frozen.read_bytes() == alone.read_bytes()


@pytest.mark.endurance
def test_a_rehearsal_can_be_watched_from_elsewhere_and_that_it_died_is_told(night):
    pipes = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    child = subprocess.Popen(
        rehearsal("long", "dry-run-out"), cwd=night.folder, env=night.env, **pipes
    )
    night.children.append(child)
    eventually(lambda: (night.folder / "long" / "lock").exists(), "the rehearsal")
    left = night.on_terminal([*COMMAND, "watch", "long"])
    left.until("REHEARSAL")
    left.press(CTRL_C)
    assert left.code() == 0
    assert "the rehearsal goes on in long" in left.seen
    left.close()
    asked = night.nightrig("stop", "long")
    assert asked.returncode == 2
    assert "a rehearsal is under way there" in asked.stderr

    lines = [*COMMAND, "watch", "long", "--json"]
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True}
    watcher = subprocess.Popen(lines, cwd=night.folder, env=night.env, **pipes)
    night.children.append(watcher)
    assert "REHEARSAL" in watcher.stderr.readline()
    child.kill()
    child.wait()
    out, err = watcher.communicate(timeout=PATIENCE)
    assert watcher.returncode == 1
    assert json.loads(out)["outcome"] is None
    assert "nothing carries this test out any more" in err.splitlines()[-1]

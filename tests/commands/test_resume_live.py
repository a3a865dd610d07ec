"""A live test whose runner was killed goes on from the command line, watched and asked again."""

from __future__ import annotations

import json
import os
import signal

import h5py
import pytest

from rig.control.address import socket_name
from rig.control.caller import Caller, NoAnswer
from rig.control.lock import folder_holder
from tests.assembly.nights import COMMAND, a_night, eventually
from tests.commands.cut_off import numbers

pytestmark = pytest.mark.xdist_group("serial")
GONE = "its program was gone (killed, or a power cut) while"


@pytest.fixture
def night(tmp_path):
    # Slower than other nights: what is waited for comes soon, and a busy computer keeps up.
    with a_night(tmp_path, run_out=100_000, pace=3) as night:
        yield night


def kill_the_runner(night) -> None:
    os.kill(night.runner(), signal.SIGKILL)
    night.until_gone()


def states(night) -> list[str]:
    return [e.text.partition(",")[0] for e in night.events() if e.kind == "state"]


@pytest.mark.nights
@pytest.mark.timeout(120)
def test_a_live_test_that_was_cut_off_goes_on_in_a_runner_of_its_own(night):
    assert night.finished(night.order("--detach", "--on-call", "B. Name, 12")).returncode == 0
    night.until_state("approach")
    kill_the_runner(night)
    rig = (night.folder / "rig.toml").read_text()
    (night.folder / "other.toml").write_text(rig.replace('rate = "1 kHz"', 'rate = "2 kHz"'))
    other = night.nightrig("resume", "night-1", "--rig", "other.toml")
    assert other.returncode == 2
    assert "other.toml: name, rate and channels must be those of the rig" in other.stderr
    # What was mended on the rig may be in its file: the horn now warns for longer.
    (night.folder / "mended.toml").write_text(rig.replace('before = "1 s"', 'before = "2 s"'))
    night.people(rig="mended.toml")
    words = ["--rig", "mended.toml", "--detach", "--json"]
    done = night.nightrig("resume", "night-1", *words)
    assert (done.returncode, json.loads(done.stdout)) == (0, {"outcome": None, "running": True}), (
        done.stderr
    )
    account = done.stderr.splitlines()
    assert account[1] == f"  test      run with a simulated specimen on {night.rig}, in night-1"
    assert account[2].startswith(f"  happened  {GONE} going towards the specimen; today ")
    assert "Prism P-77, a short test: goes on" in account
    assert not [line for line in account if line.startswith("warning: protocol.toml")]
    eventually(lambda: states(night).count("approach") > 1, "contact once more")
    assert night.nightrig("stop", "night-1").returncode == 0
    night.until_gone()
    with h5py.File(night.out / "run.h5") as run:
        kinds = [kind.decode() for kind in run["events"]["kind"]]
        on_call = [e["text"].decode() for e in run["events"][:] if e["kind"] == b"on call"]
        changed = [e["text"].decode() for e in run["events"][:] if e["kind"] == b"rig file"]
    assert "resume" in kinds
    assert on_call == ["B. Name, 12", "B. Name, 12"]
    assert len(changed) == 1
    assert changed[0].startswith("from here on ")
    assert 'before = "2 s"' in changed[0]


@pytest.mark.endurance
@pytest.mark.timeout(300)
def test_cycles_go_on_without_hole_or_repeat_and_a_rig_in_use_is_refused(night):
    assert night.finished(night.order("--detach")).returncode == 0
    night.until_state("cycling")
    kill_the_runner(night)
    gone = night.nightrig("watch", "night-1")
    assert gone.returncode == 1
    assert gone.stderr.rstrip().endswith("Go on with: nightrig resume night-1")
    other = night.folder / "other"
    assert night.finished(night.order("--detach", out=other)).returncode == 0
    refused = night.nightrig("resume", "night-1")
    assert refused.returncode == 2
    assert f"rig '{night.rig}' is in use by {other} (process " in refused.stderr
    assert night.nightrig("stop", "other").returncode == 0
    eventually(lambda: folder_holder(other) is None, "the end of the other run")

    terminal = night.on_terminal([*COMMAND, "resume", "night-1", "--on-call", "C. Name, 34"])
    terminal.until("goes on; Ctrl-C leaves it running")
    terminal.until("taken up again")
    eventually(lambda: states(night)[-1] == "cycling", "cycles")
    again = night.nightrig("resume", "night-1")
    assert again.returncode == 2
    assert f"the folder is in use (process {night.runner()}, user " in again.stderr
    terminal.press(b"\x03")
    assert terminal.code() == 0
    assert "the test goes on in night-1" in terminal.seen
    terminal.close()
    assert night.nightrig("stop", "night-1").returncode == 0
    night.until_gone()
    counted = numbers(night.out)
    assert counted == list(range(1, len(counted) + 1))
    ended = night.nightrig("watch", "night-1")
    assert "  go on     nightrig resume night-1" in ended.stdout.splitlines()


@pytest.mark.endurance
@pytest.mark.timeout(300)
def test_on_real_hardware_the_checklist_comes_first_and_the_button_moves_it(night):
    assert night.finished(night.order("--detach")).returncode == 0
    night.until_state("approach")
    kill_the_runner(night)
    night.people(emulated=False)
    refused = night.nightrig("resume", "night-1")
    assert refused.returncode == 2
    assert "its checklist is confirmed by a person at a terminal" in refused.stderr
    terminal = night.on_terminal([*COMMAND, "resume", "night-1"])
    assert terminal.code() == 2
    assert "was run on an emulated rig, this is a real one" in terminal.seen
    terminal.close()


@pytest.mark.endurance
@pytest.mark.timeout(300)
def test_a_test_on_real_hardware_goes_on_once_its_checklist_is_confirmed(night):
    night.people(emulated=False)
    first = night.start_on_terminal("--on-call", "B. Name, 12")
    confirmed(night, first)
    night.until_state("approach")
    kill_the_runner(night)
    first.close()
    terminal = night.on_terminal([*COMMAND, "resume", "night-1", "--on-call", "B. Name, 12"])
    terminal.until("the checklist, then ")
    confirmed(night, terminal)
    eventually(lambda: states(night).count("approach") > 1, "contact once more")
    assert states(night).count("checklist") == 2
    assert night.nightrig("stop", "night-1").returncode == 0
    assert terminal.code() == 5
    terminal.close()


def confirmed(night, terminal) -> None:
    """Confirm the checklist on a terminal, item by item, and press the button at the rig."""
    with_items = eventually(lambda: look(night).get("checklist"), "the checklist")
    for number, _ in enumerate(with_items, start=1):
        terminal.until(f"{number} of {len(with_items)}: ")
        terminal.type("y")
    terminal.until("Name of who confirms")
    waited = waits(night)
    terminal.type("A. Name")
    terminal.until("use the button at the rig")
    eventually(lambda: waits(night) > waited, "the rig to wait")
    night.people(button=True)
    terminal.until("checklist confirmed")
    night.people(button=False)


def waits(night) -> int:
    """Return how often the rig has waited for its button."""
    return sum(e.kind == "local input" for e in night.events())


def look(night) -> dict:
    try:
        with Caller(night.runtime / "nightrig" / socket_name(night.out)) as caller:
            return caller.ask({"ask": "look"})
    except (NoAnswer, OSError):
        return {}

"""An air run and a rig in doubt, as people meet them: from the command line."""

from __future__ import annotations

import json
import os
import re
import signal

import h5py
import pytest

from rig.control.address import socket_name
from rig.control.caller import look_at
from tests.assembly.nights import a_night, eventually

pytestmark = [pytest.mark.xdist_group("serial"), pytest.mark.nights]


@pytest.fixture
def night(tmp_path):
    with a_night(tmp_path, run_out=20) as night:
        yield night


def test_an_air_run_ends_as_one_in_result_and_record(night):
    ran = night.finished(night.order("--air", "--json"))
    assert ran.returncode == 0, ran.stderr
    told = json.loads(ran.stdout)
    assert (told["outcome"], told["cycles"]) == ("run-out", 0)
    assert told["why"].startswith("air run: all stages and 20 motions without a specimen")
    assert "stroke control over 2 mm behind where the rod stands" in ran.stderr
    with h5py.File(night.out / "run.h5") as run:
        assert run.attrs["title"].startswith("Air run without a specimen: ")
        assert run.attrs["specimen_id"] == "none (air run for P-77)"
        assert not len(run["cycles/number"])
        assert b"air" in [kind for _, _, kind, _ in run["events"][:].tolist()]
    replayed = night.nightrig("replay", "night-1")
    assert replayed.returncode == 2
    assert "was an air run: there is no specimen in it to judge" in replayed.stderr


@pytest.mark.endurance
def test_an_air_run_that_was_cut_off_is_started_anew(night):
    assert night.finished(night.order("--air", "--detach")).returncode == 0
    night.until_state("build-up")
    os.kill(night.runner(), signal.SIGKILL)
    night.until_gone()
    again = night.nightrig("resume", "night-1")
    assert again.returncode == 2
    assert "was an air run, which is not taken up again" in again.stderr.splitlines()[-1]
    closed = night.nightrig("resume", "night-1", "--end")
    assert closed.returncode == 5
    assert (night.out / "run.h5").exists()


def expired(night) -> None:
    """Let all calibrations of a rig that is not emulated be over."""
    night.people(emulated=False)
    path = night.folder / "rig.toml"
    path.write_text(re.sub('until = "[^"]*"', 'until = "2001-12-31"', path.read_text()))


@pytest.mark.endurance
def test_a_real_rig_with_an_expired_calibration_starts_only_by_name(night):
    expired(night)
    terminal = night.start_on_terminal()
    assert terminal.code() == 2
    assert 'calibration C-0417 of "load"' in terminal.seen.replace("\r\n", " ")
    terminal.close()
    assert not night.out.exists()

    accepted = night.start_on_terminal("--accept", "A. Name")
    accepted.until("the stops of this rig were never proven")
    items = eventually(lambda: looked(night), "the checklist")
    assert [i for i in items if i.startswith('accepted: calibration C-0417 of "load"')]
    accepted.until("(y/n)")
    accepted.type("n")
    assert accepted.code() == 5
    accepted.close()
    night.until_gone()
    kinds = [event.kind for event in night.events()]
    assert "doubt" in kinds


def looked(night) -> list[str]:
    """Return the checklist that a run asks for, [] while it asks for none."""
    path = night.runtime / "nightrig" / socket_name(night.out)
    run = look_at(path) if path.exists() else None
    return list(run.told.get("checklist", [])) if run is not None else []


def test_an_air_run_on_a_real_rig_asks_for_an_empty_frame_first(night):
    expired(night)
    terminal = night.start_on_terminal("--air")
    items = eventually(lambda: looked(night), "the checklist")
    assert "no specimen is in the frame, and nothing lies in the rod's way" in items
    terminal.until("(y/n)")
    terminal.type("n")
    assert terminal.code() == 5
    terminal.close()

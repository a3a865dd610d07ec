"""The runner as people meet it: a process of its own that outlives whoever started it."""

from __future__ import annotations

import asyncio
import contextlib
import gc
import json
import os
import signal
import sys
from dataclasses import replace

import h5py
import pytest

from rig.assembly import runner
from rig.assembly.devices import close, open_rig
from rig.assembly.live import stop_on_sigterm
from rig.clock import SystemClock
from rig.commands.files import load
from rig.control.desk import MOST_WAITING, Asked, Desk, Request
from rig.errors import DeviceError
from tests.assembly.nights import a_night, eventually
from tests.record.recorders import alive

pytestmark = pytest.mark.xdist_group("serial")


@pytest.fixture
def night(tmp_path):
    with a_night(tmp_path) as night:
        yield night


@pytest.fixture
def long_night(tmp_path):
    with a_night(tmp_path, run_out=80, pace=2) as night:
        yield night


@pytest.mark.endurance
def test_a_test_whose_terminal_is_killed_goes_on_to_its_run_out(long_night):
    night = long_night
    terminal = night.start_on_terminal()
    night.until_state("starting")
    terminal.child.kill()
    terminal.child.wait()
    terminal.close()
    runner = night.runner()
    os.kill(runner, signal.SIGHUP)
    os.kill(runner, signal.SIGINT)

    elsewhere = night.finished(night.order(out=night.folder / "other"))
    assert elsewhere.returncode == 2
    line = elsewhere.stderr.splitlines()[-1]
    assert f"is in use by {night.out} (process {runner}" in line
    assert not (night.folder / "other").exists()
    again = night.finished(night.order())
    assert again.returncode == 2
    assert f"process {runner}" in again.stderr.splitlines()[-1], night.events()[-4:]

    night.until_gone()
    with h5py.File(night.out / "run.h5") as run:
        assert run.attrs["outcome"] == "run-out", [e.text for e in night.events()]
        counted = run["cycles/number"][:]
        assert counted[:80].tolist() == list(range(1, 81))
        assert run.attrs["cycles"] == 80
    eventually(lambda: not (night.out / "runner.log").read_text(), "a log of nothing")
    assert not list(night.runtime.rglob("*.sock"))


@pytest.mark.nights
def test_sigterm_unloads_and_stops_and_the_starter_ends_with_the_runs_result(night):
    child = night.start("--json")
    night.until_state("approach")
    os.kill(night.runner(), signal.SIGTERM)
    os.kill(night.runner(), signal.SIGTERM)
    out, err = child.communicate(timeout=45)
    assert child.returncode == 5
    result = json.loads(out)
    assert result["outcome"] == "operator"
    assert "SIGTERM" in result["why"]
    keys = {"outcome", "why", "cycles", "run", "real_s", "test_s", "samples_per_cycle", "channels"}
    assert keys | {"residual", "alerts"} == result.keys()
    assert result["samples_per_cycle"] == 100
    assert "Traceback" not in err
    last = [e.text for e in night.events() if e.kind == "state"][-2:]
    assert last[0].startswith("stopping, ")
    assert last[1].startswith("stopped, ")


async def terminated(desk: Desk) -> Asked | None:
    """Send this process SIGTERM, let the loop handle it, and take from the desk."""
    signal.raise_signal(signal.SIGTERM)
    for _ in range(5):
        await asyncio.sleep(0)
    return desk.take(0)


async def test_sigterm_asks_for_a_stop_at_a_full_desk_and_again_until_one_is_accepted():
    desk = Desk()
    stop_on_sigterm(desk)
    try:
        notes = [desk.ask(Request("note")) for _ in range(MOST_WAITING)]
        refused = await terminated(desk)
        assert refused is not None
        assert (refused.request.verb, refused.request.who) == ("stop", "SIGTERM")
        assert not any(note.done() for note in notes)
        while desk.take(0) is not None:
            pass
        refused.answer(done=False, text="not now", state="starting")
        accepted = await terminated(desk)
        assert accepted is not None
        assert accepted.request.verb == "stop"
        accepted.answer(done=True, text="stops", state="cycling")
        assert await terminated(desk) is None
    finally:
        asyncio.get_running_loop().remove_signal_handler(signal.SIGTERM)


@pytest.mark.nights
def test_leaving_the_screen_only_detaches(night):
    child = night.start("--json")
    night.until_state("starting")
    night.runner()
    child.send_signal(signal.SIGHUP)
    out, err = child.communicate(timeout=45)
    assert child.returncode == 0
    assert json.loads(out) == {"outcome": None, "running": True}
    assert f"nightrig stop {night.out}" in err
    done = night.nightrig("stop", str(night.out))
    assert (done.returncode, done.stdout.splitlines()[-1]) == (0, "recorded")
    night.until_gone()


@pytest.fixture
def slow_night(tmp_path):
    with a_night(tmp_path, slow=True) as night:
        yield night


def nothing_is_left(night) -> bool:
    files = {path.name for path in night.folder.iterdir()}
    return not any(name.startswith((".night-1", "night-1")) for name in files)


@pytest.mark.nights
@pytest.mark.parametrize(
    "name",
    [
        "SIGINT",
        pytest.param("SIGHUP", marks=pytest.mark.endurance),
        pytest.param("SIGTERM", marks=pytest.mark.endurance),
    ],
)
def test_leaving_before_the_test_begins_ends_the_runner_and_moves_nothing(slow_night, name):
    child = slow_night.start()
    runner = slow_night.opening(child)
    child.send_signal(signal.Signals[name])
    _, err = child.communicate(timeout=45)
    assert child.returncode == 5
    assert "nothing was moved" in err.splitlines()[-1]
    assert not alive(runner)
    assert nothing_is_left(slow_night)


@pytest.mark.nights
def test_a_runner_whose_starter_was_killed_before_it_began_moves_nothing(slow_night):
    child = slow_night.start()
    runner = slow_night.opening(child)
    child.kill()
    child.communicate(timeout=45)
    slow_night.people(slow=False)
    eventually(lambda: not alive(runner), "the end of the runner")
    assert nothing_is_left(slow_night)


@pytest.mark.nights
def test_sigterm_to_a_runner_that_has_not_begun_is_told_and_leaves_nothing(slow_night):
    child = slow_night.start()
    os.kill(slow_night.opening(child), signal.SIGTERM)
    _, err = child.communicate(timeout=45)
    assert child.returncode == 5
    assert "asked to end before the test began" in err
    assert nothing_is_left(slow_night)


@pytest.mark.nights
def test_a_run_whose_runner_is_killed_says_so_and_passes_no_signal_on_as_its_code(night):
    child = night.start("--json")
    night.until_state("build-up")
    os.kill(night.runner(), signal.SIGKILL)
    _, err = child.communicate(timeout=45)
    assert child.returncode == 1
    assert "signal 9 and without a verdict" in err


class Moving:
    """An actuator that moves although no test commands it."""

    def __init__(self, actuator):
        self._actuator = actuator

    def __getattr__(self, name):
        return getattr(self._actuator, name)

    async def status(self):
        return replace(await self._actuator.status(), moving=True, mode="load")


async def test_a_rig_that_moves_is_refused_before_anything_is_started(tmp_path):
    plan = load("dry-short", None)
    rig = await open_rig(plan, 1, SystemClock())
    order = runner.Order("dry-short", "", tmp_path / "night-1", 1, "", "", "begin", "")
    moves = replace(rig, actuator=Moving(rig.actuator))
    begin = runner._new(
        runner.Test(order, plan, None), moves, SystemClock(), None, None, contextlib.ExitStack()
    )
    try:
        with pytest.raises(DeviceError, match=r"moves .*nothing was started; wait until it stands"):
            await begin
    finally:
        await close(rig)
    assert not list(tmp_path.iterdir())


@pytest.mark.nights
def test_the_threads_of_the_lines_get_their_turn_soon():
    before = sys.getswitchinterval()
    try:
        runner._attentive()
        assert sys.getswitchinterval() == pytest.approx(0.5e-3)
        # What was there is not looked at any more.
        assert gc.get_freeze_count() > 0
        assert len(gc.get_objects()) < gc.get_freeze_count()
    finally:
        sys.setswitchinterval(before)
        gc.unfreeze()

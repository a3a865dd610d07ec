"""`nightrig watch` as people meet it: it follows the record; nothing it meets reaches the test."""

from __future__ import annotations

import contextlib
import json
import os
import re
import signal
import subprocess
import time

import numpy as np
import pytest

from rig.commands.main import main
from rig.commands.several import lines_of
from rig.control.caller import LiveRun
from rig.record import Recorder
from rig.record.history import read_journal
from tests.assembly.nights import COMMAND, PATIENCE, a_night, eventually
from tests.monitor.night_12 import CYCLING
from tests.record.runs import header

pytestmark = pytest.mark.xdist_group("serial")

HELD = 1.0
"""How long [s] a screen is held up."""
HELD_LONG = 60.0
CTRL_S, CTRL_Q, CTRL_C = b"\x13", b"\x11", b"\x03"
SCREEN = "\x1b[?1049h"  # the terminal's second screen, ECMA-48 private mode of xterm
NO_SCREEN = "\x1b[?1049l"


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    """A test that cycles as long as this file needs it."""
    with a_night(tmp_path_factory.mktemp("night"), run_out=100_000) as night:
        assert night.finished(night.order("--detach")).returncode == 0
        night.until_state("cycling")
        yield night


class Undisturbed:
    """Fails unless the test of a night has gone on as if nobody had looked."""

    def __init__(self, night) -> None:
        self.night = night
        self.states = self._states()
        self.counted = self._counted()

    def _states(self) -> list[str]:
        return [e.text for e in self.night.events() if e.kind == "state"]

    def _counted(self) -> int:
        with read_journal(self.night.out) as journal:
            return journal.rows("cycles")

    def check(self) -> None:
        # Commits go on twice a second; 10 Hz at ten times its pace.
        eventually(lambda: self._counted() > self.counted + 30, "more cycles")
        assert self._states() == self.states
        with read_journal(self.night.out) as journal:
            rows = journal.columns("cycles")
        assert rows["number"].tolist() == list(range(1, len(rows["number"]) + 1))
        # No cycle of 0.1 s came late by more than its own length.
        assert np.diff(rows["time"]).max() < 0.2


@pytest.fixture
def undisturbed(night):
    found = Undisturbed(night)
    yield found
    found.check()


def watch(night, *more):
    return night.on_terminal([*COMMAND, "watch", "night-1", *more])


def is_on(terminal) -> None:
    terminal.until(SCREEN)
    terminal.until("P-77")


@pytest.mark.nights
@pytest.mark.usefixtures("undisturbed")
def test_a_screen_that_is_killed_closed_or_left_says_how_to_come_back_and_leaves_the_test_alone(
    night,
):
    killed, closed, left = watch(night), watch(night), watch(night)
    for terminal in (killed, closed, left):
        is_on(terminal)
    killed.child.kill()
    assert killed.child.wait(PATIENCE) == -signal.SIGKILL
    killed.close()
    closed.close()
    assert closed.child.wait(PATIENCE) == 0
    left.press(CTRL_C)
    assert left.code() == 0
    said = left.seen.rpartition(NO_SCREEN)[2]
    left.close()
    assert "the test goes on in night-1" in said
    assert "nightrig watch night-1" in said
    assert "nightrig stop night-1" in said


@pytest.mark.usefixtures("undisturbed")
@pytest.mark.endurance
def test_a_screen_that_is_stopped_or_not_read_holds_nothing_up(night):
    stopped, unread, frozen = watch(night), watch(night), watch(night)
    for terminal in (stopped, unread, frozen):
        is_on(terminal)
    stopped.child.send_signal(signal.SIGSTOP)
    frozen.press(CTRL_S)
    time.sleep(HELD)
    for size in ((24, 80), (60, 200)):
        unread.resize(*size)
        time.sleep(0.3)
    frozen.press(CTRL_Q)
    stopped.child.send_signal(signal.SIGCONT)
    for terminal in (stopped, unread, frozen):
        terminal.seen = ""
        terminal.until("cycling")
        terminal.press(CTRL_C)
        assert terminal.code() == 0
        assert NO_SCREEN in terminal.seen
        terminal.close()


@pytest.mark.nights
@pytest.mark.usefixtures("undisturbed")
def test_without_a_terminal_plain_lines_come_and_json_has_stdout_for_itself(night):
    # Without a folder the one live run is meant.
    command = [*COMMAND, "watch", "--json"]
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True}
    names = ("SIGINT", "SIGHUP", "SIGTERM")
    watchers = {
        name: subprocess.Popen(command, cwd=night.folder, env=night.env, **pipes) for name in names
    }
    night.children += watchers.values()
    for name, child in watchers.items():
        first = child.stderr.readline()
        assert first.startswith(f"P-77 on {night.rig}, in {night.out} [SIMULATED]: ")
        child.send_signal(signal.Signals[name])
        out, err = child.communicate(timeout=PATIENCE)
        assert child.returncode == 0
        assert json.loads(out) == {"outcome": None, "running": True}
        assert "\x1b" not in first + err
        assert f"nightrig stop {night.out}" in err


@pytest.mark.usefixtures("undisturbed")
@pytest.mark.endurance
def test_a_pipe_that_is_closed_ends_the_looking_with_code_0(night):
    reader, writer = os.pipe()
    child = subprocess.Popen(
        [*COMMAND, "watch", "night-1"], cwd=night.folder, env=night.env, stdout=writer
    )
    night.children.append(child)
    os.close(writer)
    assert os.read(reader, 10)
    os.close(reader)
    assert child.wait(PATIENCE) == 0


@pytest.mark.usefixtures("undisturbed")
@pytest.mark.endurance
def test_a_pipe_that_nobody_empties_does_not_keep_whoever_leaves(night):
    reader, writer = os.pipe()
    child = subprocess.Popen(
        [*COMMAND, "watch", "night-1"], cwd=night.folder, env=night.env, stdout=writer
    )
    night.children.append(child)
    assert os.read(reader, 10)
    os.set_blocking(writer, False)
    with contextlib.suppress(BlockingIOError):
        while os.write(writer, bytes(512)):
            pass
    os.set_blocking(writer, True)
    child.send_signal(signal.SIGQUIT)
    assert child.wait(PATIENCE) == 0
    os.close(reader)
    os.close(writer)


@pytest.mark.nights
def test_once_prints_one_screen_as_text_or_one_object(night):
    once = night.nightrig("watch", "night-1", "--once", "--ascii")
    assert (once.returncode, once.stderr) == (0, "")
    assert once.stdout.isascii()
    assert "\x1b" not in once.stdout
    assert "cycling" in once.stdout
    told = night.nightrig("watch", "night-1", "--once", "--json")
    assert told.returncode == 0
    status = json.loads(told.stdout)
    assert (status["state"], status["run_out"], status["running"]) == ("cycling", 100_000, True)
    assert status["cycles"] > 0
    assert status["folder"] == str(night.out)
    assert status["title"] == "Prism P-77, a short test"


@pytest.mark.nights
def test_one_of_several_runs_is_told_in_a_line_with_whether_it_needs_somebody(night, monkeypatch):
    told = {"run": str(night.out), "specimen_id": "P-77", "rig": night.rig}
    monkeypatch.chdir(night.folder)
    line, remedy = lines_of([LiveRun(night.runtime, told)], "stop")
    assert line.startswith(f"  night-1: P-77 on {night.rig} | NOTHING TO DO")
    assert " of 100,000 cycles, " in line
    assert remedy == "name the folder of one, such as: nightrig stop night-1"


UNWATCHABLE = {
    "no such folder": (["nihgt-1"], r"nihgt-1: there is no such folder \(did you mean night-1\?\)"),
    "no run": (["packages"], r"packages: is no run, there is no journal.db in it"),
    "a folder of runs": (["."], r"\.: is no run but holds some; name one, such as night-1"),
    "odd signs": (["\x1b[2J"], r".*there is no such folder"),
}


@pytest.fixture(scope="module")
def recorded(tmp_path_factory):
    """A folder with one run, which nobody carries out."""
    with a_night(tmp_path_factory.mktemp("night")) as night:
        Recorder.create(night.out, header()).finish("operator", "asked to stop", 0, 1.0)
        yield night


@pytest.mark.parametrize(("arguments", "line"), UNWATCHABLE.values(), ids=UNWATCHABLE.keys())
def test_what_cannot_be_watched_is_one_line_and_code_2(recorded, arguments, line):
    done = recorded.nightrig("watch", *arguments)
    assert (done.returncode, done.stdout) == (2, "")
    assert re.fullmatch(line, done.stderr.rstrip("\n"))


@pytest.mark.nights
@pytest.mark.system
@pytest.mark.usefixtures("undisturbed")
@pytest.mark.parametrize(
    "held",
    [HELD, pytest.param(HELD_LONG, marks=[pytest.mark.endurance, pytest.mark.timeout(300)])],
)
def test_in_tmux_it_survives_ctrl_s_a_new_size_and_being_killed(night, system_program, held):
    program, line = system_program("tmux"), " ".join([*COMMAND, "watch", "night-1"])

    def tmux(*arguments: str) -> str:
        command = [program, "-L", "watch", "-f", "/dev/null", *arguments]
        return subprocess.run(
            command, env=env, cwd=night.folder, capture_output=True, text=True, check=True
        ).stdout

    def sees(words: str) -> None:
        eventually(lambda: words in tmux("capture-pane", "-p"), repr(words))

    env = night.env | {"TMUX_TMPDIR": str(night.runtime), "LC_ALL": "C.UTF-8"}
    tmux("new-session", "-d", "-x", "80", "-y", "24", line)
    try:
        sees("cycling")
        tmux("send-keys", "C-s")
        time.sleep(held)
        frozen = tmux("capture-pane", "-p")
        tmux("send-keys", "C-q")
        eventually(lambda: tmux("capture-pane", "-p") != frozen, "a new picture")
        tmux("resize-window", "-x", "200", "-y", "60")
        eventually(
            lambda: max(map(len, tmux("capture-pane", "-p").splitlines())) > 80, "a wide picture"
        )
    finally:
        tmux("kill-server")


@pytest.mark.nights
def test_when_the_test_is_stopped_the_screen_ends_with_its_code_and_result(night):
    # The last one of this file: the test ends here.
    terminal = watch(night)
    # Where nothing can be written the code still tells how it ended.
    with open("/dev/full", "wb") as full:
        unseen = subprocess.Popen(
            [*COMMAND, "watch", "night-1"], cwd=night.folder, env=night.env, stdout=full
        )
    night.children.append(unseen)
    is_on(terminal)
    stopped = night.nightrig("stop", "night-1", "--by", "A. Name")
    assert (stopped.returncode, stopped.stderr) == (0, "")
    assert terminal.code() == 5
    assert unseen.wait(PATIENCE) == 5
    last_words = terminal.seen.rpartition(NO_SCREEN)[2]
    terminal.close()
    night.until_gone()
    # Small and later, it shows the same: the last screen, then the result.
    later = watch(night)
    later.resize(24, 80)
    assert later.code() == 5
    later.close()
    assert SCREEN not in later.seen
    for said, height in ((last_words, 40), (later.seen, 24)):
        shown = [re.sub(r"\x1b\[[0-9;]*m", "", line) for line in said.splitlines()]
        ended = next(i for i, line in enumerate(shown) if "ENDED" in line)
        assert "\x1b[1;37;44m" in said  # white on blue, as on the screen
        outcome = next(
            i for i, line in enumerate(shown) if "outcome   operator: stopped by" in line
        )
        assert ended < outcome
        assert len(shown) - ended < height
        assert "Ctrl-C" not in said
        assert "nightrig watch --once" not in said
        assert "rig       pressure off, as the controller says; wait for gauge" in said
    again = night.nightrig("watch", "night-1", "--json")
    assert again.returncode == 5
    result = json.loads(again.stdout)
    in_lines = night.nightrig("watch", "night-1").stdout
    assert "  screen    nightrig watch --once night-1" in in_lines.splitlines()
    assert (result["outcome"], result["run"]) == ("operator", str(night.out / "run.h5"))
    assert (result["samples_per_cycle"], result["channels"]) == (100, 3)


def test_of_a_run_whose_program_is_gone_once_tells_how_it_stands_with_code_0(tmp_path, capsys):
    recorder = Recorder.create(tmp_path / "run", header())
    recorder.status(CYCLING)
    recorder.commit()
    recorder.abandon()
    for words, code in (["--once"], 0), ([], 1):
        with pytest.raises(SystemExit) as left:
            main(["watch", str(tmp_path / "run"), *words])
        assert left.value.code == code
    assert "ITS PROGRAM IS GONE" in capsys.readouterr().out

"""A real program is told: what it hears, what it is given, and how it is ended."""

import asyncio
import os
import signal
import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest

from rig.monitor.alerts import program
from rig.monitor.alerts.messages import WayDead
from rig.monitor.alerts.program import program_way
from rig.protocol.lab import Program
from tests.monitor.alerts.post import alert


def python(code: str, *more: str, within: float = 20.0) -> Program:
    return Program((sys.executable, "-S", "-c", code, *more), within)


async def test_it_hears_the_text_and_its_arguments_are_taken_as_they_are(tmp_path):
    odd = "$(touch pwned); 'quoted' && *"
    code = "import sys; open(sys.argv[1], 'w').write(sys.argv[2] + '|' + sys.stdin.read())"
    told = tmp_path / "told"
    await program_way(python(code, str(told), odd))(alert(text="σ is up\n"))
    assert told.read_text(encoding="utf-8") == f"{odd}|σ is up\n"
    assert not Path("pwned").exists()


async def test_it_gets_none_of_the_secrets_of_the_environment(tmp_path):
    told = tmp_path / "environment"
    code = "import json, os, sys; json.dump(dict(os.environ), open(sys.argv[1], 'w'))"
    own = {"PATH": os.environ["PATH"], "NIGHTRIG_MAIL": "a secret", "OTHER": "x", "LC_ALL": "C"}
    await program_way(python(code, str(told)), own)(alert())
    text = told.read_text(encoding="utf-8")
    assert "secret" not in text
    assert "OTHER" not in text
    assert '"NIGHTRIG_ALERT_KIND": "failure"' in text
    assert '"NIGHTRIG_ALERT_PEOPLE": "Ada Example"' in text


@pytest.mark.parametrize(
    ("code", "expected"),
    [
        ("print('no modem'); raise SystemExit(3)", "ended with code 3: no modem"),
        ("raise SystemExit('the line is busy')", "ended with code 1: the line is busy"),
        ("import os; os.kill(os.getpid(), 9)", "ended with signal SIGKILL"),
        ("print('\\x1b[31mred\\x07' + 'y' * 10**6); raise SystemExit(1)", "code 1: .31mredy{190}"),
    ],
)
async def test_what_went_wrong_is_told_in_one_line(code, expected):
    with pytest.raises(WayDead, match=expected) as raised:
        await program_way(python(code))(alert())
    assert raised.value.reason.isprintable()
    assert len(raised.value.reason) < 300


async def test_one_that_is_not_there_or_may_not_be_started_is_told(tmp_path):
    with pytest.raises(WayDead, match="cannot be started: No such file"):
        await program_way(Program((str(tmp_path / "none"),)))(alert())
    (tmp_path / "plain").write_text("x", encoding="utf-8")
    with pytest.raises(WayDead, match="cannot be started: Permission denied"):
        await program_way(Program((str(tmp_path / "plain"),)))(alert())


async def test_one_that_does_not_read_its_input_is_no_failure():
    await program_way(python("pass"))(alert(text="x" * 10**6))
    await program_way(python("import os; os.close(0); print('done')"))(alert(text="x" * 10**6))


def gone(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2][1] == "Z"
    except FileNotFoundError:
        return True


HANGS = """
import os, signal, subprocess, sys, time
signal.signal(signal.SIGTERM, signal.SIG_IGN)
child = subprocess.Popen([sys.executable, "-S", "-c", "import time; time.sleep(60)"])
with open(sys.argv[1] + ".new", "w") as told:
    told.write(f"{os.getpid()} {child.pid}")
os.rename(sys.argv[1] + ".new", sys.argv[1])
time.sleep(60)
"""


async def until(true: Callable[[], bool]) -> None:
    while not true():  # noqa: ASYNC110 - it is another process that makes it true
        await asyncio.sleep(0.01)


async def told_pids(path: Path) -> list[int]:
    await until(path.exists)
    return [int(pid) for pid in path.read_text(encoding="ascii").split()]


async def test_one_that_hangs_is_ended_with_all_that_it_started(tmp_path, monkeypatch):
    monkeypatch.setattr(program, "PATIENCE", 0.05)
    told = tmp_path / "pids"
    way = program_way(python(HANGS, str(told), within=0.6))
    with pytest.raises(WayDead, match=r"took longer than 0\.6 s and was ended"):
        await way(alert())
    for pid in await told_pids(told):
        await until(partial(gone, pid))


async def test_who_leaves_meanwhile_leaves_nothing_behind(tmp_path, monkeypatch):
    monkeypatch.setattr(program, "PATIENCE", 0.05)
    told = tmp_path / "pids"
    async with asyncio.TaskGroup() as group:
        telling = group.create_task(program_way(python(HANGS, str(told)))(alert()))
        pids = await told_pids(told)
        telling.cancel()
    for pid in pids:
        await until(partial(gone, pid))


async def test_one_whose_child_goes_on_is_told_once_it_has_ended_itself(tmp_path, monkeypatch):
    monkeypatch.setattr(program, "STILL", 0.05)
    told = tmp_path / "pid"
    code = (
        "import subprocess, sys; c = subprocess.Popen([sys.executable, '-S', '-c', "
        "'import time; time.sleep(60)']); open(sys.argv[1], 'w').write(str(c.pid))"
    )
    await program_way(python(code, str(told)))(alert())
    (pid,) = await told_pids(told)
    assert not gone(pid)
    os.kill(pid, signal.SIGKILL)

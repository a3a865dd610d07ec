"""`nightrig watch --lab` as people type it: what it prints, and one line where it cannot."""

import json
import os
import re
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from rig.commands.main import main
from rig.monitor.mqtt import messages
from tests.assembly.nights import ROOT, Night
from tests.monitor.lab.hall import specimen
from tests.monitor.mqtt.broker import LAB, PROGRAMS, Broker, free_port
from tests.monitor.night_12 import NOW
from tests.monitor.views import VIEWS

ACL = f"""\
user frame-1
topic readwrite nightrig/v1/{LAB}/#

user office
topic read nightrig/v1/{LAB}/#
"""
LOCAL = '[broker]\nhost = "127.0.0.1"\n'
NIGHTRIG = [sys.executable, "-P", "-m", "rig.commands.main"]
ENV = os.environ | {"PYTHONPATH": str(ROOT)}


@pytest.fixture
def broker(tmp_path: Path, system_program: Callable[[str], str]) -> Iterator[Broker]:
    for program in PROGRAMS:
        system_program(program)
    with Broker(tmp_path / "broker", tls=False, acl=ACL).running() as running:
        yield running


def lab(folder: Path, table: str) -> str:
    path = folder / "lab.toml"
    path.write_text(f'name = "{LAB}"\nzone = "Europe/Lisbon"\n{table}', encoding="utf-8")
    return str(path)


def nightrig(capsys, *words: str) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as left:
        main(list(words))
    said = capsys.readouterr()
    return int(left.value.code or 0), said.out, said.err


def nobody(folder: Path, more: str = "") -> str:
    return lab(folder, f'[broker]\nhost = "127.0.0.1"\nport = {free_port()}\n{more}')


def test_a_broker_that_is_not_there_is_one_line_and_code_2(tmp_path, capsys):
    code, out, err = nightrig(capsys, "watch", "--lab", nobody(tmp_path))
    assert (code, out, len(err.splitlines())) == (2, "", 1)
    assert re.fullmatch(
        r"broker 127\.0\.0\.1:\d+: connection refused; look at \[broker\] of the lab file\n", err
    )


def test_for_scripts_a_refusal_is_one_object(tmp_path, capsys):
    code, out, err = nightrig(capsys, "watch", "--lab", nobody(tmp_path), "--json")
    assert (code, json.loads(out)["outcome"]) == (2, None)
    assert "connection refused" in err


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ("", "tells nobody anything; add [broker]"),
        (f"{LOCAL}port = 0\n", "lab.toml:5: broker.port: "),
        ("[broker]\nhost = 3\n", "lab.toml:4: broker.host: "),
        (
            '[broker]\nhost = "127.0.0.1"\nuser = "a"\npassword = "x"\n',
            "lab.toml:6: broker.password",
        ),
        (
            f'{LOCAL}user = "a"\npassword = {{file = "none"}}\n',
            "no such file, and a secret should be in it",
        ),
        (
            f'{LOCAL}[broker.tls]\nca = "none.crt"\n',
            "none.crt: certificate of the authority cannot be used: No such file",
        ),
    ],
)
def test_what_is_wrong_in_a_lab_file_is_said_in_a_line(tmp_path, capsys, table, said):
    code, out, err = nightrig(capsys, "watch", "--lab", lab(tmp_path, table), "--once")
    assert (code, out) == (2, "")
    assert said in err
    assert "Traceback" not in err


def test_a_lab_without_a_broker_and_a_folder_beside_a_lab_are_refused(tmp_path, capsys):
    told = '[[person]]\nname = "A. Name"\nmail = "a@lab.example"\n[mail]\nhost = "mail.example"\n'
    told += 'port = 25\nsender = "n@lab.example"\nsecurity = "none"\n'
    told += '[[alert]]\nname = "all"\nkinds = ["fault"]\npeople = ["A. Name"]\nways = ["mail"]\n'
    code, _, err = nightrig(capsys, "watch", "--lab", lab(tmp_path, told))
    assert (code, "has no [broker]" in err) == (2, True)
    code, _, err = nightrig(capsys, "watch", "night-1", "--lab", nobody(tmp_path))
    assert (code, err) == (2, "--lab shows every rig of a lab: leave out night-1, or --lab\n")


def say(broker: Broker, rig: str, name: str) -> None:
    """Let the broker keep what a rig said of one of the named runs."""
    view = specimen(VIEWS[name], f"P-{rig[-1]}")
    for kind, told in {
        "presence": messages.presence(view.header, NOW, online=False, since=NOW, cause="ended"),
        "status": messages.status(view, LAB, rig),
    }.items():
        payload = messages.as_payload(told)
        broker.publish(f"nightrig/v1/{LAB}/{rig}/{kind}", payload, "frame-1", retain=True)


@pytest.mark.system
@pytest.mark.nights
def test_all_rigs_are_printed_once_as_text_and_as_an_object(broker, tmp_path, capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "100")
    path = lab(tmp_path, broker.table("office"))
    say(broker, "frame-1", "run_out")
    say(broker, "frame-2", "cycling")
    code, out, _ = nightrig(capsys, "watch", "--lab", path, "--once", "--ascii")
    assert code == 0
    lines = out.splitlines()
    assert lines[1] == " ! LOOK: 1 silent, 1 ended of 2 rigs !"
    assert [
        line.split()[:3] for line in lines if line.split()[1:2] in (["frame-1"], ["frame-2"])
    ] == [
        ["SILENT", "frame-2", "P-2"],
        ["ended", "frame-1", "P-1"],
    ]
    code, out, _ = nightrig(capsys, "watch", "--lab", path, "--json")
    told = json.loads(out)
    assert (code, told["counts"]["silent"], told["counts"]["ended"]) == (0, 1, 1)


@pytest.mark.system
def test_a_wrong_password_is_one_line_and_is_not_shown(broker, tmp_path, capsys):
    path = lab(tmp_path, broker.table("office"))
    (broker.folder / "password-office").write_text("quite another one\n")
    code, out, err = nightrig(capsys, "watch", "--lab", path)
    assert (code, out, len(err.splitlines())) == (2, "", 1)
    assert "(user office): it refuses this client, wrong user or password: not authorized" in err
    assert "another" not in err


@pytest.mark.system
@pytest.mark.nights
def test_who_leaves_gets_code_0_and_a_broker_that_goes_and_comes_back_is_told(broker, tmp_path):
    path = lab(tmp_path, broker.table("office"))
    say(broker, "frame-1", "run_out")
    child = subprocess.Popen(
        [*NIGHTRIG, "watch", "--lab", path],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=ENV,
    )
    said: list[str] = []
    assert child.stdout is not None

    def until(words: str) -> None:
        while not said or words not in said[-1]:
            said.append(child.stdout.readline())
            assert said[-1], said

    until("frame-1: ended")
    broker.kill()
    until("BROKER AWAY: ")
    broker.start()
    until("broker is back")
    child.send_signal(signal.SIGINT)
    out, err = child.communicate(timeout=20)
    assert (child.returncode, out, err) == (0, "", "")


@pytest.mark.system
@pytest.mark.endurance
def test_a_broker_that_holds_the_line_and_is_silent_is_away(broker, tmp_path):
    """Frozen: only the keep-alive tells it (MQTT 5.0, 3.1.2.10)."""
    path = lab(tmp_path, broker.table("office"))
    child = subprocess.Popen(
        [*NIGHTRIG, "watch", "--lab", path],
        stdout=subprocess.PIPE,
        text=True,
        env=ENV,
    )
    assert child.stdout is not None
    assert child.stdout.readline().startswith(f"lab {LAB}, broker ")
    broker.freeze()
    line = child.stdout.readline()
    while line and "BROKER AWAY" not in line:
        line = child.stdout.readline()
    broker.go_on()
    assert "BROKER AWAY: the connection broke: keep alive timeout" in line
    child.send_signal(signal.SIGINT)
    child.communicate(timeout=20)
    assert child.returncode == 0


@pytest.mark.system
@pytest.mark.nights
def test_the_screen_shows_a_rig_that_comes_and_gives_the_terminal_back(broker, tmp_path):
    path = lab(tmp_path, broker.table("office"))
    people = Night(tmp_path, tmp_path, "", dict(ENV))
    try:
        terminal = people.on_terminal([*NIGHTRIG, "watch", "--lab", path])
        terminal.until("NO RIG IS HEARD")
        say(broker, "frame-7", "run_out")
        terminal.until("frame-7")
        terminal.until("NOTHING TO DO")
        assert "\x1b[?1049h" in terminal.seen  # the terminal's second screen
        terminal.press(b"\x03")
        assert terminal.code() == 0
        assert terminal.seen.endswith("\x1b[?1049l")
        assert "Traceback" not in terminal.seen
    finally:
        people.clear_away()


@pytest.mark.system
@pytest.mark.nights
def test_over_tls_only_the_broker_of_the_own_authority_is_trusted(tmp_path, capsys, system_program):
    for program in PROGRAMS:
        system_program(program)
    with Broker(tmp_path / "broker").running() as broker:
        table = broker.table("office")
        code, out, _ = nightrig(capsys, "watch", "--lab", lab(tmp_path, table), "--json")
        assert (code, json.loads(out)["broker"]["connected"]) == (0, True)
        no_key = table.replace("frame-1.key", "ca.key")
        code, _, err = nightrig(capsys, "watch", "--lab", lab(tmp_path, no_key), "--json")
        assert (code, "certificate and key of this client cannot be used" in err) == (2, True)
        other = table.replace("ca.crt", "frame-1.crt", 1)
        # As a process of its own: the client leaves the closing of such a connection to the end.
        command = [*NIGHTRIG, "watch", "--lab", lab(tmp_path, other)]
        done = subprocess.run(command, capture_output=True, text=True, env=ENV, check=False)
        assert (done.returncode, done.stdout, len(done.stderr.splitlines())) == (2, "", 1)
        assert "its certificate is not trusted" in done.stderr

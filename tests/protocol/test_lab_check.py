"""`check` and `run` read the lab file that a rig file names; nothing else pays for it."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from rig.commands.check import check
from rig.commands.files import load, load_lab
from rig.commands.run import run
from rig.errors import InputError
from rig.protocol.load import load_plan
from tests.protocol.lab_texts import SAYS, WHOLE, edited, without
from tests.protocol.texts import BY_SERIES, RIG, WET, shipped

PROTOCOL = "first-night"
MESSAGES = """
[messages]
lab = "../labs/night.toml"
name = "frame-1"
requests = ["pause", "stop"]
"""
WORD = "correct horse battery"


@pytest.fixture
def laboratory(tmp_path, monkeypatch):
    """Return the folder of a laboratory whose files and secrets are all in order."""
    for name in ("rigs", "labs", "labs/bin", "secrets"):
        (tmp_path / name).mkdir()
    (tmp_path / "rigs/frame.toml").write_text(shipped(RIG) + MESSAGES)
    # A key of its own that is where the file says.
    text = edited(("/etc/nightrig/rig.key", "../secrets/rig.key"))
    (tmp_path / "labs/night.toml").write_text(text)
    for name in ("broker", "mail", "rig.key"):
        (tmp_path / "secrets" / name).touch(0o600)
        (tmp_path / "secrets" / name).write_text(WORD)
    for name in ("secrets/ca.crt", "labs/rig.crt", "labs/bin/call-out"):
        (tmp_path / name).touch(0o755)
    monkeypatch.setenv("NIGHTRIG_REQUESTS", WORD)
    return tmp_path


def called(laboratory: Path, *more: str):
    rig = str(laboratory / "rigs/frame.toml")
    return CliRunner().invoke(check, [PROTOCOL, "--rig", rig, "--json", *more])


def told(laboratory: Path) -> list[str]:
    """Return what `check` warns of in the files of a laboratory."""
    result = called(laboratory)
    assert result.exit_code == 0, result.output
    assert WORD not in result.output
    said = json.loads(result.stdout)["warnings"]
    place = f"{laboratory}/"
    return [w.removeprefix(place) for w in said if w.startswith(place)]


def rewrite(path: Path, *changes: tuple[str, str]) -> None:
    text = path.read_text()
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    path.write_text(text)


def test_nothing_is_told_of_a_laboratory_in_order(laboratory):
    assert told(laboratory) == []


def test_all_problems_of_all_files_come_in_one_round(laboratory):
    rewrite(laboratory / "labs/night.toml", ("8884", "0"), ('"tls"', '"tsl"'))
    rewrite(laboratory / "rigs/frame.toml", ('rate = "1 kHz"', 'rate = "1 kg"'))
    result = called(laboratory)
    assert result.exit_code == 2
    found = json.loads(result.stdout)["problems"]
    assert [(Path(p["file"]).name, p["line"], p["field"]) for p in found] == [
        ("night.toml", 6, "broker.port"),
        ("night.toml", 25, "mail.security"),
        ("frame.toml", 5, "rate"),
    ]


def test_a_lab_file_that_is_not_there_is_a_problem_of_the_line_that_names_it(laboratory):
    (laboratory / "labs/night.toml").rename(laboratory / "labs/nights.toml")
    (problem,) = json.loads(called(laboratory).stdout)["problems"]
    line = (laboratory / "rigs/frame.toml").read_text().splitlines()[problem["line"] - 1]
    assert line == 'lab = "../labs/night.toml"'
    assert problem["problem"].endswith(": no such file")
    assert problem["remedy"] == f'did you mean "{laboratory}/labs/nights.toml"?'


def test_requests_that_nobody_can_sign_are_a_problem_of_the_rig_file(laboratory):
    (laboratory / "labs/night.toml").write_text(without("[requests"))
    (problem,) = json.loads(called(laboratory).stdout)["problems"]
    lab = laboratory / "labs/night.toml"
    assert problem["field"] == "messages.requests"
    assert problem["problem"] == f"cannot be signed: {lab} has no [requests]"


def test_a_user_of_no_broker_is_a_problem_of_the_rig_file(laboratory):
    text = without("[broker", "[requests").replace('"mqtt", ', "").replace(', "mqtt"', "")
    (laboratory / "labs/night.toml").write_text(text)
    rewrite(laboratory / "rigs/frame.toml", ('requests = ["pause", "stop"]', 'user = "frame-1"'))
    (problem,) = json.loads(called(laboratory).stdout)["problems"]
    assert (problem["field"], problem["remedy"]) == ("messages.user", "take it out")


def test_the_password_of_a_rig_in_the_clear_is_told(laboratory):
    text = without("[broker.tls").replace('password = { file = "../secrets/broker" }\n', "")
    (laboratory / "labs/night.toml").write_text(text)
    own = 'user = "frame-1"\npassword = { file = "../secrets/broker" }\n'
    rewrite(laboratory / "rigs/frame.toml", ("requests =", f"{own}requests ="))
    lab = laboratory / "labs/night.toml"
    (line,) = told(laboratory)
    assert line.partition(": ")[2] == (
        f"messages.password: goes to broker.example in the clear: {lab} has no [broker.tls]; add "
        "[broker.tls] there"
    )


def test_what_is_doubtful_is_told_once(laboratory):
    rewrite(laboratory / "labs/night.toml", ("8884", "1883"))
    (line,) = told(laboratory)
    assert line.startswith("labs/night.toml:6: broker.port: 1883 is usually that of no TLS")


def test_a_user_of_its_own_without_a_password_is_told(laboratory):
    own = ("requests =", 'user = "frame-1"\nrequests =')
    rewrite(laboratory / "rigs/frame.toml", own)
    # A certificate may stand for the password.
    assert told(laboratory) == []
    rewrite(laboratory / "labs/night.toml", ('certificate = "rig.crt"\nkey', "#"))
    lab = laboratory / "labs/night.toml"
    (line,) = told(laboratory)
    assert line.partition(": ")[2] == (
        f"messages.user: logs in without a password: the one in {lab} is that of teller; add "
        'password = { file = "../secrets/NAME" }'
    )


def test_secrets_that_are_missing_or_open_to_others_are_told(laboratory, monkeypatch):
    monkeypatch.delenv("NIGHTRIG_REQUESTS")
    secrets = laboratory / "secrets"
    (secrets / "broker").chmod(0o644)
    (secrets / "mail").unlink()
    (secrets / "rig.key").chmod(0o640)
    (secrets / "ca.crt").unlink()
    (laboratory / "labs/bin/call-out").chmod(0o644)
    lines = told(laboratory)
    assert [line.split(": ")[0:2] for line in lines] == [
        ["labs/night.toml:8", "broker.password"],
        ["labs/night.toml:12", "broker.tls.ca"],
        ["labs/night.toml:14", "broker.tls.key"],
        ["labs/night.toml:17", "requests.secret"],
        ["labs/night.toml:27", "mail.password"],
        ["labs/night.toml:28", "mail.ca"],
        ["labs/night.toml:31", "program.arguments[1]"],
    ]
    assert "other users have rights to this secret (mode 0644)" in lines[0]
    assert f'"{secrets / "ca.crt"}" is no file that can be read' in lines[1]
    assert "the variable NIGHTRIG_REQUESTS, which holds a secret, is not set" in lines[3]
    assert "make it with: install -m 600 /dev/null" in lines[4]
    assert "is no program that can be started here" in lines[6]


def test_a_secret_too_short_to_sign_requests_is_told(laboratory):
    place = laboratory / "secrets/requests"
    place.write_text("a" * 31)
    place.chmod(0o600)
    own = ('{ variable = "NIGHTRIG_REQUESTS" }', '{ file = "../secrets/requests" }')
    rewrite(laboratory / "labs/night.toml", own)
    (line,) = told(laboratory)
    assert "requests.secret" in line
    assert "is too short to sign requests, which takes 32 characters" in line
    place.write_text("a" * 32)
    assert told(laboratory) == []


def test_only_secrets_that_the_rig_needs_are_looked_for(laboratory, monkeypatch):
    monkeypatch.delenv("NIGHTRIG_REQUESTS")
    (laboratory / "secrets/broker").unlink()
    own = 'user = "frame-1"\npassword = { file = "frame-1" }\n'
    rewrite(laboratory / "rigs/frame.toml", ('requests = ["pause", "stop"]', own))
    (line,) = told(laboratory)
    assert line.startswith("rigs/frame.toml:70: messages.password: ")


def test_a_run_is_refused_before_anything_starts(laboratory):
    rewrite(laboratory / "labs/night.toml", ('ways = ["mail"]', 'ways = ["mial"]'))
    out = laboratory / "night-1"
    rig = str(laboratory / "rigs/frame.toml")
    result = CliRunner().invoke(run, [PROTOCOL, "--rig", rig, "--out", str(out)])
    assert isinstance(result.exception, InputError)
    assert result.exception.exit_code == 2
    lab = laboratory / "labs/night.toml"
    assert str(result.exception) == (
        f'{lab}:57: alert[2].ways[1]: "mial" is not known here; did you mean "mail"?'
    )
    assert not out.exists()


def test_a_rehearsal_never_opens_the_lab_file(laboratory):
    (laboratory / "labs/night.toml").unlink()
    assert load(PROTOCOL, str(laboratory / "rigs/frame.toml")).rig.messages is not None
    opened = []

    def read(path: str) -> str:
        opened.append(path)
        texts = {WET: BY_SERIES, RIG: shipped(RIG) + MESSAGES}
        return texts.get(path) or shipped(path)

    load_plan(WET, RIG, read)
    assert [path for path in opened if "lab" in path] == []


def test_a_lab_file_is_found_by_its_name_or_among_those_that_come_along(laboratory, monkeypatch):
    monkeypatch.chdir(laboratory)
    (laboratory / "labs/night.toml").write_text(WHOLE)
    assert load_lab("labs/night.toml") == SAYS
    assert load_lab("example").name == "example"
    with pytest.raises(InputError, match=r"cannot read \"exmaple\": .* did you mean \"example\"\?"):
        load_lab("exmaple")


LOADED = """
import sys
from rig.commands.files import load
load("first-night", "simulated", with_lab=True)
print(sorted({"rig.protocol.lab_file", "rig.protocol.lab_tables"} & sys.modules.keys()))
load("first-night", sys.argv[1], with_lab=True)
print(sorted({"rig.protocol.lab_file", "aiomqtt", "paho", "smtplib", "ssl", "numpy"}
             & sys.modules.keys()))
"""


def test_only_a_rig_that_tells_people_pays_for_the_lab_file(laboratory):
    command = [sys.executable, "-P", "-c", LOADED, str(laboratory / "rigs/frame.toml")]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=30)
    assert (done.stdout, done.stderr) == ("[]\n['rig.protocol.lab_file']\n", "")

"""Secrets come from a private file or a variable, and are shown by nothing that goes wrong."""

from __future__ import annotations

import copy
import json
import logging
import os
import pickle
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.errors import InputError
from rig.monitor.secrets import MOST, Hidden, read_secret, secret_problem
from rig.protocol.lab import Secret

WORD = "correct horse battery"


@pytest.fixture
def kept(tmp_path):
    """Return what keeps bytes in a private file and says where."""

    def keep(data: bytes = WORD.encode(), mode: int = 0o600) -> Path:
        path = tmp_path / "broker"
        path.write_bytes(data)
        path.chmod(mode)
        return path

    return keep


def refused(secret: Secret, environment: dict[str, str] | None = None) -> str:
    with pytest.raises(InputError) as caught:
        read_secret(secret, environment or {})
    said = str(caught.value)
    assert said.isprintable()
    assert WORD not in said
    return said


@pytest.mark.parametrize("end", [b"", b"\n", b"\r\n"])
def test_a_private_file_is_read_without_the_end_of_its_line(kept, end):
    path = kept(WORD.encode() + end)
    assert read_secret(Secret(file=str(path))).reveal() == WORD
    assert secret_problem(Secret(file=str(path))) == ""


def test_a_mark_of_utf_8_at_the_beginning_is_no_part_of_a_secret(kept):
    path = kept(b"\xef\xbb\xbf" + WORD.encode())
    assert read_secret(Secret(file=str(path))).reveal() == WORD


def test_spaces_belong_to_a_secret(kept):
    assert read_secret(Secret(file=str(kept(b" a \n")))).reveal() == " a "


def test_a_variable_of_the_environment_is_read(monkeypatch):
    monkeypatch.setenv("NIGHTRIG_BROKER", WORD)
    secret = Secret(variable="NIGHTRIG_BROKER")
    assert read_secret(secret).reveal() == WORD
    assert secret_problem(secret) == ""
    assert read_secret(secret, {"NIGHTRIG_BROKER": "another"}).reveal() == "another"


@pytest.mark.parametrize("environment", [{}, {"NIGHTRIG_BROKER": ""}])
def test_a_variable_that_is_not_set_is_refused(environment):
    secret = Secret(variable="NIGHTRIG_BROKER")
    said = refused(secret, environment)
    assert said == (
        "the variable NIGHTRIG_BROKER, which holds a secret, is not set; set it where nightrig is "
        "started, or keep the secret in a private file"
    )
    assert secret_problem(secret, environment) == said


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o620, 0o602, 0o610, 0o601, 0o644, 0o666])
def test_a_file_with_any_right_for_others_is_refused(kept, mode):
    path = kept(mode=mode)
    said = refused(Secret(file=str(path)))
    assert said == (
        f"{path}: other users have rights to this secret (mode {mode:04o}); take them away with: "
        f"chmod 600 {path}, and change it if others may have read it"
    )
    assert secret_problem(Secret(file=str(path))) == said


@pytest.mark.parametrize("folder", ["", "se crets"])
def test_a_file_that_is_not_there_is_refused_with_how_to_make_it(tmp_path, folder):
    path = tmp_path / folder / "bro ker"
    said = refused(Secret(file=str(path)))
    first = f"mkdir -p -m 700 '{path.parent}' && " if folder else ""
    make = f"{first}install -m 600 /dev/null '{path}'"
    assert said == (
        f"{path}: no such file, and a secret should be in it; make it with: {make}, and write the "
        "secret into it"
    )
    subprocess.run(["sh", "-c", make], check=True)
    path.write_text(f"{WORD}\n")
    assert read_secret(Secret(file=str(path))).reveal() == WORD


def test_a_folder_a_pipe_and_a_device_are_no_files_and_hold_nobody_up(tmp_path):
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe, 0o600)
    for path in (tmp_path, pipe, Path(os.devnull)):
        assert "is no regular file" in refused(Secret(file=str(path)))
        assert "is no regular file" in secret_problem(Secret(file=str(path)))


def test_a_link_is_judged_by_the_file_it_leads_to(kept, tmp_path):
    link = tmp_path / "link"
    link.symlink_to(kept())
    assert read_secret(Secret(file=str(link))).reveal() == WORD
    kept(mode=0o644)
    assert "other users have rights" in refused(Secret(file=str(link)))
    link.unlink()
    link.symlink_to("link")
    assert "cannot be opened: too many levels" in refused(Secret(file=str(link)))


@pytest.mark.parametrize(
    ("data", "told"),
    [
        (b"", "is empty"),
        (b"\n", "is empty"),
        (f"{WORD}\n{WORD}\n".encode(), "more than one line"),
        (f"{WORD}\n\n".encode(), "more than one line"),
        (f"{WORD}\0".encode(), "no line can show"),
        (WORD.encode("utf-16"), "no UTF-8 text"),
        (WORD.encode() * 200, f"longer than the {MOST} bytes"),
    ],
)
def test_what_is_no_secret_alone_in_one_line_is_refused(kept, data, told):
    assert told in refused(Secret(file=str(kept(data))))


def test_the_longest_secret_is_read_whole(kept):
    assert read_secret(Secret(file=str(kept(b"x" * MOST)))).reveal() == "x" * MOST


@pytest.mark.parametrize("file", ["\0", "x" * 300, "no\x1b[2Jsuch"])
def test_an_odd_path_is_refused_in_one_line(file):
    assert refused(Secret(file=file))
    assert secret_problem(Secret(file=file)).isprintable()


def test_nothing_is_left_open(kept, tmp_path):
    def opened() -> set[str]:
        return set(os.listdir("/proc/self/fd"))

    before = opened()
    for mode in (0o600, 0o644):
        secret = Secret(file=str(kept(mode=mode)))
        assert bool(secret_problem(secret)) == (mode != 0o600)
        assert opened() == before
    assert refused(secret)
    assert refused(Secret(file=str(tmp_path)))
    assert read_secret(Secret(file=str(kept()))).reveal() == WORD
    assert opened() == before


AS_NOBODY = """
import os, sys
from rig.monitor.secrets import read_secret
from rig.errors import InputError
from rig.protocol.lab import Secret
handles = [os.open(folder, os.O_RDONLY) for folder in sys.argv[1:2]]
os.fchdir(handles[0])
os.setgid(65534); os.setuid(65534)
for name in sys.argv[2:]:
    try:
        print(read_secret(Secret(file=name)).reveal())
    except InputError as error:
        print(error)
"""


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become another user")
def test_a_secret_of_another_user_is_refused_whatever_its_rights(tmp_path):
    for name, mode, owner in (
        ("closed", 0o600, 0),
        ("open", 0o644, 0),
        ("own", 0o400, 65534),
    ):
        path = tmp_path / name
        path.write_text(f"{WORD}\n")
        path.chmod(mode)
        os.chown(path, owner, owner)
    tmp_path.chmod(0o711)
    command = [sys.executable, "-P", "-c", AS_NOBODY, str(tmp_path), "closed", "open", "own"]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=30)
    assert done.stderr == ""
    assert done.stdout.splitlines() == [
        "closed: this secret cannot be opened: permission denied; keep it in a file of the user "
        "that starts nightrig",
        "open: this secret belongs to another user; keep it in a file of the user that starts "
        "nightrig",
        WORD,
    ]


def test_a_secret_shows_in_nothing_that_prints_or_keeps_values(caplog):
    hidden = Hidden(WORD)
    with caplog.at_level(logging.DEBUG):
        logging.getLogger("test").warning("%s %r", hidden, [hidden])
    for shown in (repr(hidden), str(hidden), f"{hidden}", f"{hidden!r:>40}", caplog.text):
        assert WORD not in shown
    for keep in (pickle.dumps, copy.deepcopy, json.dumps, vars):
        with pytest.raises(TypeError) as caught:
            keep(hidden)
        assert WORD not in str(caught.value)


@given(data=st.binary(max_size=40))
def test_a_file_of_any_bytes_is_a_secret_in_one_line_or_is_refused(tmp_path_factory, data):
    path = tmp_path_factory.mktemp("any") / "secret"
    path.touch(0o600)
    path.write_bytes(data)
    try:
        text, said = read_secret(Secret(file=str(path))).reveal(), ""
    except InputError as error:
        text, said = "", str(error)
    assert said.isprintable()
    assert bool(text) != bool(said)
    if text:
        ends = (b"", b"\n", b"\r", b"\r\n")
        assert data.removeprefix(b"\xef\xbb\xbf") in (text.encode() + end for end in ends)
        assert text.isprintable()

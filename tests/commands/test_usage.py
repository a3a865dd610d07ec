"""A command line that cannot be understood is one line that says what would be right."""

from __future__ import annotations

import os
import subprocess

import pytest

from rig.commands.main import main
from rig.commands.note import parted
from rig.commands.usage import typed

NAMED = ("rehearse", "run", "stop", "devices")

WRONG = {
    "a command": (["rehaerse"], "unknown command 'rehaerse' (did you mean rehearse?)"),
    "no near command": (["xyz"], "unknown command 'xyz'; there are check, predict, devices, "),
    "an option": (["rehearse", "p", "--sead", "1"], "no option --sead (did you mean --seed?)"),
    "an option of no command": (["--speed"], "there is no option --speed"),
    "a missing word": (["rehearse", "--seed", "1", "--out", "o"], "PROTOCOL is missing"),
    "a missing option": (["run", "p"], "--out is missing (New folder)"),
    "an option without value": (["run", "p", "--out"], "--out needs a value after it"),
    "no number": (["run", "p", "--out", "o", "--seed", "x"], "--seed: 'x' is no whole number"),
    "below zero": (["run", "p", "--out", "o", "--seed", "-1"], "-1 is no whole number from 0 on"),
    "no word of two": (["devices", "--try", "pupm"], "'pupm' is not known; give pump or horn"),
    "too high": (["devices", "--repeats", "500"], "500 is no whole number from 1 to 100"),
    "too many words": (["stop", "night-1", "now"], "too many words: now"),
}


@pytest.mark.parametrize(("words", "said"), WRONG.values(), ids=WRONG.keys())
def test_a_slip_is_one_line_with_its_remedy_and_code_2(words, said, capsys):
    with pytest.raises(SystemExit) as left:
        main(words)
    assert left.value.code == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("\n") == 1
    assert said in err
    command = f"nightrig {words[0]}" if words[0] in NAMED else "nightrig"
    assert err.startswith(f"{command}: ")
    assert err.endswith(f"; see {command} --help\n")


NAMES = (
    "night-1",
    "-x",
    "a b",
    "it's",
    'q"s',
    "back\\slash",
    "new\nline",
    "\x1b[31m",
    "é \x07",
    "$HOME",
)


def test_a_name_in_a_hint_can_be_copied_into_the_shell_and_controls_no_terminal():
    hints = [typed(name) for name in NAMES]
    assert all(hint.isprintable() for hint in hints)
    done = subprocess.run(
        ["bash", "-c", f"printf '%s\\0' {' '.join(hints)}"], capture_output=True, check=True
    )
    said = done.stdout.decode().split("\0")[:-1]
    assert said == ["./-x" if name == "-x" else name for name in NAMES]


def test_a_note_that_is_too_long_is_refused_and_not_cut(capsys):
    with pytest.raises(SystemExit) as left:
        main(["note", "crack " * 300])
    assert left.value.code == 2
    assert "the text has 1,800 letters, a note takes 1,500: part it" in capsys.readouterr().err


@pytest.mark.parametrize("text", ["crack " * 100, "a\0b"])
def test_a_text_that_can_be_no_path_is_a_note(text):
    assert parted((text,), reading=False) == (None, text)


def test_no_words_at_all_show_the_help_and_code_2(capsys):
    with pytest.raises(SystemExit) as left:
        main([])
    assert left.value.code == 2
    assert "Commands:" in capsys.readouterr().err


@pytest.mark.parametrize("command", ["rehearse", "run"])
def test_a_slip_in_the_path_of_a_new_folder_makes_none(command, tmp_path, capsys):
    out = tmp_path / "nihgts" / "night-1"
    with pytest.raises(SystemExit) as left:
        main([command, "static-ultimate", "--out", str(out), "--seed", "1"])
    assert left.value.code == 2
    assert capsys.readouterr().err.startswith(f"{tmp_path / 'nihgts'}: there is no such folder")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("command", ["rehearse", "run"])
def test_a_refusal_that_nobody_can_read_keeps_its_code(command, tmp_path, monkeypatch):
    reader, writer = os.pipe()
    os.close(reader)
    with os.fdopen(writer, "w", closefd=False) as closed:
        monkeypatch.setattr("sys.stdout", closed)
        with pytest.raises(SystemExit) as left:
            main([command, "no-such", "--out", str(tmp_path / "o"), "--seed", "1", "--json"])
        assert left.value.code == 2
        # What waits in its buffer goes nowhere.
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, writer)
        os.close(nowhere)
    os.close(writer)


def refused(words: list[str], capsys) -> str:
    """Return the one line by which a command is refused with code 2."""
    with pytest.raises(SystemExit) as left:
        main(words)
    assert left.value.code == 2
    (line,) = capsys.readouterr().err.splitlines()
    return line


@pytest.mark.parametrize("words", [[], ["night-1"], ["night-1", "wet"]])
def test_a_reading_without_its_quotes_is_answered_with_them(words, capsys):
    line = refused(["note", *words, "--catch-can", "0.7", "L/min", "--face", "top"], capsys)
    assert line == ('--catch-can 0.7 L/min: put it in quotation marks: --catch-can "0.7 L/min"')


@pytest.mark.parametrize("command", ["watch", "pause"])
@pytest.mark.parametrize("name", ["journal.db", "run.h5"])
def test_a_file_of_a_run_is_answered_with_its_folder(command, name, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "night 3").mkdir()
    for file in ("journal.db", "run.h5"):
        (tmp_path / "night 3" / file).touch()
    line = refused([command, f"night 3/{name}"], capsys)
    assert line.startswith(f"night 3/{name}: is a file of a run; give the folder: 'night 3'")


def test_what_the_json_of_watch_is_stands_in_its_help(capsys):
    with pytest.raises(SystemExit):
        main(["watch", "--help"])
    said = " ".join(capsys.readouterr().out.split())
    assert "for scripts: the result at the end; with --once the present state." in said

"""What is printed suits the terminal: broken between words, in letters it has, wiped when over."""

from __future__ import annotations

import io
import os
import pty
import termios
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TextIO

import pytest

from rig.commands.saying import folded, goes_on, meanwhile
from rig.commands.screen import Shown

AGAIN = {
    "stopped by A. Name": "nightrig resume night-1",
    "air run: stopped by A. Name": "",
    "ended as it stands: too old": "",
}
"""Why a test ended, and what is typed to go on."""
SUMMARY = (
    "Prism P-77\n"
    "  outcome   limit: deflection above 8 mm for 12 ms; look at /runs/a-folder/of/the-night-1\n"
    "  cycles    12,345"
)


@contextmanager
def terminal(columns: int) -> Iterator[tuple[TextIO, int]]:
    """Open a terminal so many letters wide; its stream, and where its text comes out."""
    primary, secondary = pty.openpty()
    termios.tcsetwinsize(secondary, (24, columns))
    with os.fdopen(secondary, "w") as stream:
        yield stream, primary
    os.close(primary)


def test_a_long_line_on_a_terminal_is_broken_between_words_and_set_in_behind_its_label():
    with terminal(40) as (stream, _):
        assert folded(SUMMARY, stream).split("\n") == [
            "Prism P-77",
            "  outcome   limit: deflection above 8 mm",
            "            for 12 ms; look at",
            "            /runs/a-folder/of/the-night-1",
            "  cycles    12,345",
        ]
        line = 'protocol.toml:12: loading.upper: "70 kNm" is a moment'
        assert folded(line, stream) == line.replace("70 kNm", "70\n  kNm")


def test_without_a_terminal_no_line_is_broken():
    assert folded(SUMMARY, io.StringIO()) == SUMMARY
    assert folded(SUMMARY, None) == SUMMARY


def test_what_is_under_way_is_wiped_from_a_terminal_and_stays_in_a_log(monkeypatch):
    with terminal(40) as (stream, primary):
        monkeypatch.setattr("sys.stderr", stream)
        with meanwhile("A title that is far too long", "starting; Ctrl-C starts nothing"):
            assert os.read(primary, 999) == b"starting; Ctrl-C starts nothing"
        assert os.read(primary, 999) == b"\r" + b" " * 31 + b"\r"
    log = io.StringIO()
    monkeypatch.setattr("sys.stderr", log)
    with meanwhile("Prism", "starting"):
        pass
    assert log.getvalue() == "Prism: starting\n"


LETTERS = {
    "nothing set": ({}, False),
    "LANG=C": ({"LANG": "C"}, True),
    "LANG=C as Python leaves it": ({"LANG": "C", "LC_CTYPE": "C.UTF-8"}, True),
    "LANG=POSIX": ({"LANG": "POSIX"}, True),
    "LC_ALL=C": ({"LC_ALL": "C", "LANG": "de_DE.UTF-8"}, True),
    "LC_ALL before LANG": ({"LC_ALL": "de_DE.UTF-8", "LANG": "C"}, False),
    "LC_CTYPE before LANG": ({"LANG": "C", "LC_CTYPE": "de_DE.UTF-8"}, False),
    "C.UTF-8": ({"LANG": "C.UTF-8"}, False),
}


@pytest.mark.parametrize(("settings", "plain"), LETTERS.values(), ids=LETTERS.keys())
def test_the_c_locale_has_plain_letters_whatever_python_makes_of_it(settings, plain, monkeypatch):
    for name in ("LC_ALL", "LC_CTYPE", "LANG"):
        monkeypatch.delenv(name, raising=False)
    for name, value in settings.items():
        monkeypatch.setenv(name, value)
    assert Shown(stream=io.TextIOWrapper(io.BytesIO(), "utf-8")).plain is plain
    assert Shown(stream=io.TextIOWrapper(io.BytesIO(), "ascii")).plain


@pytest.mark.parametrize(("why", "typed"), AGAIN.items())
def test_only_what_is_taken_up_again_says_how(why, typed):
    assert goes_on("operator", why, Path("night-1")) == typed

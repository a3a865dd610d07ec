"""Nothing is switched before a person at a terminal has given a name and the word."""

from __future__ import annotations

import os
import sys

import pytest

from rig.commands.consent import consent
from rig.errors import InputError, NotBegun


@pytest.fixture
def terminal(monkeypatch):
    """Return a function that types lines on a terminal which is standard input."""
    primary, secondary = os.openpty()
    with os.fdopen(secondary, encoding="utf-8") as stdin:
        monkeypatch.setattr(sys, "stdin", stdin)
        yield lambda *lines: os.write(primary, "".join(f"{x}\n" for x in lines).encode())
    os.close(primary)


def test_a_name_and_the_word_are_typed_before_anything_is_switched(terminal, capfd):
    terminal("A. Name", "pump")
    assert consent("pump", emulated=False) == "A. Name"
    said = capfd.readouterr().err
    assert said.count("CAUTION: ") == 3
    assert "residual-current device" in said
    assert "within reach" in said


@pytest.mark.parametrize("lines", [("A. Name", "yes"), ("A. Name", "horn "), ("",)])
def test_without_the_word_nothing_is_switched(terminal, lines):
    terminal(*lines)
    with pytest.raises(NotBegun, match="the pump was not switched"):
        consent("pump", emulated=False)


@pytest.mark.parametrize("lines", [(), ("A. Name",)], ids=["at the name", "at the word"])
def test_who_breaks_it_off_at_the_questions_is_told_that_nothing_was_switched(
    terminal, capfd, monkeypatch, lines
):
    terminal(*lines)
    typed = [f"{line}\n" for line in lines]

    def readline() -> str:
        if typed:
            return typed.pop(0)
        raise KeyboardInterrupt

    monkeypatch.setattr(sys.stdin, "readline", readline)
    with pytest.raises(NotBegun, match="the horn was not switched: broken off"):
        consent("horn", emulated=True)
    assert "nothing real is switched" in " ".join(capfd.readouterr().err.split())


def test_without_a_terminal_only_an_emulated_rig_is_tried(monkeypatch):
    with open(os.devnull, encoding="utf-8") as nothing:
        monkeypatch.setattr(sys, "stdin", nothing)
        assert consent("horn", emulated=True)
        with pytest.raises(InputError, match="only a person at a terminal may try it"):
            consent("horn", emulated=False)

"""Leaving by a signal, and what a program was told not to be ended by."""

import os
import signal

import pytest

from rig.commands.leaving import Leaving


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP", "SIGQUIT"])
def test_a_signal_is_noted_unless_the_program_was_started_to_ignore_it(name):
    number = signal.Signals[name]
    before = signal.getsignal(number)
    try:
        signal.signal(number, signal.SIG_DFL)  # the tests themselves may be told to ignore it
        with Leaving() as leaving:
            os.kill(os.getpid(), number)
            assert leaving.asked
        signal.signal(number, signal.SIG_IGN)
        with Leaving() as leaving:
            os.kill(os.getpid(), number)
            assert not leaving.asked
        assert signal.getsignal(number) is signal.SIG_IGN
    finally:
        signal.signal(number, before)

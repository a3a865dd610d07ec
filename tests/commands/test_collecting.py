"""A command that has a process to itself does not wait for garbage to be looked for."""

from __future__ import annotations

import gc
import subprocess
import sys

from tests.commands.cut_off import said_by

ALONE = """
import gc, sys
from rig.commands.main import main
looks = []
gc.callbacks.append(lambda phase, told: looks.append(told["generation"]))
sys.argv = ["nightrig", "check", "dry-short"]
try:
    main()
except SystemExit as left:
    print(left.code, len(looks), gc.get_freeze_count() > 10_000, file=sys.stderr)
"""


def test_a_check_in_its_own_process_looks_for_no_garbage_and_keeps_what_it_read():
    done = subprocess.run(
        [sys.executable, "-c", ALONE], capture_output=True, text=True, check=False
    )
    assert done.stderr.splitlines()[-1] == "0 0 True"


def test_one_in_the_process_of_others_leaves_their_garbage_to_be_found():
    kept = gc.get_freeze_count()
    assert said_by("check", "dry-short").code == 0
    assert (gc.get_freeze_count(), gc.isenabled()) == (kept, True)

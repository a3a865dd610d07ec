"""The contract suite: drivers that keep their promises pass it."""

from __future__ import annotations

import os
import re
import subprocess
import sys

import pytest

from tests.wire.live import a_wire_night

SUITE = [sys.executable, "-P", "-m", "drivers.contract"]


def tried(*words: str, env: dict[str, str] | None = None) -> subprocess.CompletedProcess[str]:
    """Run the suite as somebody does who wrote a driver."""
    return subprocess.run(
        [*SUITE, *words],
        env=os.environ | (env or {}),
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )


def test_the_simulated_rig_keeps_every_promise():
    done = tried()
    assert done.returncode == 0, done.stdout
    assert "39 passed" in done.stdout


@pytest.mark.nights
def test_a_rig_file_that_cannot_be_read_is_one_line(tmp_path):
    done = tried("--rig", str(tmp_path / "none.toml"))
    assert done.returncode == 4, "pytest's code for wrong words"
    assert "none.toml: cannot read" in done.stderr
    assert "Traceback" not in done.stderr + done.stdout


@pytest.mark.nights
@pytest.mark.timeout(240)
@pytest.mark.xdist_group("live")
def test_the_serial_driver_keeps_every_promise_on_emulated_devices(tmp_path):
    with a_wire_night(tmp_path) as night:
        suite = ["--driver", "serial", "--rig", str(tmp_path / "rig.toml")]
        done = tried(*suite, env=night.env)
        if done.returncode == 1:
            # On a computer that is busy with other tests emulated devices answer late.
            done = tried(*suite, env=night.env)
        assert done.returncode == 0, done.stdout
        assert re.search(r"^\d+ passed in", done.stdout, re.MULTILINE), done.stdout
        assert night.end_emulation() == 0

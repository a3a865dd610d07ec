"""`nightrig devices` on emulated devices: wrong rig files, tries of the pump, a rig at work."""

from __future__ import annotations

import json
import re
import signal
import subprocess
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from tests.assembly.nights import COMMAND, a_night, eventually
from tests.wire.live import a_wire_night


def edited(folder: Path, *changes: tuple[str, str]) -> str:
    """Write a rig file that differs from the emulation's; return its name."""
    rig = (folder / "rig.toml").read_text()
    for old, new in changes:
        assert old in rig
        rig = rig.replace(old, new)
    (folder / "other.toml").write_text(rig)
    return "other.toml"


def exchanged(folder: Path, one: str, other: str) -> tuple[tuple[str, str], ...]:
    """Return the changes that exchange the paths of two ports."""
    first, second = (f'"{folder / "ports" / name}"' for name in (one, other))
    return (first, "@"), (second, first), ("@", second)


WRONG = {
    "other speeds": (
        lambda _: (
            ("baud = 921600", "baud = 115200"),
            ("baud = 19200", "baud = 38400"),
            ("baud = 9600", "baud = 57600"),
        ),
        {
            "samples": ("no frame fits", "understood at 921600 baud"),
            "bus": ("do not answer", "understood at 19200 baud"),
            "thermometer": ("", "understood at 9600 baud"),
        },
    ),
    "a controller and a bus exchanged": (
        lambda folder: exchanged(folder, "servo", "bus"),
        {
            "servo": ("nothing answers", "a Modbus device .* exchanged"),
            "bus": ("do not answer", "the controller .* exchanged"),
        },
    ),
    "samples and a thermometer exchanged": (
        lambda folder: exchanged(folder, "samples", "thermometer"),
        {"samples": ("", "the instrument"), "thermometer": ("", "a device that sends samples")},
    ),
    "other devices than the rig file's": (
        lambda folder: (
            ("address = 2", "address = 77"),
            ('rate = "1 kHz"', 'rate = "500 Hz"'),
            ('identity = "emulated controller"', 'identity = "big one"'),
            (str(folder / "ports" / "thermometer"), "/dev/serial/by-id/none"),
        ),
        {
            "servo": ('answers and the rig file expects "big one"', "right port"),
            "samples": ("samples at 1000 Hz, the rig file says 500 Hz", ""),
            "bus": (r'"cabinet" \(address 77\) does not answer, the others', "address"),
            "thermometer": ("^there is no such port$", "plugged in"),
        },
    ),
    "words that are not the devices' own": (
        lambda _: (
            ("STATus:RIG?", "STATus:RIGG?"),
            ('table = "input", at = 6', 'table = "input", at = 70'),
            ("place = 1", "place = 2"),
        ),
        {
            "servo": ('^no answer to "STATus:RIGG\\?"', "answers other questions"),
            "bus": ("illegal data address", "look up this address"),
            "thermometer": ("is no answer to", "places, words, order"),
        },
    ),
    "another echo, and another line end": (
        lambda _: (
            ("*ESE {number};*ESE?", "*ESR {number};*ESR?"),
            ('answers = [{ channel = "temp', 'line_end = "CR"\nanswers = [{ channel = "temp'),
        ),
        {
            "servo": ("does not bring its number back", "is echo in .* one of its own commands"),
            "thermometer": ("nothing answers", 'write line_end = "LF"'),
        },
    ),
}
"""Changes of a rig file, and by port what is then told, and what to try."""
SIDE_BY_SIDE = 2
"""Rigs that are looked at at one time: each look waits most of the time."""


def look_wrong(folder: Path, left: list[str]) -> None:
    """Look at an emulated rig by its rig file, and by wrong ones as long as there are some."""
    folder.mkdir()
    with a_wire_night(folder) as night:
        before = night.truth()
        done = night.nightrig("devices", "--rig", "rig.toml", "--seconds", "1")
        assert (done.returncode, "ALL THERE" in done.stdout) == (0, True), done.stdout
        while left:
            name = left.pop(0)
            changes, wanted = WRONG[name]
            rig = edited(folder, *changes(folder))
            done = night.nightrig("devices", "--rig", rig, "--seconds", "1", "--json")
            assert done.returncode == 4, f"{name}: {done.stdout}"
            found = {m["where"].split()[0]: m for m in json.loads(done.stdout)["missing"]}
            assert set(found) == set(wanted), name
            for port, (what, remedy) in wanted.items():
                assert re.search(what, found[port]["what"]), (name, found[port])
                assert re.search(remedy, found[port]["try"]), (name, found[port])
        assert night.truth() == before
        assert night.end_emulation() == 0


@pytest.mark.endurance
@pytest.mark.timeout(180)
@pytest.mark.xdist_group("live")
def test_what_is_wrong_is_told_with_what_to_try_and_nothing_is_moved_or_written(tmp_path):
    left = list(WRONG)
    with ThreadPoolExecutor(SIDE_BY_SIDE) as beside:
        lookers = [beside.submit(look_wrong, tmp_path / str(n), left) for n in range(SIDE_BY_SIDE)]
        for looker in lookers:
            looker.result()
    assert left == []


@pytest.mark.nights
@pytest.mark.timeout(120)
@pytest.mark.xdist_group("live")
def test_a_pump_is_tried_by_somebody_at_a_terminal(tmp_path):
    with a_wire_night(tmp_path) as night:
        asking = [*COMMAND, "devices", "--rig", "rig.toml"]
        shown = night.on_terminal([*asking, "--try", "pump"])
        shown.until("Name of who asks")
        shown.type("A. Name")
        shown.until('Type "pump"')
        before = night.truth()
        shown.type("pump")
        shown.until("L/min")
        assert shown.code() == 0
        switched = [(line["what"], line["value"]) for line in night.truth()[len(before) :]]
        assert switched == [
            ("pump", "on"),
            ("pump output", "on"),
            ("pump", "off"),
            ("pump output", "off"),
        ]


@pytest.mark.nights
@pytest.mark.timeout(120)
@pytest.mark.xdist_group("live")
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_whoever_ends_a_try_leaves_the_pump_off(tmp_path, number):
    with a_wire_night(tmp_path) as night:

        def pump() -> list[str]:
            return [line["value"] for line in night.truth() if line["what"] == "pump"]

        trying = subprocess.Popen(
            [*COMMAND, "devices", "--rig", "rig.toml", "--try", "pump"],
            cwd=tmp_path,
            env=night.env,
            stdin=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
        )
        night.children.append(trying)
        eventually(lambda: pump()[-1:] == ["on"], "the pump")
        trying.send_signal(number)
        assert trying.wait(20) == 5
        assert trying.stderr.read() == "broken off; the pump is switched off\n"
        assert pump()[-1] == "off"


@pytest.mark.nights
@pytest.mark.xdist_group("live")
def test_a_rig_is_not_asked_while_it_tests(tmp_path):
    with a_night(tmp_path, run_out=100_000) as night:
        assert night.start("--detach").wait(60) == 0
        done = night.nightrig("devices", "--rig", "rig.toml")
        assert done.returncode == 2
        assert f"in use by {night.out}" in done.stderr
        assert night.nightrig("stop").returncode == 0
        night.until_gone()

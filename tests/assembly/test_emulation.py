"""An emulated rig as a program: its rig file, what it says, how it ends."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from rig.assembly.emulation import emulated_setup, fixed_bounds, run_until
from rig.clock import SystemClock
from rig.commands.emulate import FIRST_LINE, emulate
from rig.commands.files import load
from rig.errors import DeviceError, InputError
from rig.protocol.load import load_rig
from simulators.wire.truth import Told
from tests.assembly.nights import COMMAND, PATIENCE, ROOT, eventually
from tests.simulators.wire.host import host

SIMULATED = str(ROOT / "protocols" / "rigs" / "simulated.toml")


@contextmanager
def emulated(folder: Path, *words: str) -> Iterator[subprocess.Popen[str]]:
    """Start an emulation as a program of its own."""
    started = subprocess.Popen(
        [*COMMAND, "devices", "--emulate", *words],
        cwd=folder,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        yield started
    finally:
        started.kill()
        started.communicate()


@pytest.mark.nights
async def test_it_runs_until_ctrl_c_and_hands_out_a_rig_file_that_holds(tmp_path: Path) -> None:
    words = ("--ports", "ports", "--out", "rig.toml", "--truth", "truth.jsonl", "--seed", "3")
    edited = "# The rig file of an emulated rig\n# with something that somebody wrote\n"
    (tmp_path / "rig.toml").write_text(edited, encoding="utf-8")
    with emulated(tmp_path, *words) as started:
        eventually((tmp_path / "rig.toml.before").exists, "what the rig file was")
        assert (tmp_path / "rig.toml.before").read_text("utf-8") == edited
        eventually((tmp_path / "rig.toml").exists, "the rig file")
        rig = load_rig(str(tmp_path / "rig.toml"), lambda path: Path(path).read_text("utf-8"))
        assert rig.wire is not None
        assert [port.path for port in rig.wire.ports] == [
            str(tmp_path / "ports" / port.name) for port in rig.wire.ports
        ]
        with host(rig.wire.port("servo").path, rig.wire.port("servo").baud) as servo:
            assert rig.wire.controller is not None
            assert rig.wire.controller.identity in await servo.ask("*IDN?")
            assert await servo.ask("OUTP:PRES LOW;:SYST:ERR?") == '0,"No error"'
            # Whoever reads along has it before the next answer.
            lines = (tmp_path / "truth.jsonl").read_text("utf-8").splitlines()
            assert ("pressure", "low") in {(t["what"], t["value"]) for t in map(json.loads, lines)}
        started.send_signal(signal.SIGINT)
        said, told = started.communicate(timeout=PATIENCE)
    assert started.returncode == 0
    assert said == ""
    assert "nightrig run first-night --rig rig.toml" in told
    assert "Ctrl-C" in told
    assert os.listdir(tmp_path / "ports") == []


@pytest.mark.nights
def test_without_a_file_the_rig_file_is_printed_and_fresh_ports_go_with_the_program(
    tmp_path: Path,
) -> None:
    with emulated(tmp_path, "--trouble", "servo-late") as started:
        assert started.stdout is not None
        text = ""
        while "[stops]" not in text:
            text += started.stdout.readline()
        started.send_signal(signal.SIGTERM)
        more, told = started.communicate(timeout=PATIENCE)
    assert started.returncode == 0
    assert "save the text above" in told
    assert "on its lines: One answer of the controller in 400 comes too late" in told
    assert text.startswith(FIRST_LINE)
    rig = load_rig("printed", lambda _path: text + more)
    assert rig.wire is not None
    assert not Path(rig.wire.ports[0].path).parent.exists()


def refused(tmp_path: Path, **changes: object) -> str:
    """Return why an emulation is not begun."""
    given: dict[str, object] = {
        **{"protocol": "", "rig": "", "seed": 1, "ports": tmp_path / "ports"},
        **{"out": None, "truth": None, "trouble": ""},
    }
    with pytest.raises(InputError) as caught:
        emulate(**(given | changes))  # type: ignore[arg-type]
    return str(caught.value)


def test_a_file_that_no_emulation_made_is_not_written_over(tmp_path: Path) -> None:
    mine = tmp_path / "mine.toml"
    mine.write_text('name = "my frame"\n', encoding="utf-8")
    assert "already exists" in refused(tmp_path, out=mine)
    assert "already exists" in refused(tmp_path, truth=mine)
    assert "name another file" in refused(tmp_path, truth=tmp_path / "no" / "folder")
    assert mine.read_text(encoding="utf-8") == 'name = "my frame"\n'


def test_an_unknown_trouble_is_answered_with_those_there_are(tmp_path: Path) -> None:
    assert "samples-dropped" in refused(tmp_path, trouble="samples-droped")
    assert not (tmp_path / "ports").exists()


def test_only_a_simulated_rig_is_emulated(tmp_path: Path) -> None:
    rig = tmp_path / "rig.toml"
    text = Path(SIMULATED).read_text(encoding="utf-8")
    rig.write_text(text.replace('driver = "simulated"', 'driver = "my_frame"'), encoding="utf-8")
    assert 'driver = "my_frame"' in refused(tmp_path, rig=str(rig))


async def test_what_cannot_be_written_where_the_rig_file_goes_is_one_line(tmp_path: Path) -> None:
    def ready(_text: str) -> None:
        raise InputError("--out x: no such folder")

    plan = load("first-night", None)
    with pytest.raises(InputError, match="no such folder"):
        await run_until(asyncio.Event(), plan, 1, tmp_path, ready, clock=SystemClock())
    assert os.listdir(tmp_path) == []


async def test_a_folder_that_cannot_hold_ports_is_one_line(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    plan = load("first-night", None)
    with pytest.raises(DeviceError, match="folder that you may write to with --ports"):
        await run_until(
            asyncio.Event(), plan, 1, tmp_path / "file", lambda _text: None, clock=SystemClock()
        )


def test_the_specimen_is_that_of_the_protocol_and_slow_channels_are_there() -> None:
    setup = emulated_setup(load("first-night", None))
    slow = {c.name for c in setup.channels if c.slow}
    assert slow == {"flow", "tank", "temperature_air", "temperature_water", "temperature_oil"}
    assert setup.upper_load > 0


async def test_the_truth_tells_when_the_bounds_that_are_always_armed_are_crossed(
    tmp_path: Path,
) -> None:
    plan = load("first-night", None)
    bounds = fixed_bounds(plan)
    assert bounds["load"][1] == min(
        plan.rig.limits["load"][1], plan.limits.fixed.get("load", (0, 1e9))[1]
    )
    narrow = replace(plan.limits, fixed={"stroke": (-1e-3, 1e-3), "load": (-1e3, 5e3)})
    told: list[Told] = []
    ended = asyncio.Event()

    def tell(line: Told) -> None:
        told.append(line)
        if line["what"] == "outside":
            ended.set()

    async def excess() -> None:
        with host(str(tmp_path / "servo"), 115200) as servo:
            servo.write(b"OUTP:PRES HIGH;:SOUR:STR:RAMP -5,50\n")
            await ended.wait()

    async with asyncio.TaskGroup() as tasks:

        def ready(_text: str) -> None:
            tasks.create_task(excess())

        narrowed = replace(plan, limits=narrow)
        await run_until(ended, narrowed, 1, tmp_path, ready, clock=SystemClock(), tell=tell)
    line = next(t for t in told if t["what"] == "outside")
    assert -1.1e-3 <= float(line["stroke_m"]) < -1e-3

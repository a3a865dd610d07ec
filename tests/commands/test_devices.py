"""`nightrig devices`: the rigs it looks at, those it leaves alone, what it misses on lines."""

from __future__ import annotations

import asyncio
import json
import math
import os
from datetime import UTC, datetime

import pytest

from drivers.lines import SerialLine
from drivers.survey import survey as survey_lines
from rig.assembly.emulation import run_until
from rig.assembly.survey import Missing, missing
from rig.clock import SystemClock
from rig.commands.files import load
from rig.commands.main import main
from rig.control.lock import lock_rig
from rig.protocol.load import load_rig
from tests.assembly.nights import ROOT
from tests.commands.surveys import wired_plan


def nightrig(*words: str) -> int:
    """Run a command in this process; return its exit code."""
    with pytest.raises(SystemExit) as left:
        main(["devices", *words])
    return int(left.value.code)


def test_the_simulated_rig_is_looked_at_as_any_other(capfd, tmp_path):
    rig = (ROOT / "protocols/rigs/simulated-full.toml").read_text()
    name = f"frame {tmp_path.name} {os.getpid()}"
    (tmp_path / "rig.toml").write_text(rig.replace("simulated frame, full", name))
    assert nightrig("--rig", str(tmp_path / "rig.toml"), "--seconds", "0.5", "--json") == 0
    told = json.loads(capfd.readouterr().out)
    assert (told["rig"], told["ok"], told["emulated"]) == (name, True, True)
    assert set(told["values"]) > {"load", "midspan", "crack_opening", "temperature_oil", "tank"}
    assert all(value["value"] is not None for value in told["values"].values())
    assert told["controller"]["pressure"] == "off"


def test_a_rig_on_which_a_test_runs_is_left_alone(capfd, tmp_path):
    rig = (ROOT / "protocols/rigs/simulated.toml").read_text()
    name = f"frame {tmp_path.name} {os.getpid()}"
    (tmp_path / "rig.toml").write_text(rig.replace("simulated frame", name))
    lock = lock_rig(name, tmp_path / "night-1", datetime.now(UTC))
    try:
        for more in ((), ("--try", "horn")):
            assert nightrig("--rig", str(tmp_path / "rig.toml"), *more) == 2
            assert f"is in use by {tmp_path / 'night-1'}" in capfd.readouterr().err
    finally:
        lock.release()
        lock.path.unlink()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--seed", "3"), "--seed goes with --emulate"),
        (("first-night",), "PROTOCOL goes with --emulate"),
        (("--emulate", "--try", "pump"), "--emulate goes without --try"),
        (("--try", "actuator"), "'actuator' is not known; give pump or horn"),
        (("--rig", "no-such-rig"), 'cannot read "no-such-rig"'),
    ],
)
def test_words_that_go_together_with_nothing_are_refused(capfd, words, said):
    assert nightrig(*words) == 2
    assert said in capfd.readouterr().err


@pytest.mark.nights
async def test_each_line_of_an_emulated_rig_is_looked_at_by_itself(tmp_path):
    plan = load("first-night", None)
    ended, written, files = asyncio.Event(), asyncio.Event(), list[str]()
    clock = SystemClock()

    def ready(text: str) -> None:
        files.append(text)
        written.set()

    async with asyncio.TaskGroup() as group:
        group.create_task(run_until(ended, plan, 1, tmp_path / "ports", ready, clock=clock))
        await asyncio.wait_for(written.wait(), 10)
        # So that what it answers first is soon thrown away.
        text_ = files[0].replace('answer_within = "500 ms"', 'answer_within = "100 ms"')
        gone = text_.replace(str(tmp_path / "ports" / "servo"), str(tmp_path / "none"))
        wired = load_rig("rig.toml", lambda _path: text_)
        found = await survey_lines(wired, clock, 0.6)
        assert missing(found, wired) == ()
        assert [line.port for line in found.lines] == ["servo", "samples", "bus", "thermometer"]
        assert all(line.good and line.who for line in found.lines)
        assert (found.emulated, found.status.pressure) == (True, "off")
        assert set(found.values) == {c.name for c in wired.channels}
        assert not any(math.isnan(seen.value) for seen in found.values.values())

        other = load_rig("rig.toml", lambda _path: gone)
        taken = SerialLine(other.wire.port("thermometer"), clock)
        taken.open(lambda _data, _when: None)
        try:
            found = await survey_lines(other, clock, 0.6)
        finally:
            await asyncio.to_thread(taken.close)
        lacks = missing(found, other)
        assert [m.where.split()[0] for m in lacks] == ["servo", "thermometer"]
        assert "there is no such port" in lacks[0].what
        assert "in use by another program" in lacks[1].what
        assert found.inputs is not None
        assert not found.emulated
        assert not math.isnan(found.values["load"].value)
        ended.set()


async def test_each_port_that_is_not_there_is_told_once_with_what_to_try():
    plan = wired_plan()
    found = await survey_lines(plan, SystemClock(), 0.1)
    assert missing(found, plan) == tuple(
        Missing(
            f"{name} (/dev/none/{name})",
            "there is no such port",
            "is it plugged in and switched on? look in /dev/serial/by-id",
        )
        for name in ("servo", "samples", "bus", "thermometer")
    )

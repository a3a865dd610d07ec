"""Without a folder a request goes to the one live run; where there are several, it names them."""

from __future__ import annotations

import asyncio
import contextlib
import os
import shutil
import sys
import tempfile
from pathlib import Path

import pytest

from rig.control.desk import Desk
from rig.control.server import Door


@pytest.fixture
def runtime():
    folder = Path(tempfile.mkdtemp(prefix="door-"))
    (folder / "nightrig").mkdir(mode=0o700)
    yield folder
    shutil.rmtree(folder, ignore_errors=True)


def door(runtime: Path, name: str, state: str = "cycling") -> Door:
    """Return the door of a run whose conductor is gone: it refuses in words of its own."""
    desk = Desk()
    desk.close(f"{name} has ended")

    async def synced() -> None:
        return None

    def look() -> dict[str, object]:
        told = {"run": f"/runs/{name}", "specimen_id": "P-7", "rig": "frame 2", "pid": 1}
        return {**told, "state": state, "cycles": 12_345, "run_out": 500_000}

    return Door(runtime / "nightrig" / f"{name}.sock", desk, synced=synced, look=look)


async def nightrig(runtime: Path, *arguments: str) -> tuple[int | None, str, str]:
    child = await asyncio.create_subprocess_exec(
        *(sys.executable, "-P", "-m", "rig.commands.main", *arguments),
        env={**os.environ, "NIGHTRIG_SOCKETS": str(runtime / "nightrig")},
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
    )
    out, err = await child.communicate()
    return child.returncode, out.decode(), err.decode()


async def test_the_one_live_run_is_asked_past_sockets_that_were_left_over(runtime):
    (runtime / "nightrig" / "dead.sock").touch()
    async with door(runtime, "night-1"):
        code, out, _ = await nightrig(runtime, "stop")
    assert (code, out) == (2, "refused: night-1 has ended\n")


async def test_several_live_runs_are_named_and_none_is_asked(runtime):
    async with contextlib.AsyncExitStack() as stack:
        for name in ("night-1", "night-2"):
            await stack.enter_async_context(door(runtime, name))
        code, out, err = await nightrig(runtime, "stop", "--json")
    assert code == 2
    assert '"answer": null' in out
    for name in ("night-1", "night-2"):
        line = f"  /runs/{name}: P-7 on frame 2 | cycling | 12,345 of 500,000 cycles"
        assert line in err.splitlines()
    assert err.splitlines()[0] == "several runs are live; nothing was asked"
    assert err.endswith("name the folder of one, such as: nightrig stop /runs/night-1\n")


@pytest.mark.parametrize(
    ("verb", "expected"),
    [
        ("stop", (0, "acted: the test is being stopped already\n")),
        ("pause", (2, "refused: the test is being stopped already\n")),
    ],
)
async def test_a_run_that_is_being_stopped_says_so_at_once(runtime, verb, expected):
    async with door(runtime, "night-1", "stopping"):
        code, out, _ = await nightrig(runtime, verb)
    assert (code, out) == expected


async def test_where_nothing_runs_nothing_is_asked(runtime):
    assert (await nightrig(runtime, "pause"))[0] == 2


async def test_a_run_in_a_folder_that_others_may_write_to_is_not_asked(runtime):
    async with door(runtime, "night-1"):
        (runtime / "nightrig").chmod(0o777)
        code, out, err = await nightrig(runtime, "stop")
    assert (code, out) == (2, "")
    assert f"{runtime / 'nightrig'}: is not a folder of yours alone" in err
    # Runs of other tests that were cut off stand between.
    assert "no live run of yours; " in err
    assert err.endswith("nothing was asked\n")

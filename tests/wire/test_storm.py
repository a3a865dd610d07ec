"""Line faults of all kinds on whole emulated rigs: nothing wrong is taken, all is told."""

from __future__ import annotations

import asyncio
from collections.abc import Iterable
from pathlib import Path

import pytest

from simulators.wire.troubles import SCRIPTS, Script
from tests.wire.storm import Case, carried_out, named, plan_of

SIDE_BY_SIDE = 3
"""Cases at one time: more of them would starve each other on two cores."""


async def carried_out_all(
    folder: Path, cases: Iterable[tuple[int, Script | None]]
) -> tuple[Case, ...]:
    plan, turn = plan_of(folder), asyncio.Semaphore(SIDE_BY_SIDE)

    async def one(seed: int, script: Script | None) -> Case:
        async with turn:
            return await carried_out(seed, folder / f"{seed}", plan, script=script)

    return tuple(await asyncio.gather(*(one(seed, script) for seed, script in cases)))


def held(cases: Iterable[Case]) -> None:
    """Hold all cases: no wrong value, all well again or lost as the rig file says, all told."""
    for case in cases:
        assert not case.wrong, (case.seed, case.wrong, case.script, case.reopen)
        told = " ".join((*case.told, *case.errors))
        for port in case.hit:
            assert port in told or told_of_devices(port, told), (case.seed, port, case.script)


def told_of_devices(port: str, told: str) -> bool:
    """Tell whether a bus is told by its devices' names."""
    return port == "bus" and ("water station" in told or "cabinet" in told)


@pytest.mark.nights
@pytest.mark.xdist_group("wire")
@pytest.mark.timeout(240)
@pytest.mark.parametrize(
    "names",
    [
        pytest.param(sorted(SCRIPTS)[::3], id="a third"),
        pytest.param(sorted(SCRIPTS), id="all", marks=pytest.mark.endurance),
    ],
)
async def test_every_script_with_a_name(tmp_path: Path, names: list[str]) -> None:
    scripts = [(number, named(name)) for number, name in enumerate(names)]
    cases = await carried_out_all(tmp_path, scripts)
    held(cases)
    # The accidents have happened: samples, answers or replies are missing or did not fit.
    struck = {case.script.text for case in cases if case.hit or case.errors}
    assert len(struck) > 0.6 * len(names), sorted(set(names) - struck)


@pytest.mark.endurance
@pytest.mark.xdist_group("wire")
@pytest.mark.timeout(240)
async def test_scripts_drawn_from_seeds(tmp_path: Path) -> None:
    held(await carried_out_all(tmp_path, [(seed, None) for seed in range(1000, 1012)]))


@pytest.mark.endurance
@pytest.mark.parametrize("hundred", range(10))
async def test_a_thousand_scripts_drawn_from_seeds(tmp_path: Path, hundred: int) -> None:
    seeds = range(100 * hundred, 100 * hundred + 100)
    held(await carried_out_all(tmp_path, [(seed, None) for seed in seeds]))

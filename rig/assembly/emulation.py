"""A plan's simulated rig with its devices at the ends of pseudo-terminals, until it is ended."""

from __future__ import annotations

import asyncio
import signal
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Final

from rig.assembly.simulation import simulation_setup
from rig.channels import channel_unit
from rig.clock import Clock, SystemClock
from rig.errors import DeviceError, InputError
from rig.guards.learned import combine
from rig.protocol.plan import Bounds, Plan, RigPlan
from simulators.setup import SimulationSetup
from simulators.wire import troubles
from simulators.wire.emulation import emulation, framings
from simulators.wire.rig_text import rig_text, shunts, slow_channels
from simulators.wire.truth import Tell, nobody

SIGNALS: Final = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
"""What ends an emulation, as a person at the keyboard does."""


def emulate(
    plan: Plan,
    seed: int,
    folder: Path,
    ready: Callable[[str], None],
    *,
    tell: Tell = nobody,
    trouble: str = "",
    panel: Path | None = None,
) -> None:
    """Run a plan's rig behind ports in a folder until Ctrl-C or SIGTERM; for a main thread.

    `ready` is called with the rig file's text once the ports are there, `tell` with what really
    happens in the rig, as `simulators.wire.truth` says. `trouble` names a script of line faults,
    "" for none. At the socket `panel` its inputs are operated, as `simulators.wire.panel` says.
    Raises InputError and DeviceError.
    """
    refuse_real(plan.rig)

    async def run() -> None:
        ended = asyncio.Event()
        loop = asyncio.get_running_loop()
        for number in SIGNALS:
            # What the program was started to ignore it goes on to ignore.
            if signal.getsignal(number) is not signal.SIG_IGN:
                loop.add_signal_handler(number, ended.set)
        clock = SystemClock()
        await run_until(
            ended, plan, seed, folder, ready, clock=clock, tell=tell, trouble=trouble, panel=panel
        )

    asyncio.run(run())


async def run_until(
    ended: asyncio.Event,
    plan: Plan,
    seed: int,
    folder: Path,
    ready: Callable[[str], None],
    *,
    clock: Clock,
    tell: Tell = nobody,
    trouble: str = "",
    panel: Path | None = None,
) -> None:
    """Run a plan's rig behind ports in a folder until an event is set; see `emulate`."""
    setup = emulated_setup(plan)
    set_as = framings(setup.rate, sum(not c.slow for c in setup.channels))
    bounds = fixed_bounds(plan)
    script = troubles.script(trouble) if trouble else None
    try:
        running = emulation(
            setup,
            seed,
            clock,
            folder,
            tell=tell,
            bounds=bounds,
            trouble=script,
            panel=panel,
            shunts=shunts(plan.rig),
        )
        async with running as rig:
            ready(rig_text(plan.rig, rig.paths, set_as))
            await ended.wait()
    except OSError as error:
        raise DeviceError(
            f"no ports can be made in {folder}: {error.strerror or error}; "
            "name a folder that you may write to with --ports"
        ) from error


def what_happens(trouble: str) -> str:
    """Return a sentence on a script of line faults, "" without one. Raises InputError."""
    return troubles.script(trouble).text if trouble else ""


def emulated_setup(plan: Plan) -> SimulationSetup:
    """Return the hidden truth of a plan's rig, with the slow channels that are emulated."""
    setup = simulation_setup(plan)
    sampled = tuple(c for c in setup.channels if not c.slow)
    return replace(setup, channels=(*sampled, *slow_channels(plan.rig)))


def fixed_bounds(plan: Plan) -> Mapping[str, Bounds]:
    """Return the bounds that are always armed, of what the rig samples or computes from it."""
    slow = {c.name for c in plan.rig.channels if c.slow}
    bounds = combine(plan.rig.limits, plan.limits.fixed)
    return {k: v for k, v in bounds.items() if k not in slow and channel_unit(k) is not None}


def refuse_real(rig: RigPlan) -> None:
    """Refuse a rig that is no simulated one. Raises InputError."""
    if rig.driver != "simulated":
        raise InputError(
            f'rig "{rig.name}" has driver = "{rig.driver}"; only a simulated rig is emulated: '
            "leave out --rig, or name a rig file with that driver"
        )

"""Puts a simulated rig together."""

from __future__ import annotations

from collections.abc import Callable

from rig.clock import Clock
from rig.ports import Rig
from simulators.actuator import SimulatedActuator
from simulators.devices import (
    SimulatedAcquisition,
    SimulatedHorn,
    SimulatedInputs,
    SimulatedPump,
)
from simulators.lines import behind_lines
from simulators.machine import Machine
from simulators.pacing import PacedAcquisition, PacedMachine
from simulators.setup import SimulationSetup
from simulators.state import World
from simulators.stretch import Stretch


def simulated_rig(
    setup: SimulationSetup,
    seed: int,
    clock: Clock | None,
    paced: bool = False,
    witness: Callable[[Stretch], None] | None = None,
) -> Rig:
    """Return a rig at power-on: unloaded, pressure off.

    The frames it gives are a function of setup, seed and the commands' frames alone, however
    they are read. Without pacing, blocks may be kept in part, and with a clock `keep` waits as
    long as the kept frames last. A paced rig goes on with the clock, as `simulators.pacing`
    says: a read waits until its frames have come, and what nobody reads has happened too. The
    noise thread ends with `await rig.acquisition.close()`. A `witness` of a rig that is not paced
    is shown what has happened, stretch by stretch. Raises ValueError for a setup that
    cannot be.
    """
    world = World(setup, seed)
    machine: Machine
    acquisition: SimulatedAcquisition
    if paced:
        if clock is None:
            raise ValueError("a paced rig needs a clock")
        machine = PacedMachine(world, seed, clock)
        acquisition = PacedAcquisition(machine, clock)
    else:
        machine = Machine(world, seed, witness)
        acquisition = SimulatedAcquisition(machine, clock)
    rig = Rig(
        SimulatedActuator(machine),
        acquisition,
        SimulatedPump(machine) if setup.pump_flow > 0 else None,
        SimulatedInputs(machine),
        emulated=True,
        horn=SimulatedHorn(machine),
    )
    return behind_lines(rig, machine, clock if paced else None, setup.faults)

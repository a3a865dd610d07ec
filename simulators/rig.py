"""Puts a simulated rig together."""

from __future__ import annotations

from rig.clock import Clock
from rig.ports import Rig
from simulators.devices import (
    SimulatedAcquisition,
    SimulatedActuator,
    SimulatedHorn,
    SimulatedInputs,
    SimulatedPump,
)
from simulators.machine import Machine
from simulators.setup import SimulationSetup
from simulators.state import World


def simulated_rig(setup: SimulationSetup, seed: int, clock: Clock | None) -> Rig:
    """Return a rig at power-on: unloaded, pressure off.

    The frames it gives are a function of setup, seed and the commands' frames alone, however
    they are read. With a clock, `keep` waits as long as the kept frames last. The noise thread
    ends with `await rig.acquisition.close()`. Raises ValueError for a setup that cannot be.
    """
    machine = Machine(World(setup, seed), seed)
    pump = SimulatedPump(machine) if setup.pump_flow > 0 else None
    return Rig(
        SimulatedActuator(machine),
        SimulatedAcquisition(machine, clock),
        pump,
        SimulatedInputs(machine),
        emulated=True,
        horn=SimulatedHorn(machine),
    )

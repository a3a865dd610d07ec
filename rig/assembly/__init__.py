"""The one place that puts clock, devices, recorder and conductor together."""

from rig.assembly.devices import close
from rig.assembly.rehearsal import rehearse
from rig.assembly.result import Result
from rig.assembly.simulation import simulation_setup

__all__ = ["Result", "close", "rehearse", "simulation_setup"]

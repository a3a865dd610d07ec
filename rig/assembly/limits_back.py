"""What limits the controller of a rig has now: a question, nothing is written."""

from __future__ import annotations

from rig.assembly.devices import close
from rig.assembly.survey import held, opened
from rig.clock import Clock
from rig.control.prompt import prompt
from rig.protocol.plan import Bounds, Plan


async def limits_back(plan: Plan, clock: Clock) -> dict[str, Bounds]:
    """Return the controller's own limits [SI] by channel; none where it has none.

    Raises DeviceError where it does not answer, InputError where a test has the rig.
    """
    if plan.rig.actuator.limits != "controller":
        return {}
    with held(plan.rig, clock):
        rig = await opened(plan, clock)
        try:
            return await prompt(rig).actuator.read_limits()
        finally:
            await close(rig)

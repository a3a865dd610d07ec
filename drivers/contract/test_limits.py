"""The controller's own limits: the first line, which must stop the rig without this program."""

from __future__ import annotations

import pytest

from drivers.contract.bench import Bench, told
from drivers.contract.place import promise
from rig.channels import shown


async def test_limits_read_back_as_written(bench: Bench) -> None:
    """Limits on load and stroke are written, and read back as the controller has them."""
    _own(bench)
    if not bench.rig.emulated:
        pytest.skip("writes limits only to a rig that answers as emulated")
    actuator = bench.plan.actuator
    wide = {"load": actuator.load, "stroke": actuator.stroke}
    tight = {name: (0.9 * low, 0.8 * high) for name, (low, high) in wide.items()}
    for limits in (tight, wide):
        await bench.call("write_limits", bench.actuator.write_limits(limits))
        found = await bench.call("read_limits", bench.actuator.read_limits())
        for name, pair in limits.items():
            promise(name in found, f"the limit on {name} does not read back")
            near = 1e-6 * (wide[name][1] - wide[name][0])
            promise(
                all(abs(a - b) <= near for a, b in zip(found[name], pair, strict=True)),
                f"the limit on {name} was written as {shown(name, *pair)} and reads back as "
                f"{shown(name, *found[name])}",
            )


async def test_the_controller_stops_at_its_own_limit(moving: Bench) -> None:
    """Beyond its limit the controller closes the valve by itself, and names the limit."""
    _own(moving)
    actuator = moving.plan.actuator
    async with moving.watching() as watch:
        await moving.loaded(watch)
        at = moving.mean + moving.amplitude
        low = {"load": (actuator.load[0], at), "stroke": actuator.stroke}
        await moving.call("write_limits", moving.actuator.write_limits(low))
        await moving.call("move_load", moving.actuator.move_load(1.5 * at, 2 * moving.mean))
        status = await moving.until(
            lambda s: s.stopped_by == "limit",
            4.0,
            f"the load was to go through the limit at {shown('load', at)}, and nothing stopped it",
        )
        promise(status.tripped == "load", f'it tripped and names "{status.tripped}", not "load"')
        promise(not status.moving, f"it tripped and says {told(status)}")
        await watch.until(
            lambda: watch.value("load") < moving.touch, 2.0, "it tripped and the load has not gone"
        )
        highest = float(watch.last("load", 3.0).max())
        promise(
            highest < at + moving.mean / 2,
            f"its limit was {shown('load', at)}, the load went to {shown('load', highest)}",
        )
        wide = {"load": actuator.load, "stroke": actuator.stroke}
        await moving.call("write_limits", moving.actuator.write_limits(wide))
        await moving.rest()


def _own(bench: Bench) -> None:
    if bench.plan.actuator.limits != "controller":
        pytest.skip("by its rig file this controller has no limits of its own")

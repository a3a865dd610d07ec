"""What people are shown of a run: the status, put together from where everything stands."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import datetime
from typing import Final

import numpy as np

from rig.acquire.deflection import net_deflection
from rig.clock import SystemClock
from rig.control.ahead import asks, coming, doing
from rig.control.cyclic_stage import CyclicStage
from rig.control.foretold import foretold
from rig.control.standing import Standing
from rig.control.states import INPUTS, possible
from rig.control.station import Station
from rig.control.water_outlook import water_status
from rig.ports import InputState
from rig.protocol.plan import Stage
from rig.record.status import Armed, Status
from rig.samples import SampleBlock

LATELY: Final = 1.0  # [s] over which the extremes of limited channels are shown, at least
CYCLES_LATELY: Final = 1.1  # cycles over which they are shown
CYCLING: Final = ("build-up", "cycling")


class Outlook:
    """Puts the status together.

    `stage` and `cyclic` are where the conductor stands, `cycles` the count at the verdict once
    there is one.

    `utc` tells the test's calendar, None where it is the computer's.
    """

    def __init__(
        self, station: Station, standing: Standing, utc: Callable[[], datetime] | None
    ) -> None:
        self._station, self._standing = station, standing
        self._stamp = SystemClock().utc
        self._utc = utc or self._stamp
        self.stage: Stage | None = None
        self.cyclic: CyclicStage | None = None
        self.cycles: int | None = None
        self._failed = False

    def told(self) -> Status | None:
        """Return the run as it stands now; None where a bug of ours is in the way on a live rig.

        What people are shown must never stop a rig; it is written down, once.
        """
        try:
            return self.status()
        except Exception as error:
            if not self._station.live:
                raise
            if not self._failed:
                self._failed = True
                self._station.book.event("bug", f"the status cannot be told: {error!r}")
            return None

    def status(self) -> Status:
        """Return the run as it stands now."""
        station, book, plan = self._station, self._station.book, self._station.plan
        loading, loss = plan.loading, plan.failure.stiffness_loss
        inputs = station.stream.inputs
        return Status(
            stamp=self._stamp().isoformat(),
            calendar=self._utc().isoformat(),
            time=book.time,
            live=station.live,
            state=book.state,
            means=doing(station, self.stage),
            cause=book.entered.cause,
            why=book.entered.why,
            since=book.entered.time,
            rig=plan.rig.name,
            stage=self.stage.name if self.stage else "",
            stage_number=plan.stages.index(self.stage) + 1 if self.stage else 0,
            stages=len(plan.stages),
            cycles=station.cycle if self.cycles is None else self.cycles,
            run_out=plan.cyclic.run_out if plan.cyclic else 0,
            frequency=loading.frequency if loading else math.nan,
            load=book.latest_load,
            deflection=book.latest_deflection,
            target_upper=loading.upper if loading else math.nan,
            target_lower=loading.lower if loading else math.nan,
            **self._newest_cycle(),
            baseline=book.baseline_stiffness or math.nan,
            baseline_first=plan.baseline.first,
            baseline_last=plan.baseline.last,
            loss_warn=loss.warn or math.nan if loss else math.nan,
            loss_stop=loss.stop if loss else math.nan,
            limits=self._limits(),
            coming=coming(station, self._standing, self.cyclic, self.stage),
            water=water_status(
                station.water,
                plan,
                station.stream.now,
                book.counted,
                rate=station.stream.rate,
                slow=station.chores.slow,
                cycling=book.state == "cycling",
            ),
            slow=dict(station.chores.slow),
            oil_temperature=inputs.oil_temperature or math.nan,
            inputs=tuple(INPUTS[name] for name in _bad(inputs)),
            troubles=self._troubles(),
            asks=asks(station, self._standing),
            on_call=station.on_call,
            possible=("confirm", "stop") if book.state == "checklist" else possible(book.state),
            local_input="" if station.rig.emulated else plan.rig.local_input,
            forecast=foretold(station, self.cyclic),
        )

    def _newest_cycle(self) -> dict[str, float]:
        """Return extremes [SI] and stiffness [N/m] of the newest cycle while cycles run."""
        rows, names = self._station.book.newest, ("load", "deflection")
        # A stop or a pause leaves the last cycle behind: it says nothing of the load now.
        if rows is None or self._station.book.state not in CYCLING:
            return {}
        columns = [f"{name}_{end}" for name in names for end in ("max", "min")]
        return {name: float(rows[name][-1]) for name in (*columns, "stiffness")}

    def _limits(self) -> tuple[Armed, ...]:
        """Return the armed limits with what their channels did lately."""
        station, stream = self._station, self._station.stream
        armed, fixed = stream.armed, station.fixed_bounds()
        loading = station.plan.loading
        lately = max(LATELY, CYCLES_LATELY / loading.frequency if loading else 0.0)
        begin = stream.now - round(lately * stream.rate)
        first, values = station.book.recent.cut(begin, stream.now)
        found: dict[str, tuple[float, float]] = {}
        if values.size:
            block = SampleBlock(first, stream.rate, station.book.sampled, values)
            signals = dict(zip(block.channels, values, strict=True))
            signals["deflection"] = net_deflection(block)
            found = {name: _extremes(signals[name]) for name in armed}
        nothing = (math.nan, math.nan)
        return tuple(
            Armed(name, *bounds, *found.get(name, nothing), learned=bounds != fixed.get(name))
            for name, bounds in armed.items()
        )

    def _troubles(self) -> tuple[str, ...]:
        """Return what is not as it should be, in words."""
        station, cyclic = self._station, self.cyclic
        found = []
        if station.water.pump.off_due is not None:
            found.append("the pump does not switch off: close the water by hand")
        if station.water.spray.missed:
            found.append(_missed(station.water.spray.missed))
        if station.chores.slow_lost:
            found.append("slow channels (temperatures, tank) do not come")
        found += station.chores.insulation.doubtful.values()
        if cyclic is not None and cyclic.state.criteria.overloaded:
            found.append("the load is above 102 % of upper load")
        return (*found, *station.notices)


def _missed(periods: int) -> str:
    return "the last spray period was missed" if periods == 1 else f"{periods} periods missed"


def _extremes(values: np.ndarray[tuple[int], np.dtype[np.float32]]) -> tuple[float, float]:
    """Return the smallest and largest valid value, NaN where there is none."""
    valid = values[np.isfinite(values)]
    return (float(valid.min()), float(valid.max())) if len(valid) else (math.nan, math.nan)


def _bad(inputs: InputState) -> list[str]:
    """Return the inputs that are not as they should be, by the rig file's words."""
    told = {
        "emergency_stop": inputs.emergency_stop,
        "guard": inputs.guard_open,
        "leak": inputs.leak,
        "oil": inputs.oil_pressure_low,
        "mains": inputs.mains_lost,
    }
    return [name for name, bad in told.items() if bad]

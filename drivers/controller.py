"""The servo actuator behind a controller that obeys text lines."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from typing import Final

from drivers.controller_line import ControllerLine
from drivers.controller_status import read_limit, read_status
from drivers.doubt import LIMIT_TRIES, STATUS_TRIES, follows, same
from drivers.templates import said
from drivers.text import Reply
from rig.channels import channel_unit, shown
from rig.clock import Clock
from rig.errors import DeviceError, SetpointRefused
from rig.ports import ActuatorRange, ActuatorStatus, LineReport, Pressure
from rig.protocol.wire import Controller, Port, Scaling

FRESH: Final = 0.05
"""Age [s] up to which a status is not asked for anew, where nothing was commanded since."""
TRIPS: Final = 2
"""The same in times the answer took: a slow line that was asked at every tick would take all the
time there is, and the samples would be read later and later."""
BEAT_EVERY: Final = 0.08
"""Shortest time [s] between two heartbeats: the trade's 100 ms, less a tick of the conductor."""
CLOSED_WITHIN: Final = 0.15
"""Time [s] in which the controller must say that its valve is closed."""
CLOSE_EVERY: Final = 0.02
"""Time [s] between orders to close a valve that does not."""

_LIMITED: Final = {"N": "force", "m": "length"}
"""Kind of number of a limit, by the unit of its channel."""


class SerialActuator:
    """A servo channel behind a text line; set-points outside its range are not sent."""

    def __init__(
        self, line_plan: Port, plan: Controller, limits: ActuatorRange, clock: Clock
    ) -> None:
        self._line = ControllerLine(line_plan, plan, clock)
        self._plan = plan
        self._range = limits
        self._clock = clock
        self._status: Reply[ActuatorStatus] | None = None
        self._beaten = float("-inf")  # when the last heartbeat was written [s]
        self._written: dict[str, tuple[float, float]] = {}  # limits [SI]
        self._seen = 0  # times the line had come back when the status was asked for last
        self._known = 0  # times the line had come back when the controller was looked at

    async def open(self) -> None:
        """Open the port, see who answers and empty the error queue; nothing is commanded.

        Raises DeviceError in one line for people; the port is then closed again.
        """
        await self._line.open()

    async def close(self) -> None:
        """Close the port; safe to call twice. Nothing is commanded: the watchdog stops the rig."""
        self._line.close()

    @property
    def who(self) -> str:
        """What the controller says it is, "" while it has not answered."""
        return self._line.who

    @property
    def range(self) -> ActuatorRange:
        """Ranges of the rig file."""
        return self._range

    def report(self) -> LineReport:
        """Return what is known of the line now."""
        return self._line.report()

    def told(self) -> tuple[str, ...]:
        """Return what has happened since this was asked last."""
        return self._line.told()

    async def pressure(self, level: Pressure) -> None:
        """Set hydraulic pressure."""
        if level == "off":
            await self._line.do("pressure off")
        else:
            await self._move(f"pressure {level}")

    async def move_stroke(self, to: float, speed: float) -> None:
        """Ramp to a stroke [m] at a speed [m/s]."""
        _allow("stroke", to, self._range.stroke_low, self._range.stroke_high, "m")
        _allow_above_zero("speed", speed, self._range.speed, "m/s")
        await self._move("stroke", to=to, speed=speed)

    async def move_load(self, to: float, rate: float) -> None:
        """Ramp to a load [N] at a rate [N/s]."""
        _allow("load", to, self._range.load_low, self._range.load_high, "N")
        _allow_above_zero("rate", rate, float("inf"), "N/s")
        await self._move("load", to=to, rate=rate)

    async def move_deflection(self, to: float, speed: float) -> None:
        """Ramp net deflection [m] at a speed [m/s]."""
        _allow("deflection", to, self._range.stroke_low, self._range.stroke_high, "m")
        _allow_above_zero("speed", speed, self._range.speed, "m/s")
        await self._move("deflection", to=to, speed=speed)

    async def cycle(self, mean: float, amplitude: float, frequency: float, over: float) -> None:
        """Cycle sinusoidally in load control [N, N, Hz]; the amplitude grows over [s]."""
        self._allow_wave(mean, amplitude)
        _allow_above_zero("frequency", frequency, self._range.frequency, "Hz")
        _allow("build-up", over, 0.0, float("inf"), "s")
        await self._move("cycle", mean=mean, amplitude=amplitude, frequency=frequency, over=over)

    async def adjust(self, mean: float, amplitude: float) -> None:
        """Change mean and amplitude [N] of the cycling under way."""
        self._allow_wave(mean, amplitude)
        await self._move("adjust", mean=mean, amplitude=amplitude)

    async def end_cycling(self, over: float) -> None:
        """Let the amplitude fall to zero over [s]."""
        _allow("run-down", over, 0.0, float("inf"), "s")
        await self._line.do("end cycling", over=over)

    async def hold(self) -> None:
        """Stay at the present stroke."""
        await self._line.do("hold")

    def shut_now(self) -> bool:
        """Write the order to close the valve at once, from any thread; return whether it went out.

        It overtakes a question that waits for its answer. What goes wrong is told by `told`:
        whoever calls this has no time for it. The status asked for next is a new one.
        """
        try:
            self._shut()
        except DeviceError as error:
            self._line.happened(f"the valve could not be told to close: {error}")
            return False
        return True

    async def close_valve(self) -> None:
        """Close the valve now, and see that the controller says so.

        Raises DeviceError where the order cannot be written or is not confirmed.
        """
        self._shut()
        until = self._clock.now() + CLOSED_WITHIN
        while (mode := (await self.status()).mode) != "off":
            if self._clock.now() >= until:
                raise DeviceError(
                    f"the controller does not say that its valve is closed, but that it controls "
                    f"the {mode}; use the emergency stop"
                )
            await self._clock.sleep(CLOSE_EVERY)
            self._shut()

    async def write_limits(self, limits: Mapping[str, tuple[float, float]]) -> None:
        """Write the controller's own limits by channel name [SI]."""
        for name, (low, high) in limits.items():
            word = self._plan.limits.get(name)
            if word is None:
                raise DeviceError(
                    f"the controller has no limit on {name}; name it in [controller] limits, "
                    "or take that limit away"
                )
            scaling, decimals = self._scaling(name), self._plan.decimals
            values = {
                "limit": word,
                "low": said("low", low, scaling, decimals),
                "high": said("high", high, scaling, decimals),
            }
            await self._line.say("write limit", values)
            self._written[name] = (low, high)

    async def read_limits(self) -> dict[str, tuple[float, float]]:
        """Read the controller's own limits back by channel name [SI].

        One that is not what was written is read again, until two readings agree: a digit may have
        been lost on the line. Raises DeviceError where they go on to differ.
        """
        return {name: await self._read_limit(name) for name in self._plan.limits}

    async def _read_limit(self, name: str) -> tuple[float, float]:
        read = partial(read_limit, scaling=self._scaling(name))
        word, step = self._plan.limits[name], self._step(name)
        believed = self._written.get(name)
        for _ in range(LIMIT_TRIES):
            found = (await self._line.ask("read limit", read, sure=True, limit=word)).value
            if believed is not None and same(found, believed, step):
                return found
            believed = found
        raise DeviceError(
            f"the controller says something else each time about its limit on {name}; look at its "
            "line"
        )

    async def stop_at(self, count: int | None) -> None:
        """Stop cycling by itself at a count; None takes it away."""
        if count is None:
            await self._line.do("no count")
        else:
            await self._line.say("count", {"count": str(count)})

    async def heartbeat(self) -> None:
        """Tell the controller's watchdog that all is well; nothing answers.

        More often than each 80 ms it is told nothing: the watchdog needs none of it.
        """
        now = self._clock.now()
        if now - self._beaten >= BEAT_EVERY and self._line.knows("heartbeat"):
            self._beaten = now
            self._line.tell_now("heartbeat")

    async def status(self) -> ActuatorStatus:
        """Return the controller's state, never from before a command.

        It is at most 50 ms old, on a line whose answer took longer than half of that twice as old
        as the answer took.
        """
        known, line = self._status, self._line
        if known is not None and not line.stale:
            lasts = max(FRESH, TRIPS * (known.came - known.asked))
            if self._clock.now() - known.asked <= lasts:
                return known.value
        # First, so that an order from another thread meanwhile makes the answer an old one.
        line.stale = False
        try:
            self._status = await self._likely_status(known)
        except BaseException:
            line.stale = True
            raise
        return self._status.value

    async def _likely_status(self, before: Reply[ActuatorStatus] | None) -> Reply[ActuatorStatus]:
        """Ask until a status follows from the one before, or from the last doubtful one."""
        read = partial(read_status, plan=self._plan)
        earlier = [before] if before is not None and self._line.returned == self._seen else []
        for _ in range(STATUS_TRIES):
            reply = await self._line.ask("status", read)
            if not earlier or any(self._follows(one, reply) for one in earlier):
                break
            earlier = [*earlier[:1], reply]
        else:
            raise DeviceError(
                "the controller's counter and stroke contradict each other from one answer to the "
                "next; look at its line"
            )
        self._seen = self._line.returned
        return reply

    def _shut(self) -> None:
        self._line.stale = True
        self._line.tell_now("close valve", surely=True)
        self._line.stale = True

    async def _move(self, action: str, **numbers: float) -> None:
        """Have done what moves something, or lets it.

        An order to close the valve that comes meanwhile, from the thread of the samples, has the
        last word: what is written about the same time may open it again.
        """
        line = self._line
        overtaken = line.overtaken
        try:
            if self._known != line.returned:
                await self._look_again()
            await line.do(action, **numbers)
        finally:
            if overtaken != line.overtaken:
                self.shut_now()

    async def _look_again(self) -> None:
        """See that it is the same controller with the same limits once its line is back.

        One that was switched off meanwhile may have forgotten them.
        """
        returned = self._line.returned
        await self._line.identify()
        own = await self.read_limits() if self._written else {}
        for name, wanted in self._written.items():
            if not same(own[name], wanted, self._step(name)):
                raise DeviceError(
                    f"since its line is back the controller's limit on {name} is "
                    f"{shown(name, *own[name])}, not {shown(name, *wanted)} as written; nothing "
                    "was moved; see that it was not switched off, and start anew"
                )
        self._known = returned

    def _follows(self, before: Reply[ActuatorStatus], reply: Reply[ActuatorStatus]) -> bool:
        return follows(before.value, reply.value, reply.came - before.asked, self._range)

    def _step(self, name: str) -> float:
        """Return the step [SI] to which a limit is written."""
        return abs(self._scaling(name).factor) * 10.0**-self._plan.decimals

    def _scaling(self, channel: str) -> Scaling:
        return self._plan.units[_LIMITED[channel_unit(channel) or ""]]

    def _allow_wave(self, mean: float, amplitude: float) -> None:
        low, high = self._range.load_low, self._range.load_high
        _allow("upper load", mean + abs(amplitude), low, high, "N")
        _allow("lower load", mean - abs(amplitude), low, high, "N")


def _allow(what: str, value: float, low: float, high: float, unit: str) -> None:
    if not low <= value <= high:
        raise SetpointRefused(
            f"{what} {value:g} {unit} is outside the actuator's {low:g} to {high:g} {unit}; "
            "the command was not sent"
        )


def _allow_above_zero(what: str, value: float, most: float, unit: str) -> None:
    if not 0 < value <= most:
        raise SetpointRefused(
            f"{what} {value:g} {unit} is not above 0 and up to {most:g} {unit}; "
            "the command was not sent"
        )

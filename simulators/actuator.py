"""The simulated servo-hydraulic actuator with its controller, as the conductor sees it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from rig.errors import DeviceError, SetpointRefused
from rig.ports import ActuatorRange, ActuatorStatus, Pressure
from simulators import motion as motions
from simulators.machine import Machine
from simulators.motion import NEVER, Closed, Cycling, Motion, Ramp
from simulators.sensors import reading
from simulators.shown import Scales
from simulators.state import RigState, counter_at, moving_at


class SimulatedActuator:
    """A servo-hydraulic actuator with its controller.

    Loads and strokes here are those that its sensors show, where these differ from what is true.
    """

    def __init__(self, machine: Machine) -> None:
        self._machine = machine
        self._rate = machine.world.rate
        self._scales = Scales(machine.world.setup.points)
        self._asked = 0  # frame at which something was asked of it last

    @property
    def range(self) -> ActuatorRange:
        """Ranges the controller accepts."""
        return self._machine.world.setup.actuator

    async def pressure(self, level: Pressure) -> None:
        """Set hydraulic pressure: the actuator holds its stroke, or lets go when "off".

        With "low" it holds and moves nothing by command; from there to "high" nothing changes.
        """
        machine = self._machine
        self._arrive()
        if level == "off":
            machine.shut()
            machine.change(replace(machine.state, pressure="off"))
            return
        state = machine.state
        if state.pressure == "off" or not state.valve_open:
            self._open_valve(level)
        elif level != state.pressure:
            if level == "low":
                state = self._holding(state)
            machine.change(replace(state, pressure=level))

    def _open_valve(self, level: Pressure) -> None:
        """Take up the load in stroke control, command equal to feedback."""
        now, state = self._machine.now, self._machine.state
        gap = state.gap
        if isinstance(state.motion, Closed):
            # The rod was left where the valve closed; with the load gone, contact is there.
            sprung = float(now.load[0]) / self._machine.world.beam.frame_stiffness
            rod, net, support = (float(x[0]) for x in (now.stroke, now.net, now.support))
            gap = max(gap, rod - net - support - sprung)
        state = replace(state, gap=gap, pressure=level, valve_open=True, tripped="")
        self._machine.change(self._holding(state))

    async def move_stroke(self, to: float, speed: float) -> None:
        """Ramp to a stroke [m] at a speed [m/s]."""
        self._arrive()
        self._allow("stroke", to, self.range.stroke_low, self.range.stroke_high, "m")
        self._allow("speed", speed, 0.0, self.range.speed, "m/s")
        to = self._scales.true("stroke", to)
        self._ramp("stroke", float(self._machine.now.stroke[0]), to, speed)

    async def move_load(self, to: float, rate: float) -> None:
        """Ramp to a load [N] at a rate [N/s]; needs contact."""
        self._arrive()
        self._allow("load", to, self.range.load_low, self.range.load_high, "N")
        load = self._machine.felt
        if load <= 0 < to:
            raise DeviceError("load control without contact: load is 0 N; approach in stroke first")
        self._ramp("load", load, self._scales.true("load", to), rate)

    async def move_deflection(self, to: float, speed: float) -> None:
        """Ramp net deflection [m] at a speed [m/s]."""
        self._arrive()
        low, high = self.range.stroke_low, self.range.stroke_high
        self._allow("deflection", to, low, high, "m")
        self._allow("speed", speed, 0.0, self.range.speed, "m/s")
        to = self._scales.true("midspan", to)
        self._ramp("deflection", float(self._machine.now.net[0]), to, speed)

    async def cycle(self, mean: float, amplitude: float, frequency: float, over: float) -> None:
        """Cycle sinusoidally [N, N, Hz]; the amplitude grows over [s], at least one cycle."""
        self._arrive()
        self._allow("frequency", frequency, 1e-6, self.range.frequency, "Hz")
        mean, amplitude = self._allowed_wave(mean, amplitude)
        state = self._ready()
        if isinstance(state.motion, Cycling):
            raise DeviceError("the actuator cycles already; let the amplitude fall to zero first")
        load = self._machine.felt
        if load <= 0:
            raise DeviceError("cycling without contact: load is 0 N; approach in stroke first")
        growth = round(max(over * self._rate, self._rate / frequency))
        lag = self._rate / (3.14159 * self._machine.world.setup.servo_bandwidth)
        begin = state.frame
        self._move(
            state,
            Cycling(
                begin, frequency, self._rate, growth, load, mean, amplitude, amplitude, begin, lag
            ),
        )

    async def adjust(self, mean: float, amplitude: float) -> None:
        """Change mean and amplitude [N] of the cycling under way."""
        self._arrive()
        mean, amplitude = self._allowed_wave(mean, amplitude)
        state = self._ready()
        motion = self._cycling(state)
        present_mean, present = motion.targets(state.frame)
        changed = replace(
            motion,
            mean_0=present_mean,
            amplitude_0=present,
            mean=mean,
            amplitude=amplitude,
            changed=state.frame,
        )
        self._machine.change(replace(state, motion=changed))

    async def end_cycling(self, over: float) -> None:
        """Let the amplitude fall to zero over [s]; the mean stays.

        A fall already under way goes on as it is: another would make the command jump.
        """
        self._arrive()
        state = self._ready()
        motion = self._cycling(state)
        if motion.fall != NEVER:
            return
        falling = max(1, round(over * self._rate))
        ending = replace(motion, fall=state.frame, falling=falling)
        self._machine.change(replace(state, motion=ending))

    async def hold(self) -> None:
        """Stay at the present stroke."""
        self._arrive()
        self._machine.change(self._holding(self._open()))

    async def close_valve(self) -> None:
        """Close the valve: load leaks away within 50 ms, nothing moves until pressure is set."""
        self._arrive()
        self._machine.shut()

    async def write_limits(self, limits: Mapping[str, tuple[float, float]]) -> None:
        """Write the controller's own limits by channel name [SI]; they replace the old ones."""
        for name in limits:
            reading(name, self._machine.world)
        self._arrive()
        true = self._scales.true
        self._machine.limits = {k: (true(k, v[0]), true(k, v[1])) for k, v in limits.items()}

    async def read_limits(self) -> dict[str, tuple[float, float]]:
        """Read the controller's own limits back."""
        self._arrive()
        shown, own = self._scales.shown, self._machine.limits
        return {k: (shown(k, v[0]), shown(k, v[1])) for k, v in own.items()}

    async def stop_at(self, count: int | None) -> None:
        """Stop by itself when the counter reaches a count: amplitude to zero in 4 cycles."""
        self._arrive()
        state = self._machine.state
        self._machine.change(replace(state, stop_count=NEVER if count is None else count))

    async def heartbeat(self) -> None:
        """Feed the watchdog.

        It counts device time since the last heartbeat or command that began a motion. Unless
        the rig is paced, one read is one step of it.
        """
        self._arrive()
        self._machine.fed = self._machine.frame

    async def status(self) -> ActuatorStatus:
        """Return the controller's state at the present frame."""
        self._arrive()
        state = self._machine.state
        mode = "off"
        if state.pressure != "off" and state.valve_open:
            mode = state.motion.loop if isinstance(state.motion, Ramp) else "load"
        return ActuatorStatus(
            mode,
            moving_at(state, state.frame),
            counter_at(state, state.frame),
            state.tripped,
            state.stopped_by,
            state.pressure,
            self._scales.shown("stroke", float(self._machine.now.stroke[0])),
        )

    def _arrive(self) -> None:
        """Come to the present; limits written before the controller started anew are gone."""
        self._machine.arrive()
        now = self._machine.frame
        if self._machine.world.restarts(self._asked + 1, now + 1):
            self._machine.limits = {}
        self._asked = now

    def _ready(self) -> RigState:
        state = self._open()
        if state.pressure == "low":
            raise DeviceError(
                "the actuator cannot move: low pressure holds it where it is; set high pressure"
            )
        return state

    def _open(self) -> RigState:
        state = self._machine.state
        if state.pressure == "off":
            raise DeviceError("the actuator cannot move: hydraulic pressure is off; switch it on")
        if not state.valve_open:
            raise DeviceError("the actuator cannot move: its valve is closed; switch pressure on")
        return state

    def _cycling(self, state: RigState) -> Cycling:
        if not isinstance(state.motion, Cycling):
            raise DeviceError("nothing to change: the actuator is not cycling")
        return state.motion

    def _allow(self, what: str, value: float, low: float, high: float, unit: str) -> None:
        if not low <= value <= high:
            raise SetpointRefused(
                f"{what} {value:g} {unit} is outside the actuator's {low:g} to {high:g} {unit}; "
                "the command was not sent"
            )

    def _allowed_wave(self, mean: float, amplitude: float) -> tuple[float, float]:
        """Return true mean and amplitude [N] of a wave that is shown between allowed loads."""
        low, high = self.range.load_low, self.range.load_high
        self._allow("upper load", mean + abs(amplitude), low, high, "N")
        self._allow("lower load", mean - abs(amplitude), low, high, "N")
        if "load" not in self._scales.points:
            return mean, amplitude
        top, bottom = (self._scales.true("load", mean + s * amplitude) for s in (1, -1))
        return (top + bottom) / 2, (top - bottom) / 2

    def _ramp(self, loop: motions.Loop, start: float, to: float, speed: float) -> None:
        if speed <= 0:
            raise SetpointRefused(f"a ramp needs a speed above 0, not {speed:g}")
        state = self._ready()
        frames = max(1, round(abs(to - start) / speed * self._rate))
        end = state.frame + (frames if to != start else 0)
        self._move(state, Ramp(loop, state.frame, end, start, to))

    def _holding(self, state: RigState) -> RigState:
        """Return the state in which the present stroke is held."""
        stroke = float(self._machine.now.stroke[0])
        return self._with(state, Ramp("stroke", state.frame, state.frame, stroke, stroke))

    def _move(self, state: RigState, motion: Motion) -> None:
        self._machine.change(self._with(state, motion))

    def _with(self, state: RigState, motion: Motion) -> RigState:
        """Return the state with a motion in place of the one under way; feeds the watchdog."""
        counter = counter_at(state, state.frame)
        self._machine.fed = state.frame
        return replace(
            state,
            motion=motion,
            counter=counter,
            collapse_at=NEVER,
            unload=False,
            stopped_by="",
        )

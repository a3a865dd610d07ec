"""Proving that a rig stops: each limit, input and watchdog is tried on a dummy beam, and measured.

It moves the machine. Whatever happens meanwhile, the valve ends closed, the pressure off, the
inputs as they were, and the controller with the limits that it had.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Awaitable, Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Final

from rig.acquire.standstill import Stopped
from rig.assembly.devices import close
from rig.assembly.ending_signals import Ending, ends_by_signal
from rig.assembly.operating import Operator
from rig.assembly.stop_rows import LeftOut, Moving, Row, bounds_of, rows_of, trial_plan
from rig.assembly.stop_trial import Trial, held_back
from rig.assembly.survey import opened
from rig.clock import Clock
from rig.control.checklist import checklist
from rig.control.desk import Desk, Request
from rig.control.found import refuse_moving
from rig.control.permit import LOCAL_WAIT
from rig.control.prompt import prompt
from rig.control.taken_up import Verdict
from rig.errors import DeviceError
from rig.ports import InputState, Rig
from rig.protocol.plan import Bounds, Plan

OFF_WITHIN: Final = 30.0  # [s] in which the pressure must be off; common practice, no source
LOOK: Final = 0.1
OFF_TRIES: Final = 5
"""How often each thing that leaves the rig safe is tried."""
TRIES: Final = 3
"""How often a trial that could not be measured is made again, and the local input asked for."""
INPUTS: Final = ("emergency_stop", "guard_open", "leak", "oil_pressure_low", "mains_lost")


@dataclass(frozen=True, slots=True)
class Order:
    """What is asked for: how the rod moves, how often each row is tried, and by whom.

    `skip` are causes that nobody will bring about. `tell` shows people what comes. `emulated` tells
    that it is known when an input is operated: not by a person's hand.
    """

    how: Moving
    repeats: int
    who: str
    on_call: str
    skip: frozenset[str]
    tell: Callable[[str], None]
    emulated: bool = False


@dataclass(frozen=True, slots=True)
class Proven:
    """A row that stopped the rig, each time: what was measured, the longest first of all."""

    row: Row
    trials: tuple[Stopped, ...]

    @property
    def time(self) -> float:
        """Longest time [s]."""
        return max(trial.time for trial in self.trials)

    @property
    def travel(self) -> float:
        """Longest travel [m]."""
        return max(trial.travel for trial in self.trials)


@dataclass(slots=True)
class Proof:
    """What was found. `surprise` is what ended it early, "" for nothing.

    `troubles` are what could not be put right at the end: somebody has to look.
    """

    rows: list[Proven] = field(default_factory=list)
    left_out: tuple[LeftOut, ...] = ()
    surprise: str = ""
    broken_off: bool = False
    troubles: tuple[str, ...] = ()

    @property
    def whole(self) -> bool:
        """Whether every row that can be tried stopped the rig, and all is as it was."""
        return not (self.surprise or self.broken_off or self.troubles)


async def prove(
    plan: Plan, clock: Clock, order: Order, operator_of: Callable[[Rig], Operator]
) -> Proof:
    """Try every row on the rig of a plan; call it while the rig is `held`.

    `operator_of` gives who operates the inputs of the opened rig, and raises InputError where
    nobody may. Raises DeviceError where nothing was moved, because the rig cannot be opened,
    moves, or an input is not well.
    """
    words = "broken off before anything was moved; valve closed, pressure off"
    with ends_by_signal(words) as ending:
        rig = await opened(plan, clock)
        try:
            return await prove_on(rig, plan, clock, order, operator_of(rig), ending)
        finally:
            await close(rig)


async def prove_on(
    rig: Rig, plan: Plan, clock: Clock, order: Order, operator: Operator, ending: Ending
) -> Proof:
    """Try every row on an open rig; see `prove`."""
    asked = prompt(rig)
    refuse_moving(await asked.actuator.status())
    before = await _limits(asked, plan)
    proving = _Proving(rig, asked, plan, clock, order, operator)
    rows, left = rows_of(plan.rig)
    skipped = tuple(
        LeftOut(r.cause, "nobody brings it about") for r in rows if r.cause in order.skip
    )
    proof = Proof(left_out=(*left, *skipped))
    try:
        for row in rows:
            if row.cause in order.skip:
                continue
            found = await proving.row(row, proof, ending)
            if found is None:
                break
            proof.rows.append(found)
    except asyncio.CancelledError:
        if not ending.came:
            raise
        _forget(asyncio.current_task())
        proof.broken_off = True
    except DeviceError as error:
        proof.surprise = proof.surprise or str(error)
    finally:
        proof.troubles = await _left_safe(asked, clock, before, operator, proving.operated)
    return proof


def _forget(task: asyncio.Task[object] | None) -> None:
    """Let what follows a cancellation run to its end."""
    if task is not None:
        task.uncancel()


async def _limits(rig: Rig, plan: Plan) -> dict[str, Bounds]:
    """Return the controller's own limits as they are to be again; none where it has none.

    One that it does not have yet becomes the actuator's range, which bounds nothing.
    """
    if plan.rig.actuator.limits != "controller":
        return {}
    actuator = plan.rig.actuator
    wide = {"load": actuator.load, "stroke": actuator.stroke}
    now = await rig.actuator.read_limits()
    set_before = {name: pair for name, pair in now.items() if all(map(math.isfinite, pair))}
    return {**{name: pair for name, pair in wide.items() if name in now}, **set_before}


class _Proving:
    """Tries row after row; `operated` are the inputs that may still be held."""

    def __init__(
        self, rig: Rig, asked: Rig, plan: Plan, clock: Clock, order: Order, operator: Operator
    ) -> None:
        self._rig, self._asked, self._plan, self._clock = rig, asked, plan, clock
        self._order, self._operator = order, operator
        self._bounds = bounds_of(plan.rig, order.how)
        self._found_at = math.nan
        self.operated: set[str] = set()

    async def row(self, row: Row, proof: Proof, ending: Ending) -> Proven | None:
        """Try a row as often as is asked for; None where something else happened."""
        trials: list[Stopped] = []
        lost = 0
        while len(trials) < self._order.repeats:
            number = (
                f" {len(trials) + 1} of {self._order.repeats}" if self._order.repeats > 1 else ""
            )
            self._order.tell(f"{row.cause}{number}")
            await self._well(LOOK)
            found = await self._trial(row, proof)
            if ending.came:
                _forget(asyncio.current_task())
                proof.broken_off = True
            if proof.surprise or proof.broken_off:
                return None
            if found is not None:
                trials.append(found)
                lost = 0
                continue
            lost += 1
            if lost >= TRIES:
                proof.surprise = f"{row.cause}: it stopped, but the samples do not tell how quickly"
                return None
            self._order.tell("it stopped while the rod went back or slowly: once more")
        return Proven(row, tuple(trials))

    async def _trial(self, row: Row, proof: Proof) -> Stopped | None:
        """Make one trial, and have the inputs well again."""
        await self._fresh()
        plan = trial_plan(self._plan, row, self._bounds, self._order.how)
        actuator, heart = held_back(self._rig.actuator, self._clock)
        desk, order = Desk(), self._order
        trial = Trial(
            plan,
            replace(self._rig, actuator=actuator),
            row,
            order.how,
            self._bounds,
            self._operator,
            desk,
            self._clock,
            heart,
            self._found_at,
        )
        if row.how == "input":
            self.operated.add(row.what)
        verdict = await self._conducted(trial, plan, desk)
        self._found_at = trial.found_at
        surprise = trial.surprise(verdict)
        if surprise and not proof.surprise:
            proof.surprise = f"{row.cause}: {surprise}"
        if row.how == "input":
            if trial.operated:
                await self._operator.release(row.what)
            self.operated.discard(row.what)
            if not surprise:
                await self._well(self._operator.within)
        return None if surprise else trial.measured()

    async def _conducted(self, trial: Trial, plan: Plan, desk: Desk) -> Verdict:
        """Have the conductor make a trial; on a real rig the checklist is confirmed meanwhile."""
        if self._rig.emulated:
            return await trial.run()
        confirming = asyncio.ensure_future(self._confirmed(plan, desk))
        try:
            return await trial.run()
        finally:
            confirming.cancel()
            with suppress(asyncio.CancelledError):
                await confirming

    async def _confirmed(self, plan: Plan, desk: Desk) -> None:
        """Confirm the checklist, as somebody has on the terminal, and wait for the local input."""
        order, kind = self._order, plan.rig.local_input
        items = checklist(plan)
        for _ in range(TRIES):
            order.tell(f"Now use the {kind} at the rig, within {LOCAL_WAIT:.0f} s: it moves then.")
            await self._clock.sleep(LOOK)  # until the conductor takes requests
            request = Request("confirm", who=order.who, items=items, on_call=order.on_call)
            answer = await desk.ask(request)
            if answer.done:
                return
            order.tell(f"not begun: {answer.text}")
        desk.ask(Request("stop", who=order.who, text="the checklist was not confirmed"))

    async def _fresh(self) -> None:
        """Take the samples that wait, so that the next ones are of the present."""
        frames = max(round(self._asked.acquisition.rate * LOOK / 5), 1)
        while True:
            begun = self._clock.now()
            block = await self._asked.acquisition.read(frames)
            await self._asked.acquisition.keep(block.frames)
            if self._clock.now() - begun > frames / self._asked.acquisition.rate / 2:
                return

    async def _well(self, within: float) -> None:
        """Wait until all inputs read well, samples going on. Raises DeviceError if they do not."""
        until = self._clock.now() + within
        while wrong := _wrong(await self._asked.inputs.read()):
            if self._clock.now() > until:
                raise DeviceError(
                    f"{wrong} does not read well; put it right and prove the stops again"
                )
            await self._fresh()
            await self._clock.sleep(LOOK)


def _wrong(inputs: InputState) -> str:
    """Return an input that is not well, in words, or nothing."""
    wrong = [name for name in INPUTS if getattr(inputs, name)]
    return f'the input "{wrong[0]}"' if wrong else ""


async def _left_safe(
    rig: Rig, clock: Clock, limits: Mapping[str, Bounds], operator: Operator, operated: set[str]
) -> tuple[str, ...]:
    """Close the valve, take the pressure off, put inputs and limits back; return what failed."""
    troubles: list[str] = []

    async def tried(
        failing: str, act: Callable[[], Awaitable[object]], times: int = OFF_TRIES
    ) -> None:
        for left in reversed(range(times)):
            try:
                await act()
                return
            except DeviceError as error:
                if not left:
                    troubles.append(f"{failing}: {error}")
            await clock.sleep(LOOK)

    await tried("THE VALVE MAY BE OPEN, use the emergency stop", rig.actuator.close_valve)
    await tried("THE PRESSURE MAY BE ON, isolate it by hand", lambda: rig.actuator.pressure("off"))
    horn = rig.horn
    if horn is not None:
        await tried("the horn may be on", lambda: horn.set(False))
    for name in sorted(operated):
        put_off = partial(operator.release, name)
        await tried(f'the input "{name}" may still be operated', put_off)
    if limits:
        await tried("the controller's limits", lambda: _put_back(rig, limits))
    await tried("do not go near", lambda: _surely_off(rig, clock), 1)
    return tuple(troubles)


async def _put_back(rig: Rig, limits: Mapping[str, Bounds]) -> None:
    """Write the controller's limits as they were. Raises DeviceError."""
    await rig.actuator.write_limits(limits)
    now = await rig.actuator.read_limits()
    for name, pair in limits.items():
        back = now.get(name, (math.nan, math.nan))
        if not all(
            math.isclose(a, b, rel_tol=1e-6, abs_tol=1e-6) for a, b in zip(pair, back, strict=True)
        ):
            raise DeviceError(f"that on {name} is not what it was before; look at the controller")


async def _surely_off(rig: Rig, clock: Clock) -> None:
    """Wait until the controller says that the pressure is off. Raises DeviceError."""
    until = clock.now() + OFF_WITHIN
    while not await _is_off(rig):
        if clock.now() > until:
            raise DeviceError(
                f"after {OFF_WITHIN:.0f} s the controller does not say that the pressure is off; "
                "isolate it by hand"
            )
        await clock.sleep(LOOK)


async def _is_off(rig: Rig) -> bool:
    with suppress(DeviceError):
        return (await rig.actuator.status()).pressure == "off"
    return False

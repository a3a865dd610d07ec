"""The runner: the process that carries a test out in real time, whoever comes and goes.

Started by `start_runner` as `python -m rig.assembly.runner`. Until the test begins it speaks on
standard output, one JSON line at the end: {"ready": true} or {"problem": ..., "exit": ...}. From
then on it writes to `runner.log` in the run's folder only, and ends with the run's exit code.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import gc
import json
import os
import shutil
import signal
import sys
import traceback
from dataclasses import MISSING, dataclass, fields, replace
from datetime import datetime
from pathlib import Path
from types import FrameType
from typing import Any, Final

from rig.assembly.as_it_stands import end_again
from rig.assembly.companions import with_companions
from rig.assembly.devices import close, open_rig, restore_simulated
from rig.assembly.last_words import LastWords
from rig.assembly.live import LiveTest
from rig.assembly.looking_back import LookBack, look_back
from rig.assembly.result import header_of
from rig.assembly.telling import keep_messages, messages_of
from rig.assembly.trusting import trusted
from rig.clock import Clock, SystemClock
from rig.control.checklist import refusal
from rig.control.found import refuse_moving
from rig.control.hours import local, quiet_until
from rig.control.lock import lock_folder, lock_rig, refuse_taken
from rig.control.prompt import prompt
from rig.control.taken_up import TakenUp
from rig.errors import DeviceError, InputError, NotBegun, RigError
from rig.ports import Rig
from rig.protocol.in_the_air import in_the_air
from rig.protocol.lab import Messages
from rig.protocol.load import load_plan
from rig.protocol.plan import Plan
from rig.record.entries import RunHeader
from rig.record.remote import RemoteRecorder
from rig.record.take_up import take_up

OPENS_WITHIN: Final = 60.0  # [s] for all devices of a rig to answer
TURN: Final = 0.5e-3  # [s] after which a thread that waits for its turn gets it
_KINDS: Final[dict[str, Any]] = {"out": Path, "seed": int}


@dataclass(frozen=True, slots=True)
class Order:
    """What the runner is started with.

    `attended` is "attended" where a person at a terminal can confirm the checklist; `on_call` is
    who is called at night, "" where the checklist asks for it or nobody is. `how` is "begin", "air"
    for an air run, or "go on" with the test in `out` that was cut off: then its record has plan and
    seed, `rig` is "" or a rig file in place of the recorded one, and `said` tells what happened.
    `accepted` is who takes on what is doubtful about a real rig's channels, "" for nobody.
    """

    protocol: str
    rig: str
    out: Path
    seed: int
    attended: str
    on_call: str
    how: str
    said: str
    accepted: str = ""


def main(arguments: list[str] | None = None) -> int:
    """Carry one order out; return the exit code."""
    parser = argparse.ArgumentParser(prog="rig.assembly.runner")
    for field in fields(Order):
        rest: dict[str, Any] = {} if field.default is MISSING else {"nargs": "?", "default": ""}
        parser.add_argument(field.name, type=_KINDS.get(field.name, str), **rest)
    # A name on call may begin with a dash.
    given = sys.argv[1:] if arguments is None else arguments
    order = Order(**vars(parser.parse_args(["--", *given])))
    for number in (signal.SIGINT, signal.SIGHUP):
        signal.signal(number, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, _not_begun)
    starter = Starter()
    with contextlib.ExitStack() as last:
        try:
            return asyncio.run(_run(_test(order), starter, last))
        except RigError as error:
            starter.problem(str(error), error.exit_code)
            return error.exit_code
        except BaseException as error:  # noqa: BLE001 - whatever it was, the log must tell it
            with contextlib.suppress(OSError):
                traceback.print_exc()
            starter.problem(f"nightrig has a bug: {type(error).__name__}: {error}", 1)
            return 1


ENDED_EARLY: Final = "asked to end before the test began; nothing was moved"


def _not_begun(_number: int, _frame: FrameType | None) -> None:
    raise NotBegun(ENDED_EARLY)


class Starter:
    """Whoever started the runner, as long as they listen."""

    def __init__(self) -> None:
        # Whatever prints later must not print into a pipe that nobody reads.
        self._handle = os.dup(1)
        self._began = False
        self.warnings: tuple[str, ...] = ()

    @property
    def waits(self) -> bool:
        """Whether the starter has not been told yet that the test begins, and it has not."""
        return not self._began

    def ready(self) -> None:
        """Say that the test begins. Raises NotBegun where nobody waits for it any more."""
        if not self._say({"ready": True, "warnings": self.warnings}):
            raise NotBegun("whoever started the test is gone; nothing was moved")
        self._began = True

    def problem(self, text: str, code: int) -> None:
        """Say why it does not begin, or note in the log why it ended."""
        if self._handle < 0:
            # A full disk must not turn the code into that of a bug.
            with contextlib.suppress(OSError):
                sys.stderr.write(f"{text}\n")
                sys.stderr.flush()
        else:
            self._say({"problem": text, "exit": code})

    def _say(self, message: dict[str, object]) -> bool:
        try:
            os.write(self._handle, json.dumps(message).encode() + b"\n")
        except OSError:
            return False
        finally:
            os.close(self._handle)
            self._handle = -1
        return True


@dataclass(frozen=True, slots=True)
class Test:
    """What is to be carried out; `found` is the record of a test that goes on.

    `messages` is how people are told of it, None where they are not.
    """

    order: Order
    plan: Plan
    found: LookBack | None
    messages: Messages | None = None

    @property
    def seed(self) -> int:
        """Of a simulated rig; a real one has none."""
        return self.order.seed if self.found is None else self.found.header.seed or 0


def _test(order: Order) -> Test:
    """Return what an order asks for. Raises InputError, StorageError."""
    if order.how == "go on":
        found = look_back(order.out)
        found.refuse_unreadable()
        if order.rig:
            found = found.on_rig(order.rig, _text_of(order.rig))
        # A rig file that is named now lies where its paths begin.
        messages = messages_of(found.plan, None if order.rig else order.out)
        return Test(order, found.plan, found, messages)
    plan = load_plan(order.protocol, order.rig, _text_of)
    plan = with_companions(plan, order.protocol, _text_of)
    plan = in_the_air(plan) if order.how == "air" else plan
    return Test(order, plan, None, messages_of(plan, None))


async def _run(test: Test, starter: Starter, last: contextlib.ExitStack) -> int:
    """Carry the order out; SIGTERM ends it here until the live test takes it as a request."""
    task, loop = asyncio.current_task(), asyncio.get_running_loop()
    if task is not None:
        loop.add_signal_handler(signal.SIGTERM, task.cancel)
    try:
        return await _begun(test, starter, last)
    except asyncio.CancelledError:
        raise NotBegun(ENDED_EARLY) from None


async def _begun(test: Test, starter: Starter, last: contextlib.ExitStack) -> int:
    clock, out, plan = SystemClock(), test.order.out, test.plan
    if test.found is None:
        refuse_taken(out)
    else:
        refuse_quiet(plan, clock.utc())
    with contextlib.ExitStack() as held:
        if test.found is not None:
            # Before the rig, which the same test would hold if somebody has just resumed it.
            held.callback(lock_folder(out, clock.utc()).release)
        held.callback(lock_rig(plan.rig.name, out, clock.utc()).release)
        log = LastWords(out)
        last.callback(log.flush)
        held.callback(log.drop)
        rig = await _opened(plan, test.seed, clock)
        try:
            if not rig.emulated:
                refuse_rig(plan, test.order)
                plan, starter.warnings = trusted(plan, clock.utc(), test.order.accepted)
                test = replace(test, plan=plan)
            if test.found is None:
                return await _new(test, rig, clock, log, starter, held)
            return await _taken_up(test, test.found, rig, clock, log, starter)
        finally:
            await close(rig)


async def _new(
    test: Test,
    rig: Rig,
    clock: Clock,
    log: LastWords,
    starter: Starter,
    held: contextlib.ExitStack,
) -> int:
    """Make the folder and carry the test out from its beginning."""
    plan, order = test.plan, test.order
    refuse_moving(await prompt(rig).actuator.status())
    recorder = await _recorder(order.out, _header(plan, order, rig, clock.utc()))
    try:
        held.callback(lock_folder(order.out, clock.utc()).release)
        log.keep()
        if test.messages is not None:
            keep_messages(test.messages, order.out)
        for doubt in starter.warnings:
            recorder.event(0.0, 0, "doubt", doubt)
        return await _carried_out(test, rig, recorder, clock, starter)
    except BaseException:
        if starter.waits:
            await _take_back(recorder)
        raise


async def _taken_up(
    test: Test, found: LookBack, rig: Rig, clock: Clock, log: LastWords, starter: Starter
) -> int:
    """Carry the test on from where its record leaves off; nothing of the record is taken back."""
    order = test.order
    if rig.emulated != found.header.simulated:
        was, now = ("emulated", "real") if found.header.simulated else ("real", "emulated")
        raise InputError(f"{order.out}: its rig was {was}, this one is {now}; nothing was started")
    found.refuse_changed()
    gone, odd = found.gone_for(clock.utc())
    taken = found.taken_up(gone, "; ".join(filter(None, (order.said, odd))))
    take_up(order.out, found.kept_rows)
    try:
        recorder = await RemoteRecorder.reopen(order.out, found.header)
        if found.rig_file is not None:
            path, text = found.rig_file
            recorder.event(found.ended, found.cycles, "rig file", f"from here on {path}:\n{text}")
        for doubt in starter.warnings:
            recorder.event(found.ended, found.cycles, "doubt", doubt)
        log.keep()
        if test.messages is not None:
            keep_messages(test.messages, order.out)
        # Last: from here on a simulated rig goes on with the clock.
        restore_simulated(rig, taken)
        return await _carried_out(test, rig, recorder, clock, starter, taken)
    except BaseException:
        if starter.waits and found.ending is not None:
            end_again(found, found.ending)
        raise


async def _carried_out(
    test: Test,
    rig: Rig,
    recorder: RemoteRecorder,
    clock: Clock,
    starter: Starter,
    taken: TakenUp | None = None,
) -> int:
    """Carry the test out on what is ready for it; return its exit code."""
    order, told = test.order, test.messages is not None
    live = LiveTest(
        *(test.plan, rig, recorder, clock, order.out),
        on_call=order.on_call,
        taken=taken,
        told=told,
    )
    _attentive()
    return await live.run(starter.ready)


def _attentive() -> None:
    """Let the threads in which samples arrive wait for the loop as little as possible.

    By default a thread waits 5 ms while another computes, and a full look for unused objects
    holds up all of them for some 30 ms: what is there by now is not looked at any more.
    """
    sys.setswitchinterval(TURN)
    gc.collect()
    gc.freeze()


async def _recorder(out: Path, header: RunHeader) -> RemoteRecorder:
    """Make the folder and its recorder, or leave neither behind."""
    making = asyncio.ensure_future(RemoteRecorder.create(out, header))
    try:
        return await asyncio.shield(making)
    except asyncio.CancelledError:
        # Broken off in the middle it would leave a folder that is nobody's.
        with contextlib.suppress(RigError):
            await _take_back(await making)
        raise


async def _take_back(recorder: RemoteRecorder) -> None:
    """Take away the record of a test that did not begin; its name is free again."""
    await recorder.abandon()
    shutil.rmtree(recorder.folder, ignore_errors=True)


async def _opened(plan: Plan, seed: int, clock: Clock) -> Rig:
    """Open the rig's devices in time. Raises DeviceError where they hang."""
    try:
        async with asyncio.timeout(OPENS_WITHIN):
            return await open_rig(plan, seed, clock)
    except TimeoutError:
        raise DeviceError(
            f"rig {plan.rig.name!r}: its devices have not answered within {OPENS_WITHIN:.0f} s; "
            "nothing was started; look at power and lines"
        ) from None


def refuse_rig(plan: Plan, order: Order) -> None:
    """Raise InputError for a real rig that cannot be run, or with nobody there."""
    if why := refusal(plan):
        raise InputError(f"{why}; nothing was started")
    if order.attended != "attended":
        raise InputError(
            f"rig {plan.rig.name!r} is not emulated: its checklist is confirmed by a person at a "
            "terminal; nothing was started"
        )


def refuse_quiet(plan: Plan, now: datetime) -> None:
    """Raise InputError within the quiet hours, in which nothing is resumed."""
    until = quiet_until(plan.hours, now)
    if until is not None:
        raise InputError(
            f"quiet hours: nothing is resumed until {local(plan.hours, until):%a %H:%M}; nothing "
            "was started; type it again then"
        )


def _header(plan: Plan, order: Order, rig: Rig, started: datetime) -> RunHeader:
    """Return what the record begins with."""
    seed = order.seed if rig.emulated else None
    return header_of(plan, order.out, seed, started, simulated=rig.emulated)


def _text_of(path: str) -> str:
    return Path(path).read_text(encoding="utf-8-sig")


if __name__ == "__main__":
    sys.exit(main())

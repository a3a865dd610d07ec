"""A live test in real time: from a request to the act, and from an accident to the stop."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from benchmarks.delays import percentiles
from rig.control.server import Door
from rig.protocol.plan import Plan
from simulators.faults import Fault, Missing, Silent
from tests.assembly.live import Live, carry_out, plan_in, until

ASKER = """
import json, socket, sys, time
def ask(verb):
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as link:
        link.settimeout(30.0)
        link.connect(sys.argv[1])
        sent = time.monotonic()
        link.sendall(json.dumps({"ask": verb, "who": "P. Tester"}).encode() + b"\\n")
        answer = json.loads(link.makefile("rb").readline())
    return sent, time.monotonic(), answer
for line in sys.stdin:
    sent, answered, answer = ask(line.strip())
    print(json.dumps([sent, answered, answer["answer"]]), flush=True)
"""
"""Asks in a process of its own, as people do."""

HANG = """
import sys, time
from pathlib import Path
from rig.record import Recorder, process
commit, order = Recorder.commit, Path(sys.argv[1])
def frozen(self):
    if order.exists():
        time.sleep(3600.0)
    commit(self)
Recorder.commit = frozen
process.main()
"""
"""A recorder whose disk freezes as soon as a file is there."""

STANDING, CYCLING = 60, 10
"""Pairs of pause and continue: while a load is held, and while the specimen is cycled."""
ACT = {"pause": ("hold", "end_cycling"), "continue": ("pressure",)}


@pytest.mark.parametrize("disk", ["recording", "frozen"])
def test_from_a_request_to_the_act(benchmark: Any, tmp_path: Path, disk: str) -> None:
    acted: list[float] = []
    answered: list[float] = []

    async def people(live: Live) -> None:
        path = tmp_path / "s.sock"
        door = Door(path, live.desk, synced=live.recorder.synced, look=dict)
        asker = await asyncio.create_subprocess_exec(
            sys.executable, "-c", ASKER, str(path), stdin=-1, stdout=-1
        )
        assert asker.stdin is not None
        assert asker.stdout is not None

        async def ask(verb: str, state: str) -> None:
            asker.stdin.write(f"{verb}\n".encode())
            sent, got, how = json.loads(await asker.stdout.readline())
            assert how == "acted"
            acts = [t for n, t in live.actuator.acts if n in ACT[verb] and t >= sent]
            acted.append(min(acts) - sent)
            answered.append(got - sent)
            await until(live, state)

        async with door:
            await until(live, "hold")
            await asyncio.sleep(3.0)  # the load has been reached
            if disk == "frozen":
                (tmp_path / "freeze").touch()
                await asyncio.sleep(1.0)
            for _ in range(STANDING):
                await ask("pause", "paused")
                await asyncio.sleep(0.237)
                await ask("continue", "hold")
                await asyncio.sleep(0.237)
            await until(live, "cycling")
            for _ in range(CYCLING):
                await asyncio.sleep(1.0)
                await ask("pause", "paused")
                await ask("continue", "cycling")
            if disk == "frozen":
                (tmp_path / "freeze").unlink()
                os.kill(live.recorder.pid, signal.SIGKILL)
            asker.stdin.write(b"stop\n")
            await asker.stdout.readline()
            asker.stdin.close()
            await asker.wait()

    def whole() -> None:
        command = [sys.executable, "-c", HANG, str(tmp_path / "freeze")]
        plan = plan_in(tmp_path, hold="30 s")
        _, verdict = asyncio.run(
            carry_out(plan, tmp_path / "run", people, recorder_command=command)
        )
        assert verdict.outcome == "operator"

    benchmark.pedantic(whole, rounds=1)
    benchmark.extra_info.update(percentiles("act", acted) | percentiles("answer", answered))
    assert len(acted) == 2 * (STANDING + CYCLING)


TOGETHER, ROUNDS = 10, 2


def _fault(accident: str, number: int, frame: int) -> tuple[Fault, ...]:
    if accident == "stream stopped":
        return (Silent(frame, 10**9),)
    if accident == "NaN":
        return (Missing("load" if number % 2 else "midspan", frame, 10**9),)
    return ()


@pytest.mark.parametrize("accident", ["loop blocked", "stream stopped", "NaN"])
def test_from_an_accident_to_the_stop(benchmark: Any, tmp_path: Path, accident: str) -> None:
    waits: list[float] = []

    async def one(number: int, plan: Plan, blocked: list[float]) -> None:
        at = 30.0 + 0.137 * (number % TOGETHER)
        fault = _fault(accident, number, round(at * 1000))

        async def beside(live: Live) -> None:
            await until(live, "stopping")

        live, verdict = await carry_out(
            plan, tmp_path / str(number) / "run", beside, faults=fault, seed=number
        )
        if accident == "loop blocked":
            assert verdict.cause == "watchdog"
            beat = live.actuator.last("heartbeat", blocked[0])
            # The controller counts from the last heartbeat that came in time.
            waits.append(beat + 0.5 - blocked[0])
            return
        assert verdict.outcome in ("fault", "limit", "failure")
        begun = live.began + at
        waits.append(live.actuator.first("close_valve", begun) - begun)

    async def together(first: int) -> None:
        blocked: list[float] = []
        # Read before anything runs: a test must not wait for another's files.
        plans = {n: plan_in(tmp_path / str(n)) for n in range(first, first + TOGETHER)}

        def block() -> None:
            blocked.append(time.monotonic())
            time.sleep(1.5)

        if accident == "loop blocked":
            asyncio.get_running_loop().call_later(36.0 + 0.0137 * first, block)
        async with asyncio.TaskGroup() as group:
            for number, plan in plans.items():
                group.create_task(one(number, plan, blocked))
                await asyncio.sleep(0.337)

    def whole() -> None:
        for first in range(0, TOGETHER * ROUNDS, TOGETHER):
            asyncio.run(together(first))

    benchmark.pedantic(whole, rounds=1)
    within = sum(wait <= 0.5 for wait in waits)
    benchmark.extra_info.update(percentiles("stop", waits) | {"within_500_ms": within})
    assert within == TOGETHER * ROUNDS

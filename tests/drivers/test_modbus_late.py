"""Replies that come late in any way, from two devices, to several who ask: none is mistaken."""

from __future__ import annotations

import asyncio
import contextlib
import math
import random
from collections.abc import Awaitable, Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.bus import Bus, Silent
from rig.clock import VirtualLoop
from rig.errors import DeviceError
from tests.drivers.modbus_peer import Device, Later, Peer
from tests.drivers.modbus_script import Script, late, numbered, opened, silent, word

pytestmark = pytest.mark.virtual


async def test_a_reply_however_late_is_never_taken_for_the_next_answer() -> None:
    in_time = 0
    near = [0.09 + 0.0005 * k for k in range(40)]
    for delay in [*near, *(0.007 * k for k in range(1, 50))]:
        script = Script(numbered())
        bus, _ = opened(script)
        await bus.regain(1)
        script.then = [late(delay)]
        got = []
        for at in range(1, 8):
            with contextlib.suppress(Silent):
                got.append((at, await word(bus, at)))
        assert all(value == 1000 + at for at, value in got), delay
        # Only the late one, and echoes asked for while the device was still busy, are missing.
        assert [at for at, _ in got][-4:] == [4, 5, 6, 7], delay
        in_time += got[0] == (1, 1001)
    assert 30 < in_time < 40


async def test_after_a_time_out_only_the_echo_of_a_fresh_number_is_believed() -> None:
    script = Script(numbered())
    bus, _ = opened(script)
    await bus.regain(1)
    # The same question twice: the late reply to the first would fit the second.
    script.then = [late(0.13), late(0.09), late(0.05)]
    with pytest.raises(Silent, match="does not answer within 100 ms"):
        await word(bus, 1)
    assert not bus.trusts(1)
    assert await word(bus, 2) == 1002
    assert [request[1] for request in script.seen] == [8, 3, 8, 3]
    assert script.seen[0] != script.seen[2]
    assert bus.counts.dropped == 1
    assert bus.counts.bad == 1


async def test_a_device_without_echoes_is_trusted_for_its_refusals_one_by_one() -> None:
    script = Script(numbered(echoes=False))
    bus, _ = opened(script)
    await bus.regain(1)
    # The second refusal comes so late that it meets the echo asked for after the next time-out,
    # and the late reply to that question still lies behind it.
    script.then = [silent, late(0.15), late(0.2), late(0.17)]
    got = []
    for at in range(1, 8):
        with contextlib.suppress(Silent):
            if not bus.trusts(1):
                await bus.regain(1)
            assert bus.trusts(1)
            got.append((at, await word(bus, at)))
    assert all(value == 1000 + at for at, value in got)
    assert [at for at, _ in got] == [4, 5, 6, 7]


async def test_a_question_that_is_given_up_leaves_its_device_in_doubt() -> None:
    script = Script(numbered())
    bus, _ = opened(script)
    await bus.regain(1)
    script.then = [late(0.05)]
    with pytest.raises(TimeoutError):
        async with asyncio.timeout(0.03):
            await word(bus, 1)
    assert not bus.trusts(1)
    assert await word(bus, 2) == 1002


DELAYS = st.one_of(
    st.floats(0.0, 0.09), st.floats(0.085, 0.115), st.floats(0.1, 0.5), st.just(math.inf)
)
TURN = 0.006


def slow_peer(delays: Sequence[float], devices: Sequence[Device]) -> Peer:
    """Return devices each of which answers in the order it was asked, so late, or never (inf)."""
    left = list(delays)
    free = dict.fromkeys((device.address for device in devices), 0.0)

    def peer(request: bytes) -> Later:
        now = asyncio.get_running_loop().time()
        delay = left.pop(0) if left else TURN
        said: Later = []
        for device in devices:
            reply = device.answer(request)
            if reply is None or delay == math.inf:
                continue
            # It turns to the next request only when it has answered the last one.
            free[device.address] = max(now + delay, free[device.address] + 3 * TURN)
            said.append((free[device.address] - now, reply))
        return said

    return peer


@pytest.mark.parametrize("echoes", [True, False], ids=["echoes", "refuses"])
async def test_no_row_of_late_replies_makes_a_wrong_value(echoes: bool) -> None:
    chance = random.Random(7)
    for _ in range(40):
        delays = [chance.choice([TURN, 0.07, 0.12, 0.17, 0.25, 0.33, math.inf]) for _ in range(7)]
        bus, _ = opened(slow_peer(delays, [numbered(echoes=echoes)]))
        got = []
        for at in range(14):
            with contextlib.suppress(Silent):
                got.append((at, await word(bus, at)))
        assert all(value == 1000 + at for at, value in got), delays
        assert got[-1] == (13, 1013), delays


async def asks(
    bus: Bus, questions: Sequence[tuple[int, str, int, float]], wrong: list[object]
) -> None:
    offset = {"holding": 0, "input": 500}
    for address, table, at, patience in questions:
        answered: Awaitable[int] = word(bus, at, address, table)
        try:
            async with asyncio.timeout(patience):
                got = await answered
        except (DeviceError, TimeoutError):
            continue
        if got != 1000 * address + offset[table] + at:
            wrong.append((address, table, at, got))


QUESTION = st.tuples(
    st.sampled_from([1, 2]),
    st.sampled_from(["holding", "input"]),
    st.integers(0, 39),
    st.sampled_from([0.02, 0.11, 10.0]),
)


@given(
    delays=st.lists(DELAYS, max_size=30),
    first=st.lists(QUESTION, max_size=12),
    second=st.lists(QUESTION, max_size=12),
    echoes=st.tuples(st.booleans(), st.booleans()),
)
def test_no_value_ever_belongs_to_another_question(
    delays: list[float],
    first: list[tuple[int, str, int, float]],
    second: list[tuple[int, str, int, float]],
    echoes: tuple[bool, bool],
) -> None:
    async def run() -> None:
        devices = [numbered(k + 1, echoes=echoes[k]) for k in range(2)]
        bus, _ = opened(slow_peer(delays, devices))
        wrong: list[object] = []
        async with asyncio.TaskGroup() as group:
            group.create_task(asks(bus, first, wrong))
            group.create_task(asks(bus, second, wrong))
        assert wrong == []
        # What was late has come; then everything is answered again.
        await asyncio.sleep(20.0)
        for address in (1, 2):
            for _ in range(40):
                try:
                    assert await word(bus, 11, address) == 1000 * address + 11
                    break
                except Silent:
                    continue
            assert bus.trusts(address)

    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        runner.run(run())

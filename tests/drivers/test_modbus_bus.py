"""One bus in virtual time: whom it trusts, what it takes for an answer, what it drops."""

from __future__ import annotations

import asyncio
import contextlib
import math
import random
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers import modbus
from drivers.bus import Answer, Bus, Refused, Silent
from rig.clock import VirtualClock, VirtualLoop
from rig.errors import DeviceError
from rig.protocol.wire import Port
from tests.drivers.modbus_peer import Device, Later, Peer, QuickLine, hexed, prompt, with_crc

WITHIN = 0.1
PLAN = Port("bus", "nowhere", 19200, parity="even", answer_within=WITHIN)

pytestmark = pytest.mark.virtual


def numbered(address: int = 1, **more: bool) -> Device:
    """Return a device each of whose registers says which one it is, and of which table."""
    return Device(
        address,
        coils={a: a % 3 == 0 for a in range(40)},
        discrete={a: a % 5 == 0 for a in range(40)},
        holding={a: 1000 * address + a for a in range(40)},
        inputs={a: 1000 * address + 500 + a for a in range(40)},
        **more,
    )


def opened(peer: Peer, plan: Port = PLAN) -> tuple[Bus, QuickLine]:
    line = QuickLine(plan, peer)
    bus = Bus(line, VirtualClock())
    bus.open()
    return bus, line


async def word(bus: Bus, at: int, address: int = 1, table: str = "holding") -> int:
    answer = await bus.ask(address, modbus.read(table, at, 1))
    return modbus.registers(answer.pdu)[0]


class Script:
    """A peer that answers prompt until `then` says something else for the requests that follow."""

    def __init__(self, *devices: Device) -> None:
        self.usual = prompt(*devices)
        self.then: list[Callable[[bytes, Later], Later]] = []
        self.seen: list[bytes] = []

    def __call__(self, request: bytes) -> Later:
        self.seen.append(request)
        said = self.usual(request)
        return self.then.pop(0)(request, said) if self.then else said


def late(seconds: float) -> Callable[[bytes, Later], Later]:
    return lambda _request, said: [(seconds, reply) for _, reply in said]


def silent(_request: bytes, _said: Later) -> Later:
    return []


def with_noise(before: str, behind: str) -> Callable[[bytes, Later], Later]:
    return lambda _r, said: [(a, hexed(before) + reply + hexed(behind)) for a, reply in said]


def instead(*replies: str, after: float = 0.005) -> Callable[[bytes, Later], Later]:
    return lambda _request, _said: [(after, with_crc(hexed(reply))) for reply in replies]


async def test_a_device_is_asked_for_an_echo_before_anything_else() -> None:
    script = Script(numbered())
    bus, _ = opened(script)
    assert await word(bus, 7) == 1007
    assert [request[1] for request in script.seen] == [8, 3]
    assert await word(bus, 8) == 1008
    assert [request[1] for request in script.seen] == [8, 3, 3]


async def test_every_table_is_read_and_written() -> None:
    device = numbered()
    bus, _ = opened(prompt(device))
    coils = await bus.ask(1, modbus.read("coil", 0, 10))
    assert modbus.bits(coils.pdu, 10) == tuple(a % 3 == 0 for a in range(10))
    discrete = await bus.ask(1, modbus.read("discrete", 5, 17))
    assert modbus.bits(discrete.pdu, 17) == tuple(a % 5 == 0 for a in range(5, 22))
    assert await word(bus, 3, table="input") == 1503
    await bus.ask(1, modbus.write_bit(4, True))
    await bus.ask(1, modbus.write_bit(6, False, several=True))
    await bus.ask(1, modbus.write_register(0, 77))
    await bus.ask(1, modbus.write_registers(1, (78, 79)))
    assert (device.coils[4], device.coils[6]) == (True, False)
    assert [device.holding[a] for a in range(3)] == [77, 78, 79]


async def test_a_question_is_sent_no_earlier_than_three_and_a_half_characters_after_an_answer() -> (
    None
):
    bus, line = opened(prompt(numbered()))
    answer = await bus.ask(1, modbus.read("holding", 0, 1))
    await word(bus, 1)
    # V1.02, section 2.5.1.1: at least 3.5 characters; here of 11 bits.
    assert line.written[-1][0] >= answer.came + 3.5 * 11 / 19200 - 1e-9


async def test_above_19200_baud_the_silence_is_one_and_three_quarter_milliseconds() -> None:
    plan = Port("bus", "nowhere", 115200, parity="even")
    bus, line = opened(prompt(numbered()), plan)
    answer = await bus.ask(1, modbus.read("holding", 0, 1))
    await word(bus, 1)
    assert line.written[-1][0] - answer.came == pytest.approx(1.75e-3, abs=1e-6)


async def test_an_exception_is_told_in_words_and_leaves_the_device_trusted() -> None:
    bus, _ = opened(prompt(numbered()))
    with pytest.raises(Refused, match=r"address 1 on port \"bus\".*illegal data address \(2\)"):
        await word(bus, 900)
    assert bus.trusts(1)
    # It was taken when it came, not when the waiting was over.
    assert asyncio.get_running_loop().time() < WITHIN


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


async def test_an_answer_that_begins_in_time_may_end_later() -> None:
    script = Script(numbered())
    bus, _ = opened(script)
    await bus.regain(1)
    script.then = [late(WITHIN - 0.002)]
    answer = await bus.ask(1, modbus.read("holding", 0, 30))
    assert answer.came - answer.asked > WITHIN + 0.03
    assert modbus.registers(answer.pdu) == tuple(range(1000, 1030))


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


async def test_garbage_around_a_reply_costs_nothing_but_its_count() -> None:
    script = Script(numbered())
    bus, _ = opened(script)
    await bus.regain(1)
    for before, behind in [
        ("00", ""),
        ("FF FF", "00"),
        ("01 03 FA", ""),
        ("", "A5 5A"),
        ("01", ""),
    ]:
        script.then = [with_noise(before, behind)]
        assert await word(bus, 9) == 1009
    assert bus.counts.dropped == 0
    assert bus.counts.bad >= 4


async def test_what_only_looked_like_a_reply_is_not_waited_for_longer_than_a_gap() -> None:
    script = Script(numbered())
    bus, _ = opened(script, replace(PLAN, answer_within=5.0))
    await bus.regain(1)
    # It says that 250 bytes follow; the true reply lies behind it.
    script.then = [with_noise("01 03 FA", "")]
    answer = await bus.ask(1, modbus.read("holding", 9, 1))
    assert modbus.registers(answer.pdu) == (1009,)
    assert asyncio.get_running_loop().time() - answer.came < 0.03


async def test_garbage_in_a_reply_leads_to_an_echo_before_the_next_question() -> None:
    script = Script(numbered())
    bus, _ = opened(script)
    await bus.regain(1)

    def broken(_request: bytes, said: Later) -> Later:
        return [(after, reply[:4] + bytes([reply[4] ^ 0x10]) + reply[5:]) for after, reply in said]

    script.then = [broken]
    with pytest.raises(Silent):
        await word(bus, 1)
    assert await word(bus, 2) == 1002
    assert [request[1] for request in script.seen] == [8, 3, 8, 3]
    assert bus.counts.bad == 1


@pytest.mark.parametrize(
    "reply",
    [
        "01 04 02 00 07",
        "01 03 04 00 07 00 08",
        "01 84 02",
        "01 06 00 01 00 07",
        "01 10 00 01 00 01",
    ],
)
async def test_a_whole_reply_that_answers_something_else_is_not_taken(reply: str) -> None:
    script = Script(numbered())
    bus, _ = opened(script)
    await bus.regain(1)
    script.then = [instead(reply)]
    with pytest.raises(Silent, match="another question"):
        await word(bus, 1)
    assert not bus.trusts(1)
    assert await word(bus, 1) == 1001


async def test_a_reply_of_another_device_is_not_taken() -> None:
    script = Script(numbered(1), numbered(2))
    bus, _ = opened(script)
    await bus.regain(1)
    await bus.regain(2)
    script.then = [late(0.15)]
    with pytest.raises(Silent):
        await word(bus, 3, address=2)
    # Address 2 speaks while address 1 is asked the same.
    assert await word(bus, 3, address=1) == 1003
    assert await word(bus, 3, address=2) == 2003


async def test_a_reply_that_is_said_twice_puts_its_device_in_doubt() -> None:
    script = Script(numbered())
    bus, _ = opened(script)
    await bus.regain(1)

    def twice(_request: bytes, said: Later) -> Later:
        return [(after, reply + reply) for after, reply in said]

    script.then = [twice]
    assert await word(bus, 1) == 1001
    assert await word(bus, 2) == 1002
    assert [request[1] for request in script.seen] == [8, 3, 8, 3]


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


async def test_a_line_that_babbles_is_told_and_left() -> None:
    bus, line = opened(prompt(numbered()))
    await bus.regain(1)
    line.say(bytes(4000), 0.0)
    with pytest.raises(DeviceError, match="bytes come without an end"):
        await word(bus, 1)
    await asyncio.sleep(3.0)
    assert await word(bus, 1) == 1001


@pytest.mark.parametrize("there", [True, False], ids=["device there", "device dead"])
async def test_a_converter_that_gives_back_what_is_sent_is_refused(there: bool) -> None:
    usual = prompt(numbered()) if there else prompt()
    bus, _ = opened(lambda request: [(0.0, request), *usual(request)])
    with pytest.raises(DeviceError, match="local echo"):
        await word(bus, 1)


async def test_a_line_that_is_lost_is_told_at_once_and_trusted_anew_when_it_is_back() -> None:
    script = Script(numbered())
    bus, line = opened(script)
    assert await word(bus, 1) == 1001
    script.then = [silent]
    asyncio.get_running_loop().call_later(0.02, line.unplug)
    with pytest.raises(DeviceError, match="unplugged"):
        await word(bus, 1)
    with pytest.raises(DeviceError, match="unplugged"):
        await word(bus, 1)
    line.plug()
    assert not bus.trusts(1)
    assert await word(bus, 2) == 1002
    assert [request[1] for request in script.seen][-2:] == [8, 3]


async def test_a_device_may_be_another_one_when_its_line_is_plugged_in_again() -> None:
    bus, line = opened(prompt(numbered()))
    assert await word(bus, 1) == 1001
    line.unplug()
    line.plug()
    assert not bus.trusts(1)
    await bus.regain(1)
    assert bus.trusts(1)


async def test_an_echo_is_asked_for_on_a_line_that_has_been_quiet_for_a_while() -> None:
    script = Script(numbered())
    bus, line = opened(script)
    await bus.regain(1)
    script.then = [lambda _request, _said: [(0.0985, hexed("A5 A5"))]]
    with pytest.raises(Silent):
        await word(bus, 1)
    await bus.regain(1)
    # Converters on USB hand bytes on every 16 ms; common practice, no source.
    assert line.written[-1][0] - line.busy_until[-2] >= 0.016


async def test_round_trips_are_from_the_question_to_the_last_byte() -> None:
    bus, _ = opened(prompt(numbered(), after=0.02))
    answer: Answer = await bus.ask(1, modbus.read("holding", 0, 1))
    # 8 bytes there, 7 back, 11 bits each.
    assert answer.came - answer.asked == pytest.approx(0.02 + 15 * 11 / 19200, abs=1e-6)
    assert max(bus.counts.trips) == pytest.approx(0.02 + 16 * 11 / 19200, abs=1e-6)


# Replies that come late in any way, from two devices, to several who ask.

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

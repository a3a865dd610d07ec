"""Replies with garbage, of another device, to another question, twice: which of them are taken."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import replace

import pytest

from drivers import modbus
from drivers.bus import Silent
from tests.drivers.modbus_peer import Later, hexed, with_crc
from tests.drivers.modbus_script import PLAN, Script, late, numbered, opened, word

pytestmark = pytest.mark.virtual


def with_noise(before: str, behind: str) -> Callable[[bytes, Later], Later]:
    return lambda _r, said: [(a, hexed(before) + reply + hexed(behind)) for a, reply in said]


def instead(*replies: str, after: float = 0.005) -> Callable[[bytes, Later], Later]:
    return lambda _request, _said: [(after, with_crc(hexed(reply))) for reply in replies]


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

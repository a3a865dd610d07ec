"""One bus in virtual time: whom it asks and trusts, its silences, lines that are lost."""

from __future__ import annotations

import asyncio

import pytest

from drivers import modbus
from drivers.bus import Answer, Refused, Silent
from rig.errors import DeviceError
from rig.protocol.wire import Port
from tests.drivers.modbus_peer import hexed, prompt
from tests.drivers.modbus_script import WITHIN, Script, late, numbered, opened, silent, word

pytestmark = pytest.mark.virtual


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


async def test_an_answer_that_begins_in_time_may_end_later() -> None:
    script = Script(numbered())
    bus, _ = opened(script)
    await bus.regain(1)
    script.then = [late(WITHIN - 0.002)]
    answer = await bus.ask(1, modbus.read("holding", 0, 30))
    assert answer.came - answer.asked > WITHIN + 0.03
    assert modbus.registers(answer.pdu) == tuple(range(1000, 1030))


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

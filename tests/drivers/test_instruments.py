"""Slow instruments over real pseudo-terminals: numbers that are what they say, or none."""

from __future__ import annotations

import asyncio
import math
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from drivers.doubt import FORM_TRIES
from drivers.instruments import Instruments
from rig.clock import Clock, SystemClock
from rig.errors import DeviceError
from rig.protocol.wire import Answer, Instrument, Port, Scaling, Wire
from tests.drivers.hand_clock import StandingClock
from tests.drivers.text_peer import Answer as Answering
from tests.drivers.text_peer import Peer, Piece, byte_by_byte, nobody, whole

PATIENT = 10.0
ZERO_CELSIUS = 273.15
"""0 degrees Celsius in kelvins, by definition: BIPM, The International System of Units, 2.3.1."""
ASK = "MEASure:TEMPerature?"

THERMOMETER = Instrument(
    "thermometer",
    "thermometer",
    ASK,
    (
        Answer("temperature_air", 1, Scaling(1.0, ZERO_CELSIUS), 223.15, 353.15),
        Answer("temperature_water", 3, Scaling(5 / 9, 459.67 * 5 / 9)),
    ),
)
"""Air in Celsius at the first place, water in Fahrenheit at the third."""
BALANCE = Instrument(
    "balance", "balance", "W", (Answer("tank", 1, Scaling(1e-3)),), every=0.5, line_end="\r\n"
)


@pytest.fixture
def peer(tmp_path: Path) -> Iterator[Peer]:
    with plugged(tmp_path / "thermometer") as device:
        yield device


@contextmanager
def plugged(path: Path) -> Iterator[Peer]:
    device = Peer(path, nobody)
    try:
        yield device
    finally:
        device.close()


def wire(*peers: Peer, within: float = PATIENT, **more: Any) -> Wire:
    ports = tuple(Port(p.path.name, str(p.path), 9600, answer_within=within, **more) for p in peers)
    known = {port.name for port in ports}
    instruments = tuple(i for i in (THERMOMETER, BALANCE) if i.port in known)
    return Wire(ports, None, (), (), instruments)


@asynccontextmanager
async def asking(told: Wire, clock: Clock | None = None) -> AsyncIterator[Instruments]:
    instruments = Instruments(told, clock or StandingClock())
    await instruments.open()
    try:
        yield instruments
    finally:
        await instruments.close()


async def until(true: Callable[[], bool]) -> None:
    async with asyncio.timeout(20):
        while not true():  # noqa: ASYNC110 - what is waited for happens in other threads
            await asyncio.sleep(0.001)


def saying(data: bytes, way: Callable[[bytes], list[Piece]] = whole) -> Answering:
    return lambda line: way(data) if line == ASK else []


WAYS: dict[str, Callable[[bytes], list[Piece]]] = {"whole": whole, "byte by byte": byte_by_byte}


@pytest.mark.parametrize("way", WAYS.values(), ids=WAYS.keys())
@pytest.mark.parametrize(
    "said",
    [
        b"21.5,OK,68.0\n",
        b"+2.15E+01,OK,+6.80E+01\r\n",
        b" 21.50 , ok , 68 \r",
        b'21.5,"room 7, north",68.0,99\n',
    ],
)
async def test_numbers_are_taken_from_their_places_in_si(
    peer: Peer, said: bytes, way: Callable[[bytes], list[Piece]]
) -> None:
    peer.answer = saying(said, way)
    async with asking(wire(peer)) as instruments:
        await until(lambda: instruments.report()[0].good > 0)
        # 68 F are 20 C: NIST Special Publication 811 (2008), appendix B.8.
        assert instruments.slow() == {
            "temperature_air": pytest.approx(294.65),
            "temperature_water": pytest.approx(293.15),
        }
    assert set(peer.lines) == {ASK}
    assert peer.raw.startswith(ASK.encode() + b"\n")


async def test_there_is_no_value_before_the_first_answer_and_nobody_waits_for_it(
    peer: Peer,
) -> None:
    async with asking(wire(peer)) as instruments:
        await until(lambda: peer.lines == [ASK])
        slow = instruments.slow()
        assert slow.keys() == {"temperature_air", "temperature_water"}
        assert all(math.isnan(value) for value in slow.values())
        assert instruments.report()[0].who == ""


async def test_what_is_out_of_bounds_is_no_value(peer: Peer) -> None:
    peer.answer = saying(b"-60.0,OK,68.0\n")
    async with asking(wire(peer)) as instruments:
        await until(lambda: instruments.report()[0].good > 0)
        slow = instruments.slow()
        assert math.isnan(slow["temperature_air"])
        assert slow["temperature_water"] == pytest.approx(293.15)
        assert instruments.report()[0].bad == 0


NO_ANSWERS = [b"21.5,OK\n", b"21.5;OK;none\n", b"E7\n", b"21.5,OK,9.91E37\n", b"\xff1.5,OK,68\n"]


@pytest.mark.parametrize("said", NO_ANSWERS)
async def test_what_does_not_fit_is_no_answer(peer: Peer, said: bytes) -> None:
    peer.answer = saying(said)
    async with asking(wire(peer)) as instruments:
        await until(lambda: instruments.report()[0].bad > 1)
        assert all(math.isnan(value) for value in instruments.slow().values())
        report = instruments.report()[0]
        assert (report.good, report.who) == (0, "")
        assert report.trouble
        assert report.remedy.startswith("bytes come but none fit: 9600 baud")


async def test_a_number_that_lost_characters_is_not_believed_until_it_is_said_five_times(
    peer: Peer,
) -> None:
    says = [b"20.00,OK,68.0\n"]
    peer.answer = lambda line: whole(says[-1]) if line == ASK else []
    async with asking(wire(peer)) as instruments:
        await until(lambda: instruments.report()[0].good > 1)
        # An overrun took the first characters.
        for spoiled in (b"00,OK,68.0\n", b"0.00,OK,68.0\n"):
            bad, good = instruments.report()[0].bad, instruments.report()[0].good
            lost = iter([spoiled] * (FORM_TRIES - 1))

            def answer(line: str, lost: Iterator[bytes] = lost) -> list[Piece]:
                return whole(next(lost, says[-1])) if line == ASK else []

            peer.answer = answer
            seen = set()
            while instruments.report()[0].good < good + 2:
                seen.add(instruments.slow()["temperature_air"])
                await asyncio.sleep(0.001)
            assert all(math.isnan(v) or v == pytest.approx(293.15) for v in seen), seen
            # After one that does not fit the next is thrown away.
            assert instruments.report()[0].bad >= bad + (FORM_TRIES - 1) // 2
        says.append(b"0.00,OK,68.0\n")
        peer.answer = saying(says[-1])
        await until(lambda: instruments.slow()["temperature_air"] == pytest.approx(ZERO_CELSIUS))


async def test_a_value_is_lost_after_three_periods(peer: Peer) -> None:
    clock = HeldClock()
    peer.answer = saying(b"21.5,OK,68.0\n")
    async with asking(wire(peer), clock) as instruments:
        await until(lambda: instruments.report()[0].good > 0)
        clock.hold = True
        await asyncio.sleep(0.02)
        clock.jump(5.9)
        assert instruments.slow()["temperature_air"] == pytest.approx(294.65)
        clock.jump(0.2)
        assert math.isnan(instruments.slow()["temperature_air"])


class HeldClock(StandingClock):
    """A clock that nobody gets on by waiting while `hold` is set."""

    hold = False

    async def sleep(self, seconds: float) -> None:
        if self.hold:
            await asyncio.Event().wait()
        await super().sleep(seconds)


async def test_each_is_asked_at_its_own_pace(peer: Peer) -> None:
    clock = StandingClock()
    begin = clock.now()
    peer.answer = saying(b"21.5,OK,68.0\n")
    async with asking(wire(peer), clock):
        await until(lambda: len(peer.lines) > 20)
        passed = clock.now() - begin
        # One answer is thrown away at the beginning.
        assert (len(peer.lines) - 3) * THERMOMETER.every <= passed


async def test_two_instruments_and_only_one_of_them_answers(peer: Peer, tmp_path: Path) -> None:
    with plugged(tmp_path / "balance") as balance:
        balance.answer = lambda line: [b"23.75\r\n"] if line == "W" else []
        async with asking(wire(peer, balance, within=0.05)) as instruments:
            await until(lambda: instruments.report()[1].good > 0)
            await until(lambda: bool(instruments.report()[0].trouble))
            slow = instruments.slow()
            assert slow["tank"] == pytest.approx(0.02375)
            assert math.isnan(slow["temperature_air"])
            silent, good = instruments.report()
            assert (silent.port, silent.kind, silent.who) == ("thermometer", "instrument", "")
            assert silent.dropped > 0
            assert silent.remedy.startswith("nothing comes")
            assert (good.port, good.who, good.path) == ("balance", "balance", str(balance.path))
            assert any("answers: " in text for text in instruments.told())
        assert set(balance.raw.split(b"\r\n")) == {b"W", b""}


async def test_skew_is_half_the_longest_way_of_question_and_answer(peer: Peer) -> None:
    peer.answer = saying(b"21.5,OK,68.0\n", lambda data: [0.01, data])
    async with asking(wire(peer, within=0.03), SystemClock()) as instruments:
        assert instruments.report()[0].skew is None
        await until(lambda: instruments.report()[0].good > 0)
        report = instruments.report()[0]
        assert report.round_trip is not None
        assert report.round_trip[1] >= 0.01
        assert report.skew == report.round_trip[1] / 2


async def test_an_instrument_that_is_always_late_has_no_value(peer: Peer) -> None:
    count = iter(range(1, 10_000))
    # Sending the question takes 22 ms of its own at 9600 baud.
    peer.answer = lambda _line: [0.06, f"{next(count)},OK,68\n".encode()]
    often = replace(THERMOMETER, every=0.01)
    told = replace(wire(peer, within=0.02), instruments=(often,))
    async with asking(told, SystemClock()) as instruments:
        await until(lambda: len(peer.lines) > 4)
        assert all(math.isnan(value) for value in instruments.slow().values())
        assert instruments.report()[0].good == 0


async def test_an_instrument_that_was_unplugged_is_asked_again(peer: Peer) -> None:
    peer.answer = saying(b"21.5,OK,68.0\n")
    async with asking(wire(peer)) as instruments:
        await until(lambda: instruments.report()[0].good > 0)
        await asyncio.to_thread(peer.unplug)
        await until(lambda: "unplugged" in instruments.report()[0].trouble)
        await until(lambda: math.isnan(instruments.slow()["temperature_air"]))
        await asyncio.to_thread(peer.plug)
        await until(lambda: not math.isnan(instruments.slow()["temperature_air"]))
        told = instruments.told()
        assert "unplugged" in told[0]
        assert f'port "thermometer" ({peer.path}) is back' in told


async def test_ports_that_are_not_there_are_told_together(tmp_path: Path) -> None:
    with plugged(tmp_path / "balance") as balance:
        told = Wire(
            (
                Port("thermometer", str(tmp_path / "none"), 9600),
                Port("balance", str(balance.path), 9600),
                Port("hygrometer", str(tmp_path / "no other"), 9600),
            ),
            None,
            (),
            (),
            (THERMOMETER, BALANCE, Instrument("hygrometer", "hygrometer", "H?", ())),
        )
        instruments = Instruments(told, SystemClock())
        with pytest.raises(DeviceError) as error:
            await instruments.open()
        first, second = str(error.value).split("\n")
        assert first.startswith(f'port "thermometer" ({tmp_path / "none"}): there is no such port')
        assert second.startswith('port "hygrometer"')
        assert [bool(r.trouble) for r in instruments.report()] == [True, False, True]
        await instruments.close()
        # The port that was opened is free again, and nobody was asked.
        balance.answer = lambda _line: [b"7\r\n"]
        async with asking(wire(balance)) as again:
            await until(lambda: again.report()[0].good > 0)


async def test_a_rig_without_instruments() -> None:
    async with asking(Wire((), None, (), (), ())) as instruments:
        assert (instruments.slow(), instruments.report(), instruments.told()) == ({}, (), ())

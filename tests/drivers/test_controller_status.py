"""What a servo controller says of itself, and how old that may be."""

from __future__ import annotations

import asyncio
import re
import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.controller_status import read_error, read_limit, read_status
from drivers.templates import written
from rig.errors import DeviceError
from rig.ports import ActuatorStatus
from rig.protocol.wire import Controller, Scaling
from tests.drivers.controllers import (
    INCH,
    OTHER,
    SCPI,
    driven,
    other_box,
    scpi_box,
)
from tests.drivers.hand_clock import StandingClock
from tests.drivers.text_links import HURRIED
from tests.drivers.text_peer import Peer, Piece, byte_by_byte, nobody, whole

# Status.

STATUSES: dict[str, tuple[str, ActuatorStatus]] = {
    "cycling": (
        "FORC,1,1234,NONE,NONE,HIGH,12.345000",
        ActuatorStatus("load", True, 1234, "", "", "high", 12.345e-3),
    ),
    "off": (
        "OFF,0,0,NONE,NONE,OFF,-0.500000",
        ActuatorStatus("off", False, 0, "", "", "off", -0.5e-3),
    ),
    "stopped by its limit": (
        "OFF,0,77,FORC,LIM,HIGH,1.2E+01",
        ActuatorStatus("off", False, 77, "load", "limit", "high", 12e-3),
    ),
    "stopped by its watchdog": (
        "STR , 0 , 2.000E+06 , NONE , WATC , LOW , +3",
        ActuatorStatus("stroke", False, 2_000_000, "", "watchdog", "low", 3e-3),
    ),
    "stopped by the count": (
        'DEFL,0,5,"NONE","COUN",HIGH,.5',
        ActuatorStatus("deflection", False, 5, "", "count", "high", 0.5e-3),
    ),
}
WAYS: dict[str, Callable[[bytes], list[Piece]]] = {
    "whole": whole,
    "byte by byte": byte_by_byte,
    "noise on the line before it": lambda data: [b"\xff\x00\n" + data],
    "noise in it": lambda data: [b"\xff" + data],
    "noise after it": lambda data: [data + b"\xfe\x81\n"],
}


@pytest.mark.parametrize("way", WAYS.values(), ids=WAYS.keys())
async def test_every_status_comes_through_whole_in_pieces_and_among_garbage(
    peer: Peer, way: Callable[[bytes], list[Piece]]
) -> None:
    box, clock = scpi_box(), StandingClock()
    async with driven(peer, box, clock=clock, ask_again=3) as actuator:
        for text, status in STATUSES.values():
            box.status = text
            clock.jump(1.0)
            spoil = iter([way])

            def once(data: bytes, spoil: Iterator[Any] = spoil, text: str = text) -> list[Piece]:
                return next(spoil, whole)(data) if text.encode() in data else whole(data)

            box.way = once
            found = await actuator.status()
            assert found == replace(status, stroke=pytest.approx(status.stroke))


async def test_a_status_of_other_words_order_and_units(peer: Peer) -> None:
    async with driven(peer, other_box(), OTHER) as actuator:
        assert await actuator.status() == ActuatorStatus(
            "load", True, 1234, "", "", "high", pytest.approx(0.486024 * INCH)
        )
        assert actuator.who == "TESTBOX 3, REV B"


NO_STATUS = {
    "": "1 fields where the rig file names 7",
    "FORC,1,1234,NONE,NONE,HIGH": "6 fields where the rig file names 7",
    "FORC,1,1234,NONE,NONE,HIGH,1,2": "8 fields",
    "FROC,1,1234,NONE,NONE,HIGH,1": '"FROC" for mode has no meaning in [controller.words]',
    "HIGH,1,1234,NONE,NONE,HIGH,1": '"HIGH" for mode has no meaning',
    "FORC,2,1234,NONE,NONE,HIGH,1": '"2" for moving has no meaning',
    "FORC,1,12.5,NONE,NONE,HIGH,1": '"12.5" is no whole number',
    "FORC,1,-1,NONE,NONE,HIGH,1": "a counter of -1",
    "FORC,1,1234,NONX,NONE,HIGH,1": '"NONX" for tripped has no meaning',
    "FORC,1,1234,NONE,FORC,HIGH,1": '"FORC" for stopped_by has no meaning',
    "FORC,1,1234,NONE,NONE,HIGHER,1": '"HIGHER" for pressure has no meaning',
    "FORC,1,1234,NONE,NONE,DEFL,1": '"DEFL" for pressure has no meaning',
    "FORC,1,1234,NONE,NONE,HIGH,9.91E37": '"9.91E37" stands for no value',
    "FORC,1,1234,NONE,NONE,HIGH,nan": '"nan" is no number',
    'FORC,1,1234,"NONE,NONE,HIGH,1': "a quote is not closed",
}


@pytest.mark.parametrize(("text", "why"), NO_STATUS.items(), ids=range(len(NO_STATUS)))
def test_what_is_no_status(text: str, why: str) -> None:
    with pytest.raises(ValueError, match=re.escape(why)):
        read_status(text, SCPI)


@st.composite
def statuses(draw: st.DrawFn) -> tuple[ActuatorStatus, Controller, str]:
    """Return a status, a controller with some order of fields, and what it says."""
    names = [*draw(st.permutations(SCPI.fields)), *["-"] * draw(st.integers(0, 2))]
    names = draw(st.permutations(names))
    length = Scaling(draw(st.sampled_from([1.0, 1e-3, INCH])), draw(st.sampled_from([0.0, 0.5])))
    plan = replace(SCPI, fields=tuple(names), units={**SCPI.units, "length": length})
    status = ActuatorStatus(
        draw(st.sampled_from(["off", "stroke", "load", "deflection"])),
        draw(st.booleans()),
        draw(st.integers(0, 10**9)),
        draw(st.sampled_from(["", "load", "stroke"])),
        draw(st.sampled_from(["", "limit", "count", "watchdog"])),
        draw(st.sampled_from(["off", "low", "high"])),
        draw(st.floats(-0.1, 0.1)),
    )
    says = {meaning: word for word, meaning in SCPI.words.items()}
    told = {
        "mode": says[status.mode],
        "moving": str(int(status.moving)),
        "counter": draw(st.sampled_from([str(status.counter), f"{status.counter:.9E}"])),
        "tripped": says[status.tripped],
        "stopped_by": says[status.stopped_by],
        "pressure": says[status.pressure],
        "stroke": written(length.said(status.stroke), 9),
        "-": draw(st.sampled_from(["", "7", '"oil; ok, really"'])),
    }
    parted = draw(st.sampled_from([",", ";", " , ", "; "]))
    return status, plan, parted.join(told[name] for name in names)


@given(statuses())
def test_any_status_in_any_order_is_what_was_said(
    case: tuple[ActuatorStatus, Controller, str],
) -> None:
    status, plan, text = case
    found = read_status(text, plan)
    assert found == replace(status, stroke=pytest.approx(status.stroke, abs=1e-9))


@given(statuses(), st.integers(0, 200), st.characters(min_codepoint=0x20, max_codepoint=0x7E))
def test_a_garbled_status_is_refused_or_differs_in_a_number_alone(
    case: tuple[ActuatorStatus, Controller, str], at: int, spoiled: str
) -> None:
    status, plan, text = case
    at %= len(text)
    try:
        found = read_status(text[:at] + spoiled + text[at + 1 :], plan)
    except ValueError:
        return
    # No word here is one letter off another; digits have nothing that would tell.
    same = replace(
        found, counter=status.counter, moving=status.moving, stroke=pytest.approx(status.stroke)
    )
    assert same == replace(status, stroke=pytest.approx(status.stroke, abs=1e-9))


@given(st.text(max_size=60))
def test_no_text_at_all_makes_reading_fail_otherwise_than_it_should(text: str) -> None:
    for read in (
        lambda: read_status(text, SCPI),
        lambda: read_error(text),
        lambda: read_limit(text, Scaling(1e3)),
    ):
        try:
            read()
        except ValueError:
            continue


async def test_a_status_is_asked_for_anew_when_it_is_old_or_something_was_commanded(
    peer: Peer,
) -> None:
    box, clock = scpi_box(), StandingClock()

    def questions() -> int:
        return peer.lines.count("STATus:RIG?")

    async with driven(peer, box, clock=clock) as actuator:
        first = await actuator.status()
        assert await actuator.status() is first
        assert questions() == 1
        clock.jump(0.049)
        assert await actuator.status() is first
        clock.jump(0.002)
        await actuator.status()
        assert questions() == 2
        await actuator.hold()
        box.status = "STR,0,1234,NONE,NONE,HIGH,12.1"
        assert (await actuator.status()).mode == "stroke"
        assert questions() == 3
        await actuator.heartbeat()
        await actuator.status()
        assert questions() == 3
        assert actuator.shut_now()
        box.status = "OFF,0,1234,NONE,NONE,HIGH,12.1"
        assert (await actuator.status()).mode == "off"
        assert questions() == 4


async def test_a_slow_line_is_not_asked_for_the_status_all_the_time(peer: Peer) -> None:
    # 65 ms from question to answer, as at 9600 baud: the ticks of 20 ms must get their turn.
    box, clock = scpi_box(), StandingClock()

    def slow(line: str) -> list[Piece]:
        if line == "STATus:RIG?":
            clock.jump(0.065)
        return box.scpi(line)

    async with driven(peer, box, clock=clock) as actuator:
        peer.answer = slow
        await actuator.status()
        clock.jump(0.06)
        await actuator.status()
        assert peer.lines.count("STATus:RIG?") == 1
        clock.jump(0.01)
        await actuator.status()
        assert peer.lines.count("STATus:RIG?") == 2


async def test_a_command_that_was_given_up_makes_the_status_an_old_one(peer: Peer) -> None:
    box, clock = scpi_box(), StandingClock()
    async with driven(peer, box, clock=clock) as actuator:
        await actuator.status()
        holding = threading.Event()

        def held(line: str) -> list[Piece]:
            if line == "SYSTem:ERRor?":
                holding.wait(5)
            return box.scpi(line)

        peer.answer = held
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(0.05):
                await actuator.hold()
        holding.set()
        await actuator.status()
        assert peer.lines.count("STATus:RIG?") == 2


async def test_a_status_that_failed_is_no_status(peer: Peer) -> None:
    box = scpi_box()
    async with driven(peer, box, within=HURRIED, ask_again=0) as actuator:
        await actuator.hold()
        peer.answer = nobody
        with pytest.raises(DeviceError, match="no answer to"):
            await actuator.status()
        peer.answer = box.scpi
        for _ in range(50):
            try:
                assert (await actuator.status()).mode == "load"
                break
            except DeviceError:
                continue
        else:
            pytest.fail("it never answered again")

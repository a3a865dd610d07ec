"""A servo controller over real pseudo-terminals: two of different words, and what may go wrong."""

from __future__ import annotations

import asyncio
import re
import threading
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.controller import SerialActuator
from drivers.controller_status import read_error, read_limit, read_status
from drivers.templates import written
from rig.clock import SystemClock
from rig.errors import DeviceError, SetpointRefused
from rig.ports import ActuatorStatus
from rig.protocol.wire import Controller, Port, Scaling
from tests.drivers.controllers import (
    INCH,
    OTHER,
    RANGE,
    SCPI,
    SOFTWARE_ONLY,
    Box,
    other_box,
    scpi_box,
)
from tests.drivers.hand_clock import StandingClock
from tests.drivers.text_peer import Peer, Piece, byte_by_byte, nobody, whole

PATIENT = 10.0
HURRIED = 0.1


@pytest.fixture
def peer(tmp_path: Path) -> Iterator[Peer]:
    device = Peer(tmp_path / "servo", nobody)
    yield device
    device.close()


def port(peer: Peer, within: float = PATIENT, **more: Any) -> Port:
    return Port("servo", str(peer.path), 115200, answer_within=within, **more)


@asynccontextmanager
async def driven(
    peer: Peer,
    box: Box,
    plan: Controller = SCPI,
    clock: SystemClock | None = None,
    within: float = PATIENT,
    **more: Any,
) -> AsyncIterator[SerialActuator]:
    peer.answer = box.other if plan is OTHER else box.scpi
    actuator = SerialActuator(port(peer, within, **more), plan, RANGE, clock or SystemClock())
    await actuator.open()
    try:
        yield actuator
    finally:
        await actuator.close()


def asked(peer: Peer) -> list[str]:
    """Return what came over the line but the numbers to be sent back."""
    return [line for line in peer.lines if not line.startswith(("*ESE", "RPT"))]


# Every action, byte for byte.

Act = Callable[[SerialActuator], Awaitable[Any]]

ACTS: dict[str, tuple[Act, list[str], list[str]]] = {
    "pressure off": (lambda a: a.pressure("off"), ["OUTPut:PRESsure OFF"], ["HYD 0"]),
    "pressure low": (lambda a: a.pressure("low"), ["OUTPut:PRESsure LOW"], ["HYD 1"]),
    "pressure high": (lambda a: a.pressure("high"), ["OUTPut:PRESsure HIGH"], ["HYD 2"]),
    "stroke": (
        lambda a: a.move_stroke(25.4e-3, 2.54e-3),
        ["SOURce:STRoke:RAMP 25.400000,2.540000"],
        ["RATE 0.1000", "GO POS 1.0000"],
    ),
    "load": (
        lambda a: a.move_load(10e3, 500.0),
        ["SOURce:FORCe:RAMP 10.000000,0.500000"],
        ["RATE 6.7443", "GO LOAD 2.2481"],
    ),
    "cycle": (
        lambda a: a.cycle(40e3, 30e3, 4.0, 3.0),
        [
            "SOURce:FUNCtion SINusoid;FREQuency 4.000000;FORCe:OFFSet 40.000000;"
            "AMPLitude 30.000000",
            "SOURce:CYCLe:STARt 3.000000",
        ],
        ["SINE m=8.9924 a=6.7443 f=4.0000", "RUN 0.0500"],
    ),
    "adjust": (
        lambda a: a.adjust(40e3, 30.5e3),
        ["SOURce:FORCe:OFFSet 40.000000;AMPLitude 30.500000;:SOURce:CYCLe:CHANge"],
        ["SINE m=8.9924 a=6.8567"],
    ),
    "end cycling": (lambda a: a.end_cycling(2.0), ["SOURce:CYCLe:END 2.000000"], ["FADE 0.0333"]),
    "hold": (lambda a: a.hold(), ["SOURce:HOLD"], ["STAY"]),
    "limits": (
        lambda a: a.write_limits({"load": (-1e3, 97.125e3), "stroke": (-0.0254, 0.0127)}),
        [
            "CALCulate:LIMit:FORCe -1.000000,97.125000",
            "CALCulate:LIMit:STRoke -25.400000,12.700000",
        ],
        ["LIM L1 LO=-0.2248 HI=21.8346", "LIM P1 LO=-1.0000 HI=0.5000"],
    ),
    "count": (lambda a: a.stop_at(2_000_002), ["SOURce:CYCLe:STOP 2000002"], ["AT 2000002"]),
    "no count": (lambda a: a.stop_at(None), ["SOURce:CYCLe:STOP OFF"], ["AT 0"]),
}


async def test_every_action_byte_for_byte(peer: Peer) -> None:
    async with driven(peer, scpi_box()) as actuator:
        number = 1 + sum(line.startswith("*ESE") for line in peer.lines)
        for name, (act, lines, _) in ACTS.items():
            before = len(peer.raw)
            await act(actuator)
            # Errors of before are not to be blamed on cycling, which cannot be written twice.
            written_too = ["", *lines] if name == "cycle" else lines
            expected = ""
            for line in written_too:
                expected += f"{line}\n" if line else ""
                expected += f"SYSTem:ERRor?\n*ESE {number};*ESE?\n"
                number += 1
            assert peer.raw[before:].decode() == expected, name


async def test_a_controller_of_other_words_is_told_the_same_in_its_own(peer: Peer) -> None:
    # Factors of NIST Special Publication 811 (2008), appendix B.8; the results by hand.
    box = other_box()
    async with driven(peer, box, OTHER) as actuator:
        for name, (act, _, lines) in ACTS.items():
            box.commands.clear()
            await act(actuator)
            assert box.commands == lines, name
    assert b"\n" not in peer.raw.replace(b"\r\n", b"")
    assert asked(peer)[0] == "WHO"


async def test_net_deflection_is_ramped_where_the_controller_can(peer: Peer) -> None:
    box = scpi_box()
    async with driven(peer, box) as actuator:
        await actuator.move_deflection(1.5e-3, 0.2e-3 / 60)
        assert box.commands == ["SOURce:DEFLection:RAMP 1.500000,0.003333"]
    box = other_box()
    async with driven(peer, box, OTHER) as actuator:
        with pytest.raises(DeviceError, match='does not say how a controller is told "deflection"'):
            await actuator.move_deflection(1e-3, 1e-3)
        assert box.commands == []


# Set-points.

REFUSED: dict[str, tuple[Act, str]] = {
    "load too high": (
        lambda a: a.move_load(250.1e3, 1e3),
        "load 250100 N is outside the actuator's -20000 to 250000 N; the command was not sent",
    ),
    "stroke too low": (lambda a: a.move_stroke(-0.051, 1e-3), "stroke -0.051 m is outside"),
    "deflection too high": (lambda a: a.move_deflection(0.11, 1e-3), "deflection 0.11 m is out"),
    "too fast": (lambda a: a.move_stroke(0.0, 0.2), "speed 0.2 m/s is not above 0 and up to 0.1"),
    "not at all": (lambda a: a.move_stroke(0.0, 0.0), "speed 0 m/s is not above 0"),
    "backwards": (lambda a: a.move_load(0.0, -1.0), "rate -1 N/s is not above 0"),
    "upper load": (lambda a: a.cycle(240e3, 11e3, 4, 1), "upper load 251000 N is outside"),
    "lower load": (lambda a: a.adjust(0.0, 21e3), "lower load -21000 N is outside"),
    "frequency": (lambda a: a.cycle(4e4, 1e4, 10.5, 1), "frequency 10.5 Hz is not above 0"),
    "build-up": (lambda a: a.cycle(4e4, 1e4, 4, -1), "build-up -1 s is outside"),
    "no number": (lambda a: a.move_load(float("nan"), 1e3), "load nan N is outside"),
    "no speed": (lambda a: a.move_stroke(0.0, float("nan")), "speed nan m/s is not above 0"),
    "no end": (lambda a: a.end_cycling(float("inf")), "over inf is no number"),
    "finer than decimals": (lambda a: a.move_stroke(0.0, 1.4e-9), "becomes 0.000001 with 6"),
}


async def test_a_set_point_outside_the_range_is_refused_and_nothing_is_written(peer: Peer) -> None:
    async with driven(peer, scpi_box()) as actuator:
        before = peer.raw
        for act, words in REFUSED.values():
            with pytest.raises(SetpointRefused) as told:
                await act(actuator)
            assert words in str(told.value)
            assert told.value.exit_code == 4
        await actuator.status()
        assert peer.raw == before + b"STATus:RIG?\n"
        assert actuator.range is RANGE


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
        box.status = "STR,0,1234,NONE,NONE,HIGH,1"
        assert (await actuator.status()).mode == "stroke"
        assert questions() == 3
        await actuator.heartbeat()
        await actuator.status()
        assert questions() == 3
        assert actuator.shut_now()
        box.status = "OFF,0,1234,NONE,NONE,HIGH,1"
        assert (await actuator.status()).mode == "off"
        assert questions() == 4


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


# What the controller refuses. Numbers and words: SCPI-1999 volume 2, 21.8, from memory.

ERRORS: dict[str, tuple[str, type[DeviceError], str]] = {
    "settings conflict": (
        '-221,"Settings conflict;no contact"',
        DeviceError,
        'the actuator cannot move as asked: the controller answers "SOURce:FORCe:RAMP '
        '10.000000,0.500000" with -221 "Settings conflict;no contact"; look at its pressure, '
        "valve, contact and mode",
    ),
    "data out of range": (
        '-222,"Data out of range"',
        SetpointRefused,
        'the controller answers "SOURce:FORCe:RAMP 10.000000,0.500000" with -222 "Data out of '
        'range"; compare its own ranges and units with [actuator] and [controller]',
    ),
    "undefined header": (
        '-113,"Undefined header"',
        DeviceError,
        'the controller answers "SOURce:FORCe:RAMP 10.000000,0.500000" with -113 "Undefined '
        'header"; it does not know that line; look at [controller.actions]',
    ),
    "its own number": ('310,"Oil too cold"', DeviceError, 'with 310 "Oil too cold"; look at its'),
    "a number alone": ("-200", DeviceError, "with -200; look at its pressure"),
}


@pytest.mark.parametrize(("entry", "kind", "words"), ERRORS.values(), ids=ERRORS.keys())
async def test_what_the_controller_refuses_is_told_in_its_words(
    peer: Peer, entry: str, kind: type[DeviceError], words: str
) -> None:
    box = scpi_box()
    box.refuse = lambda _line: entry
    async with driven(peer, box) as actuator:
        with pytest.raises(DeviceError) as told:
            await actuator.move_load(10e3, 500.0)
        assert type(told.value) is kind
        assert words in str(told.value)
        assert told.value.exit_code == 4
        assert not box.queue
        # What was not understood is written once more: it may have been garbled on its way.
        assert len(box.commands) == (2 if entry.startswith("-113") else 1)


async def test_a_line_that_was_garbled_on_its_way_is_written_again(peer: Peer) -> None:
    box = scpi_box()
    answers = iter(['-113,"Undefined header"'])
    box.refuse = lambda _line: next(answers, None)
    async with driven(peer, box) as actuator:
        await actuator.hold()
        assert box.commands == ["SOURce:HOLD", "SOURce:HOLD"]


async def test_all_errors_are_taken_out_of_the_queue(peer: Peer) -> None:
    box = scpi_box()
    async with driven(peer, box) as actuator:
        box.queue.extend(['-221,"Settings conflict"', '-350,"Queue overflow"', '-222,"Range"'])
        with pytest.raises(DeviceError, match='-221 "Settings conflict" and 2 more; look at'):
            await actuator.hold()
        assert not box.queue
        await actuator.hold()


async def test_a_queue_that_never_ends_is_given_up(peer: Peer) -> None:
    box = scpi_box()
    async with driven(peer, box) as actuator:
        box.queue.extend(['-300,"Device error"'] * 80)
        with pytest.raises(DeviceError, match="and 49 more"):
            await actuator.hold()


async def test_cycling_does_not_begin_where_its_numbers_were_refused(peer: Peer) -> None:
    box = scpi_box()
    box.refuse = lambda line: '-222,"Data out of range"' if "FUNCtion" in line else None
    async with driven(peer, box) as actuator:
        with pytest.raises(SetpointRefused, match="-222"):
            await actuator.cycle(40e3, 30e3, 4.0, 1.0)
    assert len(box.commands) == 1
    assert "STARt" not in box.commands[0]


async def test_errors_of_before_are_told_and_blamed_on_nobody(peer: Peer) -> None:
    box = scpi_box()
    box.queue.append('-109,"Missing parameter"')
    async with driven(peer, box) as actuator:
        assert actuator.told() == (
            'the controller had an error of before: -109 "Missing parameter"',
        )
        assert actuator.told() == ()
        box.queue.append('-113,"Undefined header"')  # of a heartbeat that was garbled, say
        await actuator.cycle(40e3, 30e3, 4.0, 1.0)
        assert len(box.commands) == 2
        assert 'error of before: -113 "Undefined header"' in actuator.told()[0]


def forgetful(box: Box, lost: list[str]) -> Callable[[str], list[Piece]]:
    """Lose the answer to the next line of each text."""

    def answer(line: str) -> list[Piece]:
        said = box.scpi(line)
        if line in lost:
            lost.remove(line)
            return []
        return said

    return answer


async def test_a_command_whose_word_was_lost_is_written_again(peer: Peer) -> None:
    box, lost = scpi_box(), ["SYSTem:ERRor?"]
    async with driven(peer, box, within=HURRIED, ask_again=5) as actuator:
        peer.answer = forgetful(box, lost)
        await actuator.move_load(10e3, 500.0)
    assert len(box.commands) >= 2
    assert set(box.commands) == {"SOURce:FORCe:RAMP 10.000000,0.500000"}
    assert not lost


async def test_an_error_that_was_lost_on_its_way_is_found_all_the_same(peer: Peer) -> None:
    # The queue has forgotten the error that it told; the command is refused again.
    box, lost = scpi_box(), ["SYSTem:ERRor?"]
    box.refuse = lambda _line: '-221,"Settings conflict"'
    async with driven(peer, box, within=HURRIED, ask_again=5) as actuator:
        peer.answer = forgetful(box, lost)
        with pytest.raises(DeviceError, match='-221 "Settings conflict"'):
            await actuator.move_load(10e3, 500.0)


async def test_cycling_is_not_begun_twice(peer: Peer) -> None:
    box = scpi_box()
    async with driven(peer, box, within=HURRIED, ask_again=5) as actuator:

        def lost_after_start(line: str) -> list[Piece]:
            said = box.scpi(line)
            return [] if any("STARt" in each for each in box.commands) else said

        peer.answer = lost_after_start
        with pytest.raises(DeviceError, match=r"no answer to .*, asked once"):
            await actuator.cycle(40e3, 30e3, 4.0, 1.0)
    assert sum("STARt" in line for line in box.commands) == 1


async def test_a_word_that_came_twice_does_not_hide_the_next_refusal(peer: Peer) -> None:
    # "No error" of the first command comes once more, just before the word on the second.
    box = scpi_box()
    async with driven(peer, box) as actuator:
        await actuator.hold()
        old = iter([b'0,"No error"\n'])

        def repeated(line: str) -> list[Piece]:
            said = box.scpi(line)
            return [next(old, b""), *said] if line == "SYSTem:ERRor?" else said

        peer.answer = repeated
        box.refuse = lambda _line: '-221,"Settings conflict"'
        with pytest.raises(DeviceError, match="-221"):
            await actuator.move_load(10e3, 500.0)


# Limits.


def asks(line: str, plan: Controller) -> str:
    """Tell what a line asks for."""
    return "limit" if any(word in line for word in plan.limits.values()) else "number"


@pytest.mark.parametrize("plan", [SCPI, OTHER], ids=["SCPI", "other words"])
async def test_limits_are_written_and_read_back_in_si(peer: Peer, plan: Controller) -> None:
    box = scpi_box() if plan is SCPI else other_box()
    limits = {"load": (-1234.5, 97.123e3), "stroke": (-0.01, 0.0321)}
    async with driven(peer, box, plan) as actuator:
        before = len(peer.lines)
        assert await actuator.read_limits() != limits
        assert [asks(line, plan) for line in peer.lines[before:]] == ["limit", "number"] * 2
        await actuator.write_limits(limits)
        answer = await actuator.read_limits()
    for name, pair in limits.items():
        unit = plan.units["force" if name == "load" else "length"].factor
        assert answer[name] == pytest.approx(pair, abs=0.51 * 10.0**-plan.decimals * unit, rel=0)
        assert answer[name][0] != pair[0] or plan is SCPI
    assert box.limits.keys() == set(plan.limits.values())


async def test_limits_that_were_not_taken_read_back_as_they_are(peer: Peer) -> None:
    box = scpi_box()
    async with driven(peer, box) as actuator:
        await actuator.write_limits({"load": (-1e3, 90e3)})
        box.limits["FORCe"] = "-1.000000,120.000000"
        assert (await actuator.read_limits())["load"] == (-1e3, 120e3)


async def test_a_limit_that_the_controller_has_not(peer: Peer) -> None:
    async with driven(peer, scpi_box()) as actuator:
        with pytest.raises(DeviceError, match="has no limit on midspan; name it in"):
            await actuator.write_limits({"midspan": (0.0, 1e-3)})


async def test_a_limit_upside_down_is_no_answer(peer: Peer) -> None:
    box = scpi_box()
    async with driven(peer, box) as actuator:
        box.limits["FORCe"] = "90,-1"
        with pytest.raises(DeviceError, match="the low limit is above the high one"):
            await actuator.read_limits()


async def test_a_rig_with_limits_in_software_only(peer: Peer) -> None:
    box = scpi_box()
    async with driven(peer, box, SOFTWARE_ONLY) as actuator:
        assert await actuator.read_limits() == {}
        await actuator.heartbeat()
        await actuator.status()
        assert box.commands == []
        with pytest.raises(DeviceError, match="has no limit on load"):
            await actuator.write_limits({"load": (0.0, 1e3)})


# Heartbeat and valve.


async def test_a_heartbeat_goes_out_at_most_each_80_ms(peer: Peer) -> None:
    box, clock = scpi_box(), StandingClock()
    async with driven(peer, box, clock=clock) as actuator:
        for _ in range(30):
            await actuator.heartbeat()
            clock.jump(0.03)
        await actuator.status()
    assert box.commands == ["SYSTem:BEAT"] * 10


async def test_the_valve_closes_from_another_thread_while_a_question_waits(peer: Peer) -> None:
    # The device answers only once it was told to close: so the order waited for no answer.
    box, told = scpi_box(), threading.Event()
    async with driven(peer, box) as actuator:
        await actuator.status()
        await actuator.hold()

        def held(line: str) -> list[Piece]:
            if line == "OUTPut:VALVe OFF":
                told.set()
                return [*box.scpi(line), *box.scpi("STATus:RIG?")]
            return [] if line == "STATus:RIG?" else box.scpi(line)

        peer.answer = held

        def foreign() -> None:
            peer.until(lambda: peer.lines[-1] == "STATus:RIG?")
            assert actuator.shut_now()

        status, _ = await asyncio.gather(actuator.status(), asyncio.to_thread(foreign))
        assert status == ActuatorStatus("load", True, 1234, "", "", "high", 12.345e-3)
        assert told.is_set()
        peer.answer = box.scpi
        box.status = "OFF,0,1234,NONE,NONE,HIGH,12.345000"
        assert (await actuator.status()).mode == "off"
        assert actuator.report().bad == 0
    assert box.commands == ["SOURce:HOLD", "OUTPut:VALVe OFF"]


async def test_closing_the_valve_is_confirmed_by_the_status(peer: Peer) -> None:
    box = scpi_box()
    box.refuse = lambda _line: setattr(box, "status", "OFF,0,9,NONE,NONE,HIGH,1")
    async with driven(peer, box) as actuator:
        await actuator.close_valve()
        assert asked(peer)[-2:] == ["OUTPut:VALVe OFF", "STATus:RIG?"]


async def test_a_valve_that_does_not_close_is_told_again_and_then_told_of(peer: Peer) -> None:
    box, clock = scpi_box(), StandingClock()
    async with driven(peer, box, clock=clock) as actuator:
        with pytest.raises(DeviceError) as told:
            await actuator.close_valve()
    assert str(told.value) == (
        "the controller does not say that its valve is closed, but that it controls the load; "
        "use the emergency stop"
    )
    assert 5 < len(box.commands) < 12
    assert set(box.commands) == {"OUTPut:VALVe OFF"}


async def test_an_order_over_a_lost_line_is_told_later_and_raises_nothing(peer: Peer) -> None:
    async with driven(peer, scpi_box(), reopen=False) as actuator:
        peer.unplug()
        await asyncio.to_thread(peer.until, lambda: actuator.report().trouble)
        assert not actuator.shut_now()
        assert any("the valve could not be told to close" in text for text in actuator.told())
        with pytest.raises(DeviceError, match="unplugged"):
            await actuator.close_valve()
        with pytest.raises(DeviceError, match="unplugged"):
            await actuator.heartbeat()


# Who is at the line.


async def test_another_device_at_the_port(peer: Peer) -> None:
    box = scpi_box()
    box.identity = "someone,else,1,1"
    peer.answer = box.scpi
    actuator = SerialActuator(port(peer), SCPI, RANGE, SystemClock())
    with pytest.raises(DeviceError) as told:
        await actuator.open()
    assert str(told.value) == (
        f'port "servo" ({peer.path}): "someone,else,1,1" answers and the rig file expects '
        '"emulated controller"; is it the right port?'
    )
    report = actuator.report()
    assert report.who == "someone,else,1,1"
    assert "the rig file expects" in report.trouble
    # The port is free again.
    box.identity = "an emulated controller"
    await actuator.close()
    async with driven(peer, box) as again:
        assert again.who == "an emulated controller"
    assert box.commands == []


async def test_nobody_at_the_port(peer: Peer) -> None:
    actuator = SerialActuator(port(peer, 0.02), SCPI, RANGE, SystemClock())
    with pytest.raises(DeviceError, match="nothing comes: is it switched on"):
        await actuator.open()
    assert actuator.report().remedy.startswith("nothing comes")
    assert actuator.report().who == ""


async def test_a_report_counts_and_names(peer: Peer) -> None:
    box = scpi_box()
    async with driven(peer, box) as actuator:
        await actuator.status()
        report = actuator.report()
        assert (report.port, report.path, report.kind) == ("servo", str(peer.path), "controller")
        assert report.who == "nightrig,emulated controller,1,1"
        assert (report.good, report.bad, report.dropped) == (3, 0, 0)
        assert report.round_trip is not None
        assert 0 < report.round_trip[0] <= report.round_trip[1] < PATIENT
        assert (report.trouble, report.remedy, report.skew, report.drift) == ("", "", None, None)


async def _back(peer: Peer, actuator: SerialActuator) -> None:
    """Pull the plug and put it back."""
    await asyncio.to_thread(peer.unplug)
    await asyncio.to_thread(peer.until, lambda: actuator.report().trouble)
    with pytest.raises(DeviceError, match="was unplugged or has failed"):
        await actuator.status()
    await asyncio.to_thread(peer.plug)
    await asyncio.to_thread(peer.until, lambda: not actuator.report().trouble)
    await asyncio.sleep(0)


async def test_a_line_that_is_back_is_used_again_by_the_same_controller(peer: Peer) -> None:
    box = scpi_box()
    async with driven(peer, box) as actuator:
        await actuator.write_limits({"load": (-1e3, 90e3)})
        await _back(peer, actuator)
        assert (await actuator.status()).mode == "load"
        await actuator.move_load(10e3, 500.0)
        assert box.commands[-1] == "SOURce:FORCe:RAMP 10.000000,0.500000"
        told = actuator.told()
        assert any("unplugged" in text for text in told)
        assert f'port "servo" ({peer.path}) is back' in told


async def test_nothing_moves_where_limits_were_forgotten_meanwhile(peer: Peer) -> None:
    box = scpi_box()
    async with driven(peer, box) as actuator:
        await actuator.write_limits({"load": (-1e3, 90e3)})
        box.limits["FORCe"] = "-1.000000,250.000000"
        await _back(peer, actuator)
        for act in (actuator.move_load(1e3, 1e3), actuator.pressure("high")):
            with pytest.raises(DeviceError) as told:
                await act
            assert str(told.value) == (
                "since its line is back the controller's limit on load is -1 to 250 kN, not -1 to "
                "90 kN as written; nothing was moved; see that it was not switched off, and start "
                "anew"
            )
        # What stops is not held up by it.
        await actuator.hold()
        await actuator.pressure("off")
        box.status = "OFF,0,9,NONE,NONE,OFF,1"
        await actuator.close_valve()
    assert box.commands[1:] == ["SOURce:HOLD", "OUTPut:PRESsure OFF", "OUTPut:VALVe OFF"]


async def test_nothing_moves_where_another_device_is_at_the_line_now(peer: Peer) -> None:
    box = scpi_box()
    async with driven(peer, box) as actuator:
        box.identity = "nightrig,emulated controller,2,1"
        await _back(peer, actuator)
        with pytest.raises(DeviceError, match=r'controller,2,1" answers where "nightrig,.*,1,1" d'):
            await actuator.move_load(10e3, 500.0)
    assert box.commands == []


def test_units_of_the_second_controller_are_those_of_its_rig_file() -> None:
    # 8 kip are 35.585772922084 kN: NIST Special Publication 811 (2008), appendix B.8.
    assert read_limit("0;8", OTHER.units["force"]) == pytest.approx((0.0, 35585.772922084))

"""What a controller refuses, what is lost on its line, and who is at it."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

import pytest

from drivers.controller import SerialActuator
from rig.clock import SystemClock
from rig.errors import DeviceError, SetpointRefused
from tests.drivers.controllers import (
    RANGE,
    SCPI,
    Box,
    driven,
    port,
    scpi_box,
)
from tests.drivers.text_links import HURRIED, PATIENT
from tests.drivers.text_peer import Peer, Piece

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
        # What may have been garbled on its way, and was not done, is written once more.
        assert len(box.commands) == (2 if entry.startswith(("-113", "-222")) else 1)


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

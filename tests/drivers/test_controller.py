"""A servo controller over real pseudo-terminals: what two of different words are told."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Awaitable, Callable
from typing import Any

import pytest

from drivers.controller import SerialActuator
from drivers.controller_status import read_limit
from rig.errors import DeviceError, SetpointRefused
from rig.ports import ActuatorStatus
from rig.protocol.wire import Controller
from tests.drivers.controllers import (
    OTHER,
    RANGE,
    SCPI,
    SOFTWARE_ONLY,
    driven,
    other_box,
    scpi_box,
)
from tests.drivers.hand_clock import StandingClock
from tests.drivers.text_peer import Peer, Piece


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
        # Twice each: nothing has been written yet that they could be held against.
        assert [asks(line, plan) for line in peer.lines[before:]] == ["limit", "number"] * 4
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


@pytest.mark.parametrize("lost", ["SYSTem:ERRor?", "*ESE"])
async def test_nothing_is_written_again_that_would_open_a_valve_told_to_close(
    peer: Peer, lost: str
) -> None:
    # The answer to "pressure high" is lost, and the sentry has the valve closed meanwhile.
    box = scpi_box()
    async with driven(peer, box, within=0.1, ask_again=5) as actuator:
        await actuator.status()

        def losing(line: str) -> list[Piece]:
            said = box.scpi(line)
            if line.startswith(lost) and box.commands == ["OUTPut:PRESsure HIGH"]:
                actuator.shut_now()
                return []
            return said

        peer.answer = losing
        with pytest.raises(DeviceError, match="was not sent: the order to stop has gone out"):
            await actuator.pressure("high")
    assert box.commands[0] == "OUTPut:PRESsure HIGH"
    assert set(box.commands[1:]) == {"OUTPut:VALVe OFF"}


async def test_an_order_to_close_that_comes_about_a_motion_has_the_last_word(peer: Peer) -> None:
    # Which of the two lines went out first cannot be known: the valve is told once more.
    box = scpi_box()
    async with driven(peer, box) as actuator:
        await actuator.status()

        def crossing(line: str) -> list[Piece]:
            if line == "OUTPut:PRESsure HIGH":
                actuator.shut_now()
            return box.scpi(line)

        peer.answer = crossing
        await actuator.pressure("high")
        await actuator.status()
    assert box.commands == ["OUTPut:PRESsure HIGH", "OUTPut:VALVe OFF", "OUTPut:VALVe OFF"]


async def test_a_stop_keeps_no_order_back_that_ends_something(peer: Peer) -> None:
    box = scpi_box()
    async with driven(peer, box) as actuator:
        actuator.shut_now()
        await actuator.pressure("off")
        await actuator.pressure("low")
    assert box.commands[-2:] == ["OUTPut:PRESsure OFF", "OUTPut:PRESsure LOW"]


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


def test_units_of_the_second_controller_are_those_of_its_rig_file() -> None:
    # 8 kip are 35.585772922084 kN: NIST Special Publication 811 (2008), appendix B.8.
    assert read_limit("0;8", OTHER.units["force"]) == pytest.approx((0.0, 35585.772922084))

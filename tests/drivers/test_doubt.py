"""Digits that a line of text loses: what cannot be is asked for again."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.doubt import follows, written_alike
from rig.errors import DeviceError
from rig.ports import ActuatorStatus
from tests.drivers.controllers import RANGE, driven, scpi_box
from tests.drivers.text_peer import Peer

AT = ActuatorStatus("load", True, 1234, "", "", "high", 12.345e-3)


@pytest.mark.parametrize(
    ("what", "seconds", "true"),
    [
        ({}, 0.0, True),
        ({"stroke": 22.345e-3}, 0.1, True),  # 100 mm/s
        ({"stroke": 23.5e-3}, 0.1, False),
        ({"stroke": -12.345e-3}, 0.1, False),  # the sign was lost
        ({"stroke": 2.345e-3}, 0.05, False),  # the first digit was lost
        ({"counter": 1236}, 0.0, True),
        ({"counter": 1246}, 1.0, True),  # 10 Hz
        ({"counter": 1247}, 1.0, False),
        ({"counter": 124}, 1.0, False),
        ({"counter": 1233}, 1.0, False),
        ({"counter": 0}, 1.0, True),  # it has begun anew
    ],
)
def test_what_may_come_after_what(what: dict[str, float], seconds: float, true: bool) -> None:
    assert follows(AT, replace(AT, **what), seconds, RANGE) is true


@pytest.mark.parametrize(
    ("before", "now", "true"),
    [
        ("20.00", "19.50", True),
        ("20.00", "80.00", True),  # likely or not: nothing is missing
        ("9.99", "10.00", True),
        ("-0.01", "0.01", True),
        ("+2.000E+01", "+2.050E+01", True),
        ("20.00", "00", False),
        ("20.00", "0.00", False),
        ("20.00", "2.00", False),
        ("20.00", "20", True),  # what is lost makes no difference
        ("-5.00", "5.00", False),
        ("+2.000E+01", "+2.000E+0", False),
        ("120", "20", False),
    ],
)
def test_which_number_may_come_after_which(before: str, now: str, true: bool) -> None:
    assert written_alike(before, now) is true
    assert written_alike(now, before) is true


@given(st.floats(-1, 1), st.floats(0, 3600), st.integers(0, 30_000))
def test_whatever_the_actuator_can_do_follows(share: float, seconds: float, cycles: int) -> None:
    stroke = AT.stroke + share * RANGE.speed * seconds
    counter = AT.counter + min(cycles, int(RANGE.frequency * seconds))
    assert follows(AT, replace(AT, stroke=stroke, counter=counter), seconds, RANGE)


async def test_a_status_that_lost_a_digit_is_asked_for_again(peer: Peer) -> None:
    box = scpi_box()
    async with driven(peer, box) as actuator:
        assert (await actuator.status()).stroke == pytest.approx(12.345e-3)
        said = ["FORC,1,1234,NONE,NONE,HIGH,2.345000", "FORC,1,1235,NONE,NONE,HIGH,12.346000"]
        box.way = _in_turn(box.way, said)
        await actuator.hold()
        status = await actuator.status()
        assert (status.counter, status.stroke) == (1235, pytest.approx(12.346e-3))


async def test_what_is_said_twice_is_believed(peer: Peer) -> None:
    box = scpi_box()
    async with driven(peer, box) as actuator:
        await actuator.status()
        box.status = "FORC,1,7,NONE,NONE,HIGH,40.000000"  # somebody has set it anew
        await actuator.hold()
        status = await actuator.status()
        assert (status.counter, status.stroke) == (7, pytest.approx(40e-3))


async def test_answers_that_go_on_to_contradict_each_other_are_none(peer: Peer) -> None:
    box = scpi_box()
    async with driven(peer, box) as actuator:
        await actuator.status()
        said = [f"FORC,1,1234,NONE,NONE,HIGH,{stroke}" for stroke in ("-30", "0", "30", "-30")]
        box.way = _in_turn(box.way, said)
        await actuator.hold()
        with pytest.raises(DeviceError, match=r"contradict each other .* look at its line"):
            await actuator.status()


async def test_a_limit_that_lost_a_digit_is_read_again(peer: Peer) -> None:
    box = scpi_box()
    async with driven(peer, box) as actuator:
        await actuator.write_limits({"load": (-1006.0, 56e3)})
        box.way = _in_turn(box.way, ["-1.06000,56.000000"], only="56.0")
        assert (await actuator.read_limits())["load"] == (-1006.0, 56e3)


async def test_limits_that_are_never_the_same_are_none(peer: Peer) -> None:
    box = scpi_box()
    async with driven(peer, box) as actuator:
        await actuator.write_limits({"load": (-1e3, 56e3)})
        said = ["-1.0,50.0", "-1.0,51.0", "-1.0,52.0"]
        box.way = _in_turn(box.way, said, only="56.0")
        with pytest.raises(DeviceError, match="something else each time about its limit on load"):
            await actuator.read_limits()


def _in_turn(way, said: list[str], only: str = "HIGH"):
    """Return a way on which answers that hold some words become others, one after the other."""
    left = list(said)

    def changed(data: bytes):
        if left and only.encode() in data:
            data = f"{left.pop(0)}\n".encode()
        return way(data)

    return changed

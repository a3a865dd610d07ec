"""Points of a Modbus device: what is read together, and what registers and bits say."""

from __future__ import annotations

import math
import struct
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.client.mixin import ModbusClientMixin

from drivers.points import INPUTS_EVERY, OUTPUTS_EVERY, groups_of, number, reading, readings
from rig.protocol.wire import Point, Scaling
from tests.drivers.modbus_peer import hexed

FLOW = Point("flow", "input", 0, "float32", Scaling(1e-3 / 60), 0.0, 5e-3 / 60)
OIL = Point("temperature_oil", "input", 0, "int16", Scaling(0.1, 273.15))


def bit(what: str, at: int, table: str = "discrete", *, true_is: bool = True) -> Point:
    return Point(what, table, at, "bit", true_is=true_is)


def spans(points: list[Point]) -> list[tuple[str, int, int, float]]:
    return [(g.table, g.at, g.count, g.every) for g in groups_of(points)]


def test_neighbours_of_one_table_are_read_by_one_question() -> None:
    points = [
        FLOW,
        replace(FLOW, what="tank", at=2),
        replace(FLOW, what="level", at=4),
        replace(FLOW, what="temperature_water", at=6),
        bit("pump_running", 0),
        bit("leak", 1),
        bit("pump", 0, "coil"),
    ]
    assert spans(points) == [("discrete", 0, 2, INPUTS_EVERY), ("input", 0, 8, 1.0)]


def test_what_lies_between_two_points_is_never_read() -> None:
    # A device answers a read of what it has not got with exception 2 (V1.1b3, section 7).
    assert spans([bit("leak", 0), bit("guard_open", 2)]) == [
        ("discrete", 0, 1, INPUTS_EVERY),
        ("discrete", 2, 1, INPUTS_EVERY),
    ]
    assert spans([FLOW, replace(FLOW, what="tank", at=3)]) == [
        ("input", 0, 2, 1.0),
        ("input", 3, 2, 1.0),
    ]


def test_tables_periods_and_the_same_bit_twice() -> None:
    slow = replace(FLOW, what="tank", at=2, every=5.0)
    held = replace(FLOW, what="level", table="holding", at=2)
    assert spans([FLOW, slow, held]) == [
        ("holding", 2, 2, 1.0),
        ("input", 0, 2, 1.0),
        ("input", 2, 2, 5.0),
    ]
    both = [bit("emergency_stop", 3), bit("mains_lost", 3), bit("leak", 4)]
    assert spans(both) == [("discrete", 3, 2, INPUTS_EVERY)]


def test_no_question_is_for_more_than_the_specification_allows() -> None:
    many = [replace(OIL, what=f"strain_{k}", at=k) for k in range(130)]
    assert spans(many) == [("input", 0, 125, 1.0), ("input", 125, 5, 1.0)]
    wide = [replace(FLOW, what=f"strain_{k}", at=2 * k) for k in range(70)]
    assert spans(wide) == [("input", 0, 124, 1.0), ("input", 124, 16, 1.0)]


def test_a_device_that_has_outputs_alone_is_asked_for_its_watchdogs_sake() -> None:
    assert spans([bit("horn", 3, "coil")]) == [("coil", 3, 1, OUTPUTS_EVERY)]
    assert spans([bit("pump", 3, "coil"), FLOW]) == [
        ("coil", 3, 1, OUTPUTS_EVERY),
        ("input", 0, 2, 1.0),
    ]
    assert not any(group.is_input for group in groups_of([bit("pump", 3, "coil"), FLOW]))


def test_the_largest_period_of_a_group_is_that_of_its_points() -> None:
    (group,) = groups_of([replace(FLOW, every=0.2)])
    assert group.every == 0.2
    # Eight bytes of question, two registers and five bytes around them (V1.1b3, section 6.4).
    assert group.characters == 8 + 9


# Numbers, written down by hand. Two registers are the first and last half of a big-endian number,
# and 41 20 00 00 is 10.0 by IEEE 754; the order of the halves is the device's.


@pytest.mark.parametrize(
    ("kind", "words", "high_first", "value"),
    [
        ("uint16", (0xFFFE,), True, 65534.0),
        ("int16", (0xFFFE,), True, -2.0),
        ("int16", (0x8000,), True, -32768.0),
        ("uint32", (0x0001, 0x0002), True, 65538.0),
        ("uint32", (0x0001, 0x0002), False, 131073.0),
        ("int32", (0xFFFF, 0xFFFE), True, -2.0),
        ("int32", (0xFFFE, 0xFFFF), False, -2.0),
        ("float32", (0x4120, 0x0000), True, 10.0),
        ("float32", (0x0000, 0x4120), False, 10.0),
    ],
)
def test_registers_hold_numbers_in_the_order_the_rig_file_says(
    kind: str, words: tuple[int, ...], high_first: bool, value: float
) -> None:
    assert number(kind, words, high_first=high_first) == value
    assert number(kind, (*words, 0x1234), high_first=high_first) == value


KINDS = {
    "int16": ModbusClientMixin.DATATYPE.INT16,
    "uint16": ModbusClientMixin.DATATYPE.UINT16,
    "int32": ModbusClientMixin.DATATYPE.INT32,
    "uint32": ModbusClientMixin.DATATYPE.UINT32,
    "float32": ModbusClientMixin.DATATYPE.FLOAT32,
}


@given(
    kind=st.sampled_from(sorted(KINDS)),
    data=st.binary(min_size=4, max_size=4),
    order=st.sampled_from(["big", "little"]),
)
def test_numbers_are_those_that_pymodbus_reads(kind: str, data: bytes, order: str) -> None:
    words = list(struct.unpack(">2H", data))[: 2 if kind[-2:] == "32" else 1]
    theirs = ModbusClientMixin.convert_from_registers(words, KINDS[kind], word_order=order)  # type: ignore[arg-type]
    ours = number(kind, words, high_first=order == "big")
    assert ours == theirs or (math.isnan(ours) and math.isnan(float(theirs)))  # type: ignore[arg-type]


def words_of(value: float) -> tuple[int, int]:
    high, low = struct.unpack(">2H", struct.pack(">f", value))
    return high, low


def test_a_value_comes_in_si() -> None:
    assert reading(FLOW, words_of(1.5)).value == pytest.approx(1.5e-3 / 60)
    assert reading(OIL, (401,)).value == pytest.approx(313.25)


@pytest.mark.parametrize("said", [-0.1, 5.1, 1e30])
def test_a_value_out_of_its_limits_is_none_and_says_why(said: float) -> None:
    got = reading(FLOW, words_of(said))
    assert math.isnan(got.value)
    assert got.why.startswith("flow says ")
    assert got.why.endswith("allowed is 0 to 5 L/min")


@pytest.mark.parametrize("said", [math.nan, math.inf, -math.inf])
def test_no_number_is_no_value(said: float) -> None:
    got = reading(replace(FLOW, low=-math.inf, high=math.inf), words_of(said))
    assert math.isnan(got.value)
    assert "no number" in got.why


def test_a_temperature_below_absolute_zero_is_none() -> None:
    # What a sensor that is not there often says: the lowest number it has.
    got = reading(OIL, (0x8000,))
    assert math.isnan(got.value)
    assert "temperature_oil says -3276.8 °C" in got.why


def test_limits_themselves_are_allowed() -> None:
    whole = replace(FLOW, scaling=Scaling(), low=0.0, high=5.0)
    assert reading(whole, words_of(0.0)).value == 0.0
    assert reading(whole, words_of(5.0)).value == 5.0


def test_bits_are_true_where_they_read_what_the_rig_file_says() -> None:
    points = [bit("leak", 4), bit("emergency_stop", 5, true_is=False), bit("mains_lost", 13)]
    points += [bit("guard_open", k) for k in range(6, 13)]
    (group,) = groups_of(points)
    assert (group.at, group.count) == (4, 10)
    # The first bit is the lowest of the first byte (V1.1b3, section 6.2).
    said = readings(group, hexed("02 02 01 02"))
    assert (said["leak"].value, said["emergency_stop"].value) == (1.0, 1.0)
    assert said["mains_lost"].value == 1.0
    said = readings(group, hexed("02 02 02 00"))
    assert (said["leak"].value, said["emergency_stop"].value) == (0.0, 0.0)
    assert said["mains_lost"].value == 0.0


def test_every_point_of_a_group_gets_its_own_registers() -> None:
    points = [replace(OIL, at=7), replace(FLOW, at=8), replace(FLOW, what="tank", at=10)]
    (group,) = groups_of([replace(p, scaling=Scaling(), low=-1e9, high=1e9) for p in points])
    reply = hexed("04 0A 00 05 41 20 00 00 40 A0 00 00")
    said = {what: got.value for what, got in readings(group, reply).items()}
    assert said == {"temperature_oil": 5.0, "flow": 10.0, "tank": 5.0}

"""What the wire tables of a good rig file become, in SI."""

from __future__ import annotations

import math
from dataclasses import fields

import pytest

from rig.protocol.wire import (
    Controller,
    Instrument,
    Point,
    Port,
    Scaling,
    Source,
    Wire,
)
from tests.protocol.wire_texts import WIRED, edited, warnings_of, wire_of

INPUTS = ("emergency_stop", "guard_open", "oil_pressure_low", "mains_lost")


def test_every_port_is_read_with_its_line():
    assert wire_of(WIRED).ports == (
        Port("servo", "/dev/pts/5", 115200),
        Port("samples", "/dev/pts/6", 921600),
        Port("bus", "/dev/pts/7", 19200, parity="even", answer_within=0.1),
        Port("thermometer", "/dev/pts/8", 9600, stop_bits=2, ask_again=0, reopen=False),
    )


def test_samples_come_in_si():
    load, midspan, support = wire_of(WIRED).sources
    assert load == Source("load", "samples", 1, Scaling(1e3, 0.0))
    # Half a millimetre a step, counted downward from 25 mm.
    assert (midspan.channel, midspan.port, midspan.number) == ("midspan", "samples", 2)
    assert midspan.scaling.si(0) == pytest.approx(25e-3)
    assert midspan.scaling.si(10) == pytest.approx(20e-3)
    # An inch is 0.0254 m exactly: NIST SP 811 (2008), appendix B.
    assert support == Source("support_left", "samples", 4, Scaling(0.0254, 0.0))


def test_the_controller_is_read_with_its_commands_words_units_and_limits():
    controller = wire_of(WIRED).controller
    assert controller is not None
    assert (controller.port, controller.identity) == ("servo", "emulated controller")
    assert (controller.decimals, controller.line_end) == (5, "\r\n")
    assert controller.fields == (
        *("mode", "moving", "counter", "tripped", "stopped_by", "pressure", "stroke", "-"),
    )
    assert controller.words["NONE"] == ""
    assert controller.words["FORC"] == "load"
    assert controller.limits == {"load": "FORCe", "stroke": "STRoke"}
    assert controller.units == {
        "force": Scaling(1e4),  # scale = 10: it says tens of kilonewtons
        "length": Scaling(1e-3),
        "speed": Scaling(1e-3),
        "force rate": Scaling(1e3),
        "frequency": Scaling(1.0),
        "time": Scaling(1.0),
    }
    assert controller.actions["identify"] == ("*IDN?",)
    assert controller.actions["cycle"] == (
        "SOURce:FUNCtion SINusoid;FREQuency {frequency};FORCe:OFFSet {mean};AMPLitude {amplitude}",
        "SOURce:CYCLe:STARt {over}",
    )
    assert len(controller.actions) == 20


def test_devices_on_the_bus_are_read_with_their_points():
    station, cabinet = wire_of(WIRED).modbus
    assert (station.name, station.port, station.address) == ("water station", "bus", 1)
    assert station.watchdog == (0, 500)
    pump, running, leak, flow, tank = station.points
    assert pump == Point("pump", "coil", 0, "bit")
    assert running == Point("pump_running", "discrete", 0, "bit")
    assert leak == Point("leak", "discrete", 1, "bit")
    assert (flow.table, flow.at, flow.kind) == ("input", 0, "float32")
    # A litre a minute is 1/60000 m3/s.
    assert flow.scaling.si(3.0) == pytest.approx(3.0 / 60000)
    assert (flow.low, flow.high) == (0.0, pytest.approx(5.0 / 60000))
    assert tank == Point("tank", "input", 2, "float32", Scaling(1e-3), high_first=False)
    assert (cabinet.address, cabinet.watchdog) == (247, None)
    closed_is_well = {p.what: p.true_is for p in cabinet.points[1:6]}
    assert closed_is_well == {**dict.fromkeys(INPUTS, False), "local_button": True}
    oil = cabinet.points[6]
    assert (oil.table, oil.at, oil.kind, oil.every) == ("holding", 0, "int16", 5.0)
    # 1220 tenths of a degree Fahrenheit are 50 degC: (F - 32) * 5 / 9.
    assert oil.scaling.si(1220) == pytest.approx(273.15 + 50.0)
    assert (oil.low, oil.high) == (-math.inf, math.inf)


def test_instruments_are_read_with_their_answers():
    (instrument,) = wire_of(WIRED).instruments
    (answer,) = instrument.answers
    assert (instrument.name, instrument.port) == ("thermometer", "thermometer")
    assert (instrument.ask, instrument.line_end) == ("MEASure:TEMPerature?", "\r")
    assert instrument.every == 10.0
    assert (answer.channel, answer.place) == ("temperature_air", 2)
    assert answer.scaling.si(20.0) == pytest.approx(273.15 + 19.6)
    assert (answer.low, answer.high) == (pytest.approx(233.15), pytest.approx(353.15))


def test_what_is_left_out_is_what_the_words_of_the_program_say():
    """Defaults stand twice, in rig/protocol/wire.py and in the tables of the file."""
    plain = edited(
        ('stale_after = "500 ms"\n', ""),
        ('parity = "even"\nanswer_within = "100 ms"\n', ""),
        ("decimals = 5\n", ""),
        ('line_end = "CRLF"\n', ""),
        ('identity = "emulated controller"\n', ""),
        ('every = "10 s"\nline_end = "CR"\n', ""),
    )
    wire = wire_of(plain)
    assert wire.ports[2] == Port("bus", "/dev/pts/7", 19200)
    for built in (wire, wire.controller, wire.instruments[0], wire.modbus[0].points[4]):
        defaults = {f.name: f.default for f in fields(built) if f.name in PLAIN[type(built)]}
        assert {name: getattr(built, name) for name in defaults} == defaults


PLAIN = {
    Wire: {"stale_after"},
    Controller: {"decimals", "line_end", "identity"},
    Instrument: {"every", "line_end"},
    Point: {"true_is", "every", "low", "high"},
}


def test_points_may_stand_in_tables_of_their_own():
    begin = WIRED.index("points = [")
    end = WIRED.index("]\n\n[[modbus]]")
    lines = WIRED[begin:end].splitlines()[1:]
    tables = "".join(
        "[[modbus.points]]\n"
        + row.strip(" {},").replace(", ", "\n").replace('min"\n"5', 'min", "5')
        + "\n"
        for row in lines
    )
    assert wire_of(WIRED[:begin] + tables + WIRED[end + 2 :]) == wire_of(WIRED)


def test_words_that_differ_by_field_name_it():
    changes = [
        ('OFF = "off"', '"mode 0" = "off"\n"pressure 0" = "off"'),
        ('LOW = "low"', '"pressure 1" = "low"'),
        ('HIGH = "high"', '"pressure 2" = "high"'),
        ('STR = "stroke"', '"mode 1" = "stroke"\n"tripped 1" = "stroke"'),
        ('FORC = "load"', '"mode 2" = "load"\n"tripped 2" = "load"\n"moving RUN" = "moving"'),
    ]
    controller = wire_of(edited(*changes)).controller
    assert controller is not None
    assert controller.words["mode 2"] == "load"
    assert controller.words["pressure 2"] == "high"
    assert warnings_of(*changes) == []

"""The emulated controller: what it obeys, refuses, answers, and does by itself."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulators.actuator import SimulatedActuator
from simulators.faults import Restarted
from simulators.pacing import PacedMachine
from simulators.state import World
from simulators.wire.controller import IDENTITY, Commands
from simulators.wire.instrument import thermometer
from simulators.wire.scpi_device import Session
from tests.simulators.driving import HandClock, setup


class Bench:
    """A controller without a line, on a clock that is moved by hand."""

    def __init__(self, **changes: Any) -> None:
        self.clock = HandClock()
        made = setup(**changes)
        self.machine = PacedMachine(World(made, 1), 1, self.clock)
        self.machine.arrive()
        commands = Commands(SimulatedActuator(self.machine), made.watchdog)
        self.session = Session(IDENTITY, commands.all(), commands.reset)

    def ask(self, line: str) -> str:
        return self.session.obey(line)

    def obey(self, line: str) -> None:
        """Give a command that must be taken."""
        assert self.session.obey(f"{line};:SYST:ERR?") == '0,"No error"'

    def refused(self, line: str) -> str:
        """Give a command that must be refused; return the error."""
        error = self.session.obey(f"{line};:SYST:ERR?")
        assert self.ask("SYST:ERR:COUN?") == "0"
        return error

    def alive(self, seconds: float) -> None:
        """Let time pass with a heartbeat each 0.1 s."""
        for _ in range(round(seconds * 10)):
            self.clock.jump(0.1)
            self.ask("SYST:BEAT")

    def status(self) -> dict[str, str]:
        names = ("mode", "moving", "counter", "tripped", "stopped_by", "pressure", "stroke")
        return dict(zip(names, self.ask("STAT:RIG?").split(","), strict=True))

    def load(self) -> float:
        self.machine.arrive()
        return float(self.machine.now.load[0])

    def loaded(self) -> None:
        """Approach, and go to 20 kN in load control."""
        self.obey("OUTP:PRES HIGH;:SOUR:STR:RAMP 2.3,20")
        self.alive(0.3)
        self.obey("SOUR:FORC:RAMP 20,400")
        self.alive(0.3)

    def cycling(self) -> None:
        self.loaded()
        self.obey("SOUR:FUNC SIN;FREQ 4;FORC:OFFS 20;AMPL 10")
        self.obey("SOUR:CYCL:STAR 0.5")
        self.alive(2.0)


@pytest.fixture
def bench() -> Iterator[Bench]:
    made = Bench()
    yield made
    made.machine.close()


def test_it_says_what_it_is_and_stands_still_at_power_on(bench: Bench) -> None:
    assert bench.ask("*IDN?") == "nightrig,emulated controller,1,1"
    assert bench.ask("STATus:RIG?") == "OFF,0,0,NONE,NONE,OFF,0.000000"
    assert bench.ask("SYST:WATC?;:SOUR:MODE?;:OUTP:VALV?") == "0.500000;OFF;0"
    # What was never set is not a number: 9.91E37 (SCPI-1999 vol. 1, 7.2.1.5; from memory).
    assert bench.ask("SOUR:FREQ?;FORC:OFFS?") == "9.91E37;9.91E37"
    assert bench.ask("SOUR:STR:RAMP?") == "9.91E37,9.91E37"
    assert bench.ask("SOUR:CYCL:STOP?") == "OFF"


def test_a_ramp_of_stroke_arrives_in_the_unit_that_was_sent(bench: Bench) -> None:
    bench.obey("OUTPut:PRESsure HIGH")
    bench.obey("SOURce:STRoke:RAMP -1.5,15")
    assert bench.status()["moving"] == "1"
    bench.alive(0.2)
    assert bench.status()["moving"] == "0"
    assert float(bench.status()["stroke"]) == pytest.approx(-1.5, abs=1e-6)
    bench.obey("SOUR:STR:RAMP 0.5e-3 M,0.02 M/S")
    bench.alive(0.2)
    assert float(bench.status()["stroke"]) == pytest.approx(0.5, abs=1e-6)
    assert bench.ask("SOUR:STR:RAMP?") == "0.500000,20.000000"


def test_load_and_deflection_are_controlled_and_told(bench: Bench) -> None:
    bench.loaded()
    assert bench.load() == pytest.approx(20e3, rel=1e-3)
    assert bench.ask("SOUR:MODE?") == "FORC"
    bench.obey("SOUR:DEFL:RAMP 0.4,1")
    bench.alive(0.5)
    assert bench.ask("SOUR:MODE?;:OUTP:VALV?;:OUTP:PRES?") == "DEFL;1;HIGH"
    assert float(bench.machine.now.net[0]) == pytest.approx(0.4e-3, rel=1e-3)


def test_a_wave_grows_counts_changes_and_falls(bench: Bench) -> None:
    bench.cycling()
    first = int(bench.ask("SOUR:CYCL:COUN?"))
    assert first == 8  # 2 s at 4 Hz
    assert bench.ask("SOUR:FUNC?;FREQ?;FORC:OFFS?;AMPL?") == "SIN;4.000000;20.000000;10.000000"
    bench.obey("SOUR:FORC:OFFS 25;AMPL 5;:SOUR:CYCL:CHAN")
    bench.alive(2.0)
    loads = []
    for _ in range(50):
        bench.clock.jump(0.005)
        loads.append(bench.load())
    assert max(loads) < 31e3
    assert min(loads) > 19e3
    assert int(bench.status()["counter"]) == 17
    bench.ask("SYST:BEAT")
    bench.obey("SOUR:CYCL:END 1")
    bench.alive(1.5)
    assert bench.status()["moving"] == "0"
    assert bench.load() == pytest.approx(25e3, rel=0.02)


def test_it_stops_by_itself_at_its_count(bench: Bench) -> None:
    bench.loaded()
    bench.obey("SOUR:CYCL:STOP 10;:SOUR:FREQ 10;FORC:OFFS 20;AMPL 5;:SOUR:CYCL:STAR 0.1")
    assert bench.ask("SOUR:CYCL:STOP?") == "10"
    bench.alive(4.0)
    assert bench.status()["stopped_by"] == "COUN"
    bench.obey("SOUR:CYCL:STOP OFF")
    assert bench.ask("SOUR:CYCL:STOP?") == "OFF"


def test_its_watchdog_stops_it_when_no_heartbeat_comes_though_it_is_asked(bench: Bench) -> None:
    bench.cycling()
    bench.clock.jump(0.4)
    assert bench.status()["stopped_by"] == "NONE"
    bench.clock.jump(0.2)
    assert bench.status()["stopped_by"] == "WATC"
    bench.clock.jump(15.0)
    assert bench.status() | {"stroke": "", "counter": ""} == {
        "mode": "FORC",
        "moving": "0",
        "counter": "",
        "tripped": "NONE",
        "stopped_by": "WATC",
        "pressure": "HIGH",
        "stroke": "",
    }
    assert bench.load() == 0.0


def test_its_own_limits_are_read_back_and_close_the_valve(bench: Bench) -> None:
    assert bench.ask("CALC:LIM:FORC?") == "-9.9E+37,9.9E+37"
    bench.loaded()
    bench.obey("CALC:LIM:FORC -1,28.123456;:CALC:LIM:STR -10,10")
    assert bench.ask("CALC:LIM:FORC?;STR?") == "-1.000000,28.123456;-10.000000,10.000000"
    bench.obey("SOUR:FORC:RAMP 40,100")
    bench.alive(0.3)
    status = bench.status()
    assert (status["tripped"], status["stopped_by"], status["mode"]) == ("FORC", "LIM", "OFF")
    bench.obey("OUTP:PRES HIGH")
    assert bench.status()["tripped"] == "NONE"
    bench.obey("SOUR:STR:RAMP -12,100")
    bench.alive(0.3)
    assert bench.status()["tripped"] == "STR"


def test_a_controller_that_starts_anew_has_forgotten_its_limits() -> None:
    bench = Bench(faults=(Restarted(100),))
    try:
        bench.obey("CALC:LIM:FORC -1,28")
        bench.clock.jump(1.0)
        assert bench.ask("CALC:LIM:FORC?") == "-9.9E+37,9.9E+37"
    finally:
        bench.machine.close()


def test_closing_the_valve_and_a_reset_end_all_motion(bench: Bench) -> None:
    bench.cycling()
    bench.obey("OUTP:VALV OFF")
    assert bench.ask("OUTP:VALV?;:SOUR:MODE?;:OUTP:PRES?") == "0;OFF;HIGH"
    bench.obey("OUTP:PRES HIGH")
    bench.obey("SOUR:CYCL:STOP 99;:CALC:LIM:FORC -1,99")
    bench.ask("*RST")
    assert bench.ask("OUTP:PRES?;:SOUR:FREQ?;CYCL:STOP?") == "OFF;9.91E37;OFF"
    # What keeps people safe does not go with a reset.
    assert bench.ask("CALC:LIM:FORC?") == "-1.000000,99.000000"


@pytest.mark.parametrize(
    ("line", "number", "words"),
    [
        ("SOUR:STR:RAMP 1,1", -221, "pressure is off"),
        ("SOUR:HOLD", -221, "pressure is off"),
        ("SOUR:CYCL:STAR 1", -221, "the mean of the wave is not set"),
        ("OUTP:PRES HIGH;:SOUR:STR:RAMP 99,1", -222, "outside the actuator"),
        ("OUTP:PRES HIGH;:SOUR:STR:RAMP 1,0", -222, "outside 1e-06"),
        ("OUTP:PRES HIGH;:SOUR:STR:RAMP 1,-5", -222, "outside 1e-06"),
        ("SOUR:FORC:RAMP 1,1e-300", -222, "outside 1e-06"),
        ("OUTP:PRES HIGH;:SOUR:FORC:RAMP 10,1", -221, "without contact"),
        ("OUTP:PRES HIGH;:SOUR:CYCL:END 1", -221, "not cycling"),
        ("OUTP:PRES LOW;:SOUR:STR:RAMP 1,1", -221, "low pressure"),
        ("OUTP:PRES MEDIUM", -224, "MEDIUM"),
        ("OUTP:VALV ON", -221, "opens with the pressure"),
        ("SOUR:FREQ 99", -222, "outside 1e-06 to 10"),
        ("SOUR:FORC:OFFS 201", -222, "outside -5 to 200"),
        ("SOUR:FORC:AMPL -1", -222, "outside 0 to"),
        ("SOUR:FUNC SQUare", -224, "SQUARE"),
        ("SOUR:CYCL:STOP 0", -222, "outside 1"),
        ("CALC:LIM:FORC 5,5", -222, "not below"),
        ("SOUR:STR:RAMP 1 KN,1", -131, "KN"),
        ("SOUR:CYCL:STAR -1", -222, "outside 0"),
        ("SOUR:CYCL:STAR 1e308", -222, "outside 0 to 100000"),
        ("SOUR:CYCL:STAR 1e400", -222, "inf"),
        ("SOUR:STR:RAMP 1e400,1", -222, "inf"),
    ],
)
def test_what_it_cannot_or_may_not_do_is_an_error_with_the_reason(
    bench: Bench, line: str, number: int, words: str
) -> None:
    error = bench.refused(line)
    assert error.startswith(f"{number},")
    assert words in error


def test_a_wave_with_a_refused_setting_is_not_started_with_an_old_one(bench: Bench) -> None:
    bench.cycling()
    bench.obey("SOUR:CYCL:END 0.1")
    bench.alive(1.0)
    assert bench.refused("SOUR:FORC:AMPL 300").startswith("-222,")
    assert "amplitude of the wave is not set" in bench.refused("SOUR:CYCL:STAR 1")
    assert bench.refused("SOUR:FORC:AMPL 190").startswith("-222,")
    bench.obey("SOUR:FORC:AMPL 5")
    bench.obey("SOUR:CYCL:STAR 1")


def test_a_wave_beyond_the_load_range_is_not_started(bench: Bench) -> None:
    bench.loaded()
    bench.obey("SOUR:FREQ 4;FORC:OFFS 150;AMPL 60")
    assert "upper load" in bench.refused("SOUR:CYCL:STAR 1")
    assert bench.status()["moving"] == "0"


HEADERS = st.sampled_from(
    [
        *("OUTP:PRES", "OUTP:VALV", "SOUR:STR:RAMP", "SOUR:FORC:RAMP", "SOUR:DEFL:RAMP"),
        *("SOUR:HOLD", "SOUR:FUNC", "SOUR:FREQ", "SOUR:FORC:OFFS", "SOUR:FORC:AMPL"),
        *("SOUR:CYCL:STAR", "SOUR:CYCL:CHAN", "SOUR:CYCL:END", "SOUR:CYCL:STOP", "*RST"),
        *("CALC:LIM:FORC", "CALC:LIM:STR", "CALC:LIM:DEFL", "SYST:BEAT", "STAT:RIG?"),
    ]
)
VALUES = st.one_of(
    st.sampled_from(["HIGH", "LOW", "OFF", "ON", "SIN", "1e308", "-0", "1e-320"]),
    st.floats(-300, 300).map(lambda x: f"{x:.3f}"),
)


@given(
    st.lists(
        st.tuples(HEADERS, st.lists(VALUES, max_size=2), st.sampled_from((0.0, 0.05, 1.0))),
        max_size=20,
    ),
    st.sampled_from(("at power-on", "loaded", "cycling")),
)
def test_no_command_at_any_time_breaks_the_controller(
    made: list[tuple[str, list[str], float]], begun: str
) -> None:
    bench = Bench()
    try:
        if begun == "loaded":
            bench.loaded()
        elif begun == "cycling":
            bench.cycling()
        for header, values, seconds in made:
            bench.ask(f"{header} {','.join(values)}")
            bench.clock.jump(seconds)
        status = bench.status()
        assert status["mode"] in ("OFF", "STR", "FORC", "DEFL")
        assert status["stopped_by"] in ("NONE", "LIM", "COUN", "WATC")
        assert bench.ask("*IDN?") == IDENTITY
        # Whatever it was told, it does not leave its own ranges by command.
        assert -50 <= float(status["stroke"]) <= 80 or status["mode"] == "OFF"
    finally:
        bench.machine.close()


async def test_the_thermometer_answers_its_query_in_degrees() -> None:
    device = thermometer(lambda: 293.156, lambda _data: None)
    assert device.session.obey("MEASure:TEMPerature?") == "20.01"
    assert device.session.obey("meas:scal:temp?;*IDN?") == "20.01;nightrig,emulated thermometer,1,1"
    assert device.session.obey("MEAS:VOLT?;:SYST:ERR?").startswith("-113,")

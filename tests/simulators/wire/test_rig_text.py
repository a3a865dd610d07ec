"""The rig file of an emulated rig: read by the program's reader, understood by the devices."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.clock import VirtualClock
from rig.protocol.load import load_rig
from rig.protocol.plan import RigPlan
from rig.units import parse
from simulators.actuator import SimulatedActuator
from simulators.devices import SimulatedHorn, SimulatedInputs, SimulatedPump
from simulators.pacing import PacedMachine
from simulators.state import World
from simulators.wire.controller import IDENTITY, Commands
from simulators.wire.emulation import PORTS, framings
from simulators.wire.rig_text import SLOW, rig_text, slow_channels
from simulators.wire.scpi_device import Session
from simulators.wire.stations import Cabinet, WaterStation
from simulators.wire.written import written
from tests.simulators.driving import HandClock, setup

ROOT = Path(__file__).parents[3]
RIGS = sorted((ROOT / "protocols" / "rigs").glob("simulated*.toml"))


def read(path: str) -> str:
    return Path(path).read_text(encoding="utf-8")


def emulated_text(rig: RigPlan) -> str:
    paths = {name: f"/tmp/ports/{name}" for name in PORTS}
    return rig_text(rig, paths, framings(rig.rate, len(rig.sampled)))


def load_text(text: str) -> RigPlan:
    return load_rig("emulated.toml", lambda _path: text)


@pytest.fixture(params=RIGS, ids=lambda path: path.stem)
def simulated(request: pytest.FixtureRequest) -> RigPlan:
    return load_rig(str(request.param), read)


def test_the_program_reads_the_same_rig_back(simulated: RigPlan) -> None:
    emulated = load_text(emulated_text(simulated))
    assert emulated.driver == "serial"
    assert emulated.name == f"{simulated.name}, emulated"
    assert emulated.sampled == simulated.sampled
    assert emulated.channels == (*simulated.sampled, *slow_channels(simulated))
    for name in ("rate", "actuator", "pump", "limits", "stops", "warning"):
        assert getattr(emulated, name) == getattr(simulated, name)
    assert emulated.wire is not None
    assert tuple(port.name for port in emulated.wire.ports) == PORTS
    assert [source.number for source in emulated.wire.sources] == [
        number + 1 for number in range(len(simulated.sampled))
    ]


def test_every_emulated_rig_has_the_slow_channels_of_its_devices(simulated: RigPlan) -> None:
    names = {c.name for c in load_text(emulated_text(simulated)).channels if c.slow}
    assert names >= {c.name for c in SLOW}


def without(text: str, *parts: str) -> RigPlan:
    """Return a rig of which parts of its file are taken out."""
    for part in parts:
        text, count = re.subn(part, "", text, flags=re.DOTALL)
        assert count == 1
    return load_text(text)


def test_a_rig_without_pump_horn_and_own_limits_has_no_points_and_actions_for_them() -> None:
    text = read(str(RIGS[-1])).replace('limits = "controller"', 'limits = "software only"')
    rig = without(text, r"\[pump\].*?\n\n", r"\[warning_signal\].*?\n\n")
    emulated = load_text(emulated_text(rig))
    assert emulated.pump is None
    assert emulated.warning is None
    assert emulated.wire is not None
    told = {point.what for device in emulated.wire.modbus for point in device.points}
    assert told & {"pump", "pump_running", "horn"} == set()
    assert emulated.wire.controller is not None
    assert "write limit" not in emulated.wire.controller.actions
    assert emulated.wire.controller.limits == {}


@pytest.fixture
def session() -> Iterator[Session]:
    made = setup()
    machine = PacedMachine(World(made, 1), 1, HandClock())
    machine.arrive()
    commands = Commands(SimulatedActuator(machine), made.watchdog)
    yield Session(IDENTITY, commands.all(), commands.reset)
    machine.close()


def test_the_controller_understands_every_line_of_the_file(session: Session) -> None:
    table = tomllib.loads(emulated_text(load_rig(str(RIGS[0]), read)))["controller"]
    filled: dict[str, Any] = dict.fromkeys(
        ("to", "speed", "rate", "mean", "amplitude", "frequency", "over", "low"), "1.500000"
    )
    filled |= {"high": "2.000000", "number": "77", "count": "1000"}
    for action, lines in table["actions"].items():
        for limit in table["limits"].values() if "limit" in action else ("",):
            for line in [lines] if isinstance(lines, str) else lines:
                answer = session.obey(line.format(limit=limit, **filled))
                assert bool(answer) == line.endswith("?"), action
                # Now and in this order some cannot be obeyed (-2xx); all can be read.
                error = session.obey("SYST:ERR?")
                assert error.startswith(('0,"No error', "-221,")), (action, error)
    assert session.obey(table["actions"]["echo"].format(number=93)) == "93"
    assert table["identity"] in session.obey(table["actions"]["identify"])


def test_the_words_of_the_status_are_those_of_the_file(session: Session) -> None:
    table = tomllib.loads(emulated_text(load_rig(str(RIGS[0]), read)))["controller"]
    session.obey("OUTP:PRES HIGH")
    answer = dict(zip(table["status"], session.obey("STAT:RIG?").split(","), strict=True))
    for name in ("mode", "tripped", "stopped_by", "pressure"):
        assert answer[name] in table["words"]
    assert table["words"][answer["mode"]] == "stroke"
    assert table["words"][answer["pressure"]] == "high"


async def test_the_stations_have_a_place_for_every_point_of_the_file() -> None:
    wire = load_text(emulated_text(load_rig(str(RIGS[0]), read))).wire
    assert wire is not None
    made = setup()
    machine = PacedMachine(World(made, 1), 1, VirtualClock())
    inputs = SimulatedInputs(machine)

    async def slow() -> dict[str, float]:
        return {}

    def tell(_what: str, _how: str) -> None:
        """Tell nobody."""

    stations = {
        1: WaterStation(SimulatedPump(machine), inputs, slow, VirtualClock(), tell),
        2: Cabinet(SimulatedHorn(machine), inputs, slow, VirtualClock(), tell),
    }
    taken = set()
    for device in wire.modbus:
        station = stations[device.address]
        for point in device.points:
            registers = 2 if point.kind == "float32" else 1
            if point.table in ("coil", "discrete"):
                there = len(await station.bits(point.table))  # type: ignore[arg-type]
            else:
                there = len(await station.words(point.table))  # type: ignore[arg-type]
            assert point.at + registers <= there, point
            taken.add((device.address, point.table, point.at))
    assert len(taken) == sum(len(device.points) for device in wire.modbus)
    machine.close()


QUANTITIES = [
    ("force", "kN", "N"),
    ("length", "mm", "um"),
    ("flow", "L/min", "mL/min"),
    ("temperature", "degC"),
    ("temperature difference", "K"),
    ("strain", "um/m"),
    ("speed", "mm/s"),
]


@given(st.sampled_from(QUANTITIES), st.floats(0, 1e6), st.integers(1, 17))
def test_a_quantity_is_written_so_that_it_reads_back_exactly(
    quantity: tuple[str, ...], value: float, digits: int
) -> None:
    value = float(f"{value:.{digits}g}")
    got = parse(written(value, *quantity), quantity[0])
    # A strain has no SI unit that a file may hold; it may lose its last digit.
    assert got == (pytest.approx(value, rel=1e-15) if quantity[0] == "strain" else value)


@pytest.mark.parametrize(
    ("value", "quantity", "text"),
    [
        (5.0, ("force", "kN", "N"), "5 N"),
        (-25e3, ("force", "kN", "N"), "-25 kN"),
        (5e-7, ("length", "mm", "um"), "0.5 um"),
        (-0.06, ("length", "mm", "um"), "-60 mm"),
        (1.5e-3 / 60, ("flow", "L/min", "mL/min"), "1.5 L/min"),
        (-20 + 273.15, ("temperature", "degC"), "-20 degC"),
    ],
)
def test_a_quantity_is_written_as_people_would(
    value: float, quantity: tuple[str, ...], text: str
) -> None:
    assert written(value, *quantity) == text

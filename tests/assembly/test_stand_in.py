"""A recording stands in for the specimen: what can, what cannot, and what comes of it."""

from __future__ import annotations

import shutil
import weakref
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import h5py
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.assembly import rehearse
from rig.assembly.looking_back import look_back
from rig.assembly.recorded_rows import Piece, RecordedRows, piece_of
from rig.assembly.rehearsal import go_on_rehearsing
from rig.assembly.result import Result
from rig.assembly.stand_in import StandIn, plan_on, stand_in
from rig.control.desk import Request
from rig.errors import InputError
from rig.protocol.plan import Plan
from rig.samples import Cycles
from tests.assembly.recordings import CHANNELS, RIG, protocol, recording, softening

COUNT = 400


def planned(found: StandIn, tmp_path: Path, **changes: int) -> Plan:
    file = tmp_path / "protocol.toml"
    file.write_text(protocol(**changes))
    return plan_on(found, str(file), lambda path: Path(path).read_text())


def done(source: Path, tmp_path: Path, name: str, *, one_tick: bool = False, **changes: int):
    found = stand_in(source)
    plan = planned(found, tmp_path, **changes)
    return rehearse(plan, tmp_path / name, 1, one_tick=one_tick, specimen=found)


@pytest.fixture(scope="module")
def softer(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return recording(tmp_path_factory.mktemp("softer") / "run", softening(COUNT))


def loss_reached(columns: dict[str, np.ndarray], stop: float) -> int:
    """The cycle at which the median of 20 is so far below that of cycles 20 to 60."""
    stiffness = columns["stiffness"]
    base = np.median(stiffness[19:60])
    medians = [np.median(stiffness[i - 20 : i]) for i in range(20, len(stiffness) + 1)]
    return 20 + int(np.argmax(np.array(medians) <= base * (1 - stop)))


@pytest.mark.xdist_group("stand-in")
@pytest.mark.parametrize("stop", [20, pytest.param(40, marks=pytest.mark.nights)])
def test_it_fails_where_the_recorded_stiffness_reaches_the_stop_value(softer, tmp_path, stop):
    result = done(softer, tmp_path, "again", stop=stop)
    assert result.outcome == "failure"
    assert result.cycles == pytest.approx(loss_reached(softening(COUNT), stop / 100), rel=0.01)
    with h5py.File(result.run) as run:
        rows, given = run["cycles"], softening(COUNT)
        part = slice(50, 250)  # later it changes within a cycle by more than the tolerance
        for name, rel in (("stiffness", 2e-3), ("deflection_max", 3e-3), ("strain_1_max", 4e-3)):
            assert rows[name][part] == pytest.approx(given[name][part], rel=rel)


@pytest.mark.nights
def test_a_recording_that_failed_fails_at_its_last_row_whatever_is_asked(softer, tmp_path):
    result = done(softer, tmp_path, "later", stop=90)
    assert result.outcome == "failure"
    assert result.cycles == pytest.approx(COUNT, abs=2)


@pytest.mark.nights
@pytest.mark.parametrize("ended", [True, pytest.param(False, marks=pytest.mark.nights)])
def test_one_that_did_not_fail_ends_as_operator_and_says_where_it_ends(tmp_path, ended):
    columns = {name: values[:80] for name, values in softening(COUNT).items()}
    source = recording(tmp_path / "run", columns, "limit", ended=ended)
    result = done(source, tmp_path, "again")
    assert result.outcome == "operator"
    assert "the recording ends at cycle 80" in result.why
    with h5py.File(result.run) as run:
        kinds = [kind.decode() for kind in run["events"]["kind"]]
        texts = [text.decode() for text in run["events"]["text"]]
    assert texts[kinds.index("recording")].startswith(
        f"the specimen is the recorded one of {source}"
    )
    assert "the recording ends at cycle 80" in texts[kinds.index("request")]


@pytest.mark.nights
def test_a_run_out_at_the_last_row_is_one(tmp_path):
    columns = {name: values[:80] for name, values in softening(COUNT).items()}
    result = done(recording(tmp_path / "run", columns, "run-out"), tmp_path, "again", run_out=80)
    assert (result.outcome, result.cycles) == ("run-out", 80)


@pytest.mark.endurance
def test_the_same_seed_gives_the_same_file_in_long_blocks_and_in_ticks(softer, tmp_path):
    first, ticks = (
        done(softer, tmp_path, name, one_tick=one).run.parent
        for name, one in (("blocks", False), ("ticks", True))
    )
    with h5py.File(first / "run.h5") as one, h5py.File(ticks / "run.h5") as other:
        assert one.attrs["why"] == other.attrs["why"]
        for table in ("cycles", "build_up"):
            for name in one[table]:
                assert np.array_equal(one[table][name][:], other[table][name][:], equal_nan=True)


def stopped(source: Path, tmp_path: Path) -> tuple[Result, Path]:
    """Return a rehearsal that somebody stopped before its end."""
    found = stand_in(source)
    script = ((40.0, Request("stop", text="enough")),)
    out = tmp_path / "stopped"
    return rehearse(planned(found, tmp_path), out, 1, script=script, specimen=found), out


@pytest.fixture(scope="module")
def half(softer: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A recording and a rehearsal on it that was stopped."""
    folder = tmp_path_factory.mktemp("half")
    source = Path(shutil.copytree(softer, folder / "run"))
    result, out = stopped(source, folder)
    assert result.outcome == "operator"
    assert 0 < result.cycles < 300
    return source, out


@pytest.mark.nights
def test_what_was_stopped_goes_on_with_the_cycles_the_specimen_has_had(half, tmp_path):
    _, out = half
    again = Path(shutil.copytree(out, tmp_path / "again"))
    result = go_on_rehearsing(look_back(again), "it was stopped")
    assert result.outcome == "failure"
    expected = loss_reached(softening(COUNT), 0.4)
    # Cycles that were run and not counted are gone for the specimen: a few at each stop.
    assert expected - 10 <= result.cycles <= expected + 2


@pytest.mark.nights
@pytest.mark.parametrize("accident", ["gone", "another"])
def test_it_does_not_go_on_without_the_recording_it_began_with(half, tmp_path, accident):
    source, out = half
    again = Path(shutil.copytree(out, tmp_path / "again"))
    aside = tmp_path / "aside"
    shutil.move(source, aside)
    try:
        if accident == "another":
            recording(source, softening(COUNT - 1))
        before = (again / "journal.db").read_bytes()
        with pytest.raises(InputError, match="gone" if accident == "gone" else "not those of then"):
            go_on_rehearsing(look_back(again), "it was stopped")
        assert (again / "journal.db").read_bytes() == before
    finally:
        if source.exists():
            shutil.rmtree(source)
        shutil.move(aside, source)


def without(**changes: object) -> dict[str, np.ndarray]:
    columns = softening(50)
    return {**columns, **{k: np.full(50, v) for k, v in changes.items()}}


CANNOT = {
    "no cycles": (
        {name: values[:0] for name, values in softening(50).items()},
        "no counted cycles",
    ),
    "no deflection": (
        without(stiffness=np.nan, deflection_max=np.nan, deflection_min=np.nan),
        "no recorded cycle has a load and a net deflection",
    ),
    "deflection falls": (without(stiffness=-4e7), "no recorded cycle has a load"),
    "a channel without values": (
        without(strain_1_max=np.nan, strain_1_min=np.nan),
        "no values of strain_1",
    ),
}


@pytest.mark.parametrize(
    ("columns", "said"),
    [
        pytest.param(*row, id=name, marks=() if name == "no deflection" else pytest.mark.nights)
        for name, row in CANNOT.items()
    ],
)
def test_what_cannot_stand_in_is_refused(tmp_path, columns, said):
    source = recording(tmp_path / "run", columns)
    with pytest.raises(InputError, match=said) as refused:
        planned(stand_in(source), tmp_path)
    assert "\n" not in str(refused.value)


@pytest.mark.xdist_group("stand-in")
def test_a_static_end_and_a_limit_on_a_channel_that_is_not_there_are_refused(softer, tmp_path):
    found = stand_in(softer)
    ultimate = '[[stage]]\nname = "end"\nkind = "ramp"\ncontrol = "deflection"\n'
    ultimate += 'until = "ultimate"\nspeed = "0.5 mm/min"\n'
    ultimate += '[limits.residual]\nload = ["-2 kN", "200 kN"]\n'
    limit = 'crack_opening = ["-1 mm", "1 mm"]\n[full_rate]'
    for text, said in (
        (protocol().replace("[failure]", ultimate + "[failure]"), "does not tell where"),
        (protocol().replace("[full_rate]", limit), "crack_opening"),
    ):
        file = tmp_path / "protocol.toml"
        file.write_text(text)
        with pytest.raises(InputError, match=said):
            plan_on(found, str(file), lambda path: Path(path).read_text())


@pytest.mark.xdist_group("stand-in")
def test_other_loads_than_the_recorded_ones_are_told(softer, tmp_path):
    found = stand_in(softer)
    plan = planned(found, tmp_path)
    assert plan.loading is not None
    assert found.other_load(plan) == ""
    more = replace(plan, loading=replace(plan.loading, upper=1.1 * plan.loading.upper))
    assert "recorded at 9.24 to 52.8 kN, asked for are 9.24 to 58.08 kN" in found.other_load(more)


def test_a_channel_that_falls_with_the_load_is_known_by_a_slow_cycle(tmp_path):
    from rig.record import Recorder, StaticRecord

    source = recording(tmp_path / "run", softening(50), ended=False)
    recorder = Recorder.reopen(source, look_back(source).header)
    load = np.linspace(0.0, 5e4, 20)
    values = np.stack((load, 1e-8 * load, -2e-8 * load)).astype(np.float32)
    names = tuple(c.name for c in CHANNELS)
    recorder.static(StaticRecord(1.0, 1, 4e7, np.nan, 0.0, names, 10.0, 0, values))
    recorder.finish("limit", "stopped", 50, 5.0)
    found = stand_in(source)
    assert found.signs == {"strain_1": -1.0}
    lines = found.rows()(np.array([10.0]))
    strain = lines.channels["strain_1"]
    assert strain.slope[0] < 0


@pytest.mark.xdist_group("stand-in")
def test_what_the_rig_file_lacks_is_filled_in(softer, tmp_path):
    plan = planned(stand_in(softer), tmp_path)
    assert plan.rig.driver == "simulated"
    assert plan.rig.actuator.load[1] == pytest.approx(5 * 52.8e3)
    assert plan.rig.pump is not None
    assert plan.rig.pump.flow == pytest.approx(1.5 / 6e4)
    assert plan.rig.simulation["servo_bandwidth"] == pytest.approx(50.0)


@pytest.mark.nights
def test_what_the_rig_file_of_a_real_rig_tells_is_kept(tmp_path):
    own = RIG.replace('driver = "recording"', 'driver = "other_frame"  # of that time')
    found = stand_in(recording(tmp_path / "own", softening(50), rig=own))
    plan = planned(found, tmp_path)
    assert plan.rig.driver == "simulated"
    assert plan.rig.actuator.load == (-1e7, 1e7)
    assert plan.rig.pump is not None
    assert plan.rig.pump.flow == pytest.approx(600 / 6e4)
    bare = own[: own.index("[actuator]")] + own[own.index("[[channel]]") :]
    found = stand_in(recording(tmp_path / "bare", softening(50), rig=bare))
    assert planned(found, tmp_path).rig.actuator.load[1] == pytest.approx(5 * 52.8e3)


def pieces_of(number: np.ndarray, sizes: list[int]) -> Iterator[Piece]:
    """Pieces of rows whose signals are functions of the number."""
    net = np.stack((number * 1e-6, 1e-8 + number * 1e-12, 0 * number + 3e4, number * 1e-13))
    others = np.stack((number, -number))[None]
    at, turn = 0, 0
    while at < len(number):
        size = sizes[turn % len(sizes)]
        part = slice(at, at + size)
        yield Piece(number[part], net[:, part], others[:, :, part])
        at, turn = at + size, turn + 1


@pytest.mark.nights
@settings(max_examples=30)
@given(
    holes=st.sets(st.integers(1, 299), max_size=120),
    sizes=st.lists(st.integers(1, 40), min_size=1, max_size=4),
    asked=st.lists(
        st.lists(st.floats(-5.0, 320.0), min_size=1, max_size=30), min_size=1, max_size=12
    ),
)
def test_lines_are_functions_of_the_cycle_alone(holes, sizes, asked):
    """Whatever was asked before, whichever rows are missing, and however they come."""
    number = np.array([n for n in range(1, 301) if n not in holes], np.float64)
    rows = RecordedRows(lambda: pieces_of(number, sizes), ("end_slip_1",))
    for some in asked:
        wanted = np.array(some)
        lines = rows(wanted)
        straight = np.clip(wanted, number[0], number[-1])  # what is even over holes stays so
        assert np.allclose(lines.net.at_rest, straight * 1e-6, rtol=1e-9, atol=0)
        assert np.allclose(lines.channels["end_slip_1"].slope, -straight, rtol=1e-9, atol=0)
        fresh = RecordedRows(lambda: pieces_of(number, [7]), ("end_slip_1",))(wanted)
        assert lines.net.slope.tobytes() == fresh.net.slope.tobytes()


def test_few_rows_are_held_however_many_there_are():
    """Those about the cycles asked for; going back reads them anew."""
    alive: list[weakref.ref[Piece]] = []

    def read() -> Iterator[Piece]:
        for piece in pieces_of(np.arange(1.0, 5001.0), [50]):
            alive.append(weakref.ref(piece))
            yield piece

    rows = RecordedRows(read, ("end_slip_1",))
    for cycle in range(0, 5000, 10):
        rows(np.arange(cycle, cycle + 25.0))
        assert sum(ref() is not None for ref in alive) <= 6
    assert len(alive) == 100
    assert rows(np.array([3.0])).channels["end_slip_1"].slope[0] == -3.0


@settings(max_examples=30)
@given(
    bent=st.floats(0.0, 0.9),
    mean_slope=st.floats(1e-9, 1e-7),
    low=st.floats(-5e3, 2e4),
    span=st.floats(1e3, 2e5),
)
def test_a_line_has_the_extremes_and_the_slope_of_its_row(bent, mean_slope, low, span):
    """The least-squares slope of a sine over it is the stiffness that was recorded."""
    load = low + span / 2 * (1 + np.sin(np.arange(4096) * 2 * np.pi / 4096))
    x = (load - load.mean()) / (span / 2)
    deflection = 1e-4 + mean_slope * span / 2 * (x + bent * np.abs(x))
    stiffness = np.cov(load, deflection)[0, 1] / np.var(deflection, ddof=1)
    values = {
        "number": 7,
        "load_min": load.min(),
        "load_max": load.max(),
        "deflection_min": deflection.min(),
        "deflection_max": deflection.max(),
        "stiffness": stiffness,
    }
    columns = {name: np.array([value], np.float64) for name, value in values.items()}
    frames = np.arange(1)
    piece = piece_of(Cycles(columns, frames, frames + 1, frames + 2), {}, None)
    at_rest, slope, knee, bend = piece.net[:, 0]
    again = at_rest + slope * load + bend * np.maximum(load - knee, 0)
    assert again.min() == pytest.approx(deflection.min(), rel=1e-6, abs=1e-12)
    assert again.max() == pytest.approx(deflection.max(), rel=1e-3)
    found = np.cov(load, again)[0, 1] / np.var(again, ddof=1)
    assert found == pytest.approx(stiffness, rel=1e-3)

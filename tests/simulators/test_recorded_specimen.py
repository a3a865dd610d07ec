"""A recorded specimen in the simulated rig: it bends as its lines say, cycle by cycle."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.channels import Channel
from rig.ports import Rig
from simulators.recorded import BEYOND, BentLine, Line, Lines, RecordedSpecimen
from simulators.setup import SimulationSetup
from tests.simulators.driving import (
    AMPLITUDE,
    CHANNELS,
    LOWER,
    MEAN,
    QUIET,
    UPPER,
    Script,
    contact,
    drive,
    finish,
    play,
    setup,
    take,
)

FREQUENCY = 4.0
PERIOD = 50  # frames
STRAIN = Channel("strain_1", "1", 0.0, -1.0, 1.0)


def lines(numbers: np.ndarray) -> Lines:
    """Lines of a specimen that gets softer by 0.2 % a cycle; its supports stand 1 mm high."""
    soft = (1 + 0.002 * numbers) / 40e6
    net = BentLine(2e-4 + 1e-6 * numbers, soft, np.full_like(soft, MEAN), 0.5 * soft)
    support = Line(np.full_like(soft, 1e-3), np.full_like(soft, 1e-9))
    strain = Line(1e-4 * numbers, np.full_like(soft, -1e-9))
    return Lines(net, support, {"support_left": support, "strain_1": strain})


def made(last: float = 1000.0, *, fails: bool = False, quiet: bool = True) -> SimulationSetup:
    recorded = RecordedSpecimen(
        lines, last, fails, 0.95 * 2 * AMPLITUDE, frozenset({"support_left", "strain_1"})
    )
    channels = (*(QUIET if quiet else CHANNELS), STRAIN)
    # A servo without lag reaches what is commanded.
    return setup(channels=channels, recorded=recorded, servo_bandwidth=1e9)


async def cycle(rig: Rig, frames: int, growth: float = 2.0) -> np.ndarray:
    """Cycle for so many frames after contact; channels in their order."""
    await contact(rig)
    await rig.actuator.move_load(MEAN, 20e3)
    await finish(rig)
    await rig.actuator.cycle(MEAN, AMPLITUDE, FREQUENCY, growth)
    return await take(rig, frames)


def test_each_counted_cycle_bends_as_its_line_says() -> None:
    """Counted is from 95 % of the range on; a line's middle is that of its cycle."""
    load, net, stroke, support, strain = drive(made(), lambda rig: cycle(rig, 60 * PERIOD))
    spans = [np.ptp(load[i * PERIOD : (i + 1) * PERIOD]) for i in range(60)]
    first = int(np.argmax(np.array(spans) >= 0.95 * 2 * AMPLITUDE))
    assert 6 <= first <= 8
    for number in (1, 2, 10, 40):
        part = slice((first + number - 1) * PERIOD, (first + number) * PERIOD)
        told = lines(np.array([float(number)]))
        high, low = int(np.argmax(load[part])), int(np.argmin(load[part]))
        # A quarter of a cycle to either side of its middle: a quarter of the change.
        for at in (high, low):
            expected = float(told.net.at(load[part][at : at + 1])[0])
            assert net[part][at] == pytest.approx(expected, rel=1.5e-3, abs=1.5e-6)
        assert strain[part][high] == pytest.approx(1e-4 * number - 1e-9 * UPPER, abs=3e-5)
        assert strain[part][low] == pytest.approx(1e-4 * number - 1e-9 * LOWER, abs=3e-5)
    assert support.max() == pytest.approx(1e-3 + 1e-9 * UPPER, rel=1e-3)
    assert stroke.max() < 0.02  # where the sensors stand says nothing of where contact is


def test_it_fails_after_its_last_cycle_if_it_failed_there() -> None:
    """No load is carried any more; the deflection runs away."""

    async def job(rig: Rig) -> np.ndarray:
        return await cycle(rig, 40 * PERIOD)

    load, net, *_ = drive(made(20.0, fails=True), job)
    full = int(np.argmax(load > 0.97 * UPPER)) // PERIOD
    before = slice((full + 17) * PERIOD, (full + 19) * PERIOD)
    after = slice((full + 23) * PERIOD, (full + 25) * PERIOD)
    assert load[before].max() > 0.99 * UPPER
    assert load[after].max() < 0.3 * UPPER
    assert net[after].min() > 1.5 * net[before].max()


def test_one_that_did_not_fail_goes_on_and_that_is_told() -> None:
    """It holds its last line; the reader is shown the frame at which that is told."""

    async def job(rig: Rig) -> tuple[list[bool], np.ndarray]:
        told = []
        parts = [await cycle(rig, 8 * PERIOD)]
        for _ in range(60):
            parts.append(await take(rig, PERIOD))
            told.append(rig.acquisition.recording_over)  # type: ignore[attr-defined]
        return told, np.concatenate(parts, axis=1)

    told, (load, *_) = drive(made(10.0), job)
    assert not told[0]
    assert told[-1]
    assert told.index(True) == pytest.approx(10 + BEYOND, abs=2)
    assert load[-PERIOD:].max() > 0.99 * UPPER


def test_a_cycle_that_was_not_finished_does_not_count() -> None:
    """After a stop in the middle of a cycle the next one is the same again."""

    async def job(rig: Rig) -> tuple[np.ndarray, float]:
        frames = await cycle(rig, 30 * PERIOD + 3 * PERIOD // 4)
        await rig.actuator.end_cycling(2.0)
        await finish(rig)
        return frames, rig.acquisition.snapshot()["state"]["specimen"]["age"]  # type: ignore[attr-defined]

    (load, *_), age = drive(made(), job)
    spans = np.array([np.ptp(load[i * PERIOD : (i + 1) * PERIOD]) for i in range(30)])
    assert age == (spans >= 0.95 * 2 * AMPLITUDE).sum()


TOTAL = 3600


def script() -> Script:
    """Cycle, change the amplitude, end it, and cycle at another frequency."""
    a = lambda name, *args: lambda rig: getattr(rig.actuator, name)(*args)  # noqa: E731
    return [
        (0, a("cycle", MEAN, AMPLITUDE, FREQUENCY, 1.0)),
        (1103, a("adjust", MEAN, 1.02 * AMPLITUDE)),
        (1810, a("end_cycling", 2.0)),
        (2500, a("cycle", MEAN, AMPLITUDE, 3.7, 1.0)),
    ]


async def played(rig: Rig, cuts: list[tuple[int, int]]) -> np.ndarray:
    """Play the script after contact, read in blocks that are kept in part."""
    await contact(rig, 1000)
    await rig.actuator.move_load(MEAN, 20e3)
    await finish(rig, 1000)
    return await play(rig, script(), cuts, TOTAL)


REFERENCE: dict[bool, np.ndarray] = {}


@settings(max_examples=8, deadline=None)
@given(
    cuts=st.lists(
        st.integers(1, 900).flatmap(lambda r: st.tuples(st.just(r), st.integers(1, r))),
        min_size=1,
        max_size=4,
    ).filter(lambda cuts: sum(k for _, k in cuts) > 40 * len(cuts)),
    fails=st.booleans(),
)
def test_kept_frames_do_not_depend_on_how_they_are_read(
    cuts: list[tuple[int, int]], fails: bool
) -> None:
    """Not in growth, nor over changes of the command, nor where it fails."""
    rig = made(40.0, fails=fails, quiet=False)
    if fails not in REFERENCE:
        REFERENCE[fails] = drive(rig, lambda r: played(r, [(97, 97)]))
    got = drive(rig, lambda r: played(r, cuts))
    assert got.tobytes() == REFERENCE[fails].tobytes()


def test_it_goes_on_from_a_snapshot_as_it_would_have() -> None:
    """The cycles it has had are kept."""

    async def job(rig: Rig) -> tuple[dict[str, object], np.ndarray]:
        await cycle(rig, 1234)
        kept = rig.acquisition.snapshot()  # type: ignore[attr-defined]
        return kept, await take(rig, 2000)

    async def again(rig: Rig) -> np.ndarray:
        rig.acquisition.restore(kept)  # type: ignore[attr-defined]
        return await take(rig, 2000)

    kept, expected = drive(made(quiet=False), job)
    assert drive(made(quiet=False), again).tobytes() == expected.tobytes()


def test_nothing_of_it_is_used_where_a_specimen_is_simulated() -> None:
    """A setup without it is the one of before."""
    assert replace(made(), recorded=None).recorded is None
    load, *_ = drive(setup(), lambda rig: cycle(rig, 10 * PERIOD))
    assert load.max() < UPPER  # its servo lags, and the specimen cracks

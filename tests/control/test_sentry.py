"""The sentry by itself: what it says of samples as they arrive, in whatever pieces they come."""

from __future__ import annotations

import math
import threading
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.acquire.deflection import net_deflection
from rig.control.sentry import AGAIN, Sentry, posted
from rig.control.stop_now import StopNow
from rig.errors import DeviceError
from rig.guards.limits import LimitSetup, LimitState, check_limits
from rig.samples import SampleBlock

RATE = 1000.0
CHANNELS = ("load", "stroke", "midspan", "support_left", "support_right", "end_slip_1")
BOUNDS = {"load": (-2.0, 2.0), "deflection": (-2.0, 2.0), "stroke": (-1.0, 2.0)}


def block(values, first=0, channels=CHANNELS):
    return SampleBlock(first, RATE, channels, np.asarray(values, np.float32))


def quiet(frames, first=0, channels=CHANNELS, **beyond):
    """Return samples of 0, some channels of another value."""
    values = np.zeros((len(channels), frames), np.float32)
    for name, value in beyond.items():
        values[channels.index(name)] = value
    return block(values, first, channels)


def armed(channels=CHANNELS, persist=3, bounds=BOUNDS):
    sentry = Sentry(channels)
    sentry.arm(LimitSetup(bounds=bounds, persist=persist, rate=RATE))
    return sentry


def cut(whole, sizes):
    """Return a block in pieces of these sizes, over and over."""
    at, pieces = 0, []
    while at < whole.frames:
        size = sizes[len(pieces) % len(sizes)]
        pieces.append(
            replace(whole, first=whole.first + at, values=whole.values[:, at : at + size])
        )
        at += size
    return pieces


LEVELS = (0.0, 1.0, 2.0, float(np.nextafter(np.float32(2), np.float32(3))), 3.0, -2.5)
"""Values in, at, just beyond and far beyond the bounds."""
SAMPLES = st.sampled_from((*LEVELS, math.nan, math.inf, -math.inf))
ROWS = st.integers(3, 40).flatmap(
    lambda frames: st.lists(
        st.lists(st.just(0.0) | SAMPLES, min_size=frames, max_size=frames),
        min_size=len(CHANNELS),
        max_size=len(CHANNELS),
    )
)


def by_definition(whole, bounds, persist):
    """Return the first frame whose `persist` last samples of a limited signal all are beyond.

    Written down from the definition, with Python's own numbers: no source but the words.
    """
    signals = {name: row.tolist() for name, row in zip(whole.channels, whole.values, strict=True)}
    signals["deflection"] = net_deflection(whole).tolist()
    for index in range(persist - 1, whole.frames):
        for name, (low, high) in bounds.items():
            last = signals[name][index - persist + 1 : index + 1]
            if all(not low <= value <= high for value in last):
                return whole.first + index
    return None


@given(
    ROWS,
    st.lists(st.integers(1, 5), min_size=1, max_size=6),
    st.integers(1, 5),
    st.sets(st.sampled_from(sorted(BOUNDS)), min_size=1),
)
@pytest.mark.filterwarnings("ignore:invalid value encountered:RuntimeWarning")
def test_however_samples_arrive_it_sees_what_the_stream_sees(values, sizes, persist, limited):
    bounds = {name: BOUNDS[name] for name in BOUNDS if name in limited}
    whole = block(values, first=700)
    sentry = armed(persist=persist, bounds=bounds)
    said = [piece.end for piece in cut(whole, sizes) if sentry.glance(piece)]

    signals = dict(zip(whole.channels, whole.values, strict=True))
    signals["deflection"] = net_deflection(whole)
    setup = LimitSetup(bounds=bounds, persist=persist, rate=RATE)
    _, trip = check_limits(setup, LimitState(), whole.first, signals)
    seen = sentry.seen.trip if sentry.seen is not None else None
    assert repr(seen) == repr(trip)  # NaN is not equal to itself
    if trip is None:
        assert not said
        return
    assert said == [min(p.end for p in cut(whole, sizes) if p.end > trip.frame)]
    if trip.kind == "limit":
        assert trip.frame == by_definition(whole, bounds, persist)


@given(ROWS, st.lists(st.integers(1, 5), min_size=1, max_size=6))
@pytest.mark.filterwarnings("ignore:invalid value encountered:RuntimeWarning")
def test_what_is_counted_is_counted_by_the_stream_after_every_batch(values, sizes):
    whole, setup = block(values), LimitSetup(bounds=BOUNDS, persist=3, rate=RATE)
    sentry, state = armed(), LimitState()
    for piece in cut(whole, sizes):
        signals = dict(zip(piece.channels, piece.values, strict=True))
        signals["deflection"] = net_deflection(piece)
        state, _ = check_limits(setup, state, piece.first, signals)
        sentry.glance(piece)
        assert sentry._watch.group(CHANNELS).state == state


BOTH = ("load", "load_2", "midspan")
KNOWN = LimitSetup(bounds={"load": (-2.0, 2.0)}, rate=RATE, persist=3, ends=(-3.0, 3.0), apart=0.5)
TWO = st.lists(
    st.tuples(
        st.sampled_from((0.0, 0.5, 0.6, 1.0, 2.5, 3.0, math.nan)),
        st.sampled_from((0.0, 0.5, 1.0, 3.0, math.nan)),
    ),
    min_size=3,
    max_size=40,
)


@given(TWO, st.lists(st.integers(1, 5), min_size=1, max_size=6))
def test_a_feedback_in_doubt_is_seen_as_the_stream_sees_it(pairs, sizes):
    rows = [*zip(*pairs, strict=True), [0.0] * len(pairs)]
    whole, sentry = block(rows, first=300, channels=BOTH), Sentry(BOTH)
    sentry.arm(KNOWN)
    state = LimitState()
    for piece in cut(whole, sizes):
        signals = dict(zip(piece.channels, piece.values, strict=True))
        state, trip = check_limits(KNOWN, state, piece.first, signals)
        said = sentry.glance(piece)
        assert said or trip is None or sentry.seen is not None
        assert sentry._watch.group(BOTH).state == state
        if trip is not None:
            break
    assert repr(sentry.seen.trip if sentry.seen is not None else None) == repr(trip)


def test_two_measures_of_different_devices_are_left_to_the_stream():
    sentry = Sentry(BOTH)
    sentry.arm(KNOWN)
    for at in range(9):
        assert not sentry.glance(quiet(1, first=at, channels=("load", "midspan"), load=1.5))
        assert not sentry.glance(quiet(1, first=at, channels=("load_2",), load_2=0.0))
    assert sentry.glance(quiet(5, first=9, channels=("load", "midspan"), load=3.0))
    assert sentry.seen.trip.kind == "feedback"


def test_a_batch_longer_than_a_few_frames_is_checked_as_well():
    sentry = armed()
    assert not sentry.glance(quiet(500))
    values = quiet(500, first=500).values.copy()
    values[0, 100:103] = 5.0
    assert sentry.glance(block(values, first=500))
    assert sentry.seen.trip.frame == 602


def test_without_limits_nothing_is_seen():
    sentry = Sentry(CHANNELS)
    assert not sentry.glance(quiet(5, load=99.0))
    sentry.arm(LimitSetup(bounds=BOUNDS, rate=RATE, persist=1))
    sentry.disarm()
    assert not sentry.glance(quiet(5, load=99.0))
    assert sentry.seen is None


@pytest.mark.parametrize("there", [("load", "midspan"), ("load", "midspan", "support_left")])
def test_net_deflection_is_checked_only_where_all_of_it_comes_together(there):
    # The supports of this rig come from another device: mid-span alone is another quantity.
    sentry = armed(persist=1)
    assert not sentry.glance(quiet(3, channels=there, midspan=9.0))
    alone = armed(channels=there, persist=1)
    assert alone.glance(quiet(3, channels=there, midspan=9.0))
    assert alone.seen.trip.channel == "deflection"


def test_two_devices_are_counted_each_by_itself_and_in_frames_of_its_own():
    sentry = armed()
    stroke = ("stroke",)
    for at in range(2):
        assert not sentry.glance(quiet(1, first=90_000 + at, channels=stroke, stroke=5.0))
        assert not sentry.glance(quiet(1, first=at, channels=("load", "midspan"), load=0.5))
    assert sentry.glance(quiet(1, first=90_002, channels=stroke, stroke=5.0))
    assert (sentry.seen.trip.frame, sentry.seen.base) == (90_002, False)


def test_missing_feedback_is_seen_without_limits_on_it():
    sentry = armed(bounds={"stroke": (-1.0, 1.0)})
    # Over 5 ms without a valid load; common practice, no source.
    said = [sentry.glance(quiet(1, first=at, load=math.nan)) for at in range(6)]
    assert said == [False] * 5 + [True]
    assert sentry.seen.trip.kind == "feedback"


def test_an_excess_that_goes_on_is_told_again_but_not_with_every_batch():
    sentry = armed()
    said = [at for at in range(0, 1000, 2) if sentry.glance(quiet(2, first=at, load=5.0))]
    assert said[0] == 2
    apart = round(AGAIN * RATE)
    assert np.diff(said).tolist() == [apart] * (len(said) - 1)
    assert len(said) == 10
    assert sentry.seen.trip.frame == 2


def test_a_glance_that_fails_closes_the_valve_and_is_told():
    sentry = armed()
    broken = replace(quiet(2), values=np.zeros((1, 2), np.float32))
    said = [sentry.glance(broken) for _ in range(120)]
    assert said[0]
    assert said.count(True) == 3
    with pytest.raises(StopNow, match="IndexError") as stop:
        sentry.heed(0, 0)
    assert (stop.value.cause, stop.value.outcome) == ("limits", "fault")


def test_what_it_saw_first_stays():
    sentry = armed(persist=1)
    sentry.glance(quiet(1, first=7, load=5.0))
    sentry.arm(LimitSetup(bounds={"stroke": (-1.0, 1.0)}, rate=RATE, persist=1))
    sentry.glance(quiet(1, first=8, stroke=5.0))
    sentry.disarm()
    assert (sentry.seen.trip.channel, sentry.seen.trip.frame) == ("load", 7)


def test_it_is_heeded_once_the_stream_has_had_the_sample():
    sentry = armed(persist=1)
    sentry.heed(1_000, 0)
    sentry.glance(quiet(5, first=30, load=5.0))
    ahead = 1_000  # test time, the device having begun anew
    sentry.heed(1_020, ahead)
    sentry.heed(1_030, ahead)
    with pytest.raises(StopNow, match="the valve was closed as the sample arrived") as stop:
        sentry.heed(1_031, ahead)
    assert stop.value.trip.frame == 1_030
    assert "load 0.005 kN is above its limit 0.002 kN" in stop.value.why


def test_what_another_device_brought_is_heeded_a_little_later():
    sentry = armed(persist=1)
    sentry.glance(quiet(1, first=77_000, channels=("stroke",), stroke=5.0))
    sentry.heed(200, 0)
    sentry.heed(300, 0)
    with pytest.raises(StopNow) as stop:
        sentry.heed(301, 0)
    assert stop.value.trip.frame == 301


@pytest.mark.nights
def test_changing_limits_leaves_no_moment_without_them():
    # Whatever limits it meets, wide or narrow, one of them is exceeded: every look must say so.
    sentry, said, ended = Sentry(CHANNELS), [], threading.Event()
    wide = LimitSetup(bounds={"load": (-2.0, 2.0), "stroke": (-4.0, 4.0)}, rate=RATE, persist=1)
    narrow = replace(wide, bounds={"load": (-1.0, 1.0)})
    sentry.arm(wide)

    def look():
        # Frames far apart: each excess is told anew.
        said.extend(sentry.glance(quiet(1, first=n * 1_000, load=5.0)) for n in range(3_000))
        ended.set()

    thread = threading.Thread(target=look)
    thread.start()
    changes = 0
    while not ended.is_set():
        sentry.arm(narrow if changes % 2 else wide)
        changes += 1
    thread.join()
    assert len(said) == 3_000
    assert all(said)
    assert changes > 2


class Deaf:
    """A post whose driver fails."""

    def stand(self, _glance):
        raise OSError(5, "Input/output error")


def test_a_post_that_cannot_stand_is_a_device_error():
    with (
        pytest.raises(DeviceError, match=r"as they arrive \(OSError"),
        posted(Deaf(), lambda _b: False),
    ):
        raise AssertionError("nothing may begin")

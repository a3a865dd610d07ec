"""Channels that move, drift, grow noisy or come to their end, and supports that settle."""

import numpy as np
import pytest

from tests.criteria.beam import CHANNELS, NET, Beam
from tests.criteria.test_agreement import BAD, doubts, found, of

N = 2200
STEP = 0.1 * NET
NO_STROKE = tuple(c for c in CHANNELS if c != "stroke")


def told(beam, channels=CHANNELS):
    return [(f.kind, f.action) for f in doubts(found(beam, channels))]


@pytest.mark.parametrize("channels", [CHANNELS, NO_STROKE])
@pytest.mark.parametrize("by", [STEP, -STEP])
def test_a_midspan_that_moved_pauses_once(channels, by):
    beam = Beam(N).show("midspan", BAD, by=by)
    findings = doubts(found(beam, channels))
    assert [(f.kind, f.action) for f in findings] == [("sensor", "pause")]
    assert "midspan moved at once" in findings[0].text
    assert BAD < findings[0].cycle < BAD + 20 * 25  # it has stayed for 16 groups of 25


def test_a_specimen_that_jumps_with_the_rod_has_not_moved_its_sensor():
    # A crack that opens at once and then is stable: further and wider, the rod with it.
    soft = np.where(np.arange(N) < BAD, 1.0, 1.04)
    creep = np.where(np.arange(N) < BAD, 0.0, STEP)
    assert doubts(found(Beam(N, soft=soft, creep=creep))) == []


@pytest.mark.parametrize("cycles", [50, 100, 150, 300])
@pytest.mark.parametrize("names", [("midspan",), ("midspan", "support_left", "support_right")])
def test_somebody_who_leans_on_the_frame_and_goes_is_nothing(names, cycles):
    beam = Beam(N)
    for name in names:
        beam.show(name, BAD, by=STEP, end=BAD + cycles)
    assert doubts(found(beam)) == []


@pytest.mark.parametrize("name", ["midspan", "support_left", "crack_opening"])
def test_a_channel_that_follows_the_load_no_more_pauses(name):
    findings = doubts(found(Beam(N).show(name, BAD, factor=0.0)))
    assert any(f"{name} does not follow the load" in f.text for f in findings)
    assert {f.kind for f in findings} == {"sensor"}


@pytest.mark.parametrize("factor", [0.4, 1.8])
def test_a_support_whose_range_alone_changes_pauses(factor):
    findings = doubts(found(Beam(N).show("support_left", BAD, factor=factor)))
    assert any("the range of support_left changed" in f.text for f in findings)
    assert {f.kind for f in findings} == {"sensor"}


def test_a_load_that_is_noisy_alone_is_its_cells():
    beam = Beam(N)
    noise = 0.02 * 83e3 * np.random.default_rng(5).standard_normal(N)
    noise[:BAD] = 0.0
    beam.high["load"] += noise
    findings = doubts(found(beam))
    assert [(f.kind, f.action) for f in findings] == [("sensor", "warn")]
    assert "load is noisy" in findings[0].text


def test_a_support_that_moved_alone_is_its_sensor():
    findings = doubts(found(Beam(N).show("support_left", BAD, by=1.5 * STEP)))
    assert ("sensor", "pause") in [(f.kind, f.action) for f in findings]
    assert {f.kind for f in findings} == {"sensor"}


def settling(by):
    """Return a beam whose left support sinks: mid-span and rod go half as far."""
    beam = Beam(N).show("support_left", BAD, by=by)
    beam.show("midspan", BAD, by=by / 2)
    return beam.show("stroke", BAD, by=by / 2)


def test_a_support_that_settles_is_told_as_such():
    findings = doubts(found(settling(1.5 * STEP)))
    assert {f.kind for f in findings} == {"support"}
    assert all(f.action == "warn" for f in findings)
    assert any("the support settles, look at its bearing" in f.text for f in findings)
    assert doubts(found(settling(0.5 * STEP))) == []


def ramp(n, to):
    """Return what grows evenly from a cycle after the baseline on."""
    return np.maximum(np.arange(n) - BAD, 0) * (to / (n - BAD))


def drifting(beam, name, to, share):
    """Let a channel drift and net deflection go with it by a share."""
    for column in (beam.low, beam.high):
        column[name] += ramp(beam.n, to)
        column["deflection"] += share * ramp(beam.n, to)
    return beam


@pytest.mark.parametrize("soft", [1.0, 1.08, 1.2])
def test_a_support_that_slips_under_a_specimen_that_softens_is_its_sensor(soft):
    # The specimen swings further by 8 or 20 % and so stands further: by 34 or 84 um.
    beam = Beam(6000, soft=1 + ramp(6000, soft - 1))
    findings = doubts(found(drifting(beam, "support_left", 100e-6, -0.5)))
    assert [(f.kind, f.action) for f in findings] == [("sensor", "warn")]
    assert "support_left stands more than" in findings[0].text


@pytest.mark.parametrize("soft", [0.98, 1.0, 1.08, 1.2])
def test_a_support_that_settles_under_a_specimen_that_softens_is_told_as_such(soft):
    beam = Beam(6000, soft=1 + ramp(6000, soft - 1))
    drifting(drifting(beam, "support_left", 100e-6, -0.5), "midspan", 50e-6, 1.0)
    findings = doubts(found(drifting(beam, "stroke", 50e-6, 0.0)))
    assert [(f.kind, f.action) for f in findings] == [("support", "warn")]


@pytest.mark.parametrize("to", [100e-6, -100e-6])
def test_a_midspan_that_slips_bit_by_bit_is_told_as_a_support_is(to):
    beam = Beam(6000)
    beam.air = np.full(6000, 290.0)
    findings = doubts(found(drifting(beam, "midspan", to, 1.0)))
    assert [(f.kind, f.action) for f in findings] == [("sensor", "warn")]
    assert "midspan and stroke have drifted apart" in findings[0].text


def test_less_of_it_may_be_the_posts_where_no_temperature_is_read():
    # Two metres of steel and 5 K that nobody knows of: 120 um.
    assert doubts(found(drifting(Beam(6000), "midspan", 100e-6, 1.0))) == []


@pytest.mark.parametrize("name", ["midspan", "stroke"])
def test_where_a_dead_channel_stands_tells_nothing_of_the_other(name):
    beam = Beam(N).show(name, BAD, factor=0.02, by=500e-6)
    beam.air = np.full(N, 290.0)
    told = [f.text for f in doubts(found(beam))]
    assert any(f"{name} does not follow" in text for text in told)
    assert not any("apart" in text for text in told)


@pytest.mark.parametrize("follows", [0.6, 0.8, 1.0])
def test_load_points_that_go_less_far_than_midspan_are_no_drift(follows):
    # Loads at third points: where a crack opens at mid-span the rod goes two thirds as far.
    beam = Beam(6000, soft=1 + ramp(6000, 0.6), follows=follows)
    beam.air = np.full(6000, 290.0)
    assert [f for f in doubts(found(beam)) if "apart" in f.text] == []


def test_a_slow_drift_of_midspan_is_told_where_there_is_a_stroke():
    beam = Beam(6000)
    drift = np.maximum(np.arange(6000) - BAD, 0) * (500e-6 / 5000)
    for column in (beam.low, beam.high):
        column["midspan"] += drift
        column["deflection"] += drift
    findings = doubts(found(beam))
    assert [(f.kind, f.action) for f in findings] == [("sensor", "warn")]
    assert "drifted apart" in findings[0].text


def test_warmth_that_parts_midspan_and_stroke_is_no_drift():
    beam = Beam(6000)
    beam.air = 290 + 10 * np.sin(np.arange(6000) / 2000)
    posts = 20e-6 * (beam.air - 290)
    for column in (beam.low, beam.high):
        column["midspan"] += posts
        column["deflection"] += posts
    assert [f for f in doubts(found(beam)) if "apart" in f.text] == []


@pytest.mark.parametrize("name", ["crack_opening", "stroke"])
def test_another_channel_that_moves_alone_is_named(name):
    findings = doubts(found(Beam(N).show(name, BAD, by=STEP * 1.5)))
    assert findings[0].kind == "sensor"
    assert name.split("_")[0] in findings[0].text


@pytest.mark.parametrize("name", ["midspan", "support_left", "stroke"])
def test_a_noisy_channel_is_named_and_the_load_is_not(name):
    beam = Beam(N)
    noise = 0.05 * NET * np.random.default_rng(5).standard_normal(N)
    noise[:BAD] = 0.0
    beam.high[name] += noise
    findings = doubts(found(beam))
    assert any(f"{name} is noisy" in f.text for f in findings)
    assert {f.action for f in findings} == {"warn"}


def test_a_load_that_is_uneven_from_cycle_to_cycle_is_the_rigs():
    gain = np.ones(N)
    gain[BAD:] = 1 + 0.04 * np.random.default_rng(5).standard_normal(N - BAD)
    beam = Beam(N, gain=gain)
    beam.high["load"] = beam.low["load"] + (beam.high["load"] - beam.low["load"]) * gain
    findings = doubts(found(beam))
    assert {f.kind for f in findings} == {"uneven-load"}


def test_a_sensor_near_the_end_of_its_range_is_told():
    beam = Beam(N).show("crack_opening", BAD, by=19.95e-3)
    assert any("near the end of its range" in f.text for f in of(found(beam), "sensor"))


def test_water_that_comes_on_is_not_a_sensor_that_moved():
    beam = Beam(N).show("midspan", BAD, by=STEP)
    beam.flags[BAD:] |= np.uint16(16)
    assert doubts(found(beam)) == []


@pytest.mark.parametrize(
    "channels", [CHANNELS, NO_STROKE, tuple(c for c in CHANNELS if c != "load_2")]
)
def test_a_specimen_that_bends_less_at_the_same_load_touches_something(channels):
    soft = np.where(np.arange(N) < BAD, 1.0, 0.955)
    findings = doubts(found(Beam(N, soft=soft), channels))
    assert {(f.kind, f.action) for f in findings} == {("guide", "warn")}
    assert "does the spreader touch a guide" in findings[0].text


@pytest.mark.parametrize(("colder", "told"), [(0.0, True), (2.0, True), (15.0, False)])
def test_a_specimen_that_is_stiffer_in_the_cold_touches_nothing(colder, told):
    # The modulus of concrete rises by 0.3 % a kelvin of cold (fib Model Code 2010, from memory).
    after = np.arange(N) >= BAD
    beam = Beam(N, soft=np.where(after, 0.955, 1.0))
    beam.air = 293.0 - colder * after
    assert ("guide" in {f.kind for f in doubts(found(beam))}) == told


def test_a_specimen_that_bends_a_little_less_is_as_it_was():
    soft = np.where(np.arange(N) < BAD, 1.0, 0.98)
    assert doubts(found(Beam(N, soft=soft))) == []


def test_a_midspan_that_shows_less_alone_touches_nothing():
    findings = doubts(found(Beam(N).show("midspan", BAD, factor=0.95)))
    assert "guide" not in {f.kind for f in findings}


def test_a_cell_that_shows_too_much_is_not_taken_for_a_guide():
    # The true load is less than is read; the second measure says so.
    gain = np.where(np.arange(N) < BAD, 1.0, 0.95)
    assert "guide" not in {f.kind for f in doubts(found(Beam(N, gain=gain)))}


def held(soft, channels=CHANNELS, crack=0.02):
    """Return what is found where something holds the specimen and the crack gauge hardly moves."""
    beam = Beam(N, soft=np.where(np.arange(N) < BAD, 1.0, soft))
    return doubts(found(beam.show("crack_opening", BAD, factor=crack), channels))


def test_a_crack_that_stays_closed_as_the_specimen_bends_far_less_is_no_dead_gauge():
    assert [(f.kind, f.action) for f in held(0.5)] == [("guide", "warn")]


@pytest.mark.parametrize(("soft", "channels"), [(0.955, CHANNELS), (0.5, NO_STROKE)])
def test_a_gauge_that_dies_as_something_holds_the_specimen_is_told(soft, channels):
    assert any("crack_opening does not follow" in f.text for f in held(soft, channels, crack=0.0))

"""What a limit is named after where the feedback was in doubt as it tripped, and where not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rig.channels import Channel
from rig.judging.arming import feedback_setup
from rig.judging.naming import after_trip, evidence_time, feedback_doubt
from rig.samples import SampleBlock
from tests.control.conftest import plan_in

RATE = 1000.0
STIFFNESS = 100e6  # N/m
TEXT = "load is beyond its limit"
SECOND = Channel("load_2", "N", 10.0, -25e3, 260e3, 60.0)


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    return plan_in(tmp_path_factory.mktemp("files"), "first-night")


@pytest.fixture(scope="module")
def plan_2(plan):
    return replace(plan, rig=replace(plan.rig, channels=(*plan.rig.channels, SECOND)))


def block(load, bent, second=None):
    """Return samples with noise."""
    random = np.random.default_rng(2)
    rows = {"load": load + random.normal(0, 40, len(load)), "midspan": bent}
    if second is not None:
        rows["load_2"] = second
    return SampleBlock(0, RATE, tuple(rows), np.asarray([*rows.values()], np.float32))


def cycles(frames=600):
    n = np.arange(frames)
    return 43e3 + 35e3 * np.sin(2 * np.pi * 4 * n / RATE)


def test_a_healthy_load_beyond_its_limit_is_a_limit(plan):
    load = cycles()
    load[580:] += np.linspace(0, 15e3, 20)
    healthy = block(load, load / STIFFNESS)
    assert feedback_doubt(plan, healthy, 590) == ""
    assert after_trip(plan, None, None, TEXT, healthy, 590) == ("limit", TEXT)


@pytest.mark.parametrize("slow", [True, False])
def test_a_load_that_stood_still_as_the_specimen_bent_was_in_doubt(plan, slow):
    load, bent = cycles(), cycles() / STIFFNESS
    samples = block(load, bent)
    samples.values[0, 540:] = samples.values[0, 540]
    loading = None if slow else plan.loading
    outcome, why = after_trip(plan, loading, None, TEXT, samples, 580)
    assert outcome == "fault"
    assert why.startswith("feedback in doubt: the load stayed the same for 41 samples while net")
    assert why.endswith(TEXT)


def test_a_broken_specimen_that_carries_nothing_is_no_stuck_cell(plan):
    load, bent = cycles(), cycles() / STIFFNESS
    bent[540:] += np.linspace(0, 5e-3, 60)
    samples = block(load, bent)
    samples.values[0, 540:] = 0.0
    # It fell in one sample, but the deflection grew in the same: no jump of the cell either.
    samples.values[1, 540:] += 1e-3
    assert feedback_doubt(plan, samples, 580) == ""


def test_a_load_below_zero_before_anything_was_carried_was_in_doubt(plan):
    down = np.linspace(0, -2.2e3, 600)
    assert "look at the zero" in feedback_doubt(plan, block(down, np.zeros(600)), 590)
    polarity = feedback_doubt(plan, block(down, -down / STIFFNESS), 590)
    assert polarity.endswith(
        "the load falls while the specimen bends; look at the polarity of the cell"
    )


def test_what_hangs_on_the_cell_after_a_failure_is_no_wrong_sign(plan):
    load = cycles()
    bent = load / STIFFNESS
    load[560:], bent[560:] = -2.6e3, 5e-3  # the limit is -2 kN
    assert feedback_doubt(plan, block(load, bent), 580) == ""


def test_a_second_measure_that_showed_another_load_puts_the_first_in_doubt(plan, plan_2):
    load = cycles()
    away = load + np.where(np.arange(600) > 500, 5e3, 0.0)
    samples = block(load, load / STIFFNESS, second=away)
    assert ", load_2 " in feedback_doubt(plan_2, samples, 590)
    assert feedback_doubt(plan_2, samples, 400) == ""
    assert feedback_doubt(plan, samples, 590) == ""  # whose rig has no such channel


def test_a_load_that_does_not_swing_with_the_specimen_was_in_doubt(plan):
    n = np.arange(600)
    foreign = 30e3 + 20e3 * np.sin(2 * np.pi * 7 * n / RATE + 1)
    doubt = feedback_doubt(plan, block(foreign, cycles() / STIFFNESS), 590)
    assert "do not swing together" in doubt


def test_a_load_that_jumped_alone_was_in_doubt(plan):
    load, bent = cycles(), cycles() / STIFFNESS
    load[560:] += 20e3
    assert "the load jumps from" in feedback_doubt(plan, block(load, bent), 570)


def test_evidence_begins_two_cycles_before_or_two_seconds_in_slow_stages(plan):
    assert evidence_time(plan.loading) == pytest.approx(0.5)
    assert evidence_time(None) == 2.0


def test_what_may_differ_follows_range_noise_and_specimen(plan, plan_2):
    known = feedback_setup(plan_2, RATE)
    # 3 % of 79.2 - 7.92 kN; the ends of the load channel; contact 2 % of upper. No source.
    assert known.apart == pytest.approx(0.03 * 71.28e3)
    assert known.ends == (-25e3, 260e3)
    assert known.following.contact == pytest.approx(0.02 * 79.2e3)
    # Four deviations of 1 um twice, and two resolutions of 0.5 um.
    assert known.following.deflection == pytest.approx(4e-6 * 2**0.5 + 1e-6)
    assert known.following.load == pytest.approx(4 * 40 + 2 * 5)
    assert feedback_setup(plan, RATE).apart is None


def test_a_cell_without_noise_in_its_rig_file_is_asked_less(plan):
    quiet = [replace(c, noise=0.0) if c.name == "load" else c for c in plan.rig.channels]
    known = feedback_setup(replace(plan, rig=replace(plan.rig, channels=tuple(quiet))), RATE)
    assert not known.following.lively
    assert known.following.load == pytest.approx(1e-4 * 285e3)
    assert feedback_setup(plan, RATE).following.lively


def test_a_specimen_that_breaks_through_more_than_a_cycle_is_no_unrelated_load(plan):
    """It goes on bending while the load falls, so that the two hardly swing together any more."""
    load = cycles()
    bent = load / STIFFNESS
    gone = np.arange(600.0) - 200
    load = np.where(gone > 0, load[200] * np.exp(-gone / 300), load)
    bent = np.where(gone > 0, bent[200] + 5e-6 * gone, bent)
    assert "swing together" not in feedback_doubt(plan, block(load, bent), 590)

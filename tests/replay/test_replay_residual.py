"""The static test after a run-out judged again: as recorded, by other limits or other cycles."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from rig.control.desk import Request
from rig.guards.limits import Trip
from rig.ports import InputState
from rig.protocol.plan import Plan
from rig.protocol.residual import residual_stages
from rig.record import Event, Residual
from rig.record.entries import RAN_OUT
from rig.replay.held import Evidence
from rig.replay.judged import Replayed, differences, recorded, replay
from rig.replay.recording import open_recording
from rig.replay.timeline import FOR_EVER, timeline
from rig.samples import SampleBlock
from simulators.faults import InputChange, Moved
from tests.assembly.nights import ROOT
from tests.replay.made import LEARNED, PROTOCOL, Case, gone_on, made

RUN_OUT = 140
BREAK = """[[stage]]
name = "to ultimate"
kind = "ramp"
control = "deflection"
until = "ultimate"
speed = "10 mm/min"
[baseline]"""
WIDER = """[limits.residual]
load = ["-6 kN", "{most} kN"]
deflection = ["-0.5 mm", "40 mm"]
[full_rate]"""
BREAKING = 80.0  # [s] of test time at which it is being broken


def base(most: int = 200, before: str = "5 s") -> str:
    """Return a protocol that breaks what has run out."""
    text = PROTOCOL.format(
        specimen=ROOT / "protocols" / "specimens" / "prism-small.toml",
        **{"run_out": RUN_OUT, "stop": "30 %", "before": before, "exposure": "dry"},
        **{"spray": "", "learned": LEARNED, "alerts": ""},
    )
    return text.replace("[baseline]", BREAK).replace("[full_rate]", WIDER.format(most=most))


@pytest.fixture(scope="module")
def broken(tmp_path_factory) -> Path:
    """Return the folder of one that ran out and was broken; samples of its last part are kept."""
    return made(tmp_path_factory.mktemp("broken"), Case(base=base(before="30 s")))


def judged(run: Path, change=lambda plan: plan) -> tuple[Replayed, Replayed, Plan, tuple[str, ...]]:
    """Return what was recorded and what is found by a plan, that plan, and the differences."""
    with open_recording(run) as recording:
        plan = change(recording.plan())
        then, now = recorded(recording), replay(recording, plan)
        return then, now, plan, differences(recording, plan, then, now)


def alike(then: Residual, now: Residual) -> bool:
    return (then.outcome, then.load) == (now.outcome, pytest.approx(now.load, rel=1e-6))


@pytest.mark.xdist_group("replay-residual")
def test_as_recorded_both_outcomes_come_back(broken):
    then, now, _, differ = judged(broken)
    assert (now.outcome, now.cycles, now.why) == (then.outcome, then.cycles, then.why)
    assert (now.outcome, now.cycles) == ("run-out", RUN_OUT)
    assert now.residual.outcome == "ultimate"
    assert alike(then.residual, now.residual)
    assert differ == ()
    assert {f.kind for f in now.findings} <= {"baseline", "run-out"}


@pytest.mark.xdist_group("replay-residual")
def test_from_run_h5_alone_it_is_the_same(broken):
    assert judged(broken / "run.h5")[1].residual == judged(broken)[1].residual


def test_a_narrower_limit_ends_the_static_test_and_nothing_else(broken):
    def narrow(plan):
        limits = replace(plan.limits, residual={"load": (-6e3, 120e3)})
        return replace(plan, limits=limits)

    then, now, _, differ = judged(broken, narrow)
    assert (now.outcome, now.cycles) == (then.outcome, then.cycles)
    assert now.residual.outcome == "limit"
    assert any("residual capacity not known: limit" in line for line in differ)


@pytest.mark.xdist_group("replay-residual")
def test_a_protocol_that_ends_with_its_cycles_judges_them_alone(broken):
    def cycles_alone(plan):
        return replace(plan, stages=plan.stages[: -len(residual_stages(plan))])

    _, now, _, _ = judged(broken, cycles_alone)
    assert (now.outcome, now.cycles, now.residual) == ("run-out", RUN_OUT, None)


@pytest.mark.parametrize(
    ("run_out", "outcome", "cycles"), [(100, "run-out", 100), (5000, None, RUN_OUT)]
)
def test_after_other_cycles_nobody_knows_what_would_be_left(broken, run_out, outcome, cycles):
    def other(plan):
        stages = (*plan.stages[:1], replace(plan.stages[1], run_out=run_out), *plan.stages[2:])
        return replace(plan, stages=stages)

    _, now, _, _ = judged(broken, other)
    assert (now.outcome, now.cycles, now.residual) == (outcome, cycles, None)
    assert any("does not tell what would be left" in note for note in now.notes)


@pytest.mark.nights
@pytest.mark.parametrize("seed", [2, 3, 4])
@pytest.mark.parametrize("before", ["1 s", "5 s"])
def test_other_specimens_and_what_is_kept_of_them_agree_too(tmp_path, seed, before):
    then, now, _, differ = judged(made(tmp_path, Case(seed, base=base(before=before))))
    assert differ == ()
    assert alike(then.residual, now.residual)


@pytest.mark.nights
def test_a_limit_that_ended_it_ends_it_again(tmp_path):
    text = base().replace('["-0.5 mm", "40 mm"]', '["-0.5 mm", "2 mm"]')
    then, now, _, differ = judged(made(tmp_path, Case(base=text)))
    assert then.residual.outcome == now.residual.outcome == "limit"
    assert alike(then.residual, now.residual)
    assert then.residual.why == now.residual.why
    assert differ == ()


@pytest.mark.nights
def test_a_limit_of_the_controller_that_ended_it_is_taken_as_told(tmp_path):
    then, now, _, differ = judged(made(tmp_path, Case(base=base(most=110))))
    assert (then.residual.outcome, now.residual) == ("limit", None)
    assert then.residual.why == "the controller's own limit: load"
    assert any(then.residual.why in note for note in now.notes)
    assert differ == ()


@pytest.mark.nights
@pytest.mark.parametrize("ended", ["operator", "fault"])
def test_what_no_sample_tells_of_its_end_is_taken_as_told(tmp_path, ended):
    stop = ((BREAKING, Request("stop", who="P. Tester")),) if ended == "operator" else ()
    pressed = InputChange(round(BREAKING * 1000), InputState(emergency_stop=True))
    faults = (pressed,) if ended == "fault" else ()
    then, now, _, differ = judged(made(tmp_path, Case(base=base(), script=stop, faults=faults)))
    assert (then.outcome, then.residual.outcome) == ("run-out", ended)
    assert then.residual.load > 0
    assert (now.outcome, now.residual) == ("run-out", None)
    assert any("which no sample tells" in note for note in now.notes)
    assert differ == ()


@pytest.mark.nights
def test_a_load_in_doubt_is_no_load_that_was_held_then_and_now(tmp_path):
    jumps = Moved("load", round(BREAKING * 1000), 60e3)
    then, now, _, differ = judged(made(tmp_path, Case(base=base(), faults=(jumps,))))
    assert then.residual == now.residual
    assert (now.residual.outcome, now.residual.load) == ("fault", None)
    assert differ == ()


@pytest.mark.nights
def test_one_that_was_stopped_and_gone_on_with_agrees(tmp_path):
    stop = ((BREAKING, Request("stop", who="P. Tester")),)
    then, now, _, differ = judged(made(tmp_path, Case(base=base(), script=stop, then=gone_on)))
    assert then.residual.outcome == "ultimate"
    assert alike(then.residual, now.residual)
    assert differ == ()


@pytest.mark.parametrize(("again", "frame"), [((), 40_000), (("cycling",), FOR_EVER)])
def test_a_run_out_stands_no_more_once_its_specimen_is_cycled_again(again, frame):
    # A simulated one that is taken up goes on where its restart point was, maybe before it.
    states = [(10.0, "cycling"), (40.0, "inspection"), (50.0, "starting"), (60.0, "approach")]
    states += [(70.0 + i, state) for i, state in enumerate((*again, "stopping"))]
    events = [Event(time, 0, "state", f"{name}, stage") for time, name in states]
    events.insert(1, Event(40.0, RUN_OUT, RAN_OUT, "run-out"))
    assert timeline(events, 1000.0).residual == frame


@pytest.mark.parametrize(("imported", "outcome"), [(False, "fault"), (True, "limit")])
def test_a_limit_in_it_is_named_by_its_evidence_as_in_a_test(broken, imported, outcome):
    with open_recording(broken) as recording:
        plan = recording.plan()
    load = np.linspace(20e3, 30e3, 3000)
    shown = dict.fromkeys(plan.rig.sampled, np.zeros(3000))
    shown |= {"load": load + 200e3 * (np.arange(3000) >= 2500), "midspan": load / 1e8}
    values = np.array([*shown.values()], np.float32)
    evidence = Evidence(
        replace(plan, stages=residual_stages(plan)), plan.rig.rate, imported=imported
    )
    evidence.add(SampleBlock(0, plan.rig.rate, tuple(shown), values))
    trip = Trip("limit", "load", 228e3, 200e3, 2502, "load is above its limit")
    named, why = evidence.named(trip, 2520, None)
    assert named == outcome
    assert ("feedback in doubt" in why) == (outcome == "fault")


def test_the_words_of_a_replay_hold_both(broken, capsys):
    from tests.commands.cut_off import said_by

    said = said_by("replay", str(broken)).out.splitlines()
    lines = [line for line in said if re.match(r"  (recorded|replayed)  run-out", line)]
    assert len(lines) == 2
    assert all("; residual capacity " in line for line in lines)

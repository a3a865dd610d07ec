"""One verdict, however a test is carried out: rehearsed, taken up again, replayed, in real time."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from rig.assembly.events_file import Events
from rig.assembly.looking_back import look_back
from rig.assembly.rehearsal import go_on_rehearsing, rehearse
from rig.control.desk import Request
from rig.protocol.plan import Plan
from rig.replay.differing import differences
from rig.replay.recording import open_recording
from rig.replay.replaying import replay
from rig.replay.told import recorded
from tests.assembly.disturbing import planned, scripted
from tests.assembly.live import Live, carry_out

OIL = "oil-droop"
SHORT = '[[event]]\nkind = "oil-droop"\nat = "{at:g} s"\nto = "40 %"\nover = "2 s"\n'
CASES = {
    "slow end": (("chill", 18.0), ("hum", 20.0), ("slow-end", 35.0)),
    "brittle end": (("creep", 15.0), ("gaps", 20.0), ("brittle-end", 38.0)),
    "oil": (("chill", 20.0), (OIL, 35.0)),
    "harmless": (("daily-temperature", 0.0), ("crack", 30.0), ("spiking", 25.0)),
}
OUTCOMES = {"slow end": "failure", "brittle end": "failure", "oil": "fault", "harmless": "run-out"}
WITHIN = 3
"""Cycles by which a verdict in real time may differ: commands come some ticks earlier or later."""
STOPPED = 45.0
LATER = 260.0
"""s by which events come later in a test that is taken up again: it has stood and started then."""


def disturbed(folder: Path, case: str, later: float = 0.0) -> tuple[Plan, Events]:
    """Return a test of half a minute of cycling, and what happens to it."""
    folder.mkdir()
    plan = planned(folder, run_out=300 + round(10 * later))
    events = [(kind, at + later) for kind, at in CASES[case]]
    more = "".join(SHORT.format(at=at) for kind, at in events if kind == OIL)
    return plan, scripted(plan, *(e for e in events if e[0] != OIL), more=more)


def cause(why: str) -> str:
    """Return what a verdict says, without its numbers."""
    return " ".join(word for word in why.split() if not any(c.isdigit() for c in word))


@pytest.mark.nights
@pytest.mark.parametrize("case", sorted(CASES))
def test_a_disturbed_test_is_judged_alike_when_it_is_taken_up_again_and_replayed(case, tmp_path):
    plan, events = disturbed(tmp_path / "files", case, LATER)
    whole = rehearse(plan, tmp_path / "whole", 3, events=events)
    assert whole.outcome == OUTCOMES[case], whole.why
    stop = ((STOPPED, Request("stop", who="P. Tester")),)
    cut = tmp_path / "cut"
    assert rehearse(plan, cut, 3, events=events, script=stop).outcome == "operator"
    ended = go_on_rehearsing(look_back(cut), "stopped")
    assert (ended.outcome, cause(ended.why)) == (whole.outcome, cause(whole.why))
    for folder in (tmp_path / "whole", cut):
        with open_recording(folder) as recording:
            then, now = recorded(recording), replay(recording, plan)
            assert differences(recording, plan, then, now) == ()
            assert (then.outcome, now.unlike) == (whole.outcome, ())


@pytest.mark.xdist_group("serial")
@pytest.mark.timeout(120)
@pytest.mark.parametrize(
    "case",
    [
        pytest.param("brittle end", marks=pytest.mark.nights),
        *(pytest.param(c, marks=pytest.mark.endurance) for c in CASES if c != "brittle end"),
    ],
)
def test_a_disturbed_test_in_real_time_is_judged_as_it_is_rehearsed(case, tmp_path, monkeypatch):
    monkeypatch.setenv("NIGHTRIG_SOCKETS", f"{tmp_path}/sockets")
    plan, events = disturbed(tmp_path / "files", case)
    whole = rehearse(plan, tmp_path / "whole", 3, events=events)

    async def nobody(_live: Live) -> None:
        await asyncio.Event().wait()

    _, live = asyncio.run(
        carry_out(plan, tmp_path / "live", nobody, seed=3, pace=3.0, finish=True, events=events)
    )
    assert (live.outcome, cause(live.why)) == (whole.outcome, cause(whole.why))
    assert abs(live.cycles - whole.cycles) <= WITHIN
    with open_recording(tmp_path / "live") as recording:
        then, now = recorded(recording), replay(recording, plan)
        assert differences(recording, plan, then, now) == ()

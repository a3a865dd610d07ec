"""What people ask for in whole tests in virtual time, on an emulated rig and on one that is not."""

from __future__ import annotations

from dataclasses import replace

import h5py

from rig.assembly import rehearse
from rig.control.checklist import checklist
from rig.control.desk import Request
from rig.ports import InputState
from simulators.faults import InputChange
from tests.control.night import Accidents, walk

BY = "P. Tester"
HOURS_LONG = {r"^rate = .*$": 'rate = "200 Hz"'}
"""Change of the rig for nights of many hours: the fewest samples a cycle that are allowed."""
QUICK = {
    r"^run_out = .*$": 'run_out = "200 cycles"',
    r'^at = \["150 cycles"\]$': 'at = ["100 cycles"]',
}
CYCLING, INSPECTION = 65_000, 84_000
"""Frames at which the quick night cycles, and makes its inspection."""


def said(verb: str, text: str = "", **more) -> Request:
    return Request(verb, who=BY, text=text, **more)


def table(path, name):
    with h5py.File(path) as file:
        rows = file[name][:]
    return [tuple(v.decode() if isinstance(v, bytes) else v for v in row.tolist()) for row in rows]


def states(path):
    """Return what a run says of each state that it entered."""
    return [text for _, _, kind, text in table(path, "events") if kind == "state"]


def nights(plan_of, tmp_path):
    """Return a function: requests at test times [s], changes, faults, to a finished run."""

    def carry_out(*script, changes=None, faults=(), rig=None):
        plan = plan_of("first-night", {**QUICK, **(changes or {})}, rig)
        return rehearse(plan, tmp_path / "run", 1, script=script, faults=faults)

    return carry_out


REAL = {r"^rate = ": 'local_input = "button"\nrate = '}


def real(plan_of, tmp_path, script, presses, name="w"):
    plan = plan_of("first-night", QUICK, REAL)
    items = checklist(plan)
    full = {"items": items, "on_call": "Q. Tester, +00 1"}
    complete = [
        (frame, replace(r, **full) if r.verb == "confirm" and not r.items else r)
        for frame, r in script
    ]
    faults = []
    for frame in presses:
        faults += [
            InputChange(frame, InputState(local_button=True)),
            InputChange(frame + 500, InputState()),
        ]
    return walk(
        plan,
        tmp_path / name,
        script=complete,
        accidents=Accidents(faults=tuple(faults)),
        emulated=False,
    )

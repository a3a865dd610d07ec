"""How each step of the state table comes about: a whole test in virtual time for every row."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

from rig.control.checklist import checklist
from rig.control.desk import Request
from rig.control.states import (
    LOADED,
    MOVING,
    Row,
)
from rig.ports import InputState
from simulators.faults import Flat, InputChange, Missing, NoFlow
from tests.control.night import Accidents, Walked

BY = "P. Tester"
AFTER = 300  # frames after a state was entered: still in it, and long enough to be settled
SHORT = {
    r"^run_out = .*$": 'run_out = "160 cycles"',
    r'^at = \["150 cycles"\]$': 'at = ["60 cycles"]',
    r'^go_on_after = "20 s"': 'go_on_after = "5 s"',
    r"^unload_after = .*$": 'unload_after = "20 s"',
    r"^on_pause = .*$": 'on_pause = "off"',
    r'^at = "lower"$': 'at = "mean"',
}
CALM = Accidents()


def said(verb: str) -> Request:
    return Request(verb, who=BY)


@dataclass(frozen=True)
class Night:
    """One whole test: changes of the protocol, what people ask for, what goes wrong."""

    changes: tuple[tuple[str, str], ...] = ()
    script: tuple[tuple[int, Request], ...] = ()
    accidents: Accidents = CALM
    emulated: bool = True
    rig: tuple[tuple[str, str], ...] = ()


def complete(request: Request, plan) -> Request:
    """Return a confirmation with all items of the plan's checklist."""
    if request.verb != "confirm":
        return request
    return Request("confirm", who=BY, items=checklist(plan), on_call="Q. Tester, +00 1")


PLAIN = Night()
SPARSE = ((r"^rate = .*$", 'rate = "300 Hz"'),)
"""Change of the rig for nights of many hours: fewer samples."""
HOUR = 3600 * 300  # frames of an hour at that rate
LONG_DRY = 2 * HOUR + HOUR // 20
REAL = ((r"^rate = ", 'local_input = "button"\nrate = '),)


def at(walked: Walked, state: str, nth: int = 0) -> int:
    return walked.entered(state, nth) + AFTER


def visiting(night, state: str) -> Night:
    """Return a night, undisturbed but for requests, that comes through a state."""
    base = night(PLAIN)
    cycling = at(base, "cycling")
    if state in ("pausing", "paused"):
        return Night(script=((cycling, said("pause")), (cycling + 10_000, said("continue"))))
    if state == "locked":
        waiting = at(base, "waiting")
        return Night(script=((waiting, said("pause")), (waiting + 5_000, said("continue"))))
    if state in ("unloading", "unloaded"):
        return Night(script=((cycling, said("unload")), (cycling + 40_000, said("continue"))))
    if state == "checklist":
        return Night(emulated=False, rig=REAL)
    if state == "re-wetting":
        wet = night(Night(rig=SPARSE)).entered("waiting") - 6_000  # spraying has begun
        long = ((r"^unload_after = .*$", 'unload_after = "10 h"'),)
        script = ((wet, said("pause")), (wet + LONG_DRY, said("continue")))
        return Night(long, script, rig=SPARSE)
    return PLAIN


def guard_under_load(night, state: str) -> Night:
    """Return the night in which the guard opens where a slow stage stands under upper load."""
    frame = night(PLAIN).entered("static") + 8_000
    faults = [InputChange(frame + 5_000, InputState(guard_open=True))]
    if state == "locked":
        button = InputState(local_button=True)
        faults = [
            InputChange(frame + 2_000, button),
            InputChange(frame + 2_500, InputState()),
            *faults,
        ]
    return Night(
        script=((frame, said("pause")), (frame + 60_000, said("stop"))),
        accidents=Accidents(faults=tuple(faults)),
    )


def struck(night, row: Row) -> Night:
    """Return the night in which a row's fault strikes in its state."""
    if row.cause == "guard" and row.state in LOADED:
        return guard_under_load(night, row.state)
    calm = visiting(night, row.state)
    if row.cause == "feedback":
        # Else the limit on load, which persists 3 samples, would be the first to trip, not the
        # 5 or 6 missing ones.
        patient = (r"^\[limits\].*$", '[limits]\npersist = "20 ms"')
        calm = replace(calm, changes=(*calm.changes, patient))
    frame = at(night(calm), row.state)
    ever = 10**9
    faults = {
        "emergency_stop": InputChange(frame, InputState(emergency_stop=True)),
        "guard": InputChange(frame, InputState(guard_open=True)),
        "leak": InputChange(frame, InputState(leak=True)),
        "oil": InputChange(frame, InputState(oil_pressure_low=True)),
        "mains": InputChange(frame, InputState(mains_lost=True)),
        # While people are there no limit holds on what they may unplug.
        "limit": Flat("load", frame, ever, 120e3)
        if row.state in ("locked", "unloaded")
        else Flat("midspan", frame, ever, 0.02),
        "feedback": Missing("load", frame, ever),
    }
    if row.cause in faults:
        accidents = Accidents(faults=(faults[row.cause],))
    elif row.cause == "watchdog":
        # Where something moves the simulated controller finds it out by itself.
        moves = row.state in MOVING
        accidents = Accidents(heartbeats_lost=frame) if moves else Accidents(watchdog_told=frame)
    elif row.cause == "silent":
        accidents = Accidents(no_samples=frame)
    elif row.cause == "record":
        accidents = Accidents(record_trouble=frame)
    elif row.state == "checklist":
        # Nothing is asked of the controller yet, but the inputs are.
        accidents = Accidents(inputs_hang=frame)
    else:
        accidents = Accidents(no_answer=frame)
    return replace(calm, accidents=accidents)


def asked(night, row: Row) -> Night:
    """Return the night in which somebody asks for a row's verb in its state."""
    calm = visiting(night, row.state)
    frame = at(night(calm), row.state)
    before = tuple(entry for entry in calm.script if entry[0] < frame)
    after = ((frame + 60_000, said("continue")), (frame + 61_000, said("stop")))
    return replace(calm, script=(*before, (frame, said(row.cause)), *after))


def of_the_course(night, row: Row) -> Night:
    """Return the night whose course comes by a row that nobody and no fault brings about."""
    if row.cause == "stage":
        return _stages(night, row)
    if row.cause == "verdict":
        return _ends_with(row.state)
    if row.cause == "people":
        opened = InputState(guard_open=True)
        calm = visiting(night, row.state)
        frame = at(night(calm), row.state)
        faults = (InputChange(frame, opened), InputChange(frame + 3_000, InputState()))
        back = ((frame + 6_000, said("continue")), (frame + 60_000, said("stop")))
        script = tuple(e for e in calm.script if e[0] < frame)
        return Night(calm.changes, (*script, *back), Accidents(faults=faults))
    if row.cause in ("no flow", "unattended", "finding"):
        return _pauses_by_itself(night, row)
    if (row.state, row.cause) == ("paused", "wait over"):
        cycling = at(night(PLAIN), "cycling")
        return Night(script=((cycling, said("pause")), (cycling + 60_000, said("continue"))))
    if row.cause == "long dry":
        return _long_dry(night, row.state)
    if row.cause.startswith("asks"):
        calm = _long_dry(night, row.to)
        never = Accidents(faults=(NoFlow(calm.script[0][0], 10**9),))
        end = (calm.script[-1][0] + 6 * HOUR, said("stop"))
        return replace(calm, script=(*calm.script, end), accidents=never)
    if row.cause in ("go on", "checked", "wetted", "unloaded", "at rest"):
        return _goes_on(night, row)
    if row.cause in ("real rig", "confirm") or row.state == "checklist":
        return _real_rig(row)
    return PLAIN


def _long_dry(night, state: str) -> Night:
    calm = visiting(night, "re-wetting")
    if state == "paused":
        return calm
    if state == "unloaded":
        return replace(calm, changes=((r"^unload_after = .*$", 'unload_after = "20 s"'),))
    waiting = at(night(Night(rig=SPARSE)), "waiting")
    if state == "waiting":
        long = ((r'^go_on_after = "20 s"|^go_on_after = "5 s"', 'go_on_after = "3 h"'),)
        return Night(long, ((waiting + 30 * HOUR, said("stop")),), rig=SPARSE)
    script = ((waiting, said("pause")), (waiting + LONG_DRY, said("continue")))
    return Night(script=script, rig=SPARSE)


def _goes_on(night, row: Row) -> Night:
    inspection = at(night(PLAIN), "inspection")
    if row.to == "inspection":
        verb = "pause" if row.state == "starting" else "unload"
        return Night(script=((inspection, said(verb)), (inspection + 15_000, said("continue"))))
    visits = {"wetted": "re-wetting", "unloaded": "unloading", "at rest": "pausing"}
    return visiting(night, visits.get(row.cause, row.state))


def _real_rig(row: Row) -> Night:
    verb = "stop" if row.cause == "stop" else "confirm"
    pressed = InputState(local_button=True)
    button = Accidents(faults=(InputChange(3_000, pressed), InputChange(4_000, InputState())))
    script = ((1_000, said(verb)), (30_000, said("stop")))
    return Night((), script, button, emulated=False, rig=REAL)


def _pauses_by_itself(night, row: Row) -> Night:
    end = (200_000, said("stop"))
    if row.cause == "no flow":
        soon = {"cycling": '"70 cycles"', "build-up": '"1 s"'}[row.state]
        changes = [(r"^begin = .*$", f"begin = {soon}")]
        changes += [(r"retries = 1", "retries = 0"), (r'^every = "30 s"', 'every = "12 s"')]
        changes += [(r'^on = "15 s"', 'on = "11 s"'), (r"^at = \[.*\n", "at = []\n")]
        if row.state == "build-up":
            changes.append((r"^build_up = .*$", 'build_up = "150 cycles"'))
        return Night(tuple(changes), (end,), Accidents(faults=(NoFlow(0, 10**9),)))
    if row.cause == "unattended":
        base = night(PLAIN)
        since = base.entered("approach") - 10_000
        seconds = (at(base, row.state) - since) / 1e3
        return Night(((r"^by = .*$", f'by = ["{seconds:.1f} s"]'),), (end,))
    weak = ((r"^\[simulation\].*$", "[simulation]\nlife_scale = 1e-5"),)
    jump = (r"^stiffness_step = .*$", 'stiffness_step = { pause = "0.6 %", within = "20 cycles" }')
    return Night((jump,), (end,), rig=weak)


_STAGES = {
    "static": """
[[stage]]
name = "static {n}"
kind = "static"
control = "load"
to = "20 kN"
speed = "20 kN/s"
""",
    "ramp": """
[[stage]]
name = "ramp {n}"
kind = "ramp"
control = "load"
to = "{to} kN"
speed = "20 kN/s"
""",
    "hold": """
[[stage]]
name = "hold {n}"
kind = "hold"
at = "10 kN"
duration = "1 s"
""",
}
_ORDERS = (
    ("static", "static", "ramp", "ramp", "hold", "hold", "static", "hold", "ramp", "static"),
    ("ramp",),
    ("hold",),
    (),
)


def _stage_text(order: tuple[str, ...]) -> tuple[tuple[str, str], ...]:
    """Return the changes that put these stages between approach and cycles."""
    text = "".join(
        _STAGES[kind].replace("{n}", str(n)).replace("{to}", str(5 + n))
        for n, kind in enumerate(order)
    )
    between = r'(?s)^\[\[stage\]\]\nname = "pre-crack".*?(?=^\[\[stage\]\]\nname = "fatigue")'
    return ((between, text.lstrip() + "\n"),)


def _stages(night, row: Row) -> Night:
    if row.state == "starting":
        if row.to == "approach":
            return PLAIN
        frame = at(night(PLAIN), row.to)
        return Night(script=((frame, said("pause")), (frame + 4_000, said("continue"))))
    for order in _ORDERS:
        kinds = ("approach", *order, "build-up")
        if (row.state, row.to) in itertools.pairwise(kinds):
            return Night(_stage_text(order))
    raise AssertionError(f"no order of stages has {row}")


def _ends_with(state: str) -> Night:
    if state == "cycling":
        return PLAIN
    kinds = {"approach": (), "static": ("static",), "ramp": ("ramp",), "hold": ("hold",)}
    stages = _stage_text(kinds[state])
    cuts = (
        (r'(?s)^\[\[stage\]\]\nname = "fatigue".*?(?=^\[limits\])', ""),
        (r"(?s)^\[limits.cyclic\].*", ""),
        (r'^exposure = "spray"', 'exposure = "dry"'),
    )
    return Night((*stages, *cuts))

"""What one part of a protocol says against another, against the rig, or against good practice.

Figures of the warnings are common practice without a source; they warn and never refuse, except
where DEVELOPERS.md says so.
"""

from __future__ import annotations

import math

from rig.protocol.alerting import check_alert_only
from rig.protocol.document import Document
from rig.protocol.draft import Draft
from rig.protocol.plan import Approach, Cyclic, Hold, Loading, Ramp, RigPlan, Stage, Static
from rig.protocol.position import Path
from rig.protocol.residual import breaks, check_residual
from rig.protocol.usual import USUAL_CRITERIA, usual_load, warn_unnamed
from rig.protocol.wire_demands import check_demands

_OVERLOAD_REFUSED = 1.10
_OVERLOAD_WARNED = 1.05
_SAMPLES_A_CYCLE = 50
_ROUNDING = 1 + 1e-9
_RESIDUAL: Path = ("limits", "residual")


def check_draft(document: Document, draft: Draft) -> None:
    """Note every contradiction and warning in the document."""
    if draft.loading:
        _check_loading(document, draft.loading, draft.rig)
    _check_order(document, draft)
    for index, stage in enumerate(draft.stages):
        if stage is not None:
            _check_stage(document, ("stage", index), stage, draft)
    _check_cyclic(document, draft)
    _check_water(document, draft)
    _check_judging(document, draft)
    _check_attendance(document, draft)
    _check_limits(document, draft)
    check_residual(document, draft)
    check_demands(document, draft)
    check_alert_only(document, draft)
    warn_unnamed(document, draft)


def _check_loading(document: Document, loading: Loading, rig: RigPlan | None) -> None:
    upper: Path = ("loading", "upper")
    if loading.lower >= loading.upper:
        document.refuse(
            ("loading", "lower"),
            f"{kilo(loading.lower)} is not below the upper load of {kilo(loading.upper)}",
            "swap upper and lower, or give a smaller lower load",
        )
    if loading.upper > loading.capacity * _ROUNDING:
        document.refuse(
            upper,
            f"{kilo(loading.upper)} is above the capacity of {kilo(loading.capacity)}",
            'give at most "100 %"',
        )
    if rig is None:
        return
    high = rig.actuator.load[1]
    bound = rig.limits.get("load", rig.actuator.load)[1]
    if bound <= loading.upper <= high:
        document.refuse(
            upper,
            f"{kilo(loading.upper)} reaches the load limit of rig {rig.name}, {kilo(bound)}",
            "give less",
        )
    if loading.upper > high:
        document.refuse(
            upper,
            f"{kilo(loading.upper)} is beyond the actuator of rig {rig.name}",
            f"give at most {kilo(high)}",
        )
    if loading.frequency > rig.actuator.frequency:
        document.refuse(
            ("loading", "frequency"),
            f"{loading.frequency:g} Hz is beyond the actuator of rig {rig.name}",
            f'give at most "{rig.actuator.frequency:g} Hz"',
        )
    elif rig.rate / loading.frequency < _SAMPLES_A_CYCLE:
        document.refuse(
            ("loading", "frequency"),
            f"{loading.frequency:g} Hz leaves {rig.rate / loading.frequency:.0f} samples a cycle",
            f'give at most "{rig.rate / _SAMPLES_A_CYCLE:g} Hz", so that there are '
            f"{_SAMPLES_A_CYCLE}",
        )


def _check_order(document: Document, draft: Draft) -> None:
    names: set[str] = set()
    for index, stage in enumerate(draft.stages):
        if stage is None:
            continue
        if stage.name and stage.name in names:
            document.refuse(
                ("stage", index, "name"),
                f'"{stage.name}" is there twice',
                "give each stage its own name",
            )
        names.add(stage.name)
        if isinstance(stage, Ramp) and stage.until and index < len(draft.stages) - 1:
            document.refuse(
                ("stage", index, "until"),
                "breaks the specimen, and stages follow",
                "put this stage last",
            )
    first = draft.stages[0] if draft.stages else None
    if first is not None and by_load(first):
        document.refuse(
            ("stage", 0),
            "controls the load before there is contact",
            'begin with a stage of kind = "approach" or control = "deflection"',
        )


def by_load(stage: Stage) -> bool:
    """Tell whether a stage controls the load, not the way."""
    match stage:
        case Approach():
            return False
        case Static() | Ramp():
            return stage.control == "load"
        case _:
            return True


def _check_stage(document: Document, path: Path, stage: Stage, draft: Draft) -> None:
    goal, key = goal_of(stage)
    said = draft.loading is not None and goal == draft.loading.upper
    if goal is not None and draft.rig and goal > draft.rig.actuator.load[1] and not said:
        document.refuse(
            (*path, key),
            f"{kilo(goal)} is beyond the actuator of rig {draft.rig.name}",
            f"give at most {kilo(draft.rig.actuator.load[1])}",
        )
    speed = getattr(stage, "speed", None)
    by_speed = getattr(stage, "control", "stroke") != "load"
    if speed is not None and by_speed and draft.rig and speed > draft.rig.actuator.speed:
        document.refuse(
            (*path, "speed"),
            f"{document.written((*path, 'speed'))} is beyond the actuator of rig {draft.rig.name}",
            f'give at most "{draft.rig.actuator.speed * 1e3:g} mm/s"',
        )
    if isinstance(stage, Approach) and draft.loading and stage.contact >= draft.loading.upper:
        document.refuse(
            (*path, "contact"),
            f"{kilo(stage.contact)} is not below the upper load of {kilo(draft.loading.upper)}",
            f'give about 2 % of it, "{kilo(draft.loading.upper * 0.02, 2)}"',
        )
    if isinstance(stage, Ramp) and stage.until and stage.control != "deflection":
        document.refuse(
            (*path, "control"),
            '"load" lets the breaking specimen fall with all the energy of the rig',
            'give control = "deflection"',
        )


def goal_of(stage: Stage) -> tuple[float | None, str]:
    """Return the load [N] a slow stage goes to, if any, and the key that says so."""
    match stage:
        case Approach():
            return stage.contact, "contact"
        case Static() | Ramp():
            return stage.to, "to"
        case Hold():
            return stage.at, "at"
        case Cyclic():
            return None, ""


def _check_cyclic(document: Document, draft: Draft) -> None:
    for index, stage in enumerate(draft.stages):
        path: Path = ("stage", index)
        unlimited = not draft.limits.fixed and "limits" not in draft.wrong
        if breaks(stage) and unlimited and not draft.limits.residual:
            document.refuse(
                path,
                "goes to the ultimate load without limits",
                'add [limits] with load = ["-2 kN", "160 kN"], above what you expect',
            )
        if not isinstance(stage, Cyclic):
            continue
        if draft.loading is None and "loading" not in draft.wrong:
            document.refuse(
                path,
                "is cyclic without the table [loading]",
                "add [loading] with capacity, upper, lower and frequency",
            )
        if not draft.failure.armed and "failure" not in draft.wrong:
            document.refuse(
                path,
                "is cyclic without a failure criterion",
                f"add [failure] with {USUAL_CRITERIA['stiffness_loss']}",
            )
        if unlimited:
            document.refuse(
                path, "is cyclic without limits", f"add [limits] with {usual_load(draft.loading)}"
            )
        if stage.build_up >= stage.run_out:
            document.refuse(
                (*path, "build_up"),
                f"{stage.build_up} cycles is as long as the run-out of {stage.run_out}",
                "let the load grow over a few hundred cycles",
            )


def _check_water(document: Document, draft: Draft) -> None:
    wanted = draft.exposure == "spray"
    if wanted and draft.spray is None and "spray" not in draft.wrong:
        document.refuse(
            ("exposure",),
            '"spray" needs the table [spray]',
            "add [spray] with begin, on, every and flow",
        )
    if draft.spray is None:
        return
    path: Path = ("spray",)
    if draft.exposure is not None and not wanted:
        document.refuse(
            path,
            f'is there although exposure is "{draft.exposure}"',
            'give exposure = "spray" or take [spray] out',
        )
    if not draft.cyclic and "stage" not in draft.wrong:
        document.refuse(path, "has no cyclic stage to spray in", "take [spray] out")
    if draft.rig is None:
        return
    if draft.rig.pump is None:
        document.refuse(
            path,
            f"needs a pump, and rig {draft.rig.name} has none",
            "add [pump] with flow and tank to the rig file",
        )
    elif draft.spray.flow > draft.rig.pump.flow * _ROUNDING:
        document.refuse(
            (*path, "flow"),
            f"{document.written((*path, 'flow'))} is beyond the pump of rig {draft.rig.name}",
            f'give at most "{draft.rig.pump.flow * 6e4:g} L/min"',
        )


def _check_judging(document: Document, draft: Draft) -> None:
    base = draft.baseline
    if base.first >= base.last:
        document.refuse(
            ("baseline", "from"),
            f"{base.first} cycles is not before to, {base.last}",
            "swap from and to",
        )
    for index, stage in enumerate(draft.stages):
        needs = draft.failure.stiffness_loss or draft.limits.learned.armed
        if isinstance(stage, Cyclic) and needs and stage.run_out <= base.last:
            document.refuse(
                ("stage", index, "run_out"),
                f"{stage.run_out} cycles ends before the baseline is known, at {base.last}",
                "run longer, or give an earlier [baseline]",
            )
    loss = draft.failure.stiffness_loss
    if loss and loss.warn is not None and loss.warn >= loss.stop:
        document.refuse(
            ("failure", "stiffness_loss", "warn"),
            f"{loss.warn * 100:g} % is not below stop, {loss.stop * 100:g} %",
            "warn earlier",
        )
    check = draft.inspections.static_check if draft.inspections else None
    if check and draft.loading and check.to > draft.loading.upper * _ROUNDING:
        document.refuse(
            ("inspections", "static_check", "to"),
            f"{kilo(check.to)} is above the upper load of {kilo(draft.loading.upper)}",
            'give "upper" or less; more is an overload',
        )


def _check_attendance(document: Document, draft: Draft) -> None:
    counted = draft.cyclic or "stage" in draft.wrong
    if draft.attendance and draft.attendance.cycles and not counted:
        document.refuse(
            ("attendance", "by"),
            "names a count of cycles, and no stage is cyclic",
            "give times only",
        )


def _check_limits(document: Document, draft: Draft) -> None:
    for path, limits in (("limits",), draft.limits.fixed), (_RESIDUAL, draft.limits.residual):
        for name, (low, high) in limits.items():
            if name in ("load", "load_2"):
                _check_load_limit(document, (*path, name), low, high, draft)
            elif name == "deflection" and not low < 0 < high:
                document.refuse(
                    (*path, name),
                    f"{document.written((*path, name))} leaves out zero, where every test begins",
                    'give for example ["-0.5 mm", "4 mm"]',
                )
    learned = draft.limits.learned
    cyclic = "stage" in draft.wrong or draft.cyclic
    if learned.armed and not cyclic:
        document.refuse(("limits", "cyclic"), "has no cyclic stage to learn from", "take it out")
    if learned.load_high is not None and learned.load_high > _OVERLOAD_WARNED * _ROUNDING:
        _warn_overload(document, ("limits", "cyclic", "load"), learned.load_high)
    loss = draft.failure.stiffness_loss
    if loss and learned.deflection is not None:
        least = 1.1 / (1 - loss.stop)
        if learned.deflection < least:
            document.warn(
                ("limits", "cyclic", "deflection"),
                f"{learned.deflection * 100:g} % trips before a stiffness loss of "
                f"{loss.stop * 100:g} % is confirmed",
                f'give at least "{least * 100:.0f} % of settled maximum"',
            )


def _check_load_limit(
    document: Document, path: Path, low: float, high: float, draft: Draft
) -> None:
    if low >= 0:
        document.refuse(
            (*path, 0),
            f"{document.written((*path, 0))} is not below zero, where every test begins",
            'give for example "-2 kN"',
        )
    goals = [g for g in (goal_of(s)[0] for s in draft.stages if s) if g is not None]
    if draft.loading:
        goals.append(draft.loading.upper)
    if not goals or any(math.isnan(goal) for goal in goals):
        return
    top = max(goals)
    if draft.loading and top > draft.loading.capacity * _ROUNDING:
        return  # said of the load itself
    if high <= top:
        document.refuse(
            (*path, 1),
            f"{kilo(high)} is within what the test works with, up to {kilo(top)}",
            f'give about "{kilo(top * _OVERLOAD_WARNED, 3)}"',
        )
    elif draft.loading is None or _to_ultimate(path, draft):
        return
    elif high > top * _OVERLOAD_REFUSED * _ROUNDING:
        document.refuse(
            (*path, 1),
            f"{kilo(high)} is above 110 % of the upper load of {kilo(top)}",
            f'give about "{kilo(top * _OVERLOAD_WARNED, 3)}"',
        )
    elif high > top * _OVERLOAD_WARNED * 1.0005:
        _warn_overload(document, (*path, 1), high / top)


def _warn_overload(document: Document, path: Path, share: float) -> None:
    document.warn(
        path,
        f"{share * 100:.1f} % of upper lets overloads through",
        "105 % is usual; cycles at 113 % of the load leave less than a tenth of the life",
    )


def _to_ultimate(path: Path, draft: Draft) -> bool:
    """Tell whether a limit is armed while the specimen is broken: no cycle is run under it."""
    cycled = any(isinstance(s, Cyclic) for s in draft.stages)
    return path[:-1] == _RESIDUAL or (not cycled and any(map(breaks, draft.stages)))


def kilo(force: float, digits: int = 6) -> str:
    """Return a force as people read it: `92.4 kN`."""
    return f"{force / 1e3:.{digits}g} kN"

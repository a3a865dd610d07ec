"""What a look at a rig has found, and what was tried on it, as one object."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict
from typing import TYPE_CHECKING, Any, Final

from rig.channels import channel_unit

if TYPE_CHECKING:
    from drivers.survey import Survey
    from rig.assembly.survey import Missing
    from rig.assembly.trying import Tried
    from rig.ports import LineReport
    from rig.protocol.plan import RigPlan

_SECONDS: Final = ("round_trip", "skew")


def look_object(plan: RigPlan, found: Survey, lacks: tuple[Missing, ...]) -> dict[str, object]:
    """Return what was found; all values are SI, and null where there is none."""
    return {
        "rig": plan.name,
        "driver": plan.driver,
        "emulated": found.emulated,
        "ok": not lacks,
        "missing": [{"where": m.where, "what": m.what, "try": m.remedy} for m in lacks],
        "lines": [_line(line) for line in found.lines],
        "values": {
            name: {"unit": channel_unit(name), **_finite(asdict(seen))}
            for name, seen in found.values.items()
        },
        "controller": _object(found.status),
        "limits": {
            name: [_number(low), _number(high)] for name, (low, high) in found.limits.items()
        },
        "inputs": _object(found.inputs),
        "pump": _object(found.pump),
        "told": list(found.told),
    }


def try_object(plan: RigPlan, done: Tried, who: str) -> dict[str, object]:
    """Return what was tried, by whom, and what was measured."""
    return {
        "rig": plan.name,
        "by": who,
        "tried": done.what,
        "on_s": done.seconds,
        "ran": done.ran,
        "flow_m3_s": _number(done.flow),
    }


def _line(report: LineReport) -> dict[str, object]:
    """Return what is known of a line, times with their unit in the name."""
    told = _finite(asdict(report))
    return {f"{name}_s" if name in _SECONDS else name: value for name, value in told.items()}


def _object(found: Any) -> dict[str, object] | None:
    return None if found is None else _finite(asdict(found))


def _finite(values: Mapping[str, Any]) -> dict[str, object]:
    return {name: _number(value) for name, value in values.items()}


def _number(value: Any) -> Any:
    """Return a value as JSON has it: what is no finite number is null."""
    return None if isinstance(value, float) and not math.isfinite(value) else value

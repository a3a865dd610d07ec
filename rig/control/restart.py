"""The restart point: what a test needs of itself to go on where it was cut off."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from rig.control.cyclic_stage import CyclicStage
from rig.control.notices import notices_of
from rig.control.station import Station
from rig.control.taken_up import Verdict
from rig.control.water import check_water
from rig.judging.cycling import restored_parts
from rig.protocol.plan import Stage


def restart_point(
    station: Station,
    cyclic: CyclicStage | None,
    cycling: Mapping[str, object] | None,
    stage: Stage | None,
    verdict: Verdict | None,
    rig: Mapping[str, object] | None,
) -> Mapping[str, object]:
    """Return what a resumption needs, as plain values.

    `cycling` is the newest state of the cyclic stage, `rig` a simulated rig's own snapshot.
    """
    book, stream = station.book, station.stream
    return {
        "stage": stage.name if stage else "",
        "stage_number": station.plan.stages.index(stage) + 1 if stage else 0,
        "state": book.state,
        "frame": stream.now,
        "next_cycle": book.counted + 1,
        "cycling": cycling,
        "inspected": cyclic.inspected if cyclic else 0,
        "rig": rig,
        "water": station.water.to_plain(),
        "baseline_stiffness": book.baseline_stiffness,
        "repeat": station.repeat,
        "cracked": station.cracked,
        "zeros": dict(station.zeros),
        "zeros_before": dict(station.zeros_before),
        "shifts": dict(station.shifts),
        "peak": list(station.peak),
        "counter": stream.tally.counter,
        "since_counter": stream.tally.since,
        "interruptions": [list(each) for each in book.interruptions],
        "on_call": station.on_call,
        "notices": list(station.notices),
        "ran_out": station.ran_out.to_plain() if station.ran_out else None,
        "verdict": verdict.to_plain() if verdict else None,
    }


_KINDS: Final[Mapping[str, type | tuple[type, ...]]] = {
    "stage": str,
    "stage_number": int,
    "state": str,
    "frame": int,
    "inspected": int,
    "water": Mapping,
    "repeat": int,
    "cracked": bool,
    "zeros": Mapping,
    "zeros_before": Mapping,
    "shifts": Mapping,
    "peak": list,
    "counter": (int, type(None)),
    "interruptions": list,
    "on_call": str,
    "recorded": Mapping,
    "rig": (Mapping, type(None)),
    "baseline_stiffness": (int, float, type(None)),
}


def check_point(point: Mapping[str, Any], cycles: int, stages: int) -> None:
    """Raise KeyError, TypeError or ValueError for a restart point that cannot be gone on from.

    `cycles` are recorded, the plan has `stages`. It may be of another version.
    """
    for key, kind in _KINDS.items():
        if not isinstance(point[key], kind):
            raise TypeError(f"{key} is a {type(point[key]).__name__}")
    if not 0 <= point["stage_number"] <= stages:
        raise ValueError(f"stage {point['stage_number']} of {stages}")
    known, cycling = int(point["recorded"]["cycles"]), point["cycling"]
    if not 0 <= known <= cycles:
        raise ValueError(f"{known} of {cycles} cycles")
    if cycling is None and known:
        raise ValueError("cycles without the state of cycling")
    if cycling is not None:
        restored_parts(cycling)
    if told := point.get("ran_out"):
        Verdict.from_plain(told)
    for _time, _cycle, _why in point["interruptions"]:
        pass
    for by in point["shifts"].values():
        float(by)
    int(point.get("since_counter", 0))
    notices_of(point)
    check_water(point["water"])

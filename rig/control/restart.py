"""The restart point: what a test needs of itself to go on where it was cut off."""

from __future__ import annotations

from collections.abc import Mapping

from rig.control.cyclic_stage import CyclicStage
from rig.control.station import Station
from rig.control.taken_up import Verdict
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
        "peak": list(station.peak),
        "counter": stream.counter,
        "interruptions": [list(each) for each in book.interruptions],
        "on_call": station.on_call,
        "verdict": [verdict.outcome, verdict.why, verdict.cycles, verdict.cause]
        if verdict
        else None,
    }

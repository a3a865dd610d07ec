"""From the tables of a protocol file to the parts of a plan. No part judges another here."""

from __future__ import annotations

import math
from collections.abc import Iterable
from itertools import pairwise

from rig.protocol.document import Document
from rig.protocol.fields import NO_DIMENSION, Amount
from rig.protocol.plan import (
    Approach,
    Baseline,
    Cyclic,
    Failure,
    FullRate,
    Hold,
    Inspections,
    Loading,
    LoadShort,
    Ramp,
    SpraySchedule,
    Stage,
    Static,
    StaticCheck,
    StiffnessLoss,
    StiffnessStep,
)
from rig.protocol.position import Path
from rig.protocol.protocol_file import (
    AccuracyTable,
    ApproachTable,
    BaselineTable,
    CyclicTable,
    FailureTable,
    FullRateTable,
    HoldTable,
    InspectionsTable,
    LoadingTable,
    RampTable,
    SprayTable,
    StageTable,
    StaticTable,
)
from rig.protocol.trust import Accuracy
from rig.units import shown


def build_loading(table: LoadingTable, capacity: float, source: str) -> Loading:
    """Return the cyclic load for a capacity [N], which is nan where it cannot be known."""
    upper, lower = (
        value * capacity if dimension == "fraction" else value
        for value, dimension in (table.upper, table.lower)
    )
    return Loading(capacity, source, upper, lower, table.frequency, table.waveform)


def build_stages(
    document: Document, tables: Iterable[StageTable | None], loading: Loading | None
) -> tuple[Stage | None, ...]:
    """Return the stages, None for one that cannot be read."""
    return tuple(
        None if table is None else _Builder(document, ("stage", index), loading).stage(table)
        for index, table in enumerate(tables)
    )


class _Builder:
    def __init__(self, document: Document, path: Path, loading: Loading | None) -> None:
        self.document = document
        self.path = path
        self.loading = loading

    def stage(self, table: StageTable) -> Stage:
        match table:
            case ApproachTable():
                return Approach(
                    table.name, table.contact, table.speed, table.give_up_after, table.settle
                )
            case StaticTable():
                return self._static(table)
            case RampTable():
                return self._ramp(table)
            case CyclicTable():
                return Cyclic(table.name, table.build_up, table.run_out)
            case HoldTable():
                return Hold(table.name, self._target("at", table.at), table.duration)

    def _static(self, table: StaticTable) -> Static:
        speed = self._speed("speed", table.control, table.speed)
        after = speed
        if table.speed_after_crack is not None:
            after = self._speed("speed_after_crack", table.control, table.speed_after_crack)
        to = self._target("to", table.to)
        return Static(table.name, table.control, to, speed, after, table.hold, table.repeats)

    def _ramp(self, table: RampTable) -> Ramp:
        said = (table.to is None) != (table.until is None)
        if not said and "stage" not in self.document.unread:
            self.document.refuse(
                self.path,
                "needs to or until, one of them",
                'add to = "upper" or until = "ultimate"',
            )
        speed = self._speed("speed", table.control, table.speed)
        to = None if table.to is None else self._target("to", table.to)
        return Ramp(table.name, table.control, speed, to, table.until)

    def _target(self, key: str, amount: Amount) -> float:
        return target(self.document, (*self.path, key), amount, self.loading)

    def _speed(self, key: str, control: str, amount: Amount) -> float:
        value, dimension = amount
        wanted = "speed" if control == "deflection" else "force rate"
        if dimension in (wanted, NO_DIMENSION):
            return value
        path = (*self.path, key)
        self.document.refuse(
            path,
            f'{self.document.written(path)} is a {dimension}, yet control is "{control}"',
            'give a speed such as "0.5 mm/min"'
            if wanted == "speed"
            else 'give a force rate such as "0.5 kN/s"',
        )
        return math.nan


def target(document: Document, path: Path, amount: Amount, loading: Loading | None) -> float:
    """Return the load [N] that a force or one of the words upper, lower, mean stands for.

    It is nan where that load is not known.
    """
    value, word = amount
    if word in ("force", NO_DIMENSION):
        return value
    if loading is not None:
        return float(getattr(loading, word))
    if "loading" not in document.unread:
        document.refuse(
            path,
            f"{shown(word)} needs the table [loading]",
            "add [loading] with capacity, upper, lower and frequency, or give a force",
        )
    return math.nan


def build_spray(document: Document, table: SprayTable) -> SpraySchedule | None:
    """Return when water runs, or None with the problems noted."""
    path: Path = ("spray",)
    if "spray" in document.unread:
        return None
    on, every = table.on or (0.0, "time"), table.every or (0.0, "time")
    if table.continuous and (table.on or table.every):
        document.refuse(
            (*path, "continuous"),
            "is true, and on and every are there too",
            "keep continuous, or on and every",
        )
        return None
    if not table.continuous and (table.on is None or table.every is None):
        document.refuse(
            path,
            "does not say when water runs",
            'add on = "2 min" and every = "15 min", or continuous = true',
        )
        return None
    if on[1] != every[1]:
        document.refuse(
            (*path, "every"),
            f"{document.written((*path, 'every'))} and on {document.written((*path, 'on'))} are "
            "a time and a count",
            "give both as times or both as cycles",
        )
        return None
    if not table.continuous and on[0] > every[0]:
        document.refuse(
            (*path, "on"),
            f"{document.written((*path, 'on'))} is longer than every "
            f"{document.written((*path, 'every'))}",
            "give the time water runs out of each period",
        )
        return None
    units = {"time": "s", "cycles": "cycles"}
    lost = table.if_unconfirmed
    return SpraySchedule(
        begin=table.begin[0],
        begin_unit=units[table.begin[1]],
        on=on[0],
        every=every[0],
        period_unit=units[every[1]],
        continuous=table.continuous,
        flow=table.flow,
        tolerance=table.tolerance,
        retries=lost.retries,
        retry_every=lost.every,
        then=lost.then,
        on_pause=table.on_pause,
        on_stop=table.on_stop,
        faces=tuple(table.faces),
    )


def build_inspections(
    document: Document, table: InspectionsTable, loading: Loading | None
) -> Inspections:
    """Return when cycling pauses and what is done then."""
    counts = table.at
    for index, (before, after) in enumerate(pairwise(counts)):
        if after <= before:
            document.refuse(
                ("inspections", "at", index + 1),
                f"{after} cycles comes after {before}",
                "sort the counts, each once",
            )
    check = None
    if table.static_check is not None:
        asked = table.static_check
        path = ("inspections", "static_check", "to")
        to = target(document, path, asked.to, loading)
        check = StaticCheck(to, asked.rate, asked.hold, asked.repeats)
    wait = None if table.go_on_after[1] == "never" else table.go_on_after[0]
    ask = table.map_cracks == "ask"
    return Inspections(tuple(counts), table.then_every, check, ask, wait, table.zero)


def build_failure(table: FailureTable | None) -> Failure:
    """Return the criteria a protocol arms."""
    if table is None:
        return Failure()
    loss, step, short = table.stiffness_loss, table.stiffness_step, table.load_short
    return Failure(
        stiffness_loss=StiffnessLoss(loss.stop, loss.confirm, loss.warn) if loss else None,
        stiffness_step=StiffnessStep(step.pause, step.within) if step else None,
        residual_growth=table.residual_growth.warn if table.residual_growth else None,
        load_short=LoadShort(short.stop, short.confirm) if short else None,
        alert_only=frozenset(table.alert_only),
    )


def build_baseline(table: BaselineTable | None) -> Baseline:
    """Return the cycles the baseline is taken from."""
    return Baseline(table.first, table.last) if table else Baseline()


def build_full_rate(table: FullRateTable | None) -> FullRate:
    """Return the stretches kept sample by sample."""
    if table is None:
        return FullRate()
    return FullRate(
        table.first, table.per_decade, table.cycles, table.before_stop, table.after_stop
    )


def build_accuracy(table: AccuracyTable | None) -> Accuracy:
    """Return the errors that are accepted."""
    return Accuracy(table.load, table.deflection) if table else Accuracy()

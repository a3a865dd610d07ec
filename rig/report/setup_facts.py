"""What stands on the set-up sheet of a test: facts, channels, steps to sign, limits.

Pure: a plan in, words out; `setup_sheet` draws them. Figures of the steps are common practice
without a source. The sheet replaces neither local codes nor the machine's manual nor the decision
of licensed people.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date

from rig.channels import Channel, shown
from rig.guards.learned import combine
from rig.protocol.doubts import plan_doubts
from rig.protocol.estimate import estimate
from rig.protocol.plan import Bounds, Plan
from rig.protocol.residual import residual_stages
from rig.protocol.trust import Calibration

CAUTIONS: tuple[str, ...] = (
    "This sheet and this program are no safety system: guards, emergency stop and the controller's "
    "own limits come first. Local codes, the machine's manual and licensed people decide.",
    "Oil under pressure, a prestressed beam that breaks and water beside mains power can kill: "
    "nobody within reach while the pressure is on.",
)

_NONE = "none"
_ASK = "____"

PROGRAM = "program only"
_BOTH = "controller + program"

_USED_FOR = {
    "load": "control, stiffness",
    "load_2": "second measure",
    "stroke": "approach, way of the rod",
    "midspan": "net deflection",
    "support_left": "net deflection",
    "support_right": "net deflection",
    "end_slip_": "slip of a tendon",
    "crack_opening": "width of a crack",
    "strain_": "strain gauge",
    "insulation_": "gauge: dry or wet",
    "acceleration": "inertia of the load",
    "temperature_air": "air beside the rig",
    "temperature_water": "water of the spray",
    "temperature_oil": "oil, warm-up",
    "pressure": "oil supply",
    "flow": "water comes",
    "level": "water level",
    "tank": "water left",
}
"""What a channel is there for; a name that ends in `_` stands for a numbered family."""


@dataclass(frozen=True, slots=True)
class ChannelRow:
    """One channel: name and range, what it is used for, its calibration, as words."""

    name: str
    range: str
    used_for: str
    calibration: str


@dataclass(frozen=True, slots=True)
class LimitRow:
    """One limit: what it bounds, where it is held, as planned and as read back ("" to fill in).

    `same` tells whether both are equal, None where one of them is not there to compare.
    """

    name: str
    where: str
    low: str
    high: str
    back_low: str = ""
    back_high: str = ""
    same: bool | None = None


@dataclass(frozen=True, slots=True)
class Sheet:
    """All that is printed; `made` is the day it was made."""

    title: str
    made: date
    rig: str
    facts: tuple[tuple[str, str], ...]
    channels: tuple[ChannelRow, ...]
    steps: tuple[str, ...]
    limits: tuple[LimitRow, ...]
    later: str
    doubts: tuple[str, ...]
    span: float
    load_spacing: float
    height: float
    wet: str


def sheet_of(plan: Plan, today: date, read_back: Mapping[str, Bounds] | None = None) -> Sheet:
    """Return the sheet of a plan; `read_back` are the controller's limits [SI] by channel."""
    section = plan.specimen.section
    return Sheet(
        title=plan.title,
        made=today,
        rig=plan.rig.name,
        facts=tuple(_facts(plan)),
        channels=tuple(_channel(plan, c) for c in plan.rig.channels),
        steps=tuple(_steps(plan)),
        limits=tuple(_limits(plan, read_back)),
        later=_later(plan),
        doubts=tuple(doubt.text for doubt in plan_doubts(plan, today)),
        span=section.span,
        load_spacing=section.load_spacing,
        height=section.height,
        wet=plan.exposure if plan.exposure != "dry" else "",
    )


def _facts(plan: Plan) -> Iterable[tuple[str, str]]:
    yield "Specimen", f"{plan.specimen_id}: {plan.specimen.name}"
    yield "Concrete", f"{plan.specimen.concrete.strength / 1e6:.3g} MPa"
    yield "Exposure", plan.exposure
    if plan.loading is not None:
        load = plan.loading
        share = load.upper / load.capacity
        yield "Capacity", f"{shown('load', load.capacity)} ({load.capacity_source})"
        yield "Upper load", f"{shown('load', load.upper)} ({_percent(share)} of capacity)"
        yield "Lower load", f"{shown('load', load.lower)} (R = {load.lower / load.upper:.2f})"
        yield "Frequency", f"{load.frequency:g} Hz, {load.waveform}"
    if plan.cyclic is not None:
        broken = residual_stages(plan)
        then = f", then broken: {broken[-1].name}" if broken else ""
        yield "Run-out", f"{plan.cyclic.run_out:,} cycles{then}"
    yield "Takes", f"about {_duration(estimate(plan).duration_s)}, less if it fails"
    if plan.spray is not None:
        yield "Spray", _spray(plan)
    frame = plan.rig.trust.frame
    if frame.dead_load:
        yield "Dead load", f"{shown('load', frame.dead_load)}, zeroed {frame.zeroed}"
    if frame.moving_mass:
        yield "Moving mass", f"{frame.moving_mass:g} kg, cell {frame.cell}"


def _spray(plan: Plan) -> str:
    spray = plan.spray
    if spray is None:
        return _NONE
    flow = f"{shown('flow', spray.flow, digits=3)} ± {_percent(spray.tolerance)}"
    faces = f", faces: {', '.join(spray.faces)}" if spray.faces else ""
    if spray.continuous:
        return f"continuous, {flow}{faces}"
    if spray.period_unit == "s":
        when = f"{_duration(spray.on)} of every {_duration(spray.every)}"
    else:
        when = f"{spray.on:,.0f} of every {spray.every:,.0f} cycles"
    return f"{when}, {flow}{faces}"


def _channel(plan: Plan, channel: Channel) -> ChannelRow:
    calibration = plan.rig.trust.calibrations.get(channel.name)
    return ChannelRow(
        channel.name,
        shown(channel.name, channel.low, channel.high, digits=4),
        _used_for(plan, channel.name),
        _calibration(channel, calibration),
    )


def used_for(name: str) -> str:
    """Return what a channel of that name is there for, in words."""
    return _USED_FOR.get(name) or _USED_FOR.get(name.rstrip("0123456789"), "")


def _used_for(plan: Plan, name: str) -> str:
    what = used_for(name)
    limited = name in plan.limits.fixed or name in plan.rig.limits
    return f"{what}, limit" if limited else what


def _calibration(channel: Channel, found: Calibration | None) -> str:
    if found is None:
        return _NONE
    off = shown(channel.name, found.uncertainty, digits=3, difference=True)
    serial = f"no. {found.serial}, " if found.serial else ""
    return f"{serial}{found.certificate}, to {found.until.isoformat()}, U {off}"


def _steps(plan: Plan) -> Iterable[str]:
    """Give what is done and signed, in order; blanks are filled in by hand."""
    yield (
        "Hydraulics isolated and tried; accumulators discharged or locked off while people mount."
    )
    yield "Guards closed and interlocked; emergency stop tried at pressure off."
    if plan.exposure != "dry":
        yield (
            "Residual-current device tested; electrics and plugs out of the splash zone; sump "
            "float tried."
        )
    section = plan.specimen.section
    yield (
        f"Specimen {plan.specimen_id} placed. Span {section.span * 1e3:.0f} mm: {_ASK} mm. "
        f"Load points {section.load_spacing * 1e3:.0f} mm apart, centred: {_ASK} mm."
    )
    yield (
        f"Catch beams at most 20 mm below: {_ASK} mm. Specimen's ends and loose parts tethered. "
        "Rod and spreader held against a drop."
    )
    yield "Sensors mounted, positions written above, each moved by hand and seen on its channel."
    yield _zero_step(plan)
    yield from _shunt_steps(plan)
    yield from _water_steps(plan)
    yield from _oil_steps(plan)
    yield from _people_steps(plan)


def _zero_step(plan: Plan) -> str:
    frame = plan.rig.trust.frame
    if frame.dead_load:
        how = "hanging free" if frame.zeroed == "hanging" else "resting on the specimen"
        dead = f" with the spreader ({shown('load', frame.dead_load)}) {how}"
    else:
        dead = ""
    second = " second measure ____ kN," if _has(plan, "load_2") else ""
    return f"Load cell set to zero{dead}; shows {_ASK} kN,{second} at {_ASK} o'clock."


def _shunt_steps(plan: Plan) -> Iterable[str]:
    for name, calibration in plan.rig.trust.calibrations.items():
        if calibration.shunt is not None:
            wanted = shown(name, calibration.shunt, difference=True)
            share = calibration.shunt_tolerance
            yield f"Shunt of {name} on: {wanted} ± {_percent(share)} more: {_ASK}. Off again."


def _water_steps(plan: Plan) -> Iterable[str]:
    pump = plan.rig.pump
    if plan.spray is not None:
        flow = shown("flow", plan.spray.flow, digits=3)
        faces = plan.spray.faces or ("nozzle",)
        cans = ", ".join(f"{face} {_ASK}" for face in faces)
        yield f"Nozzles aimed; catch can, {flow} wanted: {cans}."
    if plan.spray is not None and pump is not None:
        more = f", make-up {shown('flow', pump.make_up, digits=3)} on" if pump.make_up else ""
        yield f"Tank filled: {_ASK} of {pump.tank * 1e3:,.0f} L{more}. Drain is free."
    if plan.exposure == "submerged":
        yield f"Water over the specimen, level marked; water at {_ASK} °C (20 ± 2 °C)."


def _oil_steps(plan: Plan) -> Iterable[str]:
    supply = plan.rig.trust.supply
    pressure = f"; supply {shown('pressure', supply.pressure, digits=4)}: {_ASK}" if supply else ""
    others = " Other stations on the pump have been told." if supply and supply.others else ""
    warm = f"Oil warmed up off the specimen to 25 °C or more: {_ASK} °C"
    yield f"{warm}; level, filter{pressure}.{others}"


def _people_steps(plan: Plan) -> Iterable[str]:
    rig = plan.rig
    if rig.warning is not None:
        yield f"The {rig.warning.kind} was heard or seen from everywhere about the rig."
    if rig.local_input:
        yield f"The {rig.local_input} at the rig is in good hands; everybody here knows the test."
    proven = rig.trust.proven
    if proven is None:
        yield "Stops proven (nightrig devices --prove-stops): none on record."
    else:
        when = f"last on {proven.date.isoformat()} by {proven.by}"
        yield f"Stops proven, {when}; nothing was changed since."
    yield f"On call: {_ASK * 4}   telephone: {_ASK * 3}"


def _has(plan: Plan, name: str) -> bool:
    return any(channel.name == name for channel in plan.rig.channels)


def _limits(plan: Plan, read_back: Mapping[str, Bounds] | None) -> Iterable[LimitRow]:
    own = ("load", "stroke") if plan.rig.actuator.limits == "controller" else ()
    planned = combine(plan.rig.limits, plan.limits.fixed)
    for name, bounds in planned.items():
        low, high = (shown(name, value) for value in bounds)
        if name not in own:
            yield LimitRow(name, PROGRAM, low, high)
        elif read_back is None:
            yield LimitRow(name, _BOTH, low, high)
        else:
            back = _read(name, read_back)
            yield LimitRow(name, _BOTH, low, high, *back, same=back == (low, high))
    # What trips by itself stops a test as well.
    for name in read_back or {}:
        if name not in planned:
            yield LimitRow(name, "controller only", _NONE, _NONE, *_read(name, read_back or {}))


def _read(name: str, read_back: Mapping[str, Bounds]) -> tuple[str, str]:
    """Return a controller's limit in words; of one that it was not given it says nothing."""
    if name not in read_back:
        return _NONE, _NONE
    low, high = (shown(name, value) for value in read_back[name])
    return low, high


def _later(plan: Plan) -> str:
    """Return which limits are learned once the specimen has settled, in words."""
    learned = plan.limits.learned
    parts: list[str] = []
    if learned.load_low is not None:
        parts.append(f"load above {_percent(learned.load_low)} of lower")
    if learned.load_high is not None:
        parts.append(f"load under {_percent(learned.load_high)} of upper")
    if learned.deflection is not None:
        parts.append(f"net deflection under {_percent(learned.deflection)} of settled")
    if learned.stroke_beyond is not None:
        parts.append(f"stroke {learned.stroke_beyond * 1e3:g} mm beyond settled")
    told = []
    if parts:
        told.append(f"Armed by the program after cycle {plan.baseline.last:,}: {', '.join(parts)}.")
    if plan.limits.residual:
        pairs = (f"{name} {shown(name, *pair)}" for name, pair in plan.limits.residual.items())
        told.append(f"In their place while what has run out is broken: {', '.join(pairs)}.")
    return " ".join(told)


def _duration(seconds: float) -> str:
    for unit, length in (("days", 86400.0), ("h", 3600.0), ("min", 60.0)):
        if seconds >= 2 * length:
            return f"{seconds / length:.3g} {unit}"
    return f"{seconds:.0f} s"


def _percent(share: float) -> str:
    return f"{share * 100:.4g} %"

"""The part of an emulated rig's file that says why its figures can be trusted: copied as it is."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from rig.protocol.trust import Calibration, Frame, ProofOfStopping, Supply, Trust
from simulators.wire.written import DIMENSIONS, pair, quoted, steps, written

_CALIBRATION: Final = "[channel.calibration]"


def calibration_lines(unit: str, kept: Calibration) -> list[str]:
    """Return the table of a channel's calibration; it belongs below the channel's own."""
    dimension, *units = DIMENSIONS[unit]
    lines = [
        _CALIBRATION,
        f'date = "{kept.date.isoformat()}"',
        f'until = "{kept.until.isoformat()}"',
        f"certificate = {quoted(kept.certificate)}",
        f"uncertainty = {quoted(written(kept.uncertainty, *steps(unit)))}",
        f"used = {pair(kept.used, dimension, *units)}",
    ]
    if kept.points:
        points = ", ".join(pair(point, dimension, *units) for point in kept.points)
        lines.append(f"points = [{points}]")
    if kept.shunt is not None:
        lines.append(f"shunt = {quoted(written(kept.shunt, *steps(unit)))}")
        lines.append(f"shunt_tolerance = {quoted(written(kept.shunt_tolerance, 'fraction', '%'))}")
    return lines


def trust_tables(trust: Trust) -> Iterator[str]:
    """Return the tables of frame, oil supply, verification and proof of stopping that there are."""
    if trust.frame != Frame():
        yield _frame(trust.frame)
    if trust.supply is not None:
        yield _supply(trust.supply)
    if trust.verified is not None:
        found = trust.verified
        yield "\n".join(
            [
                "[dynamic_verification]",
                f'date = "{found.date.isoformat()}"',
                f"by = {quoted(found.by)}",
                f"frequency = {quoted(written(found.frequency, 'frequency', 'Hz'))}",
                f"difference = {quoted(written(found.difference, 'fraction', '%'))}",
            ]
        )
    if trust.proven is not None:
        yield _proof(trust.proven)


def _frame(frame: Frame) -> str:
    lines = ["[frame]"]
    if frame.moving_mass:
        lines.append(f"moving_mass = {quoted(written(frame.moving_mass, 'mass', 'kg'))}")
        lines.append(f"cell = {quoted(frame.cell)}")
    if frame.dead_load:
        lines.append(f"dead_load = {quoted(written(frame.dead_load, 'force', 'kN', 'N'))}")
        lines.append(f"zeroed = {quoted(frame.zeroed)}")
    return "\n".join(lines)


def _supply(supply: Supply) -> str:
    lines = [
        "[supply]",
        f"piston_area = {quoted(written(supply.piston_area, 'area', 'cm2'))}",
        f"pressure = {quoted(written(supply.pressure, 'stress', 'bar'))}",
        f"flow = {quoted(written(supply.flow, 'flow', 'L/min'))}",
        f"others = {quoted(written(supply.others, 'flow', 'L/min'))}",
    ]
    if supply.valve_flow is not None:
        lines.append(f"valve_flow = {quoted(written(supply.valve_flow, 'flow', 'L/min'))}")
        lines.append(f"valve_drop = {quoted(written(supply.valve_drop, 'stress', 'bar'))}")
    return "\n".join(lines)


def _proof(proof: ProofOfStopping) -> str:
    lines = [
        "[proof_of_stopping]",
        f'date = "{proof.date.isoformat()}"',
        f"by = {quoted(proof.by)}",
        f'renew_after = "{proof.renew_after} d"',
        "rows = [",
    ]
    for row in proof.rows:
        time = quoted(written(row.time, "time", "ms", "s"))
        travel = quoted(written(row.travel, "length", "mm", "um"))
        said = f"cause = {quoted(row.cause)}, time = {time}, travel = {travel}"
        lines.append(f"  {{ {said}, repeats = {row.repeats} }},")
    return "\n".join([*lines, "]"])

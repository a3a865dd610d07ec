"""`nightrig check`: read a protocol and say what is wrong with it and what it will take."""

from __future__ import annotations

import json
import shutil
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig.commands.files import load
from rig.commands.options import json_option
from rig.commands.saying import folded
from rig.errors import InputError, Problem, StorageError
from rig.protocol.estimate import estimate

if TYPE_CHECKING:
    from rig.protocol.estimate import Estimate
    from rig.protocol.plan import Plan

_CAUTION = (
    "This program is no safety system. Guards, emergency stop, limits in the controller and "
    "people out of reach come first; this check replaces none of them."
)


@click.command(
    short_help="Check a protocol before anything starts.",
)
@click.argument("protocol")
@click.option("--rig", metavar="RIG", help="Rig file; without it the packaged simulated rig.")
@click.option(
    "--out",
    metavar="DIR",
    help="New folder the run would be written to. Its disk must have room; without it, the disk "
    "you are on.",
)
@json_option
@click.pass_context
def check(
    context: click.Context, protocol: str, rig: str | None, out: str | None, *, as_json: bool
) -> None:
    """Check PROTOCOL, the files it names and the rig file; say what the test will take.

    Nothing is started and nothing is written. Ends with 0 where the test may start, 2 where a
    file has a problem, the driver is not installed or DIR exists, 6 where the disk is too small.

    Example: nightrig check protocols/overnight-wet-prism.toml
    """
    result, lines, code = _judge(protocol, rig, out)
    if as_json:
        click.echo(json.dumps(result))
    for line in lines:
        click.echo(folded(line, sys.stderr if as_json else sys.stdout), err=as_json)
    context.exit(code)


def _judge(
    protocol: str, rig: str | None, out: str | None
) -> tuple[dict[str, Any], list[str], int]:
    try:
        plan = _load(protocol, rig, out)
    except InputError as error:
        return _refused(error), [str(p) for p in error.problems] + _count(error), error.exit_code
    need = estimate(plan)
    free = free_space(out or ".")
    enough = free >= need.storage_bytes
    warnings = [*plan.warnings, *_dry_tank(plan, need)]
    result = _accepted(plan, need, warnings, enough=enough)
    lines = [f"warning: {w}" for w in warnings]
    lines += [*_summary(plan, need), _CAUTION]
    if not enough:
        lines.append(
            f"{out or Path.cwd()}: {_size(free)} free, up to {_size(need.storage_bytes)} needed; "
            "free some space, or name a folder on another disk with --out"
        )
    return result, lines, 0 if enough else StorageError.exit_code


def _load(protocol: str, rig: str | None, out: str | None) -> Plan:
    """Return the plan; what would keep it from being written to `out` is a problem too."""
    problems = [] if out is None else _taken(out)
    try:
        plan = load(protocol, rig, installed=True)
    except InputError as error:
        raise InputError([*error.problems, *problems]) from None
    if problems:
        raise InputError(problems)
    return plan


def _taken(out: str) -> list[Problem]:
    # Imported late: only who names a folder waits for it.
    from rig.control.lock import refuse_taken

    try:
        refuse_taken(Path(out))
    except InputError as error:
        problem, _, remedy = str(error).removeprefix(f"{out}: ").partition("; ")
        return [Problem(out, 0, "--out", problem.removesuffix(", nothing was written"), remedy)]
    return []


def free_space(folder: str) -> int:
    """Return the free bytes where a folder lies or would be made."""
    place = Path(folder).absolute()
    while not place.exists():
        place = place.parent
    return shutil.disk_usage(place).free


def _refused(error: InputError) -> dict[str, Any]:
    return {
        "ok": False,
        "problems": [
            {
                "file": p.file,
                "line": p.line,
                "field": p.field,
                "problem": p.problem,
                "remedy": p.remedy,
            }
            for p in error.problems
        ],
        "warnings": [],
        "upper_N": None,
        "lower_N": None,
        "frequency_Hz": None,
        "expected_duration_s": None,
        "water_L": None,
        "storage_bytes": None,
    }


def _count(error: InputError) -> list[str]:
    found = len(error.problems)
    return [f"{found} problem{'' if found == 1 else 's'}; nothing can start from these files."]


def _accepted(plan: Plan, need: Estimate, warnings: list[str], *, enough: bool) -> dict[str, Any]:
    loading = plan.loading
    return {
        "ok": enough,
        "problems": [],
        "warnings": warnings,
        "upper_N": loading.upper if loading else None,
        "lower_N": loading.lower if loading else None,
        "frequency_Hz": loading.frequency if loading else None,
        "expected_duration_s": need.duration_s,
        "water_L": need.water_m3 * 1e3,
        "storage_bytes": need.storage_bytes,
    }


def _summary(plan: Plan, need: Estimate) -> list[str]:
    lines = [f"{plan.title}: no problems on rig {plan.rig.name}."]
    if plan.loading:
        load = plan.loading
        lines.append(
            f"Cycles between {load.lower / 1e3:.1f} and {load.upper / 1e3:.1f} kN "
            f"at {load.frequency:g} Hz; capacity {load.capacity / 1e3:.1f} kN "
            f"({load.capacity_source})."
        )
    until = f" to the run-out at {plan.cyclic.run_out:,} cycles" if plan.cyclic else ""
    lines.append(f"Takes about {_time(need.duration_s)}{until}, less if the specimen fails.")
    if plan.spray:
        lines.append(f"Sprays up to {need.water_m3 * 1e3:,.0f} L of water{_tank(plan)}.")
    lines.append(f"Needs up to {_size(need.storage_bytes)} of disk while it runs.")
    return lines


def _dry_tank(plan: Plan, need: Estimate) -> list[str]:
    """Warn of a tank that is empty before the run-out: without water the test stops."""
    pump = plan.rig.pump
    if pump is None or need.water_m3 <= pump.tank:
        return []
    after = need.duration_s * pump.tank / need.water_m3 / 3600
    return [
        f"the tank ({pump.tank * 1e3:,.0f} L) is empty after about {after:.0f} h; "
        "fill it in time or connect a supply"
    ]


def _tank(plan: Plan) -> str:
    return f"; the tank holds {plan.rig.pump.tank * 1e3:,.0f} L" if plan.rig.pump else ""


def _time(seconds: float) -> str:
    for unit, length in (("days", 86400.0), ("hours", 3600.0), ("minutes", 60.0)):
        if seconds >= 2 * length:
            return f"{seconds / length:.1f} {unit}"
    return f"{seconds:.0f} seconds"


def _size(amount: float) -> str:
    for unit, length in (("GB", 1e9), ("MB", 1e6)):
        if amount >= length:
            return f"{amount / length:.1f} {unit}"
    return f"{amount / 1e3:.0f} kB"

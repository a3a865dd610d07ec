"""`nightrig check`: read a protocol and say what is wrong with it and what it will take."""

from __future__ import annotations

import json
import shutil
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig.commands.collecting import uncollected
from rig.commands.files import find_protocol, find_rig, load
from rig.commands.options import json_option
from rig.commands.saying import folded, say_refusal
from rig.errors import InputError, Problem, RigError, StorageError
from rig.protocol.estimate import estimate
from rig.protocol.residual import residual_stages

if TYPE_CHECKING:
    from rig.protocol.capability import Capability
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
@click.option(
    "--sheet",
    metavar="FILE.pdf",
    type=click.Path(path_type=Path),
    help="Write the set-up sheet there: one page to print and to sign step by step.",
)
@click.option(
    "--read-limits",
    "reads",
    is_flag=True,
    help="With --sheet: ask the rig's controller for its limits, and print them on it.",
)
@json_option
@click.pass_context
def check(
    context: click.Context,
    protocol: str,
    rig: str | None,
    out: str | None,
    sheet: Path | None,
    *,
    reads: bool,
    as_json: bool,
) -> None:
    """Check PROTOCOL, the files it names and the rig file; say what the test will take.

    With --rig it also says what the test asks of that rig: stroke, speed, oil, samples. Nothing
    is started, and nothing written but the sheet that --sheet names. Ends with 0 where the test
    may start, 2 where a file has a problem, the driver is not installed or DIR exists, 4 where
    the controller does not answer --read-limits, 6 where the disk is too small.

    Example: nightrig check protocols/overnight-wet-prism.toml
    """
    if reads and sheet is None:
        raise click.UsageError("--read-limits goes with --sheet")
    with uncollected():
        judged = _judge(protocol, rig, out)
    if sheet is not None and judged.plan is not None:
        _write_sheet(judged, judged.plan, sheet, reads=reads, as_json=as_json)
    if as_json:
        click.echo(json.dumps(judged.result))
    for line in judged.lines:
        click.echo(folded(line, sys.stderr if as_json else sys.stdout), err=as_json)
    context.exit(judged.code)


@dataclass(slots=True)
class _Judged:
    """What is told of a protocol, and its plan where it has one."""

    result: dict[str, Any]
    lines: list[str]
    code: int
    plan: Plan | None = None


def _write_sheet(judged: _Judged, plan: Plan, path: Path, *, reads: bool, as_json: bool) -> None:
    # Imported late: only who wants a sheet waits for it.
    from rig.commands.sheet import write_setup_sheet

    try:
        write_setup_sheet(plan, path, reads=reads)
    except RigError as error:
        if as_json:
            say_refusal(error)
        raise
    judged.result["sheet"] = str(path)
    judged.lines.append(f"{path}: the set-up sheet, to print and to sign")


def _judge(protocol: str, rig: str | None, out: str | None) -> _Judged:
    try:
        plan = _load(protocol, rig, out)
    except InputError as error:
        lines = [str(p) for p in error.problems] + _count(error)
        return _Judged(_refused(error), lines, error.exit_code)
    # Imported late: a mistake in a file is told sooner.
    from rig.commands.capability_told import capability_lines
    from rig.commands.warned import as_driven, warnings_of
    from rig.protocol.capability import capability

    driven = as_driven(plan)
    need, needed = estimate(plan), capability(driven)
    files = {"protocol": find_protocol(protocol), "rig": find_rig(rig)}
    warnings = [*plan.warnings, *warnings_of(driven, need, needed, files)]
    free = free_space(out or ".")
    enough = free >= need.storage_bytes
    lines = [f"warning: {w}" for w in warnings] + _summary(plan, need)
    if rig is not None:
        lines += capability_lines(driven, needed)
    lines.append(_CAUTION)
    if not enough:
        lines.append(
            f"{out or Path.cwd()}: {_size(free)} free, up to {_size(need.storage_bytes)} needed; "
            "free some space, or name a folder on another disk with --out"
        )
    result = _accepted(plan, need, needed, warnings, enough=enough)
    return _Judged(result, lines, 0 if enough else StorageError.exit_code, plan)


def _load(protocol: str, rig: str | None, out: str | None) -> Plan:
    """Return the plan; what would keep it from being written to `out` is a problem too."""
    problems = [] if out is None else _taken(out)
    try:
        plan = load(protocol, rig, installed=True, with_lab=True)
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
        "capability": None,
    }


def _count(error: InputError) -> list[str]:
    found = len(error.problems)
    return [f"{found} problem{'' if found == 1 else 's'}; nothing can start from these files."]


def _accepted(
    plan: Plan, need: Estimate, needed: Capability, warnings: list[str], *, enough: bool
) -> dict[str, Any]:
    from rig.commands.capability_told import capability_object

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
        "capability": capability_object(needed),
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
    until += " and its breaking after it" if residual_stages(plan) else ""
    sooner = "less if the specimen fails"
    if plan.failure.alert_only:
        # Imported late: few protocols have such a criterion.
        from rig.protocol.alerting import alert_only_told, ends_at_failure

        if not ends_at_failure(plan.failure):
            sooner = "less if a limit ends it"
    lines.append(f"Takes about {_time(need.duration_s)}{until}, {sooner}.")
    if plan.spray:
        lines.append(f"Sprays up to {need.water_m3 * 1e3:,.0f} L of water{_tank(plan)}.")
    lines.append(f"Needs up to {_size(need.storage_bytes)} of disk while it runs.")
    if plan.failure.alert_only:
        lines.append(alert_only_told(plan.failure))
    return lines


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

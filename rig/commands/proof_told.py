"""A proof of stopping as a table for people, as one object, and as the rig file keeps it."""

from __future__ import annotations

import math
from datetime import date
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rig.assembly.prove_stops import Order, Proof
    from rig.protocol.plan import RigPlan


def proof_words(rig: RigPlan, proof: Proof, order: Order) -> str:
    """Return what was found, a line for each row."""
    lines = [f"Stops of {rig.name}: time from event to standstill, and how far the rod went on"]
    wide = max((len(row.row.cause) for row in proof.rows), default=0)
    for row in proof.rows:
        times = f"{row.time * 1e3:7.1f} ms  {row.travel * 1e3:8.4f} mm"
        more = ""
        if len(row.trials) > 1:
            least = min(trial.time for trial in row.trials)
            more = f"  longest of {len(row.trials)}; quickest {least * 1e3:.1f} ms"
        lines.append(f"  {row.row.cause:<{wide}}  {times}{more}")
    if proof.rows:
        lines.append(f"  {_speeds(proof)}")
    lines += [f"  not tried: {one.cause}: {one.why}" for one in proof.left_out]
    if proof.surprise:
        lines += [f"  NOT PROVEN: {proof.surprise}", f"  nothing is kept; {_next(order)}"]
    if proof.broken_off:
        lines.append("  broken off; nothing is kept")
    lines += [f"  LOOK AT THE RIG: {trouble}" for trouble in proof.troubles]
    if not proof.troubles:
        lines.append("Valve closed, pressure off; inputs and the controller's limits as they were.")
    if not order.emulated:
        lines.append(
            "An input that a person operates counts from the last look that found it well: the "
            "time is at most so long."
        )
    return "\n".join(lines)


def _next(order: Order) -> str:
    """Return what to do after a proof that came to no end."""
    if order.emulated:
        return "try once more: on a busy computer emulated devices answer late"
    return "mend that, then prove the stops again"


def _speeds(proof: Proof) -> str:
    """Return how quickly the rod moved, and what that means for a quicker one."""
    speeds = [trial.speed * 1e3 for row in proof.rows for trial in row.trials]
    told = f"{min(speeds):.2g} to {max(speeds):.2g}" if len(speeds) > 1 else f"{speeds[0]:.2g}"
    return f"the rod moved at {told} mm/s; a quicker one goes on for as long: time times its speed"


def proof_object(rig: RigPlan, proof: Proof, order: Order, day: date) -> dict[str, object]:
    """Return what was found as one object, SI."""
    return {
        "rig": rig.name,
        "date": day.isoformat(),
        "by": order.who,
        "ok": proof.whole,
        "speed_m_s": order.how.speed,
        "up_to_N": order.how.up_to,
        "rows": [
            {
                "cause": row.row.cause,
                "time_s": row.time,
                "travel_m": row.travel,
                "repeats": len(row.trials),
                "trials": [
                    {"time_s": one.time, "travel_m": one.travel, "speed_m_s": one.speed}
                    for one in row.trials
                ],
            }
            for row in proof.rows
        ],
        "not_tried": [{"cause": one.cause, "why": one.why} for one in proof.left_out],
        "surprise": proof.surprise,
        "broken_off": proof.broken_off,
        "troubles": list(proof.troubles),
    }


def proof_table(rig: RigPlan, proof: Proof, who: str, day: date, renew_after: int) -> str:
    """Return the lines of `[proof_of_stopping]`; its `renew_after` stays as it was."""
    known = rig.trust.proven
    days = known.renew_after if known is not None else renew_after
    lines = [
        "# Longest time from event to standstill, and travel after the event, of so many repeats.",
        f'date = "{day.isoformat()}"',
        f"by = {_quoted(who)}",
        f'renew_after = "{days} d"',
        "rows = [",
    ]
    for row in proof.rows:
        said = f'time = "{_up(row.time * 1e3, 1)} ms", travel = "{_up(row.travel * 1e3, 4)} mm"'
        lines.append(
            f"  {{ cause = {_quoted(row.row.cause)}, {said}, repeats = {len(row.trials)} }},"
        )
    return "\n".join([*lines, "]"])


def _up(value: float, digits: int) -> str:
    """Return a number rounded up: what is kept is never shorter than what was found."""
    return f"{math.ceil(value * 10**digits) / 10**digits:.{digits}f}"


def _quoted(text: str) -> str:
    """Return text as a TOML string on one line."""
    plain = "".join(c if c.isprintable() else " " for c in text)
    escaped = plain.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'

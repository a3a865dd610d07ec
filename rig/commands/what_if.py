"""The table of a what-if, with a bar for each value as long as its test would have been."""

from __future__ import annotations

from typing import Final

from rig.monitor.glyphs import glyphs
from rig.replay.varied import Varied

BAR: Final = 40
"""Letters of the longest bar."""
MARKS: Final = {"failure": "X", "run-out": ">", "ultimate": "^", "limit": "L", "fault": "F"}
"""Sign at the end of a bar: outcomes are told apart without colours."""
NO_END: Final = "no end"


def table(found: Varied, *, ascii_only: bool) -> list[str]:
    """Return a line for each value: value, outcome, cycle, and a bar up to the cycle."""
    signs = glyphs(ascii_only=ascii_only)
    ends = [(r.outcome or NO_END, r.cycles) for r in found.replayed]
    most = max([cycle for _, cycle in ends] + [1])
    wide = max(len(value) for value in ("value", *found.values))
    words = max(len(outcome) for outcome in ("outcome", *(o for o, _ in ends)))
    count = max(len("cycle"), len(f"{most:,}"))
    lines = [f"  {'value':>{wide}}  {'outcome':<{words}}  {'cycle':>{count}}"]
    for value, (outcome, cycle) in zip(found.values, ends, strict=True):
        bar = signs.rule * round(BAR * cycle / most) + MARKS.get(outcome, "?")
        lines.append(
            f"  {signs.safe(value):>{wide}}  {outcome:<{words}}  {cycle:>{count},}  "
            f"{signs.axis}{bar}"
        )
    used = [f"{sign} {name}" for name, sign in MARKS.items() if any(o == name for o, _ in ends)]
    used += [f"? {NO_END}"] if any(o == NO_END for o, _ in ends) else []
    return [*lines, f"  {' ' * (wide + words + count + 4)}  {', '.join(used)}"]

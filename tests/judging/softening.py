"""A rehearsed night whose specimen loses 40 % of its stiffness in 1000 cycles: its true loads.

A second cell without noise tells the truth of the load; nothing that corrects sees it.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from rig.assembly.events_file import kept_events
from rig.assembly.rehearsal import rehearse
from rig.protocol.plan import Plan
from rig.record import read_run
from rig.samples import Flag
from simulators.sensors import SECOND_CELL
from tests.control.conftest import plan_in

LOSS: Final = 0.40
CYCLES: Final = 1000
FIRST: Final = 1500
"""About the cycle at which it begins."""
BEFORE: Final = 200.0
"""Test time [s] of contact, slow cycle and build-up."""
GROWING: Final = 12
"""Counted cycles of each build-up in which its amplitude still grows, and two more."""
BEYOND: Final = 0.01
"""Of the load range: an error that counts."""
LAWS: Final = ("even", "three stages")

_SHORT: Final = {
    r"^run_out = .*$": f'run_out = "{FIRST + 1300} cycles"',
    r'^from = "2000 cycles"$': 'from = "1000 cycles"',
    r'^to = "3000 cycles"$': 'to = "1300 cycles"',
    r"^at = .*$": 'at = ["300 cycles"]',
    r"^repeats = 3$": "repeats = 1",
    r'^hold = "2 min"$': 'hold = "5 s"',
    r'^speed = "0.2 mm/min"$': 'speed = "2 mm/min"',
    r'^speed_after_crack = "0.5 mm/min"$': 'speed_after_crack = "5 mm/min"',
    r'^go_on_after = "5 min"': 'go_on_after = "5 s"',
    r"^static_check = .*$": 'static_check = { to = "upper", rate = "20 kN/s", hold = "1 s" }',
    # Its softening must not end the test before all of it has been seen.
    r"^\[failure\]$": '[failure]\nalert_only = ["stiffness_loss", "stiffness_step"]',
    r'^deflection = "200 %': 'deflection = "400 %',
}
_TRUE: Final = """
[[channel]]
name = "load_2"
resolution = "0.1 N"
noise = "0 N"
range = ["-25 kN", "260 kN"]

[pump]"""


@dataclass(frozen=True)
class Loads:
    """True loads of counted cycles, as shares of the load range or of the upper load.

    `error` is by how much the upper or the lower load is off, whichever is more; `grown` leaves
    out cycles whose amplitude still grows or is let go at the end, `softening` picks those in which
    the specimen softens; `told` is what the load correction told.
    """

    error: np.ndarray
    upper: np.ndarray
    grown: np.ndarray
    softening: np.ndarray
    stiffness_left: float
    told: tuple[str, ...]

    def figures(self) -> dict[str, float]:
        """Return shares of cycles with an error above 1 % of range, the worst upper load, all in %.

        Of all grown cycles, and of those alone in which the specimen softens.
        """
        wrong, soft = self.error > BEYOND, self.error[self.softening]
        return {
            "beyond": 100 * float(np.mean(wrong[self.grown])),
            "beyond_softening": 100 * float(np.mean(wrong[self.softening])),
            "largest_softening": 100 * float(soft.max()),
            "worst": 100 * float(self.upper[self.grown].max()),
        }


def plan_of(folder: Path, frequency: float) -> Plan:
    """Return the plan of the night at a frequency [Hz]."""
    changes = {**_SHORT, r"^frequency = .*$": f'frequency = "{frequency:g} Hz"'}
    rig = {r"^\[pump\]$": _TRUE, r"^noise = \"40 N\"$": 'noise = "40 N"'}
    return plan_in(folder, "dry-short", changes, rig)


def events_text(law: str, begin: float, frequency: float) -> str:
    """Return the file that lets the specimen soften from test time `begin` [s] on.

    "even" loses about the same share with each of a hundred small steps.
    """
    text = 'title = "It softens, invented"\n'
    if law == "even":
        step = (1 / (1 - LOSS)) ** (1 / 100) - 1
        every = CYCLES / 100 / frequency
        return text + "".join(
            f'[[event]]\nkind = "crack"\nat = "{begin + n * every:.3f} s"\n'
            f'softer = "{100 * step:.5f} %"\n'
            for n in range(100)
        )
    return text + (
        f'[[event]]\nkind = "slow-end"\nat = "{begin:.3f} s"\nover = "{CYCLES} cycles"\n'
        f'loss = "{100 * LOSS:g} %"\n'
    )


def softened(folder: Path, seed: int, frequency: float, law: str) -> Loads:
    """Rehearse the night and return its true loads."""
    begin = BEFORE + FIRST / frequency
    folder.mkdir(parents=True, exist_ok=True)
    plan = plan_of(folder, frequency)
    assert plan.loading is not None
    rehearse(
        plan, folder / "run", seed, events=kept_events(events_text(law, begin, frequency), plan)
    )
    with read_run(folder / "run") as run:
        high, low = (run.column(f"load_2_{end}") / SECOND_CELL for end in ("max", "min"))
        time, stiffness = run.column("time"), run.column("stiffness")
        told = tuple(e.text for e in run.events() if e.kind == "correction")
        counted = (run.column("flags") & Flag.AFTER_END) == 0
    pauses = np.flatnonzero(np.diff(time, prepend=-1e9) > 3 / frequency)
    grown = np.ones(len(time), bool)
    for first in pauses:
        grown[first : first + GROWING] = False
    grown &= counted
    upper, lower, span = plan.loading.upper, plan.loading.lower, plan.loading.range
    within = (time >= begin) & (time < begin + CYCLES / frequency)
    last = np.flatnonzero(within)[-1]
    before = np.median(stiffness[(time < begin) & grown][-50:])
    return Loads(
        np.maximum(np.abs(high - upper), np.abs(low - lower)) / span,
        high / upper,
        grown,
        within & grown,
        float(np.median(stiffness[last - 4 : last + 1]) / before),
        told,
    )

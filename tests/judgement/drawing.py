"""Nights drawn by seed: healthy ones that are disturbed, members that fail, one disturbance alone.

A night is drawn from its kind and seed alone. All figures are invented.
"""

from __future__ import annotations

import math
import zlib
from dataclasses import dataclass
from typing import Final

import numpy as np

from simulators.specimen import DRYING_TIME
from tests.judgement.kinds import ENDING, KINDS
from tests.judgement.setting import COUNTS, FREQUENCY, NIGHT

ENDS: Final = ("worn", "worn brittle", "slow-end", "brittle-end", "wires")
"""How members fail: their own wear in three stages or with a brittle end, or what is scripted."""
SLOW: Final = frozenset({"worn", "slow-end"})
BRITTLE: Final = frozenset({"worn brittle", "brittle-end", "wires"})
AGES: Final = (3.0, 50.0)
"""Lives of specimens that do not fail, in nights."""
LIVES: Final = (20_000, 50_000)  # cycles
AFTER: Final = 40_000
"""Cycles beyond its life after which a member is taken off: seven wires take as long."""
ALONE: Final = 28_800  # cycles, 2 h
ALONE_AT: Final = (4200, 9000)
"""Cycles between which a disturbance alone begins: after baseline and first water."""
PAUSED: Final = 200.0
"""About the test time [s] that the first two inspections take."""
MEDIAN_LIFE: Final = 312_678
"""Cycles that such a specimen lasts if its life is not scaled (`simulators.lasting`)."""
SPRAYED: Final = (120.0, 900.0)  # s on, in so many
WET_SHARE: Final = (
    SPRAYED[0] + DRYING_TIME * (1 - math.exp((SPRAYED[0] - SPRAYED[1]) / DRYING_TIME))
) / SPRAYED[1]
"""How full of water the crack is on average: full while it is sprayed, then it dries."""


@dataclass(frozen=True)
class Night:
    """One test: what it is a case of, its seed, cycles, and the events file that disturbs it.

    `kind` is "healthy", one of ENDS, or "alone: " and the kind of disturbance. `life_scale` scales
    the specimen's own life, `ending` is how that ends.
    """

    kind: str
    seed: int
    run_out: int
    life_scale: float
    events: str
    ending: str = "gradual"

    @property
    def name(self) -> str:
        """Return what tells it from all others."""
        return f"{self.kind} {self.seed}"


def healthy(seed: int) -> Night:
    """Return a night of 12 h with 1 to 5 disturbances, whose specimen does not fail.

    It ages: the night is between a fiftieth and a third of its life.
    """
    draw = _generator("healthy", seed)
    life = NIGHT * float(np.exp(draw.uniform(*np.log(AGES))))
    events = _disturbances(draw, 1, 5, NIGHT)
    return Night("healthy", seed, NIGHT, life / MEDIAN_LIFE, _file(events))


def failing(seed: int) -> Night:
    """Return a member that fails between 20,000 and 50,000 cycles, disturbed once or twice."""
    kind = ENDS[seed % len(ENDS)]
    draw = _generator(kind, seed)
    life = float(np.exp(draw.uniform(*np.log(LIVES))))
    scripted = {
        "slow-end": lambda: _slow_end(draw, life),
        "brittle-end": lambda: _event("brittle-end", life, ""),
        "wires": lambda: _event(
            "wires", life, f'wires = 7\nevery = "{draw.uniform(2, 20):.1f} min"'
        ),
    }
    own = kind not in scripted
    events = [] if own else [scripted[kind]()]
    # What ends a test by itself would hide whether the failure is found.
    events += _disturbances(draw, 1, 2, life, without=ENDING)
    return Night(
        kind,
        seed,
        run_out=round(1.3 * life) + AFTER,
        life_scale=(life if own else 50 * life) / MEDIAN_LIFE,
        events=_file(events),
        ending="brittle" if kind == "worn brittle" else "gradual",
    )


def alone(kind: str, seed: int) -> Night:
    """Return a healthy test of 2 h to which one disturbance happens, or none ("none")."""
    draw = _generator(kind, seed)
    at = float(draw.uniform(*ALONE_AT))
    events = [_event(kind, at, KINDS[kind](draw))] if kind != "none" else []
    return Night(f"alone: {kind}", seed, ALONE, 20 * ALONE / MEDIAN_LIFE, _file(events))


def _generator(kind: str, seed: int) -> np.random.Generator:
    return np.random.default_rng((zlib.crc32(kind.encode()), seed))


def _disturbances(
    draw: np.random.Generator,
    least: int,
    most: int,
    cycles: float,
    without: frozenset[str] = frozenset(),
) -> list[str]:
    names = [kind for kind in KINDS if kind not in without]
    found = []
    for name in draw.choice(names, int(draw.integers(least, most + 1)), replace=False):
        # What rightly ends a test comes in its last fifth, so that most of it is judged.
        late = (0.8, 0.98) if name in ENDING else (0.02, 0.95)
        found.append(_event(str(name), cycles * draw.uniform(*late), KINDS[name](draw)))
    return found


def _slow_end(draw: np.random.Generator, life: float) -> str:
    """Return the event that lets a member lose 45 to 70 % by its life, over a third of it."""
    over = round(life * draw.uniform(0.2, 0.6))
    keys = f'over = "{over} cycles"\nloss = "{draw.uniform(45, 70):.1f} %"'
    return _event("slow-end", life - over, keys)


def _event(kind: str, cycle: float, keys: str) -> str:
    at = COUNTS + PAUSED + cycle / FREQUENCY
    return f'[[event]]\nkind = "{kind}"\nat = "{at:.3f} s"\n{keys}\n'


def _file(events: list[str]) -> str:
    return 'title = "Drawn by a seed; invented"\n\n' + "\n".join(events)

"""Published lives, each with its source, as (cycles, failed); a plus sign marks a run-out."""

from __future__ import annotations

import tomllib
from functools import cache
from pathlib import Path

import numpy as np

SERIES = Path(__file__).parents[1] / "data" / "series"


def lives(text: str) -> tuple[np.ndarray, np.ndarray]:
    marks = text.split()
    cycles = np.array([float(mark.rstrip("+")) for mark in marks])
    return cycles, np.array([not mark.endswith("+") for mark in marks])


# NIST/SEMATECH e-Handbook, 8.4.1.3 (apr413.htm): 10 of 20 units failed in 500 h.
HANDBOOK = lives("54 187 216 240 244 335 361 373 375 386" + 10 * " 500+")

# Meeker and Escobar (1998), table 8.1: kilometres of shock absorbers.
ABSORBERS = lives(
    "6700 9120 12200 13150 14300 17520 20100 20900 22700 26510 27490 "
    "6950+ 7820+ 8790+ 9660+ 9820+ 11310+ 11690+ 11850+ 11880+ 12140+ 12870+ 13330+ 13470+ "
    "14040+ 17540+ 17890+ 18450+ 18960+ 18980+ 19410+ 20100+ 20150+ 20320+ 23490+ 27410+ "
    "27890+ 28100+"
)

# Freireich and others (1963), as in Gehan (1965): weeks of remission, treated and not.
TREATED = lives("6 6 6 6+ 7 9+ 10 10+ 11+ 13 16 17+ 19+ 20+ 22 23 25+ 32+ 32+ 34+ 35+")
UNTREATED = lives("1 1 2 2 3 4 4 5 5 8 8 8 8 11 11 12 12 15 17 22 23")

# Callaert, The American Statistician 57 (2003) 214: ties, no run-outs.
CALLAERT = lives("1 1 5 6 6 6 6"), lives("2 2 2 3 4 4 5 5")

# Sprent and Smeeton, Applied Nonparametric Statistical Methods, 5th ed., example 9.6.
SPRENT = lives("7 9 13+ 16"), lives("8 10 14+ 16 25+ 27")

# ASTM E739, 8.3 (from memory): plastic strain amplitude and cycles.
STRAIN = np.array([0.01636, 0.01609, 0.00675, 0.00682, 0.00179, 0.00160, 0.00165, 0.00053, 0.00054])
STRAIN_LIVES = np.array([168.0, 200, 1000, 1180, 4730, 8035, 5254, 28617, 32650])


@cache
def table(name: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return levels (shares), lives [cycles] and failures of a published series file."""
    with (SERIES / name).open("rb") as file:
        rows = tomllib.load(file)["life"]
    levels = np.array([float(row["level"].removesuffix("%")) / 100.0 for row in rows])
    cycles = np.array([float(row["cycles"].removesuffix("cycles")) for row in rows])
    return levels, cycles, np.array([row["outcome"] == "failure" for row in rows])

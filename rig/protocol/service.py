"""A place in service, once its file is read: loads, share of wet time, whose lives are taken."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Measure = Literal["load", "concrete"]
"""What levels are shares of: the capacity of a specimen, or the strength of its concrete."""


@dataclass(frozen=True, slots=True)
class Block:
    """Cycles of one kind in a period: upper and lower level (fractions) and how many."""

    upper: float
    lower: float
    cycles: float


@dataclass(frozen=True, slots=True)
class Service:
    """Loads of a place in service for a `period` [s], and for which share of time it is wet.

    Either `blocks` (a spectrum) or `history` (levels one after the other, of which rainflow makes
    cycles). `dry` and `wet` name the groups whose lives are taken, None: by their exposure. With a
    `model` of `rig.mechanics` it is asked in place of the series. `tested_ratio` is lower over
    upper level of the tests.
    """

    title: str
    period: float
    wet_time: float
    blocks: tuple[Block, ...] = ()
    history: tuple[float, ...] = ()
    measure: Measure = "load"
    dry: str | None = None
    wet: str | None = None
    model: str | None = None
    strength: float | None = None
    tested_ratio: float = 0.1

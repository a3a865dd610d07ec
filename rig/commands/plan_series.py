"""`nightrig plan`: what a series still to be tested could show, and what it takes."""

from __future__ import annotations

import os
import sys
from functools import partial
from typing import TYPE_CHECKING, Final

import click

from rig.commands.files import find_series, read_text
from rig.commands.options import json_option
from rig.commands.saying import meanwhile, say, say_json, say_refusal
from rig.errors import InputError, RigError

if TYPE_CHECKING:
    from rig.lives.planned import Planned
    from rig.protocol.series import Series

MANY: Final = 10_000
MOST_CELLS: Final = 400
"""Designs that are simulated at most: a minute or two."""


@click.command("plan", short_help="Say what a series still to be tested could show.")
@click.argument("series", metavar="SERIES")
@click.option(
    "--many",
    metavar="N",
    type=click.IntRange(100, 1_000_000),
    default=MANY,
    show_default=True,
    help="Series that are simulated for each row.",
)
@json_option
def plan_series(series: str, many: int, *, as_json: bool) -> None:
    """Say how often a series like SERIES would show a difference that is there, before it is run.

    Sizes and assumptions come from its table [plan]; what that leaves out is taken from lives and
    ultimate loads so far, else from common practice, and each says which. Told are power and the
    smallest p by size, run-out count and ratio, with the error of the mean capacities and without;
    what one more life or companion buys; days of stations, water; an order drawn from a seed.

    Ends with 0, or 2 where a file or an option is wrong.

    Example: nightrig plan wet-cracks
    """
    try:
        _plan(_planned(find_series(series), many), as_json=as_json)
    except RigError as error:
        if as_json:
            say_refusal(error)
        raise


def _plan(told: Planned, *, as_json: bool) -> None:
    if as_json:
        from rig.commands.plan_json import plan_object

        say_json(plan_object(told))
        return
    from rig.commands.plan_told import plan_text

    say(plan_text(told, sys.stdout))


def _planned(path: str, many: int) -> Planned:
    """Return what the plan of a series file comes to. Raises InputError."""
    series = _read(path)
    _refuse_too_many(path, series)
    # Imported late: numpy and scipy are for sums, and a mistake in a file is told sooner.
    from rig.lives.assumed import NotTold, assumed
    from rig.lives.planned import planned
    from rig.protocol.series_plan import SeriesPlan

    try:
        # First of all, so that nothing is said to be under way where something is missing.
        assumed(series, series.plan or SeriesPlan())
        with meanwhile(series.title, f"simulating {many:,} series a row ..."):
            return planned(series, many)
    except NotTold as error:
        raise InputError(f"{path}: {error}") from None


def _read(path: str) -> Series:
    """Return a series with what its runs tell. Raises InputError with every problem found."""
    # No package that happens to be installed may have a say in reading files, nor cost a look.
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    from rig.assembly.series_runs import read_series

    return read_series(path, partial(read_text, series=True))


def _refuse_too_many(path: str, series: Series) -> None:
    from rig.protocol.series_plan import SeriesPlan

    plan = series.plan or SeriesPlan()
    rows = len(plan.sizes) * len(plan.run_outs or (0, 0)) * len(plan.ratios)
    cells = rows * (1 + len(plan.companions))
    if cells > MOST_CELLS:
        raise InputError(
            f"{path}: plan: asks for {cells:,} designs, by sizes, run_outs, ratios and companions; "
            f"leave some out, {MOST_CELLS} are the most"
        )

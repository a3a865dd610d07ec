"""`nightrig compare`: what the lives and ultimate loads of a series really say."""

from __future__ import annotations

import os
import sys
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from rig.commands.files import find_series, find_service, read_text
from rig.commands.options import json_option
from rig.commands.saying import meanwhile, say, say_json, say_refusal
from rig.errors import InputError, RigError
from rig.protocol.series import MODES
from rig.units import UnitError, parse

if TYPE_CHECKING:
    from rig.lives.service import ServiceLife
    from rig.protocol.series import Series

LEAST: Final = 0.5
MOST: Final = 0.999
"""Confidences that are taken for one."""


@click.command(short_help="Say what a series of lives and ultimate loads really says.")
@click.argument("series", metavar="SERIES")
@click.option(
    "--mode",
    type=click.Choice(MODES),
    help="Compare for one mode of failure: others count as withdrawn at their count.",
)
@click.option(
    "--confidence",
    metavar="SHARE",
    help='Of all intervals, such as "90 %"; without it 90 % of life ratios, 95 % of the rest.',
)
@click.option(
    "--service",
    metavar="FILE",
    help="Say how many years the loads in this file leave, in a dry, a wet and a mixed place.",
)
@click.option(
    "--plot",
    metavar="DIR",
    type=click.Path(path_type=Path),
    help="Draw lives, curves and ultimate loads into this folder, as SVG, PDF and PNG.",
)
@json_option
def compare(
    series: str,
    mode: str | None,
    confidence: str | None,
    service: str | None,
    plot: Path | None,
    *,
    as_json: bool,
) -> None:
    """Compare the groups of SERIES: lives with run-outs, ultimate loads, hypotheses.

    Every p is exact where specimens can be counted, and stands beside the smallest that so few
    can reach. What breaks an assumption is said, and refuses nothing. Nothing is proven by it.

    Ends with 0, or 2 where a file or an option is wrong, or 6 where a figure cannot be written.

    Example: nightrig compare wet-cracks --plot figures
    """
    try:
        sure = _confidence(confidence)
        _refuse_folder(plot)
        _compare(_read(series), mode, sure, service, plot, as_json=as_json)
    except RigError as error:
        if as_json:
            say_refusal(error)
        raise


def _compare(
    series: Series,
    mode: str | None,
    confidence: float | None,
    service: str | None,
    plot: Path | None,
    *,
    as_json: bool,
) -> None:
    # Imported late: numpy and scipy are for sums, and a mistake in a file is told sooner.
    from rig.lives.comparison import compared

    years = None if service is None else _years(series, service, confidence)
    with meanwhile(series.title, "comparing its groups ..."):
        told = compared(series, mode, confidence)
    drawn: list[str] = []
    if plot is not None:
        from rig.report.lives_figure import draw_comparison

        drawn = draw_comparison(told, plot)
    if as_json:
        from rig.report.lives_object import compared_object

        say_json(compared_object(told, years))
        return
    from rig.commands.compared import compared_text

    say(compared_text(told, years, sys.stdout))
    if plot is not None:
        say(f"  drawn in {plot}, as SVG, PDF and PNG: {', '.join(drawn) or 'nothing'}")


def _read(name: str) -> Series:
    """Return a series with what its runs tell. Raises InputError with every problem found."""
    # No package that happens to be installed may have a say in reading files, nor cost a look.
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    from rig.assembly.series_runs import read_series

    return read_series(find_series(name), partial(read_text, series=True))


def _years(series: Series, path: str, confidence: float | None) -> ServiceLife:
    """Return the years of a place in service. Raises InputError with every problem found."""
    from rig.lives.comparison import CONFIDENCE
    from rig.lives.service import service_life
    from rig.lives.service_lines import NoLives
    from rig.protocol.service_file import load_service

    service = load_service(find_service(path), partial(read_text, service=True))
    try:
        return service_life(series, service, confidence or CONFIDENCE)
    except NoLives as error:
        raise InputError(f"--service {path}: {error}") from None


def _confidence(text: str | None) -> float | None:
    """Return a share that was typed. Raises InputError."""
    if text is None:
        return None
    try:
        value = parse(text, "fraction")
    except UnitError as error:
        raise InputError(f"--confidence: {error}") from None
    if not LEAST <= value <= MOST:
        raise InputError(f"--confidence: {text} is out of range; give 50 to 99.9 %")
    return value


def _refuse_folder(folder: Path | None) -> None:
    """Raise InputError where a figure is there already, before anything is worked out."""
    if folder is None:
        return
    from rig.report.lives_figure import files_in

    if folder.exists() and not folder.is_dir():
        raise InputError(f"--plot {folder}: is a file; name a folder")
    there = [path.name for path in files_in(folder) if path.exists()]
    if there:
        raise InputError(
            f"--plot {folder}: {there[0]} is there already, nothing was drawn; name a new folder"
        )

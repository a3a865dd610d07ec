"""`nightrig compare`: what the lives and ultimate loads of a series really say."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.commands.options import json_option
from rig.commands.saying import meanwhile, say, say_json, say_refusal
from rig.commands.series_options import comparison_options, confidence_of, series_of, years_of
from rig.errors import InputError, RigError

if TYPE_CHECKING:
    from rig.protocol.series import Series


@click.command(short_help="Say what a series of lives and ultimate loads really says.")
@click.argument("series", metavar="SERIES")
@comparison_options
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
        sure = confidence_of(confidence)
        _refuse_folder(plot)
        _compare(series_of(series), mode, sure, service, plot, as_json=as_json)
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

    years = years_of(series, service, confidence)
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

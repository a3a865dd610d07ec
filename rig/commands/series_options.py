"""What a comparison of a series is asked with: its options, and what they mean."""

from __future__ import annotations

import os
from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING, Any, Final

import click

from rig.commands.files import find_series, find_service, read_text
from rig.errors import InputError
from rig.protocol.series import MODES
from rig.units import UnitError, parse

if TYPE_CHECKING:
    from rig.lives.service import ServiceLife
    from rig.protocol.series import Series

LEAST: Final = 0.5
MOST: Final = 0.999
"""Confidences that are taken for one."""

_OPTIONS: Final = (
    click.option(
        "--mode",
        type=click.Choice(MODES),
        help="Compare for one mode of failure: others count as withdrawn at their count.",
    ),
    click.option(
        "--confidence",
        metavar="SHARE",
        help='Of all intervals, such as "90 %"; without it 90 % of life ratios, 95 % of the rest.',
    ),
    click.option(
        "--service",
        metavar="FILE",
        help="Say how many years the loads in this file leave, in a dry, a wet and a mixed place.",
    ),
)


def comparison_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options --mode, --confidence and --service."""
    for option in reversed(_OPTIONS):
        command = option(command)
    return command


def series_of(name: str) -> Series:
    """Return a series with what its runs tell. Raises InputError with every problem found."""
    # No package that happens to be installed may have a say in reading files, nor cost a look.
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    from rig.assembly.series_runs import read_series

    return read_series(find_series(name), partial(read_text, series=True))


def years_of(series: Series, path: str | None, confidence: float | None) -> ServiceLife | None:
    """Return the years of a place in service, None where no file names one.

    Raises InputError with every problem found.
    """
    if path is None:
        return None
    from rig.lives.comparison import CONFIDENCE
    from rig.lives.service import service_life
    from rig.lives.service_lines import NoLives
    from rig.protocol.service_file import load_service

    service = load_service(find_service(path), partial(read_text, service=True))
    try:
        return service_life(series, service, confidence or CONFIDENCE)
    except NoLives as error:
        raise InputError(f"--service {path}: {error}") from None


def confidence_of(text: str | None) -> float | None:
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

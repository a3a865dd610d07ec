"""`nightrig predict`: what mechanics lets one expect of a specimen, alone or in a protocol."""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from rig.commands.files import exists, find_protocol, load, packaged, read_text
from rig.commands.options import json_option
from rig.commands.saying import say, say_json, say_refusal
from rig.errors import InputError, RigError
from rig.protocol.document import open_document
from rig.protocol.plan import Plan
from rig.units import UnitError, parse, parse_any

if TYPE_CHECKING:
    from rig.mechanics.crack import Cracks
    from rig.mechanics.debonding import Curves
    from rig.mechanics.specimen import Specimen
    from rig.report.debonded_length import Measured

FIGURES: Final = (".pdf", ".svg", ".png")
POINTS: Final = 25
"""Debonded lengths of each bond model."""
LOWER: Final = 0.1
"""Lower load over the upper load where none is said; common practice, no source."""
MOST: Final = 100e6
MOST_WORDS: Final = "100 MN"
"""The largest load [N] that is taken for one."""
SHORTEST: Final = 1e-4
LONGEST: Final = 10.0
"""Lengths [m] that are taken for a crack spacing or a wire."""
WEAKEST: Final = 5e6
STRONGEST: Final = 3e8
"""Strengths [Pa] that a specimen file may have too."""
OF_A_SPECIMEN: Final = frozenset({"geometry", "concrete", "tendon", "bar"})
"""Tables by which a specimen file is told from a protocol."""
EITHER: Final = "a protocol or specimen file"


@dataclass(frozen=True, slots=True)
class Subject:
    """What is predicted of. Loads [N]; without a protocol `plan` is None."""

    title: str
    specimen: Specimen
    exposure: str
    lower: float | None
    upper: float | None
    capacity: float | None
    capacity_source: str
    plan: Plan | None = None


@dataclass(frozen=True, slots=True)
class Asked:
    """What was typed of bond: lengths to try, law of discrete cracks, spacing and wire [m]."""

    points: int
    bond: str
    spacing: float | None
    wire: float | None


@click.command(short_help="Say what mechanics expects of a specimen.")
@click.argument("file", metavar="SPECIMEN|PROTOCOL")
@click.option("--rig", "rig_name", metavar="RIG", help="Rig file to read a protocol with.")
@click.option("--upper", metavar="LOAD", help='Upper load, such as "92 kN" or "70 %" of capacity.')
@click.option("--lower", metavar="LOAD", help="Lower load; a tenth of the upper load without it.")
@click.option(
    "--exposure",
    type=click.Choice(["dry", "spray", "submerged"]),
    help="What surrounds it; dry without it, or as the protocol says.",
)
@click.option(
    "--strength",
    metavar="STRESS",
    help="Strength of the concrete in the moisture state of the test; without it the file's.",
)
@click.option(
    "--points",
    type=click.IntRange(2, 2000),
    default=POINTS,
    show_default=True,
    help="Debonded lengths of each bond model.",
)
@click.option(
    "--bond",
    type=click.Choice(["constant", "fib"]),
    default="constant",
    show_default=True,
    help="Bond of discrete cracks: one stress at any slip, or the curve of ribbed bars.",
)
@click.option(
    "--crack-spacing",
    "spacing",
    metavar="LENGTH",
    help="Distance of discrete cracks between the loads; without it there is one, at mid-span.",
)
@click.option(
    "--wire",
    metavar="LENGTH",
    help="Diameter of one wire or strand; without it a layer counts as one round bar.",
)
@click.option(
    "--measured",
    "runs",
    metavar="DIR",
    multiple=True,
    type=click.Path(path_type=Path),
    help="Estimate the debonded length over the cycles of this run; may be given several times.",
)
@click.option(
    "--plot",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Draw it into a PDF, SVG or PNG file.",
)
@json_option
def predict(
    file: str,
    rig_name: str | None,
    upper: str | None,
    lower: str | None,
    exposure: str | None,
    strength: str | None,
    points: int,
    bond: str,
    spacing: str | None,
    wire: str | None,
    runs: tuple[Path, ...],
    plot: Path | None,
    *,
    as_json: bool,
) -> None:
    """Say what mechanics expects of SPECIMEN, or of the specimen of PROTOCOL under its loads.

    Loads at decompression, cracking and the ultimate state, stresses at the upper load with bond
    and with bond lost along the wire, lives by published models. It is a prediction, no promise:
    nothing here replaces companions broken slowly, and no code is conformed to.

    Loads given here stand before those of the protocol; a percentage is of its capacity, or of
    the expected ultimate load. Ends with 0, or 2 where a file or an option is wrong.

    Example: nightrig predict overnight-wet-prism --plot prism.pdf
    """
    try:
        _refuse_figure(plot)
        subject = _moist(_subject(file, rig_name), strength)
        subject = _loaded(subject, upper, lower, exposure)
        asked = Asked(points, bond, _length("--crack-spacing", spacing), _length("--wire", wire))
        _predict(subject, asked, runs, plot, as_json=as_json)
    except RigError as error:
        if as_json:
            say_refusal(error)
        raise


def _predict(
    subject: Subject, asked: Asked, runs: tuple[Path, ...], plot: Path | None, *, as_json: bool
) -> None:
    cracks = _cracks(subject.specimen, asked)
    # Imported late: numpy is for curves, and a mistake in a file is told sooner.
    from rig.mechanics.debonding import curves
    from rig.mechanics.prediction import predict as predicted

    told = predicted(
        subject.specimen,
        subject.lower,
        subject.upper,
        subject.exposure,
        capacity=subject.capacity,
        frequency=_frequency(subject.plan),
    )
    found: Curves = ()
    if subject.upper is not None:
        found = curves(subject.specimen, subject.lower or 0.0, subject.upper, asked.points, cracks)
    measured = _measured(subject.specimen, runs, cracks)
    if plot is not None:
        from rig.commands.predicted_figure import draw

        draw(subject, told, found, measured, plot)
    if as_json:
        from rig.commands.predicted_json import predicted_object

        say_json(predicted_object(subject, told, found, measured))
    else:
        from rig.commands.predicted import predicted_text

        say(predicted_text(subject, told, found, measured, sys.stdout))
        if plot is not None:
            say(f"  drawn in {plot}")


def _subject(name: str, rig: str | None) -> Subject:
    """Return what a file holds: a specimen, or a protocol with one. Raises InputError."""
    path = _find(name)
    document = open_document(path, partial(read_text, specimen=True))
    if not document.readable:
        raise InputError(document.problems)
    if not OF_A_SPECIMEN & document.data.keys():
        return _of_plan(_loaded_plan(path, rig))
    if rig is not None:
        raise InputError(f"--rig {rig}: {name} is a specimen file; no rig matters to it")
    from rig.protocol.load import load_specimen

    specimen = load_specimen(path, read_text)
    return Subject(specimen.name, specimen, "dry", None, None, None, "")


def _loaded_plan(path: str, rig: str | None) -> Plan:
    """Return the plan of a protocol. Raises InputError, which says that a specimen will do too."""
    try:
        return load(path, rig)
    except InputError as error:
        problems = [
            replace(p, remedy=p.remedy.replace("name a protocol here", f"name {EITHER} here"))
            for p in error.problems
        ]
        raise InputError(problems) from None


def _find(name: str) -> str:
    """Return the path of a protocol or specimen file, on disk or packaged."""
    path = find_protocol(name)
    return path if exists(path) else packaged(f"specimens/{name}") or path


def _of_plan(plan: Plan) -> Subject:
    loading = plan.loading
    if loading is None:
        return Subject(plan.title, plan.specimen, plan.exposure, None, None, None, "", plan)
    return Subject(
        plan.title,
        plan.specimen,
        plan.exposure,
        loading.lower,
        loading.upper,
        loading.capacity,
        loading.capacity_source,
        plan,
    )


def _moist(subject: Subject, strength: str | None) -> Subject:
    """Return a subject whose concrete has the strength that was typed. Raises InputError."""
    if strength is None:
        return subject
    value = _quantity("--strength", strength, "stress", WEAKEST, STRONGEST, "5 to 300 MPa")
    from rig.mechanics.code_stress import ultimate_by_code
    from rig.mechanics.shapes import self_moment

    dry = subject.specimen.concrete
    points = tuple((strain, stress * value / dry.strength) for strain, stress in dry.law_points)
    moist = replace(subject.specimen, concrete=replace(dry, strength=value, law_points=points))
    if not self_moment(moist) < ultimate_by_code(moist).moment:
        raise InputError(
            f"--strength: concrete of {strength} does not bear prestress and self weight of "
            f"{moist.name}; give more"
        )
    return replace(subject, specimen=moist)


def _loaded(
    subject: Subject, upper: str | None, lower: str | None, exposure: str | None
) -> Subject:
    """Return a subject under the loads and in the exposure that were typed. Raises InputError."""
    if lower is not None and upper is None and subject.upper is None:
        raise InputError("--lower goes with --upper; give both")
    capacity = _capacity(subject) if upper or lower else math.nan
    high = subject.upper if upper is None else _load("--upper", upper, capacity)
    low = subject.lower if upper is None or high is None else high * LOWER
    if lower is not None:
        low = _load("--lower", lower, capacity)
    if high is not None and not (low or 0.0) < high:
        raise InputError(
            f"--lower: {(low or 0.0) / 1e3:g} kN is not below the upper load of {high / 1e3:g} kN"
        )
    return replace(subject, lower=low, upper=high, exposure=exposure or subject.exposure)


def _capacity(subject: Subject) -> float:
    if subject.capacity is not None:
        return subject.capacity
    from rig.mechanics.prediction import ultimate_as_built
    from rig.mechanics.shapes import load_at

    return float(load_at(subject.specimen, ultimate_as_built(subject.specimen).moment))


def _load(option: str, text: str, capacity: float) -> float:
    """Return a load [N] that was typed as a force or as a share of the capacity."""
    try:
        value, dimension = parse_any(text, ("force", "fraction"))
    except UnitError as error:
        raise InputError(f"{option}: {error}") from None
    load = value * capacity if dimension == "fraction" else value
    if not 0.0 <= load <= MOST:
        raise InputError(f"{option}: {text} is no load that a frame gives; give 0 to {MOST_WORDS}")
    return load


def _length(option: str, text: str | None) -> float | None:
    """Return a length [m] that was typed, None for none."""
    if text is None:
        return None
    return _quantity(option, text, "length", SHORTEST, LONGEST, "0.1 mm to 10 m")


def _quantity(
    option: str, text: str, dimension: str, least: float, most: float, words: str
) -> float:
    """Return a quantity [SI] that was typed. Raises InputError; `words` tell the range."""
    try:
        value = parse(text, dimension)
    except UnitError as error:
        raise InputError(f"{option}: {error}") from None
    if not least <= value <= most:
        raise InputError(f"{option}: {text} is out of range; give {words}")
    return value


def _refuse_figure(plot: Path | None) -> None:
    """Raise InputError for a figure that cannot be drawn, before anything is worked out."""
    if plot is None:
        return
    if plot.suffix not in FIGURES:
        raise InputError(
            f"--plot {plot}: draws PDF, SVG or PNG; name a file such as {plot.stem}.pdf"
        )
    if plot.exists():
        raise InputError(f"--plot {plot}: already exists, nothing was drawn; name a new file")
    if not plot.parent.is_dir():
        raise InputError(f"--plot {plot}: there is no folder {plot.parent}; make it first")


def _frequency(plan: Plan | None) -> float | None:
    return plan.loading.frequency if plan is not None and plan.loading else None


def _cracks(specimen: Specimen, asked: Asked) -> Cracks:
    from rig.mechanics.bond_laws import ribbed, transmission
    from rig.mechanics.crack import Cracks

    concrete, between = specimen.concrete, specimen.section.load_spacing
    if asked.spacing is not None and asked.spacing > between:
        raise InputError(
            f"--crack-spacing: {asked.spacing * 1e3:g} mm is more than the {between * 1e3:g} mm "
            "between the loads; leave it out for one crack"
        )
    fib = asked.bond == "fib"
    bond = ribbed(concrete.strength) if fib else transmission(concrete.tensile_strength)
    return Cracks(bond, asked.spacing, asked.wire)


def _measured(specimen: Specimen, runs: tuple[Path, ...], cracks: Cracks) -> list[Measured]:
    if not runs:
        return []
    from rig.commands.recorded import refuse_no_recording
    from rig.record.layout import RUN_FILE
    from rig.report.debonded_length import measured_length

    for run in runs if specimen.tendons else ():
        refuse_no_recording(run)
        if run.is_dir() and not (run / RUN_FILE).is_file():
            raise InputError(
                f"--measured {run}: has no {RUN_FILE} yet, made at its end; wait for it, or "
                "have nightrig resume close it"
            )

    return [measured_length(run, specimen, cracks) for run in runs]

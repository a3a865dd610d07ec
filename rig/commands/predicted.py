"""A prediction in tables for people, as wide as their terminal."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final, TextIO

from rig.commands.predicted_lives import (
    first_words,
    holding_words,
    limits_table,
    lives_table,
    notes,
    run_out_words,
    sources,
    stresses_words,
)
from rig.commands.tables import NONE, Page, Printed, Row, kilo, mega, milli, number
from rig.mechanics.code_stress import by_code
from rig.mechanics.debonding import DISCRETE, SMEARED, deflection_as_built
from rig.mechanics.prediction import (
    first_frequencies,
    hardest_tendon,
    is_unbonded,
    lowest,
    with_bond,
)

if TYPE_CHECKING:
    from rig.commands.predict import Subject
    from rig.mechanics.debonding import Curve
    from rig.mechanics.prediction import AtLoad, Prediction
    from rig.report.debonded_length import Measured
    from rig.samples import FloatArray

SHOWN: Final = 7
"""Debonded lengths that are printed of each bond model; all are with --json and --plot."""
NO_PROMISE: Final = (
    "A prediction, no promise: it replaces no companions broken slowly, and claims no conformity "
    "to any code."
)
WET: Final = (
    "no model here knows what water in a crack does to bond and wire: pre-tensioned members under "
    "spray failed far earlier (common practice, no source)",
    "the strength must be that of companions in the same moisture: concrete loses some in water "
    "(--strength)",
)
UNTOLD: Final = (
    "- where no length explains the opening: with full bond the crack would be wider already, or "
    "bond lost all along makes none as wide (see --bond, --wire, --crack-spacing)"
)
BRITTLE: Final = "beware: it breaks as it cracks; cracked it carries less than that load"
NOT_TOLD: Final = "- where the model does not tell it"
SLIPS: Final = (
    "no range where the tendon's ends are pulled in: what stress it keeps at the lower load is "
    "not known"
)
UNHELD: Final = "nothing holds the tendon, or its force crushes the concrete without any load"
BUILT_LOOSE: Final = "its tendons are built without bond: all rows but that are as if they had it"
MARKED: Final = "* constants from memory, or seen second-hand"


def predicted_text(
    subject: Subject,
    told: Prediction,
    curves: Sequence[Curve],
    runs: Sequence[Measured],
    stream: TextIO | None,
) -> str:
    """Return all tables for a stream: in colour and folded where that is a terminal."""
    page = Page(stream)
    page.lines(*_head(subject, told))
    page.table(*_section(told))
    page.table(*_loads(told))
    page.lines(*_at_ultimate(told))
    if told.upper is not None:
        page.table(*_at_upper(told, curves))
        below = (*_cracks(told, curves), *_slipping(curves), *_not_borne(curves))
        below = (*below, *_no_ultimate(curves))
        page.lines(f"  {NOT_TOLD}", *below)
        if is_unbonded(told.specimen):
            page.lines(f"  {BUILT_LOOSE}")
    if told.lives:
        page.table(*lives_table(told.lives))
        page.lines(*(f"  {letter}  {why}" for why, letter in notes(told.lives).items()))
        page.lines(f"  {stresses_words(told, curves)}")
        page.table(*limits_table(told))
        page.lines(MARKED, "", "Sources", *sources(told.lives))
    for run in runs:
        page.table(*_measured(run))
        if not all(map(math.isfinite, run.length)):
            page.lines(f"  {UNTOLD}")
        if run.specimen not in ("", told.specimen.name):
            page.lines(f"  beware: it was run on another specimen, {run.specimen}")
    page.lines("", NO_PROMISE)
    return page.text()


def _head(subject: Subject, told: Prediction) -> list[str]:
    lines = [subject.title]
    if told.specimen.name != subject.title:
        lines.append(f"  specimen  {told.specimen.name}")
    lines.append(f"  exposure  {told.exposure}")
    if told.upper is not None and told.lower is not None and told.levels is not None:
        source = f" ({subject.capacity_source})" if subject.capacity_source else ", as expected"
        lines.append(
            f"  cycles    {kilo(told.lower.load)} to {kilo(told.upper.load)} kN, "
            f"{told.levels.load * 100:.3g} % of the capacity of {kilo(told.capacity)} kN{source}"
        )
        lines.append(f"  stresses  {_stresses(told)}")
        if told.exposure != "dry":
            lines += [f"  beware    {words}" for words in WET]
    if told.lives:
        lines.append(f"  first     {first_words(told.lives)}")
    if told.lives and subject.plan is not None and subject.plan.cyclic is not None:
        lasting = told.exposure == "dry" or is_unbonded(told.specimen)
        while_bonded = "" if lasting else " while its bond holds"
        words = run_out_words(told.lives, subject.plan.cyclic.run_out)
        lines.append(f"  run-out   {words}{while_bonded}")
    holding = holding_words(told.lives)
    return [*lines, f"  beware    {holding}"] if holding else lines


def _stresses(told: Prediction) -> str:
    """Return the levels of concrete and tendon in words."""
    levels, strength = told.levels, told.specimen.concrete.strength
    if levels is None or math.isnan(levels.concrete_max):
        return "none: the section cannot carry the load"
    return (
        f"top of the concrete {levels.concrete_min * 100:.2g} to {levels.concrete_max * 100:.3g} % "
        f"of its {mega(strength)} MPa; tendon range {mega(levels.tendon_range)} MPa"
    )


def _section(told: Prediction) -> Printed:
    height = told.specimen.section.height
    rows: list[Row] = [
        (
            name,
            number(section.area * 1e6, 5),
            number(section.inertia * 1e12 / 1e6),
            number(section.bottom_modulus(height) * 1e9 / 1e6),
            number(section.centroid * 1e3),
        )
        for name, section in (("transformed", told.section), ("gross", told.gross))
    ]
    heads = ["area\nmm2", "second moment\n10^6 mm4", "bottom modulus\n10^6 mm3", "centroid\nmm"]
    return "Section", heads, rows


def _loads(told: Prediction) -> Printed:
    heads = ["moment\nkNm", "actuator load\nkN", "gross section says\nkNm"]
    rows: list[Row] = [
        ("self weight", kilo(told.own_moment), NONE, NONE),
        _load_row("decompression", told, told.decompression, told.gross_decompression),
        _load_row("cracking", told, told.cracking, told.gross_cracking),
        _load_row("ultimate", told, told.ultimate.moment, None),
    ]
    return "Loads", heads, rows


def _load_row(name: str, told: Prediction, moment: float, gross: float | None) -> Row:
    beside = NONE if gross is None else kilo(gross)
    return (name, kilo(moment), kilo(told.load_of(moment)), beside)


def _at_ultimate(told: Prediction) -> list[str]:
    ultimate = told.ultimate
    stress = lowest(told.specimen, ultimate.tendon_stress)
    steel = f", the lowest tendon at {mega(stress)} MPa" if stress is not None else ""
    goes = "the concrete crushes" if ultimate.part == "concrete" else "the tendon breaks"
    bare = ", without bars" if told.specimen.bars else ""
    by_formula = lowest(told.specimen, by_code(told.specimen))
    formula = ""
    if by_formula is not None and math.isfinite(by_formula):
        formula = f" (by the formula of ACI 318{bare}: {mega(by_formula)} MPa)"
    frequencies = [number(hertz, 3) for hertz in first_frequencies(told.specimen)]
    brittle = [f"  {BRITTLE}"] if ultimate.moment <= told.cracking else []
    return [
        *brittle,
        f"  at the ultimate {goes}: neutral axis {number(ultimate.neutral_axis * 1e3, 3)} mm "
        f"below the top{steel}{formula}",
        f"  first natural frequency of the specimen alone, in air: {frequencies[0]} Hz whole, "
        f"{frequencies[1]} Hz cracked all along",
    ]


def _at_upper(told: Prediction, curves: Sequence[Curve]) -> Printed:
    heads = [
        "debonded\nmm",
        "tendon\nMPa",
        "range\nMPa",
        "top\nMPa",
        "deflection\nmm",
        "ultimate\nkNm",
        "crack\nmm",
    ]
    rows = _rows_of_bond(told, curves)
    for curve in curves:
        borne = borne_lengths(curve)
        rows += [_curve_row(curve, borne[i]) for i in _thinned(len(borne))]
    load = kilo(told.upper.load) if told.upper else NONE
    return f"At {load} kN", heads, rows


def _rows_of_bond(told: Prediction, curves: Sequence[Curve]) -> list[Row]:
    """Return a row with bond, and of a specimen that is built without bond one as it is."""
    if told.lower is None or told.upper is None:
        return []
    low, high = (with_bond(told.specimen, state.load) for state in (told.lower, told.upper))
    along = next((c for c in curves if c.model == SMEARED), None)
    bent = along.deflection[0] if along is not None and along.deflection is not None else None
    most = (
        along.ultimate_moment[0]
        if along is not None and along.ultimate_moment is not None
        else told.ultimate.moment
    )
    rows = [_bond_row("bonded", told, (low, high), bent, most)]
    if is_unbonded(told.specimen):
        bent = deflection_as_built(told.specimen, told.upper.load)
        states = told.lower, told.upper
        rows.append(_bond_row("as built", told, states, bent, told.ultimate.moment))
    return rows


def _bond_row(
    name: str, told: Prediction, states: tuple[AtLoad, AtLoad], bent: float | None, most: float
) -> Row:
    hardest = hardest_tendon(*states)
    return (
        name,
        NONE,
        mega(lowest(told.specimen, states[1].tendon_stress)),
        mega(hardest.range if hardest else None),
        mega(states[1].concrete_top),
        milli(bent),
        kilo(most),
        NONE,
    )


def borne_lengths(curve: Curve) -> list[int]:
    """Return which lengths of a curve have a state that is in equilibrium."""
    return [i for i, stress in enumerate(curve.concrete_top) if math.isfinite(stress)]


def _cracks(told: Prediction, curves: Sequence[Curve]) -> list[str]:
    """Say how many discrete cracks there are, and what the last length of theirs is."""
    lines = []
    for curve in curves:
        if curve.model != DISCRETE:
            continue
        if curve.spacing is None:
            lines.append(f"  {DISCRETE}: one, at mid-span (see --crack-spacing)")
            continue
        apart = milli(curve.spacing, 4)
        many = round(told.specimen.section.load_spacing / curve.spacing)
        lines.append(
            f"  {DISCRETE}: about {many} between the loads; with {apart} mm debonded the tendon is "
            "free from one to the next"
        )
    return lines


def _slipping(curves: Sequence[Curve]) -> list[str]:
    """Say of which model a range is not known although the load is carried."""
    return [
        f"  {curve.model}: {SLIPS}"
        for curve in curves
        if any(math.isnan(curve.tendon_range[i]) for i in borne_lengths(curve))
    ]


def _not_borne(curves: Sequence[Curve]) -> list[str]:
    """Say from which debonded length on nothing is in equilibrium any more."""
    lines = []
    for curve in curves:
        borne = borne_lengths(curve)
        if not borne:
            lines.append(f"  {curve.model}: cannot carry this load")
        elif borne[-1] + 1 < len(curve.length):
            end = milli(float(curve.length[borne[-1] + 1]), 4)
            lines.append(f"  {curve.model}: with {end} mm debonded it cannot carry this load")
    return lines


def _no_ultimate(curves: Sequence[Curve]) -> list[str]:
    """Say why a model has no ultimate moment at some length, where it has none."""
    lines = []
    for curve in curves:
        most = [] if curve.ultimate_moment is None else [float(m) for m in curve.ultimate_moment]
        first = next((i for i, moment in enumerate(most) if math.isnan(moment)), None)
        if first is not None:
            at = milli(float(curve.length[first]), 4)
            lines.append(f"  {curve.model}: no ultimate moment with {at} mm debonded: {UNHELD}")
    return lines


def _curve_row(curve: Curve, i: int) -> Row:
    def at(values: FloatArray | None) -> float | None:
        return None if values is None else float(values[i])

    return (
        curve.model,
        milli(at(curve.length), 4),
        mega(at(curve.tendon_stress)),
        mega(at(curve.tendon_range)),
        mega(at(curve.concrete_top)),
        milli(at(curve.deflection)),
        kilo(at(curve.ultimate_moment)),
        milli(at(curve.opening)),
    )


def _thinned(rows: int) -> list[int]:
    """Return rows spread evenly, first and last among them."""
    shown = min(rows, SHOWN)
    return [round(i * (rows - 1) / max(shown - 1, 1)) for i in range(shown)]


def _measured(run: Measured) -> Printed:
    heads = ["load\nkN", "crack opening\nmm", "debonded length\nmm"]
    rows: list[Row] = [
        (
            f"cycle {int(run.number[i]):,}",
            kilo(run.load[i]),
            milli(run.opening[i]),
            milli(run.length[i]),
        )
        for i in _thinned(len(run.number))
    ]
    return f"Estimated from {run.label}", heads, rows

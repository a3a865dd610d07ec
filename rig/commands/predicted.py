"""A prediction in tables for people, as wide as their terminal."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from string import ascii_lowercase
from typing import TYPE_CHECKING, Any, Final, TextIO

from rich.console import Console
from rich.table import Table

from rig.commands.saying import folded, width_of
from rig.mechanics.damage import first_part
from rig.mechanics.debonding import SMEARED
from rig.mechanics.life import FROM_MEMORY
from rig.mechanics.prediction import (
    hardest_bar,
    hardest_tendon,
    limits_of,
    lowest,
    span_of_lives,
    with_bond,
)
from rig.monitor.paint import can_paint

if TYPE_CHECKING:
    from rig.commands.predict import Subject
    from rig.mechanics.debonding import Curve
    from rig.mechanics.life import Life
    from rig.mechanics.prediction import Prediction
    from rig.report.debonded_length import Measured
    from rig.samples import FloatArray

WHOLE: Final = 100_000
"""Cells of a line where there is no terminal: no row is broken."""
SHOWN: Final = 7
"""Debonded lengths that are printed of each bond model; all are with --json and --plot."""
NO_PROMISE: Final = (
    "A prediction, no promise: it replaces no companions broken slowly, and claims no conformity "
    "to any code."
)
WET: Final = (
    "the strength must be that of companions in the same moisture: concrete loses some in water "
    "(--strength)"
)
MARKED: Final = "* constants from memory, or seen second-hand"
NONE: Final = "-"

Row = Sequence[str]


def predicted_text(
    subject: Subject,
    told: Prediction,
    curves: Sequence[Curve],
    runs: Sequence[Measured],
    stream: TextIO | None,
) -> str:
    """Return all tables for a stream: in colour and folded where that is a terminal."""
    page = _Page(stream)
    page.lines(*_head(subject, told))
    page.table(*_section(told))
    page.table(*_loads(told))
    page.lines(*_at_ultimate(told))
    if told.upper is not None:
        page.table(*_at_upper(told, curves))
        page.lines(*_not_borne(curves))
    if told.lives:
        page.table(*_lives(told.lives))
        page.lines(*(f"  {letter}  {why}" for why, letter in _notes(told.lives).items()))
        page.table(*_limits(told))
        page.lines(MARKED, "", "Sources", *_sources(told.lives))
    for run in runs:
        page.table(*_measured(run))
        if run.specimen not in ("", told.specimen.name):
            page.lines(f"  beware: it was run on another specimen, {run.specimen}")
    page.lines("", NO_PROMISE)
    return page.text()


class _Page:
    """Lines and tables one below the other, as wide as a stream's terminal."""

    def __init__(self, stream: TextIO | None) -> None:
        self._stream = stream
        self._paints = stream is not None and can_paint(stream)
        self._console = Console(
            width=width_of(stream) or WHOLE,
            force_terminal=self._paints,
            highlight=False,
            markup=False,
            emoji=False,
        )
        self._parts: list[str] = []

    def lines(self, *lines: str) -> None:
        """Add lines, broken between words where they are too long."""
        self._parts += [folded(line, self._stream) for line in lines]

    def table(self, title: str, heads: Sequence[str], rows: Iterable[Row]) -> None:
        """Add a table after an empty line; all its columns but the first are numbers or words.

        A head with its unit behind a line break is a number's, and set to the right.
        """
        table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
        table.add_column(title, vertical="bottom")
        for head in heads:
            table.add_column(head, justify="right" if "\n" in head else "left", vertical="bottom")
        for row in rows:
            table.add_row(f"  {row[0]}", *row[1:])
        with self._console.capture() as captured:
            self._console.print(table)
        self._parts += ["", *(line.rstrip() for line in captured.get().rstrip("\n").split("\n"))]

    def text(self) -> str:
        """Return the whole page."""
        return "\n".join(self._parts)


def _head(subject: Subject, told: Prediction) -> list[str]:
    lines = [subject.title]
    if told.specimen.name != subject.title:
        lines.append(f"  specimen  {told.specimen.name}")
    lines.append(f"  exposure  {told.exposure}")
    if told.upper is not None and told.lower is not None and told.levels is not None:
        source = f" ({subject.capacity_source})" if subject.capacity_source else ", as expected"
        lines.append(
            f"  cycles    {_kilo(told.lower.load)} to {_kilo(told.upper.load)} kN, "
            f"{told.levels.load * 100:.3g} % of the capacity of {_kilo(told.capacity)} kN{source}"
        )
        lines.append(f"  stresses  {_stresses(told)}")
        if told.exposure != "dry":
            lines.append(f"  beware    {WET}")
    if told.lives:
        lines.append(f"  first     {_first(told.lives)}")
    if told.lives and subject.plan is not None and subject.plan.cyclic is not None:
        lines.append(f"  run-out   {_run_out(told.lives, subject.plan.cyclic.run_out)}")
    return lines


def _stresses(told: Prediction) -> str:
    """Return the levels of concrete and tendon in words."""
    levels, strength = told.levels, told.specimen.concrete.strength
    if levels is None or math.isnan(levels.concrete_max):
        return "none: the section cannot carry the load"
    return (
        f"top of the concrete {levels.concrete_min * 100:.2g} to {levels.concrete_max * 100:.3g} % "
        f"of its {_mega(strength)} MPa; tendon range {_mega(levels.tendon_range)} MPa"
    )


def _first(lives: Sequence[Life]) -> str:
    """Return which part goes first by mean lives, in words."""
    found = first_part(lives)
    if not found.part:
        return "nothing: no mean model expects an end"
    how = "by every mean model" if found.sure else "by the middle of the mean models"
    spans = "; ".join(
        f"{part} {_cycles(low)}" + (f" to {_cycles(high)}" if high != low else "")
        for part, (low, high) in found.spans.items()
    )
    return f"{found.part}, {how}, which expect cycles of: {spans}"


def _run_out(lives: Sequence[Life], run_out: int) -> str:
    """Return whether a run-out is expected, in words."""
    span = span_of_lives(lives)
    if span is None:
        return f"{run_out:,} cycles"
    asked = math.log10(run_out)
    if asked <= span.shortest.log10_cycles:
        return f"{run_out:,} cycles: every mean model lets it last so long"
    if asked > span.longest.log10_cycles:
        return f"{run_out:,} cycles: no mean model lets it last so long"
    return f"{run_out:,} cycles: the mean models do not agree whether it lasts so long"


def _section(told: Prediction) -> tuple[str, list[str], list[Row]]:
    height = told.specimen.section.height
    rows: list[Row] = [
        (
            name,
            _figure(section.area * 1e6, 5),
            _figure(section.inertia * 1e12 / 1e6),
            _figure(section.bottom_modulus(height) * 1e9 / 1e6),
            _figure(section.centroid * 1e3),
        )
        for name, section in (("transformed", told.section), ("gross", told.gross))
    ]
    heads = ["area\nmm2", "second moment\n10^6 mm4", "bottom modulus\n10^6 mm3", "centroid\nmm"]
    return "Section", heads, rows


def _loads(told: Prediction) -> tuple[str, list[str], list[Row]]:
    heads = ["moment\nkNm", "actuator load\nkN", "gross section says\nkNm"]
    rows: list[Row] = [
        ("self weight", _kilo(told.own_moment), NONE, NONE),
        _load_row("decompression", told, told.decompression, told.gross_decompression),
        _load_row("cracking", told, told.cracking, told.gross_cracking),
        _load_row("ultimate", told, told.ultimate.moment, None),
    ]
    return "Loads", heads, rows


def _load_row(name: str, told: Prediction, moment: float, gross: float | None) -> Row:
    beside = NONE if gross is None else _kilo(gross)
    return (name, _kilo(moment), _kilo(told.load_of(moment)), beside)


def _at_ultimate(told: Prediction) -> list[str]:
    ultimate = told.ultimate
    stress = lowest(told.specimen, ultimate.tendon_stress)
    steel = f", the lowest tendon at {_mega(stress)} MPa" if stress is not None else ""
    goes = "the concrete crushes" if ultimate.part == "concrete" else "the tendon breaks"
    return [
        f"  at the ultimate {goes}: neutral axis {_figure(ultimate.neutral_axis * 1e3, 3)} mm "
        f"below the top{steel}"
    ]


def _at_upper(told: Prediction, curves: Sequence[Curve]) -> tuple[str, list[str], list[Row]]:
    heads = [
        "debonded\nmm",
        "tendon\nMPa",
        "range\nMPa",
        "top\nMPa",
        "deflection\nmm",
        "ultimate\nkNm",
        "crack\nmm",
    ]
    rows = [_bonded_row(told, curves)]
    for curve in curves:
        borne = borne_lengths(curve)
        rows += [_curve_row(curve, borne[i]) for i in _thinned(len(borne))]
    load = _kilo(told.upper.load) if told.upper else NONE
    return f"At {load} kN", heads, rows


def _bonded_row(told: Prediction, curves: Sequence[Curve]) -> Row:
    if told.lower is None or told.upper is None:
        return ("bonded",)
    low, high = (with_bond(told.specimen, state.load) for state in (told.lower, told.upper))
    hardest = hardest_tendon(low, high)
    along = next((c for c in curves if c.model == SMEARED and c.deflection is not None), None)
    return (
        "bonded",
        NONE,
        _mega(lowest(told.specimen, high.tendon_stress)),
        _mega(hardest.range if hardest else None),
        _mega(high.concrete_top),
        _milli(along.deflection[0] if along is not None and along.deflection is not None else None),
        _kilo(told.ultimate.moment),
        NONE,
    )


def borne_lengths(curve: Curve) -> list[int]:
    """Return which lengths of a curve have a state that is in equilibrium."""
    return [i for i, stress in enumerate(curve.concrete_top) if math.isfinite(stress)]


def _not_borne(curves: Sequence[Curve]) -> list[str]:
    """Say from which debonded length on nothing is in equilibrium any more."""
    lines = []
    for curve in curves:
        borne = borne_lengths(curve)
        if not borne:
            lines.append(f"  {curve.model}: cannot carry this load")
        elif borne[-1] + 1 < len(curve.length):
            beyond = _milli(float(curve.length[borne[-1]]), 4)
            lines.append(f"  {curve.model}: beyond {beyond} mm it cannot carry this load")
    return lines


def _curve_row(curve: Curve, i: int) -> Row:
    def at(values: FloatArray | None) -> float | None:
        return None if values is None else float(values[i])

    return (
        curve.model,
        _milli(at(curve.length), 4),
        _mega(at(curve.tendon_stress)),
        _mega(at(curve.tendon_range)),
        _mega(at(curve.concrete_top)),
        _milli(at(curve.deflection)),
        _kilo(at(curve.ultimate_moment)),
        _milli(at(curve.opening)),
    )


def _thinned(rows: int) -> list[int]:
    """Return rows spread evenly, first and last among them."""
    shown = min(rows, SHOWN)
    return [round(i * (rows - 1) / max(shown - 1, 1)) for i in range(shown)]


def _lives(lives: Sequence[Life]) -> tuple[str, list[str], list[Row]]:
    heads = ["model", "log10 of\ncycles", "about\ncycles", "kind", "holds"]
    notes = _notes(lives)
    rows: list[Row] = [
        (
            life.part,
            life.model + (" *" if _second_hand(life.source) else ""),
            _decades(life.log10_cycles),
            _cycles(life.log10_cycles),
            life.kind,
            "yes" if life.valid else f"no: {notes[life.why]}",
        )
        for life in lives
    ]
    return "Lives", heads, rows


def _notes(lives: Sequence[Life]) -> dict[str, str]:
    """Return a letter for each reason why a model does not hold here."""
    reasons = dict.fromkeys(life.why for life in lives if not life.valid)
    return dict(zip(reasons, ascii_lowercase, strict=False))


def _second_hand(source: str) -> bool:
    return FROM_MEMORY in source or "second-hand" in source


def _limits(told: Prediction) -> tuple[str, list[str], list[Row]]:
    heads = ["code", "at most\nMPa", "here\nMPa", "kept"]
    if told.lower is None or told.upper is None:
        return "Codes allow", heads, []
    tendon, bar = (hardest(told.lower, told.upper) for hardest in (hardest_tendon, hardest_bar))
    here = {
        "concrete": told.upper.concrete_top,
        "tendon": tendon.range if tendon else None,
        "bar": bar.range if bar else None,
    }
    rows: list[Row] = [
        (
            limit.part,
            limit.model + (" *" if _second_hand(limit.source) else ""),
            _mega(float(limit.limit)),
            _mega(here[limit.part]),
            "yes" if limit.kept else "no",
        )
        for limit in limits_of(told.specimen, told.lower, told.upper)
    ]
    return "Codes allow", heads, rows


def _sources(lives: Sequence[Life]) -> list[str]:
    by_source: dict[str, list[str]] = {}
    for life in lives:
        by_source.setdefault(life.source, []).append(life.model)
    return [f"  {', '.join(models)}: {source}" for source, models in by_source.items()]


def _measured(run: Measured) -> tuple[str, list[str], list[Row]]:
    heads = ["load\nkN", "crack opening\nmm", "debonded length\nmm"]
    rows: list[Row] = [
        (
            f"cycle {int(run.number[i]):,}",
            _kilo(run.load[i]),
            _milli(run.opening[i]),
            _milli(run.length[i]),
        )
        for i in _thinned(len(run.number))
    ]
    return f"Estimated from {run.label}", heads, rows


def _figure(value: float | None, digits: int = 4) -> str:
    """Return a number to so many digits that count, "-" for none."""
    if value is None or not math.isfinite(value):
        return NONE
    # Rounded first: 99.9996 has as many digits before the point as 100.
    rounded = float(f"{value:.{digits}g}")
    after = digits - 1 - math.floor(math.log10(abs(rounded))) if rounded else 0
    return f"{rounded:,.{max(0, after)}f}"


def _kilo(value: float | None) -> str:
    return _figure(None if value is None else value / 1e3)


def _mega(value: float | None) -> str:
    return _figure(None if value is None else value / 1e6, 3 if value and value < 1e8 else 4)


def _milli(value: float | None, digits: int = 3) -> str:
    return _figure(None if value is None else value * 1e3, digits)


def _decades(log10: Any) -> str:
    return NONE if log10 == math.inf else f"{float(log10):.1f}"


def _cycles(log10: Any) -> str:
    """Return a count as "1.8e6", whatever its size."""
    if log10 == math.inf:
        return "no end"
    if log10 < 4:
        return f"{10 ** float(log10):,.0f}"
    # Rounded first: 9.96 would be written as 10.0.
    mantissa, exponent = f"{10 ** (float(log10) % 1):.1e}".split("e")
    return f"{mantissa}e{math.floor(float(log10)) + int(exponent)}"

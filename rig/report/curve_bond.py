"""Curves of bond: slip of the tendons' ends, crack opening, strains, estimated debonded length."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from rig.mechanics.bond_laws import transmission
from rig.mechanics.discrete import debonded_length
from rig.report.curve_axes import LOOKS, Look, Scale, look, reach, rows_of_panels
from rig.report.curve_columns import SLIPS, WINDOW, of_family
from rig.report.curve_points import Points
from rig.report.curve_told import Line, told
from rig.report.document import Block, Drawn, Paragraph
from rig.report.measure import COUNT, Cell, Measure, Part, Table, Told

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from rig.mechanics.specimen import Specimen
    from rig.protocol.plan import Plan
    from rig.report.curve_columns import Columns
    from rig.samples import FloatArray

OPENING: Final = (
    Line("crack_opening_max", "largest crack opening", "m"),
    Line("crack_opening_min", "smallest crack opening", "m"),
)
_SLIP_WORDS: Final = ("onset", "mark")
_NUMBERS: Final = (
    *("one", "two", "three", "four", "five", "six"),
    *("seven", "eight", "nine", "ten", "eleven", "twelve"),
)
_LINES: Final = 8
"""Lines of one figure that can be told apart; of more channels the first are drawn."""
_ROWS: Final = 13


def slip_block(columns: Columns, scale: Scale) -> Block | None:
    """Return the slip of each tendon's end, with the slips at which it is noted."""
    lines = _family(columns, "end_slip_", "_max", "m")
    if not lines:
        return None
    words: list[Part] = []
    for line in lines:
        for name, slip, first in zip(_SLIP_WORDS, SLIPS, columns.slips[line.name], strict=True):
            at = Measure(first or float("nan"), COUNT, f"derived.{line.name}.{name}", blank="none")
            slipped = Measure(slip, "m", f"constant.slip_{name}")
            words += [
                f" {line.label[0].upper()}{line.label[1:]} of ",
                slipped,
                " from cycle ",
                at,
                " on.",
            ]
    words.append(" Slip is evidence of lost bond; no limit of the test.")
    draw = partial(_draw, columns, scale, lines, "end slip [mm]", 1e3, SLIPS)
    return Drawn("end-slip", "Slip of the tendons' ends", draw, told(columns, lines, *words))


def opening_block(columns: Columns, scale: Scale) -> Block | None:
    """Return the crack opening over the cycles."""
    lines = [line for line in OPENING if columns.has(line.name)]
    if not lines:
        return None
    draw = partial(_draw, columns, scale, lines, "crack opening [mm]", 1e3, ())
    return Drawn("crack-opening", "Opening of the gauged crack", draw, told(columns, lines))


def strain_block(columns: Columns, scale: Scale) -> Block | None:
    """Return the range of strain of each gauge over the cycles."""
    lines = _family(columns, "strain_", "_range", "strain")
    if not lines:
        return None
    draw = partial(_draw, columns, scale, lines, "range of strain [µm/m]", 1e6, ())
    return Drawn("strain-range", "Range of strain of each cycle", draw, told(columns, lines))


def _family(columns: Columns, stem: str, end: str, unit: str) -> list[Line]:
    """Return the lines of a numbered family of channels that were measured."""
    names = {name.removesuffix(end) for name in columns.curves if name.endswith(end)}
    channels = sorted(n for n in names if of_family(n, (stem,)) and columns.has(f"{n}{end}"))
    channels.sort(key=len)
    what = "slip" if stem == "end_slip_" else "range of strain"
    return [
        Line(f"{name}{end}", f"{what} at sensor {in_words(name.removeprefix(stem))}", unit)
        for name in channels[:_LINES]
    ]


def in_words(number: str) -> str:
    """Return the number of a sensor in words, as it stands where every numeral is a result."""
    place = int(number)
    return _NUMBERS[place - 1] if 0 < place <= len(_NUMBERS) else "further"


def _draw(
    columns: Columns,
    scale: Scale,
    lines: list[Line],
    label: str,
    factor: float,
    levels: tuple[float, ...],
) -> Figure:
    with look():
        figure, (pair,) = rows_of_panels(scale, [label], 1.6)
        ends = [0.0]
        for place, line in enumerate(lines):
            found = columns.curves[line.name]
            pair.line(found, factor, Look(line.label, _style(place)))
            ends += [factor * found.statistics.min, factor * found.statistics.max]
        for name, level in zip(_SLIP_WORDS, levels, strict=False):
            pair.level(factor * level, f"{name}: {level * 1e3:g} mm")
            ends.append(1.1 * factor * level)
        pair.bounds(*reach(*ends))
        pair.legend()
    return figure


def _style(place: int) -> dict[str, Any]:
    colour, dash = LOOKS[place % len(LOOKS)], LOOKS[(place + place // len(LOOKS)) % len(LOOKS)]
    return {"color": colour["color"], "linestyle": dash["linestyle"]}


def length_block(columns: Columns, plan: Plan | None, scale: Scale) -> Block | None:
    """Return the debonded length that explains the crack opening, over the cycles."""
    if plan is None or not plan.specimen.tendons or "crack_opening_max" not in columns.medians:
        return None
    length = estimated(columns, plan.specimen)
    if not np.isfinite(length).any():
        said = "No debonded length explains the crack opening that was measured: none is drawn."
        return Paragraph((said,))
    sentence: tuple[Part, ...] = (
        "Estimated: the length over which the tendons have lost their bond that opens a crack at "
        "mid-span as far as measured, by the model of discrete cracks with one bond stress, from "
        "medians of ",
        Measure(WINDOW, COUNT, "constant.length_window"),
        " cycles. None is given where no length explains the opening. It follows one specimen "
        "better than it tells an absolute length.",
    )
    draw = partial(_draw_length, columns, scale, length)
    table = _lengths_table(columns, length)
    return Drawn("debonded-length", "Estimated debonded length", draw, Told(sentence, table))


def estimated(columns: Columns, specimen: Specimen) -> FloatArray:
    """Return the debonded length [m] at the rows of `columns.spread`, NaN where none explains."""
    opening, load = columns.medians["crack_opening_max"], columns.medians["load_max"]
    bond = transmission(specimen.concrete.tensile_strength)
    found: FloatArray = np.asarray(debonded_length(specimen, opening, load, bond))
    return found


def _lengths_table(columns: Columns, length: FloatArray) -> Table:
    rows: list[tuple[Cell, ...]] = []
    for number in list(columns.curves["crack_opening_max"].at)[:_ROWS]:
        place = int(np.searchsorted(columns.spread, number - 1))
        if place < len(columns.spread) and columns.spread[place] == number - 1:
            key = f"derived.debonded_length.at.{number}"
            value = Measure(float(length[place]), "m", key, blank="none")
            rows.append((Measure(number, COUNT, f"cycles.number.at.{number}"), value))
    return Table(("counted cycle", "Estimated length"), tuple(rows))


def _draw_length(columns: Columns, scale: Scale, length: FloatArray) -> Figure:
    with look():
        figure, (pair,) = rows_of_panels(scale, ["debonded length [mm]"], 1.6)
        at = Points(columns.spread + 1, length)
        pair.points(at, at, 1e3, Look("estimated from crack opening and load", LOOKS[0]))
        pair.bounds(*reach(0.0, 1e3 * float(np.nanmax(length))))
        pair.legend()
    return figure

"""The set-up of a test, to scale: the beam, its supports and loads, its section, its sensors."""

from __future__ import annotations

import math
from functools import partial
from itertools import pairwise
from typing import TYPE_CHECKING, Final

from rig.report.crack_lines import JUT
from rig.report.crack_text import short
from rig.report.curve_axes import WIDTH, look, new_figure
from rig.report.document import Drawn
from rig.report.measure import Cell, Measure, Part, Table, Told, Words
from rig.report.setup_drawing import (
    draw_dimension,
    draw_load,
    draw_rectangle,
    draw_support,
    draw_water,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from rig.mechanics.specimen import Section, Specimen
    from rig.protocol.plan import Plan

_MM: Final = 1e3
_IN: Final = 25.4
_PAGE: Final = WIDTH * _IN
_BEAM: Final = 116.0
"""Width [mm] of the page that the beam takes, ends and all."""
_LEFT: Final = 12.0
_SECTION: Final = (139.0, 28.0)
"""Left edge and width [mm] of the room for the section."""
_TALLEST: Final = 38.0
_ABOVE: Final = 27.0
_BELOW: Final = 25.0
_SIZE: Final = 7.0
_LAYERS: Final = 6
"""Layers of tendons and bars that the table names."""
PLACED: Final = ("load", "stroke", "midspan", "support_left", "support_right")
"""Channels whose place follows from what they are; that of others is not recorded."""


def setup_block(plan: Plan) -> Drawn:
    """Return the sketch of a plan's set-up, with the distances of its specimen file."""
    sentence: tuple[Part, ...] = (
        "Four-point bending, exposure: ",
        Words(plan.exposure, "protocol.exposure") if plan.exposure else "not told",
        ". The beam is drawn to scale with its distances as the specimen file gives them, its "
        "section beside it larger. How far it goes beyond its supports is not recorded: the "
        "overhang drawn is assumed. Of sensors those are drawn whose place is recorded.",
    )
    told = Told(sentence, Table(("what", "distance or place"), tuple(_rows(plan))))
    return Drawn("setup", "The set-up, to scale", partial(_draw, plan), told)


def _rows(plan: Plan) -> list[tuple[Cell, ...]]:
    section = plan.specimen.section
    rows: list[tuple[Cell, ...]] = [
        ("span", _length(section.span, "specimen.geometry.span")),
        ("shear span, each side", _length(_shear(section), "derived.shear_span")),
        (
            "between the loads (constant moment)",
            _length(section.load_spacing, "specimen.geometry.load_spacing"),
        ),
        ("overhang beyond the supports", "not recorded"),
        ("height", _length(section.height, _height_key(section))),
        ("largest width", _length(_width(section), "derived.largest_width")),
    ]
    layers = [("tendon", i, t.depth) for i, t in enumerate(plan.specimen.tendons)]
    layers += [("bar", i, b.depth) for i, b in enumerate(plan.specimen.bars)]
    for kind, i, depth in layers[:_LAYERS]:
        name = "tendons" if kind == "tendon" else "bars"
        what = f"depth of a layer of {name} below the top"
        rows.append((what, _length(depth, f"specimen.{kind}.{i}.depth")))
    if len(layers) > _LAYERS:
        rows.append(("further layers", "in the specimen file"))
    elsewhere = [c.name for c in plan.rig.channels if not c.slow and c.name not in PLACED]
    if elsewhere:
        parts: list[Part] = []
        for name in elsewhere:
            parts += [", " if parts else "", Words(name, f"channel.{name}", "name")]
        rows.append(("sensors whose place is not recorded", tuple(parts)))
    return rows


def _length(value: float, key: str) -> Measure:
    return Measure(value, "m", key, 4)


def _height_key(section: Section) -> str:
    return "derived.height" if section.outline else "specimen.geometry.height"


def _shear(section: Section) -> float:
    return (section.span - section.load_spacing) / 2


def _width(section: Section) -> float:
    return max([section.width, section.width_bottom, *(wide for _, wide in section.outline)])


def _draw(plan: Plan) -> Figure:
    section = plan.specimen.section
    scale = _BEAM / (section.span * (1 + 2 * JUT))
    depth = section.height * scale
    own = min(_SECTION[1] / _width(section), _TALLEST / section.height)
    tall = max(depth + _ABOVE + _BELOW, own * section.height + 22.0)
    with look():
        figure = new_figure(tall / _IN)
        axes = figure.add_axes((0, 0, 1, 1))
        axes.set_xlim(0, _PAGE)
        axes.set_ylim(0, tall)
        axes.axis("off")
        _beam(axes, plan, scale, tall - _ABOVE - depth)
        _section(axes, plan.specimen, own, (tall - own * section.height) / 2 - 2)
    return figure


def _beam(axes: Axes, plan: Plan, scale: float, base: float) -> None:
    """Draw the beam in its rig, its soffit at a height [mm] of the page."""
    section = plan.specimen.section
    depth, jut = section.height * scale, section.span * JUT * scale
    first = _LEFT + jut
    last = first + section.span * scale
    middle, reach = (first + last) / 2, section.load_spacing * scale / 2
    if plan.exposure != "dry":
        wide = last - first + 2 * jut
        draw_water(axes, (first - jut - 3, base - 5.5, wide + 6, depth + 6.3), plan.exposure, _SIZE)
    draw_rectangle(axes, (first - jut, base, last - first + 2 * jut, depth))
    for tendon in plan.specimen.tendons:
        y = base + depth - tendon.depth * scale
        axes.plot([first - jut, last + jut], [y, y], color="black", lw=0.6, ls=(0, (6, 2)))
    for x in (first, last):
        draw_support(axes, x, base)
    draw_load(axes, middle, reach, base + depth, top=base + depth + _ABOVE - 2, size=_SIZE)
    _sensors(axes, plan, (first, middle, last), base, depth)
    places = (first, middle - reach, middle + reach, last)
    for low, high in pairwise(places):
        _distance(axes, (low, high), base - 12, (high - low) / scale)
    for x in places:
        axes.plot([x, x], [base - 18.5, base - 10.5], color="black", lw=0.4)
    _distance(axes, (first, last), base - 17, section.span)
    _upright(axes, first - jut - 5, (base, base + depth), section.height)


def _distance(axes: Axes, ends: tuple[float, float], y: float, length: float) -> None:
    draw_dimension(axes, ends, y, f"{length * _MM:,.4g}", _SIZE)


def _upright(axes: Axes, x: float, ends: tuple[float, float], length: float) -> None:
    """Draw a height [m] between two heights of the page."""
    arrow = {"arrowstyle": "<->", "lw": 0.5, "color": "black", "shrinkA": 0, "shrinkB": 0}
    axes.annotate("", (x, ends[0]), (x, ends[1]), arrowprops=arrow)
    middle = sum(ends) / 2
    text = f"{length * _MM:,.4g}"
    axes.text(x - 1.2, middle, text, fontsize=_SIZE, rotation=90, ha="right", va="center")


def _sensors(
    axes: Axes, plan: Plan, places: tuple[float, float, float], base: float, depth: float
) -> None:
    """Draw the sensors of deflection where they sit: small triangles, with their names."""
    names = {channel.name for channel in plan.rig.channels}
    first, middle, last = places
    if "midspan" in names:
        _sensor(axes, middle, base, "midspan", (middle, base - 3.2))
    for name, x in (("support_left", first), ("support_right", last)):
        if name in names:
            _sensor(axes, x, base + depth, name, (x, base + depth + 3.4))


def _sensor(axes: Axes, x: float, y: float, name: str, words: tuple[float, float]) -> None:
    mark = "v" if words[1] > y else "^"
    lift = 1.2 if words[1] > y else -1.2
    axes.plot([x], [y + lift], mark, color="black", markersize=4)
    axes.text(*words, short(name, 30.0, _SIZE), fontsize=_SIZE, ha="center", va="center")


def _section(axes: Axes, specimen: Specimen, scale: float, base: float) -> None:
    """Draw the section beside the beam, each layer of tendons and bars at its depth."""
    section = specimen.section
    left, room = _SECTION
    middle, height = left + room / 2, section.height * scale
    outline = section.outline or ((0.0, section.width), (section.height, section.width_bottom))
    side = [(middle + wide * scale / 2, base + height - at * scale) for at, wide in outline]
    other = [(2 * middle - x, y) for x, y in reversed(side)]
    xs, ys = zip(*side, *other, strict=True)
    axes.fill(xs, ys, facecolor="#f2f2f2", edgecolor="black", lw=0.9)
    edge = middle + _width(section) * scale / 2
    taken: list[float] = []
    for layer, filled in [(t, True) for t in specimen.tendons] + [
        (b, False) for b in specimen.bars
    ]:
        y = base + height - layer.depth * scale
        size = max(2 * math.sqrt(layer.area / math.pi) * scale * 72 / _IN, 3.0)
        face = "black" if filled else "white"
        axes.plot([middle], [y], "o", color="black", markerfacecolor=face, markersize=size)
        if all(abs(y - other_y) > 3.0 for other_y in taken):
            words = f"{layer.depth * _MM:,.4g}"
            axes.plot([middle, edge + 1.5], [y, y], color="black", lw=0.4, ls=":")
            axes.text(edge + 2, y, words, fontsize=_SIZE, va="center")
            taken.append(y)
    ends = middle - _width(section) * scale / 2, edge
    _distance(axes, ends, base - 5, _width(section))
    _upright(axes, ends[0] - 3, (base, base + height), section.height)
    kinds = "● tendons" + ("  ○ bars" if specimen.bars else "")
    axes.text(middle, base - 9.5, kinds, fontsize=_SIZE, ha="center", va="top")
    words = "section (larger)"
    axes.text(middle, base + height + 4.5, words, fontsize=_SIZE, ha="center")
    axes.text(_LEFT, 1.5, "all distances in mm, depths from the top", fontsize=_SIZE, va="bottom")

"""The drawing on the set-up sheet: the beam on its supports, the loads, the way the rod moves."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from rig.report.setup_facts import Sheet

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Box = tuple[float, float, float, float]
"""Left, bottom, width, height [mm]."""
_LINE: Final = 0.9
_THIN: Final = 0.5


def draw_setup(axes: Axes, sheet: Sheet, box: Box, size: float) -> None:
    """Draw the four-point set-up into a box of the page, to scale along the span."""
    left, bottom, width, height = box
    room = 0.78 * width
    scale = room / sheet.span
    x0 = left + (width - room) / 2
    depth = min(max(sheet.height * scale, 5.0), 0.2 * height)
    base = bottom + 0.34 * height
    ends = (x0 - 0.06 * room, x0 + 1.06 * room)
    if sheet.wet:
        draw_water(axes, (ends[0] - 3, base - 4, ends[1] - ends[0] + 6, depth + 7), sheet.wet, size)
    draw_rectangle(axes, (ends[0], base, ends[1] - ends[0], depth))
    for x in (x0, x0 + room):
        draw_support(axes, x, base)
    middle, reach = x0 + room / 2, sheet.load_spacing * scale / 2
    draw_load(axes, middle, reach, base + depth, top=bottom + 0.97 * height, size=size)
    draw_dimension(axes, (x0, x0 + room), base - 9, f"span {sheet.span * 1e3:.0f} mm", size)
    spacing = f"{sheet.load_spacing * 1e3:.0f} mm"
    draw_dimension(axes, (middle - reach, middle + reach), base + depth / 2, spacing, size)


def draw_water(axes: Axes, box: Box, exposure: str, size: float) -> None:
    """Draw what holds water about a box [mm], and say what exposure it is."""
    left, bottom, width, height = box
    axes.plot(
        [left, left, left + width, left + width],
        [bottom + height, bottom, bottom, bottom + height],
        color="black",
        lw=_THIN,
        ls=(0, (4, 2)),
    )
    axes.text(left + width, bottom - 1, exposure, fontsize=size, ha="right", va="top")


def draw_rectangle(axes: Axes, box: Box) -> None:
    """Draw a box [mm]."""
    from matplotlib.patches import Rectangle

    left, bottom, width, height = box
    beam = Rectangle((left, bottom), width, height, facecolor="white", edgecolor="black", lw=_LINE)
    axes.add_patch(beam)


def draw_support(axes: Axes, x: float, y: float) -> None:
    """Draw a support whose tip is at a place [mm]."""
    axes.fill(
        [x, x - 2.2, x + 2.2], [y, y - 4, y - 4], facecolor="white", edgecolor="black", lw=_LINE
    )


def draw_load(
    axes: Axes, middle: float, reach: float, beam: float, *, top: float, size: float
) -> None:
    """Draw spreader, rod with its load cell, and the arrow of positive load and stroke."""
    spreader = beam + 5
    for x in (middle - reach, middle + reach):
        axes.annotate(
            "",
            (x, beam),
            (x, spreader),
            arrowprops={"arrowstyle": "-|>", "lw": _LINE, "color": "black"},
        )
    draw_rectangle(axes, (middle - reach - 2, spreader, 2 * reach + 4, 2.4))
    draw_rectangle(axes, (middle - 2.5, spreader + 2.4, 5, 4))
    axes.text(middle + 4, spreader + 4.4, "load cell", fontsize=size, va="center")
    axes.annotate(
        "",
        (middle, spreader + 6.4),
        (middle, top),
        arrowprops={"arrowstyle": "-|>", "lw": 1.4, "color": "black"},
    )
    axes.text(middle + 4, top, "+ load, + stroke", fontsize=size, va="top")


def draw_dimension(axes: Axes, ends: tuple[float, float], y: float, text: str, size: float) -> None:
    """Draw a distance between two places at a height [mm], with its text."""
    axes.annotate(
        "",
        (ends[0], y),
        (ends[1], y),
        arrowprops={"arrowstyle": "<->", "lw": _THIN, "color": "black"},
    )
    middle = (ends[0] + ends[1]) / 2
    white = {"facecolor": "white", "edgecolor": "none", "pad": 0.8}
    axes.text(middle, y, text, fontsize=size, ha="center", va="center", bbox=white)

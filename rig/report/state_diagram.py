"""The diagram of states, drawn in black and white from the state table and the fixed places.

Kinds of states differ by shape and words, so that a copy or a poor printer loses nothing.
"""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Final

from rig.errors import InputError
from rig.report.state_layout import (
    ARROWS,
    BOXES,
    FRAMES,
    HEIGHT,
    WIDTH,
    Arrow,
    Box,
    Frame,
    Kind,
    label,
    problems,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.path import Path as Outline

SMALL: Final = 9.5  # [pt]
LINE: Final = 1.7  # distance of lines of small text
BUNDLE: Final = "running-stopping"
_STYLES: Final = {"running": ("-", 1.8), "near": ((0, (6, 2)), 1.4)}
_LEGEND: Final[tuple[tuple[Kind, str], ...]] = (
    ("moves", "pointed, grey: moves"),
    ("still", "round: stands still"),
    ("off", "double line: pressure off"),
)


def draw() -> Figure:
    """Return the diagram; InputError where table and arrows do not agree."""
    from matplotlib.figure import Figure

    found = problems()
    if found:
        raise InputError("\n".join(f"rig/report/state_layout.py: {text}" for text in found))
    figure = Figure(figsize=(WIDTH / 10, HEIGHT / 10))
    axes = figure.add_axes((0, 0, 1, 1))
    axes.set(xlim=(0, WIDTH), ylim=(0, HEIGHT))
    axes.axis("off")
    for name, frame in FRAMES.items():
        _frame(axes, name, frame)
    for arrow in ARROWS:
        _arrow(axes, arrow)
    for state, box in BOXES.items():
        _box(axes, state, box)
    _legend(axes)
    return figure


def svg() -> str:
    """Return the diagram as SVG, the same each time; letters are outlines, no font is needed."""
    import matplotlib as mpl

    out = io.StringIO()
    with mpl.rc_context():
        mpl.rcdefaults()  # whatever somebody has set up for their own figures
        mpl.rcParams.update({"svg.hashsalt": "states", "svg.fonttype": "path"})
        draw().savefig(
            out,
            format="svg",
            facecolor="white",
            metadata={"Date": None, "Creator": None, "Title": "States and what follows on them"},
        )
    return "\n".join(line.strip() for line in out.getvalue().splitlines()) + "\n"


def _outline(kind: Kind, edges: tuple[float, float, float, float]) -> Outline:
    """Return the outline of a state's box: pointed, round, or double."""
    from matplotlib.patches import BoxStyle
    from matplotlib.path import Path as Outline

    left, lower, right, upper = edges
    middle, point = (lower + upper) / 2, 1.6
    if kind == "still":
        style = BoxStyle.Round(pad=0, rounding_size=min(2.2, 0.45 * (upper - lower)))
        return style(left, lower, right - left, upper - lower, 1)
    if kind == "moves":
        corners = [(left + point, lower), (right - point, lower), (right, middle)]
        corners += [(right - point, upper), (left + point, upper), (left, middle), (0, 0)]
        return Outline(corners, closed=True)
    inner = (left + 0.6, lower + 0.6, right - 0.6, upper - 0.6)
    return Outline.make_compound_path(_rectangle(edges), _rectangle(inner))


def _rectangle(edges: tuple[float, float, float, float]) -> Outline:
    from matplotlib.path import Path as Outline

    left, lower, right, upper = edges
    return Outline(
        [(left, lower), (right, lower), (right, upper), (left, upper), (0, 0)], closed=True
    )


def _box(axes: Axes, state: str, box: Box) -> None:
    from matplotlib.patches import PathPatch

    fill = "0.88" if box.kind == "moves" else "white"
    outline = _outline(box.kind, box.edges)
    axes.add_patch(
        PathPatch(outline, facecolor=fill, edgecolor="black", lw=1.3, gid=f"state-{state}")
    )
    lines = box.words.split("\n")
    top = box.y + LINE * len(lines) / 2
    axes.text(box.x, top, state, ha="center", va="center", weight="bold", size=12)
    for n, line in enumerate(lines):
        y = top - 2.0 - LINE * 0.92 * n
        axes.text(box.x, y, line, ha="center", va="center", size=SMALL - 0.5)


def _frame(axes: Axes, name: str, frame: Frame) -> None:
    from matplotlib.patches import PathPatch

    style, width = _STYLES.get(name, ((0, (1, 1.5)), 1.0))
    outline = PathPatch(_rectangle(frame.edges), fill=False, gid=f"frame-{name}")
    outline.set(edgecolor="black", linestyle=style, linewidth=width)
    axes.add_patch(outline)
    if frame.words:
        x, y = frame.words_at
        axes.text(x, y, frame.words, va="center", size=SMALL)


def _arrow(axes: Axes, arrow: Arrow) -> None:
    from matplotlib.patches import FancyArrowPatch
    from matplotlib.path import Path as Outline

    thick = arrow.name == BUNDLE
    axes.add_patch(
        FancyArrowPatch(
            path=Outline(arrow.route),
            arrowstyle="-|>",
            mutation_scale=20 if thick else 11,
            lw=3.0 if thick else 1.2,
            color="black",
            fill=True,
            joinstyle="miter",
            gid=arrow.name,
        )
    )
    x, y = arrow.label
    for n, line in enumerate(label(arrow)):
        weight = "bold" if line.asked else "normal"
        text = axes.text(x, y - LINE * n, line.text, va="center", size=SMALL, weight=weight)
        text.set(ha=arrow.side, gid=f"label-{arrow.name}-{n}")


def _legend(axes: Axes) -> None:
    from matplotlib.patches import PathPatch

    for x, (kind, words) in zip((2.0, 25.0, 48.5), _LEGEND, strict=True):
        outline = _outline(kind, (x, 2.6, x + 6, 5.6))
        fill = "0.88" if kind == "moves" else "white"
        axes.add_patch(PathPatch(outline, facecolor=fill, edgecolor="black", lw=1.1))
        axes.text(x + 6.8, 4.1, words, va="center", size=SMALL)
    axes.text(77, 5.0, "bold: people ask for it", va="center", size=SMALL, weight="bold")
    axes.text(77, 3.2, "plain: comes by itself", va="center", size=SMALL)
    axes.text(101, 5.0, "an arrow at a frame:", va="center", size=SMALL)
    axes.text(101, 3.2, "for each state inside", va="center", size=SMALL)

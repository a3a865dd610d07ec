"""Axes of the curves of a run: log cycles on the left, share of life on the right."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from rig.report.crack_text import LOOK
from rig.report.figures import COLOURS
from rig.report.lives_look import plain

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from rig.report.curve_columns import Curve
    from rig.report.curve_points import Points

WIDTH: Final = 7.1
"""Of a figure [in]: 180 mm."""
SMALL: Final = 7.0
WORDS: Final = 8.0
RED: Final = "#a00000"
GREY: Final = "#707070"
PALE: Final = "#b8b8b8"
LOOKS: Final[tuple[dict[str, Any], ...]] = (
    {"color": COLOURS[0], "linestyle": "-"},
    {"color": COLOURS[1], "linestyle": (0, (5, 1.5))},
    {"color": COLOURS[2], "linestyle": (0, (5, 1.5, 1, 1.5))},
    {"color": COLOURS[3], "linestyle": (0, (1.2, 1))},
)
"""Lines differ by dash as well as by colour: a print may have none."""
WEIGHT: Final = 1.0
MARGIN: Final = 0.6
"""Room [in] left of the axes; above them is that of one line of a legend."""
_CLEAR: Final = 1.5
"""White [pt] between a level and its name."""
_TOP: Final = 0.26
_BETWEEN: Final = 0.16
_BOTTOM: Final = 0.4
_DECADES: Final = ("1", "10", "100", "10³", "10⁴", "10⁵", "10⁶", "10⁷", "10⁸", "10⁹")


@dataclass(frozen=True, slots=True)
class Scale:
    """How far the axes of cycles go: `cycles` run up to the verdict, `life` what they are."""

    cycles: int
    life: str


@dataclass(frozen=True, slots=True)
class Look:
    """A line of a figure: its name in the legend, and how it is drawn."""

    label: str
    style: dict[str, Any]
    width: float = WEIGHT


@contextmanager
def look() -> Iterator[None]:
    """Draw with the settings of the reports' figures.

    Every point is drawn: what is left out is left out here, where extremes are kept.
    """
    from matplotlib import rc_context

    with rc_context({**LOOK, "path.simplify": False}):
        yield


def new_figure(height: float) -> Figure:
    """Return an empty figure of a height [in]."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(WIDTH, height))
    FigureCanvasAgg(figure)
    return figure


def framed(figure: Figure, box: tuple[float, float, float, float]) -> Axes:
    """Return new axes in a box of a figure: left, bottom, width, height [in]."""
    width, height = figure.get_size_inches()
    left, bottom, wide, high = box
    axes = figure.add_axes((left / width, bottom / height, wide / width, high / height))
    plain(axes)
    axes.tick_params(labelsize=SMALL, length=2.5)
    return axes


def rows_of_panels(scale: Scale, labels: list[str], each: float) -> tuple[Figure, list[Pair]]:
    """Return a figure with a pair of panels for every label of a value, one below the other.

    `each` is the height of a panel [in]; only the lowest has words below it.
    """
    gap = _TOP + 0.02
    height = _BOTTOM + len(labels) * (each + gap)
    figure = new_figure(height)
    pairs = []
    wide = (WIDTH - MARGIN - _BETWEEN - 0.12) / 2
    for row, label in enumerate(labels):
        bottom = height - (row + 1) * (each + gap) + 0.02
        left = framed(figure, (MARGIN, bottom, wide, each))
        right = framed(figure, (MARGIN + wide + _BETWEEN, bottom, wide, each))
        left.set_ylabel(label, fontsize=WORDS)
        pair = Pair(left, right, scale)
        pair.scaled(words=row == len(labels) - 1)
        pairs.append(pair)
    return figure, pairs


@dataclass(frozen=True, slots=True)
class Pair:
    """Two panels that show the same values: over log cycles and over share of life."""

    log: Axes
    share: Axes
    scale: Scale

    def scaled(self, *, words: bool) -> None:
        """Set both axes of cycles; with `words` say what they are."""
        most = max(self.scale.cycles, 10)
        self.log.set_xscale("log")
        self.log.set_xlim(1, most * 1.15)
        ticks = [10**d for d in range(len(_DECADES)) if 10**d <= most * 1.15]
        self.log.set_xticks(ticks, _DECADES[: len(ticks)] if words else [""] * len(ticks))
        self.log.minorticks_off()
        percent = list(range(0, 101, 25))
        self.share.set_xlim(0, 101)
        self.share.set_xticks(percent, [str(p) if words else "" for p in percent])
        if words:
            self.log.set_xlabel("load cycles (log scale)", fontsize=WORDS)
            self.share.set_xlabel(f"share of {self.scale.life} [%]", fontsize=WORDS)

    def line(self, curve: Curve, factor: float, drawn: Look) -> None:
        """Draw a column on both panels."""
        self.points(curve.log, curve.share, factor, drawn)

    def points(self, log: Points, share: Points, factor: float, drawn: Look) -> None:
        """Draw points on both panels, the values times a factor."""
        over = 100.0 / max(self.scale.cycles, 1)
        for axes, found, by in ((self.log, log, 1.0), (self.share, share, over)):
            axes.plot(
                found.number * by,
                found.value * factor,
                linewidth=drawn.width,
                label=drawn.label,
                **drawn.style,
            )

    def marks(self, numbers: list[int], values: list[float], label: str, **style: Any) -> None:
        """Draw marks at counted cycles; none before the first is drawn at the first."""
        over = 100.0 / max(self.scale.cycles, 1)
        look: dict[str, Any] = {"linestyle": "none", "markersize": 4.5, "clip_on": False}
        style = look | {"zorder": 4} | style
        self.log.plot([max(number, 1) for number in numbers], values, label=label, **style)
        self.share.plot([number * over for number in numbers], values, label=label, **style)

    def level(
        self, value: float, words: str, *, dash: Any = ":", colour: str = RED, under: bool = False
    ) -> None:
        """Draw a level across both panels, its name over or under it at the left edge."""
        for axes in (self.log, self.share):
            axes.axhline(value, color=colour, linestyle=dash, linewidth=0.8, zorder=1.5)
        self.log.annotate(
            words,
            (0.01, value),
            xycoords=self.log.get_yaxis_transform(),
            # Clear of the line, or that would strike through what hangs below the letters.
            xytext=(0.0, -_CLEAR if under else _CLEAR),
            textcoords="offset points",
            fontsize=SMALL,
            color=colour,
            va="top" if under else "bottom",
        )

    def bounds(self, low: float, high: float) -> None:
        """Give both panels the same values, from low to high, with names on the left one."""
        if not high > low:
            low, high = low - (abs(low) or 1.0) * 0.05, high + (abs(high) or 1.0) * 0.05
        self.log.set_ylim(low, high)
        self.share.set_ylim(low, high)
        # A tick is dear, and those on the right have no words: one line is their grid.
        self.share.set_yticks([])
        ticks = [tick for tick in self.log.get_yticks() if low <= tick <= high]
        x, y = [0.0, 101.0, float("nan")] * len(ticks), [t for tick in ticks for t in [tick] * 3]
        self.share.plot(x, y, color="#d9d9d9", linewidth=0.6, zorder=0.5, label="_grid")
        self.share.set_ylim(low, high)

    def legend(self, columns: int = 4) -> None:
        """Name the lines above the left panel."""
        self.log.legend(
            loc="lower left",
            bbox_to_anchor=(-0.01, 1.03),
            ncols=columns,
            frameon=False,
            fontsize=SMALL,
            borderaxespad=0.0,
            borderpad=0.1,
            handlelength=2.6,
            columnspacing=1.2,
        )


def reach(*ends: float, room: float = 0.06) -> tuple[float, float]:
    """Return from where to where values go, with some room about them."""
    known = [end for end in ends if end == end]
    low, high = (min(known), max(known)) if known else (0.0, 1.0)
    more = (high - low or abs(high) or 1.0) * room
    return low - more, high + more

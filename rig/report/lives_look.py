"""What groups and modes of failure look like in the figures of a comparison."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from rig.record.trouble import storage

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from rig.lives.comparison import Comparison
    from rig.lives.grouped import LifeGroup
    from rig.samples import FloatArray

COLOURS: Final = ("#0072b2", "#d55e00", "#009e73", "#cc79a7", "#e69f00", "#56b4e9", "#000000")
"""Told apart by those who see few colours (Okabe and Ito 2008; from memory)."""
STYLES: Final = ("-", "--", "-.", ":")
"""Curves differ by line as well: a print may have no colour."""
MODES: Final = {
    "tendon fracture": "X",
    "concrete crushing": "s",
    "bond or anchorage slip": "D",
    "shear": "^",
    "bearing": "v",
    "outside span": "P",
    "undetermined": "o",
}
UNTOLD: Final = "o"
"""Sign of a failure whose mode nobody told."""
GREY: Final = "#707070"
JITTER: Final = 0.24
"""Half the height of a row over which its marks are spread."""
FORMATS: Final = (".svg", ".pdf", ".png")
METADATA: Final[dict[str, dict[str, None]]] = {
    ".svg": {"Date": None},
    ".pdf": {"CreationDate": None},
}

_RAISED: Final = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")

# Text stays text in an SVG, nothing is a formula, and the same comparison gives the same file.
SETTINGS: Final[Any] = {
    "svg.fonttype": "none",
    "svg.hashsalt": "nightrig",
    "pdf.fonttype": 42,
    "font.size": 9,
    "text.parse_math": False,
}


def colour(index: int) -> str:
    """Return the colour of a group by its place in the file."""
    return COLOURS[index % len(COLOURS)]


def style(index: int) -> str:
    """Return the line of a group by its place in the file."""
    return STYLES[index % len(STYLES)]


def plain(axes: Axes) -> None:
    """Leave of the axes what is needed."""
    axes.grid(visible=True, color="#d9d9d9", linewidth=0.6)
    axes.set_axisbelow(True)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)


def cycles_axis(axes: Axes, low: float, high: float) -> None:
    """Set a logarithmic axis of cycles, with room on both sides and two decades at least."""
    middle, half = (np.log10(low) + np.log10(high)) / 2, (np.log10(high) - np.log10(low)) / 2
    half = max(half * 1.12 + 0.1, 1.0)
    axes.set_xscale("log")
    axes.set_xlim(10 ** (middle - half), 10 ** (middle + half))
    axes.xaxis.set_major_formatter(_power)
    axes.xaxis.set_minor_formatter("")
    axes.set_xlabel("load cycles (log scale)")


def _power(count: float, _place: Any) -> str:
    """Return a power of ten as text: a formula would be taken for what somebody wrote."""
    return "10" + f"{round(np.log10(count)):d}".translate(_RAISED)


def write(figure: Figure, folder: Path, name: str) -> None:
    """Write a figure in every format. Raises StorageError where it cannot."""
    for suffix in FORMATS:
        path = folder / f"{name}{suffix}"
        with storage(path, "write the figure"):
            figure.savefig(path, dpi=150, metadata=METADATA.get(suffix, {}))


def spread(cycles: FloatArray) -> FloatArray:
    """Return how far each mark stands off its row, so that like lives do not hide each other."""
    order = np.argsort(np.argsort(cycles, kind="stable"), kind="stable")
    steps = np.array([0.0, -1.0, 1.0]) if len(cycles) > 2 else np.linspace(-0.5, 0.5, len(cycles))
    return JITTER * steps[order % len(steps)] if len(cycles) > 1 else np.zeros(len(cycles))


def counted(group: LifeGroup) -> str:
    """Return how many of a group failed, in words."""
    failures = int(group.failed.sum())
    rest = len(group.cycles) - failures
    return f"{failures} failed" + (f", {rest} did not" if rest else "")


def title_of(told: Comparison, what: str) -> str:
    """Return what stands above a figure."""
    mode = f", failures by {told.mode} only" if told.mode else ""
    return f"{told.title}: {what}{mode}"

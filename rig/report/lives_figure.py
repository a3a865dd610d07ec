"""The figures of a comparison: lives, product-limit curves, ultimate loads."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Final

from rig.record.trouble import storage
from rig.report.lives_look import FORMATS, SETTINGS, write
from rig.report.lives_rows import draw_lives
from rig.report.lives_survival import draw_curves
from rig.report.lives_ultimate import draw_ultimates

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from rig.lives.comparison import Comparison

FIGURES: Final[Mapping[str, Callable[[Figure, Comparison], None]]] = {
    "lives": draw_lives,
    "survival": draw_curves,
    "ultimate": draw_ultimates,
}
"""What draws each figure, by the name of its files."""


def files_in(folder: Path) -> list[Path]:
    """Return the files that `draw_comparison` may write into a folder."""
    return [folder / f"{name}{suffix}" for name in FIGURES for suffix in FORMATS]


def draw_comparison(told: Comparison, folder: Path) -> list[str]:
    """Draw the figures that there are values for into a folder, which is made; return their names.

    Raises StorageError where they cannot be written.
    """
    # Imported late: matplotlib would slow down every command.
    from matplotlib import rc_context
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    lives = any(len(group.lives.cycles) for group in told.groups)
    loads = any(len(group.loads) or len(group.residual) for group in told.ultimates)
    names = [name for name in FIGURES if (loads if name == "ultimate" else lives)]
    if names:
        with storage(folder, "make the folder"):
            folder.mkdir(parents=True, exist_ok=True)
    with rc_context(SETTINGS):
        for name in names:
            figure = Figure(layout="constrained")
            FigureCanvasAgg(figure)
            FIGURES[name](figure, told)
            write(figure, folder, name)
    return names

"""The figure of a what-if: at which cycle a test would have ended, over the values of one key."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

from rig.record.trouble import storage
from rig.report.figures import MARKS

COLOURS: Final = {
    "failure": "#a00000",
    "run-out": "#3d6b21",
    "ultimate": "#6d2b74",
    "limit": "#b4500f",
    "fault": "#0b4f8a",
    "": "#707070",
}
NO_END: Final = "no end"


def draw_varied(
    key: str, values: tuple[str, ...], ends: tuple[tuple[str, int], ...], title: str, path: Path
) -> None:
    """Draw outcome ("" for none) and cycle of each value into a PNG or SVG file.

    Outcomes differ by mark and colour. Raises StorageError where it cannot be written.
    """
    # Imported late: matplotlib would slow down every command.
    from matplotlib import rc_context
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure
    from matplotlib.ticker import StrMethodFormatter

    figure = Figure(figsize=(9.0, 5.4), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.add_subplot()
    places = range(len(values))
    cycles = [cycle for _, cycle in ends]
    axes.plot(places, cycles, color="#b0b0b0", linewidth=1.0, zorder=1)
    for outcome in dict.fromkeys(outcome for outcome, _ in ends):
        at = [i for i in places if ends[i][0] == outcome]
        axes.plot(
            at,
            [cycles[i] for i in at],
            MARKS.get(outcome, "o"),
            color=COLOURS[outcome],
            markersize=9,
            linestyle="none",
            label=outcome or NO_END,
        )
    step = max(1, len(values) // 12)
    axes.set_xticks(list(places)[::step], values[::step])
    axes.set_xlabel(key)
    axes.set_ylabel("load cycles at the end")
    axes.set_ylim(0, 1.1 * max([*cycles, 1]))
    axes.yaxis.set_major_formatter(StrMethodFormatter("{x:,.0f}"))
    axes.set_title(title)
    axes.grid(visible=True, axis="y", color="#d9d9d9", linewidth=0.6)
    axes.set_axisbelow(True)
    axes.legend(frameon=False)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    # Text stays text in an SVG, and the same replay gives the same file.
    settings: Any = {"svg.fonttype": "none", "svg.hashsalt": "nightrig"}
    metadata = {"Date": None} if path.suffix == ".svg" else {}
    with storage(path, "write the figure"), rc_context(settings):
        figure.savefig(path, dpi=150, metadata=metadata)

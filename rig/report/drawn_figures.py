"""The figures of a report: each is drawn once, for the page and for the paper."""

from __future__ import annotations

import io
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Final

from rig.report.crack_text import LOOK
from rig.report.document import Document, Drawn

if TYPE_CHECKING:
    from matplotlib.figure import Figure

SETTINGS: Final[Any] = {
    **LOOK,
    "pdf.fonttype": 3,
    "font.family": "DejaVu Sans",
    "font.size": 8.0,
    "axes.titlesize": 9.0,
    "axes.labelsize": 8.0,
    "xtick.labelsize": 7.5,
    "ytick.labelsize": 7.5,
    "legend.fontsize": 7.5,
    "figure.titlesize": 9.0,
    "axes.linewidth": 0.6,
    "axes.formatter.use_mathtext": False,
    "axes.formatter.useoffset": False,
    "axes.unicode_minus": True,
}
"""How figures of reports look: nothing is a formula, text stays text, names are always the same."""


def drawn(document: Document) -> dict[str, Figure]:
    """Return the figures of a report by name, each drawn once under `SETTINGS`.

    Raises ValueError where two have one name.
    """
    figures: dict[str, Figure] = {}
    with fixed_look():
        for section in document.sections:
            for block in section.blocks:
                if not isinstance(block, Drawn):
                    continue
                if block.name in figures:
                    raise ValueError(f"two figures have the name {block.name}; give each its own")
                figures[block.name] = block.draw()
    return figures


def svg_of(figure: Figure) -> str:
    """Return a figure as SVG, from its element on; ids are those that matplotlib gives."""
    svg = io.StringIO()
    with fixed_look():
        figure.savefig(svg, format="svg", metadata={"Date": None, "Creator": None})
    text = svg.getvalue()
    return text[text.index("<svg") :]


@contextmanager
def fixed_look() -> Iterator[None]:
    """Draw under `SETTINGS` and nothing of the user's own; also where a figure is written."""
    # Imported late: matplotlib would slow down every command.
    from matplotlib import rc_context, rcdefaults

    with rc_context():
        rcdefaults()
        with rc_context(SETTINGS):
            yield

"""The map of the cracks of a test: large as they were marked last, small at every inspection."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Final

from rig.errors import InputError
from rig.mechanics.specimen import Specimen
from rig.protocol.load import load_specimen
from rig.record.cracks import read_cracks
from rig.record.trouble import storage
from rig.replay.recording import open_recording
from rig.report.crack_drawing import draw_beam, draw_cracks, located
from rig.report.crack_growth import CrackGrowth, Inspection, growth_of
from rig.report.crack_labels import draw_labels, labelled
from rig.report.crack_layout import LARGE, SMALL, Layout, faces_of, laid_out
from rig.report.crack_legend import HEIGHT, LINE, MARGIN, SIZE, draw_legend, notes_of
from rig.report.crack_lines import Beam, beam_of
from rig.report.crack_shown import NONE, map_told
from rig.report.crack_text import LOOK, short
from rig.report.crack_told import counted, when
from rig.report.letters import wrap
from rig.report.lives_look import FORMATS, METADATA
from rig.report.measure import plain

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDTH: Final = 7.08
"""Width of the figure [in]: what a page of paper takes, 180 mm."""
TALLEST: Final = 6.6
"""Most height [in] of all faces of the large map: with its words they fit on a page of paper."""
PAGE: Final = 8.4
"""Most height [in] of small maps in one figure of a report."""
COLUMNS: Final = 3
"""Small maps side by side."""
MOST: Final = 60
"""Small maps that are drawn: of more inspections the first and the newest are shown."""
FACTOR: Final = 0.6
"""How heavy lines are in a small map, to those of the large one."""
_GAP: Final = 0.3
_HEAD: Final = 0.36
"""Room [in] for the words above a small map."""
_SMALL: Final = 2.4
"""Most height [in] of the faces of one small map."""
_INSIDE: Final = WIDTH - 2 * MARGIN
_MM: Final = 25.4
_TOLD: Final = 1e4
"""No width at all that words in a file's head are cut off at."""

Block = tuple[float, Callable[["Figure", float], None]]
"""Height of a part of the figure [in], and what draws it, given its lower edge [in]."""


def map_figure(growth: CrackGrowth, specimen: Specimen, title: str = "") -> Figure:
    """Return the map of the last inspection and, of more than one, small ones of all."""
    beam = beam_of(specimen, growth)
    blocks = _large(growth, beam, title)
    if len(growth.inspections) > 1:
        blocks += _strip(growth, beam)
    return _figure(blocks)


def last_figure(growth: CrackGrowth, specimen: Specimen, title: str | None = None) -> Figure:
    """Return the map of the last inspection alone; without a `title` it has no heading at all."""
    return _figure(_large(growth, beam_of(specimen, growth), title))


def strips(growth: CrackGrowth, specimen: Specimen) -> tuple[tuple[Inspection, ...], ...]:
    """Return inspections for each figure of small maps, as many as a page takes.

    They are all that `growth` has, or of many the first and the newest.
    """
    layout = _small_layout(growth, beam_of(specimen, growth))
    most = COLUMNS * max(int((PAGE - HEIGHT) / (_HEAD + layout.height)), 1)
    shown = _shown(growth)
    return tuple(shown[n : n + most] for n in range(0, len(shown), most))


def strip_figure(
    growth: CrackGrowth, specimen: Specimen, inspections: Sequence[Inspection]
) -> Figure:
    """Return small maps of `inspections` alone, each drawn like the others of `growth`."""
    beam = beam_of(specimen, growth)
    rows = _rows(inspections, _small_layout(growth, beam), beam)
    return _figure([*rows, (HEIGHT, draw_legend)])


def draw_map(folder: Path, path: Path) -> None:
    """Draw the crack map of a run, from its folder or run.h5, into an SVG, PNG or PDF file.

    Raises InputError and StorageError.
    """
    if path.suffix.lower() not in FORMATS:
        raise InputError(f"{path}: a map is written as {', '.join(FORMATS)}; name such a file")
    with open_recording(folder) as recording:
        entries = read_cracks(recording)
        inspected = [int(row[1]) for row in recording.entries("inspections")]
        specimen = _specimen(folder, recording.header.texts.get("specimen", ""))
        title = f"{recording.header.title}, {recording.header.specimen_id}"
        ended = recording.cycles
    growth = growth_of(entries, inspected, ended)
    if not growth.inspections:
        raise InputError(f"{folder}: no crack was read, so there is no map to draw")
    write_figure(map_figure(growth, specimen, title), path, f"{title}: {map_told(growth).text}")


def _specimen(folder: Path, text: str) -> Specimen:
    if not text:
        raise InputError(
            f"{folder}: the record keeps no specimen file, and a map to scale needs its sizes"
        )
    return load_specimen(f"{folder}: specimen", lambda _: text)


def write_figure(figure: Figure, path: Path, told: str = "") -> None:
    """Write a figure of this room, `told` in words in its file. Raises StorageError.

    The same cracks give the same bytes.
    """
    from matplotlib import rc_context

    kind = path.suffix.lower()
    named = {"Title": short(told, _TOLD, 1.0)} if told else {}
    with storage(path, "write the figure"), rc_context(LOOK):
        figure.savefig(path, format=kind[1:], dpi=150, metadata=METADATA.get(kind, {}) | named)


def _figure(blocks: Sequence[Block]) -> Figure:
    """Return a figure of blocks from the top down."""
    from matplotlib import rc_context
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    with rc_context(LOOK):
        bottom = sum(height for height, _ in blocks)
        figure = Figure(figsize=(WIDTH, bottom), facecolor="white")
        FigureCanvasAgg(figure)
        for height, draw in blocks:
            bottom -= height
            draw(figure, bottom)
    return figure


def _large(growth: CrackGrowth, beam: Beam, title: str | None) -> list[Block]:
    """Return heading, map, legend and notes of the last inspection."""
    layout = laid_out(beam, faces_of(growth), (_INSIDE, TALLEST), LARGE)
    if not growth.inspections:
        return [
            *_heading(title, NONE),
            (layout.height, partial(_bare, layout, beam)),
        ]
    last = growth.inspections[-1]
    found = located(last, beam)
    labels = labelled(found.placed, layout, beam)

    def draw(figure: Figure, bottom: float) -> None:
        axes = _map_axes(figure, (MARGIN, bottom), layout, "crack-map")
        draw_beam(axes, layout, beam, large=True)
        draw_cracks(axes, found.placed, layout, beam)
        draw_labels(axes, labels, layout)

    notes = notes_of(growth, found, len(found.placed) - len(labels), _INSIDE * _MM)
    return [
        *_heading(title, plain((*when(last), ": ", *counted(last)))),
        (layout.height, draw),
        (HEIGHT, draw_legend),
        (0.15 + LINE * len(notes), partial(_notes, notes)),
    ]


def _bare(layout: Layout, beam: Beam, figure: Figure, bottom: float) -> None:
    draw_beam(_map_axes(figure, (MARGIN, bottom), layout, "crack-map"), layout, beam, large=True)


def _heading(title: str | None, below: str) -> list[Block]:
    if title is None:
        return []
    told = wrap(below, _INSIDE * _MM, 9)
    height = 0.6 + 0.17 * len(told)

    def draw(figure: Figure, bottom: float) -> None:
        top = bottom + height
        _words(figure, (MARGIN, top - 0.25), short(title, _INSIDE * _MM, 11), 11)
        for n, line in enumerate(told):
            _words(figure, (MARGIN, top - 0.52 - 0.17 * n), line, 9)

    return [(height, draw)]


def _words(figure: Figure, at: tuple[float, float], text: str, size: float) -> None:
    wide, high = figure.get_size_inches()
    figure.text(at[0] / wide, at[1] / high, text, fontsize=size, va="center")


def _notes(notes: Sequence[str], figure: Figure, bottom: float) -> None:
    for n, note in enumerate(reversed(notes)):
        _words(figure, (MARGIN, bottom + 0.1 + (n + 0.5) * LINE), note, SIZE)


def _map_axes(figure: Figure, corner: tuple[float, float], layout: Layout, name: str) -> Axes:
    """Return axes in metres, equal in both directions, at a corner [in] of a figure."""
    wide, high = figure.get_size_inches()
    axes = figure.add_axes(
        (corner[0] / wide, corner[1] / high, layout.width / wide, layout.height / high), gid=name
    )
    axes.set_axis_off()
    axes.set_xlim(0, layout.width / layout.scale)
    axes.set_ylim(0, layout.height / layout.scale)
    return axes


def _strip(growth: CrackGrowth, beam: Beam) -> list[Block]:
    """Return rows of small maps under their heading."""
    shown = _shown(growth)
    head = "Every inspection, the faces in the order above"
    if len(shown) < len(growth.inspections):
        head = f"The first and the newest {MOST - 1} of {len(growth.inspections)} inspections"
    heading: Block = (0.4, lambda figure, y: _words(figure, (MARGIN, y + 0.15), head, 9))
    return [heading, *_rows(shown, _small_layout(growth, beam), beam)]


def _shown(growth: CrackGrowth) -> tuple[Inspection, ...]:
    """Return the inspections that get a small map."""
    shown = growth.inspections
    return shown if len(shown) <= MOST else (shown[0], *shown[1 - MOST :])


def _small_layout(growth: CrackGrowth, beam: Beam) -> Layout:
    width = (_INSIDE - (COLUMNS - 1) * _GAP) / COLUMNS
    return laid_out(beam, faces_of(growth), (width, _SMALL), SMALL)


def _rows(inspections: Sequence[Inspection], layout: Layout, beam: Beam) -> list[Block]:
    rows = [inspections[n : n + COLUMNS] for n in range(0, len(inspections), COLUMNS)]
    height = _HEAD + layout.height
    return [
        *((height, partial(_row, row, layout, beam)) for row in rows),
        (0.15, lambda _figure, _bottom: None),
    ]


def _row(
    row: Sequence[Inspection], layout: Layout, beam: Beam, figure: Figure, bottom: float
) -> None:
    for n, at in enumerate(row):
        left = MARGIN + n * (layout.width + _GAP)
        late = ".after-end" if at.after_end else ""
        axes = _map_axes(figure, (left, bottom), layout, f"crack-map-{at.cycle}{late}")
        draw_beam(axes, layout, beam, large=False)
        draw_cracks(axes, located(at, beam).placed, layout, beam, FACTOR)
        top = bottom + layout.height
        _words(figure, (left, top + 0.22), short(plain(when(at)), layout.width * _MM, 7), 7)
        _words(figure, (left, top + 0.08), short(_briefly(at), layout.width * _MM, 6.5), 6.5)


def _briefly(at: Inspection) -> str:
    cracks = f"{at.cracks} {'crack' if at.cracks == 1 else 'cracks'}, {at.new} new"
    if at.widest is None:
        return f"{cracks}, no width read"
    return f"{cracks}, widest {at.widest.now.width * 1e3:.3g} mm"

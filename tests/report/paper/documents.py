"""A report made by hand: what can stand in one, and what hostile people write."""

from __future__ import annotations

import io

from PIL import Image

from rig.report.document import (
    Blanks,
    Caution,
    Document,
    Drawn,
    Facts,
    Items,
    Listed,
    Paragraph,
    Photo,
    Section,
    Signatures,
)
from rig.report.measure import Measure, Stamp, Table, Told, Words

HOSTILE = (
    "\u202egnirts\u202c <script>alert(1)</script> =SUM(A1) $x^2$ \x1b[31mred\x07\ttab\r\n"
    "Outcome: run-out \u6f22\u5b57 (\\) endstream endobj %%EOF z" + "\u0300" * 40
)
EVENTS = 500
NOTE = "The rod was slack and was set anew. " * 556
"""20,016 letters."""
LONG_WORD = "x" * 20_000


def newton(value: float) -> Measure:
    return Measure(value, "N", "cycles.load_max.max")


def jpeg(width: int = 90, height: int = 60) -> bytes:
    file = io.BytesIO()
    Image.new("RGB", (width, height), "grey").save(file, "JPEG")
    return file.getvalue()


def curve(height: float = 2.5, width: float = 7.0):
    def draw():
        from matplotlib.figure import Figure

        figure = Figure(figsize=(width, height))
        axes = figure.add_subplot()
        axes.plot([1.0, 2.0, 3.0], [1.0, 4.0, 2.0], label="largest load")
        axes.set_xlabel("load cycles")
        return figure

    return draw


def told(rows: int = 3) -> Told:
    cells = tuple((Measure(10**at, "1", "k"), newton(92e3)) for at in range(rows))
    return Told(("The largest load was ", newton(92e3), "."), Table(("cycle", "load"), cells))


def document(*sections: Section, lead: str = "P-31 failed.") -> Document:
    return Document(
        kind="Report of a run",
        title=(
            Words("P-31", "attr.specimen_id", "name"),
            ", run ",
            Words("night-1", "attr.run_id"),
        ),
        lead=(lead,),
        warnings=(("The test was simulated.",), ("The specimen was overloaded.",)),
        sections=sections,
        about=(("Made by nightrig from run.h5.",),),
    )


def events(count: int) -> Listed:
    rows = tuple(
        (
            Stamp(f"2026-11-01T{at // 60:02}:{at % 60:02}:00", "k"),
            Measure(1000 * at, "1", "k"),
            Words(f"event-{at} " + "something happened " * (at % 9), "k"),
        )
        for at in range(count)
    )
    return Listed(("All events",), Table(("when", "cycle", "what"), rows))


def whole() -> Document:
    """Return a report with every kind of block."""
    return document(
        Section(
            "outcome",
            "Outcome",
            (
                Paragraph(("It failed at ", Measure(1_234_567, "1", "k"), " cycles.")),
                Caution(("Prestressed beams store energy.",)),
                Items((("first",), ("second ", newton(1e3)))),
                Facts((("Specimen", (Words("P-31", "k"),)), ("Note", (Words(HOSTILE, "k"),)))),
                Listed(("Nothing",), Table(("a", "b"), ())),
                Listed(("Less than nothing",), Table((), ())),
            ),
        ),
        Section("load", "Loading", (Drawn("load", "Load of each cycle", curve(), told()),)),
        Section(
            "map",
            "Cracks",
            (
                Paragraph(("The map is wider and taller than a page.",)),
                Drawn("map", "Map of cracks", curve(14.0, 9.0), told(0)),
                *(
                    Photo(f"picture-{n}", jpeg(), (90, 60), (f"crack {'abc'[n]}",))
                    for n in range(3)
                ),
            ),
        ),
        Section("events", "Events", (events(EVENTS),)),
        Section(
            "notes",
            "Notes",
            (
                Paragraph((Words(NOTE, "k"),)),
                Facts((("Word", (Words(LONG_WORD, "k"),)),)),
                Listed(("Cells",), Table(("who", "what"), ((Words("A", "k"), Words(NOTE, "k")),))),
            ),
        ),
        Section(
            "signed",
            "Signed",
            (Blanks(("Laboratory", "")), Signatures(("Tested by", "Approved by"))),
        ),
    )

"""Reports made by hand with every kind of block, and a page taken to pieces. All is invented."""

from __future__ import annotations

import io
import math
from dataclasses import dataclass, field
from html.parser import HTMLParser

from matplotlib.figure import Figure
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

MEASURES = (
    Measure(231_456, "1", "attr.cycles"),
    Measure(92.41e3, "N", "cycles.load_max.median"),
    Measure(1.2345678901234567e-3, "m", "cycles.deflection_max.at.2000", digits=4),
    Measure(0.1 + 0.2, "ratio", "derived.share"),
    Measure(-5e-324, "m", "slow.midspan.min"),
    Measure(293.15, "K", "slow.temperature_air.mean"),
    Measure(math.nan, "N/m", "static.0.stiffness", blank="not measured"),
    Measure(2**53, "1", "cycles.number.last"),
)
VOID = frozenset({"br", "hr", "img", "link", "meta"})
"""Elements of HTML that have no end (HTML Living Standard, 13.1.2), as far as a page has them."""


def draw(label: str = "load") -> Figure:
    """Draw markers, a hatch and a clipped line, which all refer to other parts by their ids."""
    figure = Figure(figsize=(7, 2.4))
    axes = figure.add_subplot()
    axes.plot([1, 2, 3], [1, 5, 2], "o-", label=label)
    axes.fill_between([1, 2, 3], [1, 2, 3], hatch="//", facecolor="#dddddd")
    axes.text(1, 1, label, url="javascript:alert(1)")
    axes.set_ylabel("load, kN")
    axes.legend()
    return figure


def jpeg() -> bytes:
    out = io.BytesIO()
    Image.new("RGB", (8, 6), "#808080").save(out, "JPEG")
    return out.getvalue()


def document(said: str = "a note") -> Document:
    """Return a report in which `said` stands wherever words of others may stand."""
    word = Words(said, "events.0.text")
    name, file = Words(said, "specimen.name", "name"), Words(said, "file.run.sha256", "file")
    rows = tuple((measure, measure, word) for measure in MEASURES)
    table = Table(("number", "the same", "said"), rows)
    told = Told(("Load reached ", MEASURES[1], ", as ", word, " says."), table)
    return Document(
        kind="Report of a fatigue test",
        title=("Specimen ", name),
        lead=("Failure at cycle ", MEASURES[0], ": ", word),
        warnings=(("Simulated: no specimen was tested. ", word),),
        sections=(
            Section(
                "outcome",
                "Outcome & evidence <of> the test",
                (
                    Paragraph(("Begun ", Stamp("2026-02-03T04:05:06+00:00", "attr.started_utc"))),
                    Caution(("Mind the load. ", word)),
                    Items(((word,), (file,))),
                    Facts((("Specimen", (name,)), ("Begun", (Stamp(said, "attr.begun"),)))),
                ),
            ),
            Section(
                "figures",
                "Figures",
                (
                    Drawn("load", "Load over cycles", lambda: draw(said[:80]), told),
                    Drawn("again", "Load once more", lambda: draw(said[:80]), told),
                    Photo("side", jpeg(), (8, 6), ("Face A, ", file)),
                    Listed(("All ", MEASURES[0], " rows"), table, folded=True),
                    Listed(("All rows, ", word), table),
                    Listed(("No rows",), Table(("a", "b"), ())),
                    Blanks(("Laboratory", "")),
                    Signatures(("Technician", "Reviewer")),
                ),
            ),
        ),
        about=(("Made from ", file),),
    )


@dataclass
class Element:
    """An element with what it holds."""

    tag: str
    given: dict[str, str | None]
    text: str = ""
    raw: list[str] = field(default_factory=list)


class Pieces(HTMLParser):
    """A page in its elements, by the standard library's own parser; raises where tags cross."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.elements: list[Element] = []
        self._open: list[Element] = []
        self.feed(page)
        self.close()
        assert not self._open, [element.tag for element in self._open]

    def handle_starttag(self, tag, attrs):
        assert len(dict(attrs)) == len(attrs), (tag, attrs)
        element = Element(tag, dict(attrs))
        self.elements.append(element)
        if tag not in VOID:
            self._open.append(element)

    def handle_startendtag(self, tag, attrs):
        self.elements.append(Element(tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self._open.pop().tag == tag, (tag, self.getpos())

    def handle_data(self, data):
        for element in self._open:
            element.text += data

    def all(self, *tags: str) -> list[Element]:
        return [element for element in self.elements if element.tag in tags]

    def shape(self) -> list[tuple[str, tuple[str, ...]]]:
        """Return tags and the names of their attributes."""
        return [(element.tag, tuple(element.given)) for element in self.elements]

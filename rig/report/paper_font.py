"""The letters of a paper as fonts of its PDF: outlines, widths, and what each letter means."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import groupby
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rig.report.letters import EM, UNPARTED, font
from rig.report.paper_pdf import Pdf

WEIGHTS: Final = {"normal": "N", "bold": "B"}
_CODES: Final = 256
"""Letters of a Type 3 font (ISO 32000-1, 9.6.5): of more there are more fonts."""
_QUADRATIC: Final = 3
_CLOSE: Final = 79
_TAKEN: Final = {1: 1, 2: 1, _QUADRATIC: 2, 4: 3, _CLOSE: 1}
"""Points of each code of matplotlib's paths."""
_SIGNS: Final = {1: "m", 2: "l", _QUADRATIC: "c", 4: "c"}


@dataclass(slots=True)
class Letters:
    """The letters of a paper of one weight, each with its place; they are added as they come."""

    weight: str
    places: dict[str, int] = field(default_factory=dict)

    def shown(self, text: str, size: float) -> str:
        """Return operators that show a text at a size [pt]."""
        # Who looks for "12 kN" types a plain space.
        found = text.replace(UNPARTED, " ")
        places = [self.places.setdefault(letter, len(self.places)) for letter in found]
        parts = []
        for number, codes in groupby(places, key=lambda place: place // _CODES):
            shown = bytes(place % _CODES for place in codes).hex()
            parts.append(f"/{self.name(number)} {size:g} Tf <{shown}> Tj")
        return " ".join(parts)

    def name(self, number: int) -> str:
        """Return the name of a font among the resources."""
        return f"{WEIGHTS[self.weight]}{number}"

    def added(self, pdf: Pdf) -> dict[str, int]:
        """Add the fonts; return their objects by name."""
        letters = list(self.places)
        cuts = range(0, len(letters), _CODES)
        return {
            self.name(number): _font(pdf, letters[cut : cut + _CODES], self.weight)
            for number, cut in enumerate(cuts)
        }


def _font(pdf: Pdf, letters: list[str], weight: str) -> int:
    glyphs = [_glyph(letter, weight) for letter in letters]
    streams = [pdf.stream("", outline) for outline, _ in glyphs]
    procedures = " ".join(f"/g{code} {number} 0 R" for code, number in enumerate(streams))
    names = " ".join(f"/g{code}" for code in range(len(letters)))
    widths = " ".join(f"{width:g}" for _, width in glyphs)
    meaning = pdf.stream("", _meaning(letters))
    return pdf.add(
        f"<< /Type /Font /Subtype /Type3 /Name /DejaVuSans-{weight} /FontBBox [0 0 0 0] "
        f"/FontMatrix [0.001 0 0 0.001 0 0] /FirstChar 0 /LastChar {len(letters) - 1} "
        f"/Widths [{widths}] /Encoding << /Type /Encoding /Differences [0 {names}] >> "
        f"/CharProcs << {procedures} >> /Resources << >> /ToUnicode {meaning} 0 R >>".encode(
            "ascii"
        )
    )


def _glyph(letter: str, weight: str) -> tuple[bytes, float]:
    """Return operators that draw a letter, and its width, in thousandths of its size."""
    loaded = font(weight)
    width = round(loaded.load_char(ord(letter)).linearHoriAdvance / 65536 * 1000 / EM, 3)
    points, codes = loaded.get_path()
    corners = points[codes != _CLOSE] if (codes != _CLOSE).any() else [(0.0, 0.0)]
    (x0, y0), (x1, y1) = np.floor(np.min(corners, axis=0)), np.ceil(np.max(corners, axis=0))
    outline = " ".join(_outline(points, codes))
    drawn = f"{outline} f" if outline else ""
    return f"{width:g} 0 {x0:g} {y0:g} {x1:g} {y1:g} d1 {drawn}".encode("ascii"), width


def _outline(points: NDArray[np.float64], codes: NDArray[np.int8]) -> Iterator[str]:
    """Yield the operators of an outline; quadratic curves of the font are cubic ones in PDF."""
    at, here = 0, points[:1].ravel()
    while at < len(codes):
        code = int(codes[at])
        taken = _TAKEN[code]
        corners = points[at : at + taken]
        if code == _QUADRATIC:
            pull, end = corners
            corners = np.array([here + (pull - here) * 2 / 3, end + (pull - end) * 2 / 3, end])
        if code == _CLOSE:
            yield "h"
        else:
            yield " ".join(f"{value:.0f}" for value in corners.ravel()) + f" {_SIGNS[code]}"
            here = corners[-1]
        at += taken


def _meaning(letters: list[str]) -> bytes:
    """Return the table from codes to letters (9.10.3), by which a text is found and copied."""
    rows = [
        f"<{code:02x}> <{letter.encode('utf-16-be', 'replace').hex()}>"
        for code, letter in enumerate(letters)
    ]
    # A block has 100 rows at most.
    blocks = [rows[begin : begin + 100] for begin in range(0, len(rows), 100)]
    told = "\n".join(
        f"{len(block)} beginbfchar\n" + "\n".join(block) + "\nendbfchar" for block in blocks
    )
    return (
        "/CIDInit /ProcSet findresource begin 12 dict begin begincmap\n"
        "/CIDSystemInfo << /Registry (Adobe) /Ordering (UCS) /Supplement 0 >> def\n"
        "/CMapName /Adobe-Identity-UCS def /CMapType 2 def\n"
        "1 begincodespacerange <00> <ff> endcodespacerange\n"
        f"{told}\n"
        "endcmap CMapName currentdict /CMap defineresource pop end end\n"
    ).encode("ascii")

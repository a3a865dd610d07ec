"""Pages of rows as the bytes of a PDF: text that can be searched, bars, figures, pictures."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING

from rig.report.document import Photo
from rig.report.letters import POINTS
from rig.report.paper_font import Letters
from rig.report.paper_pages import HEIGHT, WIDTH, Page
from rig.report.paper_pdf import Pdf, add_figures, text_string
from rig.report.paper_rows import Bar, Line, Placed
from rig.report.paper_tags import Tags

if TYPE_CHECKING:
    from matplotlib.figure import Figure

Kept = Mapping[str, str]
"""What the file says of itself, in this order."""


@dataclass(frozen=True, slots=True)
class Form:
    """A figure or picture among the objects: its name on pages, its width and height there."""

    name: str
    number: int
    size: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Printed:
    """Pages, with what is placed on them and where their parts begin (title, page, place [mm])."""

    pages: Sequence[Page]
    figures: Mapping[str, Figure]
    pictures: Mapping[str, Photo]
    parts: Sequence[tuple[str, int, float]]
    told: Kept


def printed(paper: Printed) -> bytes:
    """Return the file; the same pages give the same bytes."""
    pdf = Pdf()
    forms = _forms(pdf, paper)
    letters = {weight: Letters(weight) for weight in ("normal", "bold")}
    tags = Tags()
    contents = [pdf.stream("", _drawn(page, forms, letters, tags)) for page in paper.pages]
    resources = pdf.add(_resources(pdf, forms, letters))
    tree = pdf.reserve()
    box = f"[0 0 {WIDTH * POINTS:.3f} {HEIGHT * POINTS:.3f}]"
    leaves = [
        pdf.add(
            f"<< /Type /Page /Parent {tree} 0 R /MediaBox {box} /Resources {resources} 0 R "
            f"/Contents {content} 0 R /StructParents {at} /Tabs /S >>".encode("ascii")
        )
        for at, content in enumerate(contents)
    ]
    kids = " ".join(f"{leaf} 0 R" for leaf in leaves)
    pdf.set(tree, f"<< /Type /Pages /Count {len(leaves)} /Kids [{kids}] >>".encode("ascii"))
    outline = _outline(pdf, paper.parts, leaves)
    root = pdf.add(
        f"<< /Type /Catalog /Pages {tree} 0 R /Lang (en) /Outlines {outline} 0 R "
        f"/MarkInfo << /Marked true >> /StructTreeRoot {tags.added(pdf, leaves)} 0 R "
        f"/PageMode /UseOutlines /ViewerPreferences << /DisplayDocTitle true >> >>".encode("ascii")
    )
    told = " ".join(f"/{key} {text_string(text)}" for key, text in paper.told.items())
    return pdf.written(root, pdf.add(f"<< {told} >>".encode("ascii")))


def _forms(pdf: Pdf, paper: Printed) -> dict[str, Form]:
    found: dict[str, tuple[int, tuple[float, float]]] = {}
    for name, number in add_figures(pdf, paper.figures).items():
        wide, tall = paper.figures[name].get_size_inches()
        found[name] = (number, (72.0 * wide, 72.0 * tall))
    for name, photo in paper.pictures.items():
        found[name] = (_picture(pdf, photo), (1.0, 1.0))
    return {
        name: Form(f"X{at}", number, size)
        for at, (name, (number, size)) in enumerate(found.items())
    }


def _picture(pdf: Pdf, photo: Photo) -> int:
    """Add a picture as it is: PDF knows JPEG."""
    # Imported late, as matplotlib is.
    from PIL import Image

    with Image.open(io.BytesIO(photo.jpeg), formats=("JPEG",)) as image:
        (wide, tall), grey = image.size, image.mode == "L"
    return pdf.stream(
        f"/Type /XObject /Subtype /Image /Width {wide} /Height {tall} /BitsPerComponent 8 "
        f"/ColorSpace /{'DeviceGray' if grey else 'DeviceRGB'} /Filter /DCTDecode",
        photo.jpeg,
        packed=False,
    )


def _drawn(
    page: Page, forms: Mapping[str, Form], letters: Mapping[str, Letters], tags: Tags
) -> bytes:
    """Return the operators of a page: what lies below all, then the report in its order."""
    tags.turn()
    marks = [(top, mark) for top, row in page for mark in row.marks]
    bars = " ".join(_bar(mark, top) for top, mark in marks if isinstance(mark, Bar))
    shown = [(top, mark) for top, mark in marks if not isinstance(mark, Bar)]
    parts = [tags.marked(bars, None)]
    for element, same in groupby(shown, key=lambda one: one[1].element):
        *before, last = same
        # Who has it read to them hears no ends of lines: words are parted by spaces alone.
        drawn = [_shown(mark, top, forms, letters, " ") for top, mark in before]
        drawn.append(_shown(last[1], last[0], forms, letters, ""))
        parts.append(tags.marked(" ".join(drawn), element))
    return "\n".join(parts).encode("ascii")


def _shown(
    mark: Line | Placed,
    top: float,
    forms: Mapping[str, Form],
    letters: Mapping[str, Letters],
    end: str,
) -> str:
    if isinstance(mark, Placed):
        return _placed(mark, top, forms[mark.name])
    return _line(mark, top + mark.y, letters[mark.weight], end)


def _up(y: float) -> float:
    """Return a place [mm from the upper edge] as PDF counts it [pt from the lower]."""
    return (HEIGHT - y) * POINTS


def _line(mark: Line, y: float, letters: Letters, end: str) -> str:
    place = f"{mark.x * POINTS:.2f} {_up(y):.2f}"
    return f"BT {mark.grey:g} g 1 0 0 1 {place} Tm {letters.shown(mark.text + end, mark.size)} ET"


def _bar(mark: Bar, top: float) -> str:
    x, y = mark.x * POINTS, _up(top + mark.y + mark.height)
    size = f"{mark.width * POINTS:.2f} {mark.height * POINTS:.2f}"
    return f"{mark.grey:g} g {x:.2f} {y:.2f} {size} re f"


def _placed(mark: Placed, top: float, form: Form) -> str:
    x, y = mark.x * POINTS, _up(top + mark.y + mark.height)
    across, up = mark.width * POINTS / form.size[0], mark.height * POINTS / form.size[1]
    return f"q {across:.6f} 0 0 {up:.6f} {x:.2f} {y:.2f} cm /{form.name} Do Q"


def _resources(pdf: Pdf, forms: Mapping[str, Form], letters: Mapping[str, Letters]) -> bytes:
    fonts = {name: number for one in letters.values() for name, number in one.added(pdf).items()}
    told = " ".join(f"/{name} {number} 0 R" for name, number in fonts.items())
    placed = " ".join(f"/{form.name} {form.number} 0 R" for form in forms.values())
    return (
        f"<< /Font << {told} >> /XObject << {placed} >> /ProcSet [/PDF /Text /ImageB /ImageC] >>"
    ).encode("ascii")


def _outline(pdf: Pdf, parts: Sequence[tuple[str, int, float]], leaves: Sequence[int]) -> int:
    """Add the list of parts that a reader shows beside the pages (12.3.3); return its number."""
    head = pdf.reserve()
    numbers = [pdf.reserve() for _ in parts]
    for at, (title, page, y) in enumerate(parts):
        near = f"/Prev {numbers[at - 1]} 0 R " if at else ""
        near += f"/Next {numbers[at + 1]} 0 R " if at + 1 < len(parts) else ""
        place = f"[{leaves[page]} 0 R /XYZ 0 {_up(y - 4.0):.2f} 0]"
        entry = f"<< /Title {text_string(title)} /Parent {head} 0 R {near}/Dest {place} >>"
        pdf.set(numbers[at], entry.encode("ascii"))
    ends = f"/First {numbers[0]} 0 R /Last {numbers[-1]} 0 R " if numbers else ""
    pdf.set(head, f"<< /Type /Outlines {ends}/Count {len(parts)} >>".encode("ascii"))
    return head

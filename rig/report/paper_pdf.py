"""The objects of a PDF file (ISO 32000-1), and figures of matplotlib's as parts of its pages."""

from __future__ import annotations

import io
import re
import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from rig.errors import StorageError
from rig.report.drawn_figures import fixed_look

if TYPE_CHECKING:
    from matplotlib.figure import Figure

HEAD: Final = b"%PDF-1.4\n%\xac\xdc \xab\xba\n"
_NULL: Final = b"null"
_OBJECT: Final = re.compile(rb"\d+ 0 obj\s*(.*?)\s*endobj\s*$", re.DOTALL)
_REFERENCE: Final = re.compile(rb"(\d+) 0 R")


class UnknownPdf(StorageError):
    """matplotlib writes its PDF otherwise than it is read here: a report has no paper then."""


@dataclass(slots=True)
class Pdf:
    """Objects by their number, from 1 on; what is reserved must be set before it is written."""

    objects: list[bytes] = field(default_factory=list)

    def reserve(self) -> int:
        """Return the number of an object that is set later."""
        self.objects.append(_NULL)
        return len(self.objects)

    def set(self, number: int, body: bytes) -> None:
        """Set an object."""
        self.objects[number - 1] = body

    def add(self, body: bytes) -> int:
        """Add an object; return its number."""
        self.objects.append(body)
        return len(self.objects)

    def stream(self, entries: str, data: bytes, *, packed: bool = True) -> int:
        """Add a stream with the entries of its dictionary; return its number."""
        if packed:
            data, entries = zlib.compress(data, 6), f"{entries} /Filter /FlateDecode"
        head = f"<< {entries} /Length {len(data)} >>\nstream\n".encode("ascii")
        return self.add(head + data + b"\nendstream")

    def written(self, root: int, info: int) -> bytes:
        """Return the file (7.5): head, objects, where each begins, trailer.

        `info`, what the file says of itself, comes first, where it is quickly found.
        """
        file = io.BytesIO()
        file.write(HEAD)
        numbers = range(1, len(self.objects) + 1)
        places = dict.fromkeys(numbers, 0)
        for number in sorted(numbers, key=lambda number: number != info):
            places[number] = file.tell()
            file.write(b"%d 0 obj\n%b\nendobj\n" % (number, self.objects[number - 1]))
        begin, size = file.tell(), len(self.objects) + 1
        file.write(b"xref\n0 %d\n0000000000 65535 f \n" % size)
        file.write(b"".join(b"%010d 00000 n \n" % place for place in places.values()))
        trailer = f"<< /Size {size} /Root {root} 0 R /Info {info} 0 R >>"
        file.write(f"trailer\n{trailer}\nstartxref\n{begin}\n%%EOF\n".encode("ascii"))
        return file.getvalue()


def text_string(text: str) -> str:
    """Return words as a text string of PDF (7.9.2.2): plain, or UTF-16 in hexadecimal."""
    if text.isascii() and text.isprintable() and not set(text) & set("()\\"):
        return f"({text})"
    data = "\ufeff".encode("utf-16-be") + text.encode("utf-16-be", "replace")
    return f"<{data.hex()}>"


def add_figures(pdf: Pdf, figures: Mapping[str, Figure]) -> dict[str, int]:
    """Add figures as form XObjects (8.10), still lines and text; return their numbers by name.

    `pdf` must be empty: matplotlib writes a file of one figure a page, whose objects keep their
    numbers, and what was drawn on a page becomes a form. A form is as large as its figure [pt].
    Raises UnknownPdf where that file is built otherwise than it is read here.
    """
    # Imported late: matplotlib would slow down every command.
    from matplotlib import __version__
    from matplotlib.backends.backend_pdf import PdfPages

    if not figures:
        return {}
    file = io.BytesIO()
    with fixed_look(), PdfPages(file, metadata={"CreationDate": None}) as pages:
        for figure in figures.values():
            pages.savefig(figure, dpi=_DPI)
    try:
        return _taken_over(pdf, figures, file.getvalue())
    except (ValueError, LookupError) as error:
        raise UnknownPdf(
            f"figures as matplotlib {__version__} writes them cannot be put on paper: {error}; "
            "install the version that requirements.lock names"
        ) from error


def _taken_over(pdf: Pdf, figures: Mapping[str, Figure], data: bytes) -> dict[str, int]:
    """Take the objects of a file of matplotlib's over; return the numbers of the forms by name."""
    objects, trailer = _read(data)
    pdf.objects = [objects.get(number, _NULL) for number in range(1, max(objects) + 1)]
    root = _following(trailer, b"/Root")
    tree = _following(objects[root], b"/Pages")
    leaves = [int(n) for n in _REFERENCE.findall(_after(objects[tree], b"/Kids", b"]"))]
    forms = {}
    for name, leaf in zip(figures, leaves, strict=True):
        forms[name] = _form(pdf, objects[leaf])
    # Nothing is to be clicked on in a figure.
    links = [_following(objects[leaf], b"/Annots") for leaf in leaves]
    for number in (root, tree, *leaves, *links, _following(trailer, b"/Info")):
        pdf.set(number, _NULL)
    return forms


_DPI: Final = 200
"""Dots per inch of what matplotlib does not write as lines."""


def _form(pdf: Pdf, page: bytes) -> int:
    """Make what is drawn on a page a form; return its number."""
    contents = _following(page, b"/Contents")
    box = _after(page, b"/MediaBox", b"]").decode("ascii")
    entries = (
        f"<< /Type /XObject /Subtype /Form /BBox {box} "
        f"/Resources {_following(page, b'/Resources')} 0 R "
    )
    pdf.set(contents, pdf.objects[contents - 1].replace(b"<<", entries.encode("ascii"), 1))
    return contents


def _read(data: bytes) -> tuple[dict[int, bytes], bytes]:
    """Return the objects of a file with one table of them, as matplotlib writes it; its trailer."""
    begin = int(data[data.rindex(b"startxref") + len(b"startxref") :].split()[0])
    table, trailer = data[begin:].split(b"trailer", 1)
    places = {
        number: int(line.split()[0])
        for number, line in enumerate(table.splitlines()[2:])
        if line.split()[2:] == [b"n"]
    }
    ends = dict(zip(sorted(places.values()), [*sorted(places.values())[1:], begin], strict=True))
    found = {}
    for number, place in places.items():
        match = _OBJECT.match(data[place : ends[place]])
        if match is None:
            raise ValueError(f"object {number} of the figures ends nowhere")
        found[number] = match[1]
    return found, trailer


def _following(body: bytes, key: bytes) -> int:
    """Return the number of the object to which a key refers."""
    match = re.search(re.escape(key) + rb"\s+(\d+) 0 R", body)
    if match is None:
        raise ValueError(f"the figures have no {key.decode('ascii')}")
    return int(match[1])


def _after(body: bytes, key: bytes, end: bytes) -> bytes:
    """Return what follows a key, with its end."""
    begin = body.index(key) + len(key)
    return body[begin : body.index(end, begin) + len(end)]

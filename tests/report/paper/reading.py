"""What stands in a PDF, read by nothing but its bytes (ISO 32000-1), as a stranger would."""

from __future__ import annotations

import re
import zlib
from dataclasses import dataclass

_OBJECT = re.compile(rb"(\d+) 0 obj\n(.*?)\nendobj", re.DOTALL)
_STREAM = re.compile(rb"<<(.*?)>>\s*stream\r?\n(.*?)\r?\nendstream", re.DOTALL)
_SHOWN = re.compile(r"/([NB]\d+) ([\d.]+) Tf <([0-9a-f]*)> Tj")
_PLACED = re.compile(r"1 0 0 1 ([\d.]+) ([\d.]+) Tm ((?:/[NB]\d+ [\d.]+ Tf <[0-9a-f]*> Tj ?)+)")


@dataclass(frozen=True, slots=True)
class Text:
    """A line of text, where it begins [pt from the lower left], and its size [pt]."""

    x: float
    y: float
    size: float
    text: str


def objects_of(data: bytes) -> dict[int, bytes]:
    """Return the objects of a file, found by the table at its end (7.5.4)."""
    begin = int(data[data.rindex(b"startxref") :].split()[1])
    lines = data[begin : data.index(b"trailer", begin)].splitlines()[2:]
    found = {}
    for number, line in enumerate(lines):
        offset, _, state = line.split()
        if state == b"n":
            match = _OBJECT.match(data, int(offset))
            assert match is not None, f"object {number} is not where the table says"
            assert int(match[1]) == number
            found[number] = match[2]
    return found


def stream_of(body: bytes) -> bytes:
    """Return what a stream holds."""
    match = _STREAM.search(body)
    assert match is not None
    # Its length tells where it ends (7.3.8.2): its last byte may look like the end of a line.
    length = re.search(rb"/Length (\d+)\b(?! \d+ R)", match[1])
    end = match.start(2) + int(length[1]) if length else match.end(2)
    data = body[match.start(2) : end]
    return zlib.decompress(data) if b"/FlateDecode" in match[1] else data


def refers(body: bytes, key: str) -> int:
    """Return the number of the object that a key refers to."""
    match = re.search(rf"/{key} (\d+) 0 R".encode(), body)
    assert match is not None, key
    return int(match[1])


def pages_of(objects: dict[int, bytes]) -> list[bytes]:
    """Return the pages in their order, by the tree of pages (7.7.3)."""
    root = next(body for body in objects.values() if b"/Type /Catalog" in body)
    kids = re.search(rb"/Kids \[(.*?)\]", objects[refers(root, "Pages")])
    assert kids is not None
    return [objects[int(number)] for number in re.findall(rb"(\d+) 0 R", kids[1])]


def texts_of(data: bytes) -> list[list[Text]]:
    """Return the lines of text on each page, letters by the table of each font (9.10.3)."""
    objects = objects_of(data)
    pages = pages_of(objects)
    fonts = _fonts(objects, objects[refers(pages[0], "Resources")])
    return [_texts(stream_of(objects[refers(page, "Contents")]), fonts) for page in pages]


def _texts(content: bytes, fonts: dict[str, dict[int, str]]) -> list[Text]:
    found = []
    for x, y, shown in _PLACED.findall(content.decode("ascii")):
        runs = _SHOWN.findall(shown)
        text = "".join(
            fonts[name][code] for name, _, codes in runs for code in bytes.fromhex(codes)
        )
        found.append(Text(float(x), float(y), float(runs[0][1]), text.rstrip()))
    return found


def _fonts(objects: dict[int, bytes], resources: bytes) -> dict[str, dict[int, str]]:
    named = re.findall(rb"/([NB]\d+) (\d+) 0 R", resources)
    return {
        name.decode(): _meaning(stream_of(objects[refers(objects[int(number)], "ToUnicode")]))
        for name, number in named
    }


def _meaning(table: bytes) -> dict[int, str]:
    rows = re.findall(rb"<([0-9a-f]{2})> <([0-9a-f]+)>", table.split(b"endcodespacerange")[1])
    return {int(code, 16): bytes.fromhex(text.decode()).decode("utf-16-be") for code, text in rows}


def words_of(data: bytes) -> str:
    """Return all text of a file in one line."""
    return " ".join(text.text for page in texts_of(data) for text in page)

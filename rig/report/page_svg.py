"""Figures as SVG inside a page: nothing but shapes and letters, ids that occur once in the page."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final
from xml.etree import ElementTree as ET

from markupsafe import Markup, escape

from rig.report.drawn_figures import svg_of
from rig.report.page_words import visible

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_SHAPES: Final = frozenset(
    {"svg", "g", "defs", "path", "use", "text", "tspan", "clipPath", "rect", "pattern", "image"}
)
_PAINT: Final = ("clip-path", "clip-rule", "fill", "fill-opacity", "fill-rule", "opacity")
_STROKE: Final = (
    "dasharray",
    "dashoffset",
    "linecap",
    "linejoin",
    "miterlimit",
    "opacity",
    "width",
)
_FONT: Final = ("font-size", "font-style", "font-weight", "text-anchor")
_PLACE: Final = ("d", "x", "y", "width", "height", "viewBox", "transform")
_OTHER: Final = ("href", "patternUnits", "preserveAspectRatio", "stroke")
_KEPT: Final = frozenset(
    {*_PAINT, *(f"stroke-{name}" for name in _STROKE), *_FONT, *_PLACE, *_OTHER}
)
"""Attributes that say where and how; no other comes through, be it a link or a script."""
_WIDE: Final = 340.0
"""Width [pt] from which on a figure takes the width of the page."""
_NUMBER: Final = re.compile(r"-?\d+\.\d{3,}")
_REFERENCE: Final = re.compile(r"^url\(#(.+)\)$")
_UNTURNED: Final = re.compile(r"^rotate\(-?0 [^)]*\)$")
_NO_XML: Final = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_BLANKS: Final = re.compile(r"\s*L\s*|\s+")


def inside(figure: Figure, prefix: str, labelled_by: str) -> Markup:
    """Return a figure as an element `svg`, its ids beginning with a prefix.

    `labelled_by` are the ids of what names it and says what it shows.
    """
    # Written here by matplotlib, no document of others; a letter that XML forbids is replaced.
    root = ET.fromstring(_NO_XML.sub("?", svg_of(figure)))  # noqa: S314
    width = float(root.get("width", "0").removesuffix("pt"))
    names: dict[str, str] = {}
    for element in root.iter():
        _plainly(element, names, prefix)
    for element in root.iter():
        old = element.attrib.pop("id", "")
        if old in names:
            element.set("id", names[old])
    head = f' role="img" aria-labelledby="{labelled_by}" class="{"wide" if width > _WIDE else ""}"'
    root.set("width", f"{width * 4 / 3:.0f}")
    root.attrib.pop("height", None)
    return Markup(_written(root, head))  # noqa: S704 - letters and attributes are escaped there


def _plainly(element: ET.Element, names: dict[str, str], prefix: str) -> None:
    """Leave an element its name without namespace and the attributes that are kept, shortened.

    Styles become attributes, which a page's policy allows; `names` gets the new names of ids that
    something refers to.
    """
    element.tag = element.tag.rpartition("}")[2]
    found = {key.rpartition("}")[2]: value for key, value in element.attrib.items()}
    for rule in found.pop("style", "").split(";"):
        key, _, value = rule.partition(":")
        found[key.strip()] = value.strip()
    if found.get("font-style") == "normal":
        del found["font-style"]
    kept = {key: value for key, value in found.items() if key in _KEPT}
    for key, value in kept.items():
        match = re.match(r"#(.+)", value) if key == "href" else _REFERENCE.match(value)
        if match:
            new = names.setdefault(match[1], f"{prefix}_{len(names)}")
            kept[key] = value.replace(match[1], new)
        elif "url(" in value or (key == "href" and not value.startswith("data:image/png;")):
            kept[key] = ""
        elif key in ("d", "x", "y"):
            kept[key] = _short(value)
    if _UNTURNED.match(kept.get("transform", "")):
        del kept["transform"]
    if "id" in found:
        kept["id"] = found["id"]
    element.attrib.clear()
    element.attrib.update(kept)


def _short(numbers: str) -> str:
    """Return coordinates [pt] to a hundredth, and a line through points without its letters."""
    rounded = _NUMBER.sub(lambda match: f"{float(match[0]):.2f}".rstrip("0").rstrip("."), numbers)
    if "C" in rounded or "Q" in rounded:
        return " ".join(rounded.split())
    return _BLANKS.sub(" ", rounded).strip()


def _written(element: ET.Element, more: str = "") -> str:
    """Return an element as text, groups without a purpose dissolved."""
    if element.tag == "a":
        return "".join(map(_written, element))
    if element.tag not in _SHAPES:
        return ""
    inside = "".join(map(_written, element))
    if element.tag in ("text", "tspan"):
        inside = str(escape(visible(element.text or ""))) + inside
    given = "".join(f' {key}="{escape(value)}"' for key, value in element.attrib.items())
    if element.tag in ("g", "defs") and not (inside and (given or element.tag == "defs")):
        return inside
    if element.tag == "svg":
        given += ' stroke-linejoin="round" stroke-linecap="butt"'
    head = f"<{element.tag}{more}{given}"
    return f"{head}>{inside}</{element.tag}>" if inside else f"{head}/>"

"""A report as one page: its style, figures and pictures inside, no script, nothing from outside."""

from __future__ import annotations

import base64
import hashlib
import html
import re
from collections.abc import Mapping
from functools import cache
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Final

import jinja2
from markupsafe import Markup

from rig.report.document import Document, Drawn, Photo
from rig.report.drawn_figures import drawn
from rig.report.measure import parts_of, plain
from rig.report.page_parts import cell, classes, numeric_columns
from rig.report.page_svg import inside
from rig.report.page_words import visible

if TYPE_CHECKING:
    from matplotlib.figure import Figure

GENERATOR: Final = "nightrig report"
"""What a page of ours says that it is made by."""
_HEAD: Final = 4096
"""Bytes of a page within which it says what it is."""
_OF: Final = re.compile(r'<meta name="nightrig-report-of" content="([^"]*)">')
_HEADER: Final = 90
"""Letters of a title that have room at the head of a printed page."""


def page_of(document: Document, figures: Mapping[str, Figure] | None = None, of: str = "") -> str:
    """Return a document as one HTML page; the same document gives the same text.

    `figures` are all of its figures by name, where they are drawn already; `of` is what the report
    is of, such as the id of a run, by which an earlier report of the same is known again.
    """
    found = drawn(document) if figures is None else figures

    def svg(block: Drawn, prefix: str, labelled_by: str) -> Markup:
        return inside(found[block.name], prefix, labelled_by)

    title = visible(plain(document.title))
    style = _text("report.css").replace('"HEADER"', f'"{_in_css(title[:_HEADER])}"')
    return _template().render(
        document=document,
        of=of,
        generator=GENERATOR,
        title=title,
        style=Markup(style),  # noqa: S704 - its own, and letters that are all escaped
        policy=_policy(style),
        svg=svg,
    )


def of_page(path: Path) -> str | None:
    """Return what a page of ours is a report of, None where it is no such page or cannot be read.

    It is told by the head of the file alone.
    """
    try:
        with path.open("rb") as file:
            head = file.read(_HEAD).decode("utf-8", "replace")
    except OSError:
        return None
    found = _OF.search(head)
    return html.unescape(found[1]) if found and f'content="{GENERATOR}"' in head else None


def _policy(style: str) -> str:
    """Return the page's content security policy (CSP level 3): its own style and pictures alone."""
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    return (
        f"default-src 'none'; style-src 'sha256-{digest}'; img-src data:; base-uri 'none'; "
        "form-action 'none'"
    )


def _in_css(text: str) -> str:
    """Return a text inside the quotes of a style: whatever is no plain letter is escaped."""
    return "".join(
        sign if sign.isascii() and sign.isalnum() else f"\\{ord(sign):x} " for sign in text
    )


def _jpeg(photo: Photo) -> str:
    return f"data:image/jpeg;base64,{base64.b64encode(photo.jpeg).decode()}"


@cache
def _template() -> jinja2.Template:
    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.globals |= {
        "html": cell,
        "classes": classes,
        "numeric_columns": numeric_columns,
        "jpeg": _jpeg,
        "kind_of": lambda block: type(block).__name__,
        "plainly": lambda given: visible(plain(parts_of(given))),
    }
    return environment.from_string(_text("report.html"))


@cache
def _text(name: str) -> str:
    return resources.files("rig.report").joinpath("templates", name).read_text(encoding="utf-8")

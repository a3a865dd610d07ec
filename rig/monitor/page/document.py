"""The page itself and its numbers: one document with its style and script inside."""

from __future__ import annotations

import base64
import hashlib
import json
import math
from dataclasses import asdict
from functools import cache
from importlib import resources
from typing import Any, Final

import jinja2

from rig.monitor.mqtt.messages import status
from rig.monitor.page.drawn import AXES, SIZES
from rig.monitor.page.looking import EVERY
from rig.monitor.page.shown import Shown, shown
from rig.monitor.view import View

AGAIN: Final = 5
"""Seconds after which a page without its script is asked for again."""


def numbers(view: View) -> dict[str, Any]:
    """Return what is known of a run as plain values: its status as messages tell it, its curve.

    `page` holds the texts that the page shows. Units [SI] are in the names; nothing is NaN.
    """
    points = zip(view.curve.cycles, view.curve.stiffness, strict=True)
    known = [(c, k) for c, k in points if math.isfinite(c) and math.isfinite(k)]
    return {
        **status(view, "", view.status.rig),
        "curve": {
            "cycles": [round(cycle, 1) for cycle, _ in known],
            "stiffness_N_per_m": [float(f"{value:.6g}") for _, value in known],
        },
        "page": asdict(shown(view)),
    }


def as_json(told: dict[str, Any]) -> bytes:
    """Return numbers as they are sent."""
    text = json.dumps(told, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    # A lone half of a pair, as a broken note may hold, is no letter that could be sent.
    return text.encode("utf-8", "replace")


def document(page: Shown | None) -> bytes:
    """Return the page with what it shows at first; nothing of the run where that is None."""
    return _rendered(page).encode("utf-8", "replace")


@cache
def policy() -> str:
    """Return the page's content security policy (CSP level 3): its own style and script alone."""
    return "; ".join(
        (
            "default-src 'none'",
            f"script-src '{_digest('page.js')}'",
            f"style-src '{_digest('page.css')}'",
            "connect-src 'self'",
            "img-src data:",
            "base-uri 'none'",
            "form-action 'none'",
            "frame-ancestors 'none'",
        )
    )


def _rendered(page: Shown | None) -> str:
    return _template().render(
        page=page,
        style=_text("page.css"),
        script=_text("page.js"),
        again=AGAIN,
        every=round(1000 * EVERY),
        sizes=SIZES,
        axes=AXES,
    )


@cache
def _template() -> jinja2.Template:
    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    return environment.from_string(_text("page.html"))


@cache
def _text(name: str) -> str:
    return resources.files(__package__).joinpath(name).read_text(encoding="utf-8")


def _digest(name: str) -> str:
    digest = hashlib.sha256(_text(name).encode()).digest()
    return f"sha256-{base64.b64encode(digest).decode()}"

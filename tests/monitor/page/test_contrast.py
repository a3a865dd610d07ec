"""Contrast of every pair of colours of the page, by the formula of WCAG 2.2."""

import itertools
import re

import pytest

from rig.monitor.page.document import _text

LEAST_TEXT = 4.5  # WCAG 2.2, success criterion 1.4.3, level AA
LEAST_LINE = 3.0  # WCAG 2.2, success criterion 1.4.11: graphical objects
STYLE = _text("page.css")
TEXTS = [
    *itertools.product(("ink", "faint"), ("ground", "card")),
    *(("stop", "card"), ("baseline", "card"), ("warn", "card")),
    *(("stop", "ground"), ("baseline", "ground"), ("warn", "ground")),
    *((f"on-{level}", level) for level in ("nothing", "look", "come", "ended", "unknown")),
]
LINES = [*itertools.product(("curve", "baseline", "warn", "stop", "faint"), ("card", "ground"))]


def palette(scheme: str) -> dict[str, str]:
    light, dark = STYLE.split("@media (prefers-color-scheme: dark)", 1)
    found = dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6});", light.split("\n}\n", 1)[0]))
    if scheme == "dark":
        found |= dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6});", dark.split("\n}\n", 1)[0]))
    return found


def luminance(colour: str) -> float:
    """Return the relative luminance as WCAG 2.2 defines it, of #rrggbb."""
    shares = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in shares]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Return the contrast ratio as WCAG 2.2 defines it."""
    darker, lighter = sorted((luminance(one), luminance(other)))
    return (lighter + 0.05) / (darker + 0.05)


def test_the_formula_gives_what_the_guideline_says_of_black_on_white():
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    # #767676 on white is the well-known border of 4.5:1 (value from memory: 4.54).
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_every_text_and_line_stands_out(scheme):
    colours = palette(scheme)
    assert len(colours) == 19
    for pairs, least in ((TEXTS, LEAST_TEXT), (LINES, LEAST_LINE)):
        for one, other in pairs:
            assert contrast(colours[one], colours[other]) >= least, (scheme, one, other)


def test_colours_are_named_once_and_used_by_their_names():
    below = STYLE[STYLE.index("* { box-sizing") :]
    assert not re.findall(r"#[0-9a-f]{3,6}\b(?=[;,) ])", below)
    assert not re.findall(r"\brgba?\(|\bopacity:", below)

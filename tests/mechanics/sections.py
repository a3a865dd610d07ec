"""Sections of published and shared examples, and strategies for sections of any kind."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import strategies as st

from rig.mechanics.specimen import Bar, Concrete, Section, Specimen, SteelLaw, Tendon

STRAND = SteelLaw("bilinear", 1640e6, 1860e6, 0.035)
CONCRETE = Concrete(50e6, 35e9, 4.0e6, 0.0, "parabola-rectangle", 0.002, 0.0035)
RECTANGLE = Section("rectangle", 0.3, 0.2, 0.2, 3.0, 1.0)


def strand(area: float, depth: float, stress: float = 1100e6, at: str = "no moment") -> Tendon:
    return Tendon(area, depth, 195e9, "pre-tensioned", stress, at, STRAND)


ZERO = "zero concrete strain"
R1 = Specimen(
    "R1",
    RECTANGLE,
    CONCRETE,
    (strand(300e-6, 0.250, at=ZERO), strand(100e-6, 0.050, at=ZERO)),
)
"""200 x 300 mm, strands in two layers, stressed to 1100 MPa at zero concrete strain."""

U1 = Specimen("U1", RECTANGLE, CONCRETE, (strand(400e-6, 0.190),))
"""200 x 300 mm, one layer at 190 mm, 1100 MPa under no moment."""

GILBERT = Specimen(
    "Gilbert, Mickleborough, Ranzi 2016, example 5.7",
    Section("rectangle", 0.75, 0.2, 0.2, 9.0, 3.0),
    Concrete(40e6, 30e9, 0.0, 0.0, "parabola-rectangle", 0.002, 0.0035),
    (Tendon(750e-6, 0.575, 200e9, "pre-tensioned", 1200e6, ZERO, STRAND),),
    (Bar(500e-6, 0.050, 200e9, 500e6), Bar(1000e-6, 0.700, 200e9, 500e6)),
)

LAWS = st.sampled_from(
    [
        STRAND,
        SteelLaw("power", preset="strand-270"),
        SteelLaw("power", preset="wire-235"),
        SteelLaw("power", ultimate=1.8e9, constants=(6e9, 190e9, 120.0, 7.0)),
    ]
)


@st.composite
def outlines(draw: st.DrawFn) -> Section:
    """Draw a rectangle, a trapezoid or a section by height, with the beam it belongs to."""
    height = draw(st.floats(0.1, 1.5))
    width, bottom = draw(st.floats(0.1, 1.0)), draw(st.floats(0.1, 1.0))
    shape = draw(st.sampled_from(["rectangle", "trapezoid", "general"]))
    span = height * draw(st.floats(5.0, 25.0))
    spacing = span * draw(st.floats(0.05, 0.6))
    if shape == "rectangle":
        return Section(shape, height, width, width, span, spacing)
    if shape == "trapezoid":
        return Section(shape, height, width, bottom, span, spacing)
    web = draw(st.floats(0.3, 1.0)) * min(width, bottom)
    flange = height * draw(st.floats(0.1, 0.3))
    foot = height * draw(st.floats(0.7, 0.9))
    outline = ((0.0, width), (flange, width), (flange, web), (foot, web), (height, bottom))
    return Section(shape, height, width, width, span, spacing, outline)


@st.composite
def specimens(draw: st.DrawFn, *, bond: str = "pre-tensioned") -> Specimen:
    """Draw a beam between a small prism and a girder, as stressed as beams are.

    Prestress is at most a sixth of the strength on the average over the section, inside the core
    and somewhat below it.
    """
    section = draw(outlines())
    f = draw(st.floats(30e6, 90e6))
    law = draw(st.sampled_from(["parabola-rectangle", "rectangular block", "points"]))
    points = ((0.0, 0.0), (0.001, 0.7 * f), (0.002, f), (0.0035, f)) if law == "points" else ()
    crushing = 0.003 if law == "rectangular block" else 0.0035
    concrete = Concrete(
        f,
        draw(st.floats(30e9, 42e9)),
        draw(st.floats(1e6, 5e6)),
        2400.0,
        law,
        0.002,
        crushing,
        points,
    )
    stress = draw(st.floats(0.6e9, 1.2e9))
    least = min(section.width, section.width_bottom, *(w for _, w in section.outline or ((0, 9),)))
    area = least * section.height * f / stress * draw(st.floats(0.02, 1 / 6))
    at = draw(st.sampled_from(["no moment", ZERO]))
    depth = section.height * draw(st.floats(0.55, 0.8))
    tendon = Tendon(area, depth, 195e9, bond, stress, at, draw(LAWS))
    second = replace(tendon, area=area * 0.2, depth=section.height * draw(st.floats(0.1, 0.5)))
    bar = Bar(area * draw(st.floats(0.1, 1.0)), section.height * 0.9, 200e9, 500e6)
    return Specimen(
        "drawn",
        section,
        concrete,
        (tendon, second) if draw(st.booleans()) else (tendon,),
        (bar,) if draw(st.booleans()) else (),
    )

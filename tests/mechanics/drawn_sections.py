"""Bonded sections drawn by a seed, and the form in which a table keeps them.

All are invented: rectangles, trapezoids and flanged sections, three laws of concrete, tendons in
one to four layers of two kinds of law, and up to three layers of bars. Nothing but Python is
needed, so that an environment without the packages of the project can draw them too.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import asdict
from itertools import pairwise
from typing import Any, Final

from rig.mechanics.specimen import Bar, Concrete, Section, Specimen, SteelLaw, Tendon

KSI: Final = 6.894757293168361e6
PRESETS: Final = {"strand-270": 270.0, "strand-250": 250.0, "wire-250": 250.0, "wire-235": 235.0}
MODULI: Final = {
    "strand-270": 28500.0,
    "strand-250": 28000.0,
    "wire-250": 29000.0,
    "wire-235": 29000.0,
}
"""Strength and modulus [ksi] of the steels whose law has a name; from memory."""


def flanged(rng: random.Random, height: float, width: float) -> tuple[tuple[float, float], ...]:
    """Return the outline of a T or an I section with sloping haunches: depths and widths [m]."""
    web = width * rng.uniform(0.3, 0.5)
    bottom = rng.choice((web, width * rng.uniform(0.5, 1.0)))
    top_edge, top_haunch = height * rng.uniform(0.12, 0.22), height * rng.uniform(0.02, 0.08)
    low_edge, low_haunch = height * rng.uniform(0.15, 0.25), height * rng.uniform(0.02, 0.08)
    return (
        (0.0, width),
        (top_edge, width),
        (top_edge + top_haunch, web),
        (height - low_edge - low_haunch, web),
        (height - low_edge, bottom),
        (height, bottom),
    )


def section(rng: random.Random) -> Section:
    """Return a rectangle, a trapezoid or a flanged section 0.1 m to 0.9 m high."""
    height = rng.uniform(0.10, 0.90)
    width = height * rng.uniform(0.4, 1.2)
    span = height * rng.uniform(10.0, 20.0)
    shape = rng.choices(("rectangle", "trapezoid", "general"), (0.4, 0.35, 0.25))[0]
    if shape == "general":
        outline = flanged(rng, height, width)
        return Section(shape, height, width, outline[-1][1], span, span / 3, outline)
    bottom = width * rng.uniform(0.5, 1.6) if shape == "trapezoid" else width
    return Section(shape, height, width, bottom, span, span / 3)


def concrete(rng: random.Random) -> Concrete:
    """Return a concrete of 30 MPa to 90 MPa with one of three laws.

    Modulus and tensile strength rise with strength about as in concretes that are made.
    """
    strength = rng.uniform(30e6, 90e6)
    modulus = rng.uniform(0.9, 1.1) * 22e9 * (strength / 10e6) ** 0.3
    tensile = rng.uniform(0.3, 0.6) * 1e6 * (strength / 1e6) ** 0.5
    law = rng.choices(("parabola-rectangle", "rectangular block", "points"), (0.65, 0.2, 0.15))[0]
    if law == "rectangular block":
        return Concrete(strength, modulus, tensile, 2400.0, law, 0.002, 0.003)
    peak, ultimate = rng.uniform(0.0018, 0.0024), rng.uniform(0.0028, 0.0038)
    shares = ((0.0, 0.0), (0.3, 0.55), (0.65, 0.88), (1.0, 1.0), (ultimate / peak, 0.85))
    points = tuple((x * peak, y * strength) for x, y in shares) if law == "points" else ()
    return Concrete(strength, modulus, tensile, 2400.0, law, peak, ultimate, points)


def steel_law(rng: random.Random) -> tuple[SteelLaw, float, float]:
    """Return a law of prestressing steel, its modulus and its strength [Pa]."""
    if rng.random() < 0.5:
        preset = rng.choice(tuple(PRESETS))
        return SteelLaw("power", preset=preset), MODULI[preset] * KSI, PRESETS[preset] * KSI
    ultimate = rng.uniform(1600e6, 1950e6)
    law = SteelLaw("bilinear", ultimate * rng.uniform(0.85, 0.92), ultimate, 0.035)
    return law, rng.uniform(190e9, 205e9), ultimate


def tendons(
    rng: random.Random, area: float, height: float, strength: float, share: tuple[float, float]
) -> tuple[Tendon, ...]:
    """Return one to four layers of one steel, most of it low; `area` that of the concrete [m2].

    The steel's strength is a `share` of what all the concrete could carry.
    """
    law, modulus, ultimate = steel_law(rng)
    steel = rng.uniform(*share) * area * strength / ultimate
    stress = rng.uniform(0.35, 0.65) * ultimate
    further = rng.choice((0, 0, 1, 2, 3))
    depths = [rng.uniform(0.78, 0.92), *(rng.uniform(0.1, 0.9) for _ in range(further))]
    parts = [1.0, *(rng.uniform(0.1, 0.5) for _ in depths[1:])]
    return tuple(
        Tendon(
            steel * part / sum(parts),
            depth * height,
            modulus,
            "pre-tensioned",
            stress * rng.uniform(0.9, 1.0),
            "zero concrete strain",
            law,
        )
        for depth, part in zip(depths, parts, strict=True)
    )


def bars(rng: random.Random, area: float, height: float, strength: float) -> tuple[Bar, ...]:
    """Return up to three layers of bars, high or low; each carries 0.5 % to 4 % of the concrete."""
    layers = []
    for _ in range(rng.choice((0, 0, 1, 2, 3))):
        yields = rng.uniform(400e6, 600e6)
        steel = rng.uniform(0.005, 0.04) * area * strength / yields
        depth = rng.choice((rng.uniform(0.08, 0.2), rng.uniform(0.8, 0.92)))
        layers.append(Bar(steel, depth * height, 200e9, yields))
    return tuple(layers)


def area_of(outline: tuple[tuple[float, float], ...]) -> float:
    """Return the area of an outline [m2]."""
    return sum((y - x) * (v + w) / 2 for (x, v), (y, w) in pairwise(outline))


def outline_of(s: Section) -> tuple[tuple[float, float], ...]:
    """Return depths and widths [m] of any section, from top to bottom."""
    return s.outline or ((0.0, s.width), (s.height, s.width_bottom))


def drawn(seed: int, share: tuple[float, float]) -> Iterator[Specimen]:
    """Give sections without end, the same for a seed on every machine, in five digits.

    `share` is between what the steel's strength lies, over that of all the concrete.
    """
    rng = random.Random(seed)
    while True:
        shape, material = section(rng), concrete(rng)
        area = area_of(outline_of(shape))
        steel = tendons(rng, area, shape.height, material.strength, share)
        more = bars(rng, area, shape.height, material.strength)
        yield from_plain(shortened(plain(Specimen("invented", shape, material, steel, more))))


def shortened(kept: Any) -> Any:
    """Return what a table keeps with all its numbers in five digits."""
    if isinstance(kept, dict):
        return {name: shortened(value) for name, value in kept.items()}
    if isinstance(kept, list | tuple):
        return [shortened(value) for value in kept]
    return float(f"{kept:.5g}") if isinstance(kept, float) else kept


def plain(specimen: Specimen) -> dict[str, Any]:
    """Return a section as a table keeps it."""
    kept = asdict(specimen)
    return {name: kept[name] for name in ("section", "concrete", "tendons", "bars")}


def from_plain(kept: dict[str, Any]) -> Specimen:
    """Return the section that a table keeps."""

    def points(pairs: list[list[float]]) -> tuple[tuple[float, float], ...]:
        return tuple((x, y) for x, y in pairs)

    shape, material = kept["section"], kept["concrete"]
    return Specimen(
        "invented",
        Section(**shape | {"outline": points(shape["outline"])}),
        Concrete(**material | {"law_points": points(material["law_points"])}),
        tuple(
            Tendon(
                **t | {"law": SteelLaw(**t["law"] | {"constants": tuple(t["law"]["constants"])})}
            )
            for t in kept["tendons"]
        ),
        tuple(Bar(**bar) for bar in kept["bars"]),
    )

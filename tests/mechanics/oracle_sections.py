"""Moments of drawn sections by two libraries that know nothing of this project.

    python -m tests.mechanics.oracle_sections        make the table `sections.json` anew (minutes)

concreteproperties 0.7.0 (MIT) and structuralcodes 0.7.2 (Apache-2.0), from
`requirements-oracles.lock`. Conventions are matched, not results:

- stress of a tendon is that at zero concrete strain, as concreteproperties takes it;
- at ultimate the concrete counts in full, where steel lies too (steel is laid over it, where
  concreteproperties would cut holes by itself); in the elastic section, whole or cracked, steel
  displaces concrete: holes there, and a modulus less that of concrete in structuralcodes, which
  cuts none;
- laws of concrete are those of the section. concreteproperties knows laws as straight lines, so a
  parabola is 60 of them; structuralcodes is exact;
- the power law of steel is sampled from its constants (Devalapura & Tadros, PCI Journal 1992; the
  constants are from memory), for a strand of 270 ksi in concreteproperties it is the library's own.

Kept as crushing are sections whose steel has room, whose concrete crushes first, at a neutral axis
in the upper 80 % of the height, with all tendons below 90 % of the strain they break at:
concreteproperties knows no other end. Kept as breaking are sections with so little steel that a
tendon breaks first; structuralcodes alone knows that end.
"""

from __future__ import annotations

import json
import math
import warnings
from dataclasses import dataclass
from itertools import combinations, islice
from pathlib import Path
from typing import Any, Final

import concreteproperties as cp
from concreteproperties.stress_strain_profile import ConcreteUltimateProfile, StrandProfile
from sectionproperties.pre import Geometry, library
from shapely import Polygon
from structuralcodes.core.errors import NoConvergenceWarning
from structuralcodes.geometry import SurfaceGeometry, add_reinforcement
from structuralcodes.materials.basic import GenericMaterial
from structuralcodes.materials.constitutive_laws import (
    Elastic,
    ElasticPlastic,
    ParabolaRectangle,
    UserDefined,
)
from structuralcodes.sections import BeamSection

from rig.mechanics.specimen import Bar, Concrete, Specimen, Tendon
from tests.mechanics.drawn_sections import KSI, drawn, outline_of, plain
from tests.mechanics.oracle_steel import LAYER, placed, steel_points, strain_of
from tests.mechanics.section_states import OPEN, SERVICE, Values

TABLE: Final = Path(__file__).with_name("sections.json")
SEED: Final = 20
LIBRARIES: Final = ("concreteproperties", "structuralcodes")
CRUSHING: Final = 200
BREAKING: Final = 20

UNBROKEN: Final = 1.0
"""A strain that no bar comes to."""


def corners(specimen: Specimen) -> list[tuple[float, float]]:
    """Return the section's corners [mm], x from its axis, y from the bottom."""
    height = specimen.section.height
    right = [(500 * width, 1e3 * (height - depth)) for depth, width in outline_of(specimen.section)]
    return [*right, *((-x, y) for x, y in reversed(right))]


def depth_factor(strength: float) -> float:
    """Return beta1 of ACI 318: 0.85 to 4000 psi, 0.05 less a further 1000 psi, 0.65 at least."""
    psi = strength / (KSI / 1e3)
    return min(0.85, max(0.65, 0.85 - 0.05 * (psi - 4000) / 1000))


def fits(specimen: Specimen) -> bool:
    """Return whether all pieces of steel lie in the concrete and apart from each other."""
    pieces = [
        Polygon([(x - r, y), (x, y - r), (x + r, y), (x, y + r)])
        for layer in (*specimen.tendons, *specimen.bars)
        for r in [math.sqrt(1e6 * layer.area / LAYER / 2)]
        for x, y in placed(specimen, layer.depth)
    ]
    inside = Polygon(corners(specimen))
    return all(inside.contains(piece) for piece in pieces) and not any(
        one.intersects(other) for one, other in combinations(pieces, 2)
    )


# concreteproperties: N, mm, compression positive ------------------------------------------------


def crushing_law(c: Concrete) -> ConcreteUltimateProfile:
    """Return a law of concrete as concreteproperties takes it."""
    strength = c.strength / 1e6
    if c.law == "rectangular block":
        return cp.stress_strain_profile.RectangularStressBlock(
            strength, 0.85, depth_factor(c.strength), c.ultimate_strain
        )
    if c.law == "points":
        strains = [-c.peak_strain, *(strain for strain, _ in c.law_points)]
        stresses = [0.0, *(stress / 1e6 for _, stress in c.law_points)]
        return ConcreteUltimateProfile(strains, stresses, strength)
    return cp.stress_strain_profile.EurocodeParabolicUltimate(
        strength, c.peak_strain, c.ultimate_strain, 2, n_points=60
    )


def strand_law(tendon: Tendon) -> StrandProfile:
    """Return a law of a tendon as concreteproperties takes it."""
    law = tendon.law
    if law.preset == "strand-270":
        return cp.stress_strain_profile.StrandPCI1992(
            243 * KSI / 1e6,
            28500 * KSI / 1e6,
            0.0274421,
            270 * KSI / 1e6,
            bilinear_yield_ratio=1.0434515,
            n_points=[5, 60, 20],
        )
    strains, stresses = steel_points(tendon)
    return StrandProfile(strains, stresses, (law.yield_stress or law.ultimate) / 1e6)


def meshed(specimen: Specimen, *, holes: bool) -> cp.PrestressedSection:
    """Return a section of concreteproperties; with holes, steel takes the place of concrete."""
    c = specimen.concrete
    concrete = cp.Concrete(
        name="concrete",
        density=0.0,
        stress_strain_profile=cp.stress_strain_profile.ConcreteLinear(c.modulus / 1e6),
        ultimate_stress_strain_profile=crushing_law(c),
        flexural_tensile_strength=c.tensile_strength / 1e6,
        colour="grey",
    )
    points = corners(specimen)
    facets = [(i, (i + 1) % len(points)) for i in range(len(points))]
    inside = (0.0, 500 * specimen.section.height)
    geometry = Geometry.from_points(points, facets, [inside], material=concrete)
    for tendon in specimen.tendons:
        strand = cp.SteelStrand("strand", 0.0, strand_law(tendon), "grey", tendon.stress / 1e6)
        geometry = laid(geometry, specimen, tendon.area, tendon.depth, strand, holes=holes)
    for bar in specimen.bars:
        profile = cp.stress_strain_profile.SteelElasticPlastic(
            bar.yield_stress / 1e6, bar.modulus / 1e6, UNBROKEN
        )
        steel = cp.SteelBar("bar", 0.0, profile, "grey")
        geometry = laid(geometry, specimen, bar.area, bar.depth, steel, holes=holes)
    return cp.PrestressedSection(geometry)


def laid(
    geometry: Any, specimen: Specimen, area: float, depth: float, steel: Any, *, holes: bool
) -> Any:
    """Return a section with one more layer of steel, over the concrete or in its place."""
    for x, y in placed(specimen, depth):
        piece = library.circular_section_by_area(1e6 * area / LAYER, 4, steel)
        piece = piece.shift_section(x, y)
        geometry = ((geometry - piece) if holes else geometry) + piece
    return geometry


def by_concreteproperties(specimen: Specimen) -> Values:
    """Return moments [N m], neutral axes [m] and elastic stresses of the cracked section [Pa]."""
    with warnings.catch_warnings():
        # Bars that lie over concrete are the convention here.
        warnings.filterwarnings("ignore", message="The provided geometry contains overlapping")
        whole, displaced = meshed(specimen, holes=False), meshed(specimen, holes=True)
    gross = displaced.gross_properties
    cracking = displaced.calculate_cracking_moment(gross.n_prestress, gross.m_prestress, True)
    end = whole.ultimate_bending_capacity()
    return {
        "ultimate_Nm": float(end.m_x) / 1e3,
        "neutral_axis_m": float(end.d_n) / 1e3,
        "cracking_Nm": float(cracking) / 1e3,
    } | cracked(displaced, OPEN * float(cracking))


def cracked(section: cp.PrestressedSection, moment: float) -> Values:
    """Return the elastic state of a section without tension under a moment [N mm]."""
    state = section.calculate_cracked_properties(m_ext=moment)
    stress = section.calculate_cracked_stress(state)
    return {
        "open_axis_m": float(state.d_nc) / 1e3,
        "open_top_Pa": float(stress.get_concrete_stress_limits()[1]) * 1e6,
        "open_tendon_Pa": -float(stress.strand_stresses[0]) * 1e6,
    }


# structuralcodes: N, mm, tension positive -------------------------------------------------------


def exact_law(c: Concrete) -> Any:
    """Return a law of concrete as structuralcodes takes it."""
    strength = c.strength / 1e6
    if c.law == "rectangular block":
        begin = c.ultimate_strain * (1 - depth_factor(c.strength))
        strains = [-c.ultimate_strain, -begin - 1e-9, -begin, 0.0, 1.0]
        return UserDefined(strains, [-0.85 * strength, -0.85 * strength, 0.0, 0.0, 0.0])
    if c.law == "points":
        falling = list(reversed(c.law_points))
        strains = [*(-strain for strain, _ in falling), 1.0]
        return UserDefined(strains, [*(-stress / 1e6 for _, stress in falling), 0.0])
    return ParabolaRectangle(strength, -c.peak_strain, -c.ultimate_strain)


def tendon_law(tendon: Tendon) -> Any:
    """Return a law of a tendon as structuralcodes takes it."""
    law = tendon.law
    if law.kind == "power":
        return UserDefined(*steel_points(tendon))
    beyond = law.ultimate_strain - law.yield_stress / tendon.modulus
    hardening = (law.ultimate - law.yield_stress) / beyond / 1e6
    return ElasticPlastic(
        tendon.modulus / 1e6, law.yield_stress / 1e6, hardening, law.ultimate_strain
    )


def bar_law(bar: Bar) -> Any:
    """Return a law of a bar that does not break: without a strain the library breaks it early."""
    return ElasticPlastic(bar.modulus / 1e6, bar.yield_stress / 1e6, eps_su=UNBROKEN)


def built(specimen: Specimen, concrete: Any, steel: list[tuple[float, float, Any]]) -> Any:
    """Return the calculator of a section of structuralcodes; `steel` is area, depth, material."""
    geometry = SurfaceGeometry(
        Polygon(corners(specimen)).buffer(0), GenericMaterial(1.0, concrete), concrete=True
    )
    for area, depth, material in steel:
        diameter = math.sqrt(4e6 * area / LAYER / math.pi)
        for point in placed(specimen, depth):
            geometry = add_reinforcement(geometry, point, diameter, material)
    return BeamSection(geometry, integrator="marin").section_calculator


def crushing(specimen: Specimen) -> Any:
    """Return a section of structuralcodes with the laws up to ultimate."""
    steel = []
    for t in specimen.tendons:
        material = GenericMaterial(
            1.0, tendon_law(t), initial_strain=strain_of(t), strain_compatibility=True
        )
        steel.append((t.area, t.depth, material))
    steel += [(b.area, b.depth, GenericMaterial(1.0, bar_law(b))) for b in specimen.bars]
    return built(specimen, exact_law(specimen.concrete), steel)


def elastic(specimen: Specimen, law: Any, *, cracks: bool) -> Any:
    """Return a section of structuralcodes with elastic steel in the place of concrete.

    Where concrete is not there to be displaced (in tension, as soon as it `cracks`) steel has its
    full modulus, elsewhere that of concrete less.
    """
    steel = []
    for layer, stress in [
        *((t, t.stress) for t in specimen.tendons),
        *((b, 0.0) for b in specimen.bars),
    ]:
        modulus, less = layer.modulus / 1e6, specimen.concrete.modulus / 1e6
        begin, pulled = stress / layer.modulus, modulus if cracks else modulus - less
        strains = [begin - 0.1, begin, begin + 0.1]
        stresses = [
            stress / 1e6 - 0.1 * (modulus - less),
            stress / 1e6,
            stress / 1e6 + 0.1 * pulled,
        ]
        material = GenericMaterial(
            1.0, UserDefined(strains, stresses), initial_strain=begin, strain_compatibility=True
        )
        steel.append((layer.area, layer.depth, material))
    return built(specimen, law, steel)


@dataclass(frozen=True, slots=True)
class Plane:
    """Strain at the bottom, tension positive, and curvature [1/m], sagging positive."""

    bottom: float
    curvature: float

    def at(self, height: float) -> float:
        """Return the strain [1] at a height over the bottom [m]."""
        return self.bottom - self.curvature * height


def plane(section: Any, moment: float) -> Plane:
    """Return the strains of a section under a sagging moment [N m]."""
    found = section.calculate_strain_profile(0.0, -1e3 * moment, 0.0, max_iter=100)
    return Plane(float(found.eps_a), -1e3 * float(found.chi_y))


def by_structuralcodes(specimen: Specimen) -> Values:
    """Return what concreteproperties tells too, and the strains at 70 % of the ultimate moment."""
    ends, height = crushing(specimen), specimen.section.height
    end = ends.calculate_bending_strength()
    at_end = Plane(float(end.eps_a), -1e3 * float(end.chi_y))
    ultimate, cracking = -float(end.m_y) / 1e3, cracking_moment(specimen)
    values = {
        "ultimate_Nm": ultimate,
        "neutral_axis_m": height - at_end.bottom / at_end.curvature,
        "cracking_Nm": cracking,
    }
    c = specimen.concrete
    stiff = c.modulus / 1e6
    no_tension = UserDefined([-0.1, 0.0, 1.0], [-0.1 * stiff, 0.0, 0.0])
    state = plane(elastic(specimen, no_tension, cracks=True), OPEN * cracking)
    t = specimen.tendons[0]
    values |= {
        "open_axis_m": height - state.bottom / state.curvature,
        "open_top_Pa": -c.modulus * state.at(height),
        "open_tendon_Pa": t.stress + t.modulus * state.at(height - t.depth),
    }
    if c.law != "rectangular block":  # which says nothing of strains before the end
        state = plane(ends, SERVICE * ultimate)
        values |= {"top_strain": -state.at(height), "curvature_per_m": state.curvature}
    return values


def cracking_moment(specimen: Specimen) -> float:
    """Return the moment [N m] at which the bottom of the elastic section reaches its strength."""
    c = specimen.concrete
    section = elastic(specimen, Elastic(c.modulus / 1e6), cracks=False)
    without, unit = plane(section, 0.0).bottom, 1e3
    flexibility = (plane(section, unit).bottom - without) / unit
    return (c.tensile_strength / c.modulus - without) / flexibility


def in_range(specimen: Specimen, neutral_axis: float) -> bool:
    """Return whether concrete crushes first, by far, at a given depth of the neutral axis [m]."""
    if not 0 < neutral_axis < 0.8 * specimen.section.height:
        return False
    curvature = specimen.concrete.ultimate_strain / neutral_axis
    strains = [strain_of(t) + curvature * (t.depth - neutral_axis) for t in specimen.tendons]
    limits = [t.law.ultimate_strain or 0.0274 for t in specimen.tendons]
    return all(e < 0.9 * limit for e, limit in zip(strains, limits, strict=True))


def row(specimen: Specimen) -> dict[str, Any] | None:
    """Return a section with what both libraries say of it; None where it is not to be kept."""
    if not fits(specimen):
        return None
    one = by_concreteproperties(specimen)
    if not in_range(specimen, one["neutral_axis_m"]):
        return None
    try:
        two = by_structuralcodes(specimen)
    except NoConvergenceWarning:  # which the library raises
        return None
    return plain(specimen) | {"concreteproperties": one, "structuralcodes": two}


def breaking(specimen: Specimen) -> dict[str, Any] | None:
    """Return a section whose tendon breaks before its concrete, with what structuralcodes says."""
    if specimen.tendons[0].law.kind == "power" or not fits(specimen):
        return None
    try:
        end = crushing(specimen).calculate_bending_strength()
    except NoConvergenceWarning:  # which the library raises
        return None
    at_end = Plane(float(end.eps_a), -1e3 * float(end.chi_y))
    top, c = -at_end.at(specimen.section.height), specimen.concrete
    if c.law == "rectangular block" or top > 0.95 * c.ultimate_strain:
        return None
    values = {"ultimate_Nm": -float(end.m_y) / 1e3, "top_strain": top}
    return plain(specimen) | {"structuralcodes": values}


def made() -> dict[str, list[Any]]:
    """Return the whole table."""
    crush = filter(None, map(row, drawn(SEED, (0.05, 0.30))))
    breaks = filter(None, map(breaking, drawn(SEED + 1, (0.003, 0.02))))
    return {
        "crushing": [*islice(crush, CRUSHING)],
        "breaking": [*islice(breaks, BREAKING)],
    }


def line(kept: dict[str, Any]) -> str:
    """Return a row of the table as text."""
    rounded = {
        name: {key: float(f"{x:.7g}") for key, x in value.items()} if name in LIBRARIES else value
        for name, value in kept.items()
    }
    return json.dumps(rounded, separators=(",", ":"))


def main() -> None:
    """Write the table, a section a line."""
    parts = []
    for name, rows in made().items():
        parts.append(f'"{name}": [\n' + ",\n".join(map(line, rows)) + "\n]")
    TABLE.write_text("{\n" + ",\n".join(parts) + "\n}\n", encoding="utf-8")


if __name__ == "__main__":
    main()

"""Slips in sections, their laws and shapes, and in what is true across mechanics."""

from __future__ import annotations

from tests.mutants.mutant import Mutant

AT = "rig/mechanics/"
HERE = "tests/mechanics/"

SECTIONS = (HERE + "test_section.py", HERE + "test_drawn_sections.py")
LAWS = (HERE + "test_laws.py", HERE + "test_drawn_sections.py")
STRAINS = (HERE + "test_equilibrium.py", HERE + "test_across.py")
SHAPES = (HERE + "test_shapes.py", HERE + "test_prediction.py")
ACROSS = (HERE + "test_across.py", HERE + "test_prediction.py")

MUTANTS = (
    Mutant(
        "a block as strong as the concrete",
        AT + "laws.py",
        "BLOCK_STRESS: Final = 0.85",
        "BLOCK_STRESS: Final = 1.0",
        "a capacity that no companion reaches",
        LAWS,
    ),
    Mutant(
        "a block that gets ever thinner",
        AT + "laws.py",
        "max(0.65, min(0.85,",
        "max(0.0, min(0.85,",
        "strong concrete that bears too little",
        LAWS,
    ),
    Mutant(
        "two digits of a strand's law exchanged",
        AT + "laws.py",
        "112.4, 7.360)",
        "112.4, 7.630)",
        "a tendon that yields too late",
        LAWS,
    ),
    Mutant(
        "steel that only pulls",
        AT + "laws.py",
        "return sign * smaller(e *",
        "return smaller(e *",
        "a pressed tendon that pulls",
        LAWS,
    ),
    Mutant(
        "no hardening",
        AT + "laws.py",
        "return max(0.0, rise) / max(",
        "return 0.0 * rise / max(",
        "a tendon whose strength is its yield stress",
        LAWS,
    ),
    Mutant(
        "a modulus of its own forgotten",
        AT + "laws.py",
        "e = size * modulus / (a + b)",
        "e = size",
        "a wire with the modulus of a strand",
        LAWS,
    ),
    Mutant(
        "inertia about the top",
        AT + "shapes.py",
        "second - area * centroid**2",
        "second",
        "a section four times as stiff",
        SHAPES,
    ),
    Mutant(
        "mass taken for weight",
        AT + "shapes.py",
        "gross(specimen.section).area * GRAVITY",
        "gross(specimen.section).area",
        "a beam that weighs a tenth",
        SHAPES,
    ),
    Mutant(
        "self weight of a fixed beam",
        AT + "shapes.py",
        "specimen.section.span**2 / 8",
        "specimen.section.span**2 / 12",
        "actuator loads too high by what self weight takes",
        SHAPES,
    ),
    Mutant(
        "self weight adds to the actuator",
        AT + "shapes.py",
        "return 2 * (moment - self_moment(specimen))",
        "return 2 * (moment + self_moment(specimen))",
        "loads set too high by twice the weight",
        SHAPES,
    ),
    Mutant(
        "an outline without its foot",
        AT + "shapes.py",
        "(section.height, outline[-1][1])]",
        "(section.height, outline[0][1])]",
        "the foot of a girder taken for its flange",
        SHAPES,
    ),
    Mutant(
        "concrete that shortens relieves nothing",
        AT + "equilibrium.py",
        "prestrain=steel[i].prestrain + shortening",
        "prestrain=steel[i].prestrain - shortening",
        "a tendon whose stress under no moment is not the one measured",
        STRAINS,
    ),
    Mutant(
        "crushed concrete still bears",
        AT + "equilibrium.py",
        "most = made.crushing * (1 + _BEYOND)",
        "most = 2 * made.crushing * (1 + _BEYOND)",
        "a state told of a beam that is broken",
        STRAINS,
    ),
    Mutant(
        "a broken tendon still bears",
        AT + "equilibrium.py",
        "whole = whole & (strain <= layer.rupture * (1 + _BEYOND))",
        "whole = whole & (strain <= layer.rupture * 100)",
        "a state told of a beam that is broken",
        STRAINS,
    ),
    Mutant(
        "concrete sums about the middle of each piece",
        AT + "equilibrium.py",
        "force, moment = force + push, moment - push * y",
        "force, moment = force + push, moment - push * begin",
        "a lever arm too long",
        STRAINS,
    ),
    Mutant(
        "steel that displaces nothing",
        AT + "section.py",
        "((s.modulus / modulus - 1) * s.area, s.depth) for s in layers",
        "((s.modulus / modulus) * s.area, s.depth) for s in layers",
        "cracking and stiffness too high",
        SECTIONS,
    ),
    Mutant(
        "prestress that only bends",
        AT + "section.py",
        "(t.depth - whole.centroid + core)",
        "(t.depth - whole.centroid)",
        "cracks expected far too early",
        SECTIONS,
    ),
    Mutant(
        "tensile strength against the beam",
        AT + "section.py",
        "    return decompression_moment(specimen) + specimen.concrete.tensile_strength * modulus",
        "    return decompression_moment(specimen) - specimen.concrete.tensile_strength * modulus",
        "cracks expected before decompression",
        SECTIONS,
    ),
    Mutant(
        "stress under no moment taken for that at no strain",
        AT + "section.py",
        "found.append(t.stress + change)",
        "found.append(t.stress)",
        "decompression told too low",
        SECTIONS,
    ),
    Mutant(
        "no block at the ultimate",
        AT + "section.py",
        "made = replace(made, law=block_stretches(specimen.concrete))",
        "made = replace(made, crushing=made.crushing)",
        "a capacity by another law than the file says",
        SECTIONS,
    ),
    Mutant(
        "no tendon ever breaks first",
        AT + "section.py",
        "if bonded and strain > layer.rupture * (1 + _ROUNDING):",
        "if bonded and strain > 100 * layer.rupture * (1 + _ROUNDING):",
        "a lightly reinforced beam said to crush",
        SECTIONS,
    ),
    Mutant(
        "cracked concrete is there twice",
        AT + "section.py",
        "Layer(-s.area, s.depth, modulus, _HOLE, 0.0)",
        "Layer(0.0, s.depth, modulus, _HOLE, 0.0)",
        "pressed bars that count with the concrete they displace",
        SECTIONS,
    ),
    Mutant(
        "all the weight in the middle",
        AT + "stations.py",
        "own=self_weight(specimen) * where * (section.span - where) / 2",
        "own=self_weight(specimen) * where * section.span / 4",
        "elongation of another beam's moments",
        ACROSS,
    ),
    Mutant(
        "elongation at the bottom face",
        AT + "along.py",
        "strain = curvature * cut.tendons[tendon].depth - top",
        "strain = curvature * cut.made.height - top",
        "a tendon without bond that gains too much stress",
        ACROSS,
    ),
)

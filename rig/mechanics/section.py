"""A section under a moment: elastic uncracked and cracked, nonlinear, and at its ultimate.

Lengths [m], stress [Pa], moments [N m], sagging positive, self weight included; depths from the
top. Concrete is positive in compression, steel in tension. In the elastic section bonded steel
counts with (n - 1) times its area and an unbonded tendon as the force it has under no moment:
what it gains up to decompression, about a hundredth, is left out, which is on the safe side.
`gross_...` neglect the steel's stiffness: the formulas of the text books, for comparison.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Final, NamedTuple

from rig.mechanics.equilibrium import (
    Layer,
    Makeup,
    Strains,
    balanced,
    makeup,
    solve,
    sums,
)
from rig.mechanics.laws import (
    Stretch,
    block_stretches,
    concrete_stress,
    steel_stress,
)
from rig.mechanics.shapes import SectionProperties, gross, pieces
from rig.mechanics.specimen import Bar, Specimen, SteelLaw, Tendon

if TYPE_CHECKING:
    from collections.abc import Callable

    from rig.mechanics.equilibrium import Held

UNBONDED: Final = "post-tensioned unbonded"
_LINEAR: Final = SteelLaw("linear")
_HOLE: Final = SteelLaw("no tension")
_ROUNDING: Final = 1e-9  # share of an ultimate strain


class State(NamedTuple):
    """A section under a moment; `neutral_axis` is its depth, infinite without curvature.

    Stresses of tendons and bars are in the order of the specimen.
    """

    moment: float
    top_strain: float
    curvature: float
    concrete_top: float
    concrete_bottom: float
    neutral_axis: float
    tendon_stress: tuple[float, ...]
    bar_stress: tuple[float, ...]


class Ultimate(NamedTuple):
    """The moment that a section bears at most, and its state there.

    `part` is what reaches its ultimate strain: "concrete" or "tendon".
    """

    moment: float
    neutral_axis: float
    top_strain: float
    tendon_stress: tuple[float, ...]
    bar_stress: tuple[float, ...]
    part: str


def transformed(specimen: Specimen) -> SectionProperties:
    """Return the properties of concrete and bonded steel together, in terms of concrete."""
    modulus = specimen.concrete.modulus
    layers = _bonded(specimen)
    return _with(specimen, [((s.modulus / modulus - 1) * s.area, s.depth) for s in layers])


def _bonded(specimen: Specimen) -> list[Tendon | Bar]:
    return [*(t for t in specimen.tendons if t.bond != UNBONDED), *specimen.bars]


def _with(specimen: Specimen, extra: list[tuple[float, float]]) -> SectionProperties:
    """Return the properties of the concrete and further areas at their depths."""
    plain = gross(specimen.section)
    area = plain.area + sum(a for a, _ in extra)
    centroid = (plain.area * plain.centroid + sum(a * y for a, y in extra)) / area
    inertia = plain.inertia + plain.area * (plain.centroid - centroid) ** 2
    inertia += sum(a * (y - centroid) ** 2 for a, y in extra)
    return SectionProperties(area, centroid, inertia)


def prestress(specimen: Specimen) -> tuple[float, ...]:
    """Return the stress of each tendon [Pa] to count with in the elastic uncracked section.

    Of a bonded tendon where the concrete beside it has no strain, of an unbonded one under no
    moment; whichever of the two the specimen file gives.
    """
    modulus = specimen.concrete.modulus
    told = [(t.stress_at == "no moment", t) for t in specimen.tendons]
    # A tendon whose stress under no moment is known is a force, and a hole where it is bonded.
    extra = [((b.modulus / modulus - 1) * b.area, b.depth) for b in specimen.bars]
    for known, t in told:
        stiff = 0.0 if known else t.modulus / modulus
        extra.append(((stiff - (t.bond != UNBONDED)) * t.area, t.depth))
    whole = _with(specimen, extra)
    force = sum(t.area * t.stress for t in specimen.tendons)
    bending = sum(t.area * t.stress * (t.depth - whole.centroid) for t in specimen.tendons)
    found = []
    for known, t in told:
        beside = force / whole.area + bending * (t.depth - whole.centroid) / whole.inertia
        change = t.modulus / modulus * beside
        if known and t.bond != UNBONDED:
            found.append(t.stress + change)
        elif not known and t.bond == UNBONDED:
            found.append(t.stress - change)
        else:
            found.append(t.stress)
    return tuple(found)


def decompression_moment(specimen: Specimen) -> float:
    """Return the moment [N m] under which the bottom fibre has no stress: sum of P (e + S_b/A)."""
    return _decompression(specimen, transformed(specimen), prestress(specimen))


def cracking_moment(specimen: Specimen) -> float:
    """Return the moment [N m] under which the bottom fibre reaches the tensile strength."""
    modulus = transformed(specimen).bottom_modulus(specimen.section.height)
    return decompression_moment(specimen) + specimen.concrete.tensile_strength * modulus


def gross_decompression_moment(specimen: Specimen) -> float:
    """Return the decompression moment [N m] of the concrete alone under the stresses as given."""
    given = tuple(t.stress for t in specimen.tendons)
    return _decompression(specimen, gross(specimen.section), given)


def gross_cracking_moment(specimen: Specimen) -> float:
    """Return the cracking moment [N m] of the concrete alone under the stresses as given."""
    modulus = gross(specimen.section).bottom_modulus(specimen.section.height)
    return gross_decompression_moment(specimen) + specimen.concrete.tensile_strength * modulus


def _decompression(
    specimen: Specimen, whole: SectionProperties, stresses: tuple[float, ...]
) -> float:
    core = whole.bottom_modulus(specimen.section.height) / whole.area
    layers = zip(specimen.tendons, stresses, strict=True)
    return sum(t.area * stress * (t.depth - whole.centroid + core) for t, stress in layers)


def uncracked_state(specimen: Specimen, moment: float) -> State:
    """Return the linear elastic state under a moment [N m], concrete in tension included."""
    whole, stresses = transformed(specimen), prestress(specimen)
    layers = list(zip(specimen.tendons, stresses, strict=True))
    force = sum(t.area * s for t, s in layers)
    bending = moment - sum(t.area * s * (t.depth - whole.centroid) for t, s in layers)
    modulus = specimen.concrete.modulus
    curvature = bending / (modulus * whole.inertia)
    strains = Strains(force / whole.area / modulus + curvature * whole.centroid, curvature)
    return _elastic_state(specimen, moment, strains, stresses)


def cracked_state(specimen: Specimen, moment: float) -> State:
    """Return the linear elastic state under a moment [N m], no tension in the concrete.

    nan where nothing balances.
    """
    stresses = prestress(specimen)
    found = balanced(_elastic_makeup(specimen, stresses), moment, _forces(specimen, stresses))
    return _elastic_state(specimen, moment, found, stresses)


def _forces(specimen: Specimen, stresses: tuple[float, ...]) -> Held:
    """Return the stresses of unbonded tendons, which stay what they are."""
    layers = zip(specimen.tendons, stresses, strict=True)
    return [s if t.bond == UNBONDED else None for t, s in layers]


def _elastic_makeup(specimen: Specimen, stresses: tuple[float, ...]) -> Makeup:
    concrete, modulus = specimen.concrete, specimen.concrete.modulus
    steel = [
        Layer(t.area, t.depth, t.modulus, _LINEAR, s / t.modulus)
        for t, s in zip(specimen.tendons, stresses, strict=True)
    ]
    steel += [Layer(b.area, b.depth, b.modulus, _LINEAR, 0.0) for b in specimen.bars]
    # Where concrete is compressed, it is missing where steel is.
    holes = [Layer(-s.area, s.depth, modulus, _HOLE, 0.0) for s in _bonded(specimen)]
    law = (Stretch(0.0, math.inf, 0.0, concrete.modulus),)
    section = specimen.section
    return Makeup(section.height, pieces(section), law, (*steel, *holes), math.inf)


def _elastic_state(
    specimen: Specimen, moment: float, strains: Strains, stresses: tuple[float, ...]
) -> State:
    modulus, height = specimen.concrete.modulus, specimen.section.height
    tendons = tuple(
        s if t.bond == UNBONDED else s - t.modulus * float(strains.at(t.depth))
        for t, s in zip(specimen.tendons, stresses, strict=True)
    )
    return _state(
        moment,
        strains,
        modulus * float(strains.top),
        modulus * float(strains.at(height)),
        tendons,
        tuple(-b.modulus * float(strains.at(b.depth)) for b in specimen.bars),
    )


def _state(
    moment: float,
    strains: Strains,
    concrete_top: float,
    concrete_bottom: float,
    tendons: tuple[float, ...],
    bars: tuple[float, ...],
) -> State:
    top, curvature = float(strains.top), float(strains.curvature)
    axis = top / curvature if curvature else math.inf
    return State(moment, top, curvature, concrete_top, concrete_bottom, axis, tendons, bars)


def state_at(specimen: Specimen, moment: float, held: Held = None) -> State:
    """Return the state under a moment [N m] by the nonlinear laws, no tension in the concrete.

    `held` as in `equilibrium.solve`; without it every tendon counts as bonded. nan where nothing
    balances.
    """
    return _nonlinear_state(specimen, solve(specimen, moment, held), moment, held)


def _nonlinear_state(specimen: Specimen, strains: Strains, moment: float, held: Held) -> State:
    concrete = specimen.concrete
    tendons, bars = _stresses(specimen, makeup(specimen), strains, held)
    top, bottom = strains.top, strains.at(specimen.section.height)
    return _state(
        moment,
        strains,
        float(concrete_stress(concrete, top)),
        float(concrete_stress(concrete, bottom)),
        tendons,
        bars,
    )


def _stresses(
    specimen: Specimen, made: Makeup, strains: Strains, held: Held
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Return the stresses of tendons and of bars."""
    found = []
    for i, layer in enumerate(made.layers):
        given = held[i] if held and i < len(held) else None
        strain = layer.prestrain - strains.at(layer.depth)
        stress = steel_stress(layer.law, layer.modulus, strain) if given is None else given
        found.append(float(stress))
    count = len(specimen.tendons)
    return tuple(found[:count]), tuple(found[count:])


def moment_curvature(specimen: Specimen, points: int = 60) -> tuple[State, ...]:
    """Return states from no moment to the ultimate one, denser where the section opens.

    The last is the ultimate state: with the rectangular block, which holds there alone, it may
    bear a little less than the one before.
    """
    made, end = makeup(specimen), ultimate(specimen)
    last = Strains(end.top_strain, end.top_strain / end.neutral_axis)
    first = float(balanced(made, 0.0).curvature)
    states = []
    for i in range(points - 1):
        curvature = first + (float(last.curvature) - first) * (i / (points - 1)) ** 2
        strains = _bent(made, curvature)
        moment = float(sums(made, strains.top, curvature).moment)
        states.append(_nonlinear_state(specimen, strains, moment, None))
    return (*states, _nonlinear_state(specimen, last, end.moment, None))


def _bent(made: Makeup, curvature: float) -> Strains:
    """Return the strains with a curvature at which no axial force is left."""
    return Strains(_root(lambda top: float(sums(made, top, curvature).force), -0.1, 0.1), curvature)


def ultimate(specimen: Specimen, held: Held = None) -> Ultimate:
    """Return what a section bears with concrete or a tendon at its ultimate strain.

    `held` as in `equilibrium.solve`. nan where the prestress is more than the concrete bears. With
    a table whose stress falls before the ultimate strain, more may be borne before it: the largest
    moment of `moment_curvature`.
    """
    made = makeup(specimen)
    if specimen.concrete.law == "rectangular block":
        made = replace(made, law=block_stretches(specimen.concrete))
    crushing, height = made.crushing, made.height

    def left(curvature: float) -> float:
        return float(sums(made, crushing, curvature, held).force)

    curvature = _root(left, crushing / (1e-6 * height), 0.0)
    strains, part = Strains(crushing, curvature), "concrete"
    service = makeup(specimen)
    for _ in made.layers:
        broken = _most_strained(made, strains, held)
        if broken is None:
            break
        # Concrete that is not at its ultimate has the law of service, whatever its block is. Where
        # that bears less than the block, both end together.
        before = _at_rupture(service, broken, held)
        if math.isnan(float(before.top)):
            break
        made, strains, part = service, before, "tendon"
    tendons, bars = _stresses(specimen, made, strains, held)
    moment = float(sums(made, strains.top, strains.curvature, held).moment)
    return Ultimate(
        moment,
        float(strains.top) / float(strains.curvature) if strains.curvature else math.inf,
        float(strains.top),
        tendons,
        bars,
        part,
    )


def _most_strained(made: Makeup, strains: Strains, held: Held) -> Layer | None:
    """Return the bonded tendon that has passed its ultimate strain by most, if any.

    It need not be the first to break: where it breaks, one of more prestress may be over still.
    """
    over = []
    for i, layer in enumerate(made.layers):
        strain = layer.prestrain - float(strains.at(layer.depth))
        bonded = not (held and i < len(held) and held[i] is not None)
        if bonded and strain > layer.rupture * (1 + _ROUNDING):
            over.append((strain / layer.rupture, i, layer))
    return max(over)[2] if over else None


def _at_rupture(made: Makeup, broken: Layer, held: Held) -> Strains:
    """Return the strains at which a tendon breaks and no axial force is left."""
    beside = broken.prestrain - broken.rupture

    def at(top: float) -> Strains:
        return Strains(top, (top - beside) / broken.depth)

    def left(top: float) -> float:
        return float(sums(made, top, at(top).curvature, held).force)

    return at(_root(left, beside, made.crushing))


def _root(rising: Callable[[float], float], low: float, high: float) -> float:
    """Return where a function that rises from `low` to `high` is zero; nan if it is not there.

    The regula falsi in the Illinois form: a bracket that a secant shrinks from both sides.
    """
    below, above = rising(low), rising(high)
    if not below <= 0 <= above:
        return math.nan
    side = 0
    for _ in range(200):
        x = high if above == below else (low * above - high * below) / (above - below)
        if not min(low, high) < x < max(low, high):
            x = (low + high) / 2
        value = rising(x)
        if value == 0 or abs(high - low) <= 1e-15 * max(abs(low), abs(high)):
            return x
        if value > 0:
            high, above, below = x, value, below / 2 if side > 0 else below
            side = 1
        else:
            low, below, above = x, value, above / 2 if side < 0 else above
            side = -1
    return x

"""Concrete between cracks: whole, elastic, plane, under a moment and the pull of its tendons.

It goes on from the state at decompression, at which a crack in the bottom opens, with the
stiffness that its law has at no stress. Strains here are positive in tension, as a tendon sees
them. `pull` is by how much the stress [Pa] of each loose tendon has changed since decompression,
of shape (elements, loose tendons); a tendon is loose that has no bond, or loses it at a crack.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from rig.mechanics.along import under
from rig.mechanics.equilibrium import Layer, makeup
from rig.mechanics.laws import concrete_stress
from rig.mechanics.section import UNBONDED, decompression_moment
from rig.mechanics.shapes import gross, load_at
from rig.mechanics.stations import beam

if TYPE_CHECKING:
    from rig.mechanics.specimen import Specimen
    from rig.samples import FloatArray

_NONE = 1e-7  # strain at which a law still has the stiffness of no strain


@dataclass(frozen=True, slots=True)
class Whole:
    """Uncracked concrete together with the steel that keeps its bond; the loose `tendons`.

    Those that are `anchored` have no bond at all. `moment` [N m], `top` [1], `curvature` [1/m],
    and `strain` and `stress` [Pa] of the loose tendons are those of decompression; `modulus`
    [Pa], `area` [m2], `centroid` [m], `inertia` [m4] count in terms of concrete.
    """

    tendons: tuple[Layer, ...]
    anchored: tuple[bool, ...]
    moment: float
    top: float
    curvature: float
    strain: FloatArray
    stress: FloatArray
    modulus: float
    area: float
    centroid: float
    inertia: float

    def at(self, depth: float, moment: FloatArray, pull: FloatArray) -> FloatArray:
        """Return the strain [1] at a depth [m] under moments [N m] of shape (elements,)."""
        bending = (moment - self.moment) * self.bends(depth)
        answer = np.array([self.gives(depth, j) for j in range(len(self.tendons))])
        return np.asarray(self.curvature * depth - self.top + bending - pull @ answer)

    def bends(self, depth: float) -> float:
        """Return the strain at a depth by one newton metre [1/(N m)]."""
        return (depth - self.centroid) / (self.modulus * self.inertia)

    def gives(self, depth: float, tendon: int) -> float:
        """Return by how much one pascal of a loose tendon shortens a depth [1/Pa]."""
        layer = self.tendons[tendon]
        levers = (depth - self.centroid) * (layer.depth - self.centroid)
        return layer.area * (1 / self.area + levers / self.inertia) / self.modulus

    def beside(self, moment: FloatArray, pull: FloatArray) -> FloatArray:
        """Return the strain beside each tendon; `moment` [N m] broadcasts to those of `pull`."""
        moments = np.broadcast_to(moment, pull.shape)
        tendons = enumerate(self.tendons)
        return np.stack([self.at(t.depth, moments[:, i], pull) for i, t in tendons], axis=1)

    def far(self, moment: FloatArray, pull: FloatArray) -> FloatArray:
        """Return the pull [Pa] of each tendon with bond where it does not slip; 0 of the others.

        Both are elastic there, under a `moment` [N m]; anchored tendons pull as in `pull`.
        """
        far, held = np.zeros_like(pull), [i for i, free in enumerate(self.anchored) if not free]
        if held:
            layers = [self.tendons[i] for i in held]
            matrix = np.array([[self.gives(t.depth, j) for j in held] for t in layers])
            matrix += np.diag([1 / t.modulus for t in layers])
            alone = self.beside(moment, np.where(self.anchored, pull, 0.0))[:, held]
            closed = np.array([self.curvature * t.depth - self.top for t in layers])
            far[:, held] = np.linalg.solve(matrix, (alone - closed).T).T
        return far

    def answer(self, tendon: int) -> float:
        """Return by how much one pascal of all tendons with bond shortens it beside one [1/Pa].

        Near a crack they give way together.
        """
        held = (j for j, free in enumerate(self.anchored) if not free)
        return sum(self.gives(self.tendons[tendon].depth, j) for j in held)

    def give(self, tendon: int) -> float:
        """Return the strain of an elastic tendon, and of the concrete, by one pascal [1/Pa]."""
        return 1 / self.tendons[tendon].modulus + self.answer(tendon)

    def prestress(self, tendon: int) -> float:
        """Return the stress [Pa] of a tendon with bond under no moment at all."""
        none = np.zeros((1, len(self.tendons)))
        return float(self.stress[tendon] + self.far(np.zeros(1), none)[0, tendon])


def whole_concrete(specimen: Specimen, loose: Sequence[int]) -> Whole:
    """Return the concrete between the cracks of a specimen some of whose tendons are loose."""
    made = makeup(specimen)
    modulus = float(concrete_stress(specimen.concrete, _NONE)) / _NONE
    plain = gross(specimen.section)
    kept = [layer for i, layer in enumerate(made.layers) if i not in loose]
    extra = [((layer.modulus / modulus - 1) * layer.area, layer.depth) for layer in kept]
    area = plain.area + sum(a for a, _ in extra)
    centroid = (plain.area * plain.centroid + sum(a * y for a, y in extra)) / area
    inertia = plain.inertia + plain.area * (plain.centroid - centroid) ** 2
    inertia += sum(a * (y - centroid) ** 2 for a, y in extra)
    moment = max(decompression_moment(specimen), 0.0)
    state = under(beam(specimen, np.zeros(1)), np.full(1, load_at(specimen, moment)))
    return Whole(
        tendons=tuple(made.layers[i] for i in loose),
        anchored=tuple(specimen.tendons[i].bond == UNBONDED for i in loose),
        moment=moment,
        top=float(state.top[0, -1]),
        curvature=float(state.curvature[0, -1]),
        strain=state.strain[0, list(loose)],
        stress=state.stress[0, list(loose)],
        modulus=modulus,
        area=area,
        centroid=centroid,
        inertia=inertia,
    )

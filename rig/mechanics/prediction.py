"""What mechanics lets one expect of a specimen: loads, stresses at them, lives. No promise.

Section moments [N m] are sagging positive and include self weight; actuator loads [N] are what
the actuator adds, the total of both load points. Concrete stress is positive in compression,
tendon stress in tension [Pa]. Nothing here needs numpy for a specimen whose tendons are bonded:
`check` asks as well, and would wait longer for dataclasses than for named tuples.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Final, NamedTuple

from rig.mechanics.code_stress import held_by_code, ultimate_by_code
from rig.mechanics.concrete_life import (
    GRADIENT_DEPTH,
    concrete_lives,
    gradient_factor,
)
from rig.mechanics.laws import concrete_stress, strength
from rig.mechanics.life import SURROUNDINGS
from rig.mechanics.section import (
    UNBONDED,
    Ultimate,
    cracking_moment,
    decompression_moment,
    gross_cracking_moment,
    gross_decompression_moment,
    prestress,
    state_at,
    transformed,
    ultimate,
)
from rig.mechanics.shapes import SectionProperties, gross, load_at, moment_under, self_moment
from rig.mechanics.steel_life import OF_BOND, steel_lives

if TYPE_CHECKING:
    from rig.mechanics.life import Life, StressLimit
    from rig.mechanics.section import State
    from rig.mechanics.specimen import Specimen

YIELDING: Final = 0.9
"""0.1 % proof stress of a tendon over its strength (EN 1992-1-1, 3.3.6(7); from memory)."""


class AtLoad(NamedTuple):
    """Mid-span at one actuator load [N]: stresses [Pa], a value a layer of tendon and bar.

    `inner` is the concrete stress at `GRADIENT_DEPTH` below the top, or at the bottom where that
    is nearer; 0 where it is not compressed. NaN where the specimen cannot carry the load.
    """

    load: float
    moment: float
    concrete_top: float
    inner: float
    tendon_stress: tuple[float, ...]
    bar_stress: tuple[float, ...]

    @property
    def carried(self) -> bool:
        """Tell whether the specimen can carry the load."""
        return not math.isnan(self.concrete_top)


class Levels(NamedTuple):
    """The three measures of how hard a specimen is tested.

    Upper load over capacity; largest and smallest top stress of a cycle over the strength; stress
    range [Pa] of the tendon layer with the largest one, 0 without tendons.
    """

    load: float
    concrete_max: float
    concrete_min: float
    tendon_range: float


class Prediction(NamedTuple):
    """What is expected of a specimen, and of its cycles where there are any.

    `ultimate` is that of the specimen as it is built, `capacity` [N] what the levels refer to.
    `lower`, `upper`, `levels` are None and `lives` empty without loads.
    """

    specimen: Specimen
    exposure: str
    gross: SectionProperties
    section: SectionProperties
    own_moment: float
    decompression: float
    cracking: float
    gross_decompression: float
    gross_cracking: float
    ultimate: Ultimate
    capacity: float
    lower: AtLoad | None = None
    upper: AtLoad | None = None
    levels: Levels | None = None
    lives: tuple[Life, ...] = ()

    def load_of(self, moment: float) -> float:
        """Return the actuator load [N] that with self weight makes a moment [N m] at mid-span."""
        return float(load_at(self.specimen, moment))


def is_unbonded(specimen: Specimen) -> bool:
    """Tell whether any tendon is built without bond."""
    return any(tendon.bond == UNBONDED for tendon in specimen.tendons)


def predict(
    specimen: Specimen,
    lower: float | None = None,
    upper: float | None = None,
    exposure: str = "dry",
    capacity: float | None = None,
    frequency: float | None = None,
    *,
    by_code: bool = False,
) -> Prediction:
    """Return what is expected of a specimen under cycles between two actuator loads [N].

    Without `upper` only what needs no loads; `lower` is 0 where only `upper` is given. `capacity`
    [N] is that of companions, else the expected ultimate load; `frequency` [Hz] is 1 where none
    is known. A load that the specimen cannot carry has stresses of NaN, and no lives. With
    `by_code` a tendon without bond is not followed along the beam: its stress rises evenly to what
    a code gives it at the ultimate moment, which needs no numpy.
    """
    whole = transformed(specimen)
    most = ultimate_by_code(specimen) if by_code else ultimate_as_built(specimen)
    if capacity is None:
        capacity = float(load_at(specimen, most.moment))
    low = high = levels = None
    lives: tuple[Life, ...] = ()
    if upper is not None:
        loads = (lower or 0.0, upper)
        low, high = (under_load(specimen, load, by_code=by_code) for load in loads)
        levels = _levels(specimen, low, high, upper / capacity)
        if high.carried and low.carried:
            lives = lives_of(specimen, low, high, exposure, frequency or 1.0)
    return Prediction(
        specimen=specimen,
        exposure=exposure,
        gross=gross(specimen.section),
        section=whole,
        own_moment=self_moment(specimen),
        decompression=decompression_moment(specimen),
        cracking=cracking_moment(specimen),
        gross_decompression=gross_decompression_moment(specimen),
        gross_cracking=gross_cracking_moment(specimen),
        ultimate=most,
        capacity=capacity,
        lower=low,
        upper=high,
        levels=levels,
        lives=lives,
    )


def ultimate_as_built(specimen: Specimen) -> Ultimate:
    """Return the ultimate state, tendons without bond over their whole span where so built."""
    if not is_unbonded(specimen):
        return ultimate(specimen)
    # Imported late: what follows a tendon along the beam needs numpy.
    from rig.mechanics.smeared import unbonded_ultimate

    return unbonded_ultimate(specimen)


def under_load(specimen: Specimen, load: float, *, by_code: bool = False) -> AtLoad:
    """Return stresses at mid-span under an actuator load [N], of the specimen as it is built.

    `by_code` as in `predict`.
    """
    moment = float(moment_under(specimen, load))
    held = None
    if is_unbonded(specimen):
        held = _risen(specimen, moment) if by_code else _followed(specimen, load)
    return _of_state(specimen, load, state_at(specimen, moment, held))


def with_bond(specimen: Specimen, load: float) -> AtLoad:
    """Return stresses at mid-span under an actuator load [N] as if every tendon had bond."""
    return _of_state(specimen, load, state_at(specimen, float(moment_under(specimen, load))))


def first_frequencies(specimen: Specimen) -> tuple[float, float]:
    """Return the first natural frequency [Hz] of a specimen alone, whole and cracked all along."""
    # Imported late: `check` tells it with what moves on the specimen.
    from rig.mechanics.frequency import first_frequency

    return first_frequency(specimen, 0.0, cracked=False), first_frequency(specimen, 0.0)


def lowest(specimen: Specimen, stresses: Sequence[float]) -> float | None:
    """Return the stress [Pa] of the lowest tendon layer, None without tendons."""
    depths = [tendon.depth for tendon in specimen.tendons]
    return stresses[depths.index(max(depths))] if depths else None


def _followed(specimen: Specimen, load: float) -> tuple[float | None, ...]:
    """Return the stress [Pa] of each tendon without bond, None for one with bond."""
    from rig.mechanics.smeared import debonded

    along = debonded(specimen, load, 0.0)
    return tuple(
        float(stress) if tendon.bond == UNBONDED else None
        for tendon, stress in zip(specimen.tendons, along.tendon_stress, strict=True)
    )


def _risen(specimen: Specimen, moment: float) -> tuple[float | None, ...]:
    """Return the same without following any: evenly from decompression to the ultimate moment."""
    end = held_by_code(specimen)
    least, most = decompression_moment(specimen), ultimate(specimen, end).moment
    share = min(max((moment - least) / (most - least), 0.0), 1.0) if most > least else 1.0
    return tuple(
        None if last is None else first + share * (float(last) - first)
        for first, last in zip(prestress(specimen), end, strict=True)
    )


def _of_state(specimen: Specimen, load: float, state: State) -> AtLoad:
    depth = min(GRADIENT_DEPTH, specimen.section.height)
    inner = state.top_strain - state.curvature * depth
    return AtLoad(
        load=load,
        moment=state.moment,
        concrete_top=state.concrete_top,
        inner=float(concrete_stress(specimen.concrete, inner)),
        tendon_stress=state.tendon_stress,
        bar_stress=state.bar_stress,
    )


class Hardest(NamedTuple):
    """The layer whose stress [Pa] changes most: its number, and its stresses at both loads."""

    layer: int
    lower: float
    upper: float

    @property
    def range(self) -> float:
        """Stress range [Pa]."""
        return self.upper - self.lower


def hardest_tendon(low: AtLoad, high: AtLoad) -> Hardest | None:
    """Return the tendon layer with the largest stress range, None without tendons."""
    return _hardest(low.tendon_stress, high.tendon_stress)


def hardest_bar(low: AtLoad, high: AtLoad) -> Hardest | None:
    """Return the layer of tensioned bars with the largest stress range, None without one."""
    return _hardest(low.bar_stress, high.bar_stress)


def _hardest(low: Iterable[float], high: Iterable[float]) -> Hardest | None:
    layers = [Hardest(i, a, b) for i, (a, b) in enumerate(zip(low, high, strict=True))]
    return max(layers, key=lambda layer: layer.range, default=None)


def _levels(specimen: Specimen, low: AtLoad, high: AtLoad, load: float) -> Levels:
    carries = specimen.concrete.strength
    tendon = hardest_tendon(low, high)
    return Levels(
        load=load,
        concrete_max=high.concrete_top / carries,
        concrete_min=low.concrete_top / carries,
        tendon_range=tendon.range if tendon else 0.0,
    )


def lives_of(
    specimen: Specimen, low: AtLoad, high: AtLoad, exposure: str, frequency: float = 1.0
) -> tuple[Life, ...]:
    """Return the lives of concrete, tendons and bars between two loads by all models.

    `exposure` is "dry", "spray" or "submerged", `frequency` [Hz]. Layers of steel are told by the
    one with the largest range; bars that are never pulled are not told.
    """
    wet = SURROUNDINGS[exposure]
    lives = concrete_lives(
        specimen.concrete.strength,
        high.concrete_top,
        low.concrete_top,
        wet,
        gradient_factor(high.concrete_top, high.inner),
        frequency,
    )
    tendon, bar = hardest_tendon(low, high), hardest_bar(low, high)
    if tendon is not None:
        hard = specimen.tendons[tendon.layer]
        lives += steel_lives(
            tendon.range, OF_BOND[hard.bond], wet, tendon.upper, YIELDING * strength(hard)
        )
    if bar is not None and bar.upper > 0:
        yields = specimen.bars[bar.layer].yield_stress
        lives += steel_lives(bar.range, "bar", wet, bar.upper, yields)
    return lives


def limits_of(specimen: Specimen, low: AtLoad, high: AtLoad) -> tuple[StressLimit, ...]:
    """Return what codes allow between two loads of concrete, and of the hardest layers of steel."""
    # Imported late: `check` does not ask for them.
    from rig.mechanics.concrete_limits import concrete_limits
    from rig.mechanics.steel_life import bar_limit, tendon_limits

    limits = concrete_limits(specimen.concrete.strength, high.concrete_top, low.concrete_top)
    tendon, bar = hardest_tendon(low, high), hardest_bar(low, high)
    if tendon is not None:
        limits += tendon_limits(tendon.range, strength(specimen.tendons[tendon.layer]))
    if bar is not None and bar.upper > 0:
        limits += (bar_limit(bar.range, bar.lower),)
    return limits


class Span(NamedTuple):
    """How far mean models differ on the life of one specimen, which ends with its first part.

    `shortest` is the shortest life of all, `longest` that of the part that goes first even if
    each part lives as long as any model says.
    """

    shortest: Life
    longest: Life


def span_of_lives(lives: Iterable[Life]) -> Span | None:
    """Return how far mean lives differ, None where there is none.

    Lives outside the range of their model count as well: in water a line from tests in air is
    an upper bound, and where steel may last for ever its line is a lower one.
    """
    by_part: dict[str, list[Life]] = {}
    for life in lives:
        if life.kind == "mean":
            by_part.setdefault(life.part, []).append(life)
    if not by_part:
        return None

    def length(life: Life) -> float:
        return float(life.log10_cycles)

    return Span(
        shortest=min((min(found, key=length) for found in by_part.values()), key=length),
        longest=min((max(found, key=length) for found in by_part.values()), key=length),
    )

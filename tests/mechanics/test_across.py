"""What holds of mechanics as a whole: units, scales, order, and one module with another."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from rig.errors import InputError
from rig.mechanics.damage import cycles, miner_sum
from rig.mechanics.equilibrium import prestrains
from rig.mechanics.estimate import static_estimate
from rig.mechanics.prediction import predict
from rig.mechanics.reopening import effective_prestress
from rig.mechanics.section import (
    UNBONDED,
    cracked_state,
    decompression_moment,
    prestress,
    state_at,
    transformed,
    ultimate,
)
from rig.mechanics.shapes import load_at
from rig.mechanics.smeared import debonded, debonded_ultimate
from rig.mechanics.specimen import Specimen, SteelLaw
from rig.protocol.load import load_specimen
from tests.mechanics.drawn_sections import outline_of
from tests.mechanics.sections import R1, STRAND, U1, specimens

SI = {"length": ("m", 1.0), "area": ("m2", 1.0), "stress": ("Pa", 1.0), "density": ("kg/m3", 1.0)}
US = {
    "length": ("in", 0.0254),
    "area": ("in2", 0.0254**2),
    "stress": ("ksi", 6.894757293168361e6),
    "density": ("lb/ft3", 0.45359237 / 0.3048**3),
}
# A shared fraction of what a beam bears, from where it is closed to where it yields.
SHARES = st.floats(0.2, 0.9)


def written(specimen: Specimen, units: dict[str, tuple[str, float]]) -> str:
    """Return a specimen as its file in one system of units."""

    def told(value: float, kind: str) -> str:
        unit, factor = units[kind]
        return f'"{value / factor!r} {unit}"'

    s, c = specimen.section, specimen.concrete
    widths = {"general": (), "rectangle": (s.width,)}.get(s.shape, (s.width, s.width_bottom))
    lines = ['name = "drawn"', "[geometry]", f'shape = "{s.shape}"']
    lines += [
        f"{name} = {told(width, 'length')}"
        for name, width in zip(("width", "width_bottom"), widths, strict=False)
    ]
    for name in ("height", "span", "load_spacing"):
        lines.append(f"{name} = {told(getattr(s, name), 'length')}")
    if s.outline:
        points = (f"[{told(y, 'length')}, {told(b, 'length')}]" for y, b in s.outline)
        lines.append(f"outline = [{', '.join(points)}]")
    lines.append("[concrete]")
    for name in ("strength", "modulus", "tensile_strength"):
        lines.append(f"{name} = {told(getattr(c, name), 'stress')}")
    lines.append(f"density = {told(c.density, 'density')}")
    lines.append(f"peak_strain = {c.peak_strain!r}\nultimate_strain = {c.ultimate_strain!r}")
    points = (f"[{e!r}, {told(p, 'stress')}]" for e, p in c.law_points)
    law = f"{{ points = [{', '.join(points)}] }}" if c.law == "points" else f'"{c.law}"'
    lines.append(f"law = {law}")
    for t in specimen.tendons:
        lines += ["[[tendon]]", f'bond = "{t.bond}"', f'stress_at = "{t.stress_at}"']
        lines += [f"area = {told(t.area, 'area')}", f"depth = {told(t.depth, 'length')}"]
        lines += [f"{n} = {told(getattr(t, n), 'stress')}" for n in ("modulus", "stress")]
        lines.append(f"law = {law_text(t.law, told)}")
    for b in specimen.bars:
        lines += ["[[bar]]", f"area = {told(b.area, 'area')}", f"depth = {told(b.depth, 'length')}"]
        lines.append(f"modulus = {told(b.modulus, 'stress')}")
        lines.append(f"yield = {told(b.yield_stress, 'stress')}")
    return "\n".join(lines) + "\n"


def law_text(law: SteelLaw, told: Callable[[float, str], str]) -> str:
    """Return a law of steel as the file has it."""
    if law.preset:
        return f'{{ kind = "power", preset = "{law.preset}" }}'
    ultimate_stress = f"ultimate = {told(law.ultimate, 'stress')}"
    if law.kind == "power":
        a, b, c, d = law.constants
        numbers = f"[{told(a, 'stress')}, {told(b, 'stress')}, {c!r}, {d!r}]"
        return f'{{ kind = "power", {ultimate_stress}, constants = {numbers} }}'
    yields = f"yield = {told(law.yield_stress, 'stress')}"
    strain = f"ultimate_strain = {law.ultimate_strain!r}"
    return f'{{ kind = "bilinear", {yields}, {ultimate_stress}, {strain} }}'


def read_again(specimen: Specimen, units: dict[str, tuple[str, float]]) -> Specimen | None:
    """Return what the reader makes of the file of a specimen; None where it refuses it."""
    try:
        return load_specimen("drawn.toml", lambda _: written(specimen, units))
    except InputError:  # written well, but what it says may be no beam
        return None


def numbers(told: Any) -> list[float]:
    """Return all numbers of a prediction, of whatever it holds."""
    if isinstance(told, bool | str | Specimen | None):
        return []
    if isinstance(told, int | float):
        return [float(told)]
    if isinstance(told, tuple):
        return [x for part in told for x in numbers(part)]
    return [x for name in type(told).__dataclass_fields__ for x in numbers(getattr(told, name))]


@given(specimens(), SHARES)
def test_a_file_in_us_units_predicts_what_the_file_in_si_does(specimen, share):
    one, other = read_again(specimen, SI), read_again(specimen, US)
    assert (one is None) == (other is None)
    assume(one is not None)
    capacity = predict(one).capacity
    told, again = (predict(s, 0.1 * capacity, share * capacity, "spray") for s in (one, other))
    assert len(numbers(told)) > 30
    scale = np.array(numbers(told))
    assert numbers(again) == pytest.approx(scale, rel=1e-6, abs=1e-6 * np.median(abs(scale)))


def sized(specimen: Specimen, k: float) -> Specimen:
    """Return a specimen `k` times as large in every direction, stressed alike by its weight."""
    s = specimen.section
    return replace(
        specimen,
        section=replace(
            s,
            height=k * s.height,
            width=k * s.width,
            width_bottom=k * s.width_bottom,
            span=k * s.span,
            load_spacing=k * s.load_spacing,
            outline=tuple((k * y, k * b) for y, b in s.outline),
        ),
        concrete=replace(specimen.concrete, density=specimen.concrete.density / k),
        tendons=tuple(replace(t, area=k**2 * t.area, depth=k * t.depth) for t in specimen.tendons),
        bars=tuple(replace(b, area=k**2 * b.area, depth=k * b.depth) for b in specimen.bars),
    )


@pytest.mark.nights
@given(specimens(), st.floats(0.2, 5.0), SHARES, st.floats(0.0, 1.0))
def test_a_beam_of_twice_the_size_has_the_same_stresses_under_four_times_the_load(
    specimen, k, share, lost
):
    big, span = sized(specimen, k), specimen.section.span
    load = share * load_at(specimen, ultimate(specimen).moment)
    assert load_at(big, ultimate(big).moment) == pytest.approx(k**2 * load / share, rel=1e-6)
    one, other = debonded(specimen, load, lost * span), debonded(big, k**2 * load, lost * k * span)
    like = {"rel": 1e-5, "nan_ok": True}
    assert other.tendon_stress == pytest.approx(one.tendon_stress, **like)
    assert other.concrete_top == pytest.approx(one.concrete_top, abs=100.0, **like)
    assert other.deflection == pytest.approx(k * one.deflection, abs=1e-9 * k * span, **like)
    stretch = [k * e for e in one.elongation]
    assert other.elongation == pytest.approx(stretch, abs=1e-9 * k * span, **like)


@given(specimens(), st.floats(0.5, 2.0), SHARES)
def test_stronger_and_stiffer_by_one_factor_is_stronger_by_that_factor(specimen, q, share):
    assume(specimen.concrete.law != "rectangular block")  # whose depth depends on the strength
    c = specimen.concrete
    strong = replace(
        specimen,
        concrete=replace(
            c,
            strength=q * c.strength,
            modulus=q * c.modulus,
            tensile_strength=q * c.tensile_strength,
            density=q * c.density,
            law_points=tuple((e, q * s) for e, s in c.law_points),
        ),
        tendons=tuple(
            replace(
                t,
                modulus=q * t.modulus,
                stress=q * t.stress,
                law=replace(STRAND, yield_stress=q * 1640e6, ultimate=q * 1860e6),
            )
            for t in specimen.tendons
        ),
        bars=tuple(
            replace(b, modulus=q * b.modulus, yield_stress=q * b.yield_stress)
            for b in specimen.bars
        ),
    )
    plain = replace(specimen, tendons=tuple(replace(t, law=STRAND) for t in specimen.tendons))
    one, other = predict(plain), predict(strong)
    for name in ("decompression", "cracking", "capacity", "own_moment"):
        assert getattr(other, name) == pytest.approx(q * getattr(one, name), rel=1e-6)
    assert other.section == pytest.approx(one.section, rel=1e-12)
    moment = share * one.ultimate.moment
    for state in (state_at, cracked_state):
        here, there = state(plain, moment), state(strong, q * moment)
        assert there.curvature == pytest.approx(here.curvature, rel=1e-5, abs=1e-9)
        assert there.tendon_stress == pytest.approx([q * s for s in here.tendon_stress], rel=1e-6)


@pytest.mark.nights
@given(specimens(), SHARES)
def test_losing_bond_never_strengthens(specimen, share):
    """Tendon stress falls, deflection rises, a beam that crushes does so under less.

    The concrete of a beam that is open bears more: less tendon force wants a longer lever arm.
    (A tendon that would break first breaks later: what strains it is spread.)
    """
    light = replace(specimen.concrete, density=0.0)  # a curved moment makes a small difference
    one_layer = replace(specimen, concrete=light, tendons=specimen.tendons[:1])
    lengths = np.linspace(0.0, 1.0, 9) * one_layer.section.span
    end = debonded_ultimate(one_layer, lengths)
    moment = share * np.nanmin(end.moment)
    found = debonded(one_layer, float(load_at(one_layer, moment)), lengths)
    # Where a law has kinks, sums over stations are good to some ten-thousandths.
    falling = [(found.tendon_stress[0], 1e-5), (-np.asarray(found.deflection), 5e-4)]
    if ultimate(one_layer).part == "concrete":
        falling.append((end.moment, 1e-4))
    if moment > 1.3 * decompression_moment(one_layer):
        falling.append((-np.asarray(found.concrete_top), 1e-4))
    for falls, tolerance in falling:
        known = falls[~np.isnan(falls)]
        assert len(known) >= 7
        assert np.all(np.diff(known) <= tolerance * np.abs(known).max())


@pytest.mark.nights
@given(specimens(), SHARES)
def test_a_pre_tensioned_beam_that_has_lost_all_bond_is_one_built_without(specimen, share):
    """Without self weight, and where the file tells of both the strain they begin with."""
    light = replace(specimen, concrete=replace(specimen.concrete, density=0.0))
    lost, load = light.section.span, share * float(load_at(light, ultimate(light).moment))
    built = replace(light, tendons=tuple(replace(t, bond=UNBONDED) for t in light.tendons))
    assert prestrains(built) == prestrains(light)
    one, other = debonded(light, load, lost), debonded(built, load, 0.0)
    assert other.tendon_stress == pytest.approx(one.tendon_stress, rel=1e-8, nan_ok=True)
    assert other.concrete_top == pytest.approx(one.concrete_top, rel=1e-6, abs=10, nan_ok=True)


@given(specimens(), SHARES, st.floats(0.01, 0.1))
def test_a_higher_lower_load_never_shortens_a_life(specimen, share, more):
    """Smaller ranges of steel, higher R of concrete: all lines agree on that.

    Above the centroid a load takes stress off a tendon until the section opens: there a higher
    lower load is no smaller range.
    """
    capacity = predict(specimen).capacity
    assume(capacity > 0)
    assume(all(t.depth > transformed(specimen).centroid for t in specimen.tendons))
    upper = share * capacity
    one = predict(specimen, 0.05 * upper, upper)
    other = predict(specimen, (0.05 + more) * upper, upper)
    assert one.lives
    for less, longer in zip(one.lives, other.lives, strict=True):
        assert longer.model == less.model
        assert longer.log10_cycles >= less.log10_cycles - 1e-9


@given(specimens(), SHARES)
def test_nothing_lasts_longer_in_water_than_in_air(specimen, share):
    capacity = predict(specimen).capacity
    assume(capacity > 0)
    dry, wet = (
        predict(specimen, 0.1 * share * capacity, share * capacity, exposure)
        for exposure in ("dry", "spray")
    )
    assert {life.exposure for life in wet.lives} == {"water"}
    for one, other in zip(dry.lives, wet.lives, strict=True):
        assert other.log10_cycles <= one.log10_cycles


@pytest.mark.parametrize("specimen", [R1, U1])
def test_damage_of_a_life_is_one_however_it_is_cut_up(specimen):
    """Palmgren and Miner; every life that is predicted goes through the logarithm and back."""
    capacity = predict(specimen).capacity
    lives = [
        cycles(life.log10_cycles)
        for upper in (0.7, 0.8)
        for life in predict(specimen, 0.1 * capacity, upper * capacity).lives
        if 0 < life.log10_cycles < 300
    ]
    assert len(lives) > 10
    for life in lives:
        assert miner_sum([0.25 * life, 0.5 * life, 0.25 * life], [life] * 3) == pytest.approx(1.0)
    shares = [1 / len(lives)] * len(lives)
    counts = [share * life for share, life in zip(shares, lives, strict=True)]
    assert miner_sum(counts, lives) == pytest.approx(1.0)


@given(specimens())
def test_a_crack_that_re_opens_at_decompression_tells_of_the_whole_prestress(specimen):
    found = effective_prestress(
        specimen, predict(specimen).load_of(predict(specimen).decompression)
    )
    stresses = prestress(specimen)
    force = sum(t.area * s for t, s in zip(specimen.tendons, stresses, strict=True))
    assert found.force == pytest.approx(force, rel=1e-9)
    assert min(stresses) <= found.stress * (1 + 1e-9)
    assert found.stress <= max(stresses) * (1 + 1e-9)


@given(specimens())
def test_check_and_predict_expect_the_same_loads(specimen):
    """All tendons with bond: `check` has no other way to the ultimate load then."""
    told, estimate = predict(specimen), static_estimate(specimen)
    assume(told.cracking < 0.95 * told.ultimate.moment)
    assume(told.load_of(told.decompression) > 0)
    assert estimate.ultimate_load == pytest.approx(told.capacity, rel=1e-9)
    assert estimate.decompression_load == pytest.approx(told.load_of(told.decompression), rel=1e-9)
    assert estimate.cracking_load == pytest.approx(told.load_of(told.cracking), rel=1e-9)


@given(specimens())
def test_a_file_keeps_the_outline_of_what_was_written(specimen):
    again = read_again(specimen, SI)
    assume(again is not None)
    assert outline_of(again.section) == outline_of(specimen.section)
    assert again.tendons == specimen.tendons
    assert again.bars == specimen.bars
    assert math.isclose(again.concrete.density, specimen.concrete.density)


@given(specimens())
def test_nothing_is_told_of_a_beam_beyond_its_end(specimen):
    assume(specimen.concrete.law != "rectangular block")  # whose end is another than its law's
    end = ultimate(specimen).moment
    assert not math.isnan(state_at(specimen, (1 - 1e-4) * end).top_strain)
    assert math.isnan(state_at(specimen, (1 + 1e-4) * end).top_strain)


def test_self_weight_alone_stretches_a_tendon_without_bond_by_two_thirds():
    """Omega of a uniform load is 2/3 over the span (mean of a parabola), 1 over its middle."""
    beam = replace(U1, concrete=replace(U1.concrete, density=8000.0))
    before, span = U1.tendons[0].stress, U1.section.span
    bonded = predict(beam, 0.0, 0.0).upper.tendon_stress[0] - before
    for length, mean in ((span, 2 / 3), (span / 2, 11 / 12), (span / 100, 1.0)):
        gained = debonded(beam, 0.0, length).tendon_stress[0] - before
        assert gained == pytest.approx(mean * bonded, rel=0.02)

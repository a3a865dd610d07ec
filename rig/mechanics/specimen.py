"""What a specimen file says once it is read and checked: plain values in SI."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Section:
    """Geometry [m]: shape "rectangle", "trapezoid" (width is at the top) or "general".

    `outline` of a general section: depth from the top and width there, from top to bottom; its
    first and last widths are `width` and `width_bottom`.
    """

    shape: str
    height: float
    width: float
    width_bottom: float
    span: float
    load_spacing: float
    outline: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Concrete:
    """Concrete: strength, modulus, tensile strength [Pa], density [kg/m3], strains [1]."""

    strength: float
    modulus: float
    tensile_strength: float
    density: float
    law: str
    peak_strain: float
    ultimate_strain: float
    law_points: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class SteelLaw:
    """Stress-strain law of a tendon: "bilinear" (yield, ultimate [Pa], strain) or "power"."""

    kind: str
    yield_stress: float = 0.0
    ultimate: float = 0.0
    ultimate_strain: float = 0.0
    preset: str = ""
    constants: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Tendon:
    """One layer of tendon: area [m2], depth from the top [m], modulus, stress [Pa]."""

    area: float
    depth: float
    modulus: float
    bond: str
    stress: float
    stress_at: str
    law: SteelLaw


@dataclass(frozen=True, slots=True)
class Bar:
    """One layer of bars: area [m2], depth from the top [m], modulus, yield stress [Pa]."""

    area: float
    depth: float
    modulus: float
    yield_stress: float


@dataclass(frozen=True, slots=True)
class Specimen:
    """A specimen file; `history` holds its free facts as text."""

    name: str
    section: Section
    concrete: Concrete
    tendons: tuple[Tendon, ...]
    bars: tuple[Bar, ...] = ()
    history: Mapping[str, str] = field(default_factory=dict)

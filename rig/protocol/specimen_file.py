"""The shape of a specimen file, and what it becomes."""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Any, Literal

from pydantic import Field

from rig.mechanics.laws import KSI, PRESETS
from rig.mechanics.specimen import Bar, Concrete, Section, Specimen, SteelLaw, Tendon
from rig.protocol.document import Document
from rig.protocol.examples import example_of
from rig.protocol.fields import (
    Area,
    Density,
    Fixed,
    Modulus,
    Name,
    Strain,
    Stress,
    Table,
    number,
    quantity,
)
from rig.protocol.position import Path
from rig.protocol.specimen_history import read_history
from rig.protocol.specimen_sense import check_sense
from rig.protocol.validation import validate

Depth = Annotated[float, quantity("length", 0.0, 5.0, "mm")]
Side = Annotated[float, quantity("length", 0.01, 5.0, "mm")]
LawStress = Annotated[float, quantity("stress", 0.0, 3e9, "MPa")]
PowerStress = Annotated[float, quantity("stress", 1e6, 4e11, "GPa")]
PowerNumber = Annotated[float, number(1.0, 1000.0)]
LawStrain = Annotated[float, number(0.0, 0.2)]


class GeometryTable(Table):
    """`[geometry]`; a general section has an `outline`, depth from the top and width there."""

    shape: Literal["rectangle", "trapezoid", "general"]
    height: Side
    width: Side | None = None
    width_bottom: Side | None = None
    span: Annotated[float, quantity("length", 0.1, 100.0, "mm")]
    load_spacing: Annotated[float, quantity("length", 0.0, 100.0, "mm")]
    outline: list[Annotated[tuple[Depth, Side], Fixed]] = Field(
        default_factory=list, max_length=200
    )


class PointsTable(Table):
    """A stress-strain law point by point."""

    points: list[Annotated[tuple[LawStrain, LawStress], Fixed]] = Field(
        min_length=2, max_length=200
    )


class ConcreteTable(Table):
    """`[concrete]`."""

    strength: Annotated[float, quantity("stress", 5e6, 3e8, "MPa")]
    modulus: Modulus
    tensile_strength: Annotated[float, quantity("stress", 0.0, 5e7, "MPa")]
    density: Density
    law: Literal["parabola-rectangle", "rectangular block"] | PointsTable = "parabola-rectangle"
    peak_strain: Strain = 0.002
    ultimate_strain: Strain | None = None


class BilinearTable(Table):
    """A steel law of two straight lines."""

    kind: Literal["bilinear"]
    yield_stress: Stress = Field(alias="yield")
    ultimate: Stress
    ultimate_strain: Strain


class PowerTable(Table):
    """A steel law of the power form: a preset, or stresses A, B and numbers C, D."""

    kind: Literal["power"]
    preset: Literal["strand-270", "strand-250", "wire-250", "wire-235"] | None = None
    constants: (
        Annotated[tuple[PowerStress, PowerStress, PowerNumber, PowerNumber], Fixed] | None
    ) = None
    ultimate: Stress | None = None


class TendonTable(Table):
    """`[[tendon]]`: one layer."""

    area: Area
    depth: Depth
    modulus: Modulus
    bond: Literal["pre-tensioned", "post-tensioned unbonded"]
    stress: LawStress
    stress_at: Literal["zero concrete strain", "no moment"]
    law: Annotated[BilinearTable | PowerTable, Field(discriminator="kind")]


class BarTable(Table):
    """`[[bar]]`: one layer."""

    area: Area
    depth: Depth
    modulus: Modulus
    yield_stress: Stress = Field(alias="yield")


class SpecimenFile(Table):
    """A whole specimen file."""

    what = "specimen file"
    required = ("name", "geometry", "concrete")

    name: Name = ""
    geometry: GeometryTable | None = None
    concrete: ConcreteTable | None = None
    tendon: list[TendonTable | None] = Field(default_factory=list, max_length=100)
    bar: list[BarTable | None] = Field(default_factory=list, max_length=100)
    history: dict[str, Any] = Field(default_factory=dict)


def build_specimen(document: Document) -> Specimen | None:
    """Return the specimen of a document, or None with its problems noted there."""
    file = validate(document, SpecimenFile)
    if file is None:
        return None
    tendons = [(("tendon", i), t) for i, t in enumerate(file.tendon) if t is not None]
    bars = [(("bar", i), b) for i, b in enumerate(file.bar) if b is not None]
    layers: list[tuple[Path, TendonTable | BarTable]] = [*tendons, *bars]
    if file.geometry is not None:
        _check_geometry(document, file.geometry)
        for path, layer in layers:
            _check_depth(document, path, layer, file.geometry.height)
    if not (file.tendon or file.bar or document.unread & {"tendon", "bar"}):
        document.refuse((), "has neither tendon nor bar", "add [[tendon]] or [[bar]]")
    for path, tendon in tendons:
        _check_law(document, (*path, "law"), tendon)
    if file.concrete is not None:
        _check_strains(document, file.concrete)
    readable = not document.problems
    history = read_history(document, file.history)
    if not readable or file.geometry is None or file.concrete is None:
        return None
    specimen = Specimen(
        name=file.name,
        section=_section(file.geometry),
        concrete=_concrete(file.concrete),
        tendons=tuple(_tendon(t) for _, t in tendons),
        bars=tuple(Bar(b.area, b.depth, b.modulus, b.yield_stress) for _, b in bars),
        history=history,
    )
    check_sense(document, specimen)
    return None if document.problems else specimen


def _check_geometry(document: Document, shape: GeometryTable) -> None:
    at = "geometry"
    if shape.load_spacing >= shape.span:
        document.refuse(
            (at, "load_spacing"),
            f"{document.written((at, 'load_spacing'))} is not below the span "
            f"{document.written((at, 'span'))}",
            "give the distance between the two loads",
        )
    if shape.shape != "general" and shape.width is None:
        document.refuse_missing((at,), "width")
    if shape.shape == "trapezoid" and shape.width_bottom is None:
        document.refuse_missing((at,), "width_bottom")
    if shape.shape == "general" and shape.width is not None:
        _means_nothing(document, (at, "width"), shape.shape)
    if shape.shape != "trapezoid" and shape.width_bottom is not None:
        _means_nothing(document, (at, "width_bottom"), shape.shape)
    if shape.shape == "general" and not shape.outline and "geometry" not in document.unread:
        document.refuse_missing((at,), "outline")
    if shape.shape != "general" and shape.outline:
        _means_nothing(document, (at, "outline"), shape.shape)
    depths = [depth for depth, _ in shape.outline]
    if any(a == c for a, c in zip(depths, depths[2:], strict=False)):
        document.refuse(
            (at, "outline"),
            "has more than two widths at one depth",
            "give one, or two for a step: the width above it, then that below",
        )
    if len(depths) == 1 or any(a > b for a, b in pairwise(depths)) or depths[-1:] > [shape.height]:
        document.refuse(
            (at, "outline"),
            "does not go from the top down to the height",
            "give [depth, width] from top to bottom: " + example_of(("outline",)),
        )


def _means_nothing(document: Document, path: Path, shape: str) -> None:
    document.refuse(path, f'means nothing where shape is "{shape}"', "take it out")


def _check_depth(
    document: Document, path: Path, layer: TendonTable | BarTable, height: float
) -> None:
    if layer.depth <= 0 or layer.depth >= height:
        document.refuse(
            (*path, "depth"),
            f"{document.written((*path, 'depth'))} lies outside the section",
            f"give the depth from the top, less than the height of {height * 1e3:g} mm",
        )


def _check_law(document: Document, path: Path, tendon: TendonTable) -> None:
    law = tendon.law
    ultimate = law.ultimate
    if isinstance(law, PowerTable) and law.preset and ultimate is None:
        ultimate = PRESETS[law.preset][0] * KSI
    if isinstance(law, BilinearTable):
        if law.yield_stress > law.ultimate:
            document.refuse(
                (*path, "yield"),
                f"{document.written((*path, 'yield'))} is above ultimate "
                f"{document.written((*path, 'ultimate'))}",
                "swap the two",
            )
    elif (law.preset is None) == (law.constants is None) and "tendon" not in document.unread:
        document.refuse(path, "needs preset or constants, one of them", 'add preset = "strand-270"')
    elif law.constants and ultimate is None:
        document.refuse_missing(path, "ultimate")
    if ultimate is not None and tendon.stress > ultimate:
        document.refuse(
            (*path[:-1], "stress"),
            f"{document.written((*path[:-1], 'stress'))} is above the ultimate stress",
            "give the stress as it is now",
        )


def _check_strains(document: Document, concrete: ConcreteTable) -> None:
    if concrete.ultimate_strain is not None and concrete.peak_strain > concrete.ultimate_strain:
        document.refuse(
            ("concrete", "peak_strain"),
            f"{concrete.peak_strain:g} is above ultimate_strain {concrete.ultimate_strain:g}",
            "swap the two",
        )
    if isinstance(concrete.law, PointsTable):
        strains = [strain for strain, _ in concrete.law.points]
        if any(a >= b for a, b in pairwise(strains)):
            document.refuse(
                ("concrete", "law"), "strains do not rise", "sort the points, each strain once"
            )
        if concrete.law.points[0][0] == 0 and concrete.law.points[0][1] > 0:
            document.refuse(
                ("concrete", "law"),
                "has stress where there is no strain",
                'begin with [0.0, "0 MPa"]',
            )


def _section(shape: GeometryTable) -> Section:
    widths = [width for _, width in shape.outline] or [shape.width or 0.0]
    bottom = widths[-1] if shape.width_bottom is None else shape.width_bottom
    return Section(
        shape.shape,
        shape.height,
        widths[0],
        bottom,
        shape.span,
        shape.load_spacing,
        tuple(shape.outline),
    )


def _concrete(table: ConcreteTable) -> Concrete:
    points = table.law.points if isinstance(table.law, PointsTable) else ()
    law = "points" if isinstance(table.law, PointsTable) else table.law
    usual = 0.003 if law == "rectangular block" else 0.0035
    if points:
        usual = points[-1][0]
    return Concrete(
        table.strength,
        table.modulus,
        table.tensile_strength,
        table.density,
        law,
        table.peak_strain,
        usual if table.ultimate_strain is None else table.ultimate_strain,
        tuple(points),
    )


def _tendon(table: TendonTable) -> Tendon:
    law = table.law
    if isinstance(law, BilinearTable):
        steel = SteelLaw("bilinear", law.yield_stress, law.ultimate, law.ultimate_strain)
    else:
        steel = SteelLaw(
            "power",
            ultimate=law.ultimate or 0.0,
            preset=law.preset or "",
            constants=law.constants or (),
        )
    return Tendon(
        table.area, table.depth, table.modulus, table.bond, table.stress, table.stress_at, steel
    )

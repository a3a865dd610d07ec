"""Specimen files: both unit systems, every shape and law, history, and what no specimen can be."""

from __future__ import annotations

import re

import pytest

from rig.errors import InputError
from rig.mechanics.code_stress import ultimate_by_code
from rig.mechanics.estimate import static_estimate
from rig.mechanics.section import cracking_moment, decompression_moment, ultimate
from rig.mechanics.shapes import gross
from rig.mechanics.specimen import Specimen
from rig.protocol.document import open_document
from rig.protocol.load import load_specimen
from rig.protocol.specimen_file import build_specimen

SI = """\
name = "Girder, invented"

[geometry]
shape = "trapezoid"
width = "304.8 mm"
width_bottom = "203.2 mm"
height = "508 mm"
span = "6.096 m"
load_spacing = "1.2192 m"

[concrete]
strength = "41.368543759010166 MPa"
modulus = "31026.4078192576245 MPa"
tensile_strength = "3.7921165112425985 MPa"
density = "2402.769506094021 kg/m3"
law = "rectangular block"

[[tendon]]
area = "592.25688 mm2"
depth = "406.4 mm"
modulus = "196500.5828552983385 MPa"
bond = "pre-tensioned"
stress = "1103.16116690693776 MPa"
stress_at = "no moment"
law = { kind = "power", preset = "strand-270" }

[[bar]]
area = "258.064 mm2"
depth = "457.2 mm"
modulus = "199947.961501882469 MPa"
yield = "413.68543759010166 MPa"

[history]
mix = "C40/50, invented"
cast = 2025-03-04
release = 2025-03-06
strengths = [["2 d", "30 MPa"], ["28 d", "48 MPa"]]
soaked_since = 2025-04-08
soaked_until = 2025-06-08
water = "tap water"
shed = 4
"""
US = """\
name = "Girder, invented"

[geometry]
shape = "trapezoid"
width = "12 in"
width_bottom = "8 in"
height = "20 in"
span = "20 ft"
load_spacing = "4 ft"

[concrete]
strength = "6000 psi"
modulus = "4500 ksi"
tensile_strength = "550 psi"
density = "150 lb/ft3"
law = "rectangular block"

[[tendon]]
area = "0.918 in2"
depth = "16 in"
modulus = "28500 ksi"
bond = "pre-tensioned"
stress = "160 ksi"
stress_at = "no moment"
law = { kind = "power", preset = "strand-270" }

[[bar]]
area = "0.4 in2"
depth = "18 in"
modulus = "29000 ksi"
yield = "60 ksi"
"""


def read(text: str) -> Specimen:
    return load_specimen("beam.toml", lambda _path: text)


def refused(*changes: tuple[str, str], text: str = SI) -> list[str]:
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    with pytest.raises(InputError) as told:
        read(text)
    lines = [str(problem) for problem in told.value.problems]
    assert all("\n" not in line for line in lines)
    return lines


def only(*changes: tuple[str, str]) -> str:
    (line,) = refused(*changes)
    return line


@pytest.mark.parametrize("of", [decompression_moment, cracking_moment])
def test_files_in_si_and_us_units_say_the_same_of_moments(of):
    assert of(read(SI)) == pytest.approx(of(read(US)), rel=1e-9)


def test_files_in_si_and_us_units_end_at_the_same_ultimate():
    one, other = ultimate(read(SI)), ultimate(read(US))
    assert one.moment == pytest.approx(other.moment, rel=1e-9)
    assert one.neutral_axis == pytest.approx(other.neutral_axis, rel=1e-9)
    assert one.tendon_stress == pytest.approx(other.tendon_stress, rel=1e-9)
    assert one.part == other.part


def test_files_in_si_and_us_units_let_expect_the_same_test():
    one, other = (static_estimate(read(text)) for text in (SI, US))
    assert one == pytest.approx(other, rel=1e-9)


@pytest.mark.parametrize(
    ("law", "strain"), [("rectangular block", 0.003), ("parabola-rectangle", 0.0035)]
)
def test_concrete_crushes_at_the_usual_strain_of_its_law_where_none_is_said(law, strain):
    """ACI 318, 22.2.2.1; EN 1992-1-1, table 3.1 (from memory)."""
    found = read(SI.replace('law = "rectangular block"', f'law = "{law}"'))
    assert (found.concrete.law, found.concrete.ultimate_strain) == (law, strain)


def test_history_is_kept_as_words():
    found = read(SI).history
    assert found["strengths"] == "2 d 30 MPa, 28 d 48 MPa"
    assert found["cast"] == "2025-03-04"
    assert found["shed"] == "4"


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("cast = 2025-03-04", 'cast = "in March"', 'history.cast: "in March" is no date'),
        ("cast = 2025-03-04", "cast = 2025-03-04T08:00:00", "is no date; write cast = 2025-03-04"),
        ("cast = 2025-03-04", "cast = 2025-03-07", "release: 2025-03-06 is before cast 2025-03-07"),
        ("until = 2025-06-08", "until = 2025-04-07", "2025-04-07 is before soaked_since"),
        ('mix = "C40/50, invented"', "mix = 40", "history.mix: 40 is not text"),
        ('water = "tap water"', 'water = " "', "is not text"),
        (
            '["2 d", "30 MPa"]',
            '["2 days", "30 MPa"]',
            'strengths[1][1]: "2 days" has an unknown unit',
        ),
        ('["2 d", "30 MPa"]', '["2 d", "30 kN"]', "strengths[1][2]"),
        ('["2 d", "30 MPa"]', '["2 d", "30 GPa"]', '"30 GPa" is out of range; give 1 to 300 MPa'),
        ('["2 d", "30 MPa"]', '["2 d", 30]', "strengths[1][2]"),
        ('["2 d", "30 MPa"]', '["40 d", "30 MPa"]', "has ages that do not rise"),
        ('["2 d", "30 MPa"]', '["28 d", "30 MPa"]', "has ages that do not rise"),
        ('["2 d", "30 MPa"], ["28 d", "48 MPa"]', "", "is no list of ages and strengths"),
        ("shed = 4", "shed = [4]", "is no plain fact; give text, a number or a date"),
        ("shed = 4", 'strenghts = [["2 d", "30 MPa"]]', 'fact; did you mean "strengths"?'),
    ],
)
def test_history_that_cannot_be_is_one_line(old, new, words):
    assert words in only((old, new))


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("3.7921165112425985 MPa", "37.9 MPa", '37.9 MPa" is more than a third of the strength'),
        ("592.25688 mm2", "0.03 m2", 'tendon[1].area: "0.03 m2" is 23 % of the section'),
        ("258.064 mm2", "258.064 cm2", 'bar[1].area: "258.064 cm2" is 20 % of the section'),
        (
            "592.25688 mm2",
            "10000 mm2",
            "11031.6 kN of prestress crush the concrete before",
        ),
        ("6.096 m", "60.96 m", 'geometry.span: "60.96 m": self weight makes 1412.'),
        ("1103.16116690693776 MPa", "1.9 GPa", '"1.9 GPa" is above the ultimate stress'),
        ('"406.4 mm"', '"508 mm"', "lies outside the section"),
        (
            '{ kind = "power", preset = "strand-270" }',
            '{ kind = "bilinear", yield = "1640 MPa", ultimate = "1860 MPa", ultimate_strain = '
            "0.0094 }",
            "ultimate_strain: 0.0094 is no more than the 0.00947 at which it would have its "
            "ultimate stress without yielding",
        ),
        (
            '{ kind = "power", preset = "strand-270" }',
            '{ kind = "power", constants = ["0.9 GPa", "27.6 GPa", 112.4, 7.36], ultimate = '
            '"1860 MPa" }',
            "law.constants: begin with 28.5 GPa (the sum of the first two), the modulus is 196.5",
        ),
        (
            '"rectangular block"',
            '{ points = [[0.0, "10 MPa"], [0.002, "41 MPa"]] }',
            "has stress where there is no strain",
        ),
        (
            '"rectangular block"',
            '{ points = [[0.002, "41 MPa"], [0.001, "30 MPa"]] }',
            "strains do not rise",
        ),
    ],
)
def test_what_no_specimen_can_be_is_one_line(old, new, words):
    assert words in only((old, new))


def test_a_fact_that_is_nearly_a_checked_one_is_kept_and_told():
    text = SI.replace("soaked_since", "soked_since")
    document = open_document("beam.toml", lambda _path: text)
    found = build_specimen(document)
    assert found is not None
    assert "soked_since" in found.history
    (warning,) = document.warnings
    assert 'soked_since: is kept, but not checked; did you mean "soaked_since"?' in str(warning)


def test_a_wrong_history_hides_nothing_else():
    told = refused(("cast = 2025-03-04", "cast = 4"), ("3.7921165112425985 MPa", "37.9 MPa"))
    assert [line.split(":")[2].strip() for line in told] == [
        "concrete.tensile_strength",
        "history.cast",
    ]


def test_a_width_is_asked_for_where_the_shape_needs_one():
    assert "geometry: width: is missing" in re.sub(
        r"geometry\.width", "geometry: width", only(('width = "304.8 mm"\n', ""))
    )


GENERAL = (
    ('shape = "trapezoid"\nwidth = "304.8 mm"\nwidth_bottom = "203.2 mm"', 'shape = "general"'),
    ("[concrete]", 'outline = [["0 mm", "300 mm"], ["508 mm", "200 mm"]]\n\n[concrete]'),
)


def general(outline: str) -> Specimen:
    text = SI
    for old, new in GENERAL:
        text = text.replace(old, new, 1)
    return read(text.replace('[["0 mm", "300 mm"], ["508 mm", "200 mm"]]', outline))


def test_a_section_by_height_is_read_from_top_to_bottom():
    tee = '[["0 mm", "600 mm"], ["100 mm", "600 mm"], ["100 mm", "200 mm"]]'
    found = general(tee)
    assert gross(found.section).area == pytest.approx(0.06 + 0.2 * 0.408, rel=1e-12)
    assert (found.section.width, found.section.width_bottom) == (0.6, 0.2)
    assert ultimate(found).moment > ultimate(read(SI)).moment


def test_a_trapezoid_by_height_is_the_trapezoid():
    same = '[["0 mm", "304.8 mm"], ["508 mm", "203.2 mm"]]'
    assert ultimate(general(same)).moment == pytest.approx(ultimate(read(SI)).moment, rel=1e-12)


@pytest.mark.parametrize(
    ("outline", "words"),
    [
        ('[["0 mm", "300 mm"]]', "does not go from the top down to the height"),
        ('[["9 mm", "300 mm"], ["8 mm", "200 mm"]]', "does not go from the top down"),
        (
            '[["0 mm", "300 mm"], ["90 mm", "300 mm"], ["90 mm", "200 mm"], ["90 mm", "100 mm"]]',
            "geometry.outline: has more than two widths at one depth",
        ),
        ('["0 mm"]', 'outline[1]: "0 mm" is no list; write outline = [["0 mm", "600 mm"], ["160'),
    ],
)
def test_a_section_by_height_that_cannot_be_is_one_line(outline, words):
    (first, second) = GENERAL
    assert words in only(first, (second[0], f"outline = {outline}\n\n[concrete]"))


def test_a_section_by_height_has_no_other_width():
    changes = (*GENERAL, ('shape = "general"', 'shape = "general"\nwidth = "300 mm"'))
    assert 'geometry.width: means nothing where shape is "general"' in only(*changes)


def test_a_table_of_the_concrete_ends_at_its_last_strain():
    law = '{ points = [[0.001, "28 MPa"], [0.002, "41 MPa"], [0.0028, "39 MPa"]] }'
    found = read(SI.replace('"rectangular block"', law))
    assert found.concrete.law_points[-1] == (0.0028, 39e6)
    assert ultimate(found).top_strain == found.concrete.ultimate_strain == 0.0028
    said = read(SI.replace('law = "rectangular block"', f"law = {law}\nultimate_strain = 0.0025"))
    assert ultimate(said).top_strain == 0.0025


def test_a_tendon_without_bond_bears_less():
    loose = read(SI.replace('"pre-tensioned"', '"post-tensioned unbonded"'))
    assert ultimate_by_code(loose).moment < ultimate(read(SI)).moment

"""Columns of tables: one unit and one number of decimals, and no number said with less."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.report.document import Document, Drawn, Listed, Section
from rig.report.level_columns import level, level_document
from rig.report.measure import Measure, Table, Told, Words, no_finer, plain


def test_no_digit_is_shown_below_a_step():
    half = 0.5e-6  # [m], of a displacement sensor
    of = {6.72e-6: "6.7 µm", 6e-8: "0.1 µm", -1e-9: "0.0 µm", 0.0: "0 mm", 3.21e-3: "3.21 mm"}
    made = [no_finer(Measure(value, "m", "key"), half) for value in of]
    assert [measure.text for measure in made] == [*of.values()]
    table = Table(("head",), tuple((measure,) for measure in made[:2]))
    assert [cell.text for (cell,) in level(table).rows] == ["6.7 µm", "0.1 µm"]
    losses = [no_finer(Measure(loss, "%", "key"), 1e-4) for loss in (-7.32e-5, 0.419)]
    assert [loss.text for loss in losses] == ["-0.01 %", "41.9 %"]
    assert no_finer(Measure(6e-8, "m", "key"), math.nan).text == "0.06 µm"


def shown(*values: float, unit: str = "N", digits: int = 4) -> list[str]:
    """Return how a column of numbers [SI] is shown."""
    rows = tuple((Measure(value, unit, "key", digits),) for value in values)
    return [
        cell.text for (cell,) in level(Table(("head",), rows)).rows if isinstance(cell, Measure)
    ]


@pytest.mark.parametrize(
    ("column", "unit", "digits", "expected"),
    [
        ((92400.0, 92390.0, 90350.0), "N", 4, ["92.40 kN", "92.39 kN", "90.35 kN"]),
        ((111.9e6, 67.15e6), "N/m", 4, ["111.90 kN/mm", "67.15 kN/mm"]),
        ((0.9, 0.3, 0.15), "m", 4, ["900 mm", "300 mm", "150 mm"]),
        ((5231.0, 7931.0), "s", 5, ["1.4531 h", "2.2031 h"]),
        ((0.9801, 0.98, 1.0), "%", 4, ["98.01 %", "98.00 %", "100.00 %"]),
        ((131.4e3, 1.1063e3, 0.0), "N", 4, ["131.4 kN", "1.11 kN", "0.0 kN"]),
        ((1.348e9, 0.96e9), "Pa", 4, ["1,348 MPa", "960 MPa"]),
        ((6.72e-6, -7.468e-8), "m", 4, ["6.720 µm", "-0.0747 µm"]),
        ((5.765e-3, 3.925e-6, 0.1e-9), "m", 4, ["5.765 mm", "0.00392 mm", "0.0001 µm"]),
        ((0.067, 0.00032), "ratio", 2, ["0.067", "0.00032"]),
        ((219261.0, 3.0), "1", 3, ["219,261", "3"]),
        ((293.15, 294.0), "K", 3, ["20.0 °C", "20.9 °C"]),
        ((92400.0, math.nan), "N", 4, ["92.4 kN", "none"]),
    ],
)
def test_numbers_of_a_column_are_shown_alike_unless_one_would_lose_its_third_digit(
    column: tuple[float, ...], unit: str, digits: int, expected: list[str]
) -> None:
    assert shown(*column, unit=unit, digits=digits) == expected


@given(st.lists(st.floats(-1e6, 1e6), min_size=2, max_size=6), st.integers(3, 5))
def test_each_number_is_still_within_half_of_its_third_digit(
    column: list[float], digits: int
) -> None:
    for value, text in zip(column, shown(*column, unit="J", digits=digits), strict=True):
        if value:
            third = 10.0 ** (math.floor(math.log10(abs(value))) - 2)
            bound = max(third, 1.0 if abs(value) >= 100.0 else 0.0)  # no decimals: whole ones
            assert abs(float(text.removesuffix(" J").replace(",", "")) - value) <= 0.501 * bound


def test_columns_and_units_are_levelled_apart_and_words_left_as_they_are() -> None:
    rows = (
        (
            Words("load", "name"),
            (Measure(92400.0, "N", "a", 4), " in cycle ", Measure(7, "1", "b")),
        ),
        (Words("bent", "name"), (Measure(92390.0, "N", "c", 4), " or ", Measure(0.0012, "m", "d"))),
    )
    told = level(Table(("what", "value"), rows)).rows
    assert [plain(row[1]) for row in told if isinstance(row[1], tuple)] == [
        "92.40 kN in cycle 7",
        "92.39 kN or 1.2 mm",
    ]
    assert [row[0] for row in told] == [row[0] for row in rows]


def test_tables_and_those_under_figures_are_levelled_and_their_values_and_keys_kept() -> None:
    table = Table(("load",), ((Measure(92400.0, "N", "a", 4),), (Measure(92390.0, "N", "b", 4),)))
    drawn = Drawn("figure", "Figure", lambda: pytest.fail("is not drawn"), Told((), table))
    section = Section("one", "One", (Listed((), table), drawn))
    (new,) = level_document(Document("kind", (), (), (), (section,), ())).sections
    listed, figure = new.blocks
    assert isinstance(listed, Listed)
    assert isinstance(figure, Drawn)
    assert listed.table == figure.told.table
    cells = [cell for (cell,) in listed.table.rows if isinstance(cell, Measure)]
    assert [(c.value, c.key, c.text) for c in cells] == [
        (92400.0, "a", "92.40 kN"),
        (92390.0, "b", "92.39 kN"),
    ]

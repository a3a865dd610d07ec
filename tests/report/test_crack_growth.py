"""How cracks grew: numbers against small tables worked by hand, and any log at all."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.record.cracks import (
    DIRECTIONS,
    FACES,
    KINDS,
    WITHDRAWN,
    CrackEntry,
    corrections,
    placed,
)
from rig.report.crack_growth import UNTOLD, growth_of
from rig.report.crack_shown import growth_told, map_told, totals_told
from rig.report.crack_tables import corrected_table, readings_table
from rig.report.measure import parts_of, plain
from tests.report.crack_readings import COUNTS, correction, reading, twelve


def marks_at(growth, place: int) -> dict:
    return {(m.label, m.face): m for m in growth.inspections[place].marks}


def cell(row, place: int) -> str:
    return plain(parts_of(row[place]))


def test_growth_is_the_change_over_cycles_and_over_decades_between_two_readings() -> None:
    log = [
        reading(1, 100, "C1", width=0.1, length=50),
        reading(2, 1_000, "C1", width=0.2, length=80),
        reading(3, 10_000, "C1", length=90),
        reading(4, 100_000, "C1", width=0.4),
    ]
    width, later, length, more = growth_of(log).rates
    # 0.1 mm over 900 cycles and one decade.
    assert (width.quantity, width.entries, width.cycles) == ("width", (1, 2), (100, 1_000))
    assert width.change == pytest.approx(1e-4)
    assert width.per_cycle == pytest.approx(1e-4 / 900)
    assert width.per_decade == pytest.approx(1e-4)
    # Not read at 10,000: 0.2 mm over 99,000 cycles and two decades, and no value in between.
    assert (later.quantity, later.entries, later.cycles) == ("width", (2, 4), (1_000, 100_000))
    assert later.per_cycle == pytest.approx(2e-4 / 99_000)
    assert later.per_decade == pytest.approx(1e-4)
    assert (length.quantity, length.entries) == ("length", (1, 2))
    assert length.per_decade == pytest.approx(0.03)
    assert (more.entries, more.per_cycle) == ((2, 3), pytest.approx(0.01 / 9_000))


def test_before_the_first_cycle_there_is_no_decade_and_at_one_count_no_rate() -> None:
    late = replace(reading(3, 500, "C1", width=0.15), at_utc="2026-11-30T08:00:00+00:00")
    log = [reading(1, 0, "C1", width=0.05), reading(2, 500, "C1", width=0.2), late]
    first, last = growth_of(log).rates
    assert first.per_cycle == pytest.approx(1.5e-4 / 500)
    assert math.isnan(first.per_decade)
    assert last.change == pytest.approx(-5e-5)
    assert math.isnan(last.per_cycle)
    assert math.isnan(last.per_decade)


def test_a_crack_is_new_once_and_stays_known_where_it_is_passed_over() -> None:
    log = [
        reading(1, 10, "C1", position=450, height=40, width=0.1, length=40),
        reading(2, 100, "C2", position=300, width=0.05, length=20),
        reading(3, 1_000, "c1", height=60, length=60),
    ]
    growth = growth_of(log)
    assert [at.cycle for at in growth.inspections] == [10, 100, 1_000]
    assert [(at.cracks, at.new) for at in growth.inspections] == [(1, 1), (2, 1), (2, 0)]
    passed = marks_at(growth, 1)["C1", "front"]
    assert (passed.read, passed.new, passed.known.length) == (False, False, 0.04)
    assert math.isnan(passed.now.width)
    last = marks_at(growth, 2)["C1", "front"]
    assert (last.now.entries, last.known.entries) == ((3,), (1, 3))
    assert (last.before.length, last.known.length, last.known.width) == (0.04, 0.06, 1e-4)
    assert last.now.position == 0.45  # where it was read first
    assert math.isnan(last.now.width)
    assert [m.label for m in growth.inspections[2].unread("width")] == ["C1", "C2"]


def test_the_widest_is_of_what_was_read_there() -> None:
    log = [
        reading(1, 10, "C1", width=0.3),
        reading(2, 10, "C2", width=0.1),
        reading(3, 100, "C2", width=0.2),
        reading(4, 1_000, "C2", length=20),
    ]
    widest = [at.widest for at in growth_of(log).inspections]
    assert [(m.label, m.now.width) for m in widest[:2]] == [("C1", 3e-4), ("C2", 2e-4)]
    assert widest[2] is None


def test_totals_are_by_direction_of_what_was_read_last() -> None:
    log = [
        reading(1, 10, "C1", direction="flexural", length=40),
        reading(2, 10, "C1", face="back", direction="flexural", length=30),
        reading(3, 10, "C2", direction="flexural", width=0.1),
        reading(4, 100, "C1", length=55),
        reading(5, 100, "C3", direction="longitudinal", length=120),
        reading(6, 100, "C4", width=0.1),
    ]
    first, last = growth_of(log).inspections
    flexural = first.total("flexural")
    assert (flexural.cracks, flexural.marks, flexural.unread) == (2, 3, 1)
    assert flexural.length == pytest.approx(0.07)
    assert first.total("longitudinal").length == 0.0
    flexural = last.total("flexural")
    # 55 mm now, 30 mm as the back was read last.
    assert (flexural.length, flexural.earlier) == (pytest.approx(0.085), 1)
    assert last.total("longitudinal").length == pytest.approx(0.12)
    assert (last.total(UNTOLD).cracks, last.total(UNTOLD).unread) == (1, 1)
    assert math.isnan(last.total(UNTOLD).length)


def test_a_value_read_twice_at_a_count_is_the_later_and_both_entries_are_named() -> None:
    log = [
        reading(1, 10, "C1", width=0.1, length=40),
        reading(2, 10, "C1", width=0.12),
        reading(3, 20, "C1", width=0.2),
    ]
    growth = growth_of(log)
    now = marks_at(growth, 0)["C1", "front"].now
    assert (now.entries, now.width, now.width_entry) == ((1, 2), 1.2e-4, 2)
    assert (now.length, now.length_entry) == (0.04, 1)
    assert growth.rates[0].entries == (2, 3)


def test_a_correction_stands_and_what_stood_before_is_kept() -> None:
    first = reading(1, 10, "C1", width=0.5)
    second = reading(2, 10, "C2", width=0.1)
    once = correction(3, first, "wrong card", width=5e-5)
    # Written after the end, of a reading made before it: the inspection stays what it was.
    late = "2026-11-30T08:00:00+00:00"
    twice = correction(4, once, "wrong card again", width=6e-5, at_utc=late)
    gone = correction(5, second, "a scratch", fact=WITHDRAWN)
    growth = growth_of([first, second, once, twice, gone])
    (only,) = growth.inspections
    assert (only.after_end, only.widest.now.width, only.cracks) == (False, 6e-5, 1)
    corrected, withdrawn = growth.corrected
    assert [entry.width for entry in corrected.stood] == [5e-4, 5e-5]
    assert (corrected.number, corrected.stands.width, corrected.last.text) == (
        *(1, 6e-5, "wrong card again"),
    )
    assert (withdrawn.number, withdrawn.stands, withdrawn.stood) == (2, None, (second,))
    rows = [[plain(parts_of(cell)) for cell in row] for row in corrected_table(growth).rows]
    assert "0.5 mm wide" in rows[0][1]
    assert "0.05 mm wide" in rows[0][1]
    assert "0.06 mm wide" in rows[0][2]
    assert rows[1][2:4] == ["withdrawn", "a scratch"]


def test_after_the_end_is_an_inspection_of_its_own_and_one_without_readings_is_named() -> None:
    late = replace(reading(2, 100, "C1", width=0.1), at_utc="2026-11-30T08:00:00+00:00")
    growth = growth_of([reading(1, 100, "C1", width=0.2), late], [10, 100])
    assert [(at.cycle, at.after_end) for at in growth.inspections] == [(100, False), (100, True)]
    assert growth.unmapped == (10,)
    assert plain(map_told(growth).sentence).startswith("After the end, at 100 cycles: 1 crack, 0")


def test_what_was_written_down_after_the_end_of_an_inspection_is_of_that_inspection() -> None:
    late = "2026-11-30T08:00:00+00:00"
    log = [
        reading(1, 100, "C1", width=0.2),
        replace(reading(2, 100, "C2", width=0.1), at_utc=late),
        replace(reading(3, 500, "C2", width=0.3), at_utc=late),
    ]
    growth = growth_of(log, ended=500)
    assert [(at.cycle, at.after_end, at.cracks) for at in growth.inspections] == [
        (100, False, 2),
        (500, True, 2),
    ]


def test_no_reading_at_all_is_said() -> None:
    growth = growth_of([], [10])
    assert (growth.inspections, growth.cracks, growth.unmapped) == ((), (), (10,))
    assert map_told(growth).text == "No crack was read."
    assert totals_told(growth).text == "No crack was read."
    assert readings_table(growth).rows == ()


def test_an_invented_prism_in_words_and_tables() -> None:
    growth = growth_of(twelve())
    assert [at.cycle for at in growth.inspections] == list(COUNTS)
    assert map_told(growth).text == (
        "At 500,000 cycles: 12 cracks in 13 marks on faces, 2 new since last marked; widest C9 "
        "bottom with 0.33 mm; 2 widths not read."
    )
    # C10: 160 mm over a factor of five.
    assert f"{160 / math.log10(5):.3g} mm/decade" in growth_told(growth, "length").text
    # 190 + 120 + 260 + 60 mm along; 150 + 112 + 122 + 140 + 50 + 150 mm across, C12 not read.
    assert (
        "6 flexural cracks, 724 mm long on all faces together but for 1 mark"
        in totals_told(growth).text
    )
    assert "4 longitudinal cracks, 630 mm long on all faces together;" in totals_told(growth).text
    rows = [row for row in readings_table(growth).rows if cell(row, 1) == "C7 back"]
    assert [cell(row, 5) for row in rows] == ["0.03 mm", "0.05 mm", "not read", "not read"]
    assert [cell(row, 7) for row in rows] == ["new", "known", "not read", "not read"]
    # The correction of C2 stands at 10,000 cycles.
    c2 = [row for row in readings_table(growth).rows if cell(row, 1) == "C2 front"]
    assert [cell(row, 5) for row in c2][2] == "0.09 mm"


WILD = st.floats(allow_nan=True, allow_infinity=True)
SIZES = st.one_of(st.just(math.nan), st.floats(0, 0.3), WILD)
ENTRIES = st.lists(
    st.builds(
        CrackEntry,
        number=st.integers(1, 30),
        time=WILD,
        cycle=st.integers(-(2**63), 2**63 - 1) | st.integers(0, 20),
        kind=st.sampled_from((*KINDS, "reading", "reading")),
        text=st.text(max_size=20),
        crack=st.sampled_from(("C1", "c1", "C2", "ß", "SS", "")) | st.text(max_size=4),
        face=st.sampled_from((*FACES, "", "nowhere")),
        direction=st.sampled_from((*DIRECTIONS, "", "askew")),
        position=SIZES,
        height=SIZES,
        width=SIZES,
        length=SIZES,
        corrects=st.integers(0, 30),
        fact=st.sampled_from(("", WITHDRAWN)),
        at_utc=st.sampled_from(("", "2026-11-30T08:00:00+00:00")),
    ),
    max_size=8,
)


@given(ENTRIES)
def test_no_log_breaks_it_and_no_reading_is_lost(entries: list[CrackEntry]) -> None:
    growth = growth_of(entries)
    readings = placed(entries)
    marks = [mark for at in growth.inspections for mark in at.marks]
    assert sorted(n for mark in marks for n in mark.now.entries) == sorted(
        entry.number for entry in readings
    )
    keys = {(entry.crack.casefold(), entry.face) for entry in readings}
    assert len(growth.cracks) == len(keys)
    assert sum(mark.new for mark in marks) == len(keys)
    for at in growth.inspections:
        assert sum(total.marks for total in at.totals) == len(at.marks)
        assert all(math.isnan(v) or v >= 0 for m in at.marks for v in (m.now.width, m.now.length))
    assert {one.number for one in growth.corrected} <= corrections(entries).keys()
    for told in (map_told(growth), growth_told(growth, "width"), totals_told(growth)):
        assert told.text
        assert all(len(row) == len(told.table.heads) for row in told.table.rows)

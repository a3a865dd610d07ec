"""What a report tells of cracks, and that a stranger finds each number of it in run.h5 again."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from rig.record.cracks import CrackEntry
from rig.report.crack_growth import growth_of
from rig.report.crack_keys import DERIVED_CRACKS
from rig.report.crack_sections import LONGEST, crack_blocks, crack_sections
from rig.report.document import Block, Drawn, Listed, Paragraph
from rig.report.measure import Measure, Words, parts_of, plain
from tests.readme import ROOT
from tests.report.crack_readings import correction, prism, reading, twelve
from tests.report.document_parts import parts_in
from tests.report.stranger.crack_log import Stranger
from tests.report.test_crack_map import recorded

pytestmark = pytest.mark.xdist_group("pictures")  # one process loads what draws them

LATE = "2026-11-30T08:00:00+00:00"


def long_log() -> list[CrackEntry]:
    """Return the twelve cracks, lost material, words, and a reading after the end."""
    log = twelve()
    first = correction(100, log[0], "nearer", position=0.455, by="B. Name")
    twice = correction(101, replace(first, number=1), "nearer still", position=0.46)
    later = reading(102, 500_000, "c1", width=0.2, lost="a spall", text="seen wet")
    # Written down after the end, of an inspection before it: the run ends at 50 cycles.
    paper = reading(103, 0, "C3", width=0.045)
    return [*log, first, twice, replace(later, at_utc=LATE), replace(paper, at_utc=LATE)]


@pytest.fixture(scope="module")
def run(tmp_path_factory) -> Path:
    specimen = (ROOT / "protocols/specimens/prism-small.toml").read_text()
    return recorded(tmp_path_factory.mktemp("cracks") / "run", long_log(), specimen)


@pytest.fixture(scope="module")
def blocks(run) -> tuple[Block, ...]:
    return crack_blocks(run)


def test_a_stranger_finds_every_number_and_word_in_the_run_file(run, blocks) -> None:
    stranger = Stranger(run / "run.h5")
    parts = [part for part in parts_in(blocks) if isinstance(part, (Measure, Words))]
    assert len({part.key for part in parts}) > 500
    for part in parts:
        if part.key.startswith("constant."):
            continue
        found = stranger.value(part.key)
        if isinstance(part, Words):
            assert found == part.text, part.key
        else:
            assert part.value == pytest.approx(float(found), rel=1e-15, nan_ok=True), part.key
    growth = growth_of(long_log(), ended=50)
    assert len(stranger.at) == len(growth.inspections) == 6
    assert stranger.value("cracks.readings") == sum(len(at.marks) for at in growth.inspections)
    for name in ("width", "length"):
        rates = [rate for rate in growth.rates if rate.quantity == name]
        assert stranger.value(f"cracks.rate.{name}.count") == len(rates)


def patterns() -> re.Pattern[str]:
    """Return what the keys look like that are written down."""
    words = {
        "WHEN": r"\d+(\.after-end)?",
        "DIRECTION": "(flexural|longitudinal|inclined|untold)",
        "QUANTITY": "(width|length)",
        "FIELD": "(number|cycle|crack|face|position|direction|height|width|length|lost|text|by)",
        **dict.fromkeys("NABI", r"\d+"),
    }
    known = (r"\.".join(words.get(word, word) for word in key.split(".")) for key in DERIVED_CRACKS)
    return re.compile("|".join(known))


def test_every_key_is_written_down_and_no_number_is_without_one(blocks) -> None:
    known = patterns()
    for part in parts_in(blocks):
        if isinstance(part, str):
            assert not re.search(r"\d", part), part
        elif isinstance(part, Measure | Words):
            assert known.fullmatch(part.key), part.key
    own = (part for part in parts_in(blocks) if isinstance(part, Measure))
    constants = {part.key: part.value for part in own if part.key.startswith("constant.")}
    assert constants == {"constant.ROWS": 15}
    assert DERIVED_CRACKS["constant.ROWS"].startswith("15:")
    assert DERIVED_CRACKS["constant.LONGEST"].startswith(f"{LONGEST}:")


@pytest.mark.nights
def test_a_figure_has_a_short_table_and_its_own_name(blocks) -> None:
    figures = [block for block in blocks if isinstance(block, Drawn)]
    assert [figure.name for figure in figures] == [
        *("crack-map-of-test", "crack-map", "crack-strip-1"),
        *("crack-widths", "crack-lengths", "crack-totals"),
    ]
    for figure in figures:
        assert 0 < len(figure.told.table.rows) <= 15
        wide, high = figure.draw().get_size_inches()
        assert wide <= 180 / 25.4 + 1e-9
        assert high <= 9.0


def said(blocks: tuple[Block, ...]) -> str:
    return " ".join(plain(block.parts) for block in blocks if isinstance(block, Paragraph))


def test_what_was_not_read_is_said_and_not_drawn() -> None:
    none = crack_sections(growth_of([], [10, 100]), prism())
    assert said(none) == (
        "No crack was read. At 2 inspections no crack was read, at 10, 100 cycles: the record "
        "does not say whether nobody looked or there was none."
    )
    assert not any(isinstance(block, Drawn) for block in none)
    log = [reading(1, 10, "C1", length=20), reading(2, 100, "C1", length=30)]
    lengths = crack_sections(growth_of(log), None)
    assert "The width of no crack was read." in said(lengths)
    assert "No map is drawn: the record does not keep the size" in said(lengths)
    assert [b.name for b in lengths if isinstance(b, Drawn)] == ["crack-lengths", "crack-totals"]
    once = crack_sections(growth_of(log[:1]), prism())
    assert "The length of cracks was read at one inspection: no growth is known." in said(once)
    assert (
        "At 10 cycles: 0 flexural cracks; 0 longitudinal cracks; 0 inclined cracks; 1 crack whose "
        "direction nobody told, 20 mm long on all faces together."
    ) in said(once)
    assert [b.name for b in once if isinstance(b, Drawn)] == ["crack-map"]
    wrong = reading(1, 10, "C1", width=0.1)
    gone = correction(2, wrong, "a scratch", fact="withdrawn")
    (first, corrected) = crack_sections(growth_of([wrong, gone]), prism())
    assert plain(first.parts) == "No crack was read."
    assert isinstance(corrected, Listed)
    assert plain(parts_of(corrected.table.rows[0][2])) == "withdrawn"


def test_words_of_others_are_held_apart_as_they_are() -> None:
    hostile = "<script>\x1b[31m=1+1 \u202e\ud800"
    log = [reading(1, 10, hostile, hostile, direction=hostile, lost=hostile, text=hostile)]
    found = list(parts_in(crack_sections(growth_of(log), prism())))
    assert not any(hostile in part for part in found if isinstance(part, str))
    assert {part.key for part in found if isinstance(part, Words) and part.text == hostile} == {
        *("cracks.entry.1.crack", "cracks.entry.1.face", "cracks.at.10.1.direction"),
        *("cracks.entry.1.lost", "cracks.entry.1.text"),
    }


def test_a_long_log_has_its_newest_rows_in_the_page_and_the_rest_is_told() -> None:
    log = [
        reading(100 * at + n + 1, 10 ** (at + 1), f"C{n}", width=0.01 * at + 0.1)
        for at in range(5)
        for n in range(100)
    ]
    growth = growth_of(log)
    tables = [block for block in crack_sections(growth, None) if isinstance(block, Listed)]
    assert all(len(block.table.rows) <= LONGEST for block in tables)
    assert plain(tables[0].caption) == (
        "Every crack at every inspection: 400 rows of 500, all of them follow from /cracks in "
        "run.h5"
    )
    assert plain(parts_of(tables[0].table.rows[-1][1])) == "C99 front"

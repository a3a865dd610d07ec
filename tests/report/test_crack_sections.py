"""What a report tells of cracks, and that a stranger finds each number of it in run.h5 again."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from rig.record.cracks import CrackEntry
from rig.report.crack_sections import crack_blocks
from rig.report.document import Block, Drawn, Listed, Paragraph
from rig.report.measure import Measure, Part, Words, parts_of
from tests.readme import ROOT
from tests.report.crack_readings import correction, reading, twelve
from tests.report.crack_stranger import Stranger
from tests.report.test_crack_map import recorded

pytestmark = pytest.mark.xdist_group("pictures")  # one process loads what draws them

LATE = "2026-11-30T08:00:00+00:00"


def long_log() -> list[CrackEntry]:
    """Return the twelve cracks, lost material, words, and a reading after the end."""
    log = twelve()
    first = correction(100, log[0], "nearer", position=0.455, by="B. Name")
    twice = correction(101, replace(first, number=1), "nearer still", position=0.46)
    later = reading(102, 500_000, "c1", width=0.2, lost="a spall", text="seen wet")
    return [*log, first, twice, replace(later, at_utc=LATE)]


def parts_in(blocks: tuple[Block, ...]) -> list[Part]:
    """Return every part of sentences, captions and cells."""
    found: list[Part] = []
    for block in blocks:
        tables = []
        if isinstance(block, Paragraph):
            found += block.parts
        elif isinstance(block, Drawn):
            found += [*block.told.sentence, block.title]
            tables.append(block.told.table)
        elif isinstance(block, Listed):
            found += block.caption
            tables.append(block.table)
        for table in tables:
            found += table.heads
            found += [part for row in table.rows for cell in row for part in parts_of(cell)]
    return found


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

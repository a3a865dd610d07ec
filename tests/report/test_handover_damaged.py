"""The handover of a damaged record: what can be read is told, the rest refused in words."""

from __future__ import annotations

import contextlib
import json
import random
import sqlite3
from pathlib import Path

import pytest

from rig.errors import RigError
from rig.monitor.glyphs import UTF8
from rig.report.handover.page import page
from rig.report.handover.plain import plain
from rig.report.handover.telling import hand_over
from tests.report import handover_nights as nights
from tests.report.handover_nights import gone, shown, small

pytestmark = pytest.mark.usefixtures("seven_in_the_morning")


def spoil(folder: Path, what: str) -> None:
    """Damage a record as a bad sector does."""
    database = sqlite3.connect(folder / "journal.db")
    try:
        database.execute(what)
        database.commit()
    finally:
        database.close()


@pytest.mark.parametrize(
    ("damage", "kept"),
    [
        ("UPDATE chunk SET body = zeroblob(60) WHERE kind = 'cycles'", "hairline"),
        ("UPDATE entry SET body = 'x' WHERE seq = 2", "hairline"),
        ("UPDATE entry SET body = 'x' WHERE seq = (SELECT max(seq) FROM entry)", "cycles"),
        ("DELETE FROM entry WHERE seq = 3", "hairline"),
        ("UPDATE samples SET head = 'x'", "hairline"),
    ],
)
def test_of_a_damaged_record_what_can_be_read_is_told(tmp_path, damage, kept):
    folder = small(tmp_path / "run", [(650.0, "note", nights.NOTE)])
    spoil(folder, damage)
    told = hand_over(folder, gone, "start")
    text = shown(told, height=None)
    assert kept in text
    if "samples" not in damage:
        assert told.damage
        assert "note:" in text


def damaged(whole: bytes, chance: random.Random) -> bytes:
    """Damage a file as a bad disk does: anywhere, some bytes or a sector."""
    data = bytearray(whole)
    for _ in range(chance.choice([1, 3, 20])):
        place, size = chance.randrange(len(data)), chance.choice([1, 16, 512])
        data[place : place + size] = chance.randbytes(len(data[place : place + size]))
    return bytes(data)


@pytest.mark.nights
def test_whatever_bytes_are_damaged_it_is_told_or_refused_in_words(written, tmp_path):
    whole = (written["without water"] / "journal.db").read_bytes()
    told = 0
    for seed in range(60):
        chance = random.Random(seed)
        folder = tmp_path / str(seed)
        folder.mkdir()
        (folder / "journal.db").write_bytes(damaged(whole, chance))
        since = chance.choice([None, "start", "18:30", "cycle 5000"])
        with contextlib.suppress(RigError):
            found = hand_over(folder, gone, since)
            assert json.dumps(plain(found), allow_nan=False)
            assert all(line.isprintable() for line in page(found, 80, 40, UTF8))
            told += 1
    assert told > 30

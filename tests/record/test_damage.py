"""Damaged files, seeded: always seen or without effect, and never a silent part of a record."""

import shutil
from collections import Counter
from pathlib import Path

import pytest

from tests.record.damage import FILES, WAYS, Content, cases, content, ended, killed, look_at

Runs = dict[str, tuple[Path, Content]]


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> Runs:
    """An ended and a killed run, not to be changed, with what they hold."""
    place = tmp_path_factory.mktemp("runs")
    found = {}
    for name, make in (("ended", ended), ("killed", killed)):
        folder = make(place / name)
        read = shutil.copytree(folder, place / f"{name}-read")
        found[name] = folder, content(read)
    return found


def damaged(runs: Runs, place: Path, count: int) -> Counter[tuple[str, str]]:
    """Look at so many damaged files; count what became of each kind of file."""
    became: Counter[tuple[str, str]] = Counter()
    for case in cases(count):
        folder, whole = runs[case[0]]
        copy = shutil.copytree(folder, place / "copy")
        became[case[1], look_at(copy, case, whole)] += 1
        shutil.rmtree(copy)
    return became


@pytest.mark.nights
def test_each_file_damaged_in_each_way_is_seen_or_nothing_of_it_changed(
    runs: Runs, tmp_path: Path
) -> None:
    became = damaged(runs, tmp_path, len(FILES) * len(WAYS))
    assert became["run.h5", "made again"] == len(WAYS)
    assert became["journal.db", "saved"] > 0
    assert became["journal.db-wal", "saved"] + became["journal.db-wal", "doubted"] > 0


@pytest.mark.endurance
def test_two_hundred_damaged_files_are_seen_or_nothing_of_them_changed(
    runs: Runs, tmp_path: Path
) -> None:
    became = damaged(runs, tmp_path, 200)
    assert sum(became.values()) == 200
    assert became["run.h5", "made again"] >= 38
    assert became["journal.db", "saved"] >= 10
    assert became["journal.db-wal", "saved"] >= 20
    assert became["journal.db-wal", "doubted"] >= 5

"""Rehearsals that were cut off, made once for all tests of `nightrig resume`."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.commands.cut_off import Said, copy, kill_one, said_by, stop_one_by_fault
from tests.commands.predicting import SI


@pytest.fixture(scope="session")
def killed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the folder of a rehearsal that was killed while it cycled; work on a copy."""
    return kill_one(tmp_path_factory.mktemp("killed"))


@pytest.fixture(scope="session")
def gone_on(killed: Path, tmp_path_factory: pytest.TempPathFactory) -> Said:
    """Return what is said where it goes on to its run-out."""
    return said_by("resume", str(copy(killed, tmp_path_factory.mktemp("closed"))), "--json")


@pytest.fixture(scope="session")
def closed(gone_on: Said) -> Path:
    """Return the folder of one that went on to its run-out; work on a copy."""
    return Path(gone_on.words[1])


@pytest.fixture(scope="session")
def fault(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the folder of a rehearsal that an emergency stop ended; work on a copy."""
    return stop_one_by_fault(tmp_path_factory.mktemp("fault"))


@pytest.fixture
def r1(tmp_path: Path) -> str:
    path = tmp_path / "r1.toml"
    path.write_text(SI, encoding="utf-8")
    return str(path)

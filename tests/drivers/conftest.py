"""What tests of several drivers begin with."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.drivers.text_peer import Peer, nobody


@pytest.fixture
def peer(tmp_path: Path) -> Iterator[Peer]:
    device = Peer(tmp_path / "servo", nobody)
    yield device
    device.close()

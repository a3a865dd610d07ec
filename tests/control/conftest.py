"""Plans for rehearsals: shipped protocols, shortened or scaled."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from importlib import resources
from pathlib import Path

import pytest

from rig.commands.files import load
from rig.protocol.plan import Plan

ROOT = Path(str(resources.files("protocols")))
COMMITS = 500  # frames between commits
SHORT_NIGHT = {
    r"^run_out = .*$": 'run_out = "160 cycles"',
    r'^at = \["150 cycles"\]$': 'at = ["60 cycles"]',
    r'^go_on_after = "20 s"': 'go_on_after = "5 s"',
}


@pytest.fixture
def plan_of(tmp_path: Path) -> Callable[..., Plan]:
    """Return a function: shipped protocol, text changes in it and in the rig file, to a Plan."""

    def build(name: str, changes: dict[str, str] | None = None, rig: dict[str, str] | None = None):
        folder = tmp_path / "files"
        folder.mkdir(exist_ok=True)
        return plan_in(folder, name, changes, rig)

    return build


def plan_in(
    folder: Path,
    name: str,
    changes: dict[str, str] | None = None,
    rig: dict[str, str] | None = None,
) -> Plan:
    """Return the plan of a shipped protocol with text changes in it and in the rig file."""
    text = (ROOT / f"{name}.toml").read_text(encoding="utf-8")
    for kind in ("specimens", "series"):
        text = text.replace(f'"{kind}/', f'"{ROOT.as_posix()}/{kind}/')
    rig_text = (ROOT / "rigs" / "simulated.toml").read_text(encoding="utf-8")
    protocol_path, rig_path = folder / f"{name}.toml", folder / "rig.toml"
    protocol_path.write_text(changed(text, changes or {}), encoding="utf-8")
    rig_path.write_text(changed(rig_text, rig or {}), encoding="utf-8")
    return load(str(protocol_path), str(rig_path))


def changed(text: str, changes: dict[str, str]) -> str:
    """Return a text with each pattern replaced; a pattern that is not there is an error."""
    for pattern, replacement in changes.items():
        text, count = re.subn(pattern, replacement, text, flags=re.MULTILINE)
        assert count, f"{pattern!r} is not in the file"
    return text


@pytest.fixture(scope="session")
def short_night(tmp_path_factory) -> Plan:
    """Return the plan of a first night of 160 cycles with one inspection."""
    return plan_in(tmp_path_factory.mktemp("files"), "first-night", SHORT_NIGHT)


@pytest.fixture(scope="session")
def whole_night(short_night, tmp_path_factory):
    """Return that night when nothing disturbs it."""
    from tests.control.night import walk

    night = walk(short_night, tmp_path_factory.mktemp("night") / "whole", commits=COMMITS)
    return replace(night, conductor=None, rig=None)

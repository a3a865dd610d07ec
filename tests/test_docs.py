"""The README is true: what it quotes is what the program prints, what it names exists."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

from rig.commands.main import COMMANDS

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
COMMAND = [sys.executable, "-P", "-m", "rig.commands.main"]


def test_the_quoted_check_is_what_check_prints():
    done = subprocess.run(
        [*COMMAND, "check", "protocols/overnight-wet-prism.toml"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0
    printed = [line for line in (done.stdout + done.stderr).splitlines() if line.strip()]
    quoted = re.search(r"\$ nightrig check \S+\n((?:    .+\n)+)", README)
    assert quoted is not None
    assert [line.strip() for line in quoted[1].splitlines()] == printed


def test_the_quoted_demo_is_what_the_demo_finds(tmp_path):
    done = subprocess.run(
        [
            *COMMAND,
            "rehearse",
            "overnight-wet-prism",
            "--out",
            str(tmp_path / "run"),
            "--seed",
            "1",
        ],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0
    # all but the time it took here and the folder
    for line in done.stdout.splitlines()[:3]:
        assert line.strip() in README


def test_every_command_and_protocol_that_the_readme_names_is_there():
    named = set(re.findall(r"(?:^|\s)nightrig (\w+) protocols", README, re.MULTILINE))
    assert named
    assert named <= set(COMMANDS)
    for path in re.findall(r"`(protocols/[\w/.-]+\.toml)`", README):
        assert (ROOT / path).is_file(), path


def test_every_shipped_protocol_is_named_in_the_readme():
    names = {path.stem for path in (ROOT / "protocols").glob("*.toml")}
    assert {name for name in names if f"`{name}`" not in README} == set()


def test_the_two_commands_stand_within_the_first_twenty_lines():
    head = "\n".join(README.splitlines()[:20])
    assert "python3 bootstrap.py demo" in head
    assert "python3 bootstrap.py test" in head
    assert "outcome" in head


def test_every_channel_name_of_the_program_is_in_the_readme():
    from rig.channels import CHANNEL_UNITS

    for name in CHANNEL_UNITS:
        stem = name.rstrip("_").split("_")[0]
        assert stem in README, name

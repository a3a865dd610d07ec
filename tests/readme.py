"""The README as a reader takes it: its sections, and what they show to be typed."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
NIGHTRIG = [sys.executable, "-P", "-m", "rig.commands.main"]

FIRST_QUARTER = "## The first quarter of an hour"
NIGHT = "## A night in real time"


def section(title: str) -> str:
    """Return the text from a heading to the next one of its rank."""
    found = re.search(rf"^{re.escape(title)}\n(.*?)^## ", README, re.MULTILINE | re.DOTALL)
    assert found is not None
    return found[1]


@dataclass
class Step:
    """A command as the README shows it and the lines it is said to print, or a piece of code."""

    kind: str
    text: str
    printed: list[str] = field(default_factory=list)


def steps(text: str) -> Iterator[Step]:
    """Return what a reader is asked to type, in its order."""
    for block in re.finditer(
        r"^```(\w+)\n(.*?)^```|(?:^    [^\n]*\n)+", text, re.MULTILINE | re.DOTALL
    ):
        if block[1]:
            yield Step(block[1], block[2])
            continue
        step = None
        for line in (line[4:] for line in block[0].splitlines()):
            if line.startswith("$ "):
                if step:
                    yield step
                step = Step("command", line[2:].partition("  #")[0].strip())
            elif step:
                step.printed.append(line)
        if step:
            yield step


def commands(text: str) -> list[str]:
    return [step.text for step in steps(text) if step.kind == "command"]


def called(folder: Path, command: str, within: float = 60) -> subprocess.CompletedProcess[str]:
    """Run a command of the README in a folder, `within` some seconds."""
    name, *arguments = shlex.split(command)
    assert name == "nightrig"
    return subprocess.run(
        [*NIGHTRIG, *arguments],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
        timeout=within,
    )

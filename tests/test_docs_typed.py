"""The README is true: what it shows is typed as a newcomer would, and answered as quoted."""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from rig.errors import EXIT_CODES
from tests.assembly.nights import Night, a_night
from tests.readme import (
    FIRST_QUARTER,
    NIGHT,
    NIGHTRIG,
    README,
    ROOT,
    called,
    commands,
    section,
    steps,
)

MORE = "## More of a protocol"


def without_this_machine(lines: list[str]) -> list[str]:
    """Leave out of a result what differs from one computer and folder to the next."""
    kept = [re.sub(r"(of test), .*", r"\1", line) for line in lines]
    return [line for line in kept if not line.startswith("  record ")]


@pytest.fixture
def checkout(tmp_path: Path) -> Path:
    """Return a folder in which the packaged files lie as in a fresh clone."""
    (tmp_path / "protocols").symlink_to(ROOT / "protocols", target_is_directory=True)
    return tmp_path


@pytest.mark.nights
def test_the_first_quarter_of_an_hour_goes_to_the_letter(checkout):
    written, seen = "", set()
    for step in steps(section(FIRST_QUARTER)):
        if step.kind == "toml":
            written += step.text
            (checkout / "my-first.toml").write_text(written, encoding="utf-8")
        elif step.kind == "python":
            done = subprocess.run(
                [sys.executable, "-c", step.text],
                cwd=checkout,
                capture_output=True,
                text=True,
                check=False,
            )
            assert done.stdout.startswith("run-out "), done.stderr
            assert "kN/mm at first" in done.stdout
        elif step.kind == "command":
            done = called(checkout, step.text)
            quoted = without_this_machine(step.printed)
            if quoted:
                assert without_this_machine(done.stdout.splitlines()) == quoted, step.text
            wanted = 2 if "nothing can start" in done.stdout else 0
            assert done.returncode == wanted, done.stderr
            seen.add(step.text.split()[1])
    assert seen == {"check", "rehearse", "watch"}


def test_the_checked_protocol_is_answered_as_quoted(checkout):
    (step,) = [s for s in steps(section(MORE)) if s.kind == "command"]
    assert called(checkout, step.text).stdout.splitlines() == step.printed


@pytest.mark.nights
def test_the_tables_about_people_fit_into_the_first_protocol(checkout):
    first = [s.text for s in steps(section(FIRST_QUARTER)) if s.kind == "toml"]
    people = [s.text for s in steps(section(NIGHT)) if s.kind == "toml"]
    assert people
    (checkout / "whole.toml").write_text("".join(first + people), encoding="utf-8")
    assert "no problems" in called(checkout, "nightrig check whole.toml").stdout


def run_and_ask(night: Night) -> None:
    """Start the run of the README on a short protocol, look at it, and ask it all it shows."""
    run, watch, *requests = commands(section(NIGHT))
    assert run == "nightrig run first-night --out night-1"
    assert watch == "nightrig watch night-1"
    asked = [shlex.split(request) for request in requests]
    assert [words[1] for words in asked] == ["pause", "note", "continue", "stop"]
    runner = night.start()
    night.until_state("cycling")
    looker = subprocess.Popen(
        [*NIGHTRIG, *shlex.split(watch)[1:]],
        cwd=night.folder,
        env=night.env,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    night.children.append(looker)
    for words in asked:
        done = night.nightrig(*words[1:])
        assert done.returncode == 0, done.stderr
        lines = done.stdout.splitlines()
        assert (lines[0].partition(":")[0], lines[1]) == ("acted", "recorded")
        if words[1] == "pause":
            night.until_state("paused")
        elif words[1] == "continue":
            night.until_state("cycling")
    assert runner.wait(60) == looker.wait(60) == EXIT_CODES["operator"]


@pytest.mark.nights
@pytest.mark.xdist_group("live")
def test_a_night_is_started_watched_and_asked_as_written(tmp_path):
    with a_night(tmp_path, run_out=3000) as night:
        run_and_ask(night)


def test_a_request_is_answered_as_quoted():
    assert "    acted: written down\n    recorded\n" in README


@pytest.mark.endurance
def test_the_first_night_runs_in_real_time_to_its_run_out(tmp_path):
    rig = (ROOT / "protocols/rigs/simulated.toml").read_text(encoding="utf-8")
    (tmp_path / "frame.toml").write_text(rig.replace("simulated frame", f"frame {os.getpid()}"))
    done = subprocess.run(
        [*NIGHTRIG, *commands(section(NIGHT))[0].split()[1:], "--rig", "frame.toml"],
        cwd=tmp_path,
        env=os.environ | {"NIGHTRIG_SOCKETS": str(tmp_path / "sockets")},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert "run-out" in done.stdout


@pytest.mark.endurance
def test_the_quoted_demo_is_what_the_demo_finds(tmp_path):
    quoted = next(s for s in steps(README) if s.text == "python3 bootstrap.py demo").printed
    order = f"nightrig rehearse overnight-wet-prism --out {tmp_path / 'run'} --seed 1"
    done = called(tmp_path, order)
    assert done.returncode == 0
    assert without_this_machine(done.stdout.splitlines()) == without_this_machine(quoted)


@pytest.mark.endurance
@pytest.mark.timeout(240)
def test_a_recording_is_judged_played_varied_and_taken_along_as_written(checkout):
    text = section("## Judge a recording again")
    for step in steps(text):
        done = called(checkout, step.text, 120)
        assert done.returncode == 0, done.stderr
        assert set(step.printed) <= set(done.stdout.splitlines()), done.stdout
    shown = re.findall(r"^\| `((?:replay|rehearse) [^`]+)`", text, re.MULTILINE)
    assert [words.split()[0] for words in shown] == ["replay"] * 4 + ["rehearse"]
    for words in shown:
        placed = words.replace("FILE", "dry-short").replace("FOLDER", ".").replace("100", "max")
        placed = placed.replace("PROTOCOL", "overnight-wet-prism")
        done = called(checkout, f"nightrig {placed}", 120)
        assert done.returncode == 0, (placed, done.stderr)
    for command in commands(section("## Bring measurements in, take them out")):
        done = called(checkout, command, 120)
        assert done.returncode == 0, (command, done.stderr)
    judged = called(checkout, "nightrig replay night-0")
    assert judged.returncode == 0, judged.stderr
    report = next(steps(section("## Reports")))
    done = called(checkout, report.text)
    assert [line.partition(", ")[0] for line in done.stdout.splitlines()] == [
        line.partition(", ")[0] for line in report.printed
    ]


@pytest.mark.endurance
def test_cracks_are_read_corrected_and_drawn_as_written(checkout):
    rehearsed = called(checkout, "nightrig rehearse first-night --out night-1 --seed 1")
    assert rehearsed.returncode == 0
    *typed, after_the_end = commands(section("## Cracks, pictures and what is found afterwards"))
    for command in typed:
        done = called(checkout, command)
        assert done.returncode == 0, (command, done.stderr)
    assert "2 of 5 entries" in called(checkout, "nightrig note night-1 --list").stdout
    # Night 1 ran out; what is said of the one that failed is refused of it.
    words = after_the_end.replace("demo-out/overnight-wet-prism", "night-1")
    assert words != after_the_end
    assert called(checkout, words).returncode == 2
    words = re.sub(r'--mode "[^"]+" ', "", words)
    assert called(checkout, words).returncode == 0

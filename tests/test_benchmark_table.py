"""The README's table of measurements comes from the benchmark's own file."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parent.parent / "benchmarks" / "table.py"
MACHINE = {
    "node": "a-host",
    "cpu": {"count": 2, "brand_raw": "a brand"},
    "python_version": "3.11.7",
    "numpy_version": "2.4.1",
}
REHEARSED = {
    "fullname": "benchmarks/test_rehearsal.py::test_whole_rehearsal_beside_bare_numpy",
    "extra_info": {"times_peer": 1.234, "run_bytes_per_cycle": 9.5, "journal_bytes_per_cycle": 12},
}
README = "before\n<!-- benchmarks -->\nold\n<!-- /benchmarks -->\nafter\n"


def run(*arguments: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, str(SCRIPT), *map(str, arguments)],
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.fixture
def files(tmp_path: Path) -> tuple[Path, Path]:
    """Return a benchmark's file with one benchmark of a rehearsal, and a README with markers."""
    source, readme = tmp_path / "b.json", tmp_path / "README.md"
    found = {"machine_info": MACHINE, "benchmarks": [REHEARSED]}
    source.write_text(json.dumps(found), encoding="utf-8")
    readme.write_text(README, encoding="utf-8")
    return source, readme


def test_figures_go_between_the_markers_and_nothing_else_changes(files):
    source, readme = files
    assert run(source, readme).returncode == 0
    assert readme.read_text(encoding="utf-8") == (
        "before\n<!-- benchmarks -->\n"
        "Measured on 2 cores with Python 3.11.7 and numpy 2.4.1.\n\n"
        "| what | beside | measured | must | aim |\n"
        "| --- | --- | --- | --- | --- |\n"
        "| rehearsal, 200 samples a cycle, three channels | bare numpy sine + noise "
        "| 1.23x its time | 3x | 1x |\n"
        "| bytes a cycle, run.h5 |  | 9.5 | 30 | 13 |\n"
        "| bytes a cycle, journal |  | 12.0 | 40 | 15 |\n"
        "<!-- /benchmarks -->\nafter\n"
    )


def test_writing_the_same_figures_again_changes_nothing(files):
    source, readme = files
    run(source, readme)
    once = readme.read_text(encoding="utf-8")
    assert run(source, readme).returncode == 0
    assert readme.read_text(encoding="utf-8") == once


@pytest.mark.parametrize(
    "text",
    ["nothing", "<!-- benchmarks -->\n", "<!-- /benchmarks -->\n<!-- benchmarks -->\n"],
    ids=["none", "no end", "wrong order"],
)
def test_a_readme_without_both_markers_is_one_line_and_code_2(files, text):
    source, readme = files
    readme.write_text(text, encoding="utf-8")
    done = run(source, readme)
    assert done.returncode == 2
    assert done.stderr == (
        f"{readme}: has no <!-- benchmarks --> ... <!-- /benchmarks -->; add both lines\n"
    )
    assert readme.read_text(encoding="utf-8") == text


@pytest.mark.parametrize(
    "content",
    ["", "{", "[]", "{}", '{"machine_info": {}, "benchmarks": []}', None],
    ids=["empty", "cut off", "a list", "nothing", "no machine", "no file"],
)
def test_a_file_that_no_benchmark_wrote_is_one_line_and_code_2(files, content):
    source, readme = files
    source.unlink()
    if content is not None:
        source.write_text(content, encoding="utf-8")
    done = run(source, readme)
    assert done.returncode == 2
    assert done.stderr.startswith(f"{source}: ")
    assert len(done.stderr.splitlines()) == 1
    assert readme.read_text(encoding="utf-8") == README


def test_a_missing_argument_is_one_line_and_code_2():
    done = run()
    assert (done.returncode, done.stderr.count("\n")) == (2, 1)
    assert done.stderr.startswith("use: ")

"""The README's table of measurements comes from the benchmark's own file."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

SCRIPT = Path(__file__).parent.parent / "benchmarks" / "table.py"


def run(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, str(SCRIPT), *arguments], capture_output=True, text=True, check=False
    )


def test_figures_go_between_the_markers_and_nothing_else_changes(tmp_path):
    figures = {"times_peer": 1.234, "run_bytes_per_cycle": 9.5}
    found = [{"fullname": "benchmarks/x.py::test_whole_rehearsal", "extra_info": figures}]
    source, readme = tmp_path / "b.json", tmp_path / "README.md"
    source.write_text(json.dumps({"benchmarks": found}), encoding="utf-8")
    readme.write_text("before\n<!-- benchmarks -->\nold\n<!-- /benchmarks -->\nafter\n", "utf-8")
    assert run(str(source), str(readme)).returncode == 0
    text = readme.read_text(encoding="utf-8")
    assert text.startswith("before\n<!-- benchmarks -->\n| what |")
    assert text.endswith("<!-- /benchmarks -->\nafter\n")
    assert "1.23x its time" in text
    assert "| 9.5 |" in text
    assert "old" not in text
    # what was not measured has no row
    assert "memory" not in text


def test_a_readme_without_markers_is_one_line_and_code_2(tmp_path):
    source, readme = tmp_path / "b.json", tmp_path / "README.md"
    source.write_text('{"benchmarks": []}', encoding="utf-8")
    readme.write_text("nothing", encoding="utf-8")
    done = run(str(source), str(readme))
    assert done.returncode == 2
    assert len(done.stderr.strip().splitlines()) == 1
    assert readme.read_text(encoding="utf-8") == "nothing"

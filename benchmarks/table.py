"""Write the README's table of measurements from pytest-benchmark's JSON.

Use: python benchmarks/table.py BENCHMARK.json [README.md]
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

BEGIN, END = "<!-- benchmarks -->", "<!-- /benchmarks -->"
ROWS = (
    ("rehearsal, 200 samples a cycle, three channels", "bare numpy sine + noise", "times_peer",
     "test_whole_rehearsal", "{:.2f}x its time", "3x", "1x"),
    ("cycle extraction, all columns", "`find_peaks` with height and distance, per channel-sample",
     "times_peer_by_channel_sample", "test_extraction", "{:.2f}x its speed", "1x", "3x"),
    ("bytes a cycle, run.h5", "", "run_bytes_per_cycle", "test_whole_rehearsal", "{:.1f}", "30",
     "13"),
    ("bytes a cycle, journal", "", "journal_bytes_per_cycle", "test_whole_rehearsal", "{:.1f}",
     "40", "15"),
    ("memory over a million cycles", "a tenth of them", "peak_mb", "test_memory", "{:.0f} MB",
     "300 MB", "150 MB"),
    ("`nightrig --help`", "`python -c pass`", "times_peer", "empty_interpreter[--help]",
     "{:.1f}x", "12x", "8x"),
    ("`nightrig check`", "`python -c pass`", "times_peer", "empty_interpreter[check]", "{:.1f}x",
     "25x", "18x"),
    ("recording", "bare h5py append, same type and filters", "ratio", "test_recording",
     "{:.2f}x its speed", "0.7x", "0.9x"),
    ("open a run, read its stiffness curve (a million cycles)", "bare h5py read", "ratio",
     "test_opening", "{:.2f}x its time", "3x", "1.5x"),
)  # fmt: skip


def table(benchmarks: list[dict[str, Any]]) -> str:
    """Return the table as Markdown; a row without a figure is left out."""
    lines = ["| what | beside | measured | must | aim |", "| --- | --- | --- | --- | --- |"]
    for what, beside, key, name, form, must, aim in ROWS:
        figures = [b["extra_info"][key] for b in benchmarks
                   if name in b["fullname"] and key in b["extra_info"]]  # fmt: skip
        if figures:
            best = form.format(figures[-1])
            lines.append(f"| {what} | {beside} | {best} | {must} | {aim} |")
    return "\n".join(lines)


def main(arguments: list[str]) -> int:
    """Write the table between the README's markers."""
    source = Path(arguments[0])
    readme = Path(arguments[1]) if len(arguments) > 1 else Path("README.md")
    text = readme.read_text(encoding="utf-8")
    if BEGIN not in text or END not in text:
        print(f"{readme}: has no {BEGIN} ... {END}; add both lines", file=sys.stderr)
        return 2
    document = json.loads(source.read_text(encoding="utf-8"))
    head, tail = text.split(BEGIN)[0], text.split(END)[1]
    body = table(document["benchmarks"])
    readme.write_text(f"{head}{BEGIN}\n{body}\n{END}{tail}", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

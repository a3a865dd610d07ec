"""Write the README's table of measurements from pytest-benchmark's JSON.

Use: python benchmarks/table.py BENCHMARK.json [README.md]
"""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

BEGIN, END = "<!-- benchmarks -->", "<!-- /benchmarks -->"


@dataclass(frozen=True, slots=True)
class Row:
    """One measurement: `measured` and `beside` are formats of the `extra_info` of `name`."""

    name: str
    what: str
    beside: str
    measured: str
    must: str = ""
    aim: str = ""


REHEARSAL = "test_rehearsal.py::test_whole_rehearsal_beside_bare_numpy"
EXTRACTION = "test_extraction.py::test_extraction_beside_find_peaks[100000]"
REQUEST = "test_night.py::test_from_a_request_to_the_act"
STOP = "test_night.py::test_from_an_accident_to_the_stop"
ACT = "p50 {act_p50_ms:.0f}, p99 {act_p99_ms:.0f}, worst {act_worst_ms:.0f} ms of {act_n}"
WITHIN = "{within_500_ms} of {stop_n} within 500 ms, worst {stop_worst_ms:.0f} ms"
TRAVEL = (
    "worst {closed_worst_ms:.0f} ms of {n}, the rod {travel_p50_mm:.2f} mm further, "
    "at most {travel_worst_mm:.2f} mm"
)
WHOSE = {"the controller's own": "by its own limit", "ours alone": "by ours alone"}
SOFTENING = "test_correction.py::test_load_error_while_a_specimen_softens"
LIVES = "test_lives.py::"
START_UP = "test_startup.py::test_start_up_beside_an_empty_interpreter"
ROWS = (
    Row(
        REHEARSAL,
        "rehearsal, 200 samples a cycle, three channels",
        "bare numpy sine + noise",
        "{times_peer:.2f}x its time",
        "3x",
        "1x",
    ),
    Row(
        EXTRACTION,
        "cycle extraction, all columns, blocks of 100,000 frames, per channel-sample",
        "`find_peaks` with height and distance: one peak a cycle",
        "{times_peer_by_channel_sample:.2f}x its speed",
        "1x",
        "3x",
    ),
    Row(
        EXTRACTION,
        "the same",
        "`find_peaks` with nothing known: every local maximum",
        "{speed_beside_find_peaks_bare_by_channel_sample:.2f}x its speed",
    ),
    Row(REHEARSAL, "bytes a cycle, run.h5", "", "{run_bytes_per_cycle:.1f}", "30", "13"),
    Row(REHEARSAL, "bytes a cycle, journal", "", "{journal_bytes_per_cycle:.1f}", "40", "15"),
    Row(
        "test_memory.py::test_memory_over_a_million_cycles",
        "memory over a million cycles",
        "a tenth of them",
        "{peak_mb:.0f} MB, {growth:.2f}x",
        "flat, 300 MB",
        "150 MB",
    ),
    Row(
        f"{START_UP}[--help]",
        "`nightrig --help`",
        "`python -c pass`",
        "{times_peer:.1f}x its time",
        "12x",
        "8x",
    ),
    Row(
        f"{START_UP}[check]",
        "`nightrig check`",
        "`python -c pass`",
        "{times_peer:.1f}x its time",
        "25x",
        "18x",
    ),
    Row(
        "test_record.py::test_recording_beside_bare_h5py_appends",
        "recording",
        "bare h5py append, same type and filters",
        "{ratio:.2f}x its speed",
        "0.7x",
        "0.9x",
    ),
    Row(
        "test_record.py::test_opening_a_long_run_beside_bare_h5py_reads",
        "open a run, read its stiffness curve (a million cycles)",
        "bare h5py read",
        "{ratio:.2f}x its time",
        "3x",
        "1.5x",
    ),
    Row(
        f"{REQUEST}[recording]",
        "from a request on the socket to the act, while recording",
        "blocks of 20 ms",
        ACT,
        "worst 100 ms",
    ),
    Row(f"{REQUEST}[frozen]", "the same, the recorder's disk frozen", "", ACT, "worst 100 ms"),
    Row(
        f"{STOP}[loop blocked]",
        "event loop blocked: to the watchdog's stop",
        "watchdog of 500 ms",
        WITHIN,
        "all",
    ),
    Row(f"{STOP}[stream stopped]", "samples stay away: to valve closed", "", WITHIN, "all"),
    Row(f"{STOP}[NaN]", "samples without value: to valve closed", "", WITHIN, "all"),
    Row(
        "test_wire.py::test_from_a_sample_to_the_stop_beside_a_bare_loop",
        "serial lines, 1 kHz x 8: sample arrived to stop written, while recording",
        "a bare read-and-write loop: its p99 is {bare_p99_ms:.1f} ms",
        "p50 {stop_p50_ms:.1f}, p99 {stop_p99_ms:.1f}, worst {stop_worst_ms:.1f} ms of {stop_n}",
        "p99 + 5 ms, worst 20 ms",
        "p99 + 1 ms",
    ),
    *(
        Row(
            f"test_travel.py::test_travel_after_an_excess[{whose}-{speed}]",
            f"true excess to emulated valve closed at {speed}, {words}",
            "",
            TRAVEL,
        )
        for whose, words in WHOSE.items()
        for speed in ("10 mm/s", "100 mm/s")
    ),
    *(
        Row(
            f"{SOFTENING}[{frequency}-{law}]",
            f"40 % of stiffness lost in 1000 cycles, {law}, {frequency[0]} Hz: true load off by "
            "over 1 % of range; worst cycle",
            "{seeds} seeds, loop of 20 Hz",
            "{beyond_softening:.2f} % of these, {beyond:.2f} % of all cycles; {worst:.2f} %",
            "1 %; 102 %",
            "0.1 %; 101 %",
        )
        for frequency in ("4.0", "5.0", "6.0")
        for law in ("even", "three stages")
    ),
    *(
        Row(
            f"{LIVES}{test}",
            what,
            "a loop over lifelines, a tenth of it timed",
            "{times_faster:,.0f}x its speed",
            "20x",
        )
        for test, what in (
            ("test_bootstrap_fits_beside_a_loop_over_lifelines[weibull]", "2000 Weibull fits"),
            ("test_bootstrap_fits_beside_a_loop_over_lifelines[lognormal]", "2000 lognormal fits"),
            (
                "test_a_power_table_beside_a_loop_over_lifelines",
                "power table, 12 rows of 10,000 series of 4 and 4 lives",
            ),
        )
    ),
    Row(
        "test_screen.py::test_the_screen_of_a_live_run",
        "screen of `watch`, 120 x 40 cells, of a live run",
        "one core",
        "{cpu_percent:.1f} %, {kilobytes_per_s:.1f} kB/s",
        "5 %, 40 kB/s",
    ),
)


def table(benchmarks: list[dict[str, Any]]) -> str:
    """Return the table as Markdown; a row without a figure is left out."""
    found = {b["fullname"].rpartition("/")[2]: b["extra_info"] for b in benchmarks}
    lines = ["| what | beside | measured | must | aim |", "| --- | --- | --- | --- | --- |"]
    for row in ROWS:
        if row.name in found:
            measured = row.measured.format(**found[row.name])
            beside = row.beside.format(**found[row.name])
            lines.append(f"| {row.what} | {beside} | {measured} | {row.must} | {row.aim} |")
    return "\n".join(lines)


def machine(info: dict[str, Any]) -> str:
    """Return the class of a machine in words: no name, no path."""
    cores, python, numpy = info["cpu"]["count"], info["python_version"], info["numpy_version"]
    return f"Measured on {cores} cores with Python {python} and numpy {numpy}."


def main(arguments: list[str]) -> int:
    """Write machine and table between the README's markers; 2 where that cannot be done."""
    if len(arguments) not in (1, 2):
        return refuse("use: python benchmarks/table.py BENCHMARK.json [README.md]")
    source, readme = Path(arguments[0]), Path([*arguments, "README.md"][1])
    try:
        document = json.loads(source.read_text(encoding="utf-8"))
        text = readme.read_text(encoding="utf-8")
    except OSError as error:
        return refuse(f"{error.filename}: {error.strerror}")
    except ValueError as error:
        return refuse(f"{source}: is no file that --benchmark-json wrote: {error}")
    head, begin, rest = text.partition(BEGIN)
    _, end, tail = rest.partition(END)
    if not (begin and end):
        return refuse(f"{readme}: has no {BEGIN} ... {END}; add both lines")
    try:
        body = f"{machine(document['machine_info'])}\n\n{table(document['benchmarks'])}"
    except (KeyError, TypeError) as error:
        return refuse(f"{source}: lacks {error}; measure again with --benchmark-json")
    readme.write_text(f"{head}{begin}\n{body}\n{end}{tail}", encoding="utf-8")
    return 0


def refuse(why: str) -> int:
    """Say in one line why nothing was written."""
    print(why, file=sys.stderr)
    return 2


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

"""README.txt of a deposit: what it is, for people who know nothing of this program."""

from __future__ import annotations

import textwrap
from collections.abc import Collection, Iterable, Sequence
from typing import Final

from rig.replay.exporting import WHAT
from rig.report.deposit.about import About
from rig.report.deposit.files import CITATION, METADATA, REPORTS, SUMS, TABLES, WRITTEN
from rig.report.deposit.people import Author

_WIDE: Final = 92
_READING: Final = """\
    import h5py
    run = h5py.File("run.h5", "r")
    print(dict(run.attrs), run["cycles/load_max"][:10], run["cycles/load_max"].attrs["units"])"""
NOT_CHOSEN: Final = "not chosen yet: whoever owns the data chooses it before they are published"
"""Said in the place of the licence."""


def readme_text(
    run: About,
    authors: Sequence[Author],
    licence: str,
    files: Collection[str],
    what: Collection[str],
    cautions: Iterable[str],
) -> str:
    """Return the text; `files` are those of the deposit, `what` was exported to CSV."""
    people = "; ".join(author.name for author in authors) or "not named yet"
    parts = (
        run.title,
        "=" * min(len(run.title), _WIDE),
        *("", _filled(run.test), _filled(run.origin), _filled(run.ending), ""),
        *_facts(run),
        f"Authors        {people}",
        f"Licence        {licence or NOT_CHOSEN}",
        *("", "Files", "-----", *_files(files)),
        *_left_out(what),
        *("", "Units", "-----"),
        _filled(
            "SI everywhere: N, m, s, K, Pa, Hz, N/m, J; strain is a bare number (1e-6 is 1 µm/m). "
            f"In {TABLES}/ another unit stands in the head of its column; {TABLES}/dictionary.csv "
            "says of every column what it is. An empty cell, and NaN in run.h5, is a value that "
            "was not measured. Times are seconds of test time from the start."
        ),
        *("", "How to read run.h5", "------------------"),
        _filled(
            "HDF5, which many programs read; with Python and h5py three lines are enough. Every "
            "dataset has the attributes units and long_name."
        ),
        "",
        _READING,
        *("", "Checking", "--------"),
        f"    sha256sum -c {SUMS}",
        *("", "Cautions", "--------", *(_point(caution) for caution in cautions)),
    )
    return "\n".join(parts) + "\n"


def _facts(run: About) -> Iterable[str]:
    rows = (
        ("Run", run.run_id),
        ("Began", run.began),
        ("Ended", run.ended or "not told"),
        ("Rig", run.rig or "not told"),
        ("Samples", f"{run.rate:g} frames a second"),
        ("Channels", ", ".join(f"{c.name} [{c.unit}]" for c in run.channels)),
        ("Recorded by", run.software),
        ("Deposit by", run.program),
    )
    return (_filled(f"{name:<15}{value}", 15) for name, value in rows)


def _files(files: Collection[str]) -> Iterable[str]:
    told = {
        "run.h5": "the whole record: every cycle, the samples that were kept, events, notes",
        f"{TABLES}/": "the same as CSV; dictionary.csv says what each column is",
        f"{WRITTEN}/": "protocol, rig and specimen as they were written for the test (TOML)",
        "pictures/": f"pictures of the crack log; {TABLES}/cracks.csv names them by their SHA-256",
        **dict.fromkeys(REPORTS, "the report of the run, for reading"),
        CITATION: "how to cite it (Citation File Format 1.2.0)",
        METADATA: "what each file is, for machines (RO-Crate 1.2)",
        SUMS: "SHA-256 of every other file",
    }
    for name, words in told.items():
        if name in (METADATA, SUMS, CITATION) or any(file.startswith(name) for file in files):
            yield _filled(f"{name:<24}{words}", 24)


def _left_out(what: Collection[str]) -> Iterable[str]:
    missing = [name for name in WHAT if name not in what]
    if missing:
        yield _filled(f"Not written as CSV, and in run.h5 alone: {', '.join(missing)}.")


def _point(text: str) -> str:
    return _filled(f"- {text}", 2)


def _filled(text: str, indent: int = 0) -> str:
    return textwrap.fill(
        text,
        _WIDE,
        subsequent_indent=" " * indent,
        break_long_words=False,
        break_on_hyphens=False,
        replace_whitespace=False,
    )

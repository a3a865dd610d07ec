"""The report of a series: what it says, what to beware of, and everything it stands on."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from rig import __version__
from rig.report.document import Document
from rig.report.lives_object import compared_object
from rig.report.measure import COUNT, Measure, Part, Words, plain
from rig.report.series_compared import (
    comparison_section,
    hypotheses_section,
    lives_section,
    service_section,
    survival_section,
    ultimate_section,
)
from rig.report.series_grids import grids_of
from rig.report.series_lead import MAIN, lead_of
from rig.report.series_numbers import Numbers
from rig.report.series_runs import Sources, sources_of
from rig.report.series_sections import (
    cautions_section,
    left_out_section,
    method_section,
    runs_section,
    specimens_section,
    words_section,
)
from rig.report.series_why import why_section

if TYPE_CHECKING:
    from pathlib import Path

    from rig.lives.comparison import Comparison
    from rig.lives.service import ServiceLife
    from rig.protocol.series import Series

MOST_ALONG: Final = 3
"""Things that go along with the main hypotheses and are said at the head; all stand below."""


def series_document(
    series: Series, told: Comparison, years: ServiceLife | None, source: Path | None = None
) -> Document:
    """Return the report of a series that was compared.

    `years` are of a place in service, None where nobody asked. `source` is the series file, beside
    which its runs are looked up and hashed. Every number out of the comparison has for its key the
    path in the object of `compare --json`, after "compare."; those of files begin with "series."
    and "runs.". Raises StorageError where a file cannot be read.
    """
    numbers = Numbers(compared_object(told, years))
    grids = grids_of(numbers)
    sources = sources_of(series, source)
    why = why_section(numbers, sources)
    return Document(
        kind="Series report",
        title=(numbers.words("title"),),
        lead=lead_of(numbers),
        warnings=_warnings(numbers, sources),
        sections=(
            words_section(numbers),
            cautions_section(numbers),
            specimens_section(numbers, grids),
            left_out_section(numbers),
            lives_section(told, numbers, grids),
            survival_section(told, numbers, grids),
            ultimate_section(told, numbers, grids),
            comparison_section(numbers, grids),
            hypotheses_section(numbers, grids),
            *([why] if why else []),
            service_section(numbers, grids),
            runs_section(sources),
            method_section(),
        ),
        about=_about(numbers, sources),
    )


def _warnings(numbers: Numbers, sources: Sources) -> tuple[tuple[Part, ...], ...]:
    """Say what every reader must know before the rest."""
    found: list[tuple[Part, ...]] = []
    simulated = [i for i, run in enumerate(sources.runs) if run.kind == "simulated"]
    imported = [i for i, run in enumerate(sources.runs) if run.kind == "imported"]
    for runs, words in (
        (simulated, " simulated: rehearsals in virtual time, on no specimen"),
        (imported, " imported: recorded elsewhere"),
    ):
        if runs:
            of = Measure(
                len(runs), COUNT, f"runs.{'simulated' if runs is simulated else 'imported'}"
            )
            every = Measure(len(sources.runs), COUNT, "runs.count")
            found.append((of, " of ", every, f" runs{words}."))
    if numbers.value("counts", "left_out"):
        found.append(
            (
                *numbers.count("entry is", "entries are", "counts", "left_out"),
                " left out, void or unknown.",
            )
        )
    if numbers.value("mode") is not None:
        found.append(("compared for ", numbers.words("mode", kind="name"), " alone."))
    found += [(*words, ".") for words in _along(numbers)]
    if numbers.value("cautions"):
        stand = numbers.count("caution stands", "cautions stand", "counts", "cautions")
        found.append((*stand, " below: read them before the rest."))
    return tuple(found)


def _along(numbers: Numbers) -> tuple[tuple[Part, ...], ...]:
    """Return what goes along with the groups of the main hypotheses, each once, the first of it."""
    rows = {
        plain(words): words
        for i in range(min(numbers.value("counts", "hypotheses"), MAIN))
        for words in numbers.all_words("hypotheses", i, "along")
    }
    return tuple(rows.values())[:MOST_ALONG]


def _about(numbers: Numbers, sources: Sources) -> tuple[tuple[Part, ...], ...]:
    """Say what the report was made from, and by what."""
    lines: list[tuple[Part, ...]] = [
        (
            "Made by nightrig ",
            Words(__version__, "constant.SOFTWARE", "name"),
            ". Its numbers are those of compare --json, in SI units there.",
        ),
        (
            "Confidence of intervals: ",
            numbers.measure("confidence", unit="%"),
            "; of life ratios and hypotheses: ",
            numbers.measure("confidence_of_ratios", unit="%"),
            ".",
        ),
    ]
    if sources.file:
        lines.append(
            (
                "Series file: ",
                Words(sources.file, "series.file", "file"),
                ", SHA-256 ",
                Words(sources.sha256, "series.sha256", "file"),
            )
        )
    return tuple(lines)
